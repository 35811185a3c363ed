//! The commands of the guides, run as they stand there against the built programs.
//!
//! Each guide is followed from top to bottom in an empty folder by one shell. In it stand, as after a build in a clone,
//! `target/release`, the corpus and the examples, and a `solewire.toml` with an empty store. A block is one of these, and nothing else:
//!
//! - `sh` in a fence: a script; every command has to succeed.
//! - lines that begin with `$ `: commands, each with what it prints. Printed lines have to come in their order; `...`
//!   stands for anything. A command ends with status 0, or with that of `# exit status N` behind it.
//! - a file: the line before it says "into `NAME`:". It is written, and a later command has to use it.
//! - `toml` beside that: settings, which have to exist.
//! - `text` in a fence: neither run nor read by a program.
//!
//! What cannot be run here is listed in `NOT_RUN` with its reason.

use std::collections::BTreeMap;
use std::fmt::Write as _;
use std::net::{Ipv4Addr, TcpListener};
use std::path::{Path, PathBuf};
use std::process::Command;
use std::time::Duration;

use solewire_service::config::SETTINGS;
use solewire_tests::{binaries, left_out, process};

/// One guide may take so long, on a busy machine.
const LIMIT: Duration = Duration::from_secs(120);

/// After so many seconds the shell and all that it started are ended, so that what it printed can be read.
const SHELL_SECONDS: &str = "80";

/// Commands that are not run here: how they begin, and why.
const NOT_RUN: &[(&str, &str)] = &[
    ("tests/run", "runs this test"),
    ("cargo test", "runs this test"),
    (
        "cargo run --release -p solewire-service --bin solewire -- demo",
        "serves until interrupted; see e2e/demo.rs",
    ),
    ("cargo bench", "measures time"),
    ("cargo +nightly", "needs another toolchain"),
    ("tests/long/", "runs for hours"),
    ("tests/bench/run", "measures time"),
    ("apt", "installs a package"),
    ("sudo", "changes the machine"),
    ("dpkg", "installs a package"),
    ("systemctl", "changes the machine"),
    ("systemd-", "changes the machine"),
    ("install -", "changes the machine"),
    ("service/packaging/", "builds a release; a step of its own in tests/run"),
    ("tests/dependencies/check", "a step of its own in tests/run"),
    ("docker", "needs a container engine"),
    ("podman", "needs a container engine"),
    ("solewire token revoke 5f0c13aa9b7e", "no token is called so; tests/tests/security takes one back"),
    ("pg_dump", "needs a PostgreSQL of its own"),
    (
        "python3 profiles/local/generate.py",
        "writes into the sources; profiles/src/profile/tests holds what it makes",
    ),
];

/// Addresses that the guides use; each is another free one in a run.
const PORTS: &[u16] = &[8080, 8081, 8090, 8443, 9080, 9081];

/// Where a service listens that is not told otherwise, written out so that a run can move it.
const DEFAULT_LISTENERS: &str =
    "\n[server]\nlisten = \"127.0.0.1:8080\"\noperations_listen = \"127.0.0.1:8081\"\n";

fn root() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("..").canonicalize().unwrap()
}

#[derive(Debug, PartialEq)]
enum Kind {
    Script,
    Commands,
    File(String),
    Settings,
    Text,
}

#[derive(Debug)]
struct Block {
    /// Of the first line, from 1.
    line: usize,
    kind: Kind,
    text: String,
}

/// The blocks of a guide: in fences, or indented by four behind an empty line.
fn blocks(guide: &str, page: &str) -> Vec<Block> {
    let lines: Vec<&str> = page.lines().collect();
    let mut found = Vec::new();
    let mut before = "";
    let mut at = 0;
    while let Some(line) = lines.get(at) {
        if let Some(language) = line.strip_prefix("```") {
            let length = lines[at + 1..].iter().position(|line| *line == "```");
            let length = length.unwrap_or_else(|| panic!("{guide}:{}: the fence stays open", at + 1));
            let text = lines[at + 1..at + 1 + length].join("\n");
            found.push(Block { line: at + 2, kind: kind(guide, at + 1, language, before, &text), text });
            at += length + 2;
            before = "";
        } else if line.starts_with("    ") && at > 0 && lines[at - 1].is_empty() && !before.starts_with("- ")
        {
            let inside = |line: &&&str| line.starts_with("    ") || line.is_empty();
            let mut length = lines[at..].iter().take_while(inside).count();
            while lines[at + length - 1].is_empty() {
                length -= 1;
            }
            let text: Vec<&str> =
                lines[at..at + length].iter().map(|line| line.strip_prefix("    ").unwrap_or(line)).collect();
            let text = text.join("\n");
            found.push(Block { line: at + 1, kind: kind(guide, at + 1, "", before, &text), text });
            at += length;
            before = "";
        } else {
            if !line.is_empty() {
                before = line;
            }
            at += 1;
        }
    }
    found
}

