//! Equality and order of items.

use std::borrow::Cow;
use std::cmp::Ordering;

use rust_decimal::Decimal;
use serde_json::Value;

use super::item::{Item, Node};
use super::moment::Moment;
use super::types::parent_type;

/// An item reduced to what can be compared.
#[derive(Debug, Clone)]
pub(super) enum Scalar<'a> {
    Boolean(bool),
    Number(Decimal),
    /// A number that the decimal arithmetic cannot hold.
    Unholdable,
    Text(Cow<'a, str>),
    Moment(Moment),
    Quantity(Amount<'a>),
    /// An object.
    Complex(&'a Value),
    /// A primitive without a value.
    Absent,
}

/// A number with what names its unit. No number where it is not exactly known: it is absent, or has a comparator.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Amount<'a> {
    value: Option<Decimal>,
    system: Option<&'a str>,
    unit: Option<&'a str>,
}

pub(super) const UCUM: &str = "http://unitsofmeasure.org";

/// Reads a JSON number exactly; none if it has more digits than the arithmetic holds.
pub(super) fn decimal(text: &str) -> Option<Decimal> {
    if text.contains(['e', 'E']) {
        return Decimal::from_scientific(text).ok();
    }
    Decimal::from_str_exact(text).ok()
}

impl Item<'_> {
    pub(super) fn scalar(&self) -> Scalar<'_> {
        match self {
            Item::Boolean(value) => Scalar::Boolean(*value),
            Item::Number(value) => Scalar::Number(*value),
            Item::Text(text) => Scalar::Text(Cow::Borrowed(text)),
            Item::Moment(moment) => Scalar::Moment(*moment),
            Item::Quantity(value, unit) => {
                Scalar::Quantity(Amount { value: Some(*value), system: Some(UCUM), unit: Some(unit) })
            }
            Item::Node(node) => node.scalar(),
        }
    }
}

impl<'d> Node<'d> {
    fn scalar(&self) -> Scalar<'d> {
        match self.value {
            None | Some(Value::Null) => Scalar::Absent,
            Some(Value::Bool(value)) => Scalar::Boolean(*value),
            Some(Value::Number(number)) => {
                decimal(&number.to_string()).map_or(Scalar::Unholdable, Scalar::Number)
            }
            Some(Value::String(text)) => {
                let moment = match self.ty() {
                    Some("date" | "dateTime" | "instant") => Moment::date_time(text),
                    Some("time") => Moment::time(text),
                    _ => None,
                };
                moment.map_or(Scalar::Text(Cow::Borrowed(text)), Scalar::Moment)
            }
            Some(value @ Value::Object(properties)) => {
                let quantity =
                    self.ty().is_some_and(|ty| ty == "Quantity" || parent_type(ty) == Some("Quantity"));
                if !quantity {
                    return Scalar::Complex(value);
                }
                let text = |name: &str| properties.get(name).and_then(Value::as_str);
                let number = properties.get("value").and_then(Value::as_number);
                let value = match number.map(|number| decimal(&number.to_string())) {
                    Some(None) => return Scalar::Unholdable,
                    Some(value) => value.filter(|_| !properties.contains_key("comparator")),
                    None => None,
                };
                let (system, unit) = match text("code") {
                    Some(code) => (text("system"), Some(code)),
                    None => (None, text("unit")),
                };
                Scalar::Quantity(Amount { value, system, unit })
            }
            Some(value @ Value::Array(_)) => Scalar::Complex(value),
        }
    }
}

/// Why two items cannot be compared.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Incomparable {
    /// Their types have no order between them.
    Types,
    /// A number is out of range.
    Number,
}

/// Whether two items are equal; none if that is unknown.
pub(super) fn equal(left: &Item<'_>, right: &Item<'_>) -> Result<Option<bool>, Incomparable> {
    let (left, right) = (left.scalar(), right.scalar());
    Ok(match (&left, &right) {
        (Scalar::Unholdable, _) | (_, Scalar::Unholdable) => return Err(Incomparable::Number),
        (Scalar::Absent, _) | (_, Scalar::Absent) => None,
        (Scalar::Boolean(a), Scalar::Boolean(b)) => Some(a == b),
        (Scalar::Number(a), Scalar::Number(b)) => Some(a == b),
        (Scalar::Text(a), Scalar::Text(b)) => Some(a == b),
        (Scalar::Moment(_), _) | (_, Scalar::Moment(_)) => match moments(&left, &right) {
            Some((a, b)) => a.order(&b).map(Ordering::is_eq),
            None => Some(false),
        },
        (Scalar::Quantity(a), Scalar::Quantity(b)) => quantities(a, b).map(Ordering::is_eq),
        (Scalar::Complex(a), Scalar::Complex(b)) => Some(same(a, b)),
        _ => Some(false),
    })
}

