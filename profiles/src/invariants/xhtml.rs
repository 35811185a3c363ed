//! The check behind `htmlChecks()`: is a narrative the limited XHTML that R4 allows (HL7 FHIR R4, Narrative: the
//! formatting elements and attributes of HTML 4.0 chapters 7-11 and 15, `a`, images, `style`; no head, body, script,
//! form, frame, object, external style sheet or event attribute)?
//!
//! Written by hand and read in one pass: nothing is expanded, fetched or executed.

/// Why a narrative is refused.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Fault {
    /// The root is not one `div` in the XHTML namespace.
    Root,
    /// Tags are not well formed or not balanced.
    Syntax,
    /// An element that is not allowed.
    Element,
    /// An attribute that is not allowed, or a link that runs a script.
    Attribute,
    /// A declaration, processing instruction or an entity that HTML does not have.
    Entity,
    /// Neither text nor an image.
    Empty,
}

impl Fault {
    /// The fault in words.
    pub(super) fn words(self) -> &'static str {
        match self {
            Fault::Root => "the narrative is not one div in the XHTML namespace",
            Fault::Syntax => "the narrative is not well-formed XHTML",
            Fault::Element => "the narrative has an element that is not allowed",
            Fault::Attribute => "the narrative has an attribute that is not allowed",
            Fault::Entity => "the narrative has a declaration or an entity that is not allowed",
            Fault::Empty => "the narrative has neither text nor an image",
        }
    }
}

const NAMESPACE: &str = "http://www.w3.org/1999/xhtml";

#[rustfmt::skip]
const ELEMENTS: &[&str] = &[
    "a", "abbr", "acronym", "address", "b", "bdo", "big", "blockquote", "br", "caption", "center", "cite", "code", "col",
    "colgroup", "dd", "del", "dfn", "dir", "div", "dl", "dt", "em", "font", "h1", "h2", "h3", "h4", "h5", "h6", "hr", "i",
    "img", "ins", "kbd", "li", "menu", "ol", "p", "pre", "q", "s", "samp", "small", "span", "strike", "strong", "sub",
    "sup", "table", "tbody", "td", "tfoot", "th", "thead", "tr", "tt", "u", "ul", "var",
];

#[rustfmt::skip]
const ATTRIBUTES: &[&str] = &[
    "abbr", "align", "alt", "axis", "bgcolor", "border", "cellhalign", "cellpadding", "cellspacing", "cellvalign", "char",
    "charoff", "charset", "cite", "class", "clear", "color", "cols", "colspan", "compact", "coords", "datetime", "dir",
    "face", "frame", "headers", "height", "href", "hreflang", "hspace", "id", "lang", "longdesc", "name", "noshade",
    "nowrap", "rel", "rev", "rowspan", "rules", "scope", "shape", "size", "span", "src", "start", "style", "summary",
    "tabindex", "title", "type", "valign", "value", "vspace", "width", "xml:lang", "xml:space", "xmlns",
];

