//! Pages for people: HTML made on the server, over the same services as the API.
//!
//! Here is what every page shares: the frame and who looks at it ([`shell`]), forms ([`form`]), pages made of sections
//! ([`sheet`]), pictures ([`plots`]), what protects them ([`protect`]) and the files that go with them ([`assets`]). A feature
//! has its pages in its own `pages.rs`; no rule lives in a page.

pub mod assets;
pub mod form;
pub mod label_text;
pub mod mark;
pub mod narrow;
pub mod number_line;
pub mod paper;
pub mod places;
pub mod plots;
pub mod protect;
pub mod readable;
pub mod receipts;
pub mod sheet;
pub mod shell;
pub mod show;
pub mod symbol;
pub mod versioned;
