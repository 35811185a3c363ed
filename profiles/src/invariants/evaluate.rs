//! Evaluation: paths, operators and three-valued logic. Functions are in `calls`.

use std::cell::{OnceCell, RefCell};
use std::collections::HashSet;
use std::rc::Rc;

use rust_decimal::Decimal;
use rust_decimal::prelude::ToPrimitive;

use super::compare::{self, Incomparable, Scalar};
use super::focus::Focus;
use super::item::{Item, Node};
use super::syntax::{Expr, Kind, Literal, Operator, Property, TypeTest, Variable};
use super::types::{has_type, is_named};

/// Why an expression could not be applied to a node. `at` counts bytes of the expression from 0. No error quotes the
/// document.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
pub enum EvaluationError {
    /// Several items stand where one is needed.
    #[error("there are several items where the expression allows one (offset {at})")]
    Several {
        /// The place in the expression.
        at: usize,
    },
    /// The operands have types that the operator or function does not take.
    #[error("the types of the operands do not fit (offset {at})")]
    Types {
        /// The place in the expression.
        at: usize,
    },
    /// A number is too large or has too many digits.
    #[error("a number is out of the range of exact arithmetic (offset {at})")]
    Number {
        /// The place in the expression.
        at: usize,
    },
    /// The document would need more steps than its size grants.
    #[error("the evaluation needs more steps than the size of the document grants (offset {at})")]
    Steps {
        /// The place in the expression.
        at: usize,
    },
}

pub(super) type Items<'d> = Vec<Item<'d>>;
pub(super) type Evaluated<'d> = Result<Items<'d>, EvaluationError>;

/// What `$this` and `$index` stand for.
#[derive(Clone, Copy)]
pub(super) struct Scope<'s, 'd> {
    pub(super) this: &'s [Item<'d>],
    pub(super) index: Option<usize>,
}

/// A remembered result, with its keys once they were needed.
struct Memo<'d> {
    items: Rc<[Item<'d>]>,
    keys: OnceCell<Rc<HashSet<String>>>,
}

/// One evaluation.
pub(super) struct Run<'f, 'd> {
    pub(super) focus: &'f Focus<'d>,
    memos: RefCell<Vec<Option<Rc<Memo<'d>>>>>,
}

impl<'f, 'd> Run<'f, 'd> {
    pub(super) fn new(focus: &'f Focus<'d>, memos: usize) -> Run<'f, 'd> {
        Run { focus, memos: RefCell::new(vec![None; memos]) }
    }

