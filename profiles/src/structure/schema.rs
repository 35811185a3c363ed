//! From the tables to JSON Schema (draft 7): one document for each resource type, data type and group.
//!
//! Where an element is of a type with elements of its own, its schema names that type, whose document is compiled when
//! the first such element is met. A resource pays for the types that it has, not for all that it could have.

use std::collections::BTreeSet;

use serde_json::{Map, Value, json};

use super::keywords;
use super::object::ObjectRules;
use crate::definitions::{BaseTables, Element, JsonForm, TypeDefinition, TypeKind, TypeUse};
use crate::json;

/// The companion `_name` of a primitive: an object of the type that all data types are based on.
const COMPANION: &str = "Element";

/// The type that the schema of a property is made from: the profile on Quantity, where R4 uses one.
pub(super) fn schema_type(type_use: &TypeUse) -> &str {
    match type_use.targets.as_slice() {
        [profile] if type_use.code == "Quantity" => profile,
        _ => &type_use.code,
    }
}

/// The schema of a type. None when the tables do not know it. That the value is an object was judged before.
pub(super) fn document(tables: &BaseTables, name: &str) -> Option<Value> {
    Some(object(tables, tables.type_definition(name)?))
}

fn object(tables: &BaseTables, definition: &TypeDefinition) -> Value {
    let mut properties = Map::new();
    let mut required = Vec::new();
    let is_resource = definition.kind == TypeKind::Resource;
    if is_resource {
        // Its value was judged before this schema was chosen by it.
        properties.insert("resourceType".to_owned(), Value::Bool(true));
    }
    for element in &definition.elements {
        for type_use in &element.types {
            let name = element.property_name(type_use);
            if element.max == Some(0) {
                properties.insert(name, Value::Bool(false));
                continue;
            }
            if let Some(form) = tables.primitive_form(&type_use.code) {
                if !type_use.plain {
                    properties.insert(format!("_{name}"), companion(element));
                } else if element.min > 0 {
                    required.push(name.clone());
                }
                properties.insert(name, primitive(tables, element, type_use, form));
            } else {
                if element.min > 0 && element.choice_stem().is_none() {
                    required.push(name.clone());
                }
                properties.insert(name, repeated(element, complex(tables, element, type_use)));
            }
        }
    }
    let mut schema = Map::new();
    schema.insert("properties".to_owned(), Value::Object(properties));
    schema.insert("additionalProperties".to_owned(), Value::Bool(false));
    if !required.is_empty() {
        schema.insert("required".to_owned(), json!(required));
    }
    if !is_resource {
        schema.insert("minProperties".to_owned(), json!(1));
    }
    if !ObjectRules::of(tables, definition).is_empty() {
        schema.insert(keywords::OBJECT.to_owned(), json!(definition.name));
    }
    Value::Object(schema)
}

fn repeated(element: &Element, item: Value) -> Value {
    if !element.repeats() {
        return item;
    }
    let mut schema = list_of(item);
    if let (Some(max), Some(schema)) = (element.max, schema.as_object_mut()) {
        schema.insert("maxItems".to_owned(), json!(max));
    }
    schema
}

fn list_of(item: Value) -> Value {
    json::object([("type", json!("array")), ("minItems", json!(1)), ("items", item)])
}

/// The schema of a value that has elements of its own.
fn typed(name: &str) -> Value {
    json!({ "type": "object", keywords::TYPE: name })
}

fn complex(tables: &BaseTables, element: &Element, type_use: &TypeUse) -> Value {
    let name = schema_type(type_use);
    // A resource inside a resource is held against its own type by the caller.
    if name == "Resource" {
        return json!({ "type": "object" });
    }
    let mut schema = typed(name);
    if let Some(schema) = schema.as_object_mut() {
        if name == "Reference" {
            let any = type_use.targets.contains(&"Resource");
            let targets = if any { &[] } else { type_use.targets.as_slice() };
            schema.insert(keywords::TARGETS.to_owned(), json!(targets));
        }
        let listed = element
            .required_binding
            .filter(|url| tables.value_set(url).is_some_and(|value_set| value_set.codes.is_some()));
        if let (Some(url), "CodeableConcept") = (listed, name) {
            schema.insert(keywords::BINDING.to_owned(), json!(url));
        }
    }
    schema
}

fn primitive(tables: &BaseTables, element: &Element, type_use: &TypeUse, form: JsonForm) -> Value {
    let form = match form {
        JsonForm::Boolean => "boolean",
        JsonForm::Number => "number",
        JsonForm::String => "string",
    };
    let value_set = element.required_binding.and_then(|url| tables.value_set(url));
    let codes: Vec<&str> = value_set.into_iter().flat_map(|value_set| value_set.all_codes()).collect();
    let padded = element.repeats();
    let mut schema = Map::new();
    schema.insert("type".to_owned(), if padded { json!([form, "null"]) } else { json!(form) });
    if codes.is_empty() {
        schema.insert(keywords::PRIMITIVE.to_owned(), json!(type_use.code));
    } else {
        let mut codes: BTreeSet<Option<&str>> = codes.into_iter().map(Some).collect();
        if padded {
            codes.insert(None);
        }
        schema.insert("enum".to_owned(), json!(codes));
    }
    repeated(element, Value::Object(schema))
}

fn companion(element: &Element) -> Value {
    let one = typed(COMPANION);
    if element.repeats() {
        // `null` where a value of the other array has no companion.
        list_of(json::object([("if", json!({ "type": "null" })), ("else", one)]))
    } else {
        one
    }
}
