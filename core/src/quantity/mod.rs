//! A newtype per bench quantity.
