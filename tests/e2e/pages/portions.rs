//! A sample with its test portions in one form.

use super::Visitor;
use crate::lab::Lab;

#[tokio::test(flavor = "multi_thread")]
async fn a_sample_is_registered_with_its_portions_in_one_form() {
    let lab = Lab::open().await;
    let analyst = Visitor::of(lab.app.running.address, &lab.app.analyst);
    let form = analyst.get("/samples/with-portions").await;
    // Vessels of the newest portion of that matrix, and how its sample is kept; of what is seen on receipt nothing.
    for (name, value) in [
        ("sample.matrix", "hydrochloric pickling bath"),
        ("sample.condition", ""),
        ("portions[0].pipette", "P10"),
        ("portions[0].dilution[0].flask", "F250"),
        ("portions[0].aliquot_pipette", "P25"),
        ("portions[0].mass_g", ""),
    ] {
        assert!(form.text.contains(&format!("name=\"{name}\" value=\"{value}\"")), "{name}: {}", form.text);
    }
    let entries = [
        ("sample.code", "S-7"),
        ("sample.client_reference", "bath 7"),
        ("sample.description", "green, clear"),
        ("sample.matrix", "hydrochloric pickling bath"),
        ("sample.condition", "intact"),
        ("sample.preservation", "acid as taken"),
        ("sample.container", "glass"),
        ("sample.storage", "refrigerator 2"),
        ("sample.retained_until", "2099-01-01"),
        ("portions[0].pipette", "P10"),
        ("portions[0].dilution[0].flask", "F250"),
        ("portions[0].aliquot_pipette", "P25"),
    ];
    let hidden = [("_code", form.hidden("_code")), ("_key", form.hidden("_key"))];
    // One more portion is room, and proposed alike; a flask that does not fit is told beside its field, and nothing is there.
    let more = analyst
        .post("/samples/with-portions", &[&hidden[..], &entries[..], &[("_shape", "1"), ("_reshape", "more")]].concat())
        .await;
    assert!(more.text.contains("name=\"portions[1].pipette\" value=\"P10\""), "{}", more.text);
    let mut wrong = entries;
    wrong[11].1 = "nowhere";
    let refused = analyst.post("/samples/with-portions", &[&hidden[..], &wrong[..], &[("_shape", "1")]].concat()).await;
    assert!(refused.status == 422 && refused.text.contains("is not among what can be chosen"), "{}", refused.text);
    assert_eq!(lab.app.row_counts(&["samples"]).await, [1]);
    let place = analyst.fill("/samples/with-portions", &entries).await;
    let listed = lab.app.auditor.get(&format!("{place}/portions")).await.expect(200);
    assert_eq!(listed.as_array().unwrap().len(), 1, "{listed}");
    assert!(analyst.get(&place).await.text.contains("/runs/begin?sample="));
}
