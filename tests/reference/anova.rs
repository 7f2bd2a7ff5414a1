//! Comparisons for anova.
