//! Search criteria, as far as this record system understands them.

use serde_json::Value;

use super::refusal::Refusal;

/// A token of a search: `value`, `system|value`, `|value` (no system) or `system|`.
#[derive(Debug, Clone, PartialEq, Eq)]
struct Token {
    /// None: any system. An empty text: no system at all.
    system: Option<String>,
    /// None: any value of the system.
    value: Option<String>,
}

impl Token {
    fn parse(text: &str) -> Token {
        let mut parts = split_unescaped(text, '|');
        let last = unescape(&parts.pop().unwrap_or_default());
        match parts.pop() {
            None => Token { system: None, value: Some(last) },
            Some(system) => Token {
                system: Some(unescape(&system)),
                value: if last.is_empty() { None } else { Some(last) },
            },
        }
    }

    fn fits(&self, system: Option<&str>, value: Option<&str>) -> bool {
        let system_fits = match self.system.as_deref() {
            None => true,
            Some("") => system.is_none(),
            Some(wanted) => system == Some(wanted),
        };
        let value_fits = self.value.as_deref().is_none_or(|wanted| value == Some(wanted));
        system_fits && value_fits
    }

    fn fits_identifier(&self, identifier: &Value) -> bool {
        self.fits(text(identifier, "system"), text(identifier, "value"))
    }
}

/// Which resources a search or a condition means. Every criterion must hold; of its values, any.
#[derive(Debug, Clone, PartialEq, Eq)]
enum Criterion {
    Id(Vec<String>),
    Identifier(Vec<Token>),
    Code(Vec<Token>),
    Status(Vec<Token>),
    /// A tag in `meta`.
    Tag(Vec<Token>),
    /// `patient_only` narrows the target to a Patient, as the parameter `patient` does.
    Reference {
        element: &'static str,
        patient_only: bool,
        targets: Vec<String>,
    },
    /// By the logical identifier inside the reference, as `subject:identifier` asks.
    ReferenceIdentifier {
        element: &'static str,
        tokens: Vec<Token>,
    },
}

/// A parsed query.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub(super) struct Criteria {
    all: Vec<Criterion>,
    /// Parameters that this record system does not know.
    pub(super) unknown: Vec<String>,
    /// `_count`: how many matches a page holds at most.
    pub(super) count: Option<usize>,
    /// Where the page begins; part of the addresses that this record system makes for further pages.
    pub(super) offset: usize,
}

impl Criteria {
    /// Reads the part of an address after the `?`.
    pub(super) fn parse(query: &str) -> Result<Criteria, Refusal> {
        let mut criteria = Criteria::default();
        for (name, value) in url::form_urlencoded::parse(query.as_bytes()) {
            let values = || split_unescaped(&value, ',');
            let tokens = || values().iter().map(|token| Token::parse(token)).collect::<Vec<_>>();
            let number = || {
                value.parse::<usize>().map_err(|_| {
                    Refusal::new(400, "value", format!("The parameter {name} takes a whole number."))
                })
            };
            let targets = || values().iter().map(|target| unescape(target)).collect::<Vec<_>>();
            match name.as_ref() {
                "_id" => criteria.all.push(Criterion::Id(targets())),
                "identifier" => criteria.all.push(Criterion::Identifier(tokens())),
                "code" => criteria.all.push(Criterion::Code(tokens())),
                "_tag" => criteria.all.push(Criterion::Tag(tokens())),
                "status" => criteria.all.push(Criterion::Status(tokens())),
                "_count" => criteria.count = Some(number()?),
                "_offset" => criteria.offset = number()?,
                "_format" | "_pretty" => {}
                other => match (reference_element(other), other.strip_suffix(":identifier")) {
                    (Some((element, patient_only)), _) => {
                        criteria.all.push(Criterion::Reference { element, patient_only, targets: targets() })
                    }
                    (None, Some(parameter)) if reference_element(parameter).is_some() => {
                        if let Some((element, _)) = reference_element(parameter) {
                            criteria.all.push(Criterion::ReferenceIdentifier { element, tokens: tokens() });
                        }
                    }
                    (None, _) => criteria.unknown.push(other.to_owned()),
                },
            }
        }
        Ok(criteria)
    }

