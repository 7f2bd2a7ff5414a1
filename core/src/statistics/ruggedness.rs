//! Ruggedness designs.
