//! Whether methods and people do what they should: validation studies, proficiency rounds, reading habits.
#![recursion_limit = "256"]

pub mod proficiency_rounds;
pub mod reading_habits;
pub mod validation_studies;
