//! The command line, close to how it is typed.

use std::ffi::OsString;
use std::path::PathBuf;

use clap::{ArgAction, Args, CommandFactory, FromArgMatches, Parser, Subcommand, ValueEnum};
use jiff::Timestamp;
use solewire_profiles::findings::MonofilamentCriterion;
use solewire_profiles::issue::Severity;

const EXAMPLES: &str = "\
Examples:
  solewire-check validate exams/
  solewire-check validate 'exams/**/*.json' --format sarif --output findings.sarif
  solewire-check validate exam.json --output junit=report.xml --output json=report.json
  producer | solewire-check validate - --stdin-name batch.ndjson
  solewire-check assess exam.json --guideline iwgdf-2023 --at 2026-03-02T09:00:00Z
  solewire-check explain json-duplicate-key

Settings: a flag beats the environment (SOLEWIRE_CHECK_FAIL_ON and the like), which beats solewire-check.toml
here or above, which beats the user's own in $XDG_CONFIG_HOME/solewire-check (or ~/.config/solewire-check);
`solewire-check config show` lists them with their sources.

Exit codes:
  0  nothing at or above the level that fails (--fail-on, error unless told otherwise)
  1  findings
  2  the call is wrong, or it matched no input
  3  some input could not be read, a report could not be written, or the program is at fault
  130  interrupted; the reports so far are marked as incomplete
  When several apply, the highest is given.";

/// Checks and assesses diabetic foot examinations in HL7 FHIR R4 (4.0.1), offline.
///
/// Decision support for trained clinicians, not a diagnosis; follow local pathways; an active foot problem needs
/// same-day clinical judgement.
#[derive(Debug, Parser)]
#[command(name = "solewire-check", version, after_help = EXAMPLES, arg_required_else_help = true)]
pub(crate) struct Arguments {
    #[command(subcommand)]
    pub(crate) command: Command,
}

impl Arguments {
    /// Those of this process. Ends it where they are wrong, or ask for help or the version.
    pub(crate) fn of_process() -> Arguments {
        // The long version reads all that ships, which takes longer than most checks.
        let asks = std::env::args_os().any(|argument| argument == "--version");
        let command = if asks { Arguments::with_long_version() } else { Arguments::command() };
        Arguments::from_arg_matches(&command.get_matches()).unwrap_or_else(|error| error.exit())
    }

    /// The definition of the arguments, with what `--version` tells.
    pub(crate) fn with_long_version() -> clap::Command {
        Arguments::command().long_version(long_version())
    }
}

/// The version with those of what it checks by.
fn long_version() -> String {
    let mut out = format!("{}\nFHIR 4.0.1", env!("CARGO_PKG_VERSION"));
    out.push_str(&format!("\n{}", crate::inventory::shipped_line()));
    // A guideline that cannot be loaded stops every check with its reason; here it is left out.
    for guideline in solewire_profiles::risk::builtin_guidelines().unwrap_or_default() {
        out.push_str(&format!("\nguideline {} version {}", guideline.id, guideline.version));
    }
    out
}

#[derive(Debug, Subcommand)]
pub(crate) enum Command {
    /// Hold files against FHIR R4, the foot examination profiles and the rules of the exam.
    Validate(ValidateArguments),
    /// Derive the risk assessment, the recall and the referral of every exam in the files.
    Assess(AssessArguments),
    /// Accept findings one by one, with a reason and a last day.
    #[command(subcommand)]
    Baseline(BaselineCommand),
    /// Show the settings that stand outside of the call.
    #[command(subcommand)]
    Config(ConfigCommand),
    /// Print a script that completes this program's commands in a shell.
    Completion(CompletionArguments),
    /// Print the manual page (roff).
    Manual,
    /// List every rule.
    Rules(RulesArguments),
    /// Show the profiles and code lists that files are checked against.
    #[command(subcommand)]
    Profiles(ProfilesCommand),
    /// Explain one rule: what it finds, why it matters, how to mend it, where it comes from.
    Explain(ExplainArguments),
}

#[derive(Debug, Args)]
pub(crate) struct ValidateArguments {
    #[command(flatten)]
    pub(crate) config: ConfigArguments,
    #[command(flatten)]
    pub(crate) input: InputArguments,
    #[command(flatten)]
    pub(crate) check: CheckArguments,
    #[command(flatten)]
    pub(crate) output: OutputArguments,
    /// Leave out the findings that this file accepts (see `baseline create`). Safety rules cannot be accepted.
    #[arg(long, value_name = "FILE")]
    pub(crate) baseline: Option<PathBuf>,
    #[command(flatten)]
    pub(crate) evidence: EvidenceArguments,
}

