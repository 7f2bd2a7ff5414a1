//! Certificates of the scenario: one that holds, one amended after the certificate of a primary standard was corrected, one over a
//! result under a concession, one withdrawn, and a draft that waits for a manager.

use ferrotitre_base::refusal::{Code, Refusal};
use ferrotitre_base::states::NewMove;
use ferrotitre_bench::samples::samples;
use ferrotitre_bench::standards::primary;
use ferrotitre_bench::titrants::service as titrants;
use ferrotitre_ledger::laboratory::service as laboratory;
use ferrotitre_results::certificates::{drawing, service, steps};
use ferrotitre_results::conformity::assignments;
use ferrotitre_results::determinations::service as determinations;
use ferrotitre_results::runs::service as runs;
use serde_json::{Value, json};
use uuid::Uuid;

use crate::demo::bench::{Results, begin_as, blank_with, open_run_with, through, titrate, titration};
use crate::demo::stock::{Stock, direct, portion_of, standard};
use crate::demo::{Lab, id_of, wire};

/// The customer of the baths.
const CUSTOMER: (&str, &str) = ("Pickling line", "Quay 4, Portmere");

fn facts(results: &[Uuid], specifications: &[Uuid], remarks: Option<&str>) -> Value {
    json!({ "customer": CUSTOMER.0, "customer_address": CUSTOMER.1, "results": results,
        "specifications": specifications, "remarks": remarks })
}

/// analyst-2 draws it up.
async fn draft(lab: &Lab<'_>, facts: &Value) -> Result<Uuid, Refusal> {
    id_of(&drawing::draw_up(lab.db, &lab.analyst_2.act("draft_certificates"), wire(facts)?).await?)
}

/// manager-2 authorises it, analyst-2 sends it.
async fn issue(lab: &Lab<'_>, certificate: Uuid) -> Result<(), Refusal> {
    let manager = &lab.manager_2;
    let view = service::read(lab.db, certificate).await?.resource;
    let signature = manager.signature_on(view.content_digest.unwrap_or_default(), None);
    let act = manager.act("authorise_certificates");
    let issued = Box::pin(steps::authorise(lab.db, &act, &manager.user, lab.policy, certificate, signature)).await?;
    let view: Value = serde_json::from_str(&issued.body).map_err(Refusal::internal)?;
    let sent = json!({ "issue": view["current_issue"], "recipient": "pickling line, shift manager",
        "means": "by e-mail", "delivered_at": chrono::Utc::now() });
    steps::deliver(lab.db, &lab.analyst_2.act("draft_certificates"), certificate, wire(&sent)?).await.map(|_| ())
}

/// Loads them.
pub(super) async fn load(lab: &Lab<'_>, stock: &Stock, results: &Results) -> Result<(), Refusal> {
    let identity = json!({ "name": "Harbour Street Analytical", "address": "12 Harbour Street, Portmere",
        "contact": "telephone 01632 960 114; an invented laboratory",
        "accreditation": "Not accredited: everything in this laboratory is invented." });
    laboratory::record(lab.db, &lab.manager_1.act("describe_laboratory"), wire(&identity)?).await?;

    // The bath with iron(II), total iron and iron(III), judged by what was agreed with this customer.
    let assigned = assignments::list(lab.db, stock.bath).await?;
    let of = |code: &str| assigned.iter().find(|one| one.code == code).map(|one| one.id.0);
    let agreed: Vec<Uuid> = ["SP-1", "SP-2"].into_iter().filter_map(of).collect();
    let whole = draft(lab, &facts(&[results.iron_result], &agreed, None)).await?;
    issue(lab, whole).await?;

    Box::pin(corrected_standard(lab, stock)).await?;

    // What stands under a concession says so.
    let remarks = Some("Back-titration: an excess of dichromate was titrated with iron(II).");
    let conceded = draft(lab, &facts(&[results.conceded], &[], remarks)).await?;
    issue(lab, conceded).await?;

    let withdrawn = draft(lab, &facts(&[results.amended], &[], None)).await?;
    issue(lab, withdrawn).await?;
    let manager = &lab.manager_1;
    let seen = service::read(lab.db, withdrawn).await?.resource.content_digest.unwrap_or_default();
    let reason = "it names the wrong customer: the sample was of the mine-water treatment plant";
    let signature = manager.signature_on(seen, Some(reason));
    let act = manager.act("authorise_certificates");
    Box::pin(steps::withdraw(lab.db, &act, &manager.user, lab.policy, withdrawn, signature)).await?;

    let first: Vec<Uuid> = results.first_weeks.iter().take(2).copied().collect();
    draft(lab, &facts(&first, &[], None)).await.map(|_| ())
}

pub(super) async fn sample(lab: &Lab<'_>, code: &str, reference: &str) -> Result<Uuid, Refusal> {
    let new = json!({ "code": code, "client_reference": reference, "description": "pickling bath",
        "matrix": "hydrochloric pickling bath", "sampled_at": lab.at(25, 6), "received_at": lab.at(25, 8),
        "condition": "clear, green", "preservation": "acidic as taken, no headspace", "container": "PE bottle, 250 mL",
        "storage": "refrigerator 1", "iron2_deadline": lab.at(60, 0), "retained_until": lab.day(400) });
    let id = id_of(&samples::record(lab.db, &lab.analyst_1.act("register_samples"), wire(&new)?).await?)?;
    let accepted = NewMove { to: "accepted".to_owned(), reason: None };
    samples::advance(lab.db, &lab.analyst_1.act("register_samples"), id, accepted).await?;
    Ok(id)
}

