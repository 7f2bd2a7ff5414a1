//! Through the forms alone, from an empty laboratory to released results: every role does here what the API lets it do.

use ferrotitre_tests::TestApp;
use ferrotitre_tests::bench::day;
use ferrotitre_tests::client::Client;

use super::Visitor;

impl Visitor {
    /// Fills a form as it stands and sends it; returns where the service goes on to.
    pub(crate) async fn fill(&self, path: &str, entries: &[(&str, &str)]) -> String {
        let form = self.get(path).await;
        assert_eq!(form.status, 200, "{path}: {}", form.text);
        for (name, _) in entries {
            assert!(form.text.contains(&format!("name=\"{name}\"")), "{path} has no field {name}");
        }
        let hidden = ["_code", "_key", "_version", "content_digest", "run", "titrant"];
        let marked = |name: &str| form.text.contains(&format!("type=\"hidden\" name=\"{name}\""));
        let mut sent = entries.to_vec();
        for name in hidden.into_iter().filter(|name| marked(name)) {
            sent.push((name, form.hidden(name)));
        }
        let answer = self.post(path, &sent).await;
        let wrong: Vec<&str> =
            answer.text.split("class=\"wrong\">").skip(1).filter_map(|p| p.split('<').next()).collect();
        let trouble = answer.text.split_once("id=\"trouble\"").map_or("", |(_, rest)| &rest[..rest.len().min(400)]);
        assert_eq!(answer.status, 303, "{path}: {wrong:?} {trouble}");
        let place = answer.header("location").to_owned();
        let seen = self.get(&place).await;
        assert_eq!(seen.status, 200, "{path} leads to {place}: {}", seen.text);
        place.split(['?', '#']).next().unwrap_or_default().to_owned()
    }
}

struct People {
    analyst: Visitor,
    analyst2: Visitor,
    manager: Visitor,
    manager2: Visitor,
    administrator: Visitor,
}

impl People {
    fn of(app: &TestApp) -> Self {
        let of = |client: &Client| Visitor::of(app.running.address, client);
        Self {
            analyst: of(&app.analyst),
            analyst2: of(&app.analyst2),
            manager: of(&app.manager),
            manager2: of(&app.manager2),
            administrator: of(&app.administrator),
        }
    }

    async fn equip(&self) {
        let (made, due) = (day(-100), day(200));
        for (code, kind, high, step, unit, volume) in [
            ("BAL-1", "balance", "200.0000", "0.0001", "g", ""),
            ("B-01", "burette", "50.00", "0.02", "mL", ""),
            ("P10", "pipette", "10", "", "mL", "10.000"),
            ("P25", "pipette", "25", "", "mL", "25.000"),
            ("F250", "flask", "250", "", "mL", "250.00"),
            ("F1000", "flask", "1000", "", "mL", "1000.0"),
        ] {
            let facts = [
                ("code", code),
                ("kind", kind),
                ("description", "of the iron bench"),
                ("range_low", "0.00"),
                ("range_high", high),
                ("resolution", step),
                ("unit", unit),
            ];
            let place = self.manager.fill("/equipment/new", &facts).await;
            let mut calibration = vec![
                ("certificate", "CAL-1"),
                ("calibrated_on", made.as_str()),
                ("due_on", due.as_str()),
                ("standard_uncertainty", if unit == "g" { "0.00013" } else { "0.010" }),
            ];
            if !volume.is_empty() {
                calibration.push(("calibrated_value", volume));
            }
            let corrections: Vec<(String, String)> = (0..5)
                .flat_map(|line| {
                    let reading = (format!("corrections[{line}].reading"), format!("{}.00", line * 10));
                    [reading, (format!("corrections[{line}].correction"), "0.01".to_owned())]
                })
                .collect();
            if kind == "burette" {
                calibration.extend(corrections.iter().map(|(name, value)| (name.as_str(), value.as_str())));
            }
            self.manager.fill(&format!("{place}/calibrations"), &calibration).await;
            self.analyst.fill(&format!("{place}/checks"), &[("outcome", "passed"), ("note", "as it should be")]).await;
        }
    }

    async fn standard(&self, code: &str, substance: &str) {
        let last = day(300);
        let facts = [
            ("code", code),
            ("substance", substance),
            ("supplier", "reference materials"),
            ("supplier_lot", "7"),
            ("certificate", "RM-7"),
            ("mass_fraction", "0.9998"),
            ("expanded_uncertainty", "0.0002"),
            ("coverage_factor", "2"),
            ("basis", "capacity"),
            ("expires_on", last.as_str()),
        ];
        let place = self.analyst.fill("/stock/standards/new", &facts).await;
        self.manager.fill(&format!("{place}/moves"), &[("to", "released")]).await;
    }

