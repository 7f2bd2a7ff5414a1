//! One box for every code: what begins with it, whatever it is.

mod store;

use actix_web::{HttpResponse, get, web};
use ferrotitre_base::auth::allowed::Allowed;
use ferrotitre_base::auth::permissions::Action;
use ferrotitre_base::auth::permissions::acts::ReadRecords;
use ferrotitre_base::db::Db;
use ferrotitre_base::web::body::Params;
use ferrotitre_base::web::problem::Problem;
use ferrotitre_html::form::see;
use ferrotitre_html::sheet::{Cell, Part, Sheet, Table};
use ferrotitre_html::shell::Shell;
use serde::Deserialize;

use store::{EACH, Found};

/// Mounts the page.
pub fn routes(config: &mut web::ServiceConfig) {
    config.service(find_anything);
}

/// A kind of thing that has codes.
struct Kind {
    noun: &'static str,
    /// Where the page of one is.
    place: &'static str,
    /// By what its page is addressed: its identity, or its code.
    by_code: bool,
    table: &'static str,
    id: &'static str,
    code: &'static str,
    /// What it is, in SQL.
    what: &'static str,
    /// What else is looked through, in SQL; `$1` are the letters, `$2` where they end.
    also: &'static str,
    /// Which of its rows count, in SQL; all, where it is empty.
    counts: &'static str,
    /// Whether it has versions, of which the newest counts.
    versions: bool,
    /// Who may see it.
    action: Action,
}

/// Kinds by the same columns as most.
const fn kind(noun: &'static str, place: &'static str, table: &'static str) -> Kind {
    Kind {
        noun,
        place,
        by_code: false,
        table,
        id: "id",
        code: "code",
        what: "''",
        also: "",
        counts: "",
        versions: false,
        action: Action::ReadRecords,
    }
}

/// A thing that keeps its identity over its versions.
const fn versioned(noun: &'static str, place: &'static str, table: &'static str) -> Kind {
    Kind { id: "record_id", versions: true, ..kind(noun, place, table) }
}

const TITLED: &str = "position($1 IN upper(t.title)) > 0";

/// The newest issue that went out, whatever is drafted or was set aside since; a first draft until then. Each issue has a state.
const ISSUE_IN_FORCE: &str = "(t.version = 1 OR EXISTS (SELECT FROM present_states o WHERE o.entity_id = t.id \
     AND o.state NOT IN ('draft', 'discarded'))) \
     AND NOT EXISTS (SELECT FROM certificates n JOIN present_states o ON o.entity_id = n.id \
     WHERE n.record_id = t.record_id AND n.version > t.version AND o.state NOT IN ('draft', 'discarded'))";

/// In the order in which they are shown.
const KINDS: [Kind; 19] = [
    Kind {
        what: "t.client_reference || '; ' || t.matrix",
        also: "(upper(t.client_reference) COLLATE \"C\" >= $1 AND upper(t.client_reference) COLLATE \"C\" < $2)",
        ..versioned("sample", "/samples", "samples")
    },
    Kind { what: "t.purpose", ..kind("determination", "/determinations", "determinations") },
    kind("iron(III)", "/iron-results", "iron_results"),
    Kind {
        what: "'issue ' || t.issue || ', ' || t.customer",
        code: "number",
        by_code: true,
        counts: ISSUE_IN_FORCE,
        ..kind("certificate", "/certificates", "certificates")
    },
    Kind { what: "t.bench", ..kind("run", "/runs", "runs") },
    Kind {
        what: "t.nominal_concentration || ' ' || t.concentration_unit",
        ..kind("titrant lot", "/titrants", "titrants")
    },
    kind("standardisation", "/standardisations", "standardisations"),
    Kind {
        what: "t.kind || '; ' || t.description",
        also: "position($1 IN upper(coalesce(t.serial_number, ''))) > 0 OR position($1 IN upper(t.description)) > 0",
        ..versioned("equipment", "/equipment", "equipment")
    },
    Kind {
        what: "t.substance || ', lot ' || t.supplier_lot",
        also: "position($1 IN upper(t.certificate)) > 0 OR position($1 IN upper(t.supplier_lot)) > 0",
        ..versioned("primary standard", "/stock/standards", "primary_standards")
    },
    Kind {
        what: "t.substance || ', ' || t.concentration",
        also: "position($1 IN upper(t.supplier_lot)) > 0",
        ..versioned("reagent", "/stock/reagents", "reagents")
    },
    Kind {
        what: "t.kind || '; ' || t.description",
        ..versioned("control material", "/control-materials", "control_materials")
    },
    Kind { what: "t.title", also: TITLED, ..kind("control chart", "/charts", "control_charts") },
    Kind { what: "t.title", also: TITLED, ..kind("nonconformity", "/nonconformities", "nonconformities") },
    Kind { what: "t.title", also: TITLED, id: "id", ..versioned("method", "/methods", "methods") },
    Kind { what: "t.title", also: TITLED, id: "id", ..versioned("specification", "/specifications", "specifications") },
    Kind { what: "t.title", also: TITLED, id: "id", ..versioned("decision rule", "/decision-rules", "decision_rules") },
    Kind {
        what: "t.provider || ', ' || t.material",
        ..versioned("proficiency round", "/proficiency-rounds", "proficiency_rounds")
    },
    Kind { what: "t.title", also: TITLED, ..kind("validation study", "/validation", "validation_studies") },
    Kind {
        what: "t.display_name",
        also: "position($1 IN upper(t.display_name)) > 0",
        action: Action::ReadAccounts,
        ..kind("person or instrument", "/accounts", "accounts")
    },
];

