//! Conditions of a create.

use url::form_urlencoded;

use crate::store::TokenMatch;

/// The identifier that a criterion such as `identifier=SYSTEM|VALUE` names; nothing for any other criterion. Written
/// with or without percent encoding.
#[must_use]
pub fn identifier_criterion(text: &str) -> Option<TokenMatch> {
    let mut pairs = form_urlencoded::parse(text.trim_start_matches('?').as_bytes());
    let (name, value) = pairs.next()?;
    if name != "identifier" || pairs.next().is_some() {
        return None;
    }
    let mut parts = vec![String::new()];
    let mut characters = value.chars();
    while let Some(character) = characters.next() {
        match character {
            '\\' => {
                if let Some(part) = parts.last_mut() {
                    part.extend(characters.next());
                }
            }
            '|' => parts.push(String::new()),
            ',' | '\0' => return None,
            other => {
                if let Some(part) = parts.last_mut() {
                    part.push(other);
                }
            }
        }
    }
    match parts.as_slice() {
        [system, value] if !system.is_empty() && !value.is_empty() => {
            Some(TokenMatch { system: Some(system.clone()), value: Some(value.clone()) })
        }
        _ => None,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn one_identifier_with_its_system_and_nothing_else() {
        let token = |system: &str, value: &str| {
            Some(TokenMatch { system: Some(system.into()), value: Some(value.into()) })
        };
        assert_eq!(identifier_criterion("identifier=urn:x|1"), token("urn:x", "1"));
        assert_eq!(identifier_criterion("identifier=urn%3Ax%7Ca%20b%5C%7Cc"), token("urn:x", "a b|c"));
        for text in
            ["", "identifier=1", "identifier=|1", "identifier=a|1,b|2", "code=a|1", "identifier=a|1&code=2"]
        {
            assert_eq!(identifier_criterion(text), None, "{text}");
        }
    }
}
