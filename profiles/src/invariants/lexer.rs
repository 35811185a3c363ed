//! Text to tokens (FHIRPath N1, section "Lexical elements").

use super::expression::CompileError;

/// A token and where it begins.
#[derive(Debug, Clone)]
pub(super) struct Token {
    pub(super) kind: TokenKind,
    pub(super) at: usize,
}

#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) enum TokenKind {
    /// A plain identifier or word operator.
    Word(String),
    /// An identifier between backticks: never an operator.
    Quoted(String),
    Text(String),
    Number(String),
    /// What follows `@`.
    Moment(String),
    /// What follows `%`.
    Variable(String),
    /// What follows `$`.
    Special(String),
    Symbol(&'static str),
    End,
}

/// Longest first, so that `<=` is not read as `<`.
const SYMBOLS: &[&str] = &[
    "<=", ">=", "!=", "!~", ".", ",", "(", ")", "[", "]", "{", "}", "=", "<", ">", "|", "&", "+", "-", "*",
    "/", "~",
];

struct Lexer<'s> {
    source: &'s str,
    at: usize,
}

/// Splits an expression into tokens, the last of which is [`TokenKind::End`].
pub(super) fn tokens(source: &str) -> Result<Vec<Token>, CompileError> {
    let mut lexer = Lexer { source, at: 0 };
    let mut tokens = Vec::new();
    loop {
        lexer.skip_blank()?;
        let at = lexer.at;
        let kind = lexer.token()?;
        let end = kind == TokenKind::End;
        tokens.push(Token { kind, at });
        if end {
            return Ok(tokens);
        }
    }
}

impl<'s> Lexer<'s> {
    fn rest(&self) -> &'s str {
        self.source.get(self.at..).unwrap_or("")
    }

    fn peek(&self) -> Option<char> {
        self.rest().chars().next()
    }

    fn next(&mut self) -> Option<char> {
        let character = self.peek()?;
        self.at += character.len_utf8();
        Some(character)
    }

    fn take(&mut self, accept: impl Fn(char) -> bool) -> &'s str {
        let rest = self.rest();
        let length = rest.find(|character| !accept(character)).unwrap_or(rest.len());
        self.at += length;
        rest.get(..length).unwrap_or("")
    }

    fn skip_blank(&mut self) -> Result<(), CompileError> {
        loop {
            self.take(char::is_whitespace);
            if self.rest().starts_with("//") {
                self.take(|character| character != '\n' && character != '\r');
            } else if self.rest().starts_with("/*") {
                let length = self
                    .rest()
                    .find("*/")
                    .ok_or_else(|| CompileError::syntax(self.at, "a comment without its end"))?;
                self.at += length + 2;
            } else {
                return Ok(());
            }
        }
    }

    fn token(&mut self) -> Result<TokenKind, CompileError> {
        let at = self.at;
        let Some(first) = self.peek() else { return Ok(TokenKind::End) };
        match first {
            '\'' => Ok(TokenKind::Text(self.quoted('\'')?)),
            '`' => Ok(TokenKind::Quoted(self.quoted('`')?)),
            '%' => {
                self.next();
                let name = match self.peek() {
                    Some(quote @ ('`' | '\'')) => self.quoted(quote)?,
                    _ => self.take(is_word).to_owned(),
                };
                Ok(TokenKind::Variable(name))
            }
            '$' => {
                self.next();
                Ok(TokenKind::Special(self.take(is_word).to_owned()))
            }
            '@' => {
                self.next();
                Ok(TokenKind::Moment(self.moment()))
            }
            '0'..='9' => {
                let mut number = self.take(|character| character.is_ascii_digit()).to_owned();
                let mut after = self.rest().chars();
                if after.next() == Some('.') && after.next().is_some_and(|next| next.is_ascii_digit()) {
                    self.next();
                    number.push('.');
                    number.push_str(self.take(|character| character.is_ascii_digit()));
                }
                Ok(TokenKind::Number(number))
            }
            'A'..='Z' | 'a'..='z' | '_' => Ok(TokenKind::Word(self.take(is_word).to_owned())),
            _ => {
                let symbol = SYMBOLS.iter().find(|symbol| self.rest().starts_with(**symbol));
                let symbol =
                    symbol.ok_or_else(|| CompileError::syntax(at, format!("the character `{first}`")))?;
                self.at += symbol.len();
                Ok(TokenKind::Symbol(symbol))
            }
        }
    }

    /// The part of a date, time or both after `@`. A point belongs to it only before a digit, so that `@2014.is(…)`
    /// calls a function.
    fn moment(&mut self) -> String {
        let mut text = String::new();
        loop {
            text.push_str(self.take(|character| {
                character.is_ascii_digit() || matches!(character, '-' | ':' | 'T' | 'Z' | '+')
            }));
            let mut after = self.rest().chars();
            let fraction =
                after.next() == Some('.') && after.next().is_some_and(|next| next.is_ascii_digit());
            if !fraction {
                return text;
            }
            self.next();
            text.push('.');
        }
    }

    fn quoted(&mut self, quote: char) -> Result<String, CompileError> {
        let start = self.at;
        self.next();
        let mut text = String::new();
        loop {
            let at = self.at;
            match self.next() {
                None => return Err(CompileError::syntax(start, "a quotation without its end")),
                Some(character) if character == quote => return Ok(text),
                Some('\\') => text.push(self.escaped(at)?),
                Some(character) => text.push(character),
            }
        }
    }

    fn escaped(&mut self, at: usize) -> Result<char, CompileError> {
        let wrong = || CompileError::syntax(at, "an escape that FHIRPath does not have");
        Ok(match self.next().ok_or_else(wrong)? {
            same @ ('\\' | '\'' | '"' | '`' | '/') => same,
            'f' => '\u{c}',
            'n' => '\n',
            'r' => '\r',
            't' => '\t',
            'u' => {
                let digits = self.rest().get(..4).ok_or_else(wrong)?;
                self.at += 4;
                if !digits.bytes().all(|digit| digit.is_ascii_hexdigit()) {
                    return Err(wrong());
                }
                u32::from_str_radix(digits, 16).ok().and_then(char::from_u32).ok_or_else(wrong)?
            }
            _ => return Err(wrong()),
        })
    }
}

fn is_word(character: char) -> bool {
    character.is_ascii_alphanumeric() || character == '_'
}
