//! Reading habits: signs in the titrations of each person, shown to the person and to those who answer for the laboratory.

use ferrotitre_tests::client::Client;
use serde_json::{Value, json};

use super::Visitor;
use crate::lab::Lab;

/// Final readings of five determinations: twelve of twenty end in 0. One more is of the same sample from the same mark.
const FINALS: [[&str; 4]; 5] = [
    ["21.50", "21.50", "21.50", "21.50"],
    ["21.50", "21.50", "21.50", "21.50"],
    ["21.50", "21.50", "21.50", "21.50"],
    ["21.52", "21.54", "21.56", "21.58"],
    ["21.52", "21.54", "21.56", "21.58"],
];

async fn titrated() -> Lab {
    let lab = Lab::open().await;
    let run = lab.run(&lab.iron2).await;
    let mut begun = 0;
    for finals in FINALS {
        let determination = lab.begin(&run).await;
        for last in finals {
            // Each from a mark of its own: from the same one, only the first would count.
            let mut titration = lab.titration("accurate", last, None);
            titration["initial_readings"] = json!([format!("0.{begun:02}")]);
            lab.titrate(&determination, &titration).await;
            begun += 2;
        }
    }
    let again = lab.begin(&run).await;
    lab.titrate(&again, &lab.titration("accurate", "21.50", None)).await;
    let determination = lab.begin(&run).await;
    let path = format!("/determinations/{determination}/titrations");
    let _ = lab.app.analyst2.post(&path, &lab.titration("rough", "21.60", None)).await.expect(201);
    lab
}

async fn people(client: &Client) -> Vec<Value> {
    client.get("/reading-habits").await.expect(200)["people"].as_array().unwrap().clone()
}

fn sign<'a>(person: &'a Value, what: &str) -> &'a Value {
    let signs = person["signs"].as_array().unwrap();
    signs.iter().find(|sign| sign["what"] == what).unwrap_or_else(|| panic!("no {what} in {person}"))
}

#[tokio::test(flavor = "multi_thread")]
async fn a_preferred_digit_stands_out_and_too_little_says_so() {
    let lab = titrated().await;
    let all = people(&lab.app.auditor).await;
    let of = |client: &Client| all.iter().find(|one| one["account"] == client.id.to_string()).unwrap().clone();
    let analyst = of(&lab.app.analyst);
    assert_eq!(analyst["counts"]["titrations"], 21);
    let digits = sign(&analyst, "last digits");
    assert_eq!(digits["basis"], "final readings to 0.02 mL");
    assert_eq!(digits["observed"], "0: 12, 2: 2, 4: 2, 6: 2, 8: 2");
    // All outcomes with a sum of squares of at least 160, enumerated in Python: 20!/5²⁰ Σ Π 1/oᵢ!.
    assert!((digits["p"].as_f64().unwrap() - 0.000_639_836_499_686).abs() < 1e-14, "{digits}");
    assert_eq!(digits["stands_out"], true);
    let identical = sign(&analyst, "identical titres");
    assert_eq!(
        (&identical["cases"], &identical["observed"]),
        (&json!(5), &json!("2 sets of 5 with all titres the same"))
    );
    let second = of(&lab.app.analyst2);
    assert_eq!((&second["counts"]["titrations"], &second["counts"]["rough"]), (&json!(1), &json!(1)));
    assert_eq!(sign(&second, "last digits")["missing"], "not enough data: needs 20 final readings, has 1");
}

#[tokio::test(flavor = "multi_thread")]
async fn an_analyst_sees_nobody_else() {
    let lab = titrated().await;
    let view = lab.app.analyst2.get("/reading-habits").await.expect(200);
    let own = view["people"].as_array().unwrap();
    // Seven determinations are there, one of them of this analyst.
    assert_eq!((own.len(), &view["determinations"]), (1, &json!(1)));
    assert_eq!(own[0]["account"], lab.app.analyst2.id.to_string());
    let other = format!("/reading-habits?account={}", lab.app.analyst.id);
    lab.app.analyst2.get(&other).await.refused(403, "forbidden");
    assert_eq!(lab.app.manager.get(&other).await.expect(200)["people"].as_array().unwrap().len(), 1);
    let turned = "/reading-habits?from=2026-02-01T00:00:00Z&until=2026-01-01T00:00:00Z";
    let refused = lab.app.manager.get(turned).await.refused(422, "invalid_input");
    assert_eq!(refused["errors"][0]["field"], "from", "{refused}");
    assert_eq!(
        lab.app.manager.get("/reading-habits?until=2026-01-01T00:00:00Z").await.expect(200)["determinations"],
        0
    );

    let page = Visitor::of(lab.app.running.address, &lab.app.analyst2).get("/reading-habits").await.text;
    assert!(page.contains("My reading habits") && page.contains("needs 20 final readings, has 1"), "{page}");
    let page = Visitor::of(lab.app.running.address, &lab.app.manager).get("/reading-habits").await.text;
    assert!(page.contains("▲ stands out") && page.contains("last digits of final readings to 0.02 mL"), "{page}");
}