    /// Reads a condition: search criteria only, all of them understood. A condition that is half understood would
    /// match too much, so it is refused.
    pub(super) fn condition(query: &str) -> Result<Criteria, Refusal> {
        if query.starts_with('?') {
            return Err(Refusal::new(
                400,
                "value",
                "A condition is written without a leading question mark.",
            ));
        }
        let criteria = Criteria::parse(query)?;
        if !criteria.unknown.is_empty() || criteria.all.is_empty() {
            return Err(Refusal::new(
                400,
                "not-supported",
                "The condition uses no search parameter, or one that this record system does not know.",
            ));
        }
        Ok(criteria)
    }

    /// Names (see [`names`]) of which every resource that is meant has one; none where the criteria name nothing.
    pub(super) fn wanted_names(&self) -> Option<Vec<&str>> {
        self.all.iter().find_map(Criterion::wanted_names)
    }

    /// Whether a resource is meant. `base` is the address of this record system, for absolute references.
    pub(super) fn fit(&self, resource: &Value, base: &str) -> bool {
        self.all.iter().all(|criterion| criterion.fits(resource, base))
    }
}

impl Criterion {
    fn wanted_names(&self) -> Option<Vec<&str>> {
        match self {
            Criterion::Identifier(tokens) | Criterion::Tag(tokens) => {
                tokens.iter().map(|token| token.value.as_deref()).collect()
            }
            Criterion::Reference { targets, .. } => {
                Some(targets.iter().map(|target| last_segment(target)).collect())
            }
            _ => None,
        }
    }

    fn fits(&self, resource: &Value, base: &str) -> bool {
        match self {
            Criterion::Id(ids) => {
                text(resource, "id").is_some_and(|id| ids.iter().any(|wanted| wanted == id))
            }
            Criterion::Identifier(tokens) => each(resource.get("identifier"))
                .any(|identifier| tokens.iter().any(|token| token.fits_identifier(identifier))),
            Criterion::Code(tokens) => {
                each(resource.get("code")).any(|concept| any_coding(concept.get("coding"), tokens))
            }
            Criterion::Tag(tokens) => any_coding(resource.pointer("/meta/tag"), tokens),
            Criterion::Status(tokens) => {
                tokens.iter().any(|token| token.value.as_deref() == text(resource, "status"))
            }
            Criterion::Reference { element, patient_only, targets } => each(resource.get(*element))
                .filter_map(|reference| text(reference, "reference"))
                .any(|reference| {
                    let here = strip_base(reference, base);
                    (!patient_only || here.starts_with("Patient/"))
                        && targets.iter().any(|target| {
                            let target = strip_base(target, base);
                            here == target || here.split_once('/').is_some_and(|(_, id)| id == target)
                        })
                }),
            Criterion::ReferenceIdentifier { element, tokens } => each(resource.get(*element))
                .filter_map(|reference| reference.get("identifier"))
                .any(|identifier| tokens.iter().any(|token| token.fits_identifier(identifier))),
        }
    }
}

/// What a resource is mostly asked for by: the values of its identifiers, the codes of its tags, and the last segment of
/// each of its references.
pub(super) fn names(resource: &Value) -> impl Iterator<Item = &str> {
    let identifiers = each(resource.get("identifier")).filter_map(|identifier| text(identifier, "value"));
    let tags = each(resource.pointer("/meta/tag")).filter_map(|tag| text(tag, "code"));
    let references = REFERENCES
        .iter()
        .flat_map(|(_, element, _)| each(resource.get(*element)))
        .filter_map(|reference| text(reference, "reference").map(last_segment));
    identifiers.chain(tags).chain(references)
}

/// The part of a reference that a search by address and one by id have in common.
fn last_segment(reference: &str) -> &str {
    reference.rsplit_once('/').map_or(reference, |(_, last)| last)
}

fn any_coding(codings: Option<&Value>, tokens: &[Token]) -> bool {
    each(codings)
        .any(|coding| tokens.iter().any(|token| token.fits(text(coding, "system"), text(coding, "code"))))
}

/// Search parameters of type reference with their elements, and whether they mean a Patient only.
const REFERENCES: [(&str, &str, bool); 5] = [
    ("subject", "subject", false),
    ("patient", "subject", true),
    ("encounter", "encounter", false),
    ("target", "target", false),
    ("based-on", "basedOn", false),
];

