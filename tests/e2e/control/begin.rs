//! A control begun in one go: what it records, what it refuses, and that its chart judges as any other.

use ferrotitre_tests::bench::{self, day, text};
use ferrotitre_tests::{Answer, TestApp};
use serde_json::{Value, json};
use uuid::Uuid;

use super::{Control, days_ago};
use crate::lab::{Lab, sign};

const TABLES: [&str; 5] = ["control_materials", "samples", "control_charts", "qc_plans", "chart_phases"];

/// A control with everything that is needed and nothing that follows.
pub(super) fn control(method: &str, code: &str) -> Value {
    json!({
        "method": method,
        "new_material": {
            "code": code, "kind": "in-house", "description": "pickling bath, spiked and bottled", "expires_on": day(300),
            "assigned_value": "118.0", "standard_uncertainty": "0.12", "certificate": "study VS-3",
        },
        "sample": { "condition": "sealed", "preservation": "acidified", "container": "PE, 250 mL", "storage": "shelf 2",
            "received_at": days_ago(30.0) },
        "chart": { "rule_set": "daily judgement" },
        "plan": { "values": 1, "blanks": 0, "duplicates": 0 },
        "limits": {
            "origin": "target", "centre": "118.0", "s": "0.413", "valid_from": days_ago(20.0),
            "reason": "intermediate precision of VS-3: 0.35 %",
        },
    })
}

/// Fields that a refusal names, sorted.
pub(super) fn fields(problem: &Value) -> Vec<String> {
    let mut fields: Vec<String> = problem["errors"]
        .as_array()
        .unwrap_or_else(|| panic!("no fields in {problem}"))
        .iter()
        .map(|one| one["field"].as_str().unwrap().to_owned())
        .collect();
    fields.sort();
    fields
}

pub(super) fn put(body: &Value, pointer: &str, value: Value) -> Value {
    let mut body = body.clone();
    let (parent, name) = pointer.rsplit_once('/').unwrap();
    body.pointer_mut(parent).unwrap()[name] = value;
    body
}

async fn actions_on(app: &TestApp, id: &str) -> Vec<String> {
    let events = app.auditor.get(&format!("/audit-events?entity_id={id}")).await.expect(200);
    events["items"].as_array().unwrap().iter().map(|event| text(event, "action")).collect()
}

#[tokio::test(flavor = "multi_thread")]
async fn a_control_is_begun_with_one_request_and_each_part_leaves_its_own_event() {
    let lab = Lab::without_plans().await;
    let app = &lab.app;
    let before = app.row_counts(&TABLES).await;
    let begun = app.manager.post("/controls", &control(&lab.iron2, "CM-1")).await;
    assert_eq!(begun.status, 201, "{}", begun.text);
    let after = app.row_counts(&TABLES).await;
    assert_eq!(after.iter().zip(&before).map(|(after, before)| after - before).collect::<Vec<_>>(), [1; 5]);
    let view = &begun.json;
    let chart = text(&view["chart"], "id");
    assert_eq!(begun.header("location"), format!("/api/v1/control-charts/{chart}"));
    // What follows from lot and method.
    assert_eq!(view["chart"]["code"], "X-CM-1");
    assert_eq!(view["chart"]["title"], "iron(II) in pickling bath, spiked and bottled");
    assert_eq!((&view["chart"]["unit"], &view["chart"]["rule_set"]), (&json!("g/L"), &json!("daily judgement")));
    assert_eq!(view["material"]["matrix"], "hydrochloric pickling bath");
    assert_eq!(view["plan"]["charts"], json!([{ "chart": chart, "values": 1 }]));
    assert_eq!((&view["limits"]["state"], &view["limits"]["label"]), (&json!("proposed"), &json!("preliminary")));
    let material = text(&view["material"], "id");
    let sample = text(&view["material"], "sample");
    let registered = app.auditor.get(&format!("/samples/{sample}")).await.expect(200);
    let registered = &registered["versions"][0];
    assert_eq!(
        (&registered["code"], &registered["client_reference"]),
        (&json!("CM-1"), &json!("control material CM-1"))
    );
    assert_eq!(registered["retained_until"], view["material"]["expires_on"]);
    // Each as if recorded by itself.
    let (phase, plan) = (text(&view["limits"], "id"), text(&view["plan"], "version_id"));
    for (id, action) in [
        (&material, "receive_lots"),
        (&sample, "register_samples"),
        (&chart, "define_control_charts"),
        (&phase, "propose_chart_phases"),
        (&plan, "define_control_charts"),
    ] {
        assert_eq!(actions_on(app, id).await, [action], "{id}");
    }
    // Who decides next, and that nobody decides on their own proposal.
    let pages: Vec<&str> = view["next"].as_array().unwrap().iter().map(|step| step["page"].as_str().unwrap()).collect();
    assert_eq!(
        pages,
        [
            format!("/control-materials/{material}/moves"),
            format!("/chart-phases/{phase}"),
            format!("/samples/{sample}")
        ]
    );
    sign(&app.manager, &format!("/chart-phases/{phase}"), "approval", None).await.refused(403, "own_record");
    let approved = sign(&app.manager2, &format!("/chart-phases/{phase}"), "approval", None).await.expect(201);
    assert_eq!(approved["state"], "preliminary");
}

