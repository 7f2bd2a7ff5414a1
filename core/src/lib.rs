//! Pure calculation for iron determinations by redox titration: from recorded facts to a result with its whole
//! working, the statistics that defend it, control charts, method validation and tamper-evidence.
//!
//! Nothing here knows of HTTP, SQL, files, clocks or entropy; every function is a function of its arguments.
//!
//! | module | what belongs there |
//! |---|---|
//! | [`quantity`] | a newtype per bench quantity, readings as decimals |
//! | [`rounding`] | decimal rounding, used only for reported figures |
//! | [`uncertainty`] | values that carry their sources, budgets, coverage, Monte Carlo, conformity |
//! | [`chemistry`] | molar masses, titration chemistries as data, volume and mass corrections |
//! | [`working`] | the tree of steps that shows how a number came about |
//! | [`determination`] | from the record of a determination to its evaluation |
//! | [`lifecycle`] | the states of each recorded thing and the legal moves between them |
//! | [`statistics`] | summaries, outliers, agreement, tests, regression, analysis of variance |
//! | [`validation`] | detection limits, recovery, trueness, Horwitz and HorRat, proficiency scores; every statistic of a study, with its graph and its cells |
//! | [`control`] | chart limits, run rules, run lengths, charts with a memory |
//! | [`stop`] | ending a calculation from outside |
//! | [`merkle`] | the tree of RFC 9162 that makes the audit log tamper-evident |
#![warn(missing_docs)]
#![forbid(unsafe_code)]

pub mod chemistry;
pub mod control;
pub mod determination;
pub mod lifecycle;
pub mod merkle;
pub mod quantity;
pub mod rounding;
pub mod statistics;
pub mod stop;
pub mod uncertainty;
pub mod validation;
pub mod working;
