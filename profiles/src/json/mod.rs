//! Bytes to [`Document`]: a parsed JSON text that still knows where everything stands.
//!
//! Two things that a plain parser loses matter here. A key that stands twice in one object is refused (HL7 FHIR R4,
//! JSON page: property names are unique), because keeping the last one in silence has stored results under the
//! wrong patient elsewhere. And numbers keep their digits: `0.70` stays `0.70` (R4: the precision of a decimal is
//! part of its value).
//!
//! Positions are not collected while parsing. They are looked up in the bytes when an issue needs one, so a valid
//! document pays nothing for them.

mod index;
mod strict;

use std::fmt::Write as _;

use serde_json::{Map, Value};

use crate::issue::{Issue, IssueType, Rule, Severity};
use crate::position::LineCounter;
pub use crate::position::Position;
pub use index::{Index, Span};

/// How deep objects and arrays may be nested. A whole exam in a Bundle takes 9 levels, an extension two more each time it
/// stands in another.
pub const DEEPEST: usize = 32;

/// Bounds on what is read at all.
#[derive(Debug, Clone, Copy)]
pub struct Limits {
    /// Largest accepted text, in bytes.
    pub bytes: usize,
    /// Deepest accepted nesting of objects and arrays.
    pub depth: usize,
    /// Most accepted values: objects, arrays, texts, numbers and the rest.
    pub values: usize,
}

impl Default for Limits {
    fn default() -> Self {
        Limits { bytes: 64 * 1024 * 1024, depth: DEEPEST, values: 16 * 1024 * 1024 }
    }
}

/// The text is not JSON.
pub static JSON_SYNTAX: Rule = Rule {
    id: "json-syntax",
    severity: Severity::Fatal,
    issue_type: IssueType::Structure,
    summary: "The text is not well-formed JSON",
    why: "Nothing can be read from a text that breaks the JSON grammar, so nothing else was checked.",
    mend: "Correct the text at the place named; the fault is often one character earlier.",
    source: "RFC 8259",
};
/// A key stands twice in one object.
pub static JSON_DUPLICATE_KEY: Rule = Rule {
    id: "json-duplicate-key",
    severity: Severity::Fatal,
    issue_type: IssueType::Structure,
    summary: "A property stands twice in one object",
    why: "Readers differ in which of the two they keep, so one exam could be filed under two different meanings.",
    mend: "Keep one of the two properties and remove the other.",
    source: "HL7 FHIR R4, JSON representation: property names are unique within an object",
};
/// The text is not UTF-8.
pub static JSON_ENCODING: Rule = Rule {
    id: "json-encoding",
    severity: Severity::Fatal,
    issue_type: IssueType::Structure,
    summary: "The text is not UTF-8",
    why: "FHIR JSON is always UTF-8; another encoding would be read as other characters.",
    mend: "Save or send the text as UTF-8.",
    source: "HL7 FHIR R4, JSON representation",
};
/// The text is larger or deeper than accepted.
pub static JSON_LIMIT: Rule = Rule {
    id: "json-limit",
    severity: Severity::Fatal,
    issue_type: IssueType::TooLong,
    summary: "The text is larger or more deeply nested than is accepted",
    why: "Bounds keep one message from using the memory and time of all others.",
    mend: "Send one exam per message, leave out attachments, and nest objects and arrays no more than 32 deep.",
    source: "project rule",
};
/// A reserved property name.
pub static JSON_RESERVED_KEY: Rule = Rule {
    id: "json-reserved-key",
    severity: Severity::Fatal,
    issue_type: IssueType::Structure,
    summary: "A property name is reserved by the JSON reader",
    why: "The reader uses this name inside; FHIR defines no property of this kind.",
    mend: "Remove the property.",
    source: "project rule",
};
/// A byte order mark was skipped.
pub static JSON_BYTE_ORDER_MARK: Rule = Rule {
    id: "json-byte-order-mark",
    severity: Severity::Information,
    issue_type: IssueType::Informational,
    summary: "The text begins with a byte order mark, which was skipped",
    why: "RFC 8259 forbids writing one; other readers may refuse the text.",
    mend: "Save the file as UTF-8 without a byte order mark.",
    source: "RFC 8259 section 8.1",
};

