//! Help, version, completion and manual.

use super::Bench;

#[test]
fn the_version_names_what_is_checked_by() {
    let bench = Bench::new();
    let long = bench.run(&["--version"]).ends(0).out;
    assert!(long.starts_with("solewire-check 0."), "{long}");
    for line in ["FHIR 4.0.1", "profiles version ", "guideline iwgdf-2023 version "] {
        assert!(long.lines().any(|found| found.starts_with(line)), "{long}");
    }
    assert_eq!(bench.run(&["-V"]).ends(0).out.lines().count(), 1);
}

#[test]
fn every_shell_gets_a_script_that_knows_the_commands() {
    let bench = Bench::new();
    for shell in ["bash", "zsh", "fish", "powershell", "elvish"] {
        let script = bench.run(&["completion", shell]).ends(0).out;
        for word in ["validate", "assess", "baseline", "fail-on"] {
            assert!(script.contains(word), "{shell}: {word}");
        }
    }
    bench.run(&["completion", "tcsh"]).ends(2);
}

#[test]
fn the_manual_covers_every_command() {
    let manual = Bench::new().run(&["manual"]).ends(0).out;
    for page in
        ["solewire\\-check 1", "solewire\\-check\\-validate 1", "solewire\\-check\\-baseline\\-create 1"]
    {
        assert!(manual.contains(page) || manual.contains(&page.replace("\\-", "-")), "{page}");
    }
    assert!(manual.contains("Exit codes"));
}

#[test]
fn a_command_that_was_mistyped_is_guessed() {
    let ran = Bench::new().run(&["validat", "a.json"]).ends(2);
    assert!(ran.err.contains("'validate'"), "{}", ran.err);
}
