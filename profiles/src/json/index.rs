//! Where each value of a JSON text stands: built only when an issue has to be placed.

use std::collections::HashMap;

use super::{JSON_DUPLICATE_KEY, JSON_RESERVED_KEY, push_pointer, strict};
use crate::issue::Issue;
use crate::position::{LineCounter, Position};

/// A half-open range of byte offsets.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Span {
    /// Offset of the first byte.
    pub start: usize,
    /// Offset behind the last byte.
    pub end: usize,
}

/// Objects with more properties than this are looked up by a table.
const WIDE: usize = 16;
/// Most repeated keys that one text is told about.
const MOST_DUPLICATES: usize = 100;

#[derive(Debug)]
struct Node {
    parent: u32,
    /// Its place among the children of its parent.
    place: usize,
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
    /// For wide objects, by number of the node: the first child of each key. Many issues in one such object would
    /// otherwise cost the square of its width.
    wide: HashMap<u32, HashMap<String, u32>>,
}

impl Index {
    /// Scans a text once.
    #[must_use]
    pub fn build(text: &[u8]) -> Index {
        let root = Node {
            parent: 0,
            place: 0,
            start: 0,
            value: Span { start: 0, end: text.len() },
            key: None,
            children: Vec::new(),
        };
        let mut index = Index { nodes: vec![root], wide: HashMap::new() };
        Scanner { text, at: 0 }.scan(&mut index);
        index.wide = index.tables_of_wide_objects();
        index
    }

    fn tables_of_wide_objects(&self) -> HashMap<u32, HashMap<String, u32>> {
        let mut wide = HashMap::new();
        for (number, node) in (0u32..).zip(&self.nodes) {
            if node.children.len() <= WIDE {
                continue;
            }
            let mut table = HashMap::new();
            for &child in &node.children {
                if let Some(key) = self.nodes.get(child as usize).and_then(|child| child.key.as_ref()) {
                    table.entry(key.clone()).or_insert(child);
                }
            }
            if !table.is_empty() {
                wide.insert(number, table);
            }
        }
        wide
    }

    /// The place a pointer names, or that of the nearest ancestor that is there. A property is placed at its key.
    #[must_use]
    pub fn locate(&self, pointer: &str) -> Span {
        let mut number = 0;
        for token in pointer.split('/').skip(1) {
            let token = token.replace("~1", "/").replace("~0", "~");
            match self.child(number, &token) {
                Some(child) => number = child,
                None => break,
            }
        }
        let node = self.nodes.get(number as usize);
        node.map_or(Span { start: 0, end: 0 }, |node| Span { start: node.start, end: node.value.end })
    }

    fn child(&self, number: u32, token: &str) -> Option<u32> {
        if let Some(table) = self.wide.get(&number) {
            return table.get(token).copied();
        }
        let node = self.nodes.get(number as usize)?;
        let keyed = node.children.first().and_then(|&first| self.nodes.get(first as usize))?.key.is_some();
        if keyed {
            let has_key = |child: &&u32| {
                self.nodes.get(**child as usize).is_some_and(|child| child.key.as_deref() == Some(token))
            };
            node.children.iter().find(has_key).copied()
        } else {
            node.children.get(token.parse::<usize>().ok()?).copied()
        }
    }

    fn pointer(&self, node: &Node) -> String {
        let mut tokens = Vec::new();
        let mut here = node;
        while let Some(parent) = self.nodes.get(here.parent as usize) {
            if std::ptr::eq(parent, here) {
                break;
            }
            tokens.push(here.key.clone().unwrap_or_else(|| here.place.to_string()));
            here = parent;
        }
        tokens.iter().rev().fold(String::new(), |pointer, token| push_pointer(&pointer, token))
    }

    /// The keys that stand twice in their object, in the order of the text, up to a bound in number and
    /// in depth: each tells its whole pointer, so a hostile text could otherwise make the answer as large as the
    /// square of the text.
    pub(super) fn duplicate_keys(&self, text: &[u8], depth: usize, origin: Position) -> Vec<Issue> {
        let mut found = Vec::new();
        let mut depths: Vec<usize> = Vec::with_capacity(self.nodes.len());
        for node in &self.nodes {
            // A parent stands before its children, so its depth is known; the root is its own parent.
            let here = depths.get(node.parent as usize).map_or(0, |above| above + 1);
            depths.push(here);
            if here > depth {
                continue;
            }
            let mut seen: HashMap<&str, usize> = HashMap::new();
            for child in node.children.iter().filter_map(|&child| self.nodes.get(child as usize)) {
                let Some(key) = child.key.as_deref() else { break };
                match seen.get(key) {
                    Some(&first) => found.push((first, child)),
                    None => {
                        seen.insert(key, child.start);
                    }
                }
            }
        }
        found.sort_by_key(|(_, child)| child.start);
        found.truncate(MOST_DUPLICATES);
        let places = found.iter().flat_map(|(first, child)| [*first, child.start]);
        let positions = positions(text, places.collect());
        let position =
            |offset: usize| positions.get(&offset).copied().unwrap_or(Position::START).within(origin);
        let issue = |(first, child): (usize, &Node)| {
            let first = position(first);
            let message = format!(
                "The property stands twice in this object, first at line {}, column {}.",
                first.line, first.column
            );
            Issue::new(&JSON_DUPLICATE_KEY, self.pointer(child), message).at(position(child.start))
        };
        found.into_iter().map(issue).collect()
    }

    pub(super) fn reserved_keys(&self, text: &[u8], origin: Position) -> Vec<Issue> {
        let reserved = |node: &&Node| node.key.as_deref().is_some_and(strict::is_reserved);
        let found: Vec<&Node> = self.nodes.iter().filter(reserved).take(MOST_DUPLICATES).collect();
        let positions = positions(text, found.iter().map(|node| node.start).collect());
        found
            .into_iter()
            .map(|node| {
                let position = positions.get(&node.start).copied().unwrap_or(Position::START).within(origin);
                let message = "This property name cannot be read as FHIR.".to_owned();
                Issue::new(&JSON_RESERVED_KEY, self.pointer(node), message).at(position)
            })
            .collect()
    }
}

/// The positions of some offsets, in one pass over the text.
fn positions(text: &[u8], mut offsets: Vec<usize>) -> HashMap<usize, Position> {
    offsets.sort_unstable();
    let mut lines = LineCounter::new(text);
    offsets.into_iter().map(|offset| (offset, lines.position(offset))).collect()
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
        let place = index.nodes.get(parent as usize).map_or(0, |parent| parent.children.len());
        index.nodes.push(Node { parent, place, start, value, key, children: Vec::new() });
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
