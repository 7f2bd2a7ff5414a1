//! Agreement of replicates: critical ranges, concordance, follow-up flow.