#[derive(Debug, Subcommand)]
pub(crate) enum BaselineCommand {
    /// Write a file for --baseline that accepts the errors and warnings found now, those of safety rules excepted.
    Create(BaselineCreateArguments),
}

#[derive(Debug, Args)]
pub(crate) struct BaselineCreateArguments {
    #[command(flatten)]
    pub(crate) config: ConfigArguments,
    #[command(flatten)]
    pub(crate) input: InputArguments,
    #[command(flatten)]
    pub(crate) engine: EngineArguments,
    /// Why the findings can be lived with; correct it where one needs a reason of its own.
    #[arg(long, value_name = "TEXT", value_parser = clap::builder::NonEmptyStringValueParser::new())]
    pub(crate) reason: String,
    /// The last day on which they are accepted, such as 2027-03-31.
    #[arg(long, value_name = "DATE")]
    pub(crate) until: jiff::civil::Date,
    /// The file to write, which must not exist yet [default: standard output].
    #[arg(long, value_name = "FILE")]
    pub(crate) output: Option<PathBuf>,
}

/// What to record of a run.
#[derive(Debug, Args)]
pub(crate) struct EvidenceArguments {
    /// Record what was checked, by which rules, with which result, as JSON.
    #[arg(long, value_name = "FILE")]
    pub(crate) evidence: Option<PathBuf>,
    /// Who ran the check, for the record.
    #[arg(long, value_name = "TEXT", requires = "evidence")]
    pub(crate) evidence_by: Option<String>,
    /// When the check was run, for the record.
    #[arg(long, value_name = "INSTANT", requires = "evidence")]
    pub(crate) evidence_at: Option<Timestamp>,
}

#[derive(Debug, Args)]
pub(crate) struct AssessArguments {
    #[command(flatten)]
    pub(crate) config: ConfigArguments,
    #[command(flatten)]
    pub(crate) input: InputArguments,
    #[command(flatten)]
    pub(crate) check: CheckArguments,
    #[command(flatten)]
    pub(crate) output: OutputArguments,
    /// Assess by this guideline; repeat for more, the first decides recall and referral [default: iwgdf-2023].
    #[arg(long = "guideline", value_name = "ID")]
    pub(crate) guidelines: Vec<String>,
    /// What counts as loss of protective sensation by 10 g monofilament: three-site, or felt-below=N (fewer than N of
    /// the recorded sites felt; common practice, no source) [default: three-site].
    #[arg(long, value_name = "CRITERION", value_parser = monofilament)]
    pub(crate) monofilament: Option<MonofilamentCriterion>,
    /// Tell how a change of guideline would move people: how many come from which category by the first --guideline to
    /// which by another, and by which rules. Of each person the latest exam counts.
    #[arg(long)]
    pub(crate) impact: bool,
}

/// Where settings come from.
#[derive(Debug, Args)]
pub(crate) struct ConfigArguments {
    /// Read the settings from this file [default: the nearest solewire-check.toml upward to the repository root].
    #[arg(long, value_name = "FILE", conflicts_with = "no_config")]
    pub(crate) config: Option<PathBuf>,
    /// Read no configuration file, the user's own included.
    #[arg(long)]
    pub(crate) no_config: bool,
}

#[derive(Debug, Subcommand)]
pub(crate) enum ConfigCommand {
    /// Print every setting with its value and its source.
    Show(ConfigShowArguments),
}

#[derive(Debug, Args)]
pub(crate) struct ConfigShowArguments {
    #[command(flatten)]
    pub(crate) config: ConfigArguments,
    /// How to write the settings.
    #[arg(long, value_enum, default_value_t = CatalogueFormat::Human)]
    pub(crate) format: CatalogueFormat,
}

#[derive(Debug, Args)]
pub(crate) struct CompletionArguments {
    /// The shell.
    #[arg(value_enum, value_name = "SHELL")]
    pub(crate) shell: clap_complete::Shell,
}

/// The definitions to look at.
#[derive(Debug, Args)]
pub(crate) struct DefinitionArguments {
    #[command(flatten)]
    pub(crate) config: ConfigArguments,
    /// A folder of a site's own profiles, value sets, code systems and concept maps (*.json). May be repeated.
    #[arg(long, value_name = "DIR")]
    pub(crate) profiles: Vec<PathBuf>,
}

#[derive(Debug, Subcommand)]
pub(crate) enum ProfilesCommand {
    /// List every profile, value set, code system and concept map that is loaded: canonical address, version, SHA-256
    /// and where it comes from.
    List(ProfilesListArguments),
    /// Write everything that ships into a folder, for other programs to load: FHIR JSON with snapshots, a page and an
    /// example for each profile.
    Export(ProfilesExportArguments),
}

