//! [`Expression`]: an expression that was read once and can be asked about many nodes.

use super::evaluate::{EvaluationError, Run};
use super::focus::Focus;
use super::parser;
use super::syntax::{Expr, mark_memos, true_without};

/// Why an expression was refused. `at` counts bytes from 0.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum CompileError {
    /// It is FHIRPath, or looks like it, but outside the subset that is evaluated here.
    #[error("{construct} at offset {at} is outside the supported FHIRPath subset")]
    Outside {
        /// The construct by name.
        construct: String,
        /// Where it begins.
        at: usize,
    },
    /// It is not FHIRPath.
    #[error("{found} at offset {at} is not FHIRPath")]
    Syntax {
        /// What stands there.
        found: String,
        /// Where it begins.
        at: usize,
    },
    /// It is longer than accepted.
    #[error("the expression is longer than {limit} bytes")]
    TooLarge {
        /// The limit in bytes.
        limit: usize,
    },
    /// It is nested more deeply than accepted.
    #[error("the expression is nested too deeply at offset {at}")]
    TooDeep {
        /// Where the limit was reached.
        at: usize,
    },
}

impl CompileError {
    pub(super) fn syntax(at: usize, found: impl Into<String>) -> CompileError {
        CompileError::Syntax { found: found.into(), at }
    }

    pub(super) fn outside(at: usize, construct: impl Into<String>) -> CompileError {
        CompileError::Outside { construct: construct.into(), at }
    }

    pub(super) fn too_large(limit: usize) -> CompileError {
        CompileError::TooLarge { limit }
    }

    pub(super) fn too_deep(at: usize) -> CompileError {
        CompileError::TooDeep { at }
    }
}

/// A compiled FHIRPath expression of the subset described in [`crate::invariants`].
#[derive(Debug, Clone)]
pub struct Expression {
    root: Expr,
    memos: usize,
    /// A node without this property keeps to the expression.
    idle_without: Option<String>,
}

impl Expression {
    /// Reads an expression.
    ///
    /// # Errors
    /// When it is not FHIRPath, or uses a construct outside the subset; the error names the construct and its place.
    pub fn compile(source: &str) -> Result<Expression, CompileError> {
        let mut root = parser::parse(source)?;
        let mut memos = 0;
        mark_memos(&mut root, &mut memos);
        let idle_without = true_without(&root).map(|property| property.name.clone());
        Ok(Expression { root, memos, idle_without })
    }

    pub(super) fn root(&self) -> &Expr {
        &self.root
    }

    /// The property without which every node keeps to the expression.
    #[cfg(test)]
    pub(super) fn idle_without(&self) -> Option<&str> {
        self.idle_without.as_deref()
    }

    /// The truth of the expression for a node; none when it is unknown (the result is empty), as when a value that it
    /// compares is absent or two dates differ in exactness.
    ///
    /// # Errors
    /// When the expression cannot be applied to this node, or would take too many steps.
    pub fn decide(&self, focus: &Focus<'_>) -> Result<Option<bool>, EvaluationError> {
        let run = Run::new(focus, self.memos);
        let items = run.evaluate(&self.root)?;
        run.truth(&items, self.root.at)
    }

    /// Whether the node keeps to the expression: it is not false.
    ///
    /// An unknown result is no breach. That an element must be there is said by its cardinality, or by `exists()`.
    ///
    /// # Errors
    /// As [`Expression::decide`].
    pub fn holds(&self, focus: &Focus<'_>) -> Result<bool, EvaluationError> {
        if self.idle_without.as_deref().is_some_and(|name| !focus.node.has(name)) {
            return Ok(true);
        }
        Ok(self.decide(focus)? != Some(false))
    }
}
