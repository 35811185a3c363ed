//! Are the elements that an expression names really elements of their types?
//!
//! A misspelt name is never found, so what depends on it is empty, and empty is no breach: the constraint would hold
//! for ever. Whoever loads a constraint asks this first.

use super::expression::Expression;
use super::functions::Function;
use super::syntax::{Expr, Kind, Operator, Property, TypeTest, Variable};
use super::types::{parent_type, with_choice_suffixes};

/// A name in an expression that its type does not have. `at` counts bytes of the expression from 0.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("`{name}` at offset {at} is not an element of {types}")]
pub struct UnknownElement {
    /// The name.
    pub name: String,
    /// The types that were searched.
    pub types: String,
    /// Where the name stands.
    pub at: usize,
}

/// What may stand at a place: elements of these types; none of them known when empty.
type Types = Vec<String>;

struct Names<'n, 't> {
    lookup: &'n dyn Fn(&str, &str) -> Option<&'t str>,
    resource: &'n str,
    context: &'n Types,
}

impl Expression {
    /// Follows every path of the expression through the types, as far as they can be known beforehand.
    ///
    /// `resource` is the type of `%resource`, `focus` the types that the focus may have (several for a choice
    /// element), `types` gives the types of elements as for [`check`](super::check).
    ///
    /// # Errors
    /// The first name that none of the possible types has.
    pub fn check_names<'t>(
        &self,
        resource: &str,
        focus: &[&str],
        types: &dyn Fn(&str, &str) -> Option<&'t str>,
    ) -> Result<(), UnknownElement> {
        let context: Types = focus.iter().map(|&ty| ty.to_owned()).collect();
        Names { lookup: types, resource, context: &context }.visit(self.root(), &context).map(|_| ())
    }
}

impl<'t> Names<'_, 't> {
    fn visit(&self, expr: &Expr, this: &Types) -> Result<Types, UnknownElement> {
        Ok(match &expr.kind {
            Kind::Literal(_) | Kind::Nothing | Kind::Index => Types::new(),
            Kind::This => this.clone(),
            Kind::Variable(variable) => match variable {
                Variable::Resource => vec![self.resource.to_owned()],
                Variable::Context => self.context.clone(),
                Variable::RootResource | Variable::Ucum | Variable::Sct | Variable::Loinc => Types::new(),
            },
            Kind::Name(property) => {
                if this.contains(&property.name)
                    || matches!(property.name.as_str(), "Resource" | "DomainResource")
                {
                    this.clone()
                } else {
                    self.member(this, property, expr.at)?
                }
            }
            Kind::Member(inner, property) => {
                let types = self.visit(inner, this)?;
                self.member(&types, property, expr.at)?
            }
            Kind::At(inner, index) => {
                self.visit(index, this)?;
                self.visit(inner, this)?
            }
            Kind::Typed { operand, test, name } => {
                self.visit(operand, this)?;
                match test {
                    TypeTest::As | TypeTest::OfType if !name.system => vec![name.name.clone()],
                    TypeTest::Is | TypeTest::As | TypeTest::OfType => Types::new(),
                }
            }
            Kind::Negate(inner) => {
                self.visit(inner, this)?;
                Types::new()
            }
            Kind::Binary(operator, left, right) => {
                let left = self.visit(left, this)?;
                let right = self.visit(right, this)?;
                if *operator == Operator::Union { either(left, right) } else { Types::new() }
            }
            Kind::Call { receiver, function, arguments, .. } => {
                let own = self.visit(receiver, this)?;
                let scope = if function.is_scoped() { &own } else { this };
                let mut found = Vec::new();
                for argument in arguments {
                    found.push(self.visit(argument, scope)?);
                }
                let mut found = found.into_iter();
                match function {
                    Function::Where
                    | Function::First
                    | Function::Last
                    | Function::Tail
                    | Function::Skip
                    | Function::Take
                    | Function::Single
                    | Function::Distinct
                    | Function::Intersect
                    | Function::Exclude
                    | Function::Trace => own,
                    Function::Select => found.next().unwrap_or_default(),
                    Function::Union | Function::Combine => either(own, found.next().unwrap_or_default()),
                    Function::Extension => vec!["Extension".to_owned()],
                    // The rest gives values, or nodes whose types cannot be told beforehand.
                    _ => Types::new(),
                }
            }
        })
    }

    fn element(&self, ty: &str, name: &str) -> Option<&'t str> {
        (self.lookup)(ty, name).or_else(|| (self.lookup)(parent_type(ty)?, name))
    }

    fn member(&self, types: &Types, property: &Property, at: usize) -> Result<Types, UnknownElement> {
        let open = |ty: &String| {
            matches!(ty.as_str(), "Resource" | "DomainResource" | "Element" | "BackboneElement")
        };
        if types.is_empty() || types.iter().any(open) {
            return Ok(Types::new());
        }
        let mut found = Types::new();
        for ty in types {
            let direct = match property.name.as_str() {
                "extension" => Some("Extension"),
                "id" => Some("string"),
                name => self.element(ty, name),
            };
            let add = |ty: &str, found: &mut Types| {
                if !found.iter().any(|known| known == ty) {
                    found.push(ty.to_owned());
                }
            };
            match direct {
                Some(ty) => add(ty, &mut found),
                None => with_choice_suffixes(&property.name)
                    .filter_map(|name| self.element(ty, &name))
                    .for_each(|ty| add(ty, &mut found)),
            }
        }
        if found.is_empty() {
            return Err(UnknownElement { name: property.name.clone(), types: types.join(", "), at });
        }
        Ok(found)
    }
}

/// The types of two operands together; unknown if either is.
fn either(mut left: Types, right: Types) -> Types {
    if left.is_empty() || right.is_empty() {
        return Types::new();
    }
    left.extend(right);
    left
}
