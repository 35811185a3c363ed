//! Tokens to a syntax tree (FHIRPath N1, grammar and table of precedence).

use regex::RegexBuilder;
use rust_decimal::Decimal;

use super::expression::CompileError;
use super::functions::Function;
use super::lexer::{Token, TokenKind, tokens};
use super::moment::Moment;
use super::syntax::{Expr, Kind, Literal, Operator, Property, TypeName, TypeTest, Variable};

/// Longest accepted expression, in bytes. The longest of R4 has some 600.
const MAX_LENGTH: usize = 16 * 1024;
/// Tallest accepted syntax tree.
const MAX_DEPTH: usize = 120;
/// Deepest accepted nesting of parentheses, arguments and operands: the parser takes several stack frames for each.
const MAX_NESTING: usize = 50;

/// Reads a whole expression.
pub(super) fn parse(source: &str) -> Result<Expr, CompileError> {
    if source.len() > MAX_LENGTH {
        return Err(CompileError::too_large(MAX_LENGTH));
    }
    let mut parser = Parser { tokens: tokens(source)?, next: 0, nesting: 0 };
    let expr = parser.expression(1)?;
    match parser.peek() {
        TokenKind::End => Ok(expr),
        _ => Err(parser.unexpected("the end or an operator")),
    }
}

struct Parser {
    tokens: Vec<Token>,
    next: usize,
    nesting: usize,
}

static END: TokenKind = TokenKind::End;

/// Precedence from 1 (binds least) to 10; none if the token is no operator.
fn operator(token: &TokenKind) -> Option<(usize, Option<Operator>)> {
    let (level, operator) = match token {
        TokenKind::Word(word) => match word.as_str() {
            "implies" => (1, Operator::Implies),
            "or" => (2, Operator::Or),
            "xor" => (2, Operator::Xor),
            "and" => (3, Operator::And),
            "in" => (4, Operator::In),
            "contains" => (4, Operator::Contains),
            "is" | "as" => return Some((8, None)),
            "div" => (10, Operator::WholeDivide),
            "mod" => (10, Operator::Remainder),
            _ => return None,
        },
        TokenKind::Symbol(symbol) => match *symbol {
            "=" => (5, Operator::Equal),
            "!=" => (5, Operator::Unequal),
            "<" => (6, Operator::Less),
            "<=" => (6, Operator::LessOrEqual),
            ">" => (6, Operator::Greater),
            ">=" => (6, Operator::GreaterOrEqual),
            "|" => (7, Operator::Union),
            "+" => (9, Operator::Add),
            "-" => (9, Operator::Subtract),
            "&" => (9, Operator::Concatenate),
            "*" => (10, Operator::Multiply),
            "/" => (10, Operator::Divide),
            _ => return None,
        },
        TokenKind::Quoted(_)
        | TokenKind::Text(_)
        | TokenKind::Number(_)
        | TokenKind::Moment(_)
        | TokenKind::Variable(_)
        | TokenKind::Special(_)
        | TokenKind::End => return None,
    };
    Some((level, Some(operator)))
}

impl Parser {
    fn peek(&self) -> &TokenKind {
        self.tokens.get(self.next).map_or(&END, |token| &token.kind)
    }

    fn at(&self) -> usize {
        self.tokens.get(self.next).or(self.tokens.last()).map_or(0, |token| token.at)
    }

    fn advance(&mut self) -> TokenKind {
        let kind = self.peek().clone();
        self.next += 1;
        kind
    }

    fn accept(&mut self, symbol: &'static str) -> bool {
        let found = *self.peek() == TokenKind::Symbol(symbol);
        self.next += usize::from(found);
        found
    }

    fn expect(&mut self, symbol: &'static str) -> Result<(), CompileError> {
        if self.accept(symbol) { Ok(()) } else { Err(self.unexpected(&format!("`{symbol}`"))) }
    }

    fn unexpected(&self, wanted: &str) -> CompileError {
        CompileError::syntax(self.at(), format!("something where {wanted} should stand"))
    }

    fn node(kind: Kind, at: usize) -> Result<Expr, CompileError> {
        let below = match &kind {
            Kind::Literal(_)
            | Kind::Nothing
            | Kind::This
            | Kind::Index
            | Kind::Variable(_)
            | Kind::Name(_) => 0,
            Kind::Member(inner, _) | Kind::Negate(inner) | Kind::Typed { operand: inner, .. } => inner.depth,
            Kind::At(left, right) | Kind::Binary(_, left, right) => left.depth.max(right.depth),
            Kind::Call { receiver, arguments, .. } => {
                arguments.iter().map(|argument| argument.depth).fold(receiver.depth, usize::max)
            }
        };
        if below >= MAX_DEPTH {
            return Err(CompileError::too_deep(at));
        }
        Ok(Expr { kind, at, depth: below + 1, memo: None })
    }

