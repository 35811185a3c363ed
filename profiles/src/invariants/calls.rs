//! The functions on collections; those on one value are in `scalar_calls`.

use std::collections::HashSet;

use regex::Regex;
use rust_decimal::Decimal;
use rust_decimal::prelude::ToPrimitive;

use super::compare::Scalar;
use super::evaluate::{Evaluated, EvaluationError, Items, Run, Scope, boolean, single};
use super::functions::Function;
use super::item::Item;
use super::syntax::Expr;
use super::xhtml;

pub(super) fn truth<'d>(value: bool) -> Items<'d> {
    vec![Item::Boolean(value)]
}

pub(super) fn count<'d>(value: usize) -> Items<'d> {
    vec![Item::Number(Decimal::from(value))]
}

impl<'d> Run<'_, 'd> {
    pub(super) fn call(
        &self,
        function: Function,
        items: Items<'d>,
        arguments: &[Expr],
        pattern: Option<&Regex>,
        scope: Scope<'_, 'd>,
        at: usize,
    ) -> Evaluated<'d> {
        let first = arguments.first();
        Ok(match function {
            Function::Empty => truth(items.is_empty()),
            Function::Count => count(items.len()),
            Function::Not => boolean(self.truth(&items, at)?.map(|value| !value)),
            Function::Exists => match first {
                None => truth(!items.is_empty()),
                Some(criterion) => truth(self.first_match(&items, criterion, true)?),
            },
            Function::All => match first {
                Some(criterion) => truth(!self.first_match(&items, criterion, false)?),
                None => Vec::new(),
            },
            Function::AllTrue => truth(self.truths(&items, at)?.into_iter().all(|value| value)),
            Function::AnyTrue => truth(self.truths(&items, at)?.into_iter().any(|value| value)),
            Function::AllFalse => truth(self.truths(&items, at)?.into_iter().all(|value| !value)),
            Function::AnyFalse => truth(self.truths(&items, at)?.into_iter().any(|value| !value)),
            Function::Where => self.filter(items, first)?,
            Function::Select => self.select(&items, first)?,
            Function::Iif => self.iif(&items, arguments, scope, at)?,
            Function::Single => single(&items, at)?.cloned().into_iter().collect(),
            Function::First => items.into_iter().take(1).collect(),
            Function::Last => items.into_iter().next_back().into_iter().collect(),
            Function::Tail => items.into_iter().skip(1).collect(),
            Function::Skip => match self.argument_number(first, scope, at)? {
                Some(number) => items.into_iter().skip(clamp(number)).collect(),
                None => items,
            },
            Function::Take => match self.argument_number(first, scope, at)? {
                Some(number) => items.into_iter().take(clamp(number)).collect(),
                None => Vec::new(),
            },
            Function::Distinct => self.distinct(items, at)?,
            Function::IsDistinct => {
                let mut seen = HashSet::new();
                for item in &items {
                    if !seen.insert(self.key(item, at)?) {
                        return Ok(truth(false));
                    }
                }
                truth(true)
            }
            Function::Intersect => {
                if items.is_empty() {
                    return Ok(items);
                }
                let kept = self.partition(items, first, scope, true)?;
                self.distinct(kept, at)?
            }
            Function::Exclude => self.partition(items, first, scope, false)?,
            Function::SubsetOf => truth(self.partition(items, first, scope, false)?.is_empty()),
            Function::SupersetOf => {
                let own: HashSet<String> =
                    items.iter().map(|item| self.key(item, at)).collect::<Result<_, _>>()?;
                match first {
                    Some(other) => truth(self.key_set(other, scope)?.is_subset(&own)),
                    None => Vec::new(),
                }
            }
            Function::Union => {
                let mut items = items;
                items.extend(self.argument(first, scope)?);
                self.distinct(items, at)?
            }
            Function::Combine => {
                let mut items = items;
                items.extend(self.argument(first, scope)?);
                items
            }
            Function::Children => {
                let mut out = Vec::new();
                for item in &items {
                    self.push_children(item, &mut out, at)?;
                }
                out
            }
            Function::Descendants => {
                let mut out = Vec::new();
                for item in &items {
                    self.push_children(item, &mut out, at)?;
                }
                let mut next = 0;
                while let Some(item) = out.get(next).cloned() {
                    self.push_children(&item, &mut out, at)?;
                    next += 1;
                }
                out
            }
            // What is traced is a value of the document, so it goes nowhere.
            Function::Trace => items,
            Function::HasValue => {
                truth(matches!(items.as_slice(), [Item::Node(node)] if node.primitive().is_some()))
            }
            Function::Extension => {
                let url = self.text(&self.argument(first, scope)?, at)?;
                self.extensions(&items, url.as_deref(), at)?
            }
            Function::HtmlChecks => match self.text(&items, at)? {
                Some(text) => {
                    self.pay(text.len() as u64 / 4, at)?;
                    truth(xhtml::check(&text).is_ok())
                }
                None => Vec::new(),
            },
            Function::ToBoolean
            | Function::ToInteger
            | Function::ToDecimal
            | Function::ToText
            | Function::Abs
            | Function::Ceiling
            | Function::Floor
            | Function::Truncate
            | Function::Round => self.conversion(function, &items, first, scope, at)?,
            Function::IndexOf
            | Function::Substring
            | Function::StartsWith
            | Function::EndsWith
            | Function::Contains
            | Function::Upper
            | Function::Lower
            | Function::Replace
            | Function::Matches
            | Function::ReplaceMatches
            | Function::Length => self.text_function(function, &items, arguments, pattern, scope, at)?,
        })
    }

    fn argument(&self, argument: Option<&Expr>, scope: Scope<'_, 'd>) -> Evaluated<'d> {
        argument.map_or_else(|| Ok(Vec::new()), |argument| self.eval(argument, scope))
    }

    pub(super) fn argument_number(
        &self,
        argument: Option<&Expr>,
        scope: Scope<'_, 'd>,
        at: usize,
    ) -> Result<Option<Decimal>, EvaluationError> {
        self.number(&self.argument(argument, scope)?, at)
    }

    pub(super) fn argument_text(
        &self,
        argument: Option<&Expr>,
        scope: Scope<'_, 'd>,
        at: usize,
    ) -> Result<Option<String>, EvaluationError> {
        self.text(&self.argument(argument, scope)?, at)
    }

    fn about(
        &self,
        item: &Item<'d>,
        index: usize,
        criterion: &Expr,
    ) -> Result<Option<bool>, EvaluationError> {
        let this = std::slice::from_ref(item);
        let items = self.eval(criterion, Scope { this, index: Some(index) })?;
        self.truth(&items, criterion.at)
    }

    /// Whether some item makes the criterion true (or, for `all`, not true).
    fn first_match(
        &self,
        items: &[Item<'d>],
        criterion: &Expr,
        wanted: bool,
    ) -> Result<bool, EvaluationError> {
        for (index, item) in items.iter().enumerate() {
            if (self.about(item, index, criterion)? == Some(true)) == wanted {
                return Ok(true);
            }
        }
        Ok(false)
    }

    fn truths(&self, items: &[Item<'d>], at: usize) -> Result<Vec<bool>, EvaluationError> {
        let mut out = Vec::with_capacity(items.len());
        for item in items {
            match item.scalar() {
                Scalar::Boolean(value) => out.push(value),
                _ => return Err(EvaluationError::Types { at }),
            }
        }
        Ok(out)
    }

    fn filter(&self, items: Items<'d>, criterion: Option<&Expr>) -> Evaluated<'d> {
        let Some(criterion) = criterion else { return Ok(items) };
        let mut out = Vec::new();
        for (index, item) in items.into_iter().enumerate() {
            if self.about(&item, index, criterion)? == Some(true) {
                out.push(item);
            }
        }
        Ok(out)
    }

    fn select(&self, items: &[Item<'d>], projection: Option<&Expr>) -> Evaluated<'d> {
        let mut out = Vec::new();
        for (index, item) in items.iter().enumerate() {
            let scope = Scope { this: std::slice::from_ref(item), index: Some(index) };
            out.extend(self.argument(projection, scope)?);
        }
        Ok(out)
    }

    fn iif(&self, items: &[Item<'d>], arguments: &[Expr], scope: Scope<'_, 'd>, at: usize) -> Evaluated<'d> {
        let scope = Scope { this: items, index: scope.index };
        let [criterion, then, rest @ ..] = arguments else { return Ok(Vec::new()) };
        let decided = self.truth(&self.eval(criterion, scope)?, at)?;
        if decided == Some(true) { self.eval(then, scope) } else { self.argument(rest.first(), scope) }
    }

    /// The items that are (or are not) in the result of `other`.
    fn partition(
        &self,
        items: Items<'d>,
        other: Option<&Expr>,
        scope: Scope<'_, 'd>,
        wanted: bool,
    ) -> Evaluated<'d> {
        let Some(other) = other else { return Ok(items) };
        let keys = self.key_set(other, scope)?;
        let mut out = Vec::new();
        for item in items {
            if keys.contains(&self.key(&item, other.at)?) == wanted {
                out.push(item);
            }
        }
        Ok(out)
    }

    fn push_children(&self, item: &Item<'d>, out: &mut Items<'d>, at: usize) -> Result<(), EvaluationError> {
        if let Item::Node(node) = item {
            let children = node.children(self.focus.types);
            self.pay(1 + children.len() as u64, at)?;
            out.extend(children.into_iter().map(|child| Item::Node(child.node)));
        }
        Ok(())
    }

    fn extensions(&self, items: &[Item<'d>], url: Option<&str>, at: usize) -> Evaluated<'d> {
        let Some(url) = url else { return Ok(Vec::new()) };
        let mut out = Vec::new();
        for item in items {
            let Item::Node(node) = item else { continue };
            for child in node.children(self.focus.types) {
                self.pay(1, at)?;
                let same =
                    child.node.object().and_then(|object| object.get("url")).is_some_and(|own| own == url);
                if child.property == "extension" && same {
                    out.push(Item::Node(child.node));
                }
            }
        }
        Ok(out)
    }
}

/// A count that is at least zero and fits.
pub(super) fn clamp(number: Decimal) -> usize {
    if number.is_sign_negative() { 0 } else { number.trunc().to_usize().unwrap_or(usize::MAX) }
}