#[rustfmt::skip]
const ENTITIES: &[&str] = &[
    "quot", "amp", "lt", "gt", "apos", "OElig", "oelig", "Scaron", "scaron", "Yuml", "circ", "tilde", "ensp", "emsp",
    "thinsp", "zwnj", "zwj", "lrm", "rlm", "ndash", "mdash", "lsquo", "rsquo", "sbquo", "ldquo", "rdquo", "bdquo",
    "dagger", "Dagger", "permil", "lsaquo", "rsaquo", "euro", "nbsp", "iexcl", "cent", "pound", "curren", "yen", "brvbar",
    "sect", "uml", "copy", "ordf", "laquo", "not", "shy", "reg", "macr", "deg", "plusmn", "sup2", "sup3", "acute", "micro",
    "para", "middot", "cedil", "sup1", "ordm", "raquo", "frac14", "frac12", "frac34", "iquest", "Agrave", "Aacute",
    "Acirc", "Atilde", "Auml", "Aring", "AElig", "Ccedil", "Egrave", "Eacute", "Ecirc", "Euml", "Igrave", "Iacute",
    "Icirc", "Iuml", "ETH", "Ntilde", "Ograve", "Oacute", "Ocirc", "Otilde", "Ouml", "times", "Oslash", "Ugrave", "Uacute",
    "Ucirc", "Uuml", "Yacute", "THORN", "szlig", "agrave", "aacute", "acirc", "atilde", "auml", "aring", "aelig", "ccedil",
    "egrave", "eacute", "ecirc", "euml", "igrave", "iacute", "icirc", "iuml", "eth", "ntilde", "ograve", "oacute", "ocirc",
    "otilde", "ouml", "divide", "oslash", "ugrave", "uacute", "ucirc", "uuml", "yacute", "thorn", "yuml", "fnof", "Alpha",
    "Beta", "Gamma", "Delta", "Epsilon", "Zeta", "Eta", "Theta", "Iota", "Kappa", "Lambda", "Mu", "Nu", "Xi", "Omicron",
    "Pi", "Rho", "Sigma", "Tau", "Upsilon", "Phi", "Chi", "Psi", "Omega", "alpha", "beta", "gamma", "delta", "epsilon",
    "zeta", "eta", "theta", "iota", "kappa", "lambda", "mu", "nu", "xi", "omicron", "pi", "rho", "sigmaf", "sigma", "tau",
    "upsilon", "phi", "chi", "psi", "omega", "thetasym", "upsih", "piv", "bull", "hellip", "prime", "Prime", "oline",
    "frasl", "weierp", "image", "real", "trade", "alefsym", "larr", "uarr", "rarr", "darr", "harr", "crarr", "lArr", "uArr",
    "rArr", "dArr", "hArr", "forall", "part", "exist", "empty", "nabla", "isin", "notin", "ni", "prod", "sum", "minus",
    "lowast", "radic", "prop", "infin", "ang", "and", "or", "cap", "cup", "int", "there4", "sim", "cong", "asymp", "ne",
    "equiv", "le", "ge", "sub", "sup", "nsub", "sube", "supe", "oplus", "otimes", "perp", "sdot", "lceil", "rceil",
    "lfloor", "rfloor", "lang", "rang", "loz", "spades", "clubs", "hearts", "diams",
];

/// Checks markup and content.
pub(super) fn check(text: &str) -> Result<(), Fault> {
    let mut reader = Reader { rest: text.trim(), open: Vec::new(), closed: false, content: false };
    while !reader.rest.is_empty() {
        reader.step()?;
    }
    if !reader.closed {
        return Err(if reader.open.is_empty() { Fault::Root } else { Fault::Syntax });
    }
    if reader.content { Ok(()) } else { Err(Fault::Empty) }
}

struct Reader<'t> {
    rest: &'t str,
    open: Vec<&'t str>,
    /// The root element has ended.
    closed: bool,
    /// There was text or an image.
    content: bool,
}

impl<'t> Reader<'t> {
    fn step(&mut self) -> Result<(), Fault> {
        if let Some(after) = self.rest.strip_prefix("<!--") {
            let (comment, after) = after.split_once("-->").ok_or(Fault::Syntax)?;
            if comment.contains("--") {
                return Err(Fault::Syntax);
            }
            self.rest = after;
            return Ok(());
        }
        if self.rest.starts_with("<!") || self.rest.starts_with("<?") {
            return Err(Fault::Entity);
        }
        if let Some(after) = self.rest.strip_prefix("</") {
            let (name, after) = after.split_once('>').ok_or(Fault::Syntax)?;
            if self.open.pop() != Some(name.trim_end()) {
                return Err(Fault::Syntax);
            }
            self.closed = self.open.is_empty();
            self.rest = after;
            return Ok(());
        }
        if let Some(after) = self.rest.strip_prefix('<') {
            self.rest = after;
            return self.tag();
        }
        let length = self.rest.find('<').unwrap_or(self.rest.len());
        let (text, after) = self.rest.split_at_checked(length).ok_or(Fault::Syntax)?;
        self.rest = after;
        if self.open.is_empty() {
            return if text.trim().is_empty() { Ok(()) } else { Err(Fault::Root) };
        }
        self.content |= has_content(text)?;
        Ok(())
    }