    fn expression(&mut self, least: usize) -> Result<Expr, CompileError> {
        self.nesting += 1;
        if self.nesting > MAX_NESTING {
            return Err(CompileError::too_deep(self.at()));
        }
        let mut left = self.unary()?;
        loop {
            let at = self.at();
            if let TokenKind::Symbol(symbol @ ("~" | "!~")) = self.peek() {
                return Err(CompileError::outside(at, format!("the operator `{symbol}`")));
            }
            let Some((level, operator)) = operator(self.peek()) else { break };
            if level < least {
                break;
            }
            let word = self.advance();
            left = if let Some(operator) = operator {
                let right = self.expression(level + 1)?;
                Self::node(Kind::Binary(operator, Box::new(left), Box::new(right)), at)?
            } else {
                let test = if word == TokenKind::Word("is".to_owned()) { TypeTest::Is } else { TypeTest::As };
                let name = self.type_name()?;
                Self::node(Kind::Typed { operand: Box::new(left), test, name }, at)?
            };
        }
        self.nesting -= 1;
        Ok(left)
    }

    fn unary(&mut self) -> Result<Expr, CompileError> {
        let at = self.at();
        let mut negative = false;
        let mut signs = 0_usize;
        loop {
            if self.accept("-") {
                negative = !negative;
            } else if !self.accept("+") {
                break;
            }
            signs += 1;
        }
        let operand = self.postfix()?;
        match (signs, negative) {
            (0, _) => Ok(operand),
            (_, true) => Self::node(Kind::Negate(Box::new(operand)), at),
            // A plus sign still asks for a number: negating twice does.
            (_, false) => {
                let once = Self::node(Kind::Negate(Box::new(operand)), at)?;
                Self::node(Kind::Negate(Box::new(once)), at)
            }
        }
    }

    fn postfix(&mut self) -> Result<Expr, CompileError> {
        let mut expr = self.term()?;
        loop {
            let at = self.at();
            if self.accept(".") {
                let at = self.at();
                expr = match self.advance() {
                    TokenKind::Word(name) => {
                        if *self.peek() == TokenKind::Symbol("(") {
                            self.call(Some(expr), &name, at)?
                        } else {
                            Self::node(Kind::Member(Box::new(expr), Property::new(name)), at)?
                        }
                    }
                    TokenKind::Quoted(name) => {
                        Self::node(Kind::Member(Box::new(expr), Property::new(name)), at)?
                    }
                    _ => {
                        self.next -= 1;
                        return Err(self.unexpected("the name of an element or a function"));
                    }
                };
            } else if self.accept("[") {
                let index = self.expression(1)?;
                self.expect("]")?;
                expr = Self::node(Kind::At(Box::new(expr), Box::new(index)), at)?;
            } else {
                return Ok(expr);
            }
        }
    }

    fn term(&mut self) -> Result<Expr, CompileError> {
        let at = self.at();
        let kind = match self.advance() {
            TokenKind::Symbol("(") => {
                let inner = self.expression(1)?;
                self.expect(")")?;
                return Ok(inner);
            }
            TokenKind::Symbol("{") => {
                self.expect("}")?;
                Kind::Nothing
            }
            TokenKind::Text(text) => Kind::Literal(Literal::Text(text)),
            TokenKind::Number(digits) => self.number(&digits, at)?,
            TokenKind::Moment(text) => {
                let moment = Moment::literal(&text)
                    .ok_or_else(|| CompileError::syntax(at, "a date or time that is none"))?;
                Kind::Literal(Literal::Moment(moment))
            }
            TokenKind::Variable(name) => Kind::Variable(match name.as_str() {
                "resource" => Variable::Resource,
                "rootResource" => Variable::RootResource,
                "context" => Variable::Context,
                "ucum" => Variable::Ucum,
                "sct" => Variable::Sct,
                "loinc" => Variable::Loinc,
                _ => return Err(CompileError::outside(at, format!("the variable `%{name}`"))),
            }),
            TokenKind::Special(name) => match name.as_str() {
                "this" => Kind::This,
                "index" => Kind::Index,
                _ => return Err(CompileError::outside(at, format!("`${name}`"))),
            },
            TokenKind::Quoted(name) => Kind::Name(Property::new(name)),
            TokenKind::Word(word) => {
                if *self.peek() == TokenKind::Symbol("(") {
                    return self.call(None, &word, at);
                }
                match word.as_str() {
                    "true" => Kind::Literal(Literal::Boolean(true)),
                    "false" => Kind::Literal(Literal::Boolean(false)),
                    "and" | "or" | "xor" | "implies" | "div" | "mod" => {
                        self.next -= 1;
                        return Err(self.unexpected("a value"));
                    }
                    _ => Kind::Name(Property::new(word)),
                }
            }
            TokenKind::Symbol(_) | TokenKind::End => {
                self.next -= 1;
                return Err(self.unexpected("a value"));
            }
        };
        Self::node(kind, at)
    }