fn reference_element(parameter: &str) -> Option<(&'static str, bool)> {
    let (_, element, patient_only) = REFERENCES.iter().find(|(name, ..)| *name == parameter)?;
    Some((element, *patient_only))
}

/// The values of an element that may be single or repeated.
pub(super) fn each(value: Option<&Value>) -> impl Iterator<Item = &Value> {
    let (single, many) = match value {
        Some(Value::Array(items)) => (None, items.as_slice()),
        Some(single) => (Some(single), [].as_slice()),
        None => (None, [].as_slice()),
    };
    single.into_iter().chain(many)
}

/// A text element of an object.
pub(super) fn text<'a>(value: &'a Value, element: &str) -> Option<&'a str> {
    value.get(element).and_then(Value::as_str)
}

fn strip_base<'a>(reference: &'a str, base: &str) -> &'a str {
    reference.strip_prefix(base).and_then(|rest| rest.strip_prefix('/')).unwrap_or(reference)
}

/// Splits at a separator that no backslash stands before. The parts keep their backslashes.
fn split_unescaped(text: &str, separator: char) -> Vec<String> {
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
    let mut plain = String::with_capacity(text.len());
    let mut characters = text.chars();
    while let Some(character) = characters.next() {
        plain.push(if character == '\\' { characters.next().unwrap_or('\\') } else { character });
    }
    plain
}

#[cfg(test)]
mod tests {
    use serde_json::json;

    use super::*;

    const BASE: &str = "http://127.0.0.1:1/fhir";

    fn fits(query: &str, resource: &Value) -> bool {
        Criteria::condition(query).unwrap().fit(resource, BASE)
    }

    #[test]
    fn tokens_distinguish_any_system_from_no_system() {
        let with = json!({ "identifier": [{ "system": "urn:a", "value": "1" }] });
        let without = json!({ "identifier": [{ "value": "1" }] });
        let table = [
            ("identifier=urn%3Aa%7C1", true, false),
            ("identifier=urn:a|1", true, false),
            ("identifier=1", true, true),
            ("identifier=|1", false, true),
            ("identifier=urn:a|", true, false),
            ("identifier=urn:b|1", false, false),
            ("identifier=urn:b|1,urn:a|1", true, false),
            ("identifier=urn:a|2", false, false),
        ];
        for (query, first, second) in table {
            assert_eq!((fits(query, &with), fits(query, &without)), (first, second), "{query}");
        }
    }

    #[test]
    fn an_escaped_separator_belongs_to_the_value() {
        let resource = json!({ "identifier": [{ "system": "s", "value": "a|b,c" }] });
        assert!(fits(r"identifier=s|a\|b\,c", &resource));
        assert!(!fits("identifier=s|a|b,c", &resource));
    }

    #[test]
    fn references_match_by_id_by_type_and_by_full_address() {
        let resource = json!({ "subject": { "reference": "Patient/7" } });
        for query in
            ["subject=7", "subject=Patient/7", "subject=http://127.0.0.1:1/fhir/Patient/7", "patient=7"]
        {
            assert!(fits(query, &resource), "{query}");
        }
        assert!(!fits("subject=Patient/77", &resource));
        assert!(!fits("patient=7", &json!({ "subject": { "reference": "Group/7" } })));
    }

    #[test]
    fn logical_references_match_by_identifier() {
        let resource = json!({ "subject": { "identifier": { "system": "s", "value": "1" } } });
        assert!(fits("subject:identifier=s|1", &resource));
        assert!(!fits("subject:identifier=s|2", &resource));
    }

    #[test]
    fn codes_and_tags_match_by_system_and_code() {
        let coding = json!([{ "system": "s", "code": "c" }]);
        assert!(fits("code=s|c", &json!({ "code": { "coding": coding } })));
        assert!(fits("_tag=s|c", &json!({ "meta": { "tag": coding } })));
        assert!(!fits("_tag=s|c", &json!({ "code": { "coding": coding } })));
    }

    #[test]
    fn a_condition_that_is_not_understood_is_refused() {
        for query in ["", "name=Ann", "identifier=s|1&colour=blue", "?identifier=s|1"] {
            assert_eq!(Criteria::condition(query).unwrap_err().status, 400, "{query}");
        }
    }
}
