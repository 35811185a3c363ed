//! What loading a guideline refuses.

use super::*;
use crate::clinical_values::Certainty;

fn load(edit: impl Fn(&str) -> String) -> Result<Guideline, LoadError> {
    let (file, text) = BUILTIN[1];
    let edited = edit(text);
    assert_ne!(edited, text, "the edit changed nothing");
    Guideline::load(file, &edited)
}

fn refused(edit: impl Fn(&str) -> String) -> String {
    let error = load(edit).unwrap_err();
    assert_eq!(error.file, "nice-ng19.json");
    error.reason
}

#[test]
fn the_shipped_guidelines_load() {
    let guidelines = builtin_guidelines().unwrap();
    let ids: Vec<&str> = guidelines.iter().map(|guideline| guideline.id.as_str()).collect();
    assert_eq!(ids, guideline_ids());
    assert_eq!(ids, ["iwgdf-2023", "nice-ng19", "ada-2008", "scotland-2016", "podus-2021"]);
}

#[test]
fn unknown_facts_and_misspelt_members_are_refused() {
    assert!(refused(|text| text.replace("\"fact\": \"callus\"", "\"fact\": \"corn\"")).contains("corn"));
    assert!(refused(|text| text.replacen("\"interval\"", "\"intervall\"", 1)).contains("intervall"));
    assert!(refused(|text| text.replace("\"secondary\"", "\"heard\"")).contains("heard"));
}

#[test]
fn a_case_left_open_is_refused() {
    let open = refused(|text| text.replace("\"when\": { \"all\": [] }", "\"when\": { \"any\": [] }"));
    assert!(open.contains("the last rule"), "{open}");
    let early = refused(|text| {
        text.replacen("\"when\": { \"fact\": \"active-problem\" }", "\"when\": { \"all\": [] }", 1)
    });
    assert!(early.contains("the last rule"), "{early}");
    let nowhere = refused(|text| text.replace("\"category\": \"low\"", "\"category\": \"none\""));
    assert!(nowhere.contains("unknown category `none`"), "{nowhere}");
    let idle = refused(|text| text.replace("\"category\": \"low\"", "\"category\": \"moderate\""));
    assert!(idle.contains("no rule leads to the category `low`"), "{idle}");
    let twice = refused(|text| text.replace("\"id\": \"old-charcot\"", "\"id\": \"history\""));
    assert!(twice.contains("`history` is listed twice"), "{twice}");
}

#[test]
fn a_number_without_a_published_source_is_refused() {
    let unlisted = refused(|text| text.replacen("\"source\": \"reassessment\"", "\"source\": \"rumour\"", 1));
    assert!(unlisted.contains("`rumour`"), "{unlisted}");
    for kind in
        ["\"unit\": \"month\", \"source\": \"reassessment\"", "\"unit\": \"week\", \"source\": \"referral\""]
    {
        let unit = kind.split(", ").next().unwrap();
        let by_policy = refused(|text| text.replacen(kind, &format!("{unit}, \"source\": \"policy\""), 1));
        assert!(by_policy.contains("a clinical number needs a publication"), "{by_policy}");
    }
    let unstated = refused(|text| text.replacen("\"policy\": \"", "\"because\": \"", 1));
    assert!(unstated.contains("duplicate field"), "{unstated}");
    let disguised = refused(|text| text.replacen("\"source\": \"policy\"", "\"source\": \"risk\"", 1));
    assert!(disguised.contains("a rule of local policy"), "{disguised}");
}

#[test]
fn categories_out_of_order_are_refused() {
    let longer = refused(|text| text.replacen("\"from\": 12, \"to\": 12", "\"from\": 2, \"to\": 2", 1));
    assert!(longer.contains("`low` and `moderate` are not in order"), "{longer}");
    let backwards = refused(|text| text.replacen("\"from\": 6, \"to\": 8", "\"from\": 8, \"to\": 6", 1));
    assert!(backwards.contains("the window from 8 to 6"), "{backwards}");
    let neither = refused(|text| text.replace("\"active\": true", "\"active\": false"));
    assert!(neither.contains("needs an interval or a probability"), "{neither}");
}