#[tokio::test(flavor = "multi_thread")]
async fn a_chart_begun_in_one_go_judges_as_one_begun_by_separate_forms() {
    let lab = Lab::without_plans().await;
    let begun = lab.app.manager.post("/controls", &control(&lab.iron2, "CM-1")).await.expect(201);
    let (material, sample) = (text(&begun["material"], "id"), text(&begun["material"], "sample"));
    let app = &lab.app;
    let released = json!({ "to": "released" });
    let _ = app.manager.post(&format!("/control-materials/{material}/moves"), &released).await.expect(201);
    let _ = sign(&app.manager2, &format!("/chart-phases/{}", text(&begun["limits"], "id")), "approval", None)
        .await
        .expect(201);
    let portion = json!({
        "pipette": lab.bench.pipette_10, "dilution": [{ "flask": lab.bench.flask_250 }],
        "aliquot_pipette": lab.bench.pipette_25, "observed_at": bench::minutes_ago(50),
    });
    let portion = text(&app.analyst.post(&format!("/samples/{sample}/portions"), &portion).await.expect(201), "id");
    let method = text(&begun["chart"], "method");
    let control = Control { portion, method, material, sample, lab };
    // The same by separate forms, and both in the plan.
    let (together, apart) = (text(&begun["chart"], "id"), control.chart("X-APART", &json!({})).await);
    control.phase(&apart, &super::target("118.0", "0.413", 20.0)).await;
    let facts = json!({
        "method": control.lab.iron2, "blanks": 0, "duplicates": 0,
        "charts": [{ "chart": together, "values": 1 }, { "chart": apart, "values": 1 }],
    });
    let path = format!("/qc-plans/{}/corrections", text(&begun["plan"], "id"));
    let correction = json!({ "reason": "both charts in every run", "facts": facts });
    let version = text(&begun["plan"], "version_id");
    let _ = control.app().manager.post_if_match(&path, &version, &correction).await.expect(201);
    let mut verdicts = Vec::new();
    // In control, twice beyond 2 s on one side, beyond 3 s.
    for content in [118.1, 118.0 + 2.4 * 0.413, 118.0 + 2.5 * 0.413, 118.0 - 4.0 * 0.413] {
        let run = control.run(None).await;
        let titre = control.titre(content).await;
        control.control(&run, &titre).await;
        verdicts.push(text(&control.close(&run).await["quality"], "verdict"));
    }
    assert_eq!(verdicts, ["in control", "in control", "out of control", "out of control"]);
    let judged = async |chart: &str| -> Vec<Value> {
        let keep = ["value", "z", "verdict", "hits", "source", "run", "determination", "position", "state"];
        let points = control.points(chart, "").await;
        points.iter().map(|point| keep.iter().map(|name| (*name, point[*name].clone())).collect()).collect()
    };
    let (one, other) = (judged(&together).await, judged(&apart).await);
    assert_eq!((one.len(), &one), (4, &other));
    // Nothing waits any more.
    let page = crate::pages::Visitor::of(control.app().running.address, &control.app().analyst);
    let page = page.get(&format!("/charts/{together}")).await;
    assert!(page.status == 200 && !page.text.contains("What comes next"), "{}", page.text);
}

