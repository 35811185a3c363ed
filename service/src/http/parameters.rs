//! Search parameters: which there are for each type, and how their values are read.

use super::error::ApiError;
use crate::store::{DateField, Filter, Prefix, ReferenceMatch, SortKey, Span, TokenField, TokenMatch};

/// The types that can be searched.
pub(super) const SEARCHED_TYPES: [&str; 4] =
    ["Observation", "RiskAssessment", "ServiceRequest", "Provenance"];

/// How the value of a parameter is read.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Kind {
    Id,
    Status,
    Token(TokenField),
    Subject { patient: bool },
    Target,
    Date(DateField),
}

/// A search parameter.
#[derive(Debug)]
pub(super) struct Parameter {
    pub(super) name: &'static str,
    pub(super) kind: Kind,
    /// The types that have it.
    pub(super) types: &'static [&'static str],
}

const ALL: &[&str] = &SEARCHED_TYPES;
const CLINICAL: &[&str] = &["Observation", "RiskAssessment", "ServiceRequest"];
const PROVENANCE: &[&str] = &["Provenance"];

/// All of them. Without `:identifier`, which is a modifier of `subject` and `patient`.
pub(super) static PARAMETERS: &[Parameter] = &[
    Parameter { name: "_id", kind: Kind::Id, types: ALL },
    Parameter { name: "_lastUpdated", kind: Kind::Date(DateField::LastUpdated), types: ALL },
    Parameter { name: "identifier", kind: Kind::Token(TokenField::Identifier), types: CLINICAL },
    Parameter { name: "code", kind: Kind::Token(TokenField::Code), types: CLINICAL },
    Parameter { name: "status", kind: Kind::Status, types: CLINICAL },
    Parameter { name: "subject", kind: Kind::Subject { patient: false }, types: CLINICAL },
    Parameter { name: "patient", kind: Kind::Subject { patient: true }, types: CLINICAL },
    Parameter { name: "date", kind: Kind::Date(DateField::Date), types: CLINICAL },
    Parameter { name: "occurrence", kind: Kind::Date(DateField::Date), types: &["ServiceRequest"] },
    Parameter { name: "recorded", kind: Kind::Date(DateField::Date), types: PROVENANCE },
    Parameter { name: "target", kind: Kind::Target, types: PROVENANCE },
];

impl Kind {
    /// The type of the parameter, as a CapabilityStatement says it.
    pub(super) fn word(self) -> &'static str {
        match self {
            Kind::Id | Kind::Status | Kind::Token(_) => "token",
            Kind::Subject { .. } | Kind::Target => "reference",
            Kind::Date(_) => "date",
        }
    }
}

/// The filter that a parameter of a type asks for; nothing when the type has no such parameter.
pub(super) fn filter(resource_type: &str, name: &str, value: &str) -> Result<Option<Filter>, ApiError> {
    let (plain, modifier) =
        name.split_once(':').map_or((name, None), |(plain, modifier)| (plain, Some(modifier)));
    let Some(parameter) = PARAMETERS
        .iter()
        .find(|parameter| parameter.name == plain && parameter.types.contains(&resource_type))
    else {
        return Ok(None);
    };
    let wrong = |text| ApiError::Parameter { name: plain.to_owned(), text };
    // No stored text has it, and PostgreSQL takes none.
    if value.contains('\0') {
        return Err(wrong("it holds a character that no value has."));
    }
    let values: Vec<String> = split(value, ',').into_iter().filter(|value| !value.is_empty()).collect();
    if values.is_empty() {
        return Err(wrong("it has no value."));
    }
    let tokens = || values.iter().map(|value| token(value)).collect::<Vec<_>>();
    let filter = match (parameter.kind, modifier) {
        (Kind::Subject { .. }, Some("identifier")) => Filter::Token(TokenField::SubjectIdentifier, tokens()),
        (Kind::Subject { .. }, Some(kind)) if kind.starts_with(|first: char| first.is_ascii_uppercase()) => {
            let any =
                values.iter().map(|id| ReferenceMatch::Whole(format!("{kind}/{}", unescape(id)))).collect();
            Filter::Subject { any, patient: false }
        }
        // An unknown modifier changes the meaning, so it is never ignored (HL7 FHIR R4, Search).
        (_, Some(_)) => return Err(wrong("it does not take this modifier.")),
        (Kind::Id, None) => Filter::Id(values.iter().map(|value| unescape(value)).collect()),
        (Kind::Status, None) => {
            Filter::Status(values.iter().filter_map(|value| token(value).value).collect())
        }
        (Kind::Token(field), None) => Filter::Token(field, tokens()),
        (Kind::Subject { patient }, None) => {
            Filter::Subject { any: values.iter().map(|value| reference(value)).collect(), patient }
        }
        (Kind::Target, None) => Filter::Target(values.iter().map(|value| reference(value)).collect()),
        (Kind::Date(field), None) => {
            let spans: Option<Vec<(Prefix, Span)>> = values.iter().map(|value| date(value)).collect();
            Filter::Date(field, spans.ok_or_else(|| wrong("its value is not a date."))?)
        }
    };
    Ok(Some(filter))
}

