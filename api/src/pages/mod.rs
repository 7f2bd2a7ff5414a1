//! Pages for people: HTML made on the server, over the same services as the API.
//!
//! Here is what every page shares: the frame and who looks at it ([`shell`]), forms ([`form`]), pages made of sections
//! ([`sheet`]), pictures ([`plots`]), what protects them ([`protect`]) and the files that go with them ([`assets`]). A feature
//! has its pages in its own `pages.rs`; no rule lives in a page.

pub(crate) mod assets;
pub(crate) mod choices;
pub(crate) mod concessions;
pub(crate) mod day;
pub(crate) mod form;
pub(crate) mod label_text;
pub(crate) mod narrow;
pub(crate) mod number_line;
pub(crate) mod paper;
pub(crate) mod plots;
pub(crate) mod printed;
pub(crate) mod protect;
pub(crate) mod readable;
pub(crate) mod sheet;
pub(crate) mod shell;
pub(crate) mod show;
pub(crate) mod versioned;