/// The order of two items; none if it is unknown.
pub(super) fn order(left: &Item<'_>, right: &Item<'_>) -> Result<Option<Ordering>, Incomparable> {
    let (left, right) = (left.scalar(), right.scalar());
    match (&left, &right) {
        (Scalar::Unholdable, _) | (_, Scalar::Unholdable) => Err(Incomparable::Number),
        (Scalar::Absent, _) | (_, Scalar::Absent) => Ok(None),
        (Scalar::Number(a), Scalar::Number(b)) => Ok(Some(a.cmp(b))),
        (Scalar::Text(a), Scalar::Text(b)) => Ok(Some(a.cmp(b))),
        (Scalar::Moment(_), _) | (_, Scalar::Moment(_)) => match moments(&left, &right) {
            Some((a, b)) => Ok(a.order(&b)),
            None => Err(Incomparable::Types),
        },
        (Scalar::Quantity(a), Scalar::Quantity(b)) => Ok(quantities(a, b)),
        _ => Err(Incomparable::Types),
    }
}

/// Two moments, where a text beside a moment is read as the same kind of moment.
fn moments(left: &Scalar<'_>, right: &Scalar<'_>) -> Option<(Moment, Moment)> {
    let read = |text: &str, beside: &Moment| match beside.kind() {
        super::moment::MomentKind::Time => Moment::time(text),
        super::moment::MomentKind::Date | super::moment::MomentKind::DateTime => Moment::date_time(text),
    };
    match (left, right) {
        (Scalar::Moment(a), Scalar::Moment(b)) => Some((*a, *b)),
        (Scalar::Moment(a), Scalar::Text(text)) => Some((*a, read(text, a)?)),
        (Scalar::Text(text), Scalar::Moment(b)) => Some((read(text, b)?, *b)),
        _ => None,
    }
}

/// Quantities are compared in the same unit only: nothing is converted here.
fn quantities(left: &Amount<'_>, right: &Amount<'_>) -> Option<Ordering> {
    if left.system != right.system || left.unit != right.unit {
        return None;
    }
    Some(left.value?.cmp(&right.value?))
}

/// Deep equality: numbers by value, objects without regard to the order of their properties.
fn same(left: &Value, right: &Value) -> bool {
    match (left, right) {
        (Value::Number(a), Value::Number(b)) => {
            let (a, b) = (a.to_string(), b.to_string());
            match (decimal(&a), decimal(&b)) {
                (Some(a), Some(b)) => a == b,
                _ => a == b,
            }
        }
        (Value::Array(a), Value::Array(b)) => a.len() == b.len() && a.iter().zip(b).all(|(a, b)| same(a, b)),
        (Value::Object(a), Value::Object(b)) => {
            a.len() == b.len()
                && a.iter().all(|(key, value)| b.get(key).is_some_and(|other| same(value, other)))
        }
        _ => left == right,
    }
}

/// A text that is the same for equal items and different for others, so that sets of items are looked up by hash and
/// not pair by pair. `work` grows with the size of the item.
pub(super) fn key(item: &Item<'_>, work: &mut u64) -> String {
    let mut out = String::new();
    match item {
        Item::Boolean(value) => out.push_str(if *value { "true" } else { "false" }),
        Item::Number(value) => out.push_str(&value.normalize().to_string()),
        Item::Text(text) => quote(text, &mut out),
        Item::Moment(moment) => out.push_str(&format!("{moment:?}")),
        Item::Quantity(value, unit) => out.push_str(&format!("{} {unit:?}", value.normalize())),
        Item::Node(node) => {
            let value = node.value.or(node.companion);
            if let Some(value) = value {
                write_key(value, &mut out, work);
            }
        }
    }
    *work += 1 + out.len() as u64 / 64;
    out
}

fn quote(text: &str, out: &mut String) {
    // The length keeps any two texts and their neighbours apart without escaping.
    out.push_str(&format!("{}:", text.len()));
    out.push_str(text);
}

fn write_key(value: &Value, out: &mut String, work: &mut u64) {
    *work += 1;
    match value {
        Value::Null => out.push_str("null"),
        Value::Bool(value) => out.push_str(if *value { "true" } else { "false" }),
        Value::Number(number) => {
            let text = number.to_string();
            out.push_str(&decimal(&text).map_or(text, |value| value.normalize().to_string()));
        }
        Value::String(text) => quote(text, out),
        Value::Array(items) => {
            out.push('[');
            for item in items {
                write_key(item, out, work);
                out.push(',');
            }
            out.push(']');
        }
        Value::Object(properties) => {
            let mut keys: Vec<_> = properties.iter().collect();
            keys.sort_unstable_by_key(|(key, _)| *key);
            out.push('{');
            for (key, value) in keys {
                quote(key, out);
                write_key(value, out, work);
                out.push(',');
            }
            out.push('}');
        }
    }
}
