//! Tests of normality.
