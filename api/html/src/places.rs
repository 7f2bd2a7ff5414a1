//! Where a person can go: at most seven kinds of work in the head of every page, and under each the places where it is done.

use ferrotitre_base::auth::permissions::{Action, Role, may};

/// A place: its page, its name, what somebody must be allowed, and where else pages of it are.
struct Spot {
    address: &'static str,
    name: &'static str,
    action: Action,
    also: &'static [&'static str],
}

/// A kind of work and its places, in the order in which they are gone to.
struct Work {
    name: &'static str,
    spots: &'static [Spot],
}

const fn spot(address: &'static str, name: &'static str) -> Spot {
    Spot { address, name, action: Action::ReadRecords, also: &[] }
}

/// In the order of a day.
const WORKS: [Work; 7] = [
    Work {
        name: "Day",
        spots: &[
            Spot { also: &["/first-result", "/decisions", "/signatures"], ..spot("/day", "What waits") },
            Spot { action: Action::ConductRuns, ..spot("/runs/begin", "Begin runs") },
        ],
    },
    Work {
        name: "Bench",
        spots: &[
            Spot { action: Action::RecordTitrations, ..spot("/bench", "Titrations") },
            Spot { action: Action::RecordTitrations, ..spot("/instrument-readings", "Instruments") },
        ],
    },
    Work {
        name: "Samples",
        spots: &[
            spot("/samples", "Samples"),
            Spot { also: &["/decision-rules"], ..spot("/specifications", "Specifications") },
            spot("/labels", "Labels"),
        ],
    },
    Work {
        name: "Results",
        spots: &[
            Spot { also: &["/titrations", "/joint-results"], ..spot("/determinations", "Determinations") },
            spot("/iron-results", "Iron(III)"),
            Spot { also: &["/blanks"], ..spot("/runs", "Runs") },
            spot("/certificates", "Certificates"),
        ],
    },
    Work {
        name: "Stock",
        spots: &[
            Spot { also: &["/standardisations"], ..spot("/titrants", "Titrants") },
            spot("/stock", "Standards and reagents"),
            Spot { also: &["/equipment-checks", "/calibrations"], ..spot("/equipment", "Equipment") },
        ],
    },
    Work {
        name: "Quality",
        spots: &[
            Spot { also: &["/chart-phases", "/control-values", "/qc-plans"], ..spot("/charts", "Control charts") },
            spot("/control-materials", "Control materials"),
            Spot { also: &["/impacts"], ..spot("/nonconformities", "Nonconformities") },
            spot("/concessions", "Concessions"),
            spot("/methods", "Methods"),
            spot("/validation", "Validation"),
            spot("/proficiency-rounds", "Proficiency"),
            Spot { action: Action::ReadReadingHabits, ..spot("/reading-habits", "Reading habits") },
        ],
    },
    Work {
        name: "Records",
        spots: &[
            Spot { action: Action::ReadAuditTrail, ..spot("/audit", "Audit trail") },
            Spot { action: Action::ExportRecords, also: &["/where-used", "/what-if"], ..spot("/exports", "Exports") },
            spot("/imports", "Imports"),
            Spot {
                action: Action::ReadAccounts,
                also: &["/competences", "/role-grants", "/service-tokens"],
                ..spot("/accounts", "People")
            },
            Spot { action: Action::ReadMessages, ..spot("/messages", "Messages") },
            spot("/laboratory", "Laboratory"),
            Spot { action: Action::Calculate, ..spot("/calculations", "Calculations") },
        ],
    },
];

/// A place that somebody may open.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Place {
    /// Address of its page.
    pub address: &'static str,
    /// What it is called.
    pub name: &'static str,
    /// The page is one of it.
    pub here: bool,
}

/// A kind of work with the places of it that somebody may open, of which there is at least one.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Places {
    /// What it is called.
    pub name: &'static str,
    /// Its places.
    pub places: Vec<Place>,
}

impl Places {
    /// Where its name leads.
    pub fn address(&self) -> &'static str {
        self.places.first().map_or("/", |place| place.address)
    }

    /// The page is in one of its places.
    pub fn here(&self) -> bool {
        self.places.iter().any(|place| place.here)
    }

    /// There is something to choose between.
    pub fn several(&self) -> bool {
        self.places.len() > 1
    }
}

fn within(path: &str, address: &str) -> bool {
    path.strip_prefix(address).is_some_and(|rest| rest.is_empty() || rest.starts_with('/'))
}

/// Kinds of work with the places that these roles may open, seen from a page. Of places within each other the inner one counts.
pub(crate) fn of(roles: &[Role], path: &str) -> Vec<Places> {
    let addresses = |spot: &Spot| std::iter::once(spot.address).chain(spot.also.iter().copied());
    let all = WORKS.iter().flat_map(|work| work.spots).filter(|spot| may(roles, spot.action));
    let nearest = all.flat_map(addresses).filter(|address| within(path, address)).max_by_key(|address| address.len());
    let place = |spot: &Spot| Place {
        address: spot.address,
        name: spot.name,
        here: nearest.is_some_and(|nearest| addresses(spot).any(|address| address == nearest)),
    };
    let places = |work: &Work| Places {
        name: work.name,
        places: work.spots.iter().filter(|spot| may(roles, spot.action)).map(place).collect(),
    };
    WORKS.iter().map(places).filter(|work| !work.places.is_empty()).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn nobody_has_more_than_seven_kinds_of_work_and_each_leads_somewhere() {
        for role in Role::ALL {
            let works = of(&[role], "/day");
            assert!(works.len() <= 7, "{role:?}");
            assert!(works.iter().all(|work| work.address() != "/"), "{role:?}");
        }
        assert_eq!(of(&Role::ALL, "/").len(), 7);
    }

    #[test]
    fn a_page_is_in_one_place_whatever_else_begins_alike() {
        for (path, of_work, at) in [
            ("/runs/begin", "Day", "Begin runs"),
            ("/runs/0192", "Results", "Runs"),
            ("/stock/standards/new", "Stock", "Standards and reagents"),
            ("/control-values/0192", "Quality", "Control charts"),
            ("/impacts", "Quality", "Nonconformities"),
        ] {
            let works = of(&[Role::Analyst, Role::Manager], path);
            let here: Vec<_> = works.iter().flat_map(|work| &work.places).filter(|place| place.here).collect();
            assert_eq!(here.iter().map(|place| place.name).collect::<Vec<_>>(), [at], "{path}");
            assert_eq!(works.iter().find(|work| work.here()).map(|work| work.name), Some(of_work), "{path}");
        }
        assert!(
            of(&[Role::Manager], "/account").iter().all(|work| !work.here()),
            "one's own account is beside the places"
        );
    }
}