    fn number(&mut self, digits: &str, at: usize) -> Result<Kind, CompileError> {
        let number = Decimal::from_str_exact(digits)
            .map_err(|_| CompileError::syntax(at, "a number with too many digits"))?;
        let unit = match self.peek() {
            TokenKind::Text(unit) => unit.clone(),
            TokenKind::Word(word) if CALENDAR_UNITS.contains(&word.as_str()) => {
                return Err(CompileError::outside(self.at(), format!("the calendar duration `{word}`")));
            }
            _ => return Ok(Kind::Literal(Literal::Number(number))),
        };
        self.next += 1;
        Ok(Kind::Literal(Literal::Quantity(number, unit)))
    }

    fn call(&mut self, receiver: Option<Expr>, name: &str, at: usize) -> Result<Expr, CompileError> {
        self.expect("(")?;
        let receiver = Box::new(match receiver {
            Some(receiver) => receiver,
            None => Self::node(Kind::This, at)?,
        });
        let test = match name {
            "is" => Some(TypeTest::Is),
            "as" => Some(TypeTest::As),
            "ofType" => Some(TypeTest::OfType),
            _ => None,
        };
        if let Some(test) = test {
            let name = self.type_name()?;
            self.expect(")")?;
            return Self::node(Kind::Typed { operand: receiver, test, name }, at);
        }
        let function = Function::named(name)
            .ok_or_else(|| CompileError::outside(at, format!("the function `{name}()`")))?;
        let mut arguments = Vec::new();
        if !self.accept(")") {
            loop {
                arguments.push(self.expression(1)?);
                if self.accept(")") {
                    break;
                }
                self.expect(",")?;
            }
        }
        let (least, most) = function.arity();
        if !(least..=most).contains(&arguments.len()) {
            return Err(CompileError::syntax(at, format!("`{name}()` with {} arguments", arguments.len())));
        }
        let pattern = match function {
            Function::Matches | Function::ReplaceMatches => Some(pattern(function, &arguments, at)?),
            _ => None,
        };
        Self::node(Kind::Call { receiver, function, arguments, pattern }, at)
    }

    fn type_name(&mut self) -> Result<TypeName, CompileError> {
        let word = |parser: &mut Parser| match parser.advance() {
            TokenKind::Word(word) | TokenKind::Quoted(word) => Ok(word),
            _ => {
                parser.next -= 1;
                Err(parser.unexpected("the name of a type"))
            }
        };
        let at = self.at();
        let first = word(self)?;
        if !self.accept(".") {
            return Ok(TypeName { system: false, name: first });
        }
        let name = word(self)?;
        match first.as_str() {
            "System" => Ok(TypeName { system: true, name }),
            "FHIR" => Ok(TypeName { system: false, name }),
            _ => Err(CompileError::outside(at, format!("the namespace `{first}`"))),
        }
    }
}

const CALENDAR_UNITS: &[&str] = &[
    "year",
    "years",
    "month",
    "months",
    "week",
    "weeks",
    "day",
    "days",
    "hour",
    "hours",
    "minute",
    "minutes",
    "second",
    "seconds",
    "millisecond",
    "milliseconds",
];

/// Compiles the pattern once. It must be a literal: a pattern taken from a document would let the document choose
/// what is compiled.
///
/// `matches` holds when the whole text matches. N1 leaves open whether a part is enough; the patterns without anchors
/// in R4 (`name.matches('[A-Z]…{0,254}')`) mean the whole.
fn pattern(function: Function, arguments: &[Expr], at: usize) -> Result<regex::Regex, CompileError> {
    let Some(Expr { kind: Kind::Literal(Literal::Text(text)), .. }) = arguments.first() else {
        let name = function.name();
        return Err(CompileError::outside(at, format!("`{name}()` with a pattern that is not a literal")));
    };
    let whole = if function == Function::Matches { format!(r"\A(?:{text})\z") } else { text.clone() };
    RegexBuilder::new(&whole)
        .dot_matches_new_line(true)
        .build()
        .map_err(|_| CompileError::outside(at, "a pattern that the linear-time engine cannot run".to_owned()))
}
