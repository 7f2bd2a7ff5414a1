//! The first hour: an empty store, a browser for each person, and iron(III) released under a control chart, along the links of the
//! pages and in the order of deploy/README.md, "The first day". What it asks of people is counted, so that it does not grow unseen.

mod bench;
mod control;
mod desk;
mod shelf;

use ferrotitre_tests::app::SET_UP_CODE;

use super::set_up::empty;
use desk::{Counts, Desk, Tally};

/// The four people: who manages accounts, who decides, who titrates, who checks.
struct People<'a> {
    administrator: Desk<'a>,
    manager: Desk<'a>,
    analyst: Desk<'a>,
    reviewer: Desk<'a>,
}

impl<'a> People<'a> {
    async fn of(service: &str, tally: &'a Tally) -> Self {
        let desk = async |code, password| Desk::of(service, tally, (code, password)).await;
        Self {
            administrator: desk("robin.falk", "copper-lantern-orchid-9-gulls").await,
            manager: desk("noor.haas", "velvet-anchor-thistle-4-plums").await,
            analyst: desk("ines.roth", "marble-kestrel-tunic-7-fjord").await,
            reviewer: desk("jon.weir", "saffron-gravel-otter-2-dune").await,
        }
    }
}

/// What the first hour may ask for at most; only ever lowered, but that a tick may take the place of a form. deploy/README.md says
/// these numbers.
const MOST: Counts = Counts { pages: 71, forms: 25, typed: 88, chosen: 46, refused: 0 };

/// Signs in for the first time: the provisional password, and the own one that takes its place.
async fn take_over(desk: &Desk<'_>, provisional: &str) {
    desk.start().await;
    desk.link("First sign-in").await;
    desk.type_in(&[("account", desk.code), ("password", provisional), ("new", desk.password)]).await;
    desk.send("The password was changed").await;
}

/// The set-up page with the code that the service printed names all four; each takes over their account at a browser of their own.
async fn people(all: &People<'_>) {
    let administrator = &all.administrator;
    administrator.start().await;
    administrator
        .type_in(&[
            ("code", SET_UP_CODE),
            ("administrator.display_name", "Robin Falk"),
            ("manager.display_name", "Noor Haas"),
            ("analysts[0].display_name", "Ines Roth"),
            ("analysts[1].display_name", "Jon Weir"),
        ])
        .await;
    administrator.send("The accounts are made").await;
    let passwords = administrator.texts(".secret code").await;
    for (desk, provisional) in [&all.manager, &all.analyst, &all.reviewer].into_iter().zip(&passwords[1..]) {
        take_over(desk, provisional).await;
    }
}

#[tokio::test(flavor = "multi_thread")]
async fn from_an_empty_store_to_iron3_released_under_a_control_chart() {
    let running = empty().await;
    let tally = Tally::default();
    let all = People::of(&format!("http://{}", running.address), &tally).await;
    tally.stage("people");
    people(&all).await;
    tally.stage("equipment");
    shelf::equipment(&all).await;
    tally.stage("standard and methods");
    shelf::standard(&all).await;
    shelf::methods(&all).await;
    shelf::decisions(&all).await;
    tally.stage("titrant and control");
    shelf::titrant(&all).await;
    control::control(&all).await;
    control::decisions(&all).await;
    tally.stage("sample");
    bench::sample(&all).await;
    bench::runs(&all).await;
    tally.stage("run of iron(II)");
    bench::run(&all, "M1").await;
    tally.stage("run of total iron");
    bench::run(&all, "M2").await;
    tally.stage("iron(III) and signatures");
    bench::finish(&all).await;
    bench::signatures(&all).await;
    tally.stage("what it came to");
    bench::outcome(&all).await;
    let counts = tally.print();
    let within = counts.pages <= MOST.pages
        && counts.forms <= MOST.forms
        && counts.typed <= MOST.typed
        && counts.chosen <= MOST.chosen
        && counts.refused == MOST.refused;
    assert!(within, "{counts:?} is more than {MOST:?}: say in deploy/README.md why, or ask for less");
}