fn kind(guide: &str, line: usize, language: &str, before: &str, text: &str) -> Kind {
    if let Some(name) = before.strip_suffix("`:").and_then(|told| told.rsplit_once("nto `")) {
        return Kind::File(name.1.to_owned());
    }
    let first = text.split(['\n', ' ']).next().unwrap_or_default();
    let program = [
        "install",
        "systemd-run",
        "systemctl",
        "sudo",
        "apt",
        "dpkg",
        "ar",
        "tar",
        "service/packaging/build",
        "solewire",
        "solewire-check",
        "cargo",
        "curl",
        "openssl",
        "pg_dump",
        "python3",
        "node",
    ];
    match language {
        "text" => Kind::Text,
        "toml" => Kind::Settings,
        "sh" => Kind::Script,
        "" if text.starts_with("$ ") => Kind::Commands,
        "" if text.starts_with('[') => Kind::Settings,
        "" if program.contains(&first) || first.starts_with("tests/") => Kind::Script,
        _ => {
            panic!("{guide}:{line}: say what this block is: sh, toml, text, a file, or commands behind `$ `")
        }
    }
}

fn free_ports() -> BTreeMap<u16, u16> {
    let held: Vec<TcpListener> =
        PORTS.iter().map(|_| TcpListener::bind((Ipv4Addr::LOCALHOST, 0)).unwrap()).collect();
    PORTS.iter().copied().zip(held.iter().map(|held| held.local_addr().unwrap().port())).collect()
}

/// A run of one guide.
struct Run {
    guide: &'static str,
    script: String,
    /// For each command of `$ `: its line, its status, what it is to print.
    expected: Vec<(usize, i32, Vec<String>)>,
    run: usize,
    files: usize,
    settings: usize,
    left: usize,
}

impl Run {
    fn add(&mut self, block: &Block, later: &str) {
        let line = block.line;
        match &block.kind {
            Kind::Text => {}
            Kind::Settings => {
                settings_exist(self.guide, line, &block.text);
                self.settings += 1;
            }
            Kind::File(name) => {
                let (guide, used) = (self.guide, later.contains(name.split('/').next().unwrap_or(name)));
                assert!(used, "{guide}:{line}: no later command uses {name}");
                if name.ends_with(".toml") {
                    settings_exist(guide, line, &block.text);
                }
                self.files += 1;
                let mut text = block.text.clone();
                if name.ends_with(".toml") && !text.contains("[server]") {
                    text.push_str(DEFAULT_LISTENERS);
                }
                write!(
                    self.script,
                    "mkdir -p \"$(dirname '{name}')\"; cat > '{name}' <<'END OF FILE'\n{text}\nEND OF FILE\n"
                )
                .unwrap();
            }
            Kind::Script => {
                let mut left = false;
                let mut kept = Vec::new();
                for line in block.text.lines() {
                    // A command that is left out is left out with the lines that it goes on in.
                    let goes_on = left && kept_on(&block.text, line);
                    left = goes_on || !self.is_run(line);
                    if !left {
                        kept.push(line);
                    }
                }
                if kept.iter().any(|line| !line.trim().is_empty()) {
                    self.run += 1;
                    let text = kept.join("\n") + "\n";
                    writeln!(self.script, "echo '@line {line}'\nset -e\n{text}\nset +e").unwrap();
                } else {
                    self.left += 1;
                }
            }
            Kind::Commands => {
                self.run += 1;
                for (number, command, printed) in commands(block) {
                    if !self.is_run(&command) {
                        continue;
                    }
                    let status = command.split("# exit status ").nth(1);
                    let status = status.map_or(0, |text| text.trim().parse().unwrap());
                    let text = command + "\n";
                    writeln!(self.script, "echo '@line {number}'\n{text}\necho \"@status $?\"").unwrap();
                    self.expected.push((number, status, printed));
                }
            }
        }
    }

    fn is_run(&self, command: &str) -> bool {
        !NOT_RUN.iter().any(|(start, _)| command.trim_start().starts_with(start))
    }
}