/// The rules of this family.
pub static RULES: &[&Rule] = &[
    &JSON_SYNTAX,
    &JSON_DUPLICATE_KEY,
    &JSON_ENCODING,
    &JSON_LIMIT,
    &JSON_RESERVED_KEY,
    &JSON_BYTE_ORDER_MARK,
];

/// A well-formed JSON text with its parsed value.
#[derive(Debug, Clone)]
pub struct Document {
    bytes: Vec<u8>,
    value: Value,
    byte_order_mark: bool,
    origin: Position,
}

const BYTE_ORDER_MARK: &[u8] = b"\xEF\xBB\xBF";

impl Document {
    /// Parses a text. Refuses what is not UTF-8, not JSON, too large, too deep, or has a key twice.
    ///
    /// # Errors
    /// The issues found, located: the duplicate keys (the first hundred), or the one place where the grammar breaks.
    pub fn parse(bytes: Vec<u8>, limits: Limits) -> Result<Document, Vec<Issue>> {
        Document::parse_at(bytes, limits, Position::START)
    }

    /// Parses a text that is a part of a larger one, such as a line of NDJSON. `origin` is the place of its first
    /// byte there; every position given for this document, also in messages, is one in the larger text.
    ///
    /// # Errors
    /// As [`Document::parse`].
    pub fn parse_at(bytes: Vec<u8>, limits: Limits, origin: Position) -> Result<Document, Vec<Issue>> {
        if bytes.len() > limits.bytes {
            let message = format!("The text has {} bytes; the limit is {} bytes.", bytes.len(), limits.bytes);
            return Err(vec![Issue::new(&JSON_LIMIT, "", message).at(origin)]);
        }
        if let Some(encoding) = foreign_encoding(&bytes) {
            let message = format!("The text is encoded as {encoding}; only UTF-8 is read.");
            return Err(vec![Issue::new(&JSON_ENCODING, "", message).at(origin)]);
        }
        let byte_order_mark = bytes.starts_with(BYTE_ORDER_MARK);
        let text = bytes.strip_prefix(BYTE_ORDER_MARK).unwrap_or(&bytes);
        let characters = match std::str::from_utf8(text) {
            Ok(characters) => characters,
            Err(error) => {
                let offset = error.valid_up_to();
                let message = "The text holds bytes that are not UTF-8.".to_owned();
                let place = Position::of(text, offset).within(origin);
                return Err(vec![Issue::new(&JSON_ENCODING, "", message).at(place)]);
            }
        };
        match strict::parse(characters, limits) {
            Ok(value) => {
                if strict::may_spell_reserved_key(text) {
                    let reserved = Index::build(text).reserved_keys(text, origin);
                    if !reserved.is_empty() {
                        return Err(reserved);
                    }
                }
                let bytes = if byte_order_mark { text.to_vec() } else { bytes };
                Ok(Document { bytes, value, byte_order_mark, origin })
            }
            Err(error) => {
                let duplicates = Index::build(text).duplicate_keys(text, limits.depth, origin);
                if duplicates.is_empty() {
                    Err(vec![error.into_issue(text, origin)])
                } else {
                    Err(duplicates)
                }
            }
        }
    }

    /// The parsed value. Objects keep the order of the text; numbers keep their digits.
    #[must_use]
    pub fn value(&self) -> &Value {
        &self.value
    }

    /// The text, without a byte order mark.
    #[must_use]
    pub fn bytes(&self) -> &[u8] {
        &self.bytes
    }

    /// The issues that reading alone raised: a skipped byte order mark.
    #[must_use]
    pub fn notes(&self) -> Vec<Issue> {
        if self.byte_order_mark {
            let message = "A byte order mark stands before the JSON text.".to_owned();
            vec![Issue::new(&JSON_BYTE_ORDER_MARK, "", message).at(self.origin)]
        } else {
            Vec::new()
        }
    }

