//! Tables of decision rules, specifications and what samples were given.

pub(crate) mod assignments;
pub(crate) mod rules;
pub(crate) mod specifications;