/// Whether the line before this one ends with a backslash.
fn kept_on(text: &str, line: &str) -> bool {
    let before = text.lines().zip(text.lines().skip(1)).find(|(_, next)| std::ptr::eq(*next, line));
    before.is_some_and(|(before, _)| before.ends_with('\\'))
}

/// The commands of a block of `$ `: line, command, what it prints.
fn commands(block: &Block) -> Vec<(usize, String, Vec<String>)> {
    let mut found: Vec<(usize, String, Vec<String>)> = Vec::new();
    let mut goes_on = false;
    for (at, line) in block.text.lines().enumerate() {
        if let Some(command) = line.strip_prefix("$ ") {
            found.push((block.line + at, command.to_owned(), Vec::new()));
            goes_on = line.ends_with('\\');
        } else if let Some((_, command, printed)) = found.last_mut() {
            if goes_on {
                command.push('\n');
                command.push_str(line);
                goes_on = line.ends_with('\\');
            } else if !line.trim().is_empty() {
                printed.push(line.trim().to_owned());
            }
        }
    }
    found
}

fn settings_exist(guide: &str, line: usize, text: &str) {
    let mut section = String::new();
    for text in text.lines() {
        let text = text.split(" # ").next().unwrap().trim();
        if text.starts_with('[') {
            text.trim_matches(['[', ']']).clone_into(&mut section);
        } else if let Some((key, _)) = text.split_once(" = ")
            && !text.starts_with('#')
        {
            let full = if section.is_empty() { key.to_owned() } else { format!("{section}.{key}") };
            let known = SETTINGS.iter().any(|setting| setting.key == full) || section == "devices.known";
            assert!(known, "{guide}:{line}: there is no setting `{full}`");
        }
    }
}

/// Whether a printed line is as told: what stands between `...` comes in this order.
fn as_told(told: &str, printed: &str) -> bool {
    let mut rest = printed;
    let parts: Vec<&str> = told.split("...").collect();
    for (at, part) in parts.iter().enumerate() {
        let part = part.trim();
        let Some(found) = rest.find(part) else { return false };
        if at == 0 && found > 0 && !rest[..found].trim().is_empty() {
            return false;
        }
        rest = &rest[found + part.len()..];
    }
    parts.len() > 1 || rest.trim().is_empty()
}

/// The shell's own words: `cargo` has built already. Nothing waits here for what was started in the background: somebody
/// who pastes a block does not either.
fn prelude(built: &Path) -> String {
    let built = built.display();
    format!(
        r#"set -u -o pipefail
PATH="{built}:$PATH"
cargo() {{
    case $1 in
    build) return 0 ;;
    run)
        local program=solewire
        while [ "$1" != -- ]; do [ "$1" = solewire-check ] && program=solewire-check; shift; done
        shift
        "$program" "$@" ;;
    *) return 64 ;;
    esac
}}
solewire token list > store-is-there.txt 2>&1
trap 'kill -9 $(jobs -p) 2>/dev/null' EXIT
"#
    )
}

/// What a guide starts from: a clone that was built.
fn lay_out(folder: &Path, built: &Path) {
    let link = |to: &Path, name: &str| std::os::unix::fs::symlink(to, folder.join(name)).unwrap();
    std::fs::create_dir_all(folder.join("target")).unwrap();
    link(built, "target/release");
    for name in ["tests", "profiles", "validator-cli", "openapi.yaml"] {
        link(&root().join(name), name);
    }
    std::fs::create_dir(folder.join("backup")).unwrap();
    let settings = format!("[access]\nmode = \"open\"\n{DEFAULT_LISTENERS}");
    std::fs::write(folder.join("solewire.toml"), settings).unwrap();
}