    /// Gives every issue without a position the place its pointer names, then sorts by place.
    ///
    /// A pointer to something that is absent is located at its nearest ancestor that is there.
    pub fn locate(&self, issues: &mut Vec<Issue>) {
        if issues.iter().any(|issue| issue.position.is_none()) {
            let index = Index::build(&self.bytes);
            let mut lines = LineCounter::new(&self.bytes);
            let mut offsets: Vec<(usize, usize)> = issues
                .iter()
                .enumerate()
                .filter(|(_, issue)| issue.position.is_none())
                .map(|(number, issue)| (index.locate(&issue.pointer).start, number))
                .collect();
            offsets.sort_unstable();
            for (offset, number) in offsets {
                if let Some(issue) = issues.get_mut(number) {
                    issue.position = Some(lines.position(offset).within(self.origin));
                }
            }
        }
        issues.sort_by(|a, b| {
            let place = |issue: &Issue| issue.position.map_or(0, |position| position.offset);
            place(a)
                .cmp(&place(b))
                .then_with(|| a.pointer.cmp(&b.pointer))
                .then_with(|| a.rule.cmp(&b.rule))
                .then_with(|| a.message.cmp(&b.message))
        });
        issues.dedup_by(|a, b| a.rule == b.rule && a.pointer == b.pointer && a.message == b.message);
    }
}

fn foreign_encoding(bytes: &[u8]) -> Option<&'static str> {
    match bytes {
        [0xFF, 0xFE, 0, 0, ..] => Some("UTF-32 (little endian)"),
        [0, 0, 0xFE, 0xFF, ..] => Some("UTF-32 (big endian)"),
        [0xFF, 0xFE, ..] | [b'{' | b'[', 0, ..] => Some("UTF-16 (little endian)"),
        [0xFE, 0xFF, ..] | [0, b'{' | b'[', ..] => Some("UTF-16 (big endian)"),
        _ => None,
    }
}

/// Objects with up to this many properties are searched from front to back, which is faster than hashing the name.
const FEW: usize = 12;

/// An object of these members. It takes them as they are, where `json!` copies whatever it is given.
pub(crate) fn object<const N: usize>(members: [(&str, Value); N]) -> Value {
    Value::Object(members.into_iter().map(|(name, value)| (name.to_owned(), value)).collect())
}

/// A property of an object.
pub(crate) fn member<'v>(object: &'v Map<String, Value>, name: &str) -> Option<&'v Value> {
    if object.len() > FEW {
        return object.get(name);
    }
    object.iter().find(|(key, _)| *key == name).map(|(_, value)| value)
}

/// A property of a value; none of anything but an object.
pub(crate) fn get<'v>(value: &'v Value, name: &str) -> Option<&'v Value> {
    member(value.as_object()?, name)
}

/// A property of a value, as text.
pub(crate) fn text<'v>(value: &'v Value, name: &str) -> Option<&'v str> {
    get(value, name)?.as_str()
}

/// One step deeper in a JSON pointer (RFC 6901), escaped.
#[must_use]
pub fn push_pointer(pointer: &str, token: &str) -> String {
    let mut out = String::with_capacity(pointer.len() + token.len() + 1);
    out.push_str(pointer);
    push_token(&mut out, token);
    out
}

/// Takes one step in a JSON pointer, escaped.
pub(crate) fn push_token(pointer: &mut String, token: &str) {
    pointer.push('/');
    if !token.contains(['~', '/']) {
        pointer.push_str(token);
        return;
    }
    for character in token.chars() {
        match character {
            '~' => pointer.push_str("~0"),
            '/' => pointer.push_str("~1"),
            other => pointer.push(other),
        }
    }
}

/// The way to a place in a document, kept as steps: most places are passed without anything to say about them, and only
/// then is a pointer worth its making.
#[derive(Debug, Default)]
pub(crate) struct Trail<'d>(Vec<TrailStep<'d>>);

#[derive(Debug, Clone, Copy)]
enum TrailStep<'d> {
    Property(&'d str),
    Item(usize),
}

impl<'d> Trail<'d> {
    /// Takes the step to a property.
    pub(crate) fn property(&mut self, name: &'d str) {
        self.0.push(TrailStep::Property(name));
    }

