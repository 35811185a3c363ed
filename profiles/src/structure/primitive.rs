//! The lexical rules of R4's primitive types (HL7 FHIR R4, data types), judged on the text as it was sent.
//!
//! White space is the ASCII kind throughout: HL7's regular expressions, read with Unicode classes, would refuse a
//! no-break space inside a text, which the prose allows.

use serde_json::Value;

/// Longest string, in characters.
const LONGEST_STRING: usize = 1_048_576;

macro_rules! primitives {
    ($($variant:ident $name:literal $form:literal),* $(,)?) => {
        /// A primitive type of R4.
        #[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
        pub(super) enum Primitive { $($variant),* }

        impl Primitive {
            #[cfg(test)]
            pub(super) const ALL: &[Primitive] = &[$(Primitive::$variant),*];

            pub(super) fn from_name(name: &str) -> Option<Primitive> {
                match name {
                    $($name => Some(Primitive::$variant),)*
                    _ => None,
                }
            }

            #[cfg(test)]
            pub(super) fn name(self) -> &'static str {
                match self { $(Primitive::$variant => $name),* }
            }

            /// Its form, for people.
            pub(super) fn form(self) -> &'static str {
                match self { $(Primitive::$variant => $form),* }
            }
        }
    };
}

primitives! {
    Base64Binary "base64Binary" "base64 (RFC 4648): groups of four characters, white space only between groups",
    Boolean "boolean" "true or false",
    Canonical "canonical" "a URI without white space, with a version behind `|` where wanted",
    Code "code" "text without white space at its ends and with single spaces inside",
    Date "date" "YYYY, YYYY-MM or YYYY-MM-DD",
    DateTime "dateTime" "YYYY, YYYY-MM, YYYY-MM-DD or YYYY-MM-DDThh:mm:ss+zz:zz, with seconds and zone",
    Decimal "decimal" "a number",
    Id "id" "1 to 64 letters A-Z a-z, digits, `-` and `.`",
    Instant "instant" "YYYY-MM-DDThh:mm:ss+zz:zz, with seconds and zone",
    Integer "integer" "a whole number from -2147483648 to 2147483647, without fraction and exponent",
    Markdown "markdown" "text that is not only white space, without control characters",
    Oid "oid" "`urn:oid:` and an object identifier, such as urn:oid:1.2.3",
    PositiveInt "positiveInt" "a whole number from 1 to 2147483647, without fraction and exponent",
    String "string" "text that is not only white space, without control characters",
    Time "time" "hh:mm:ss, from 00:00:00",
    UnsignedInt "unsignedInt" "a whole number from 0 to 2147483647, without fraction and exponent",
    Uri "uri" "a URI without white space",
    Url "url" "a URL without white space",
    Uuid "uuid" "`urn:uuid:` and a UUID in lower case",
    Xhtml "xhtml" "XHTML whose root is a `div` element",
}

/// Why a value is not one of its type.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Fault {
    /// It has no character at all.
    Empty,
    /// It has nothing but white space.
    Blank,
    /// It is longer than R4 allows.
    TooLong,
    /// It holds a control character.
    ControlCharacter,
    /// It holds a character that turns or hides text around it.
    HiddenText,
    /// It has the form of a date, but there is no such day.
    NoSuchDay,
    /// It is a whole number outside the range.
    OutOfRange,
    /// It is a time of day without zone.
    NoZone,
    /// It does not have the form.
    Form,
}

impl Fault {
    /// What is wrong, to follow the name of the element.
    pub(super) fn text(self) -> &'static str {
        match self {
            Fault::Empty => "is an empty string",
            Fault::Blank => "is only white space",
            Fault::TooLong => "is longer than 1048576 characters",
            Fault::ControlCharacter => "holds a control character",
            Fault::HiddenText => "holds a character that turns or hides the text around it",
            Fault::NoSuchDay => "names a day that is not in the calendar",
            Fault::OutOfRange => "is outside the range",
            Fault::NoZone => "has a time without a zone",
            Fault::Form => "does not have the form",
        }
    }
}

impl Primitive {
    /// Judges a value. One of another JSON form is not judged here.
    pub(super) fn check(self, value: &Value) -> Result<(), Fault> {
        match value {
            Value::Number(number) => self.check_number(&number.to_string()),
            Value::String(text) => self.check_text(text),
            Value::Null | Value::Bool(_) | Value::Array(_) | Value::Object(_) => Ok(()),
        }
    }

