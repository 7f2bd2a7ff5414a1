//! From a draft to an issue, the next issue and a withdrawal, over the API and on the pages.

use ferrotitre_tests::bench::sample;

use super::*;
use crate::pages::Visitor;
use crate::signed::{amend, correct_portion};

#[tokio::test(flavor = "multi_thread")]
async fn a_certificate_is_drawn_up_authorised_and_with_that_issued_and_its_results_are_reported() {
    let lab = described().await;
    let app = &lab.app;
    let [iron3, total, iron2] = difference(&lab).await;
    let draft = drafted(&lab, &[&iron3]).await;
    let number = text(&draft, "number");
    let year = chrono::Utc::now().format("%Y").to_string();
    assert_eq!((number.as_str(), text(&draft, "state").as_str()), (format!("C-{year}-0001").as_str(), "draft"));
    // The difference brought both its determinations along.
    let on_it: Vec<String> =
        draft["issues"][0]["results"].as_array().unwrap().iter().map(|one| text(one, "id")).collect();
    assert_eq!(on_it, [iron2.clone(), total.clone(), iron3.clone()]);
    let analytes: Vec<String> =
        draft["issues"][0]["document"]["results"].as_array().unwrap().iter().map(|one| text(one, "analyte")).collect();
    assert_eq!(analytes, ["iron(II)", "total iron", "iron(III)"]);
    // Each figure is the one of its own page.
    for (at, place) in
        [format!("/determinations/{iron2}"), format!("/determinations/{total}"), format!("/iron-results/{iron3}")]
            .iter()
            .enumerate()
    {
        let reported = app.auditor.get(place).await.expect(200)["evaluation"]["reported"].clone();
        let certified = &draft["issues"][0]["document"]["results"][at];
        for (of_page, of_certificate) in
            [("text", "value"), ("expanded_uncertainty", "expanded_uncertainty"), ("unit", "unit")]
        {
            assert_eq!(reported[of_page], certified[of_certificate], "{place}");
        }
    }
    let place = path(&draft);
    let issued = authorise(&app.manager2, &place).await.expect(201);
    assert_eq!((&issued["state"], &issued["current_issue"]), (&json!("issued"), &json!(1)));
    let signature = &issued["issues"][0]["sign_offs"][0];
    assert_eq!(
        (&signature["statement"], &signature["printed_name"], &signature["still_valid"]),
        (&json!("I authorise this certificate for issue"), &json!("manager-2"), &json!(true))
    );
    for result in
        [format!("/determinations/{iron2}"), format!("/determinations/{total}"), format!("/iron-results/{iron3}")]
    {
        assert_eq!(state_of(&lab, &result).await, "reported", "{result}");
    }
    // The next one has the next number; the list is narrowed by state and number, page by page.
    let (other, _) = approved(&lab).await;
    let second = drafted(&lab, &[&other]).await;
    assert_eq!(text(&second, "number"), format!("C-{year}-0002"));
    let all = app.auditor.get("/certificates?limit=1").await.expect(200);
    assert_eq!(all["items"][0]["number"], second["number"]);
    let rest = app.auditor.get(&format!("/certificates?after={}", text(&all, "next"))).await.expect(200);
    assert_eq!(rest["items"][0]["number"], json!(number));
    let drafts = app.auditor.get("/certificates?state=draft").await.expect(200);
    assert_eq!((drafts["items"].as_array().unwrap().len(), &drafts["items"][0]["number"]), (1, &second["number"]));
    let one = app.auditor.get(&format!("/certificates?number={}", number.to_lowercase())).await.expect(200);
    assert_eq!(one["items"][0]["id"], issued["id"]);
}