/// A determination of iron(II) in a run of its own, approved; the run and the determination.
async fn determined(
    lab: &Lab<'_>,
    stock: &Stock,
    (sample, titrant): (Uuid, Uuid),
    (titres, at): ([&str; 2], &str),
    repeats: Option<Uuid>,
) -> Result<(Uuid, Uuid), Refusal> {
    let portion = portion_of(lab, stock, sample, at).await?;
    let run = open_run_with(lab, &stock.method_iron2, at, repeats).await?;
    blank_with(lab, stock, titrant, (run, at)).await?;
    let determination = begin_as(lab, run, portion, "sample", at).await?;
    for last in titres {
        let new = titration(stock, "accurate", last, at, &json!({ "titrant": titrant }));
        titrate(lab, determination, &new).await?;
    }
    runs::close(lab.db, &lab.analyst_1.act("conduct_runs"), run).await?;
    through(lab, determination).await?;
    Ok((run, determination))
}

async fn reported(lab: &Lab<'_>, determination: Uuid) -> Result<String, Refusal> {
    let evaluation = determinations::read(lab.db, determination).await?.evaluation;
    let reported = evaluation.reported.map(|of| format!("{} ± {} {}", of.text, of.expanded_uncertainty, of.unit));
    Ok(reported.unwrap_or_default())
}

/// The mass fraction of a lot of dichromate was entered with two digits changed over. Two baths were titrated with what was made of
/// it, and one of them is on a certificate. When the entry is corrected the store says which results it reaches; that run is
/// rejected, the titrant is given its corrected factor, the bath is titrated again with another lot, and the certificate is amended.
/// The other result waits for a decision, beside what it would be now.
async fn corrected_standard(lab: &Lab<'_>, stock: &Stock) -> Result<(), Refusal> {
    let of_lot = |mass_fraction: &str| {
        json!({ "code": "PS-CR-2", "substance": "potassium dichromate", "supplier": "invented supplier",
            "supplier_lot": "A-22", "certificate": "C-2240", "mass_fraction": mass_fraction,
            "expanded_uncertainty": "0.0002", "coverage_factor": "2", "basis": "oxidising capacity",
            "density": "2.676", "drying": "2 h at 110 C", "received_g": "100", "opened_on": lab.day(24),
            "expires_on": lab.day(700) })
    };
    let (lot, version) = standard(lab, &of_lot("0.9985")).await?;
    let on = (version.as_str(), stock.balance, stock.flask_1000);
    let titrant = direct(lab, "D-2", "4.9164", on, (24, 365)).await?;
    let bath = sample(lab, "S-BATH-2", "bath 4, morning").await?;
    let other = sample(lab, "S-BATH-3", "bath 5, morning").await?;
    let titres = (["21.46", "21.48"], lab.at(26, 9));
    let (run, first) = determined(lab, stock, (bath, titrant), (titres.0, &titres.1), None).await?;
    determined(lab, stock, (other, titrant), (["20.18", "20.16"], &lab.at(26, 11)), None).await?;
    let certificate = draft(lab, &facts(&[first], &[], None)).await?;
    issue(lab, certificate).await?;

    let reason = "0.9958 stands on the producer's certificate; it was entered as 0.9985";
    let correction = wire(&json!({ "reason": reason, "facts": of_lot("0.9958") }))?;
    primary::correct(lab.db, &lab.analyst_1.act("receive_lots"), lot, Some(&version), correction).await?;
    let manager = &lab.manager_2;
    let why = "its titrant was made from PS-CR-2, whose mass fraction had been entered wrongly";
    let act = manager.act("release_runs");
    let signature = manager.signature_on(runs::read(lab.db, run).await?.content_digest, Some(why));
    Box::pin(runs::judge(lab.db, &act, &manager.user, lab.policy, (run, false), signature)).await?;

    corrected_factor(lab, titrant).await?;

    let titres = (["21.40", "21.42"], lab.at(28, 9));
    let (_, again) = determined(lab, stock, (bath, stock.dichromate), (titres.0, &titres.1), Some(run)).await?;
    let (before, after) = (reported(lab, first).await?, reported(lab, again).await?);
    let present = service::read(lab.db, certificate).await?.tag;
    let mut next = facts(&[again], &[], None);
    next["what_changed"] =
        json!(format!("iron(II) was determined again with another titrant: {after} in place of {before}"));
    let amendment = wire(
        &json!({ "reason": "the mass fraction of the primary standard behind the first titrant had been entered wrongly",
        "facts": next }),
    )?;
    let act = lab.analyst_2.act("draft_certificates");
    drawing::amend(lab.db, &act, certificate, Some(&present), amendment).await?;
    issue(lab, certificate).await
}

/// analyst-2 amends the preparation to name the standard's present version, manager-2 signs the factor that comes of it.
async fn corrected_factor(lab: &Lab<'_>, titrant: Uuid) -> Result<(), Refusal> {
    let detail = titrants::read(lab.db, titrant).await?;
    let present = detail.preparations.last().map(|one| &one.preparation);
    let present = present.ok_or_else(|| Refusal::new(Code::Internal, "a lot lacks its preparation"))?;
    let (facts, _) = titrants::with_present_standard(lab.db, present.facts.clone()).await?;
    let correction = wire(&json!({ "reason": "made from PS-CR-2, whose mass fraction is 0.9958", "facts": facts }))?;
    let (id, tag) = (present.id, present.version_id.to_string());
    let act = lab.analyst_2.act("prepare_titrants");
    titrants::amend_preparation(lab.db, &act, id, Some(&tag), correction).await?;
    let manager = &lab.manager_2;
    let signature = manager.signature_on(titrants::read(lab.db, titrant).await?.content_digest, None);
    titrants::release(lab.db, &manager.act("release_titrants"), &manager.user, lab.policy, titrant, signature).await?;
    Ok(())
}