    fn check_number(self, text: &str) -> Result<(), Fault> {
        let smallest = match self {
            Primitive::Integer => i64::from(i32::MIN),
            Primitive::UnsignedInt => 0,
            Primitive::PositiveInt => 1,
            // Every JSON number is a decimal.
            _ => return Ok(()),
        };
        let digits = text.strip_prefix('-').unwrap_or(text);
        if !digits.bytes().all(|byte| byte.is_ascii_digit()) {
            return Err(Fault::Form);
        }
        match text.parse::<i64>() {
            Ok(number) if number >= smallest && number <= i64::from(i32::MAX) => Ok(()),
            Ok(_) | Err(_) => Err(Fault::OutOfRange),
        }
    }

    fn check_text(self, text: &str) -> Result<(), Fault> {
        if text.is_empty() {
            return Err(Fault::Empty);
        }
        if text.bytes().all(|byte| byte.is_ascii_whitespace()) {
            return Err(Fault::Blank);
        }
        // R4 bounds strings and what is based on them; a narrative or an attachment may be longer.
        let bounded = !matches!(self, Primitive::Base64Binary | Primitive::Xhtml);
        if bounded && text.len() > LONGEST_STRING && text.chars().count() > LONGEST_STRING {
            return Err(Fault::TooLong);
        }
        if holds(text, |byte| byte < 0x20 && !matches!(byte, b'\t' | b'\n' | b'\r')) {
            return Err(Fault::ControlCharacter);
        }
        let hidden = holds(text, |byte| byte >= 0x7f) && text.chars().any(hides);
        if hidden || (self == Primitive::Xhtml && refers_to_hidden(text)) {
            return Err(Fault::HiddenText);
        }
        let formed = |formed: bool| if formed { Ok(()) } else { Err(Fault::Form) };
        match self {
            Primitive::String | Primitive::Markdown => Ok(()),
            Primitive::Code => formed(is_code(text)),
            Primitive::Id => formed(is_id(text)),
            Primitive::Uri | Primitive::Url | Primitive::Canonical => {
                formed(!holds(text, |byte| byte.is_ascii_whitespace()))
            }
            Primitive::Oid => formed(is_oid(text)),
            Primitive::Uuid => formed(is_uuid(text)),
            Primitive::Base64Binary => formed(is_base64(text.as_bytes())),
            Primitive::Xhtml => formed(is_div(text)),
            Primitive::Date => date(text).and_then(|(_, rest)| formed(rest.is_empty())),
            Primitive::DateTime => date_time(text),
            Primitive::Instant => instant(text),
            Primitive::Time => formed(time(text) == Some("")),
            // These are not strings, which the JSON type tells.
            Primitive::Boolean
            | Primitive::Decimal
            | Primitive::Integer
            | Primitive::PositiveInt
            | Primitive::UnsignedInt => Ok(()),
        }
    }
}

/// Whether a character makes text look other than it reads: embeddings, overrides and isolates of direction (Unicode
/// Standard Annex 9), tags, and the second range of controls. Marks such as U+200F are needed in some scripts and stay.
fn hides(character: char) -> bool {
    matches!(character,
        '\u{7f}'..='\u{9f}' | '\u{202a}'..='\u{202e}' | '\u{2066}'..='\u{2069}' | '\u{e0000}'..='\u{e007f}')
}

/// Whether a narrative has such a character as a reference to its number.
fn refers_to_hidden(text: &str) -> bool {
    text.split("&#").skip(1).any(|after| {
        let number = after.split_once(';').map_or("", |(number, _)| number);
        let code = match number.strip_prefix(['x', 'X']) {
            Some(hex) => u32::from_str_radix(hex, 16).ok(),
            None => number.parse().ok(),
        };
        code.and_then(char::from_u32).is_some_and(hides)
    })
}

/// Whether any byte is of a kind. Reads to the end, which the compiler makes many bytes at a time.
fn holds(text: &str, kind: impl Fn(u8) -> bool) -> bool {
    text.bytes().fold(false, |found, byte| found | kind(byte))
}