#[test]
fn probabilities_rise_and_lie_in_their_interval() {
    let (file, text) = BUILTIN[4];
    for (from, to, said) in [
        ("\"percent\": 14.0", "\"percent\": 29.2", "the probability needs"),
        ("\"percent\": 14.0, \"low\": 8.5", "\"percent\": 5.0, \"low\": 4.5", "not in order"),
        ("\"high\": 64.1", "\"high\": 101", "the probability needs"),
        ("\"within-months\": 24", "\"within-months\": 0", "the probability needs"),
    ] {
        let edited = text.replace(from, to);
        assert_ne!(edited, text, "{from}");
        let reason = Guideline::load(file, &edited).unwrap_err().reason;
        assert!(reason.contains(said), "{from}: {reason}");
    }
    // The digits stay as published: 6.0 is not 6.
    let podus = Guideline::load(file, text).unwrap();
    let percents: Vec<String> = podus
        .categories
        .iter()
        .filter_map(|category| category.probability.as_ref())
        .map(|probability| probability.percent.to_string())
        .collect();
    assert_eq!(percents, ["2.4", "6.0", "14.0", "29.2", "51.1"]);
}

#[test]
fn what_is_from_memory_says_so() {
    let guidelines = builtin_guidelines().unwrap();
    for source in guidelines.iter().flat_map(|guideline| guideline.sources.values()) {
        assert_eq!(source.certainty == Certainty::Memory, source.cited().contains("from memory"));
        assert_eq!(source.certainty == Certainty::Memory, source.read.contains("from memory, not confirmed"));
    }
    assert!(guidelines[4].sources.values().any(|source| source.certainty == Certainty::Memory));
}

#[test]
fn an_open_question_about_a_rate_below_30_is_one_question() {
    let scotland = &builtin_guidelines().unwrap()[3];
    let known = |below: State, exactly: State| {
        let mut states: Vec<(Fact, State)> =
            scotland.asks.iter().map(|&fact| (fact, State::Absent)).collect();
        states.push((Fact::EgfrBelow30, below));
        states.push((Fact::EgfrExactly30, exactly));
        stratify(scotland, &FactTable::of_states(&states))
    };
    // Not measured: one open fact. Measured as 30 or more: only the edge is open, and it is not left out.
    assert_eq!(known(State::Unknown, State::Unknown).open, [Fact::EgfrBelow30]);
    assert_eq!(known(State::Absent, State::Unknown).open, [Fact::EgfrExactly30]);
    assert_eq!(known(State::Absent, State::Unknown).categories.len(), 2);
    assert!(known(State::Absent, State::Absent).settled());
}

#[test]
fn with_nothing_known_every_category_is_possible() {
    for guideline in &builtin_guidelines().unwrap() {
        let possible = stratify(guideline, &FactTable::default());
        assert_eq!(possible.categories.len(), guideline.categories.len(), "{}", guideline.id);
    }
}

#[test]
fn a_site_puts_its_own_guideline_in_the_place_of_a_shipped_one() {
    let (_, text) = BUILTIN[0];
    let own = text
        .replace("\"version\": \"2\"", "\"version\": \"2-harbour-lane\"")
        .replace("\"from\": 6", "\"from\": 9");
    let loaded = guidelines_with(&[("ours/iwgdf.json", &own)]).unwrap();
    assert_eq!(loaded.iter().map(|one| one.id.as_str()).collect::<Vec<_>>(), guideline_ids());
    assert_eq!(loaded[0].version, "2-harbour-lane");
    assert_eq!(loaded[0].categories[1].interval.as_ref().unwrap().from, 9);
    assert_ne!(loaded[0].hash, builtin_guidelines().unwrap()[0].hash);
    let refused = |files: &[(&str, &str)]| guidelines_with(files).unwrap_err().to_string();
    assert!(refused(&[("a.json", text)]).contains("its version is `2`"));
    assert!(
        refused(&[("a.json", &own), ("b.json", &own)]).contains("b.json: a.json is also for `iwgdf-2023`")
    );
    let other = own.replacen("\"id\": \"iwgdf-2023\"", "\"id\": \"harbour\"", 1);
    assert!(refused(&[("a.json", &other)]).contains("the id `harbour` does not ship"));
    let category = own
        .replace("\"code\": \"1\"", "\"code\": \"one\"")
        .replace("\"category\": \"1\"", "\"category\": \"one\"");
    assert!(refused(&[("a.json", &category)]).contains("the category `one` has no code"));
    let unsourced = own.replacen("\"table-1\": {", "\"table\": {", 1);
    assert!(refused(&[("a.json", &unsourced)]).contains("`table-1`"));
}