    /// Takes the step to an item of an array.
    pub(crate) fn item(&mut self, number: usize) {
        self.0.push(TrailStep::Item(number));
    }

    /// Goes one step back.
    pub(crate) fn back(&mut self) {
        self.0.pop();
    }

    /// How many steps were taken.
    pub(crate) fn len(&self) -> usize {
        self.0.len()
    }

    /// The JSON pointer of the steps behind the first `skipped` ones.
    pub(crate) fn pointer_behind(&self, skipped: usize) -> String {
        let mut pointer = String::new();
        for step in self.0.iter().skip(skipped) {
            match step {
                TrailStep::Property(name) => push_token(&mut pointer, name),
                // Writing into a String cannot fail.
                TrailStep::Item(number) => {
                    write!(pointer, "/{number}").ok();
                }
            }
        }
        pointer
    }

    /// The JSON pointer of all steps.
    pub(crate) fn pointer(&self) -> String {
        self.pointer_behind(0)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn parse(text: &str) -> Result<Document, Vec<Issue>> {
        Document::parse(text.as_bytes().to_vec(), Limits::default())
    }

    #[test]
    fn digits_of_a_decimal_survive() {
        let text = r#"{"a":0.70,"b":1.000,"c":120,"d":12345678901234567.8,"e":-0.0}"#;
        assert_eq!(parse(text).unwrap().value().to_string(), text);
    }

    #[test]
    fn a_key_that_stands_twice_is_named_with_both_places() {
        let issues = parse("{\n \"a\": {\"x\": 1,\n  \"x\": 2},\n \"b\": 1, \"b\": 2}").unwrap_err();
        let found: Vec<_> =
            issues.iter().map(|issue| (issue.pointer.as_str(), issue.position.unwrap())).collect();
        assert_eq!(found.len(), 2);
        assert_eq!((found[0].0, found[0].1.line, found[0].1.column), ("/a/x", 3, 3));
        assert_eq!((found[1].0, found[1].1.line, found[1].1.column), ("/b", 4, 10));
        assert!(issues[0].message.contains("line 2, column 8"), "{}", issues[0].message);
    }

    #[test]
    fn a_part_of_a_larger_text_is_placed_in_it() {
        let at = |text: &str| {
            let origin = Position { line: 7, column: 5, offset: 100 };
            Document::parse_at(text.as_bytes().to_vec(), Limits::default(), origin)
        };
        let place = |issue: &Issue| {
            let position = issue.position.unwrap();
            (position.line, position.column, position.offset)
        };
        let twice = at(r#"{"a":1,"a":2}"#).unwrap_err();
        assert_eq!(place(&twice[0]), (7, 12, 107));
        assert!(twice[0].message.contains("first at line 7, column 6"), "{}", twice[0].message);
        assert_eq!(place(&at("{\n\"a\" 1}").unwrap_err()[0]), (8, 5, 106));
        let document = at("\u{feff}{\n\"a\":1}").unwrap();
        let mut issues = document.notes();
        issues.push(Issue::new(&JSON_SYNTAX, "/a", String::new()));
        document.locate(&mut issues);
        assert_eq!(issues.iter().map(place).collect::<Vec<_>>(), [(7, 5, 100), (8, 1, 102)]);
    }

    #[test]
    fn a_key_that_stands_twice_is_seen_through_escapes() {
        assert_eq!(parse(r#"{"ab":1,"\u0061b":2}"#).unwrap_err()[0].rule, "json-duplicate-key");
    }

    #[test]
    fn the_reserved_key_is_refused_however_it_is_spelt() {
        for text in [
            r#"{"a":{"$serde_json::private::Number":"12"}}"#,
            r#"{"a":{"\u0024serde_json::private::Number":"12"}}"#,
        ] {
            assert_eq!(parse(text).unwrap_err()[0].rule, "json-reserved-key", "{text}");
        }
        assert!(parse(r#"{"a":"$serde_json::private::Number"}"#).is_ok());
    }

    #[test]
    fn broken_texts_are_refused_with_a_place() {
        let issues = parse("{\"a\": 1,\n}").unwrap_err();
        assert_eq!(issues[0].rule, "json-syntax");
        assert_eq!(issues[0].position.unwrap().line, 2);
        for text in ["", "{", "[1,]", "{\"a\" 1}", "nul", "\"\\ud800\"", "1 2", "\u{1}"] {
            assert_eq!(parse(text).unwrap_err()[0].rule, "json-syntax", "{text:?}");
        }
    }

    #[test]
    fn depth_and_size_are_bounded() {
        let deep = |levels: usize| format!("{}1{}", "[".repeat(levels), "]".repeat(levels));
        assert!(parse(&deep(DEEPEST)).is_ok());
        let too_deep = parse(&deep(DEEPEST + 1)).unwrap_err();
        assert_eq!(too_deep[0].rule, "json-limit");
        assert!(
            too_deep[0].message.contains(&format!("more than {DEEPEST} deep")),
            "{}",
            too_deep[0].message
        );
        assert!(JSON_LIMIT.mend.contains(&format!("more than {DEEPEST} deep")));
        let very_deep = "[".repeat(1_000_000);
        assert_eq!(parse(&very_deep).unwrap_err()[0].rule, "json-limit");
        let limits = Limits { bytes: 3, ..Limits::default() };
        assert_eq!(Document::parse(b"[1,2]".to_vec(), limits).unwrap_err()[0].rule, "json-limit");
        let limits = Limits { values: 3, ..Limits::default() };
        assert!(Document::parse(b"[1,2]".to_vec(), limits).is_ok());
        let too_many = Document::parse(b"[1,{}, 2]".to_vec(), limits).unwrap_err();
        assert_eq!((too_many.len(), too_many[0].rule.as_ref()), (1, "json-limit"));
        assert_eq!(too_many[0].message, "The text holds more than 3 values.");
    }

    #[test]
    fn hostile_texts_cost_no_more_than_their_length() {
        // Each of these took time or memory with the square of its length when every key was answered in full.
        let nested = "{\"a\":1,\"a\":".repeat(50_000);
        assert!(parse(&nested).unwrap_err().len() <= 100);
        let many = format!("[{}{{}}]", "{\"a\":1,\"a\":2},".repeat(50_000));
        let issues = parse(&many).unwrap_err();
        assert_eq!(issues.len(), 100);
        assert_eq!(issues[99].pointer, "/99/a");
        let wide: String = (0..50_000).map(|number| format!("\"k{number}\":0,")).collect();
        let document = parse(&format!("{{{wide}\"last\":0}}")).unwrap();
        let mut issues: Vec<Issue> = (0..50_000)
            .map(|number| Issue::new(&JSON_SYNTAX, format!("/k{number}"), String::new()))
            .collect();
        document.locate(&mut issues);
        assert_eq!(issues[49_999].pointer, "/k49999");
        assert_eq!(issues[1].position.unwrap().column, 9);
    }

    #[test]
    fn encodings_are_named() {
        let utf16: Vec<u8> = "\u{feff}{}".encode_utf16().flat_map(u16::to_le_bytes).collect();
        let issues = Document::parse(utf16, Limits::default()).unwrap_err();
        assert!(issues[0].message.contains("UTF-16"));
        let document = Document::parse(b"\xEF\xBB\xBF{}".to_vec(), Limits::default()).unwrap();
        assert_eq!(document.notes()[0].rule, "json-byte-order-mark");
    }

    #[test]
    fn columns_count_characters_and_missing_things_resolve_to_their_parent() {
        let document = parse("{\"é\": [1, {\"b/c\": 2}]}").unwrap();
        let mut issues = vec![
            Issue::new(&JSON_SYNTAX, "/é/1/b~1c", String::new()),
            Issue::new(&JSON_SYNTAX, "/é/1/absent/deeper", String::new()),
        ];
        document.locate(&mut issues);
        let places: Vec<_> = issues.iter().map(|issue| issue.position.unwrap().column).collect();
        assert_eq!(places, [11, 12]);
    }
}
