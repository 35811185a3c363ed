//! Just enough of XML 1.0 to tell whether a report is well-formed.

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
