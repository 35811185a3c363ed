//! Text that is safe where it lands: on a terminal, in a URI.

use std::borrow::Cow;
use std::fmt::Write as _;
use std::path::{Component, Path};

/// Whether a character could steer a terminal, hide, or reorder what stands around it.
pub(crate) fn is_treacherous(character: char) -> bool {
    character.is_control()
        || matches!(
            character,
            '\u{061C}'
                | '\u{200B}'..='\u{200F}'
                | '\u{2028}'..='\u{202E}'
                | '\u{2060}'..='\u{2069}'
                | '\u{FEFF}'
                | '\u{FFF9}'..='\u{FFFB}'
                | '\u{E0000}'..='\u{E007F}'
        )
}

/// The text on one line, with treacherous characters spelt out.
pub(crate) fn visible(text: &str) -> Cow<'_, str> {
    if !text.contains(is_treacherous) {
        return Cow::Borrowed(text);
    }
    let mut out = String::with_capacity(text.len() + 16);
    for character in text.chars() {
        match character {
            '\n' => out.push_str("\\n"),
            '\r' => out.push_str("\\r"),
            '\t' => out.push_str("\\t"),
            other if is_treacherous(other) => {
                write!(out, "\\u{{{:x}}}", u32::from(other)).ok();
            }
            other => out.push(other),
        }
    }
    Cow::Owned(out)
}

/// A path as a URI reference (RFC 3986): relative where the path is, a `file:` URI otherwise.
pub(crate) fn uri(path: &Path) -> String {
    let mut out = String::new();
    for component in path.components() {
        match component {
            Component::RootDir => {
                out.insert_str(0, "file://");
                out.push('/');
                continue;
            }
            Component::Prefix(prefix) => {
                out.push('/');
                encode(prefix.as_os_str().to_string_lossy().as_bytes(), &mut out);
                continue;
            }
            Component::CurDir | Component::ParentDir | Component::Normal(_) => {}
        }
        if !out.is_empty() && !out.ends_with('/') {
            out.push('/');
        }
        encode(component.as_os_str().as_encoded_bytes(), &mut out);
    }
    out
}

fn encode(bytes: &[u8], out: &mut String) {
    for &byte in bytes {
        if byte.is_ascii_alphanumeric() || b"-._~".contains(&byte) {
            out.push(char::from(byte));
        } else {
            write!(out, "%{byte:02X}").ok();
        }
    }
}

/// `1 error`, `2 errors`.
pub(crate) fn count(number: usize, word: &str) -> String {
    if number == 1 { format!("1 {word}") } else { format!("{number} {word}s") }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn treacherous_characters_are_spelt_out() {
        assert_eq!(visible("plain é 足"), "plain é 足");
        assert_eq!(visible("a\x1b[2Jb\nc\u{202e}d\u{9b}e\u{7f}"), r"a\u{1b}[2Jb\nc\u{202e}d\u{9b}e\u{7f}");
    }

    #[test]
    fn paths_become_uri_references() {
        assert_eq!(uri(Path::new("exams/a b.json")), "exams/a%20b.json");
        assert_eq!(uri(Path::new("../c:d#1.json")), "../c%3Ad%231.json");
        assert_eq!(uri(Path::new("/srv/é.json")), "file:///srv/%C3%A9.json");
        assert_eq!(uri(Path::new("a\n\x1b.json")), "a%0A%1B.json");
    }

    #[test]
    fn numbers_agree_with_their_noun() {
        assert_eq!((count(1, "error"), count(0, "error")), ("1 error".to_owned(), "0 errors".to_owned()));
    }
}
