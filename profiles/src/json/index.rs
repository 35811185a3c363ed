//! Where each value of a JSON text stands: built only when an issue has to be placed.

use std::collections::HashMap;

use super::{JSON_DUPLICATE_KEY, JSON_RESERVED_KEY, push_pointer, strict};
use crate::issue::Issue;

/// A half-open range of byte offsets.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Span {
    /// Offset of the first byte.
    pub start: usize,
    /// Offset behind the last byte.
    pub end: usize,
}

/// A place in a text: line and column from 1, columns in Unicode scalar values; offset in bytes from 0.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub struct Position {
    /// Line, from 1. A line ends with LF, CRLF or CR.
    pub line: usize,
    /// Column, from 1, in Unicode scalar values.
    pub column: usize,
    /// Byte offset, from 0, behind a byte order mark.
    pub offset: usize,
}

impl Position {
    /// The first character.
    pub const START: Position = Position { line: 1, column: 1, offset: 0 };

    /// The position of a byte offset.
    #[must_use]
    pub fn of(text: &[u8], offset: usize) -> Position {
        LineCounter::new(text).position(offset)
    }

    /// This position in a larger text, in which the text it was counted in begins at `origin`.
    pub(super) fn within(self, origin: Position) -> Position {
        let column = if self.line == 1 { origin.column + self.column - 1 } else { self.column };
        Position { line: origin.line + self.line - 1, column, offset: origin.offset + self.offset }
    }

    /// The position of a line and byte column as `serde_json` counts them: lines by LF, columns from 1 (0 at the
    /// very start of a line).
    pub(super) fn at_line(text: &[u8], line: usize, byte_column: usize) -> Position {
        let mut start = 0;
        for _ in 1..line {
            let rest = text.get(start..).unwrap_or_default();
            match rest.iter().position(|&byte| byte == b'\n') {
                Some(at) => start += at + 1,
                None => break,
            }
        }
        Position::of(text, (start + byte_column.saturating_sub(1)).min(text.len()))
    }
}

/// Turns ascending byte offsets into positions in one pass over the text.
pub(super) struct LineCounter<'t> {
    text: &'t [u8],
    here: Position,
}

impl<'t> LineCounter<'t> {
    pub(super) fn new(text: &'t [u8]) -> Self {
        LineCounter { text, here: Position::START }
    }

    /// The position of `offset`, which must not be smaller than that of the call before.
    pub(super) fn position(&mut self, offset: usize) -> Position {
        while self.here.offset < offset {
            let Some(&byte) = self.text.get(self.here.offset) else { break };
            self.here.offset += 1;
            let carriage_return_alone = byte == b'\r' && self.text.get(self.here.offset) != Some(&b'\n');
            if byte == b'\n' || carriage_return_alone {
                self.here.line += 1;
                self.here.column = 1;
            } else if byte & 0xC0 != 0x80 && byte != b'\r' {
                self.here.column += 1;
            }
        }
        // A continuation byte was counted with its first byte, so the column is that of the character after it.
        self.here
    }
}

#[derive(Debug)]
struct Node {
    parent: u32,
    /// Offset of the key for a property, of the value for anything else.
    start: usize,
    value: Span,
    key: Option<String>,
    children: Vec<u32>,
}

/// The spans of every value of a text, reachable by JSON pointer. Tolerates a text that breaks off.
#[derive(Debug)]
pub struct Index {
    nodes: Vec<Node>,
}

impl Index {
    /// Scans a text once.
    #[must_use]
    pub fn build(text: &[u8]) -> Index {
        let root = Node {
            parent: 0,
            start: 0,
            value: Span { start: 0, end: text.len() },
            key: None,
            children: Vec::new(),
        };
        let mut index = Index { nodes: vec![root] };
        Scanner { text, at: 0 }.scan(&mut index);
        index
    }

    /// The place a pointer names, or that of the nearest ancestor that is there. A property is placed at its key.
    #[must_use]
    pub fn locate(&self, pointer: &str) -> Span {
        let mut node = self.nodes.first();
        for token in pointer.split('/').skip(1) {
            let token = token.replace("~1", "/").replace("~0", "~");
            match node.and_then(|node| self.child(node, &token)) {
                Some(child) => node = Some(child),
                None => break,
            }
        }
        node.map_or(Span { start: 0, end: 0 }, |node| Span { start: node.start, end: node.value.end })
    }

    fn child(&self, node: &Node, token: &str) -> Option<&Node> {
        let keyed = node.children.first().and_then(|&first| self.nodes.get(first as usize))?.key.is_some();
        if keyed {
            node.children
                .iter()
                .filter_map(|&child| self.nodes.get(child as usize))
                .find(|child| child.key.as_deref() == Some(token))
        } else {
            let number: usize = token.parse().ok()?;
            self.nodes.get(*node.children.get(number)? as usize)
        }
    }

