//! The functions on one value: conversions, numbers and texts.

use regex::Regex;
use rust_decimal::prelude::ToPrimitive;
use rust_decimal::{Decimal, RoundingStrategy};

use super::calls::{clamp, count, truth};
use super::compare::{Scalar, decimal};
use super::evaluate::{Evaluated, EvaluationError, Run, Scope, boolean, single};
use super::functions::Function;
use super::item::{Item, Node};
use super::syntax::Expr;

impl<'d> Run<'_, 'd> {
    pub(super) fn conversion(
        &self,
        function: Function,
        items: &[Item<'d>],
        argument: Option<&Expr>,
        scope: Scope<'_, 'd>,
        at: usize,
    ) -> Evaluated<'d> {
        let Some(item) = single(items, at)? else { return Ok(Vec::new()) };
        let found: Option<Item<'d>> = match (function, item.scalar()) {
            (_, Scalar::Absent) => None,
            (Function::ToText, Scalar::Boolean(value)) => Some(Item::Text(value.to_string())),
            (Function::ToText, Scalar::Text(text)) => Some(Item::Text(text.into_owned())),
            // The digits of the document, not of the arithmetic: 1.0 stays 1.0 and 1e2 stays 1e2.
            (Function::ToText, _) => match item {
                Item::Node(Node { value: Some(serde_json::Value::Number(number)), .. }) => {
                    Some(Item::Text(number.to_string()))
                }
                Item::Node(Node { value: Some(serde_json::Value::String(text)), .. }) => {
                    Some(Item::Text(text.clone()))
                }
                Item::Number(number) => Some(Item::Text(number.to_string())),
                _ => None,
            },
            (_, Scalar::Unholdable) => return Err(EvaluationError::Number { at }),
            (Function::ToBoolean, Scalar::Boolean(value)) => Some(Item::Boolean(value)),
            (Function::ToBoolean, Scalar::Text(text)) => match text.to_ascii_lowercase().as_str() {
                "true" | "t" | "yes" | "y" | "1" | "1.0" => Some(Item::Boolean(true)),
                "false" | "f" | "no" | "n" | "0" | "0.0" => Some(Item::Boolean(false)),
                _ => None,
            },
            (Function::ToBoolean, Scalar::Number(number)) => match number.normalize().to_i64() {
                Some(1) if number.is_integer() => Some(Item::Boolean(true)),
                Some(0) if number.is_integer() => Some(Item::Boolean(false)),
                _ => None,
            },
            (Function::ToInteger | Function::ToDecimal, Scalar::Boolean(value)) => {
                Some(Item::Number(Decimal::from(u8::from(value))))
            }
            (Function::ToInteger, Scalar::Number(number)) => {
                number.is_integer().then(|| Item::Number(number.normalize()))
            }
            (Function::ToDecimal, Scalar::Number(number)) => Some(Item::Number(number)),
            (Function::ToInteger, Scalar::Text(text)) => {
                let digits = text.strip_prefix(['+', '-']).unwrap_or(&text);
                let whole = !digits.is_empty() && digits.bytes().all(|byte| byte.is_ascii_digit());
                if whole { parsed(&text).map(Item::Number) } else { None }
            }
            (Function::ToDecimal, Scalar::Text(text)) => {
                let plain =
                    text.bytes().all(|byte| byte.is_ascii_digit() || matches!(byte, b'+' | b'-' | b'.'));
                if plain { parsed(&text).map(Item::Number) } else { None }
            }
            (Function::ToBoolean | Function::ToInteger | Function::ToDecimal, _) => None,
            (Function::Abs, Scalar::Number(number)) => Some(Item::Number(number.abs())),
            (Function::Ceiling, Scalar::Number(number)) => Some(Item::Number(number.ceil())),
            (Function::Floor, Scalar::Number(number)) => Some(Item::Number(number.floor())),
            (Function::Truncate, Scalar::Number(number)) => Some(Item::Number(number.trunc())),
            (Function::Round, Scalar::Number(number)) => {
                let places = self.argument_number(argument, scope, at)?.unwrap_or_default();
                let places = places.to_u32().filter(|places| *places <= 28);
                let places = places.ok_or(EvaluationError::Number { at })?;
                let half_up = RoundingStrategy::MidpointAwayFromZero;
                Some(Item::Number(number.round_dp_with_strategy(places, half_up)))
            }
            _ => return Err(EvaluationError::Types { at }),
        };
        Ok(found.into_iter().collect())
    }

    pub(super) fn text_function(
        &self,
        function: Function,
        items: &[Item<'d>],
        arguments: &[Expr],
        pattern: Option<&Regex>,
        scope: Scope<'_, 'd>,
        at: usize,
    ) -> Evaluated<'d> {
        let Some(text) = self.text(items, at)? else { return Ok(Vec::new()) };
        let first = arguments.first();
        let second = arguments.get(1);
        Ok(match function {
            Function::Length => count(text.chars().count()),
            Function::Upper => vec![Item::Text(text.to_uppercase())],
            Function::Lower => vec![Item::Text(text.to_lowercase())],
            Function::Substring => {
                let Some(start) = self.argument_number(first, scope, at)? else { return Ok(Vec::new()) };
                let length = match second {
                    Some(_) => self.argument_number(second, scope, at)?.map_or(usize::MAX, clamp),
                    None => usize::MAX,
                };
                if start.is_sign_negative() && !start.is_zero() || clamp(start) >= text.chars().count() {
                    return Ok(Vec::new());
                }
                vec![Item::Text(text.chars().skip(clamp(start)).take(length).collect())]
            }
            Function::Matches => {
                self.pay(text.len() as u64, at)?;
                boolean(pattern.map(|pattern| pattern.is_match(&text)))
            }
            Function::ReplaceMatches => {
                let Some(replacement) = self.argument_text(second, scope, at)? else { return Ok(Vec::new()) };
                let Some(pattern) = pattern else { return Ok(Vec::new()) };
                self.pay((text.len() as u64 + 1) * (replacement.len() as u64 + 1), at)?;
                vec![Item::Text(pattern.replace_all(&text, replacement.as_str()).into_owned())]
            }
            Function::Replace => {
                let old = self.argument_text(first, scope, at)?;
                let new = self.argument_text(second, scope, at)?;
                let (Some(old), Some(new)) = (old, new) else { return Ok(Vec::new()) };
                self.pay((text.len() as u64 + 1) * (new.len() as u64 + 1) / 16, at)?;
                vec![Item::Text(text.replace(&old, &new))]
            }
            _ => {
                let Some(part) = self.argument_text(first, scope, at)? else { return Ok(Vec::new()) };
                match function {
                    Function::StartsWith => truth(text.starts_with(&part)),
                    Function::EndsWith => truth(text.ends_with(&part)),
                    Function::Contains => truth(text.contains(&part)),
                    _ => vec![Item::Number(text.find(&part).map_or(Decimal::NEGATIVE_ONE, |bytes| {
                        Decimal::from(
                            text.chars()
                                .zip(text.char_indices())
                                .take_while(|(_, (at, _))| *at < bytes)
                                .count(),
                        )
                    }))],
                }
            }
        })
    }
}

fn parsed(text: &str) -> Option<Decimal> {
    decimal(text.strip_prefix('+').unwrap_or(text))
}
