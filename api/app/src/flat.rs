//! Schemas put together of several (`allOf`) as one each.
//!
//! A part that takes no further properties refuses those of the other parts, so that no value obeys all of them: the parts of an
//! answer are known to be parts only to the program.

use std::collections::BTreeMap;

use utoipa::openapi::schema::{AdditionalProperties, AllOf, Array, ArrayItems, Object, SchemaType, Type};
use utoipa::openapi::{RefOr, Schema};

type Schemas = BTreeMap<String, RefOr<Schema>>;

/// Makes one schema of each that is put together.
pub fn flatten(schemas: &mut Schemas) {
    let all = schemas.clone();
    for schema in schemas.values_mut() {
        within(schema, &all);
    }
}

fn within(schema: &mut RefOr<Schema>, all: &Schemas) {
    let RefOr::T(schema) = schema else { return };
    if let Schema::AllOf(parts) = schema
        && let Some(whole) = joined(parts, all)
    {
        *schema = Schema::Object(whole);
    }
    match schema {
        Schema::Object(object) => object.properties.values_mut().for_each(|property| within(property, all)),
        Schema::Array(array) => {
            plain(array);
            if let ArrayItems::RefOrSchema(items) = &mut array.items {
                within(items, all);
            }
        }
        Schema::OneOf(cases) => cases.items.iter_mut().for_each(|case| within(case, all)),
        _ => {}
    }
}

/// A pair of equal things as a list of exactly two: `items: false` beside `prefixItems` says the same, and generators of clients
/// stumble over it.
fn plain(array: &mut Array) {
    let [first, rest @ ..] = array.prefix_items.as_slice() else { return };
    if rest.iter().all(|item| item == first) {
        let many = array.prefix_items.len();
        array.items = ArrayItems::RefOrSchema(Box::new(RefOr::T(first.clone())));
        (array.min_items, array.max_items) = (Some(many), Some(many));
        array.prefix_items.clear();
    }
}

/// The parts as one object, if each of them is an object.
fn joined(parts: &AllOf, all: &Schemas) -> Option<Object> {
    let mut whole = Object::new();
    let mut closed = false;
    for part in &parts.items {
        let part = object_of(part, all)?;
        closed |= matches!(part.additional_properties.as_deref(), Some(AdditionalProperties::FreeForm(false)));
        whole.properties.extend(part.properties);
        whole.required.extend(part.required);
    }
    whole.required.dedup();
    whole.description.clone_from(&parts.description);
    whole.additional_properties = closed.then(|| Box::new(AdditionalProperties::FreeForm(false)));
    Some(whole)
}

fn object_of(part: &RefOr<Schema>, all: &Schemas) -> Option<Object> {
    match part {
        RefOr::Ref(reference) => object_of(all.get(reference.ref_location.rsplit('/').next()?)?, all),
        RefOr::T(Schema::Object(object)) => Some(object.clone()),
        RefOr::T(Schema::AllOf(parts)) => joined(parts, all),
        // A part that may be absent: its properties are, all of them, and it is no value of its own.
        RefOr::T(Schema::OneOf(cases)) => {
            let is_null = |case: &&RefOr<Schema>| matches!(case, RefOr::T(Schema::Object(object)) if object.schema_type == SchemaType::Type(Type::Null));
            let [case] = cases.items.iter().filter(|case| !is_null(case)).collect::<Vec<_>>()[..] else { return None };
            let mut part = object_of(case, all)?;
            part.required.clear();
            Some(part)
        }
        RefOr::T(_) => None,
    }
}