fn is_code(text: &str) -> bool {
    let mut before = b' ';
    for byte in text.bytes() {
        let single_inside = byte == b' ' && before != b' ';
        if byte.is_ascii_whitespace() && !single_inside {
            return false;
        }
        before = byte;
    }
    before != b' '
}

/// Whether a text is a logical id.
pub(super) fn is_id(text: &str) -> bool {
    (1..=64).contains(&text.len())
        && text.bytes().all(|byte| byte.is_ascii_alphanumeric() || byte == b'-' || byte == b'.')
}

fn is_oid(text: &str) -> bool {
    let Some(oid) = text.strip_prefix("urn:oid:") else { return false };
    let mut arcs = oid.split('.');
    let root = matches!(arcs.next(), Some("0" | "1" | "2"));
    let mut more = false;
    let all_numbers = arcs.all(|arc| {
        more = true;
        arc == "0"
            || (!arc.is_empty() && !arc.starts_with('0') && arc.bytes().all(|byte| byte.is_ascii_digit()))
    });
    root && more && all_numbers
}

fn is_uuid(text: &str) -> bool {
    let Some(uuid) = text.strip_prefix("urn:uuid:") else { return false };
    uuid.len() == 36
        && uuid.bytes().enumerate().all(|(at, byte)| match at {
            8 | 13 | 18 | 23 => byte == b'-',
            _ => byte.is_ascii_digit() || (b'a'..=b'f').contains(&byte),
        })
}

fn is_base64(text: &[u8]) -> bool {
    let mut in_group = 0;
    let mut padding = 0;
    for byte in text {
        match byte {
            byte if byte.is_ascii_whitespace() && in_group == 0 => continue,
            b'=' if in_group >= 2 => padding += 1,
            byte if padding == 0 && (byte.is_ascii_alphanumeric() || matches!(byte, b'+' | b'/')) => {}
            _ => return false,
        }
        in_group = (in_group + 1) % 4;
    }
    in_group == 0
}

fn is_div(text: &str) -> bool {
    let text = text.trim_ascii();
    let rest = text.strip_prefix("<div");
    let opens = rest.is_some_and(|rest| rest.starts_with([' ', '>', '/', '\t', '\n', '\r']));
    opens && text.ends_with('>')
}

/// Takes a number of `length` digits from `low` to `high` off the front.
fn digits(text: &str, length: usize, low: u16, high: u16) -> Option<(u16, &str)> {
    let (head, rest) = text.split_at_checked(length)?;
    if !head.bytes().all(|byte| byte.is_ascii_digit()) {
        return None;
    }
    let number = head.parse().ok().filter(|number| (low..=high).contains(number))?;
    Some((number, rest))
}

/// Takes a date off the front, of any precision; tells whether it is a whole day.
fn date(text: &str) -> Result<(bool, &str), Fault> {
    let (year, rest) = digits(text, 4, 1, 9999).ok_or(Fault::Form)?;
    let Some(month) = rest.strip_prefix('-') else { return Ok((false, rest)) };
    let (month, rest) = digits(month, 2, 1, 12).ok_or(Fault::Form)?;
    let Some(day) = rest.strip_prefix('-') else { return Ok((false, rest)) };
    let (day, rest) = digits(day, 2, 1, 31).ok_or(Fault::Form)?;
    let leap_year = year % 4 == 0 && (year % 100 != 0 || year % 400 == 0);
    let last_day = match month {
        4 | 6 | 9 | 11 => 30,
        2 if leap_year => 29,
        2 => 28,
        _ => 31,
    };
    if day > last_day { Err(Fault::NoSuchDay) } else { Ok((true, rest)) }
}

fn date_time(text: &str) -> Result<(), Fault> {
    let (whole_day, rest) = date(text)?;
    if rest.is_empty() { Ok(()) } else { time_and_zone(whole_day, rest) }
}

fn instant(text: &str) -> Result<(), Fault> {
    let (whole_day, rest) = date(text)?;
    time_and_zone(whole_day, rest)
}

fn time_and_zone(whole_day: bool, text: &str) -> Result<(), Fault> {
    let rest = text.strip_prefix('T').filter(|_| whole_day).and_then(time).ok_or(Fault::Form)?;
    match rest {
        "" => Err(Fault::NoZone),
        "Z" => Ok(()),
        _ => {
            let offset = rest.strip_prefix(['+', '-']).ok_or(Fault::Form)?;
            let (hours, minutes) = digits(offset, 2, 0, 14).ok_or(Fault::Form)?;
            let last = if hours == 14 { 0 } else { 59 };
            let minutes = minutes.strip_prefix(':').and_then(|minutes| digits(minutes, 2, 0, last));
            if minutes.is_some_and(|(_, rest)| rest.is_empty()) { Ok(()) } else { Err(Fault::Form) }
        }
    }
}

