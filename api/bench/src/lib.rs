//! What stands on the bench before a titration: equipment, standards and reagents, titrants, methods, samples and their test
//! portions, specifications; and what may be conceded or went wrong with it.

pub mod certificate_files;
pub mod choices;
pub mod concessions;
pub mod equipment;
pub mod impacts;
pub mod importing;
pub mod instrument_readings;
pub mod methods;
pub mod nonconformities;
pub mod readings;
pub mod samples;
pub mod specifications;
pub mod standards;
pub mod supposed;
pub mod titrants;
