//! Control-chart limits, run rules, run lengths and titrant drift.