/// Takes `hh:mm:ss` with a fraction, if any, off the front. A leap second is allowed.
fn time(text: &str) -> Option<&str> {
    let (_, rest) = digits(text, 2, 0, 23)?;
    let (_, rest) = digits(rest.strip_prefix(':')?, 2, 0, 59)?;
    let (_, rest) = digits(rest.strip_prefix(':')?, 2, 0, 60)?;
    let Some(fraction) = rest.strip_prefix('.') else { return Some(rest) };
    let end = fraction.bytes().take_while(u8::is_ascii_digit).count();
    fraction.get(end..).filter(|_| end > 0)
}

#[cfg(test)]
mod tests {
    use serde_json::json;

    use super::*;

    fn judge(primitive: Primitive, value: &Value) -> Result<(), Fault> {
        primitive.check(value)
    }

    #[test]
    fn every_primitive_of_the_tables_has_its_rule() {
        let tables = crate::definitions::BaseTables::builtin();
        for primitive in Primitive::ALL {
            assert_eq!(Primitive::from_name(primitive.name()), Some(*primitive));
            assert!(tables.primitive_form(primitive.name()).is_some(), "{}", primitive.name());
        }
        assert_eq!(Primitive::ALL.len(), 20);
    }

    #[test]
    fn texts_that_are_right() {
        let long_fraction = format!("2024-02-29T23:59:60.{}Z", "1".repeat(40));
        let cases: &[(Primitive, &[&str])] = &[
            (Primitive::Date, &["2024", "2024-02", "2024-02-29", "0001-01-01", "2000-02-29"]),
            (
                Primitive::DateTime,
                &["2024", "2024-02-29T00:00:00Z", "2024-01-01T10:00:00.5+14:00", &long_fraction],
            ),
            (Primitive::Instant, &["2024-02-29T13:28:17.239+02:00", "2024-02-29T13:28:17-13:59"]),
            (Primitive::Time, &["00:00:00", "23:59:60", "12:00:00.000"]),
            (Primitive::Code, &["a", "a b", "<=", "a\u{a0}b"]),
            (Primitive::Id, &["a", "A-1.b", &"x".repeat(64)]),
            (Primitive::String, &[" a ", "a\u{a0}b\u{2009}c\u{3000}\u{feff}", "\u{a0}", "line\nline\ttab\r"]),
            (Primitive::Uri, &["urn:x:y", "http://harbourlane.example/a\u{a0}b", "#a"]),
            (Primitive::Oid, &["urn:oid:1.2.3", "urn:oid:2.0"]),
            (Primitive::Uuid, &["urn:uuid:0f2c1e5a-0000-4000-8000-00000000000a"]),
            (Primitive::Base64Binary, &["aGVs", "aGVsbG8=", "aGVs\n bG8h", "aA=="]),
            (Primitive::Xhtml, &["<div xmlns=\"http://www.w3.org/1999/xhtml\">x</div>", " <div>x</div> "]),
        ];
        for (primitive, texts) in cases {
            for text in *texts {
                assert_eq!(judge(*primitive, &json!(text)), Ok(()), "{primitive:?} {text:?}");
            }
        }
    }