#[tokio::test(flavor = "multi_thread")]
async fn everything_wrong_is_named_by_its_part_and_nothing_is_recorded() {
    let lab = Lab::without_plans().await;
    let app = &lab.app;
    let before = app.row_counts(&TABLES).await;
    let good = control(&lab.iron2, "CM-1");
    let long = "k".repeat(64);
    for (pointer, value, field) in [
        ("/method", json!(Uuid::now_v7()), "method"),
        ("/new_material", Value::Null, "material"),
        ("/material", json!(Uuid::now_v7()), "material"),
        ("/new_material/code", json!("-"), "new_material.code"),
        ("/new_material/kind", json!("bought"), "new_material.kind"),
        ("/new_material/description", json!(" "), "new_material.description"),
        ("/new_material/matrix", json!(""), "new_material.matrix"),
        ("/new_material/unit", json!("ppm"), "new_material.unit"),
        ("/new_material/assigned_value", json!("-1"), "new_material.assigned_value"),
        ("/new_material/standard_uncertainty", Value::Null, "new_material.standard_uncertainty"),
        ("/new_material/certificate", Value::Null, "new_material.certificate"),
        ("/new_material/certificate_digest", json!("abc"), "new_material.certificate_digest"),
        ("/sample", Value::Null, "sample"),
        ("/sample/condition", json!(""), "sample.condition"),
        ("/sample/preservation", json!(""), "sample.preservation"),
        ("/sample/container", json!(""), "sample.container"),
        ("/sample/storage", json!(""), "sample.storage"),
        ("/sample/code", json!("S-1"), "sample.code"),
        ("/sample/client_reference", json!(""), "sample.client_reference"),
        ("/sample/description", json!(""), "sample.description"),
        ("/sample/matrix", json!(""), "sample.matrix"),
        ("/sample/received_at", json!(days_ago(-2.0)), "sample.received_at"),
        ("/sample/sampled_at", json!(days_ago(-2.0)), "sample.sampled_at"),
        ("/chart/code", json!("X 1"), "chart.code"),
        ("/new_material/code", json!(long), "chart.code"),
        ("/chart/title", json!(""), "chart.title"),
        ("/chart/rule_set", json!("all of them"), "chart.rule_set"),
        ("/chart/rules", json!([{ "pattern": "steady", "count": 7, "consequence": "reject" }]), "chart.rules"),
        ("/chart/resolution", json!("0"), "chart.resolution"),
        ("/chart/baseline_minimum", json!(5), "chart.baseline_minimum"),
        ("/plan/values", json!(51), "plan.values"),
        ("/plan/blanks", json!(-1), "plan.blanks"),
        ("/plan/duplicates", json!(51), "plan.duplicates"),
        ("/plan/corrects", json!(Uuid::now_v7()), "plan.corrects"),
        ("/limits/origin", json!("baseline"), "limits.origin"),
        ("/limits/origin", json!("guess"), "limits.origin"),
        ("/limits/origin", json!("reference"), "limits.centre"),
        ("/limits/centre", Value::Null, "limits.centre"),
        ("/limits/s", Value::Null, "limits.s"),
        ("/limits/s", json!("0"), "limits.s"),
        ("/limits/label", json!("good"), "limits.label"),
        ("/limits/reason", json!("s"), "limits.reason"),
        ("/new_material/colour", json!("green"), "new_material.colour"),
        ("/sample/storage", json!(7), "sample.storage"),
        ("/plan/values", json!("one"), "plan.values"),
    ] {
        let refused: Answer = app.manager.post("/controls", &put(&good, pointer, value.clone())).await;
        assert!((400..500).contains(&refused.status), "{pointer} {value}: {} {}", refused.status, refused.text);
        assert_eq!(fields(&refused.json), [field], "{pointer} {value}: {}", refused.text);
    }
    // Limits about a value that the lot does not have: no other part is to blame.
    let mut bare = put(&good, "/limits", json!({ "origin": "reference", "s": "0.4", "reason": "study VS-3" }));
    for name in ["assigned_value", "standard_uncertainty", "certificate"] {
        bare["new_material"][name] = Value::Null;
    }
    let problem = app.manager.post("/controls", &bare).await.refused(422, "not_enough_data");
    assert_eq!(fields(&problem), ["limits.origin"]);
    // All at once.
    let mut wrong = put(&good, "/new_material/code", json!("-"));
    for (part, field) in [("sample", "storage"), ("limits", "reason"), ("chart", "title")] {
        wrong[part][field] = json!("");
    }
    wrong["plan"]["blanks"] = json!(99);
    let problem = app.manager.post("/controls", &wrong).await.refused(422, "invalid_input");
    assert_eq!(
        fields(&problem),
        ["chart.title", "limits.reason", "new_material.code", "plan.blanks", "sample.storage"]
    );
    assert_eq!(app.row_counts(&TABLES).await, before);
}

