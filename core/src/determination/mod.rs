//! From the record of a determination to its evaluation.
