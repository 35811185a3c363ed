//! The types of FHIR R4 as far as expressions ask for them.

use super::item::{Item, Node};
use super::moment::MomentKind;
use super::syntax::TypeName;

/// The data type that a choice element's name ends with (HL7 FHIR R4, "Open Type Element" and the choices of the
/// base resources).
pub(super) fn choice_type(suffix: &str) -> Option<&'static str> {
    CHOICES.iter().find(|choice| choice.0 == suffix).map(|choice| choice.1)
}

/// The names that a choice element may have: `valueBoolean` and so on.
pub(super) fn with_choice_suffixes(stem: &str) -> impl Iterator<Item = String> {
    CHOICES.iter().map(move |choice| format!("{stem}{}", choice.0))
}

/// Suffix and type.
#[rustfmt::skip]
const CHOICES: &[(&str, &str)] = &[
    ("Base64Binary", "base64Binary"), ("Boolean", "boolean"), ("Canonical", "canonical"), ("Code", "code"),
    ("Date", "date"), ("DateTime", "dateTime"), ("Decimal", "decimal"), ("Id", "id"),
    ("Instant", "instant"), ("Integer", "integer"), ("Markdown", "markdown"), ("Oid", "oid"),
    ("PositiveInt", "positiveInt"), ("String", "string"), ("Time", "time"), ("UnsignedInt", "unsignedInt"),
    ("Uri", "uri"), ("Url", "url"), ("Uuid", "uuid"), ("Address", "Address"), ("Age", "Age"),
    ("Annotation", "Annotation"), ("Attachment", "Attachment"), ("CodeableConcept", "CodeableConcept"),
    ("Coding", "Coding"), ("ContactDetail", "ContactDetail"), ("ContactPoint", "ContactPoint"),
    ("Contributor", "Contributor"), ("Count", "Count"), ("DataRequirement", "DataRequirement"),
    ("Distance", "Distance"), ("Dosage", "Dosage"), ("Duration", "Duration"), ("Expression", "Expression"),
    ("HumanName", "HumanName"), ("Identifier", "Identifier"), ("Meta", "Meta"), ("Money", "Money"),
    ("ParameterDefinition", "ParameterDefinition"), ("Period", "Period"), ("Quantity", "Quantity"),
    ("Range", "Range"), ("Ratio", "Ratio"), ("Reference", "Reference"),
    ("RelatedArtifact", "RelatedArtifact"), ("SampledData", "SampledData"), ("Signature", "Signature"),
    ("Timing", "Timing"), ("TriggerDefinition", "TriggerDefinition"), ("UsageContext", "UsageContext"),
];

/// The type that a type specialises or constrains, where R4 has one between it and Element.
pub(super) fn parent_type(ty: &str) -> Option<&'static str> {
    Some(match ty {
        "code" | "id" | "markdown" => "string",
        "url" | "canonical" | "uuid" | "oid" => "uri",
        "positiveInt" | "unsignedInt" => "integer",
        "Age" | "Count" | "Distance" | "Duration" | "SimpleQuantity" | "MoneyQuantity" => "Quantity",
        _ => return None,
    })
}

/// Whether a path may begin with this type name at the node (`Appointment.status` inside an Appointment).
pub(super) fn is_named(node: &Node<'_>, name: &str) -> bool {
    node.ty() == Some(name) || (node.is_resource() && matches!(name, "Resource" | "DomainResource"))
}

/// Whether an item has a type. Without knowledge of a node's type its JSON kind decides.
///
/// A `System` type is met by the FHIR primitive that converts to it: HL7's que-7 asks `answer is Boolean` of a FHIR
/// boolean.
pub(super) fn has_type(item: &Item<'_>, name: &TypeName) -> bool {
    let fhir = |ty: &str| ty == name.name || parent_type(ty) == Some(name.name.as_str());
    let node = match item {
        Item::Node(node) => node,
        Item::Boolean(_) => return matches!(name.name.as_str(), "Boolean" | "boolean"),
        Item::Number(number) => {
            let own = if number.scale() == 0 { ["Integer", "integer"] } else { ["Decimal", "decimal"] };
            return own.contains(&name.name.as_str());
        }
        Item::Text(_) => return matches!(name.name.as_str(), "String" | "string"),
        Item::Moment(moment) => {
            return match moment.kind() {
                MomentKind::Date => matches!(name.name.as_str(), "Date" | "date"),
                MomentKind::DateTime => matches!(name.name.as_str(), "DateTime" | "dateTime"),
                MomentKind::Time => matches!(name.name.as_str(), "Time" | "time"),
            };
        }
        Item::Quantity(..) => return name.name == "Quantity",
    };
    let Some(ty) = node.ty() else {
        let kind = match node.value {
            Some(serde_json::Value::Bool(_)) => "boolean",
            Some(serde_json::Value::Number(_)) => "decimal",
            Some(serde_json::Value::String(_)) => "string",
            _ => return name.name == "Element",
        };
        return !name.system && kind == name.name || system_type(kind) == Some(name.name.as_str());
    };
    if (!name.system && fhir(ty)) || system_type(ty) == Some(name.name.as_str()) {
        return true;
    }
    if name.system {
        return false;
    }
    match name.name.as_str() {
        "Resource" => node.is_resource(),
        "DomainResource" => node.is_resource() && !matches!(ty, "Bundle" | "Binary" | "Parameters"),
        "BackboneElement" => ty.contains('.'),
        "Element" => !node.is_resource(),
        _ => false,
    }
}

fn system_type(ty: &str) -> Option<&'static str> {
    Some(match ty {
        "boolean" => "Boolean",
        "integer" | "positiveInt" | "unsignedInt" => "Integer",
        "decimal" => "Decimal",
        "date" => "Date",
        "dateTime" | "instant" => "DateTime",
        "time" => "Time",
        "string" | "uri" | "url" | "canonical" | "uuid" | "oid" | "code" | "id" | "markdown"
        | "base64Binary" => "String",
        _ => return None,
    })
}