#[derive(Debug, Args)]
pub(crate) struct ProfilesExportArguments {
    /// The folder to write, which must be empty or not there yet.
    #[arg(value_name = "DIR")]
    pub(crate) folder: PathBuf,
}

#[derive(Debug, Args)]
pub(crate) struct ProfilesListArguments {
    #[command(flatten)]
    pub(crate) definitions: DefinitionArguments,
    /// How to write the list.
    #[arg(long, value_enum, default_value_t = CatalogueFormat::Human)]
    pub(crate) format: CatalogueFormat,
}

#[derive(Debug, Args)]
pub(crate) struct RulesArguments {
    #[command(flatten)]
    pub(crate) definitions: DefinitionArguments,
    /// How to write the list.
    #[arg(long, value_enum, default_value_t = CatalogueFormat::Human)]
    pub(crate) format: CatalogueFormat,
}

#[derive(Debug, Args)]
pub(crate) struct ExplainArguments {
    /// The id of the rule, as reports give it; also the key of a condition of FHIR R4 such as obs-6, or of a profile.
    #[arg(value_name = "RULE")]
    pub(crate) rule: String,
    #[command(flatten)]
    pub(crate) definitions: DefinitionArguments,
    /// How to write the explanation.
    #[arg(long, value_enum, default_value_t = CatalogueFormat::Human)]
    pub(crate) format: CatalogueFormat,
}

/// What to read.
#[derive(Debug, Args)]
pub(crate) struct InputArguments {
    /// Files, folders (read recursively: *.json and *.ndjson, names that begin with a dot left out), patterns with
    /// * ? [..] and **, or - for standard input.
    #[arg(value_name = "PATH", required = true)]
    pub(crate) paths: Vec<OsString>,
    /// The name shown for standard input; when it ends in .ndjson, standard input is read as NDJSON.
    #[arg(long, value_name = "NAME", default_value = "<stdin>")]
    pub(crate) stdin_name: String,
    /// Read every input as NDJSON, one resource a line, whatever its name.
    #[arg(long)]
    pub(crate) ndjson: bool,
    /// Of folders, read the files whose path fits this pattern, in place of *.json and *.ndjson. May be repeated.
    #[arg(long, value_name = "PATTERN")]
    pub(crate) include: Vec<String>,
    /// Of folders and patterns, leave out what fits this pattern; one that ends in / names a folder. May be repeated.
    #[arg(long, value_name = "PATTERN")]
    pub(crate) exclude: Vec<String>,
    /// A file with patterns to leave out, one a line, # for remarks [default: .solewire-ignore, if it is here].
    #[arg(long, value_name = "FILE")]
    pub(crate) ignore_file: Option<PathBuf>,
    /// Accept that no input matches.
    #[arg(long)]
    pub(crate) allow_empty: bool,
}

/// What to check by.
#[derive(Debug, Args)]
pub(crate) struct EngineArguments {
    /// A folder of a site's own profiles, value sets, code systems and concept maps (*.json). May be repeated.
    #[arg(long, value_name = "DIR")]
    pub(crate) profiles: Vec<PathBuf>,
    /// The present, for the rules about time, as a date and time with offset [default: now].
    #[arg(long, value_name = "INSTANT")]
    pub(crate) at: Option<Timestamp>,
    /// Check this many documents at a time. It does not change the report [default: one for each processor].
    #[arg(long, value_name = "N", value_parser = clap::value_parser!(u16).range(1..=256))]
    pub(crate) jobs: Option<u16>,
}

impl EngineArguments {
    /// How many documents to check at a time.
    pub(crate) fn jobs(&self) -> usize {
        let processors = || std::thread::available_parallelism().map_or(1, std::num::NonZero::get);
        self.jobs.map_or_else(processors, usize::from)
    }
}

/// What of the findings fails the run and is shown.
#[derive(Debug, Args)]
pub(crate) struct CheckArguments {
    #[command(flatten)]
    pub(crate) engine: EngineArguments,
    /// The mildest severity that makes the exit code 1 [default: error].
    #[arg(long, value_enum, value_name = "SEVERITY")]
    pub(crate) fail_on: Option<FailOn>,
    /// Short for --fail-on warning.
    #[arg(long, conflicts_with = "fail_on")]
    pub(crate) strict: bool,
    /// List at most N issues in the whole run, 0 for all. Counts and exit code always cover all [default: 0].
    #[arg(long, value_name = "N")]
    pub(crate) max_errors: Option<usize>,
    /// List at most N issues of each file, 0 for all. Counts and exit code always cover all [default: 0].
    #[arg(long, value_name = "N")]
    pub(crate) max_errors_per_file: Option<usize>,
    /// Show the offending values, which may tell who somebody is.
    #[arg(long)]
    pub(crate) show_values: bool,
}