#[tokio::test(flavor = "multi_thread")]
async fn the_next_issue_says_what_it_replaces_and_the_one_before_stays_readable() {
    let lab = described().await;
    let app = &lab.app;
    let (result, signed) = approved(&lab).await;
    let first = issued(&lab, &[&result]).await;
    let place = path(&first);
    // A page takes times to the minute: the one of the issue is not before it.
    let minute = format!("{}:00Z", &minutes_ago(0)[..16]);
    let sent = json!({ "issue": 1, "recipient": "shift manager", "means": "by e-mail", "delivered_at": minute });
    let _ = app.analyst2.post(&format!("{place}/deliveries"), &sent).await.expect(201);
    let before = document(&lab, &place, 1).await;
    // What it rests on is corrected: the certificate is marked, the nonconformity names it.
    let _ = correct_portion(&lab, &lab.bench.pipette_25).await.expect(201);
    let marked = app.auditor.get(&place).await.expect(200);
    assert!(marked["marks"][0].as_str().unwrap().contains("test portion corrected"), "{}", marked["marks"]);
    assert_eq!(app.auditor.get("/certificates").await.expect(200)["items"][0]["marked"], true);
    let opened = app.auditor.get("/nonconformities").await.expect(200)["items"][0].clone();
    let number = text(&first, "number");
    assert!(text(&opened, "scope").contains(&format!("issued certificate {number} (issue 1)")), "{opened}");
    let named = opened["links"].as_array().unwrap().iter().any(|link| link["entity_kind"] == "certificates");
    assert!(named, "{opened}");
    // The open mark blocks the next issue, as it blocks a first one.
    let refused = amended(&lab, &first, &[&result]).await.refused(409, "state_conflict");
    assert!(text(&refused, "detail").contains("nobody has decided yet"), "{refused}");
    let determination = format!("/determinations/{result}");
    let manager = Visitor::of(app.running.address, &app.manager);
    let told = manager.get(&format!("{determination}/amendment")).await.text;
    assert!(
        told.contains(&format!("it went out on certificate {number} (issue 1): amend or withdraw that, too")),
        "{told}"
    );
    amend(&lab, &determination, "25 mL had been taken").await;
    let offers = manager.get(&determination).await.text;
    assert!(offers.contains(&format!("/certificates/{number}/amendment")), "{offers}");
    let after = app.auditor.get(&place).await.expect(200);
    assert!(after["marks"].to_string().contains("was amended since: 25 mL had been taken"), "{}", after["marks"]);
    let alerts = app.auditor.get("/alerts").await.expect(200).to_string();
    assert!(alerts.contains(&format!("{number} (issue 1) certifies")), "{alerts}");
    let refused = amended(&lab, &first, &[&result]).await.refused(409, "state_conflict");
    assert!(text(&refused, "detail").contains("it is amended, not approved"), "{refused}");
    // Signed anew: the manager who amended has a hand in it, so the other one approves.
    sign(&app.manager, &determination, "submission", None).await.refused(403, "not_own_observations");
    sign(&app.analyst, &determination, "submission", None).await.expect(201);
    sign(&app.analyst2, &determination, "review", None).await.expect(201);
    let anew = sign(&app.manager2, &determination, "approval", None).await.expect(201);
    assert_ne!(anew["evaluation"]["reported"]["text"], signed["evaluation"]["reported"]["text"]);
    let draft = amended(&lab, &first, &[&result]).await.expect(201);
    // Until it is authorised the first issue holds.
    assert_eq!((&draft["state"], &draft["current_issue"]), (&json!("draft"), &json!(1)));
    // Who amended the result has a hand in it.
    authorise(&app.manager, &place).await.refused(403, "own_record");
    let second = authorise(&app.manager2, &place).await.expect(201);
    assert_eq!((&second["current_issue"], &second["marks"]), (&json!(2), &json!([])));
    let states: Vec<&Value> = second["issues"].as_array().unwrap().iter().map(|one| &one["state"]).collect();
    assert_eq!(states, [&json!("superseded"), &json!("issued")]);
    let list =
        Visitor::of(app.running.address, &app.analyst).get(&format!("/find?q={}", &text(&second, "number")[..3])).await;
    assert!(list.text.contains("issue 2, ") && !list.text.contains("superseded"), "{}", list.text);
    assert_eq!(second["issues"][0]["status"], "amended: replaced by issue 2");
    assert_eq!(state_of(&lab, &determination).await, "reported");
    // 7.8.8.1: any change is clearly identified, with its reason.
    let words = ferrotitre_tests::pdf::read(&document(&lab, &place, 2).await.bytes).await.text;
    for said in [
        "Amended certificate of analysis",
        "This issue replaces issue 1",
        "What changed: iron(II) was determined again",
        "Reason: the pipette had been misread",
        &text(&anew["evaluation"]["reported"], "text"),
    ] {
        assert!(words.contains(said), "'{said}' is not in: {words}");
    }
    // The first issue is still there, byte for byte, and who has it is known.
    assert_eq!(document(&lab, &place, 1).await.bytes, before.bytes);
    let view = app.auditor.get(&place).await.expect(200);
    assert_eq!(
        (&view["deliveries"][0]["issue"], &view["deliveries"][0]["recipient"]),
        (&json!(1), &json!("shift manager"))
    );
    assert_eq!(
        view["copies"].as_array().unwrap().len(),
        3,
        "every document taken out is on record: {}",
        view["copies"]
    );
    let page = Visitor::of(app.running.address, &app.auditor).get(&format!("/certificates/{number}?issue=1")).await;
    assert!(page.text.contains("Issue 1 is no longer valid. It was amended: replaced by issue 2."), "{}", page.text);
}