#[tokio::test(flavor = "multi_thread")]
async fn when_the_last_part_is_refused_nothing_is_recorded() {
    let lab = Lab::without_plans().await;
    let app = &lab.app;
    let plan = json!({ "method": lab.iron2, "charts": [], "blanks": 1, "duplicates": 0 });
    let plan = app.manager.post("/qc-plans", &plan).await.expect(201);
    let before = app.row_counts(&TABLES).await;
    let events = app.row_counts(&["audit_events"]).await;
    let good = control(&lab.iron2, "CM-1");
    let problem = app.manager.post("/controls", &good).await.refused(409, "already_exists");
    assert_eq!(fields(&problem), ["plan.corrects"]);
    assert!(problem["detail"].as_str().unwrap().contains(plan["version_id"].as_str().unwrap()), "{problem}");
    // Refused by the store or by the last rule, after all the rest was inserted.
    let stale = put(&good, "/plan/corrects", json!(Uuid::now_v7()));
    let problem = app.manager.post("/controls", &stale).await.refused(412, "stale_version");
    assert_eq!(fields(&problem), ["plan.corrects"]);
    assert_eq!(app.row_counts(&TABLES).await, before);
    assert_eq!(app.row_counts(&["audit_events"]).await, events);
    // By the present version the chart joins the plan, which keeps what it says.
    let joins = put(&good, "/plan/corrects", plan["version_id"].clone());
    let joined = app.manager.post("/controls", &put(&joins, "/plan/blanks", json!(1))).await.expect(201);
    assert_eq!((&joined["plan"]["id"], &joined["plan"]["version"]), (&plan["id"], &json!(2)));
    assert_eq!((&joined["plan"]["reason"], &joined["plan"]["blanks"]), (&json!("chart X-CM-1 is begun"), &json!(1)));
    // A second level of content joins beside the first.
    let second = put(&control(&lab.iron2, "CM-2"), "/plan/corrects", joined["plan"]["version_id"].clone());
    let second = app.manager.post("/controls", &second).await.expect(201);
    assert_eq!(second["plan"]["charts"].as_array().unwrap().len(), 2);
}

