//! How figures of core are shown, and how data are read: numbers, or decimals as text where every digit counts.

use bigdecimal::BigDecimal;
use ferrotitre_base::web::decimal::RULE_MARK;
use ferrotitre_core::statistics::Entered;
use serde::de::{self, Deserializer, Visitor};
use serde::{Deserialize, Serialize};
use utoipa::openapi::schema::{ArrayBuilder, ObjectBuilder, OneOfBuilder, SchemaType, Type};
use utoipa::openapi::{RefOr, Schema};
use utoipa::{PartialSchema, ToSchema};

/// A figure of core in the form `Out` of the wire.
pub trait Show<Out> {
    /// The figure as it is shown.
    fn show(&self) -> Out;
}

macro_rules! shown_as_they_are {
    ($($type:ty),*) => { $(impl Show<$type> for $type {
        fn show(&self) -> $type { self.clone() }
    })* };
}

shown_as_they_are!(f64, bool, u8, u32, u64, usize, i64, String);

/// JSON has no infinity: such a figure is null.
impl Show<Option<f64>> for f64 {
    fn show(&self) -> Option<f64> {
        self.is_finite().then_some(*self)
    }
}

impl Show<String> for &str {
    fn show(&self) -> String {
        (*self).to_owned()
    }
}

impl<T: Show<U>, U> Show<Option<U>> for Option<T> {
    fn show(&self) -> Option<U> {
        self.as_ref().map(Show::show)
    }
}

impl<T: Show<U>, U> Show<Vec<U>> for Vec<T> {
    fn show(&self) -> Vec<U> {
        self.iter().map(Show::show).collect()
    }
}

impl<T: Show<U>, U, const N: usize> Show<Vec<U>> for [T; N] {
    fn show(&self) -> Vec<U> {
        self.iter().map(Show::show).collect()
    }
}

/// Declares the wire form of structs of core, field by field.
macro_rules! shown {
    ($($(#[$meta:meta])* $name:ident of $core:ident { $($(#[$field_meta:meta])* $field:ident: $type:ty,)* })+) => {$(
        $(#[$meta])*
        #[derive(Debug, Clone, PartialEq, serde::Serialize, utoipa::ToSchema)]
        pub struct $name { $($(#[$field_meta])* pub $field: $type,)* }

        impl $crate::wire::Show<$name> for $core {
            fn show(&self) -> $name {
                #[expect(unused_imports, reason = "a struct of plain fields calls no trait method of another type")]
                use $crate::wire::Show as _;
                $name { $($field: self.$field.show(),)* }
            }
        }
    )+};
}
pub(super) use shown;

/// Declares the names that the variants of an enum of core have on the wire, both ways.
macro_rules! named {
    ($($(#[$meta:meta])* $name:ident of $core:ident { $($(#[$variant_meta:meta])* $variant:ident = $text:literal,)+ })+) => {$(
        $(#[$meta])*
        #[derive(Debug, Clone, Copy, PartialEq, Eq, serde::Serialize, serde::Deserialize, utoipa::ToSchema)]
        pub enum $name { $($(#[$variant_meta])* #[serde(rename = $text)] $variant,)+ }

        impl $crate::wire::Show<$name> for $core {
            fn show(&self) -> $name {
                match self { $($core::$variant => $name::$variant,)+ }
            }
        }

        impl From<$name> for $core {
            fn from(name: $name) -> Self {
                match name { $($name::$variant => $core::$variant,)+ }
            }
        }
    )+};
}
pub(super) use named;

/// A series whose values are JSON numbers, or texts such as "23.10" of which every decimal digit enters the calculation.
#[derive(Debug, Clone, PartialEq)]
pub struct Data(pub Vec<Entered>);

impl AsRef<[Entered]> for Data {
    fn as_ref(&self) -> &[Entered] {
        &self.0
    }
}

impl std::ops::Deref for Data {
    type Target = [Entered];

    fn deref(&self) -> &[Entered] {
        &self.0
    }
}

struct Datum(Entered);

struct DatumVisitor;

impl Visitor<'_> for DatumVisitor {
    type Value = Datum;

    fn expecting(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str("a number, or a decimal as text such as \"23.10\"")
    }

    fn visit_f64<E: de::Error>(self, value: f64) -> Result<Datum, E> {
        Ok(Datum(value.into()))
    }

    #[expect(clippy::cast_precision_loss, reason = "whole numbers are read as the nearest double, like all numbers")]
    fn visit_i64<E: de::Error>(self, value: i64) -> Result<Datum, E> {
        Ok(Datum((value as f64).into()))
    }

    #[expect(clippy::cast_precision_loss, reason = "whole numbers are read as the nearest double, like all numbers")]
    fn visit_u64<E: de::Error>(self, value: u64) -> Result<Datum, E> {
        Ok(Datum((value as f64).into()))
    }

    fn visit_str<E: de::Error>(self, text: &str) -> Result<Datum, E> {
        let refused = || E::custom(format!("decimal{RULE_MARK}must be a decimal such as 23.10"));
        // An exponent is allowed, but none that would make a decimal of millions of digits.
        let exponent = text.split_once(['e', 'E']).map(|(_, exponent)| exponent.parse::<i32>());
        if text.len() > 100 || exponent.is_some_and(|exponent| !exponent.is_ok_and(|e| (-200..=200).contains(&e))) {
            return Err(refused());
        }
        text.parse::<BigDecimal>().map(|decimal| Datum(Entered::from(&decimal))).map_err(|_error| refused())
    }
}

impl<'de> Deserialize<'de> for Datum {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        deserializer.deserialize_any(DatumVisitor)
    }
}

impl<'de> Deserialize<'de> for Data {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        Vec::<Datum>::deserialize(deserializer).map(|data| Self(data.into_iter().map(|datum| datum.0).collect()))
    }
}

impl PartialSchema for Data {
    fn schema() -> RefOr<Schema> {
        let number = ObjectBuilder::new().schema_type(SchemaType::Type(Type::Number));
        let text = ObjectBuilder::new().schema_type(SchemaType::Type(Type::String));
        let item = OneOfBuilder::new().item(number).item(text);
        ArrayBuilder::new()
            .items(item)
            .description(Some("Values: numbers, or decimals as text, of which every digit enters the calculation."))
            .build()
            .into()
    }
}

impl ToSchema for Data {}

/// A finding of a calculation in words.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, ToSchema)]
pub struct Statement {
    /// The rule or the question.
    #[schema(example = "t test, two-sided, level 0.05")]
    pub rule: String,
    /// met, not met, query or no decision.
    #[schema(example = "met")]
    pub outcome: &'static str,
    /// What was compared with what.
    #[schema(example = "p = 0.31")]
    pub detail: String,
}

/// 95 %.
pub(super) fn ninety_five() -> f64 {
    0.95
}

/// 5 %.
pub(super) fn five_percent() -> f64 {
    0.05
}

/// One.
pub(super) fn one() -> usize {
    1
}