    fn pointer(&self, node: &Node) -> String {
        let mut tokens = Vec::new();
        let mut here = node;
        while let Some(parent) = self.nodes.get(here.parent as usize) {
            if std::ptr::eq(parent, here) {
                break;
            }
            tokens.push(match &here.key {
                Some(key) => key.clone(),
                None => parent
                    .children
                    .iter()
                    .position(|&child| {
                        self.nodes.get(child as usize).is_some_and(|node| std::ptr::eq(node, here))
                    })
                    .unwrap_or_default()
                    .to_string(),
            });
            here = parent;
        }
        tokens.iter().rev().fold(String::new(), |pointer, token| push_pointer(&pointer, token))
    }

    pub(super) fn duplicate_keys(&self, text: &[u8], origin: Position) -> Vec<Issue> {
        let mut issues = Vec::new();
        for node in &self.nodes {
            let mut seen: HashMap<&str, usize> = HashMap::new();
            for child in node.children.iter().filter_map(|&child| self.nodes.get(child as usize)) {
                let Some(key) = child.key.as_deref() else { break };
                if let Some(&first) = seen.get(key) {
                    let first = Position::of(text, first).within(origin);
                    let message = format!(
                        "The property stands twice in this object, first at line {}, column {}.",
                        first.line, first.column
                    );
                    issues.push(
                        Issue::new(&JSON_DUPLICATE_KEY, self.pointer(child), message).at(Position::of(
                            text,
                            child.start,
                        )
                        .within(origin)),
                    );
                } else {
                    seen.insert(key, child.start);
                }
            }
        }
        issues.sort_by_key(|issue| issue.position);
        issues
    }

    pub(super) fn reserved_keys(&self, text: &[u8], origin: Position) -> Vec<Issue> {
        self.nodes
            .iter()
            .filter(|node| node.key.as_deref().is_some_and(strict::is_reserved))
            .map(|node| {
                let message = "This property name cannot be read as FHIR.".to_owned();
                let place = Position::of(text, node.start).within(origin);
                Issue::new(&JSON_RESERVED_KEY, self.pointer(node), message).at(place)
            })
            .collect()
    }
}

struct Scanner<'t> {
    text: &'t [u8],
    at: usize,
}

impl Scanner<'_> {
    /// Walks the text with an explicit stack, so that depth is bounded by memory and not by the call stack.
    fn scan(&mut self, index: &mut Index) {
        let mut open: Vec<u32> = Vec::new();
        let mut key: Option<(usize, String)> = None;
        while let Some(byte) = self.skip_space() {
            match byte {
                b'{' | b'[' => {
                    let node =
                        Self::add(index, &open, key.take(), Span { start: self.at, end: self.text.len() });
                    open.push(node);
                    self.at += 1;
                }
                b'}' | b']' => {
                    self.at += 1;
                    if let Some(node) = open.pop().and_then(|node| index.nodes.get_mut(node as usize)) {
                        node.value.end = self.at;
                    }
                }
                b',' | b':' => self.at += 1,
                b'"' => {
                    let start = self.at;
                    let text = self.string();
                    let is_key = key.is_none() && self.skip_space() == Some(b':');
                    if is_key {
                        key = Some((start, text));
                    } else {
                        Self::add(index, &open, key.take(), Span { start, end: self.at });
                    }
                }
                _ => {
                    let start = self.at;
                    while self.text.get(self.at).is_some_and(|byte| !b",:{}[]\" \t\r\n".contains(byte)) {
                        self.at += 1;
                    }
                    Self::add(index, &open, key.take(), Span { start, end: self.at });
                }
            }
        }
    }

    fn add(index: &mut Index, open: &[u32], key: Option<(usize, String)>, value: Span) -> u32 {
        let Some(&parent) = open.last() else {
            if let Some(root) = index.nodes.first_mut() {
                root.start = value.start;
                root.value = value;
            }
            return 0;
        };
        let number = u32::try_from(index.nodes.len()).unwrap_or(u32::MAX);
        let (start, key) = key.map_or((value.start, None), |(start, key)| (start, Some(key)));
        index.nodes.push(Node { parent, start, value, key, children: Vec::new() });
        if let Some(parent) = index.nodes.get_mut(parent as usize) {
            parent.children.push(number);
        }
        number
    }

    fn skip_space(&mut self) -> Option<u8> {
        while self.text.get(self.at).is_some_and(|byte| b" \t\r\n".contains(byte)) {
            self.at += 1;
        }
        self.text.get(self.at).copied()
    }

    fn string(&mut self) -> String {
        let start = self.at;
        self.at += 1;
        while let Some(&byte) = self.text.get(self.at) {
            self.at += match byte {
                b'\\' => 2,
                _ => 1,
            };
            if byte == b'"' {
                break;
            }
        }
        self.at = self.at.min(self.text.len());
        let quoted = self.text.get(start..self.at).unwrap_or_default();
        serde_json::from_slice(quoted).unwrap_or_else(|_| String::from_utf8_lossy(quoted).into_owned())
    }
}