#[tokio::test(flavor = "multi_thread")]
async fn sent_again_it_is_begun_once_and_of_two_with_the_same_codes_one_is() {
    let lab = Lab::without_plans().await;
    let app = &lab.app;
    let body = control(&lab.iron2, "CM-1");
    let first = app.manager.post_with_key("/controls", "key-1", &body).await;
    let counts = app.row_counts(&TABLES).await;
    let again = app.manager.post_with_key("/controls", "key-1", &body).await;
    assert_eq!(
        (first.status, again.status, again.header("idempotency-replayed")),
        (201, 201, "true"),
        "{}",
        first.text
    );
    assert_eq!((again.text, app.row_counts(&TABLES).await), (first.text, counts.clone()));
    let other = control(&lab.total, "CM-2");
    let (one, two) = tokio::join!(app.manager.post("/controls", &other), app.manager2.post("/controls", &other));
    let mut found = [one.status, two.status];
    found.sort_unstable();
    assert_eq!(found, [201, 409], "{} {}", one.text, two.text);
    let refused = if one.status == 409 { one } else { two };
    // What it meets first: the code of the sample while both are under way, the plan once the other is through.
    let met = fields(&refused.json);
    assert!(
        refused.code() == "already_exists" && (met == ["sample.code"] || met == ["plan.corrects"]),
        "{}",
        refused.text
    );
    assert_eq!(app.row_counts(&TABLES).await, counts.iter().map(|count| count + 1).collect::<Vec<_>>());
    // Other codes, the same method version: one plan.
    let method = crate::lab::method_with(app, ("M3", "iron(II)", "none"), crate::lab::rules()).await;
    let problem = app.manager.post("/controls", &control(&method, "CM-3")).await.refused(409, "already_exists");
    assert_eq!(fields(&problem), ["plan.corrects"]);
}

#[tokio::test(flavor = "multi_thread")]
async fn only_who_may_do_every_part_begins_a_control() {
    let lab = Lab::without_plans().await;
    let app = &lab.app;
    let body = control(&lab.iron2, "CM-1");
    for client in [&app.analyst, &app.auditor, &app.administrator] {
        client.post("/controls", &body).await.refused(403, "forbidden");
    }
    let nobody = ferrotitre_tests::client::Client::nobody(&format!("http://{}", app.running.address));
    nobody.post("/controls", &body).await.refused(401, "not_signed_in");
    for (client, status) in [(&app.analyst, 403), (&app.auditor, 403), (&app.manager, 200)] {
        let page = crate::pages::Visitor::of(app.running.address, client).get("/charts/begin").await;
        assert_eq!(page.status, status, "{}", page.text);
    }
}

#[tokio::test(flavor = "multi_thread")]
async fn a_lot_on_record_is_taken_and_registered_as_a_sample_where_it_is_none() {
    let lab = Lab::without_plans().await;
    let app = &lab.app;
    let lot = app.analyst.post("/control-materials", &super::material("CM-OLD")).await.expect(201);
    let mut body = control(&lab.iron2, "unused");
    body["new_material"] = Value::Null;
    body["material"] = lot["id"].clone();
    body["limits"] = Value::Null;
    let begun = app.manager.post("/controls", &body).await.expect(201);
    assert_eq!((&begun["material"]["id"], &begun["material"]["version"]), (&lot["id"], &json!(2)));
    assert_eq!(begun["chart"]["code"], "X-CM-OLD");
    assert!(begun.get("limits").is_none() && begun["next"].to_string().contains("No limits"), "{begun}");
    let sample = app.auditor.get(&format!("/samples/{}", text(&begun["material"], "sample"))).await.expect(200);
    assert_eq!(sample["versions"][0]["code"], "CM-OLD");
    // It is one now.
    let mut more = put(&body, "/chart/code", json!("X-2"));
    more["plan"]["corrects"] = begun["plan"]["version_id"].clone();
    let problem = app.manager.post("/controls", &more).await.refused(422, "invalid_input");
    assert_eq!(fields(&problem), ["sample"]);
    more["sample"] = Value::Null;
    let again = app.manager.post("/controls", &more).await.expect(201);
    assert_eq!(again["material"]["version"], 2);
    // A lot that was released without a sample keeps being none: the rule of its own form.
    let bare = app.analyst.post("/control-materials", &super::material("CM-BARE")).await.expect(201);
    let moves = format!("/control-materials/{}/moves", text(&bare, "id"));
    let _ = app.manager.post(&moves, &json!({ "to": "released" })).await.expect(201);
    let mut body = put(&body, "/material", bare["id"].clone());
    body["plan"]["corrects"] = again["plan"]["version_id"].clone();
    let problem = app.manager.post("/controls", &body).await.refused(422, "invalid_input");
    assert_eq!(fields(&problem), ["sample"]);
    assert!(problem["errors"][0]["message"].as_str().unwrap().contains("released"), "{problem}");
}