    fn tag(&mut self) -> Result<(), Fault> {
        let name = self.word();
        let root = self.open.is_empty();
        if root && (self.closed || name != "div") {
            return Err(Fault::Root);
        }
        if !ELEMENTS.contains(&name) {
            return Err(if name.is_empty() { Fault::Syntax } else { Fault::Element });
        }
        let mut seen: Vec<&str> = Vec::new();
        let mut namespace = None;
        loop {
            let before = self.rest.len();
            self.rest = self.rest.trim_start();
            if let Some(after) = self.rest.strip_prefix("/>") {
                self.rest = after;
                self.closed = root;
                break;
            }
            if let Some(after) = self.rest.strip_prefix('>') {
                self.rest = after;
                self.open.push(name);
                break;
            }
            if before == self.rest.len() {
                return Err(Fault::Syntax);
            }
            let attribute = self.word();
            if !ATTRIBUTES.contains(&attribute) {
                return Err(if attribute.is_empty() { Fault::Syntax } else { Fault::Attribute });
            }
            // The list is short and holds no name twice, so a hostile tag cannot make this long.
            if seen.contains(&attribute) {
                return Err(Fault::Syntax);
            }
            seen.push(attribute);
            let value = self.value()?;
            has_content(value)?;
            match attribute {
                "xmlns" => namespace = Some(value),
                "href" | "src" | "cite" | "longdesc" if runs_script(value) => return Err(Fault::Attribute),
                "href" if name != "a" => return Err(Fault::Attribute),
                "src" if name != "img" => return Err(Fault::Attribute),
                "style" if value.to_ascii_lowercase().contains("expression(") => {
                    return Err(Fault::Attribute);
                }
                _ => {}
            }
        }
        if root && namespace != Some(NAMESPACE) || namespace.is_some_and(|namespace| namespace != NAMESPACE) {
            return Err(Fault::Root);
        }
        self.content |= name == "img";
        Ok(())
    }

    fn word(&mut self) -> &'t str {
        let end =
            |character: char| !(character.is_ascii_alphanumeric() || character == ':' || character == '-');
        let length = self.rest.find(end).unwrap_or(self.rest.len());
        let (word, after) = self.rest.split_at_checked(length).unwrap_or(("", self.rest));
        self.rest = after;
        word
    }

    fn value(&mut self) -> Result<&'t str, Fault> {
        let after = self.rest.trim_start().strip_prefix('=').ok_or(Fault::Syntax)?.trim_start();
        let quote = after.chars().next().filter(|quote| matches!(quote, '"' | '\'')).ok_or(Fault::Syntax)?;
        let (value, after) = after.get(1..).and_then(|after| after.split_once(quote)).ok_or(Fault::Syntax)?;
        if value.contains('<') {
            return Err(Fault::Syntax);
        }
        self.rest = after;
        Ok(value)
    }
}

/// Whether a link would run code. Blanks, controls and character references inside the scheme are not allowed to
/// hide it.
fn runs_script(link: &str) -> bool {
    let head: String = link
        .chars()
        .filter(|character| !character.is_whitespace() && !character.is_control())
        .take(64)
        .collect::<String>()
        .to_ascii_lowercase();
    let scheme = head.split([':', '/', '?', '#']).next().unwrap_or("");
    let referenced = scheme.contains('&') || head.starts_with('&');
    referenced
        || head.starts_with("javascript:")
        || head.starts_with("vbscript:")
        || head.starts_with("data:text")
}

/// Checks the references in a text; whether it has more than blanks.
fn has_content(text: &str) -> Result<bool, Fault> {
    let mut pieces = text.split('&');
    let mut content = pieces.next().is_some_and(|piece| !piece.trim().is_empty());
    for piece in pieces {
        let (name, after) = piece.split_once(';').ok_or(Fault::Syntax)?;
        content |= !after.trim().is_empty();
        let character = if let Some(number) = name.strip_prefix('#') {
            let code = match number.strip_prefix('x') {
                Some(hex) => u32::from_str_radix(hex, 16),
                None => number.parse(),
            };
            Some(code.ok().and_then(char::from_u32).ok_or(Fault::Entity)?)
        } else if ENTITIES.contains(&name) {
            None
        } else {
            return Err(Fault::Entity);
        };
        let blank =
            character.map_or(matches!(name, "nbsp" | "ensp" | "emsp" | "thinsp"), char::is_whitespace);
        content |= !blank;
    }
    Ok(content)
}
