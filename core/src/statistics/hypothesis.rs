//! Tests and intervals for means and variances.
