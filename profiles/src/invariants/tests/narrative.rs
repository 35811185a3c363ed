//! Narratives.

use super::super::xhtml::{Fault, check};

fn div(content: &str) -> String {
    format!("<div xmlns=\"http://www.w3.org/1999/xhtml\">{content}</div>")
}

#[test]
fn plain_narratives_pass() {
    for content in [
        "text",
        "<p class='a' style=\"color: red\">Sensation felt &amp; noted&#160;&#xe4;&nbsp;</p>",
        "<img src=\"#photo\" alt=\"\"/>",
        "<table><tbody><tr><td colspan=\"2\">a<br/>b</td></tr></tbody></table>",
        "<a href=\"https://harbourlane.example/x?a=1&amp;b=2\">link</a>",
        "<!-- note --><div>inner <div/> text</div>",
        "a &gt; b > c",
    ] {
        assert_eq!(check(&div(content)), Ok(()), "{content}");
    }
    assert_eq!(check(&format!("  <!-- c -->{}\n", div("x"))), Ok(()));
}

#[test]
fn what_is_not_allowed_is_told_apart() {
    for (content, fault) in [
        ("", Fault::Empty),
        (" \n&nbsp;&#32;<p> </p>", Fault::Empty),
        ("<script>x</script>", Fault::Element),
        ("<form>x</form>", Fault::Element),
        ("<iframe src=\"x\"/>", Fault::Element),
        ("<P>x</P>", Fault::Element),
        ("<p onclick=\"x()\">x</p>", Fault::Attribute),
        ("<a href=\"java\tscript:x()\">x</a>", Fault::Attribute),
        ("<a href=\" JavaScript:x()\">x</a>", Fault::Attribute),
        ("<a href=\"&#106;avascript:x()\">x</a>", Fault::Attribute),
        ("<a href=\"data:text/html,x\">x</a>", Fault::Attribute),
        ("<p src=\"x\">x</p>", Fault::Attribute),
        ("x &unknown; y", Fault::Entity),
        ("x &#xd800; y", Fault::Entity),
        ("<!ENTITY x SYSTEM \"file:x\">", Fault::Entity),
        ("<?xml-stylesheet href=\"x\"?>x", Fault::Entity),
        ("<![CDATA[x]]>", Fault::Entity),
        ("<p>x", Fault::Syntax),
        ("<b><i>x</b></i>", Fault::Syntax),
        ("a & b", Fault::Syntax),
        ("<p class=a>x</p>", Fault::Syntax),
        ("<p class=\"a\" class=\"b\">x</p>", Fault::Syntax),
        ("<p class=\"<\">x</p>", Fault::Syntax),
        ("< p>x</p>", Fault::Syntax),
        ("<p", Fault::Syntax),
    ] {
        assert_eq!(check(&div(content)), Err(fault), "{content}");
    }
    for text in [
        "",
        "text",
        "<div>no namespace</div>",
        "<div xmlns=\"other\">x</div>",
        "<p xmlns=\"http://www.w3.org/1999/xhtml\">x</p>",
        "<div xmlns=\"http://www.w3.org/1999/xhtml\">x</div><div xmlns=\"http://www.w3.org/1999/xhtml\">x</div>",
        "<div xmlns=\"http://www.w3.org/1999/xhtml\">x</div> text",
    ] {
        assert_eq!(check(text), Err(Fault::Root), "{text}");
    }
    let foreign = "<p xmlns=\"http://www.w3.org/2000/svg\">x</p>";
    assert_eq!(check(&div(foreign)), Err(Fault::Root));
}