#[tokio::test(flavor = "multi_thread")]
async fn a_withdrawn_certificate_stays_readable_and_is_never_issued_again() {
    let lab = described().await;
    let app = &lab.app;
    let (result, _) = approved(&lab).await;
    let first = issued(&lab, &[&result]).await;
    let place = path(&first);
    let before = document(&lab, &place, 1).await;
    let waits = amended(&lab, &first, &[&result]).await.expect(201);
    // Withdrawing names the issue that holds, not the draft.
    withdraw(&app.manager, &place, "it names the wrong customer").await.refused(412, "stale_version");
    let held = text(&waits["issues"][0], "content_digest");
    let signature = json!({ "password": app.manager.password, "content_digest": held, "reason": "no" });
    app.manager.post(&format!("{place}/withdrawal"), &signature).await.refused(422, "invalid_input");
    let signature =
        json!({ "password": app.manager.password, "content_digest": held, "reason": "it names the wrong customer" });
    let gone = app.manager.post(&format!("{place}/withdrawal"), &signature).await.expect(201);
    let states: Vec<String> = gone["issues"].as_array().unwrap().iter().map(|one| text(one, "state")).collect();
    assert_eq!(states, ["withdrawn", "discarded"]);
    assert!(gone["current_issue"].is_null());
    // Nobody gets it out again: not by its draft, not by another draft, not by a second withdrawal.
    authorise(&app.manager2, &place).await.refused(409, "state_conflict");
    amended(&lab, &gone, &[&result]).await.refused(409, "state_conflict");
    let revised = json!({ "reason": "try once more", "facts": facts(&[&result]) });
    let drafts = format!("{place}/drafts");
    app.analyst2.post_if_match(&drafts, &text(&gone, "version_id"), &revised).await.refused(409, "state_conflict");
    app.manager.post(&format!("{place}/withdrawal"), &signature).await.refused(409, "state_conflict");
    let forger = app.sql(ferrotitre_tests::cluster::DatabaseRole::Service).await;
    let forged = format!(
        "BEGIN; SELECT set_config('ferrotitre.act', '{{\"kind\":\"system\",\"action\":\"test\"}}', true); \
         INSERT INTO state_moves (id, entity_kind, entity_id, position, from_state, to_state) \
         VALUES (gen_random_uuid(), 'certificates', '{}', 9, 'discarded', 'issued'); COMMIT",
        text(&gone, "version_id")
    );
    let error = forger.batch_execute(&forged).await.unwrap_err();
    let error = error.as_db_error().unwrap();
    assert_eq!(error.constraint(), Some("certificates_one_issue"), "{error:?}");
    // What went out can still be read, and its page says what became of it.
    assert_eq!(document(&lab, &place, 1).await.bytes, before.bytes);
    let visitor = Visitor::of(app.running.address, &app.auditor);
    let digest = text(&first["issues"][0], "content_digest");
    let number = text(&first, "number");
    let page = visitor.get(&format!("/certificates/{number}?issue=1&digest={digest}")).await;
    for words in ["It was withdrawn: it names the wrong customer.", "is the one that was signed", "PDF as it went out"]
    {
        assert!(page.text.contains(words), "{words}: {}", page.text);
    }
    let page = visitor.get(&format!("/certificates/{number}?issue=1&digest={}", "0".repeat(64))).await;
    assert!(page.text.contains("is not the one that was signed"), "{}", page.text);
    let page = visitor.get(&format!("/certificates/{number}?issue=7")).await;
    assert!(page.text.contains("this laboratory never issued it"), "{}", page.text);
    // The result is free to be certified anew, under another number.
    let again = issued(&lab, &[&result]).await;
    assert_ne!(again["number"], first["number"]);
}

