//! The generated text of a resource, for readers without software that knows the codes.

use serde_json::{Value, json};

fn escape(text: &str) -> String {
    text.replace('&', "&amp;").replace('<', "&lt;").replace('>', "&gt;")
}

/// A generated Narrative of one paragraph a line.
pub(super) fn narrative(lines: &[String]) -> Value {
    let paragraphs: String = lines.iter().map(|line| format!("<p>{}</p>", escape(line))).collect();
    json!({ "status": "generated", "div": format!("<div xmlns=\"http://www.w3.org/1999/xhtml\">{paragraphs}</div>") })
}
