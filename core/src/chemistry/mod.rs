//! Molar masses, titration chemistries as data, corrections of volumes and masses.
//!
//! What belongs here: what is true of substances, solutions, glass and air. What does not: the choice of replicates
//! and the evaluation of a record.

pub mod density;
pub mod molar_mass;
pub mod reduction;
pub mod volume;