#[tokio::test(flavor = "multi_thread")]
async fn a_concession_is_printed_and_a_rejected_run_marks_what_went_out() {
    let lab = Lab::without_plans().await;
    let app = &lab.app;
    let _ = app.manager.post("/laboratory", &identity()).await.expect(201);
    let determination = lab.iron2_done(["21.46", "21.48"]).await;
    let of = format!("/determinations/{determination}");
    sign(&app.analyst, &of, "submission", None).await.expect(201);
    sign(&app.analyst2, &of, "review", None).await.expect(201);
    let ask = json!({
        "item_kind": "determinations", "item": determination, "reason": "the control bottle broke; duplicate agrees",
        "valid_from": minutes_ago(5), "valid_to": ferrotitre_tests::bench::days_ahead(1),
    });
    let concession = text(&app.analyst.post("/concessions", &ask).await.expect(201), "id");
    for manager in [&app.manager, &app.manager2] {
        let seen = text(&manager.get(&format!("/concessions/{concession}")).await.expect(200), "content_digest");
        let signature = json!({ "password": manager.password, "content_digest": seen });
        let _ = manager.post(&format!("/concessions/{concession}/signatures"), &signature).await.expect(201);
    }
    sign(&app.manager, &of, "approval", None).await.expect(201);
    let certificate = issued(&lab, &[&determination]).await;
    let place = path(&certificate);
    let words = ferrotitre_tests::pdf::read(&document(&lab, &place, 1).await.bytes).await.text;
    assert!(
        words.contains("granted by manager-1 and manager-2: the control bottle broke; duplicate agrees"),
        "{words}"
    );
    let run = text(&app.auditor.get(&of).await.expect(200), "run");
    sign(&app.manager2, &format!("/runs/{run}"), "rejection", Some("the blank was swapped")).await.expect(201);
    let marked = app.auditor.get(&place).await.expect(200)["marks"].to_string();
    assert!(marked.contains("was invalidated since"), "{marked}");
    let opened = app.auditor.get("/nonconformities").await.expect(200)["items"][0].clone();
    assert!(text(&opened, "scope").contains("issued certificate"), "{opened}");
    assert_eq!(opened["severity"], "major");
}

#[tokio::test(flavor = "multi_thread")]
async fn a_corrected_sample_on_a_certificate_opens_a_nonconformity_and_a_corrected_laboratory_changes_nothing() {
    let lab = described().await;
    let app = &lab.app;
    let (result, _) = approved(&lab).await;
    let certificate = issued(&lab, &[&result]).await;
    let place = path(&certificate);
    let before = document(&lab, &place, 1).await;
    let samples = app.auditor.get("/samples").await.expect(200);
    let mut description = sample("S-1");
    description["description"] = json!("brown, turbid");
    let correction = json!({ "reason": "the description was of another bottle", "facts": description });
    let corrections = format!("/samples/{}/corrections", text(&samples["items"][0], "id"));
    let version = text(&samples["items"][0], "version_id");
    let _ = app.analyst.post_if_match(&corrections, &version, &correction).await.expect(201);
    let opened = app.auditor.get("/nonconformities").await.expect(200)["items"][0].clone();
    assert!(text(&opened, "scope").contains("issued certificate"), "{opened}");
    let present = app.auditor.get("/laboratory").await.expect(200)["versions"][0].clone();
    let mut moved = identity();
    moved["address"] = json!("1 Market Square, Portmere");
    let correction = json!({ "reason": "the laboratory moved house", "facts": moved });
    let corrected =
        app.manager.post_if_match("/laboratory/corrections", &text(&present, "version_id"), &correction).await;
    assert_eq!(corrected.expect(201)["version"], 2);
    app.manager.post("/laboratory", &identity()).await.refused(409, "already_exists");
    assert_eq!(document(&lab, &place, 1).await.bytes, before.bytes);
    let view = app.auditor.get(&place).await.expect(200);
    assert_eq!(view["issues"][0]["document"]["laboratory"]["address"], identity()["address"]);
}