impl Found {
    fn kind(&self) -> Option<&'static Kind> {
        usize::try_from(self.kind).ok().and_then(|at| KINDS.get(at))
    }

    fn address(&self, kind: &Kind) -> String {
        if kind.by_code { format!("{}/{}", kind.place, self.code) } else { format!("{}/{}", kind.place, self.id) }
    }
}

/// What is looked for.
#[derive(Debug, Default, Clone, Deserialize)]
pub(super) struct Letters {
    #[serde(default)]
    q: String,
}

/// Longest text that is looked for; no code is longer.
const LONGEST: usize = 80;

/// Leads to the one thing of that code, or lists what begins with it.
#[get("/find")]
pub async fn find_anything(
    _who: Allowed<ReadRecords>,
    shell: Shell,
    db: web::Data<Db>,
    query: Params<Letters>,
) -> Result<HttpResponse, Problem> {
    let letters: String = query.0.q.trim().chars().filter(|c| !c.is_control()).take(LONGEST).collect();
    let all = if letters.is_empty() {
        Vec::new()
    } else {
        db.read(async |connection| store::find(connection, &letters).await).await?
    };
    let seen: Vec<(&Found, &Kind)> = all
        .iter()
        .filter_map(|found| Some((found, found.kind()?)))
        .filter(|(_, kind)| shell.may(kind.action))
        .collect();
    let mut exact = seen.iter().filter(|(found, _)| found.exact);
    if let (Some((found, kind)), None) = (exact.next(), exact.next()) {
        return Ok(see(&found.address(kind)));
    }
    let mut rows = Vec::new();
    let mut cut = false;
    for (at, (found, kind)) in seen.iter().enumerate() {
        let before = seen[..at].iter().filter(|(other, _)| other.kind == found.kind).count();
        if before >= EACH {
            cut = true;
            continue;
        }
        rows.push(vec![
            Cell::text(kind.noun),
            Cell::link(found.code.clone(), found.address(kind)),
            Cell::text(found.what.trim_end_matches([';', ' '])),
            found.state.clone().map_or_else(Cell::default, Cell::state),
        ]);
    }
    let lead = match (letters.as_str(), rows.len(), cut) {
        ("", ..) => "Enter a code or its beginning: of a sample, a result, a lot, a certificate, a person.".to_owned(),
        (letters, 0, _) => format!("Nothing begins with \"{letters}\"."),
        (letters, count, false) => format!("{count} begin with \"{letters}\" or hold it in their title."),
        (letters, count, true) => {
            format!("The first {count} for \"{letters}\"; there are more of some kinds: enter more of the code.")
        }
    };
    Sheet::new(&shell, "Find", if letters.is_empty() { "Find".to_owned() } else { letters })
        .lead(lead)
        .section(
            "found",
            "",
            Part::Table(Table { columns: vec!["Kind", "Code", "What", "State"], rows, ..Table::default() }),
        )
        .help(
            "Codes of everything, client references of samples, lot and certificate numbers of standards, titles and people.",
            "ISO/IEC 17025:2017 7.5.1 and 7.11: records are found again.",
            "A code typed in full leads straight to its page.",
        )
        .show()
}
