//! The parsed form of an expression.

use regex::Regex;
use rust_decimal::Decimal;

use super::functions::Function;
use super::moment::Moment;

/// A node of the syntax tree.
#[derive(Debug, Clone)]
pub(super) struct Expr {
    pub(super) kind: Kind,
    /// Byte offset in the source text, for messages.
    pub(super) at: usize,
    /// Height of the tree below, bounded when parsing so that neither evaluating nor dropping can exhaust the stack.
    pub(super) depth: usize,
    /// A slot for the result, where it is the same for every item of an evaluation (see [`mark_memos`]).
    pub(super) memo: Option<usize>,
}

/// What a node does.
#[derive(Debug, Clone)]
pub(super) enum Kind {
    Literal(Literal),
    /// `{}`
    Nothing,
    /// `$this`, written or implied.
    This,
    /// `$index`
    Index,
    Variable(Variable),
    /// A name that starts a path: a child of `$this`, or the type of `$this` itself.
    Name(Property),
    Member(Box<Expr>, Property),
    At(Box<Expr>, Box<Expr>),
    Call {
        receiver: Box<Expr>,
        function: Function,
        arguments: Vec<Expr>,
        pattern: Option<Regex>,
    },
    Typed {
        operand: Box<Expr>,
        test: TypeTest,
        name: TypeName,
    },
    Negate(Box<Expr>),
    Binary(Operator, Box<Expr>, Box<Expr>),
}

/// A constant.
#[derive(Debug, Clone)]
pub(super) enum Literal {
    Boolean(bool),
    Number(Decimal),
    Text(String),
    Moment(Moment),
    /// A number with a UCUM unit.
    Quantity(Decimal, String),
}

/// What `%` may name.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Variable {
    /// The resource nearest to the focus.
    Resource,
    /// The resource that contains it, or itself.
    RootResource,
    /// The node the evaluation began with.
    Context,
    /// The address of UCUM.
    Ucum,
    /// The address of SNOMED CT.
    Sct,
    /// The address of LOINC.
    Loinc,
}

/// A property of an object and the name of its companion (HL7 FHIR R4, JSON page: `_birthDate` beside `birthDate`).
#[derive(Debug, Clone)]
pub(super) struct Property {
    pub(super) name: String,
    pub(super) companion: String,
}

impl Property {
    pub(super) fn new(name: String) -> Property {
        let companion = format!("_{name}");
        Property { name, companion }
    }
}

/// The three ways to ask for a type.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum TypeTest {
    Is,
    /// `as` keeps the items that have the type. The standard allows one item only; HL7's own dom-3 gives it many, so
    /// here it is the same as `ofType`.
    As,
    OfType,
}

/// A type, with `System.` told apart from FHIR's own.
#[derive(Debug, Clone)]
pub(super) struct TypeName {
    pub(super) system: bool,
    pub(super) name: String,
}

/// Operators with two operands.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Operator {
    Implies,
    Or,
    Xor,
    And,
    In,
    Contains,
    Equal,
    Unequal,
    Less,
    LessOrEqual,
    Greater,
    GreaterOrEqual,
    Union,
    Add,
    Subtract,
    Concatenate,
    Multiply,
    Divide,
    WholeDivide,
    Remainder,
}

/// Gives a slot to every largest subexpression that cannot change while one evaluation runs: it begins at a variable
/// or a constant and never at `$this`.
///
/// Without this `entry.all(… %resource.code.coding …)` would read all codings again for every entry, and a document
/// could make the time grow with the square of its size.
pub(super) fn mark_memos(expr: &mut Expr, next: &mut usize) {
    let trivial = matches!(expr.kind, Kind::Literal(_) | Kind::Nothing | Kind::Variable(_));
    if !trivial && is_closed(expr) {
        expr.memo = Some(*next);
        *next += 1;
        return;
    }
    match &mut expr.kind {
        Kind::Literal(_) | Kind::Nothing | Kind::This | Kind::Index | Kind::Variable(_) | Kind::Name(_) => {}
        Kind::Member(inner, _) | Kind::Negate(inner) | Kind::Typed { operand: inner, .. } => {
            mark_memos(inner, next);
        }
        Kind::At(left, right) | Kind::Binary(_, left, right) => {
            mark_memos(left, next);
            mark_memos(right, next);
        }
        Kind::Call { receiver, arguments, .. } => {
            mark_memos(receiver, next);
            for argument in arguments {
                mark_memos(argument, next);
            }
        }
    }
}

fn is_closed(expr: &Expr) -> bool {
    match &expr.kind {
        Kind::Literal(_) | Kind::Nothing | Kind::Variable(_) => true,
        Kind::This | Kind::Index | Kind::Name(_) => false,
        Kind::Member(inner, _) | Kind::Negate(inner) | Kind::Typed { operand: inner, .. } => is_closed(inner),
        Kind::At(left, right) | Kind::Binary(_, left, right) => is_closed(left) && is_closed(right),
        Kind::Call { receiver, function, arguments, .. } => {
            is_closed(receiver) && (function.is_scoped() || arguments.iter().all(is_closed))
        }
    }
}

/// The property without which an expression is true, whatever else there is: `contained.contained.empty()` and
/// `dataAbsentReason.empty() or value.empty()` hold for every node without the first name in them.
///
/// Only what is evaluated first counts, so that nothing is passed by which could not be evaluated.
pub(super) fn true_without(expr: &Expr) -> Option<&Property> {
    match &expr.kind {
        Kind::Call { receiver, function: Function::Empty, .. } => begins_with(receiver),
        Kind::Binary(Operator::Or, left, _) => true_without(left),
        Kind::Binary(Operator::And, left, right) => {
            let (left, right) = (true_without(left)?, true_without(right)?);
            (left.name == right.name).then_some(left)
        }
        Kind::Binary(Operator::Implies, left, _) => match &left.kind {
            Kind::Call { receiver, function: Function::Exists, .. } => begins_with(receiver),
            _ => None,
        },
        _ => None,
    }
}

/// The name that a path begins with, where without it the whole path is empty.
fn begins_with(expr: &Expr) -> Option<&Property> {
    match &expr.kind {
        // One that begins with a capital may be the type of the node itself.
        Kind::Name(property) => {
            property.name.starts_with(|first: char| first.is_ascii_lowercase()).then_some(property)
        }
        Kind::Member(inner, _) => begins_with(inner),
        Kind::Call { receiver, function: Function::Where | Function::Select, .. } => begins_with(receiver),
        _ => None,
    }
}
