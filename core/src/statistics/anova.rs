//! Analysis of variance with variance components.