/// Follows a guide; gives how many blocks were run, written as files, held against the settings, and left out.
fn follow(guide: &'static str) -> [usize; 4] {
    let page = std::fs::read_to_string(root().join(guide)).unwrap();
    let mut run =
        Run { guide, script: String::new(), expected: Vec::new(), run: 0, files: 0, settings: 0, left: 0 };
    let blocks = blocks(guide, &page);
    for (at, block) in blocks.iter().enumerate() {
        let later: Vec<&str> = blocks[at + 1..].iter().map(|block| block.text.as_str()).collect();
        run.add(block, &later.join("\n"));
    }
    let counted = [run.run, run.files, run.settings, run.left];
    if run.run == 0 {
        return counted;
    }
    let binary = binaries::solewire();
    let built = binary.parent().unwrap();
    let folder = tempfile::tempdir().unwrap();
    lay_out(folder.path(), built);
    let ports = free_ports();
    let moved = |text: &str| {
        ports.iter().fold(text.replace(" /backup/", " backup/"), |text, (from, to)| {
            text.replace(&format!(":{from}"), &format!(":{to}"))
        })
    };
    let script = prelude(built) + &moved(&run.script) + "\necho '@end'\n";
    std::fs::write(folder.path().join(".guide.sh"), script).unwrap();
    let ran = process::run(
        Path::new("/usr/bin/timeout"),
        &["-k", "2", SHELL_SECONDS, "/bin/bash", ".guide.sh"],
        folder.path(),
        LIMIT,
    );
    let shown = || format!("{guide}\n--- out\n{}\n--- err\n{}", ran.out, ran.err);
    assert!(ran.out.contains("@end"), "stopped behind the last @line: {}", shown());
    let mut parts: BTreeMap<usize, &str> = BTreeMap::new();
    for part in ran.out.split("@line ").skip(1) {
        let (number, rest) = part.split_once('\n').unwrap();
        parts.insert(number.parse().unwrap(), rest);
    }
    for (line, status, told) in &run.expected {
        let part = parts[line];
        let (printed, ended) = part.split_once("@status ").unwrap();
        let ended: i32 = ended.lines().next().unwrap().parse().unwrap();
        assert_eq!(ended, *status, "{guide}:{line}: the exit status; {}", shown());
        let mut printed = printed.lines();
        for told in told.iter().filter(|told| *told != "...") {
            let told = moved(told);
            let found = printed.any(|line| as_told(&told, line));
            assert!(found, "{guide}:{line}: it does not print, in this order:\n{told}\n{}", shown());
        }
    }
    counted
}

/// Every page of the repository that tells somebody what to type.
fn guides() -> Vec<&'static str> {
    let mut found = vec!["README.md".to_owned(), "DEVELOPERS.md".to_owned()];
    for folder in ["service", "service/docs", "profiles/docs", "validator-cli/docs"] {
        for entry in std::fs::read_dir(root().join(folder)).unwrap() {
            let name = entry.unwrap().file_name().to_string_lossy().into_owned();
            if name.ends_with(".md") {
                found.push(format!("{folder}/{name}"));
            }
        }
    }
    found.sort();
    found.into_iter().map(|name| &*name.leak()).collect()
}

#[test]
fn every_command_of_the_guides_does_what_the_guide_says() {
    for program in ["curl", "python3", "node", "openssl"] {
        if !Command::new(program).arg("--help").output().is_ok_and(|output| output.status.success()) {
            left_out(&format!("the commands of the guides: {program} is missing"));
            return;
        }
    }
    let running: Vec<_> =
        guides().into_iter().map(|guide| (guide, std::thread::spawn(move || follow(guide)))).collect();
    let mut total = [0; 4];
    let mut failed = Vec::new();
    for (guide, run) in running {
        match run.join() {
            Ok(counted) => {
                let mut sums = total.iter_mut().zip(counted);
                sums.by_ref().for_each(|(sum, count)| *sum += count);
            }
            Err(_) => failed.push(guide),
        }
    }
    assert!(failed.is_empty(), "these guides do not hold: {failed:?}");
    let [run, files, settings, left] = total;
    let told = format!(
        "{run} blocks run, {files} written as files, {settings} held against the settings, {left} not run"
    );
    solewire_tests::left_out(&format!("nothing beyond NOT_RUN: {told}"));
    assert!(run >= 25 && files >= 8, "{told}");
}

#[test]
fn a_block_that_says_nothing_of_itself_is_refused() {
    let refused = std::panic::catch_unwind(|| blocks("a page", "Words.\n\n    frobnicate --all\n"));
    assert!(refused.is_err());
    let found = blocks(
        "a page",
        "Put this into `a.toml`:\n\n    [access]\n    mode = \"open\"\n\n- a list\n\n    more\n",
    );
    assert_eq!(found.len(), 1);
    assert_eq!(found[0].kind, Kind::File("a.toml".to_owned()));
}

#[test]
fn what_is_printed_is_held_against_what_is_told() {
    assert!(as_told("rule  x ...", "rule  x and more"));
    assert!(as_told("HTTP/1.1 200 OK", "HTTP/1.1 200 OK\r"));
    assert!(!as_told("HTTP/1.1 200 OK", "HTTP/1.1 201 OK"));
    assert!(!as_told("rule  x", "rule  x and more"));
}