#[tokio::test(flavor = "multi_thread")]
async fn a_certificate_is_drawn_up_amended_and_withdrawn_on_the_pages() {
    let lab = Lab::open().await;
    let app = &lab.app;
    let [analyst2, manager, manager2] =
        [&app.analyst2, &app.manager, &app.manager2].map(|who| Visitor::of(app.running.address, who));
    let empty = manager.get("/laboratory").await;
    assert!(empty.text.contains("Nobody has described it yet"), "{}", empty.text);
    let none = analyst2.get("/certificates/new").await;
    assert!(none.text.contains("No approved result is waiting for a certificate"), "{}", none.text);
    let named = [("name", "Harbour Street Analytical"), ("address", "12 Harbour Street"), ("contact", "01632 960 114")];
    assert_eq!(manager.fill("/laboratory/description", &named).await, "/laboratory");
    let (result, view) = approved(&lab).await;
    let sample = text(&view, "sample");
    let day = analyst2.get("/day").await.text;
    assert!(day.contains("Approved, waiting for a certificate"), "{day}");
    let entered =
        [("customer", "Pickling line"), ("customer_address", "Quay 4"), ("results", result.as_str()), ("remarks", "")];
    let place = analyst2.fill(&format!("/certificates/new?sample={sample}"), &entered).await;
    assert!(place.starts_with("/certificates/C-"), "{place}");
    assert!(manager2.get("/day").await.text.contains("Certificates to be authorised"));
    let anew = [("customer", "Pickling line 2"), ("reason", "the other line asked")];
    let mut all = entered.to_vec();
    all.retain(|(name, _)| *name != "customer");
    all.extend(anew);
    assert_eq!(analyst2.fill(&format!("{place}/draft"), &all).await, place);
    let password = [("password", app.manager2.password.as_str())];
    assert_eq!(manager2.fill(&format!("{place}/authorisation"), &password).await, place);
    let page = manager2.get(&place).await.text;
    assert!(page.contains("Issue 1 is current.") && page.contains("Pickling line 2"), "{page}");
    let sent = [("issue", "1"), ("recipient", "shift manager"), ("means", "by post")];
    assert_eq!(analyst2.fill(&format!("{place}/deliveries"), &sent).await, place);
    for of in
        [format!("/determinations/{result}"), format!("/samples/{sample}"), format!("/runs/{}", text(&view, "run"))]
    {
        assert!(analyst2.get(&of).await.text.contains(&place), "{of} does not lead to {place}");
    }
    let mut next = all.clone();
    next.retain(|(name, _)| *name != "reason");
    next.extend([("what_changed", "the customer's name"), ("reason", "it was misspelt")]);
    assert_eq!(analyst2.fill(&format!("{place}/amendment"), &next).await, place);
    assert_eq!(analyst2.fill(&format!("{place}/discarding"), &[("reason", "it was right after all")]).await, place);
    let withdrawal = [("password", app.manager.password.as_str()), ("reason", "the bottle was of another bath")];
    assert_eq!(manager.fill(&format!("{place}/withdrawal"), &withdrawal).await, place);
    let page = manager.get(&place).await.text;
    assert!(page.contains("withdrawn: the bottle was of another bath") && page.contains("shift manager"), "{page}");
    // A report of a determination is none.
    let report = manager.get(&format!("/determinations/{result}/report")).await.text;
    assert!(report.contains("This report is not a certificate of analysis."), "{report}");
}
