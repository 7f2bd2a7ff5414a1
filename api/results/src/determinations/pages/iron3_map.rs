//! The page of iron(III) against the share of iron(II).

use actix_web::{HttpResponse, get, web};
use ferrotitre_base::auth::allowed::Allowed;
use ferrotitre_base::auth::permissions::acts::ReadRecords;
use ferrotitre_base::db::Db;
use ferrotitre_base::web::problem::Problem;
use ferrotitre_html::sheet::{Cell, Part, Sheet, Table};
use ferrotitre_html::shell::Shell;
use ferrotitre_html::show;
use uuid::Uuid;

use crate::determinations::planning::iron3::{self, Iron3MapView, Iron3PointView};

fn lead(shell: &Shell, view: &Iron3MapView) -> String {
    let found = view.aliquots.first().and_then(|aliquot| Some((aliquot, aliquot.points.first()?)));
    let Some((aliquot, of)) = found else { return String::new() };
    let now = format!(
        "Iron(II) is {} of total iron; u of iron(III) is {} {}.",
        show::figure(view.present_ratio, 3),
        show::figure(of.u, 3),
        view.unit
    );
    let least = |of: &&iron3::AliquotView| of.points.first().map_or(f64::INFINITY, |point| point.u);
    let best = view.aliquots.iter().min_by(|a, b| least(a).total_cmp(&least(b)));
    let advice = match best.filter(|best| !best.taken).and_then(|best| Some((best, best.points.first()?))) {
        Some((best, point)) => format!(
            " With {} in place of {} the titre of total iron would be {:.2} mL and u {} {}.",
            best.pipette,
            aliquot.pipette,
            best.total_ml,
            show::figure(point.u, 3),
            view.unit
        ),
        None => " No aliquot at hand lowers it.".to_owned(),
    };
    shell.n(format!("{now}{advice}"))
}

/// What the share of iron(II) and the aliquot do to iron(III).
#[get("/iron-results/{id}/plan")]
pub(super) async fn read_iron_result_plan(
    _who: Allowed<ReadRecords>,
    shell: Shell,
    db: web::Data<Db>,
    id: web::Path<Uuid>,
) -> Result<HttpResponse, Problem> {
    let view = iron3::read(&db, *id).await?;
    let drawing = iron3::draw(&view)?;
    let caption = "u in per cent of iron(III) against the share of iron(II): the aliquot that was taken (filled) and the others at hand (hollow). The less iron(III) there is, the more of it is uncertainty.";
    let mut sheet = Sheet::new(&shell, "Iron(III) and the share of iron(II)", view.code.clone())
        .lead(lead(&shell, &view))
        .way(true, "Back to the result", format!("/iron-results/{id}"))
        .section("aliquots", "Aliquots, with the share that was found", Part::Table(aliquots(&shell, &view)))
        .section("picture", "u against the share", Part::Chart { drawing, caption: caption.to_owned() })
        .section("shares", "The aliquot that was taken, with other shares", Part::Table(shares(&shell, &view)));
    if !view.left_out.is_empty() {
        sheet = sheet.section("left-out", "Left out", Part::Alert(view.left_out));
    }
    sheet
        .help(
            "How well iron(III) by difference can be known for a share of iron(II), evaluated as the result itself is; nothing is stored.",
            "JCGM 100:2008, 5.2. Titres between 30 and 45 mL fill a burette of 50 mL well (common practice, no source).",
            "Where almost all iron is iron(II), a larger aliquot or the mean of runs helps; a method for iron(III) itself may help more.",
        )
        .show()
}

fn number(shell: &Shell, of: f64, digits: usize) -> Cell {
    Cell::number(shell.n(show::figure(of, digits)))
}

fn percent(shell: &Shell, of: &Iron3PointView) -> Cell {
    of.u_percent.map_or_else(Cell::default, |percent| number(shell, percent, 3))
}

fn aliquots(shell: &Shell, view: &Iron3MapView) -> Table {
    let aliquots = view.aliquots.iter().filter_map(|aliquot| {
        let of = aliquot.points.first()?;
        Some(vec![
            Cell::text(aliquot.pipette.clone()),
            Cell::text(if aliquot.taken { "as it was made" } else { "" }),
            Cell::number(shell.n(format!("{:.2}", aliquot.total_ml))),
            Cell::number(shell.n(format!("{:.2}", of.iron2_ml))),
            number(shell, of.u, 3),
            percent(shell, of),
            Cell::text(if aliquot.fills_the_burette { "yes" } else { "no" }),
        ])
    });
    Table {
        columns: vec![
            "Aliquot",
            "",
            "Titre of total iron, mL",
            "Titre of iron(II), mL",
            "u of iron(III)",
            "u, %",
            "Between 30 and 45 mL",
        ],
        rows: aliquots.collect(),
        ..Table::default()
    }
}

fn shares(shell: &Shell, view: &Iron3MapView) -> Table {
    let taken = view.aliquots.first().map(|aliquot| aliquot.points.as_slice()).unwrap_or_default();
    let shares = taken.iter().skip(1).map(|of| {
        vec![
            number(shell, of.ratio, 2),
            Cell::number(shell.n(format!("{:.2}", of.iron2_ml))),
            number(shell, of.value, 4),
            number(shell, of.u, 3),
            percent(shell, of),
        ]
    });
    Table {
        columns: vec!["Iron(II) / total iron", "Titre of iron(II), mL", "Iron(III)", "u", "u, %"],
        rows: shares.collect(),
        ..Table::default()
    }
}
