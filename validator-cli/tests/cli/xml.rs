//! Just enough of XML 1.0 to tell whether a report is well-formed, and whether it is JUnit as its readers take it.

/// An element: its name, what it may hold, its required attributes, its other attributes.
type Row = (&'static str, Names, Names, Names);
type Names = &'static [&'static str];

/// What each element of JUnit XML may hold, in this order, and its attributes, required ones first; by the schema that
/// the readers share (see `tests/published/SOURCES.md`).
const JUNIT: &[Row] = &[
    ("testsuites", &["testsuite"], &[], &["name", "time", "tests", "failures", "disabled", "errors"]),
    (
        "testsuite",
        &["properties", "testcase", "system-out", "system-err"],
        &["name", "tests"],
        &["failures", "errors", "time", "disabled", "skipped", "timestamp", "hostname", "id", "package"],
    ),
    (
        "testcase",
        &["skipped", "error", "failure", "system-out", "system-err"],
        &["name"],
        &["assertions", "time", "classname", "file", "status"],
    ),
    ("skipped", &[], &[], &[]),
    ("error", &[], &[], &["type", "message"]),
    ("failure", &[], &[], &["type", "message"]),
    ("system-out", &[], &[], &[]),
    ("system-err", &[], &[], &[]),
];

/// Checks that a report is well-formed JUnit XML, and that the numbers of each suite are those of its cases.
#[track_caller]
pub(crate) fn assert_junit(text: &str) {
    assert_well_formed(text);
    let mut open: Vec<(&str, usize)> = Vec::new();
    for tag in text.split('<').skip(2).map(|rest| rest.split('>').next().unwrap()) {
        if tag.starts_with('/') {
            open.pop();
            continue;
        }
        let inner = tag.strip_suffix('/').unwrap_or(tag);
        let (name, attributes) = inner.split_once(' ').unwrap_or((inner, ""));
        let &(_, _, required, optional) = JUNIT.iter().find(|row| row.0 == name).expect(name);
        let given: Vec<&str> =
            attributes.split("=\"").filter_map(|part| part.rsplit(['"', ' ']).next()).collect();
        let given = &given[..given.len().saturating_sub(1)];
        assert!(given.iter().all(|name| required.contains(name) || optional.contains(name)), "{tag}");
        assert!(required.iter().all(|name| given.contains(name)), "{tag}");
        match open.last_mut() {
            None => assert_eq!(name, "testsuites"),
            Some((parent, at)) => {
                let row = JUNIT.iter().find(|row| row.0 == *parent).expect("a known element");
                let place = row.1.iter().position(|child| *child == name).expect(tag);
                assert!(place >= *at, "{name} stands behind what follows it in {parent}");
                *at = place;
            }
        }
        if !tag.ends_with('/') {
            open.push((name, 0));
        }
    }
    for suite in text.split("<testsuite ").skip(1) {
        let (head, cases) = suite.split_once('>').expect("a tag that ends");
        let cases = cases.split("</testsuite>").next().unwrap_or_default();
        for (attribute, element) in [
            ("tests", "<testcase "),
            ("failures", "<failure "),
            ("errors", "<error "),
            ("skipped", "<skipped"),
        ] {
            let number = cases.matches(element).count();
            assert!(
                head.contains(&format!(" {attribute}=\"{number}\"")),
                "{attribute} is not {number}: {head}"
            );
        }
    }
}

/// Checks nesting, attributes, entities and characters.
#[track_caller]
pub(crate) fn assert_well_formed(text: &str) {
    let body = text.strip_prefix("<?xml version=\"1.0\" encoding=\"UTF-8\"?>\n").expect("a declaration");
    let mut open: Vec<&str> = Vec::new();
    let mut roots = 0;
    let mut rest = body;
    while let Some(at) = rest.find('<') {
        let (content, tag) = rest.split_at(at);
        assert_text(content);
        assert!(!open.is_empty() || content.trim().is_empty(), "text outside of the root");
        let end = tag.find('>').expect("a tag that ends");
        let inner = &tag[1..end];
        if let Some(name) = inner.strip_prefix('/') {
            assert_eq!(open.pop(), Some(name), "a tag closes another");
        } else {
            let empty = inner.strip_suffix('/');
            let name = assert_attributes(empty.unwrap_or(inner));
            roots += usize::from(open.is_empty());
            if empty.is_none() {
                open.push(name);
            }
        }
        rest = &tag[end + 1..];
    }
    assert!(rest.trim().is_empty() && open.is_empty() && roots == 1, "one root, closed: {open:?}");
}

fn assert_attributes(tag: &str) -> &str {
    let (name, mut rest) = tag.split_once(' ').unwrap_or((tag, ""));
    assert!(
        !name.is_empty() && name.bytes().all(|byte| byte.is_ascii_alphabetic() || byte == b'-'),
        "name: {name:?}"
    );
    let mut seen = Vec::new();
    while !rest.trim().is_empty() {
        let (attribute, after) = rest.trim_start().split_once("=\"").expect("an attribute with a value");
        let (value, after) = after.split_once('"').expect("a value that ends");
        assert!(!value.contains(['<', '\n', '\t']), "{value:?}");
        assert_text(value);
        assert!(!seen.contains(&attribute), "{attribute} stands twice");
        seen.push(attribute);
        rest = after;
    }
    name
}

fn assert_text(text: &str) {
    assert!(!text.contains("]]>"), "{text:?}");
    for character in text.chars() {
        let allowed = matches!(character, '\t' | '\n' | '\r' | ' '..='\u{D7FF}' | '\u{E000}'..='\u{FFFD}' | '\u{10000}'..);
        assert!(allowed, "{character:?}");
    }
    for entity in text.split('&').skip(1) {
        let name = entity.split_once(';').expect("an entity that ends").0;
        assert!(["amp", "lt", "gt", "quot", "apos"].contains(&name), "{name:?}");
    }
}
