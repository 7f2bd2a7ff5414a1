//! Outlier tests with computed critical values.
