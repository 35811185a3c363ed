//! JSON on one line, safe to print on a terminal.

use std::io::{self, Write};

use serde::Serialize;
use serde_json::ser::{CompactFormatter, Formatter, Serializer};

use super::text::is_treacherous;

/// Escapes, beyond what JSON demands, the characters that could steer a terminal or reorder text.
struct Plain(CompactFormatter);

impl Formatter for Plain {
    fn write_string_fragment<W: ?Sized + Write>(&mut self, writer: &mut W, fragment: &str) -> io::Result<()> {
        if !fragment.contains(is_treacherous) {
            return self.0.write_string_fragment(writer, fragment);
        }
        for character in fragment.chars() {
            let mut units = [0; 2];
            if is_treacherous(character) {
                for unit in character.encode_utf16(&mut units) {
                    write!(writer, "\\u{unit:04x}")?;
                }
            } else {
                write!(writer, "{character}")?;
            }
        }
        Ok(())
    }
}

/// The value as one line of JSON, without a line feed. Numbers keep their digits.
pub(crate) fn one_line(value: &impl Serialize) -> String {
    let mut bytes = Vec::new();
    let written = value.serialize(&mut Serializer::with_formatter(&mut bytes, Plain(CompactFormatter)));
    debug_assert!(written.is_ok(), "JSON values are always written to memory");
    String::from_utf8(bytes).unwrap_or_default()
}

#[cfg(test)]
mod tests {
    use serde_json::{Value, json};

    use super::*;

    #[test]
    fn escapes_are_read_back_as_they_were() {
        let value = json!({ "a": "\u{9b}31m\u{202e}\u{e0041}\n\"é", "n": 1 });
        let line = one_line(&value);
        assert_eq!(line, r#"{"a":"\u009b31m\u202e\udb40\udc41\n\"é","n":1}"#);
        assert_eq!(serde_json::from_str::<Value>(&line).unwrap(), value);
    }

    #[test]
    fn digits_are_kept() {
        let value: Value = serde_json::from_str("[0.70,1.000]").unwrap();
        assert_eq!(one_line(&value), "[0.70,1.000]");
    }
}