/// What `_sort` asks for.
pub(super) fn sort(value: &str) -> Result<Vec<(SortKey, bool)>, ApiError> {
    value
        .split(',')
        .map(|key| {
            let (key, descending) = key.strip_prefix('-').map_or((key, false), |key| (key, true));
            let key = match key {
                "_id" => SortKey::Id,
                "_lastUpdated" => SortKey::LastUpdated,
                "date" | "occurrence" | "recorded" => SortKey::Date,
                "status" => SortKey::Status,
                _ => {
                    let text = "it takes _id, _lastUpdated, date and status, each with a minus to descend.";
                    return Err(ApiError::Parameter { name: "_sort".to_owned(), text });
                }
            };
            Ok((key, descending))
        })
        .collect()
}

fn token(value: &str) -> TokenMatch {
    let mut parts = split(value, '|').into_iter().map(|part| unescape(&part));
    let first = parts.next().unwrap_or_default();
    match parts.next() {
        None => TokenMatch { system: None, value: Some(first) },
        Some(value) => TokenMatch { system: Some(first), value: (!value.is_empty()).then_some(value) },
    }
}

fn reference(value: &str) -> ReferenceMatch {
    let value = unescape(value);
    if value.contains('/') || value.contains(':') {
        ReferenceMatch::Whole(value)
    } else {
        ReferenceMatch::Id(value)
    }
}

pub(super) fn date(value: &str) -> Option<(Prefix, Span)> {
    let prefixes = [
        ("eq", Prefix::Equal),
        ("ne", Prefix::NotEqual),
        ("gt", Prefix::Greater),
        ("lt", Prefix::Less),
        ("ge", Prefix::GreaterOrEqual),
        ("le", Prefix::LessOrEqual),
        ("sa", Prefix::StartsAfter),
        ("eb", Prefix::EndsBefore),
    ];
    let found = prefixes.iter().find_map(|(word, prefix)| Some((*prefix, value.strip_prefix(word)?)));
    let (prefix, text) = found.unwrap_or((Prefix::Equal, value));
    Some((prefix, Span::of(text)?))
}

/// Splits at a separator that no backslash stands before. The backslashes stay.
fn split(text: &str, separator: char) -> Vec<String> {
    let mut parts = vec![String::new()];
    let mut escaped = false;
    for character in text.chars() {
        if character == separator && !escaped {
            parts.push(String::new());
            continue;
        }
        escaped = character == '\\' && !escaped;
        if let Some(part) = parts.last_mut() {
            part.push(character);
        }
    }
    parts
}

fn unescape(text: &str) -> String {
    let mut out = String::with_capacity(text.len());
    let mut characters = text.chars();
    while let Some(character) = characters.next() {
        if character == '\\' {
            out.extend(characters.next());
        } else {
            out.push(character);
        }
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    fn read(name: &str, value: &str) -> Filter {
        filter("Observation", name, value).unwrap().unwrap()
    }

    #[test]
    fn tokens_in_their_four_forms_and_escaped() {
        let token = |system: Option<&str>, value: Option<&str>| TokenMatch {
            system: system.map(Into::into),
            value: value.map(Into::into),
        };
        let expected = vec![
            token(None, Some("a")),
            token(Some("s"), Some("a")),
            token(Some(""), Some("a")),
            token(Some("s"), None),
            token(Some("s"), Some("a|b,c")),
        ];
        assert_eq!(read("code", "a,s|a,|a,s|,s|a\\|b\\,c"), Filter::Token(TokenField::Code, expected));
    }

    #[test]
    fn references_dates_and_modifiers() {
        let id = ReferenceMatch::Id("7".into());
        let whole = ReferenceMatch::Whole("Patient/7".into());
        assert_eq!(
            read("patient", "7,Patient/7"),
            Filter::Subject { any: vec![id, whole.clone()], patient: true }
        );
        assert_eq!(read("subject:Patient", "7"), Filter::Subject { any: vec![whole], patient: false });
        assert!(matches!(read("patient:identifier", "m|7"), Filter::Token(TokenField::SubjectIdentifier, _)));
        let span = Span::of("2026-11").unwrap();
        assert_eq!(
            read("date", "ge2026-11"),
            Filter::Date(DateField::Date, vec![(Prefix::GreaterOrEqual, span)])
        );
        for (name, value) in
            [("date", "soon"), ("code:text", "x"), ("status", ""), ("code:above", "x"), ("code", "a\0")]
        {
            assert!(filter("Observation", name, value).is_err(), "{name}={value}");
        }
        assert_eq!(filter("Provenance", "code", "x").unwrap(), None);
        assert_eq!(filter("Observation", "colour", "x").unwrap(), None);
    }
}