    async fn lot(&self, code: &str, species: &str, route: &str) -> String {
        let end = format!("{}T12:00", day(60));
        let (nominal, unit) = if species == "dichromate" { ("0.1", "eq/L") } else { ("0.02", "mol/L") };
        let facts = [
            ("code", code),
            ("species", species),
            ("nominal_concentration", nominal),
            ("concentration_unit", unit),
            ("route", route),
            ("factor_low", "0.980"),
            ("factor_high", "1.020"),
            ("storage", "dark, 20 C"),
            ("container", "amber glass, 1 L"),
            ("expires_at", end.as_str()),
        ];
        self.analyst2.fill("/titrants/new", &facts).await
    }

    async fn method(&self) -> String {
        let facts = [
            ("code", "M1"),
            ("title", "Iron(II) in pickling baths"),
            ("principle", "titration with dichromate"),
            ("analyte", "iron(II)"),
            ("matrix", "hydrochloric pickling bath"),
            ("chemistry", "dichromate"),
            ("reduction", "none"),
            ("indicator", "diphenylamine sulfonate"),
            ("rules.acceptance", "concordance"),
            ("rules.concordance_limit_ml", "0.10"),
            ("rules.concordance_mode", "all accurate"),
            ("rules.minimum_titres", "2"),
            ("rules.give_up_after", "4"),
            ("rules.central", "median"),
            ("rules.follow_up", "cheap"),
            ("rules.correct_burette", "true"),
            ("rules.correct_temperature", "false"),
            ("rules.blank", "subtract"),
            ("rules.end_point_u_ml", "0.01"),
            ("rules.longest_standing_minutes", "5"),
            ("rules.unit", "g/L"),
            ("rules.expressed", "Fe"),
            ("rules.ties", "half even"),
            ("rules.coverage_factor", "2"),
            ("rules.validated_low", "1"),
            ("rules.validated_high", "200"),
        ];
        let place = self.manager.fill("/methods/new", &facts).await;
        self.manager2.fill(&format!("{place}/moves"), &[("to", "approved")]).await;
        place
    }

    async fn determination(&self) -> (String, String) {
        let run = self.analyst.fill("/runs/new", &[("method", "M1"), ("bench", "bench 2")]).await;
        let blank = [
            ("kind", "reagent with iron(II)"),
            ("iron_equivalent_ml", "1.00"),
            ("titrant", "D-1"),
            ("burette", "b-01"),
            ("initial_readings[0]", "0.00"),
            ("final_readings[0]", "1.04"),
            ("end_point", "green to violet, sharp"),
        ];
        self.analyst.fill(&format!("{run}/blanks/new"), &blank).await;
        let kept = day(90);
        let sample = [
            ("code", "S-1"),
            ("client_reference", "bath 3, morning"),
            ("description", "green, clear"),
            ("matrix", "hydrochloric pickling bath"),
            ("condition", "intact"),
            ("preservation", "acid as taken"),
            ("container", "glass, 250 mL"),
            ("storage", "refrigerator 2"),
            ("retained_until", kept.as_str()),
        ];
        let sample = self.analyst.fill("/samples/new", &sample).await;
        let portion = [("pipette", "P10"), ("dilution[0].flask", "F250"), ("aliquot_pipette", "P25")];
        self.analyst.fill(&format!("{sample}/portions/new"), &portion).await;
        let begin = [("portion", "S-1/1"), ("purpose", "sample")];
        let bench = self.analyst.fill(&format!("{run}/determinations/new"), &begin).await;
        let page = self.analyst.get(&bench).await;
        // Few lots and burettes are tiles, which send the identity.
        let tile = |name: &str| {
            let marked = format!("type=\"radio\" name=\"{name}\" value=\"");
            page.text.split_once(&marked).and_then(|(_, rest)| rest.split('"').next()).unwrap_or_default().to_owned()
        };
        let (titrant, burette) = (tile("titrant"), tile("burette"));
        for last in ["21.46", "21.48"] {
            let titration = [
                ("kind", "accurate"),
                ("titrant", titrant.as_str()),
                ("burette", burette.as_str()),
                ("initial_readings[0]", "0.00"),
                ("final_readings[0]", last),
                ("end_point", "green to violet, sharp"),
                ("waste_stream", "chromium acid"),
            ];
            self.analyst.fill(&bench, &titration).await;
        }
        (run, bench.trim_end_matches("/bench").to_owned())
    }
}

