//! Decimal rounding for reported figures.
