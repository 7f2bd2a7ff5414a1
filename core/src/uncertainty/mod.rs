//! Values that carry their uncertainty sources.
