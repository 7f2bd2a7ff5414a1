//! A sample with what is taken of it.

use ferrotitre_tests::bench::{minutes_ago, sample, text};
use serde_json::{Value, json};

use super::actions;
use crate::lab::Lab;

fn portion(lab: &Lab) -> Value {
    json!({
        "pipette": lab.bench.pipette_10, "dilution": [{ "flask": lab.bench.flask_250 }],
        "aliquot_pipette": lab.bench.pipette_25, "observed_at": minutes_ago(60),
    })
}

#[tokio::test]
async fn a_sample_comes_with_its_portions_or_not_at_all() {
    let lab = Lab::open().await;
    let app = &lab.app;
    let new = |code: &str, portions: Value| json!({ "sample": sample(code), "portions": portions });
    let both = new("S-2", json!([portion(&lab), portion(&lab)]));
    let made = app.analyst.post("/samples/with-portions", &both).await.expect(201);
    let id = text(&made["sample"], "id");
    assert_eq!(made["portions"].as_array().unwrap().len(), 2, "{made}");
    let listed = app.auditor.get(&format!("/samples/{id}/portions")).await.expect(200);
    assert_eq!(listed[1]["id"], made["portions"][0]["id"], "the first is the older one");
    assert_eq!(actions(&lab, &id).await, ["register_samples"]);

    let before = app.row_counts(&["samples", "test_portions", "dilution_steps"]).await;
    let mut early = portion(&lab);
    early["observed_at"] = json!(minutes_ago(600));
    let mut full = portion(&lab);
    full["aliquot_pipette"] = json!(lab.bench.flask_250);
    let mut bare = portion(&lab);
    bare["pipette"] = Value::Null;
    for (portions, field) in [
        (json!([portion(&lab), early]), "portions[1].observed_at"),
        (json!([full]), "portions[0].aliquot_pipette"),
        (json!([bare]), "portions[0].pipette"),
        (json!([]), "portions"),
    ] {
        let answer = app.analyst.post("/samples/with-portions", &new("S-3", portions)).await;
        assert!(answer.status == 422 || answer.status == 409, "{}", answer.text);
        assert_eq!(answer.json["errors"][0]["field"], field, "{}", answer.text);
    }
    // All that is wrong by itself is said at once.
    let mut wrong = new("S 3", json!([{ "observed_at": minutes_ago(5) }]));
    wrong["sample"]["storage"] = json!("");
    let refused = app.analyst.post("/samples/with-portions", &wrong).await.refused(422, "invalid_input");
    let fields: Vec<&str> =
        refused["errors"].as_array().unwrap().iter().map(|one| one["field"].as_str().unwrap()).collect();
    assert!(
        ["sample.code", "sample.storage", "portions[0].pipette"].iter().all(|one| fields.contains(one)),
        "{fields:?}"
    );
    // A code that is taken.
    let taken = app.analyst.post("/samples/with-portions", &new("S-2", json!([portion(&lab)]))).await;
    assert_eq!((taken.status, taken.json["errors"][0]["field"].as_str()), (409, Some("sample.code")), "{}", taken.text);
    app.auditor.post("/samples/with-portions", &both).await.refused(403, "forbidden");
    assert_eq!(app.row_counts(&["samples", "test_portions", "dilution_steps"]).await, before);
}