    #[test]
    fn texts_that_are_wrong() {
        use Fault::{Blank, ControlCharacter, Empty, Form, HiddenText, NoSuchDay, NoZone, TooLong};
        let long = "x".repeat(LONGEST_STRING + 1);
        let long_id = "x".repeat(65);
        let cases: &[(Primitive, &[(&str, Fault)])] = &[
            (
                Primitive::Date,
                &[
                    ("2023-02-29", NoSuchDay),
                    ("1900-02-29", NoSuchDay),
                    ("2023-04-31", NoSuchDay),
                    ("0000", Form),
                    ("23-04-01", Form),
                    ("2023-13", Form),
                    ("2023-1-1", Form),
                    ("2023-04-01T", Form),
                    ("2023-04-01 ", Form),
                    ("", Empty),
                    (" ", Blank),
                    ("२०२३", Form),
                    ("2023-00", Form),
                    ("+202", Form),
                ],
            ),
            (
                Primitive::DateTime,
                &[
                    ("2023-02-30T10:00:00Z", NoSuchDay),
                    ("2023-02-01T10:00:00", NoZone),
                    ("2023-02-01T10:00Z", Form),
                    ("2023-02-01T24:00:00Z", Form),
                    ("2023-02T10:00:00Z", Form),
                    ("2023-02-01T10:00:00.Z", Form),
                    ("2023-02-01T10:00:00+14:30", Form),
                    ("2023-02-01t10:00:00Z", Form),
                    ("2023-02-01T10:00:00z", Form),
                    ("2023-02-01T10:00:00+0100", Form),
                    ("2023-02-01T10:00:61Z", Form),
                    ("2023-02-01 10:00:00Z", Form),
                ],
            ),
            (Primitive::Instant, &[("2023-02-01", Form), ("2023", Form), ("2023-02-01T10:00:00", NoZone)]),
            (Primitive::Time, &[("24:00:00", Form), ("10:00", Form), ("10:00:00Z", Form)]),
            (Primitive::Code, &[(" a", Form), ("a ", Form), ("a  b", Form), ("a\tb", Form), ("", Empty)]),
            (Primitive::Id, &[("a_b", Form), (&long_id, Form), ("ä", Form), ("a/b", Form)]),
            (
                Primitive::String,
                &[
                    ("", Empty),
                    (" \n", Blank),
                    ("a\u{1}", ControlCharacter),
                    (&long, TooLong),
                    ("not \u{202e}tlef", HiddenText),
                    ("\u{2066}a\u{2069}", HiddenText),
                    ("a\u{9b}2J", HiddenText),
                    ("\u{e0041}", HiddenText),
                ],
            ),
            (Primitive::Uri, &[("a b", Form), ("a\n", Form), ("", Empty)]),
            (
                Primitive::Oid,
                &[("urn:oid:1", Form), ("urn:oid:3.1", Form), ("urn:oid:1.02", Form), ("1.2.3", Form)],
            ),
            (
                Primitive::Uuid,
                &[
                    ("urn:uuid:0F2C1E5A-0000-4000-8000-00000000000A", Form),
                    ("0f2c1e5a-0000-4000-8000-00000000000a", Form),
                ],
            ),
            (
                Primitive::Base64Binary,
                &[("abc", Form), ("a bc", Form), ("====", Form), ("a===", Form), ("aA==aA==", Form)],
            ),
            (
                Primitive::Xhtml,
                &[
                    ("x", Form),
                    ("<div>&#x202e;x</div>", HiddenText),
                    ("<div>&#8238;</div>", HiddenText),
                    ("<divx>", Form),
                    ("<p>x</p>", Form),
                ],
            ),
        ];
        for (primitive, texts) in cases {
            for (text, fault) in *texts {
                assert_eq!(judge(*primitive, &json!(text)), Err(*fault), "{primitive:?} {text:?}");
            }
        }
    }

    #[test]
    fn numbers_are_judged_on_their_text() {
        let number = |text: &str| serde_json::from_str::<Value>(text).unwrap();
        for text in ["0", "-0", "2147483647", "-2147483648"] {
            assert_eq!(judge(Primitive::Integer, &number(text)), Ok(()), "{text}");
        }
        for text in ["1.0", "1e3", "1E0", "0.5"] {
            assert_eq!(judge(Primitive::Integer, &number(text)), Err(Fault::Form), "{text}");
        }
        for text in ["2147483648", "-2147483649", "99999999999999999999999999"] {
            assert_eq!(judge(Primitive::Integer, &number(text)), Err(Fault::OutOfRange), "{text}");
        }
        assert_eq!(judge(Primitive::PositiveInt, &number("0")), Err(Fault::OutOfRange));
        assert_eq!(judge(Primitive::UnsignedInt, &number("-1")), Err(Fault::OutOfRange));
        assert_eq!(judge(Primitive::UnsignedInt, &number("0")), Ok(()));
        for text in ["1.00", "1e400", "-0.0", "123456789012345678901234567890.1"] {
            assert_eq!(judge(Primitive::Decimal, &number(text)), Ok(()), "{text}");
        }
    }
}
