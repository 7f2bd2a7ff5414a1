//! Pages of specifications: the statement with its number line, the risks, forms that record.

use super::Visitor;
use crate::lab::Lab;
use crate::specifications::{approved, assign, at_most, bath_of_the_vector, guarded};

#[tokio::test(flavor = "multi_thread")]
async fn statements_stand_on_page_and_report_without_typing_and_forms_record() {
    let lab = Lab::open().await;
    let app = &lab.app;
    let rule = approved(app, "/decision-rules", &guarded("DR-1", "1.645")).await;
    let (id, version) = approved(app, "/specifications", &at_most("SP-1", "120", &rule.1)).await;
    let (sample, determination) =
        bath_of_the_vector(&lab, async |sample: &str| drop(assign(app, sample, &version).await)).await;
    let path = format!("/determinations/{determination}");
    lab.through(&path).await;
    let auditor = Visitor::of(app.running.address, &app.auditor);
    for page in [path.clone(), format!("{path}/report")] {
        let shown = auditor.get(&page).await;
        assert_eq!(shown.status, 200, "{page}: {}", shown.text);
        for words in ["81.8 %", "up to 119.095 g/L", "upper limit 120", "SP-1 v1", "As of", "at most 5.0 %"] {
            assert!(shown.text.contains(words), "{page} lacks {words}");
        }
    }
    // Limits of one's own stay possible, and certainty is not claimed.
    let typed = auditor.get(&format!("{path}?upper=150&guard=U")).await;
    assert!(typed.text.contains("&gt; 99.9 %") || typed.text.contains("&#62; 99.9 %"), "{}", typed.text);
    let shown = auditor.get(&format!("/samples/{sample}")).await;
    assert!(shown.text.contains("at most 120 g/L") && !shown.text.contains("take off"), "{}", shown.text);
    let empty = auditor.get(&format!("/specifications/{id}")).await;
    assert!(empty.text.contains("needs at least 10 approved results"), "{}", empty.text);
    let risk = auditor.get(&format!("/specifications/{id}?mean=118&sd=1.2&u=0.55")).await;
    assert!(risk.text.contains("this rule") && risk.text.contains("Consumer&#39;s risk"), "{}", risk.text);
    let rule = format!("/decision-rules/{}", rule.0);
    for (place, words) in [("/specifications", "at most 120 g/L"), ("/decision-rules", "1.645 u"), (&rule, "1.645 u")] {
        let page = auditor.get(place).await;
        assert!(page.status == 200 && page.text.contains(words), "{place}: {}", page.text);
    }
    assert_eq!(auditor.get("/specifications/new").await.status, 403);

    let analyst = Visitor::of(app.running.address, &app.analyst);
    let form = analyst.get("/specifications/new").await;
    let fields = |upper: &'static str| {
        vec![
            ("_code", form.hidden("_code").to_owned()),
            ("_key", form.hidden("_key").to_owned()),
            ("code", "SP-2".to_owned()),
            ("title", "Iron(II)".to_owned()),
            ("scope", "the other bath".to_owned()),
            ("analyte", "iron(II)".to_owned()),
            ("expressed", "Fe".to_owned()),
            ("unit", "g/L".to_owned()),
            ("lower", "110".to_owned()),
            ("upper", upper.to_owned()),
            ("decision_rule", "DR-1 v1".to_owned()),
        ]
    };
    let send = async |upper: &'static str| {
        let fields = fields(upper);
        let fields: Vec<(&str, &str)> = fields.iter().map(|(name, value)| (*name, value.as_str())).collect();
        analyst.post("/specifications/new", &fields).await
    };
    let wrong = send("100").await;
    assert!(wrong.status == 422 && wrong.text.contains("wrong way round"), "{}", wrong.text);
    let right = send("130").await;
    assert_eq!(right.status, 303, "{}", right.text);
    let place = right.header("location").split('?').next().unwrap_or_default().to_owned();
    let manager = Visitor::of(app.running.address, &app.manager);
    let approval = manager.get(&format!("{place}/approval")).await;
    assert!(approval.text.contains("from 110 to 130 g/L"), "{}", approval.text);
    let signed = manager
        .post(
            &format!("{place}/approval"),
            &[
                ("_code", approval.hidden("_code")),
                ("_key", approval.hidden("_key")),
                ("content_digest", approval.hidden("content_digest")),
                ("reason", ""),
                ("password", &app.manager.password),
            ],
        )
        .await;
    assert_eq!(signed.status, 303, "{}", signed.text);
    let give = analyst.get(&format!("/samples/{sample}/specifications/new")).await;
    let given = analyst
        .post(
            &format!("/samples/{sample}/specifications/new"),
            &[("_code", give.hidden("_code")), ("_key", give.hidden("_key")), ("specification", "SP-2 v1")],
        )
        .await;
    assert_eq!(given.status, 303, "{}", given.text);
    let late = analyst.get(&path).await;
    assert!(late.text.contains("assigned after approval"), "{}", late.text);
}