impl CheckArguments {
    /// The mildest severity that fails the run.
    pub(crate) fn fail_on(&self) -> FailOn {
        if self.strict { FailOn::Warning } else { self.fail_on.unwrap_or(FailOn::Error) }
    }
}

/// How to report.
#[derive(Debug, Args)]
pub(crate) struct OutputArguments {
    /// How to write the report (assess: human or json; assess --impact: human or csv) [default: human].
    #[arg(long, value_enum)]
    pub(crate) format: Option<Format>,
    /// Write the report to a file instead of standard output. FORMAT=FILE writes a further report in that format.
    /// May be repeated.
    #[arg(long = "output", value_name = "[FORMAT=]FILE")]
    pub(crate) outputs: Vec<OsString>,
    /// When to colour the human report. auto: on a terminal, unless NO_COLOR is set or TERM is dumb [default: auto].
    #[arg(long, value_enum, value_name = "WHEN")]
    pub(crate) color: Option<ColorChoice>,
    /// Closing line only; twice: nothing but faults.
    #[arg(short, long, action = ArgAction::Count, conflicts_with = "verbose")]
    pub(crate) quiet: u8,
    /// Also name every file and how long it took, on standard error; twice: also the profiles that each resource was
    /// held against and how often which rule was broken.
    #[arg(short, long, action = ArgAction::Count)]
    pub(crate) verbose: u8,
}

impl OutputArguments {
    /// The format of a report without one of its own.
    pub(crate) fn format(&self) -> Format {
        self.format.unwrap_or(Format::Human)
    }

    pub(crate) fn loudness(&self) -> Loudness {
        match (self.quiet, self.verbose) {
            (0, 0) => Loudness::Normal,
            (0, 1) => Loudness::Verbose,
            (0, _) => Loudness::Trace,
            (1, _) => Loudness::Quiet,
            (_, _) => Loudness::Silent,
        }
    }
}

/// How much to say.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub(crate) enum Loudness {
    Silent,
    Quiet,
    Normal,
    Verbose,
    Trace,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
pub(crate) enum FailOn {
    Error,
    Warning,
    Note,
}

impl FailOn {
    /// The word on the command line.
    pub(crate) fn word(self) -> &'static str {
        match self {
            FailOn::Error => "error",
            FailOn::Warning => "warning",
            FailOn::Note => "note",
        }
    }

    /// Whether an issue of this severity fails the run.
    pub(crate) fn fails(self, severity: Severity) -> bool {
        match self {
            FailOn::Error => severity <= Severity::Error,
            FailOn::Warning => severity <= Severity::Warning,
            FailOn::Note => true,
        }
    }
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
pub(crate) enum ColorChoice {
    Auto,
    Always,
    Never,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
pub(crate) enum CatalogueFormat {
    Human,
    Json,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
pub(crate) enum Format {
    /// For people.
    Human,
    /// One JSON object for the run.
    Json,
    /// One JSON object a line: every document, then the summary.
    Ndjson,
    /// SARIF 2.1.0.
    Sarif,
    /// JUnit XML.
    Junit,
    /// One FHIR OperationOutcome a line for every document.
    #[value(name = "operationoutcome")]
    OperationOutcome,
    /// Comma-separated values: the table of assess --impact.
    Csv,
}

/// A criterion as it is written.
pub(crate) fn monofilament(text: &str) -> Result<MonofilamentCriterion, String> {
    if text == "three-site" {
        return Ok(MonofilamentCriterion::ThreeSite);
    }
    match text.strip_prefix("felt-below=").map(str::parse::<u8>) {
        Some(Ok(sites)) if sites > 0 => Ok(MonofilamentCriterion::FeltBelow(sites)),
        _ => Err("give three-site, or felt-below=N with a number of sites from 1".to_owned()),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_definition_is_consistent() {
        Arguments::command().debug_assert();
    }

    #[test]
    fn monofilament_criteria() {
        assert_eq!(monofilament("three-site"), Ok(MonofilamentCriterion::ThreeSite));
        assert_eq!(monofilament("felt-below=8"), Ok(MonofilamentCriterion::FeltBelow(8)));
        for wrong in ["", "felt-below", "felt-below=0", "felt-below=x", "felt-below=256", "two-site"] {
            assert!(monofilament(wrong).is_err(), "{wrong}");
        }
    }
}
