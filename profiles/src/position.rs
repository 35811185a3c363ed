//! Where something stands in a text.

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
    pub(crate) fn within(self, origin: Position) -> Position {
        let column = if self.line == 1 { origin.column + self.column - 1 } else { self.column };
        Position { line: origin.line + self.line - 1, column, offset: origin.offset + self.offset }
    }

    /// The position of a line and byte column as `serde_json` counts them: lines by LF, columns from 1 (0 at the
    /// very start of a line).
    pub(crate) fn at_line(text: &[u8], line: usize, byte_column: usize) -> Position {
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
pub(crate) struct LineCounter<'t> {
    text: &'t [u8],
    here: Position,
}

impl<'t> LineCounter<'t> {
    pub(crate) fn new(text: &'t [u8]) -> Self {
        LineCounter { text, here: Position::START }
    }

    /// The position of `offset`, which must not be smaller than that of the call before.
    pub(crate) fn position(&mut self, offset: usize) -> Position {
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