    pub(super) fn evaluate(&self, root: &Expr) -> Evaluated<'d> {
        let this = [Item::Node(self.focus.node)];
        self.eval(root, Scope { this: &this, index: None })
    }

    /// Pays for work in proportion to it.
    pub(super) fn pay(&self, count: u64, at: usize) -> Result<(), EvaluationError> {
        if self.focus.steps.take(count) { Ok(()) } else { Err(EvaluationError::Steps { at }) }
    }

    pub(super) fn eval(&self, expr: &Expr, scope: Scope<'_, 'd>) -> Evaluated<'d> {
        let items = match expr.memo {
            Some(slot) => {
                let memo = self.remembered(expr, slot, scope)?;
                memo.items.to_vec()
            }
            None => self.compute(expr, scope)?,
        };
        self.pay(1 + items.len() as u64, expr.at)?;
        Ok(items)
    }

    fn remembered(
        &self,
        expr: &Expr,
        slot: usize,
        scope: Scope<'_, 'd>,
    ) -> Result<Rc<Memo<'d>>, EvaluationError> {
        if let Some(Some(memo)) = self.memos.borrow().get(slot) {
            return Ok(Rc::clone(memo));
        }
        let memo = Rc::new(Memo { items: self.compute(expr, scope)?.into(), keys: OnceCell::new() });
        if let Some(place) = self.memos.borrow_mut().get_mut(slot) {
            *place = Some(Rc::clone(&memo));
        }
        Ok(memo)
    }

    /// The set of keys of an expression's result, remembered where the result is.
    pub(super) fn key_set(
        &self,
        expr: &Expr,
        scope: Scope<'_, 'd>,
    ) -> Result<Rc<HashSet<String>>, EvaluationError> {
        let Some(slot) = expr.memo else {
            let items = self.eval(expr, scope)?;
            return Ok(Rc::new(self.keys(&items, expr.at)?));
        };
        let memo = self.remembered(expr, slot, scope)?;
        if let Some(keys) = memo.keys.get() {
            return Ok(Rc::clone(keys));
        }
        let keys = Rc::new(self.keys(&memo.items, expr.at)?);
        Ok(Rc::clone(memo.keys.get_or_init(|| keys)))
    }

    fn keys(&self, items: &[Item<'d>], at: usize) -> Result<HashSet<String>, EvaluationError> {
        items.iter().map(|item| self.key(item, at)).collect()
    }

    pub(super) fn key(&self, item: &Item<'d>, at: usize) -> Result<String, EvaluationError> {
        let mut work = 0;
        let key = compare::key(item, &mut work);
        self.pay(work, at)?;
        Ok(key)
    }

    fn compute(&self, expr: &Expr, scope: Scope<'_, 'd>) -> Evaluated<'d> {
        let at = expr.at;
        Ok(match &expr.kind {
            Kind::Literal(literal) => vec![match literal {
                Literal::Boolean(value) => Item::Boolean(*value),
                Literal::Number(value) => Item::Number(*value),
                Literal::Text(text) => Item::Text(text.clone()),
                Literal::Moment(moment) => Item::Moment(*moment),
                Literal::Quantity(value, unit) => Item::Quantity(*value, unit.clone()),
            }],
            Kind::Nothing => Vec::new(),
            Kind::This => scope.this.to_vec(),
            Kind::Index => scope.index.map(|index| Item::Number(Decimal::from(index))).into_iter().collect(),
            Kind::Variable(variable) => vec![match variable {
                Variable::Resource => Item::Node(self.focus.resource),
                Variable::RootResource => Item::Node(self.focus.root),
                Variable::Context => Item::Node(self.focus.node),
                Variable::Ucum => Item::Text(compare::UCUM.to_owned()),
                Variable::Sct => Item::Text("http://snomed.info/sct".to_owned()),
                Variable::Loinc => Item::Text("http://loinc.org".to_owned()),
            }],
            Kind::Name(property) => {
                let is_type = |item: &Item<'d>| match item {
                    Item::Node(node) => {
                        property.name.starts_with(|first: char| first.is_ascii_uppercase())
                            && is_named(node, &property.name)
                    }
                    _ => false,
                };
                if !scope.this.is_empty() && scope.this.iter().all(is_type) {
                    scope.this.to_vec()
                } else {
                    self.member(scope.this, property, at)?
                }
            }
            Kind::Member(inner, property) => {
                let items = self.eval(inner, scope)?;
                self.member(&items, property, at)?
            }
            Kind::At(inner, index) => {
                let items = self.eval(inner, scope)?;
                let index = self.eval(index, scope)?;
                match self.number(&index, at)? {
                    Some(index) => {
                        let index = index.to_usize().filter(|_| index.is_integer());
                        index.and_then(|index| items.get(index).cloned()).into_iter().collect()
                    }
                    None => Vec::new(),
                }
            }
            Kind::Call { receiver, function, arguments, pattern } => {
                let items = self.eval(receiver, scope)?;
                self.call(*function, items, arguments, pattern.as_ref(), scope, at)?
            }
            Kind::Typed { operand, test, name } => {
                let items = self.eval(operand, scope)?;
                match test {
                    TypeTest::Is => match items.as_slice() {
                        [] => Vec::new(),
                        [item] => vec![Item::Boolean(has_type(item, name))],
                        _ => return Err(EvaluationError::Several { at }),
                    },
                    TypeTest::As | TypeTest::OfType => {
                        items.into_iter().filter(|item| has_type(item, name)).collect()
                    }
                }
            }
            Kind::Negate(inner) => {
                let items = self.eval(inner, scope)?;
                self.number(&items, at)?.map(|number| Item::Number(-number)).into_iter().collect()
            }
            Kind::Binary(operator, left, right) => self.binary(*operator, left, right, scope, at)?,
        })
    }

    fn member(&self, items: &[Item<'d>], property: &Property, at: usize) -> Evaluated<'d> {
        let mut out = Vec::new();
        let mut work = 0;
        for item in items {
            if let Item::Node(node) = item {
                work += node.named(property, self.focus.types, &mut out);
            }
        }
        self.pay(work, at)?;
        Ok(out)
    }

    fn binary(
        &self,
        operator: Operator,
        left: &Expr,
        right: &Expr,
        scope: Scope<'_, 'd>,
        at: usize,
    ) -> Evaluated<'d> {
        let left_items = self.eval(left, scope)?;
        Ok(match operator {
            Operator::And | Operator::Or | Operator::Implies | Operator::Xor => {
                let a = self.truth(&left_items, at)?;
                // The other operand cannot change these; not evaluating it is allowed by N1.
                match (operator, a) {
                    (Operator::And, Some(false)) => return Ok(vec![Item::Boolean(false)]),
                    (Operator::Or, Some(true)) | (Operator::Implies, Some(false)) => {
                        return Ok(vec![Item::Boolean(true)]);
                    }
                    _ => {}
                }
                let b = self.truth(&self.eval(right, scope)?, at)?;
                boolean(match operator {
                    Operator::And => and(a, b),
                    Operator::Or => or(a, b),
                    Operator::Implies => or(a.map(|a| !a), b),
                    _ => a.zip(b).map(|(a, b)| a != b),
                })
            }
            Operator::In => match left_items.as_slice() {
                [] => Vec::new(),
                [item] => vec![Item::Boolean(self.is_member(item, right, scope)?)],
                _ => return Err(EvaluationError::Several { at }),
            },
            Operator::Contains => {
                let right_items = self.eval(right, scope)?;
                match right_items.as_slice() {
                    [] => Vec::new(),
                    [item] => vec![Item::Boolean(self.is_member(item, left, scope)?)],
                    _ => return Err(EvaluationError::Several { at }),
                }
            }
            Operator::Equal => boolean(self.equal(&left_items, &self.eval(right, scope)?, at)?),
            Operator::Unequal => {
                boolean(self.equal(&left_items, &self.eval(right, scope)?, at)?.map(|equal| !equal))
            }
            Operator::Less | Operator::LessOrEqual | Operator::Greater | Operator::GreaterOrEqual => {
                let right_items = self.eval(right, scope)?;
                let (Some(a), Some(b)) = (single(&left_items, at)?, single(&right_items, at)?) else {
                    return Ok(Vec::new());
                };
                boolean(compare::order(a, b).map_err(|why| incomparable(why, at))?.map(
                    |order| match operator {
                        Operator::Less => order.is_lt(),
                        Operator::LessOrEqual => order.is_le(),
                        Operator::Greater => order.is_gt(),
                        _ => order.is_ge(),
                    },
                ))
            }
            Operator::Union => {
                let mut items = left_items;
                items.extend(self.eval(right, scope)?);
                self.distinct(items, at)?
            }
            Operator::Concatenate => {
                let right_items = self.eval(right, scope)?;
                let mut text = self.text(&left_items, at)?.unwrap_or_default();
                text.push_str(&self.text(&right_items, at)?.unwrap_or_default());
                self.pay(text.len() as u64 / 16, at)?;
                vec![Item::Text(text)]
            }
            Operator::Add
            | Operator::Subtract
            | Operator::Multiply
            | Operator::Divide
            | Operator::WholeDivide
            | Operator::Remainder => self.arithmetic(operator, &left_items, &self.eval(right, scope)?, at)?,
        })
    }

    /// Whether an item equals one of an expression's result. Few items are compared one by one, many by their keys.
    fn is_member(&self, item: &Item<'d>, set: &Expr, scope: Scope<'_, 'd>) -> Result<bool, EvaluationError> {
        if set.memo.is_some() {
            let keys = self.key_set(set, scope)?;
            if keys.len() > 8 {
                return Ok(keys.contains(&self.key(item, set.at)?));
            }
        }
        for candidate in self.eval(set, scope)? {
            if compare::equal(item, &candidate).map_err(|why| incomparable(why, set.at))? == Some(true) {
                return Ok(true);
            }
        }
        Ok(false)
    }

    fn equal(
        &self,
        left: &[Item<'d>],
        right: &[Item<'d>],
        at: usize,
    ) -> Result<Option<bool>, EvaluationError> {
        if left.is_empty() || right.is_empty() {
            return Ok(None);
        }
        if left.len() != right.len() {
            return Ok(Some(false));
        }
        let mut all = Some(true);
        for (a, b) in left.iter().zip(right) {
            if matches!(a.scalar(), Scalar::Complex(_)) && matches!(b.scalar(), Scalar::Complex(_)) {
                // Deep comparison reads both; their keys measure the work.
                self.key(a, at)?;
            }
            all = and(all, compare::equal(a, b).map_err(|why| incomparable(why, at))?);
        }
        Ok(all)
    }

    pub(super) fn distinct(&self, items: Items<'d>, at: usize) -> Evaluated<'d> {
        let mut seen = HashSet::new();
        let mut out = Vec::new();
        for item in items {
            if seen.insert(self.key(&item, at)?) {
                out.push(item);
            }
        }
        Ok(out)
    }

    fn arithmetic(
        &self,
        operator: Operator,
        left: &[Item<'d>],
        right: &[Item<'d>],
        at: usize,
    ) -> Evaluated<'d> {
        let (Some(a), Some(b)) = (single(left, at)?, single(right, at)?) else { return Ok(Vec::new()) };
        let result = match (a.scalar(), b.scalar()) {
            (Scalar::Absent, _) | (_, Scalar::Absent) => return Ok(Vec::new()),
            (Scalar::Text(a), Scalar::Text(b)) if operator == Operator::Add => {
                self.pay((a.len() + b.len()) as u64 / 16, at)?;
                return Ok(vec![Item::Text(format!("{a}{b}"))]);
            }
            (Scalar::Number(a), Scalar::Number(b)) => match operator {
                Operator::Add => a.checked_add(b),
                Operator::Subtract => a.checked_sub(b),
                Operator::Multiply => a.checked_mul(b),
                // N1: dividing by zero gives nothing.
                _ if b.is_zero() => return Ok(Vec::new()),
                Operator::Divide => a.checked_div(b),
                Operator::WholeDivide => a.checked_div(b).map(|quotient| quotient.trunc()),
                _ => a.checked_rem(b),
            },
            (Scalar::Unholdable, _) | (_, Scalar::Unholdable) => None,
            _ => return Err(EvaluationError::Types { at }),
        };
        let number = result.ok_or(EvaluationError::Number { at })?;
        Ok(vec![Item::Number(number)])
    }

    /// Singleton evaluation to a truth value (N1): one item that is not a boolean is true.
    pub(super) fn truth(&self, items: &[Item<'d>], at: usize) -> Result<Option<bool>, EvaluationError> {
        Ok(single(items, at)?.and_then(|item| match item.scalar() {
            Scalar::Boolean(value) => Some(value),
            Scalar::Absent => None,
            Scalar::Number(_)
            | Scalar::Unholdable
            | Scalar::Text(_)
            | Scalar::Moment(_)
            | Scalar::Quantity(_)
            | Scalar::Complex(_) => Some(true),
        }))
    }

    /// Singleton evaluation to a number.
    pub(super) fn number(&self, items: &[Item<'d>], at: usize) -> Result<Option<Decimal>, EvaluationError> {
        let Some(item) = single(items, at)? else { return Ok(None) };
        match item.scalar() {
            Scalar::Number(number) => Ok(Some(number)),
            Scalar::Absent => Ok(None),
            Scalar::Unholdable => Err(EvaluationError::Number { at }),
            _ => Err(EvaluationError::Types { at }),
        }
    }

    /// Singleton evaluation to a text: of a string, or of a date as it is written.
    pub(super) fn text(&self, items: &[Item<'d>], at: usize) -> Result<Option<String>, EvaluationError> {
        let Some(item) = single(items, at)? else { return Ok(None) };
        let text = match item {
            Item::Text(text) => text.clone(),
            Item::Node(Node { value: Some(serde_json::Value::String(text)), .. }) => text.clone(),
            Item::Node(Node { value: None, .. }) => return Ok(None),
            _ => return Err(EvaluationError::Types { at }),
        };
        self.pay(text.len() as u64 / 16, at)?;
        Ok(Some(text))
    }
}

fn incomparable(why: Incomparable, at: usize) -> EvaluationError {
    match why {
        Incomparable::Types => EvaluationError::Types { at },
        Incomparable::Number => EvaluationError::Number { at },
    }
}

pub(super) fn single<'i, 'd>(
    items: &'i [Item<'d>],
    at: usize,
) -> Result<Option<&'i Item<'d>>, EvaluationError> {
    match items {
        [] => Ok(None),
        [item] => Ok(Some(item)),
        _ => Err(EvaluationError::Several { at }),
    }
}

pub(super) fn boolean<'d>(value: Option<bool>) -> Items<'d> {
    value.map(Item::Boolean).into_iter().collect()
}

pub(super) fn and(a: Option<bool>, b: Option<bool>) -> Option<bool> {
    match (a, b) {
        (Some(false), _) | (_, Some(false)) => Some(false),
        (Some(true), Some(true)) => Some(true),
        _ => None,
    }
}

pub(super) fn or(a: Option<bool>, b: Option<bool>) -> Option<bool> {
    match (a, b) {
        (Some(true), _) | (_, Some(true)) => Some(true),
        (Some(false), Some(false)) => Some(false),
        _ => None,
    }
}
