//! Events as people read them: whose they are, what they are about, and what they changed, in words.

use std::collections::{BTreeMap, BTreeSet, HashMap};

use ferrotitre_base::auth::current_user::CurrentUser;
use ferrotitre_base::auth::permissions::Role;
use ferrotitre_base::db::{Connection, Db};
use ferrotitre_base::labels;
use ferrotitre_base::refusal::{Code, Refusal};
use ferrotitre_base::web::paging::{Listing, Page};
use ferrotitre_core::lifecycle::EntityKind;
use uuid::Uuid;

use crate::audit::changes::{self, Change};
use crate::audit::entry::Event;
use crate::audit::store::{self, EventFilter, Named, Row};
use crate::audit::wire::{AuditEvent, EventListing, RecordName};
use crate::audit::{checkpoints, kinds, trail};

/// Managers and auditors read everything, analysts their own events, administrators no contents.
struct Sight {
    only_own: bool,
    contents: bool,
}

fn sight(user: &CurrentUser) -> Sight {
    let all = user.roles.iter().any(|role| matches!(role, Role::Manager | Role::Auditor));
    let administrator = user.roles.contains(&Role::Administrator);
    Sight { only_own: !all && !administrator, contents: all || !administrator }
}

/// Whose events are asked for; none for everybody's. Who sees only their own sees nothing where others' are asked for, and is not
/// told whether there is such a person.
async fn actors(
    connection: &Connection,
    user: &CurrentUser,
    sight: &Sight,
    listing: &EventListing,
) -> Result<Option<Vec<Uuid>>, Refusal> {
    let mut asked = listing.actor.map(|actor| vec![actor]);
    if let Some(person) = listing.person.as_deref().map(str::trim).filter(|person| !person.is_empty()) {
        let found = store::accounts_called(connection, person).await?;
        if found.is_empty() && !sight.only_own {
            let message = "nobody has this sign-in name or printed name";
            return Err(Refusal::invalid("person", "known", message, person));
        }
        asked = Some(found.into_iter().filter(|id| asked.as_ref().is_none_or(|asked| asked.contains(id))).collect());
    }
    let own = user.account.0;
    Ok(match asked {
        Some(asked) if sight.only_own => Some(asked.into_iter().filter(|id| *id == own).collect()),
        None if sight.only_own => Some(vec![own]),
        asked => asked,
    })
}

/// A kind of record by its table.
fn kind(asked: Option<&str>) -> Result<Option<String>, Refusal> {
    let Some(asked) = asked.map(str::trim).filter(|asked| !asked.is_empty()) else { return Ok(None) };
    match kinds::of(asked) {
        Some(kind) => Ok(Some(kind.table.to_owned())),
        None => {
            Err(Refusal::invalid("kind", "known", "must be the name of a table of records, such as titrations", asked))
        }
    }
}

fn given(text: Option<&str>) -> Option<String> {
    text.map(str::trim).filter(|text| !text.is_empty()).map(str::to_owned)
}

pub(super) async fn list(db: &Db, user: &CurrentUser, listing: EventListing) -> Result<Page<AuditEvent>, Refusal> {
    let window = Listing { limit: listing.limit, after: None, from: listing.from, until: listing.until };
    let limit = window.limit()?;
    let sight = sight(user);
    let kind = kind(listing.kind.as_deref())?;
    db.read(async |connection| {
        let after = match listing.after {
            None => None,
            Some(id) => {
                let event = store::find_event(connection, id).await?;
                let event =
                    event.ok_or_else(|| Refusal::invalid("after", "cursor", "is not a cursor of this list", id))?;
                Some((event.at, event.id))
            }
        };
        let filter = EventFilter {
            entity: listing.entity_id,
            rows: match given(listing.thing.as_deref()) {
                Some(thing) => Some(trail::of(connection, &thing).await?),
                None => None,
            },
            actors: actors(connection, user, &sight, &listing).await?,
            action: given(listing.action.as_deref()),
            kind: kind.clone(),
            after,
            from: window.window_start(),
            until: window.window_end(),
            limit: limit + 1,
        };
        let page = Page::of(store::list_events(connection, &filter).await?, limit, |event| event.id);
        Ok(Page { items: told(connection, page.items, sight.contents).await?, next: page.next })
    })
    .await
}

/// Names of everything that some events are about or name in their rows.
struct Names {
    rows: HashMap<Row, Named>,
    people: HashMap<Uuid, String>,
}

impl Names {
    async fn of(connection: &Connection, wanted: &BTreeSet<Row>, people: &[Uuid]) -> Result<Self, Refusal> {
        let rows = store::named(connection, wanted).await?;
        let people = labels::on(connection, EntityKind::Account, people).await?;
        Ok(Self { rows, people })
    }