#[tokio::test(flavor = "multi_thread")]
async fn published_sets_are_listed_with_their_false_alarms_and_taken_by_name() {
    let control = Control::open().await;
    let app = control.app();
    let sets = app.auditor.get("/rule-sets").await.expect(200);
    let names: Vec<&str> = sets.as_array().unwrap().iter().map(|set| set["name"].as_str().unwrap()).collect();
    assert_eq!(names, ["action limits", "action and warning limits", "daily judgement", "zone rules", "eight tests"]);
    // Champ and Woodall 1987: 370.40, 225.44 (from memory), 91.75 (read).
    for (set, length) in [(0, 370.40), (1, 225.44), (3, 91.75)] {
        super::near(names[set], super::number(&sets[set], "/in_control"), length, 0.005);
    }
    assert!(
        sets[0]["false_alarms"].as_str().unwrap().starts_with("one false alarm in 370 points on average"),
        "{sets}"
    );
    for set in sets.as_array().unwrap() {
        let code = text(set, "name").replace(' ', "-");
        let new = json!({
            "code": code, "title": "total iron in the bath control", "quantity": "x", "material": control.material,
            "method": control.method, "unit": "g/L", "rule_set": set["name"],
        });
        let chart = app.manager.post("/control-charts", &new).await.expect(201);
        assert_eq!(chart["rule_set"], set["name"]);
        let rules = chart["rules"].as_array().unwrap();
        assert_eq!(rules.len(), set["rules"].as_array().unwrap().len());
        for (rule, (data, words)) in
            rules.iter().zip(set["rules"].as_array().unwrap().iter().zip(set["words"].as_array().unwrap()))
        {
            assert_eq!((&rule["pattern"], &rule["count"]), (&data["pattern"], &data["count"]));
            assert!(words.as_str().unwrap().starts_with(rule["text"].as_str().unwrap()), "{words} {rule}");
        }
    }
    let own = json!([{ "pattern": "steady", "count": 5, "consequence": "reject" }]);
    let named = app.manager.post("/run-lengths", &json!({ "rule_set": "zone rules" })).await.expect(200);
    super::near("zone rules", super::number(&named, "/in_control"), 91.75, 0.005);
    for (body, field) in [
        (json!({ "rule_set": "zone rules", "rules": own }), "rules"),
        (json!({ "rule_set": "own" }), "rules"),
        (json!({ "rule_set": "mine" }), "rule_set"),
        (json!({ "rule_set": "zone rules", "quantity": "range" }), "rule_set"),
        (json!({ "rule_set": "zone rules", "quantity": "cusum" }), "rule_set"),
    ] {
        let problem = app.manager.post("/run-lengths", &body).await.refused(422, "invalid_input");
        assert_eq!(fields(&problem), [field], "{body}");
    }
    let _ = app.manager.post("/run-lengths", &json!({ "rule_set": "own", "rules": own })).await.expect(200);
}
