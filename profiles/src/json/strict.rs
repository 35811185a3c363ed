//! `serde_json` with refusals it does not make itself: repeated keys, a depth and a number of values of our own.

use std::cell::Cell;
use std::fmt;

use memchr::memmem;
use serde::de::{DeserializeSeed, Error as _, MapAccess, SeqAccess, Visitor};
use serde_json::{Map, Number, Value};

use super::{JSON_LIMIT, JSON_SYNTAX, Limits, Position};
use crate::issue::Issue;

/// `serde_json` hands a number of arbitrary precision to a visitor as a map with this one key.
const NUMBER_KEY: &str = "$serde_json::private::Number";
const RESERVED_PREFIX: &str = "$serde_json::private";
const TOO_DEEP: &str = "nested too deeply";
const TOO_MANY: &str = "too many values";

/// Why a text could not be read.
#[derive(Debug)]
pub(super) struct ParseError {
    error: serde_json::Error,
    limits: Limits,
}

impl ParseError {
    pub(super) fn into_issue(self, text: &[u8], origin: Position) -> Issue {
        let position = Position::at_line(text, self.error.line(), self.error.column()).within(origin);
        let said = self.error.to_string();
        if said.starts_with(TOO_DEEP) || said.starts_with("recursion limit exceeded") {
            let message = format!("Objects and arrays are nested more than {} deep.", self.limits.depth);
            return Issue::new(&JSON_LIMIT, "", message).at(position);
        }
        if said.starts_with(TOO_MANY) {
            let message = format!("The text holds more than {} values.", self.limits.values);
            return Issue::new(&JSON_LIMIT, "", message).at(position);
        }
        // The message of the reader names what it expected, never the text it read; its place is ours to tell.
        let said = said.split(" at line ").next().unwrap_or("not well-formed JSON").to_owned();
        Issue::new(&JSON_SYNTAX, "", format!("The text is not well-formed JSON: {said}.")).at(position)
    }
}

pub(super) fn parse(text: &str, limits: Limits) -> Result<Value, ParseError> {
    let left = Cell::new(limits.values);
    let mut deserializer = serde_json::Deserializer::from_str(text);
    let strict = Strict { depth: limits.depth, left: &left };
    let value = strict.deserialize(&mut deserializer).and_then(|value| deserializer.end().map(|()| value));
    value.map_err(|error| ParseError { error, limits })
}

/// Whether a key could be the reserved one, written plainly or through escapes.
pub(super) fn may_spell_reserved_key(text: &[u8]) -> bool {
    // Its characters are from $ to z; writers that escape at all escape what lies beyond.
    let escaped_ascii = |at: usize| text.get(at + 4).is_some_and(|digit| (b'2'..=b'7').contains(digit));
    memmem::find(text, RESERVED_PREFIX.as_bytes()).is_some()
        || memmem::find_iter(text, b"\\u00").any(escaped_ascii)
}

pub(super) fn is_reserved(key: &str) -> bool {
    key.starts_with(RESERVED_PREFIX)
}

#[derive(Clone, Copy)]
struct Strict<'c> {
    depth: usize,
    /// How many more values there may be.
    left: &'c Cell<usize>,
}

impl Strict<'_> {
    fn deeper<E: serde::de::Error>(self) -> Result<Self, E> {
        let depth = self.depth.checked_sub(1).ok_or_else(|| E::custom(TOO_DEEP))?;
        Ok(Strict { depth, ..self })
    }
}

impl<'de> DeserializeSeed<'de> for Strict<'_> {
    type Value = Value;

    fn deserialize<D: serde::Deserializer<'de>>(self, deserializer: D) -> Result<Value, D::Error> {
        let left = self.left.get().checked_sub(1).ok_or_else(|| D::Error::custom(TOO_MANY))?;
        self.left.set(left);
        deserializer.deserialize_any(self)
    }
}

impl<'de> Visitor<'de> for Strict<'_> {
    type Value = Value;

    fn expecting(&self, formatter: &mut fmt::Formatter<'_>) -> fmt::Result {
        formatter.write_str("a JSON value")
    }

    fn visit_bool<E>(self, value: bool) -> Result<Value, E> {
        Ok(Value::Bool(value))
    }

    fn visit_i64<E>(self, value: i64) -> Result<Value, E> {
        Ok(Value::Number(value.into()))
    }

    fn visit_u64<E>(self, value: u64) -> Result<Value, E> {
        Ok(Value::Number(value.into()))
    }

    fn visit_str<E>(self, value: &str) -> Result<Value, E> {
        Ok(Value::String(value.to_owned()))
    }

    fn visit_string<E>(self, value: String) -> Result<Value, E> {
        Ok(Value::String(value))
    }

    fn visit_unit<E>(self) -> Result<Value, E> {
        Ok(Value::Null)
    }

    fn visit_seq<A: SeqAccess<'de>>(self, mut access: A) -> Result<Value, A::Error> {
        let item = self.deeper()?;
        let mut items = Vec::new();
        while let Some(value) = access.next_element_seed(item)? {
            items.push(value);
        }
        Ok(Value::Array(items))
    }

    fn visit_map<A: MapAccess<'de>>(self, mut access: A) -> Result<Value, A::Error> {
        let mut map = Map::new();
        let Some(first) = access.next_key::<String>()? else {
            self.deeper::<A::Error>()?;
            return Ok(Value::Object(map));
        };
        if first == NUMBER_KEY {
            let digits: String = access.next_value()?;
            return digits.parse::<Number>().map(Value::Number).map_err(A::Error::custom);
        }
        let inner = self.deeper()?;
        map.insert(first, access.next_value_seed(inner)?);
        while let Some(key) = access.next_key::<String>()? {
            let value = access.next_value_seed(inner)?;
            if map.insert(key, value).is_some() {
                return Err(A::Error::custom("a property stands twice in one object"));
            }
        }
        Ok(Value::Object(map))
    }
}