    /// Puts codes in the place of identities.
    fn put(&self, change: &mut Change) {
        let put = |row: &Option<Row>, value: &mut Option<String>, place: &mut Option<String>| {
            if let Some(named) = row.as_ref().and_then(|row| self.rows.get(row)) {
                *value = Some(named.label.clone());
                place.clone_from(&named.place);
            }
        };
        let [before, after] = &mut change.places;
        put(&change.names[0], &mut change.before, before);
        put(&change.names[1], &mut change.after, after);
    }
}

/// What is told of an event before names are known.
struct Read {
    event: Event,
    about: Option<Row>,
    said: Vec<Change>,
}

fn read_one(event: Event, contents: bool, references: &BTreeMap<(String, String), String>) -> Read {
    let rows = (event.before_row.as_deref(), event.after_row.as_deref());
    let shown = contents || kinds::is_of_accounts(&event.entity_kind);
    let about = changes::subject(&event.entity_kind, event.entity_id, rows.1).filter(|_| shown);
    let said = if contents {
        changes::said(changes::all(&event.entity_kind, rows, references), rows.0.is_some())
    } else {
        Vec::new()
    };
    Read { event, about, said }
}

/// Events with what they are about and what they changed: two statements, however many they are.
async fn told(connection: &Connection, events: Vec<Event>, contents: bool) -> Result<Vec<AuditEvent>, Refusal> {
    let references = changes::references();
    let read: Vec<Read> = events.into_iter().map(|event| read_one(event, contents, &references)).collect();
    let mut wanted: BTreeSet<Row> = read.iter().filter_map(|one| one.about.clone()).collect();
    wanted.extend(read.iter().flat_map(|one| &one.said).flat_map(|change| change.names.iter().flatten()).cloned());
    let people: Vec<Uuid> = read.iter().filter_map(|one| one.event.actor).collect();
    let names = Names::of(connection, &wanted, &people).await?;
    let tell = |Read { event, about, mut said }| {
        said.iter_mut().for_each(|change| names.put(change));
        let corrects = event.before_row.is_some();
        let what = changes::line(&event.entity_kind, corrects, &said);
        let mut told = AuditEvent::of(event, contents);
        told.actor_name = told.actor.and_then(|id| names.people.get(&id).cloned());
        told.record_kind = kinds::noun(&told.entity_kind);
        told.record = about.and_then(|row| names.rows.get(&row).cloned()).map(RecordName::from);
        told.what = contents.then_some(what);
        told.changed = if corrects { said } else { Vec::new() };
        told
    };
    Ok(read.into_iter().map(tell).collect())
}

async fn found(db: &Db, user: &CurrentUser, id: Uuid) -> Result<(Event, Sight), Refusal> {
    let sight = sight(user);
    let event = db.read(async |connection| store::find_event(connection, id).await).await?;
    let event = event.filter(|event| !sight.only_own || event.actor == Some(user.account.0));
    Ok((event.ok_or_else(|| Refusal::not_found("audit event", id))?, sight))
}

pub(super) async fn read(db: &Db, user: &CurrentUser, id: Uuid) -> Result<AuditEvent, Refusal> {
    let (event, sight) = found(db, user, id).await?;
    let told = db.read(async |connection| told(connection, vec![event.clone()], sight.contents).await).await?;
    told.into_iter().next().ok_or_else(|| Refusal::not_found("audit event", id))
}

/// Every field of an event's rows, with codes in the place of identities; none for those who see no contents.
pub(super) async fn fields(db: &Db, event: &AuditEvent) -> Result<Vec<Change>, Refusal> {
    let rows = (event.before_row.as_deref(), event.after_row.as_deref());
    let mut all = changes::all(&event.entity_kind, rows, &changes::references());
    let wanted: BTreeSet<Row> = all.iter().flat_map(|change| change.names.iter().flatten()).cloned().collect();
    let names = db.read(async |connection| Names::of(connection, &wanted, &[]).await).await?;
    all.iter_mut().for_each(|change| names.put(change));
    Ok(all)
}

/// The bytes that an event's leaf hashes, for those who see its contents.
pub(super) async fn canonical(db: &Db, user: &CurrentUser, id: Uuid) -> Result<String, Refusal> {
    let sight = sight(user);
    let event = checkpoints::bytes(db, id).await?;
    let event = event.filter(|event| !sight.only_own || event.actor == Some(user.account.0));
    let event = event.ok_or_else(|| Refusal::not_found("audit event", id))?;
    if !sight.contents {
        return Err(Refusal::new(Code::Forbidden, "administrators do not see the contents of events"));
    }
    String::from_utf8(event.canonical()).map_err(Refusal::internal)
}