#[tokio::test(flavor = "multi_thread")]
async fn an_empty_laboratory_comes_to_a_released_result_through_its_pages() {
    let app = TestApp::start().await;
    let people = People::of(&app);
    people.equip().await;
    people.standard("PS-1", "potassium dichromate").await;
    let lot = people.lot("D-1", "dichromate", "direct preparation").await;
    assert!(lot.ends_with("/preparation"), "{lot}");
    let preparation = [
        ("primary_standard", "PS-1"),
        ("mass_g", "4.9032"),
        ("balance", "BAL-1"),
        ("flask", "F1000"),
        ("solution_temperature", "20.0"),
    ];
    let lot = people.analyst2.fill(&lot, &preparation).await;
    people.manager.fill(&format!("{lot}/release"), &[("password", &app.manager.password)]).await;
    people.method().await;
    let window = (day(-1), day(300));
    let competence = [
        ("method_code", "M1"),
        ("valid_from", window.0.as_str()),
        ("valid_to", &window.1),
        ("evidence", "seven replicates"),
    ];
    for who in [app.analyst.id, app.analyst2.id] {
        people.manager.fill(&format!("/accounts/{who}/competences"), &competence).await;
    }
    let plan = [("method", "M1"), ("blanks", "1"), ("duplicates", "0")];
    people.manager.fill("/qc-plans/new", &plan).await;
    let (run, determination) = people.determination().await;
    let password = app.analyst.password.as_str();
    people.analyst.fill(&format!("{determination}/submission"), &[("password", password)]).await;
    let password = app.analyst2.password.as_str();
    people.analyst2.fill(&format!("{determination}/review"), &[("password", password)]).await;
    // Recorded is not accepted: the blank is judged before the run is closed.
    let blanks = app.auditor.get(&format!("{run}/blanks")).await.expect(200);
    let judgement = format!("{run}/blanks/{}/judgement", blanks[0]["id"].as_str().unwrap());
    people.analyst.fill(&judgement, &[("to", "accepted")]).await;
    people.analyst.fill(&format!("{run}/closing"), &[]).await;
    people.manager.fill(&format!("{run}/release"), &[("password", &app.manager.password)]).await;
    people.manager.fill(&format!("{determination}/approval"), &[("password", &app.manager.password)]).await;
    let view = app.auditor.get(&determination).await.expect(200);
    assert_eq!(view["state"], "approved", "{view}");
    assert_eq!(app.auditor.get(&run).await.expect(200)["state"], "released");
}

#[tokio::test(flavor = "multi_thread")]
async fn a_lot_is_standardised_and_an_instrument_admitted_through_the_pages() {
    let app = TestApp::start().await;
    let people = People::of(&app);
    people.equip().await;
    people.standard("PS-2", "sodium oxalate").await;
    let lot = people.lot("M-1", "permanganate", "standardisation").await;
    let begin = [
        ("code", "STD-1"),
        ("primary_standard", "PS-2"),
        ("balance", "BAL-1"),
        ("burette", "B-01"),
        ("indicator", "self"),
        ("valid_days", "28"),
        ("correct_burette", "true"),
        ("correct_temperature", "false"),
        ("correct_buoyancy", "true"),
    ];
    let begun = people.analyst2.fill(&format!("{lot}/standardisations/new"), &begin).await;
    // About 25 mL of 0.02 mol/L permanganate for 0.1675 g of sodium oxalate: m = 5/2 c V M, M = 133.999 g/mol.
    for (kind, mass, last) in [
        ("blank", "", "0.04"),
        ("replicate", "0.1675", "25.02"),
        ("replicate", "0.1682", "25.12"),
        ("replicate", "0.1671", "24.96"),
    ] {
        let titration = [
            ("kind", kind),
            ("mass_g", mass),
            ("initial_readings[0]", "0.00"),
            ("final_readings[0]", last),
            ("end_point", "faint pink, 30 s"),
        ];
        people.analyst2.fill(&format!("{begun}/titrations/new"), &titration).await;
    }
    people.analyst2.fill(&format!("{begun}/submission"), &[("password", &app.analyst2.password)]).await;
    people.manager.fill(&format!("{begun}/approval"), &[("password", &app.manager.password)]).await;
    assert_eq!(app.auditor.get(&lot).await.expect(200)["state"], "released");

    let (from, to) = (format!("{}T08:00", day(0)), format!("{}T08:00", day(3)));
    let asked = [
        ("item_kind", "titrants"),
        ("item", "M-1"),
        ("reason", "new lot arrives on Monday"),
        ("valid_from", from.as_str()),
        ("valid_to", to.as_str()),
    ];
    let concession = people.analyst.fill("/concessions/new", &asked).await;
    people.manager.fill(&format!("{concession}/signature"), &[("password", &app.manager.password)]).await;
    people.manager2.fill(&format!("{concession}/signature"), &[("password", &app.manager2.password)]).await;

    let account = [("code", "balance-9"), ("display_name", "Balance 9"), ("kind", "service")];
    let account = people.administrator.fill("/accounts/new", &account).await;
    let grant = [("role", "instrument"), ("effect", "grant"), ("reason", "installed at bench 2")];
    people.administrator.fill(&format!("{account}/role-grants"), &grant).await;
    let grants = app.manager.get("/role-grants").await.expect(200);
    let grant = grants["items"][0]["id"].as_str().unwrap().to_owned();
    people.manager.fill(&format!("/role-grants/{grant}/decision"), &[("decision", "approved")]).await;
    let read = app.administrator.get(&account).await.expect(200);
    assert_eq!(read["roles"][0], "instrument", "{read}");
    people.administrator.fill(&format!("{account}/moves"), &[("to", "locked"), ("reason", "sent for repair")]).await;
}
