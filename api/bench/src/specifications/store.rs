//! Tables of decision rules, specifications and what samples were given.

pub mod assignments;
pub mod rules;
pub mod specifications;
