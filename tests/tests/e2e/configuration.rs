//! Settings that cannot be used are refused at the start, by name, with what to change.

use solewire_tests::service::serve_once;

const OPEN: &str = "[access]\nmode = \"open\"\n";

#[test]
fn mistakes_are_named_with_what_to_change() {
    let table = [
        ("an unknown key", format!("[server]\nlisten_on = \"127.0.0.1:0\"\n{OPEN}"), "listen_on"),
        ("an unknown section", format!("[servers]\nlisten = \"127.0.0.1:0\"\n{OPEN}"), "servers"),
        ("no TOML", "server listen".to_owned(), "solewire.toml"),
        ("no address", format!("[server]\nlisten = \"here\"\n{OPEN}"), "server.listen"),
        ("an unknown store", format!("[store]\nurl = \"paper:drawer\"\n{OPEN}"), "store.url"),
        (
            "an unknown guideline",
            format!("[assessment]\nguideline = \"by-ear\"\n{OPEN}"),
            "assessment.guideline",
        ),
        (
            "open beyond the loopback",
            format!("[server]\nlisten = \"0.0.0.0:0\"\noperations_listen = \"127.0.0.1:0\"\n{OPEN}"),
            "access.mode",
        ),
    ];
    for (name, settings, named) in table {
        let ran = serve_once(&settings);
        assert!(ran.code.is_some_and(|code| code != 0), "{name}: {ran:?}");
        assert!(ran.err.contains(named), "{name}: {named} is not named: {ran:?}");
        assert!(!ran.err.contains("panicked"), "{name}: {ran:?}");
    }
}
