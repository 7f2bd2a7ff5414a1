//! What messages say: the words of the alerts, where to look, why somebody gets them and how to stop it.

use std::fmt::Write as _;

use chrono::{DateTime, NaiveDate, Utc};
use ferrotitre_base::alert::Urgency;
use ferrotitre_base::auth::permissions::may;
use ferrotitre_html::show;
use serde_json::{Value, json};

use crate::Told;
use crate::store::Recipient;

/// More alerts than this are counted.
const MOST: usize = 100;
/// Where the own choice is made.
pub(crate) const CHOICE: &str = "/account/messages";

/// Subject and text of an e-mail.
pub(crate) struct Letter {
    pub(crate) subject: String,
    pub(crate) body: String,
}

fn alerts(body: &mut String, told: &[&Told], (to, base): (&Recipient, &str)) {
    for one in told.iter().take(MOST) {
        // Writing to a String cannot fail.
        let _ = writeln!(body, "{}: {}\n{}", one.alert.code, one.alert.kind, one.alert.message);
        if may(&to.roles, one.needs) {
            let _ = writeln!(body, "{base}{}", one.page);
        }
        body.push('\n');
    }
    if told.len() > MOST {
        let _ = writeln!(body, "And {} more: {base}/day\n", told.len() - MOST);
    }
}

fn why(body: &mut String, words: &str, (to, base): (&Recipient, &str)) {
    let _ = write!(
        body,
        "You get this because you chose to be told {words} ({}).\nChange or stop it: {base}{CHOICE}\n",
        to.code
    );
}

/// What began and presses.
pub(crate) fn at_once(told: &[&Told], to: (&Recipient, &str)) -> Letter {
    let subject = match told {
        [one] => format!("ferrotitre: {}: {}", one.alert.code, one.alert.kind),
        several => format!("ferrotitre: {} things need attention now", several.len()),
    };
    let mut body = String::new();
    alerts(&mut body, told, to);
    why(&mut body, "at once what needs attention now", to);
    Letter { subject, body }
}

/// All that needs attention on a day.
pub(crate) fn digest(told: &[&Told], day: NaiveDate, (to, base): (&Recipient, &str)) -> Letter {
    let (now, soon): (Vec<&Told>, Vec<&Told>) = told.iter().copied().partition(|one| one.alert.urgency == Urgency::Now);
    let words = match (now.len(), soon.len()) {
        (0, 0) => "nothing needs attention".to_owned(),
        (now, 0) => format!("{now} now"),
        (0, soon) => format!("{soon} soon"),
        (now, soon) => format!("{now} now, {soon} soon"),
    };
    let day = show::day(day);
    let mut body = String::new();
    if told.is_empty() {
        let _ = writeln!(body, "Nothing needs attention on {day}.\n");
    }
    for (heading, some) in [("Needs attention now", now), ("Needs attention soon", soon)] {
        if !some.is_empty() {
            let _ = writeln!(body, "{heading}\n{}\n", "-".repeat(heading.len()));
            alerts(&mut body, &some, (to, base));
        }
    }
    why(&mut body, "once a day what needs attention", (to, base));
    Letter { subject: format!("ferrotitre, {day}: {words}"), body }
}

/// An alert as programs are told of it.
pub(crate) fn told(one: &Told, base: &str) -> Value {
    let alert = &one.alert;
    json!({
        "kind": alert.kind, "urgency": alert.urgency, "subject_kind": alert.subject_kind, "subject": alert.subject,
        "code": alert.code, "message": alert.message, "due_at": alert.due_at, "page": format!("{base}{}", one.page),
    })
}

/// What is posted: the form that Standard Webhooks recommends.
pub(crate) fn posted(kind: &str, at: DateTime<Utc>, data: &Value) -> String {
    json!({ "type": kind, "timestamp": at, "data": data }).to_string()
}
