//! The connector, `ferrotitre listen`: reads what a balance, piston burette or titrator prints, keeps each reading on disk before
//! it counts as taken, and sends it to the service until the service has it, once.
//!
//! It needs a folder of its own and a token of an instrument, and nothing else of the service.

mod command;
mod judge;
mod lines;
mod pattern;
mod queue;
mod send;
mod source;

pub use command::{ListenArguments, run};
