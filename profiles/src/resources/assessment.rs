//! The RiskAssessment of one guideline.

use serde_json::{Map, Value, json};

use super::AssessmentSummary;
use super::derive::{Derivation, Verdict, coding, fact_words};
use super::narrative::narrative;
use super::prediction::{assumption, display, name, predictions};
use super::since::{self, range_of};
use super::{BASE, CAUTION};
use crate::exam::{Item, Laterality, PanelStatus, Part, ResultCode, Test};
use crate::findings::{Fact, State, Urgency};
use crate::risk::{Category, stratify_with};

/// Assembles the resource and the same in words.
pub(super) fn assessment(derivation: &Derivation<'_>, verdict: &Verdict<'_>) -> (Value, AssessmentSummary) {
    let guideline = verdict.guideline;
    let id = derivation.id(&format!("assessment|{}", guideline.id));
    let status = status(derivation, verdict);
    let categories: Vec<&Category> = verdict.categories().collect();
    let reasons = reasons(derivation, verdict);
    let missing = missing(derivation, verdict);
    let contradictions = contradictions(derivation);
    let policies = policies(derivation, verdict);
    let near_misses = near_misses(derivation, verdict);
    let care = care(derivation);
    let predictions = predictions(derivation, verdict, &evidence_lines(derivation, verdict).join(" "));
    let lower = since::lower(derivation, verdict);
    let mut changes = since::lines(derivation, verdict);
    let said = Said {
        missing: &missing,
        contradictions: &contradictions,
        policies: &policies,
        near_misses: &near_misses,
        changes: &changes,
        care: &care,
    };
    let mut notes = notes(verdict, &said);
    notes.splice(0..0, progress(derivation));
    if let Some(lower) = lower {
        notes.insert(0, lower.clone());
        changes.insert(0, lower);
    }

    let mut lines = vec![headline(verdict, status)];
    lines.extend(reasons.iter().cloned());
    lines.extend(notes.iter().cloned());

    let mut out = Map::new();
    let mut put = |name: &str, value: Value| {
        out.insert(name.to_owned(), value);
    };
    put("resourceType", json!("RiskAssessment"));
    put("id", json!(id));
    put("meta", json!({ "profile": [format!("{BASE}/StructureDefinition/foot-risk-assessment")] }));
    put("text", narrative(&lines));
    put("identifier", json!([{ "system": format!("{BASE}/identifier/assessment"), "value": id }]));
    put("status", json!(status));
    let mut method = coding("foot-risk", &guideline.id, &guideline.title);
    if let Some(method) = method.as_object_mut() {
        method.insert("version".to_owned(), json!(guideline.version));
    }
    let method_text = format!(
        "{}, rules version {}, content sha256:{}",
        guideline.title, guideline.version, guideline.hash
    );
    put("method", json!({ "coding": [method], "text": method_text }));
    let code = json!({ "system": "http://snomed.info/sct", "code": "394683006", "display": "Diabetic foot risk assessment" });
    put("code", json!({ "coding": [code] }));
    put("subject", derivation.subject());
    if let Some(encounter) = &derivation.exam.encounter {
        put("encounter", encounter.clone());
    }
    if let Some(time) = &derivation.exam.time_text {
        put("occurrenceDateTime", json!(time));
    }
    let basis = derivation.basis();
    if !basis.is_empty() {
        put("basis", Value::Array(basis));
    }
    if !derivation.withdrawn() {
        if !predictions.is_empty() {
            put("prediction", Value::Array(predictions));
        }
        let mitigation = mitigation(verdict);
        if !mitigation.is_empty() {
            put("mitigation", json!(mitigation));
        }
    }
    put("note", Value::Array(notes.iter().map(|text| json!({ "text": text })).collect()));
    let status = status_after(derivation, status, &out);
    out.insert("status".to_owned(), json!(status));

    let summary = AssessmentSummary {
        guideline: guideline.id.clone(),
        title: guideline.title.clone(),
        assessment: id,
        status,
        categories: categories.iter().filter_map(|category| guideline.category_code(category)).collect(),
        displays: categories.iter().map(|category| display(verdict, category)).collect(),
        rules: deciding_rules(verdict),
        reasons,
        missing,
        contradictions,
        policies,
        near_misses,
        changes,
        care,
        recall: None,
        referral: None,
    };
    (Value::Object(out), summary)
}

/// The rule behind each category still possible, in their order.
fn deciding_rules(verdict: &Verdict<'_>) -> Vec<String> {
    let witnesses = verdict.person.categories.values();
    let rules = witnesses.filter_map(|witness| verdict.guideline.rules.get(witness.rule));
    rules.map(|rule| rule.id.clone()).collect()
}

/// Final only when one category is left and the exam is closed, by its panel or without one.
fn status(derivation: &Derivation<'_>, verdict: &Verdict<'_>) -> &'static str {
    let settled = verdict.person.settled();
    match derivation.exam.panel {
        PanelStatus::EnteredInError => "entered-in-error",
        PanelStatus::Final if settled => "final",
        PanelStatus::NoPanel if settled && derivation.closed => "final",
        PanelStatus::Amended if settled => "amended",
        PanelStatus::Corrected if settled => "corrected",
        PanelStatus::Final
        | PanelStatus::Amended
        | PanelStatus::Corrected
        | PanelStatus::Preliminary
        | PanelStatus::NotCounted
        | PanelStatus::NoPanel => "preliminary",
    }
}

/// What was final and now says something else, although its own panel was not amended, is amended: an earlier exam of
/// the person changed, or a result came without a new status of the panel. It stays so while it says the same.
fn status_after(
    derivation: &Derivation<'_>,
    status: &'static str,
    assessment: &Map<String, Value>,
) -> &'static str {
    let old = derivation.so_far.iter().filter_map(|(_, old)| old.as_object());
    let Some(old) = old.into_iter().find(|old| old.get("id") == assessment.get("id")) else { return status };
    let old_status = old.get("status").and_then(Value::as_str).unwrap_or_default();
    if status != "final" || !["final", "amended", "corrected"].contains(&old_status) {
        return status;
    }
    let same = old.len() == assessment.len()
        && assessment.iter().all(|(name, value)| name == "status" || old.get(name) == Some(value));
    match (same, old_status) {
        (true, "final") => "final",
        _ => "amended",
    }
}

fn headline(verdict: &Verdict<'_>, status: &str) -> String {
    let title = &verdict.guideline.title;
    let mut categories: Vec<&Category> = verdict.categories().collect();
    let mut or_none = "";
    if verdict.guideline.gives_probability() && categories.len() > 1 {
        let all = categories.len();
        categories.retain(|category| !category.active);
        if categories.len() < all {
            or_none = ", or no prediction with an active foot problem";
        }
    }
    match (status, categories.as_slice()) {
        ("entered-in-error", _) => format!("{title}: the exam was withdrawn; this assessment is void."),
        (_, [only]) => format!("{}{or_none}.", display(verdict, only)),
        (_, [lowest, .., highest]) => format!(
            "{title}: between {} and {}{or_none}; the exam does not settle it.",
            name(lowest),
            name(highest)
        ),
        (_, []) => title.clone(),
    }
}

/// Why: the deciding rule and the evidence of the facts it speaks of, a line each.
fn reasons(derivation: &Derivation<'_>, verdict: &Verdict<'_>) -> Vec<String> {
    let mut out = Vec::new();
    let settled = verdict.person.settled();
    for (number, witness) in &verdict.person.categories {
        let (Some(category), Some(rule)) =
            (verdict.guideline.categories.get(*number), verdict.guideline.rules.get(witness.rule))
        else {
            continue;
        };
        let assumed = assumption(witness);
        let condition = if settled || assumed.is_empty() { String::new() } else { format!(" if {assumed}") };
        out.push(format!("{}{condition}: {} (rule {}).", capital(&name(category)), rule.because, rule.id));
    }
    out.extend(evidence_lines(derivation, verdict));
    out
}

fn evidence_lines(derivation: &Derivation<'_>, verdict: &Verdict<'_>) -> Vec<String> {
    let mut facts: Vec<Fact> = Vec::new();
    for witness in verdict.person.categories.values() {
        if let Some(rule) = verdict.guideline.rules.get(witness.rule) {
            rule.when.facts(&mut facts);
        }
    }
    if facts.is_empty() || !verdict.person.settled() {
        let further: Vec<Fact> =
            verdict.guideline.facts().into_iter().filter(|fact| !facts.contains(fact)).collect();
        facts.extend(further);
    }
    let person = &derivation.findings.person;
    facts
        .into_iter()
        .filter_map(|fact| person.finding(fact).map(|finding| (fact, finding)))
        .filter(|(_, finding)| finding.state != State::Unknown && !finding.evidence.is_empty())
        .map(|(fact, finding)| {
            let state = if finding.state == State::Present { "present" } else { "absent" };
            let statements: Vec<&str> =
                finding.evidence.iter().map(|evidence| evidence.statement.as_str()).collect();
            format!("{} {state}: {}.", capital(fact.words()), statements.join("; "))
        })
        .collect()
}

fn capital(text: &str) -> String {
    // An abbreviation keeps its own way of beginning.
    if text.starts_with("eGFR") {
        return text.to_owned();
    }
    let mut characters = text.chars();
    characters
        .next()
        .map(|first| first.to_uppercase().collect::<String>() + characters.as_str())
        .unwrap_or_default()
}

/// What would have to be recorded, with what it would change, a line for each open fact.
fn missing(derivation: &Derivation<'_>, verdict: &Verdict<'_>) -> Vec<String> {
    let person = &verdict.person;
    let noun = verdict.noun();
    let mut out: Vec<String> = person
        .open
        .iter()
        .map(|fact| {
            let finding = derivation.findings.person.finding(*fact);
            let what = finding.map(|finding| finding.missing.join("; ")).unwrap_or_default();
            let alone = if person.settles_alone.contains(fact) {
                format!("This alone would settle the {noun}: ")
            } else {
                "Alone it would leave ".to_owned()
            };
            let effect = person.effects.iter().find(|effect| effect.fact == *fact).map(|effect| {
                let range = |numbers: &[usize]| range_of(verdict.guideline, numbers.iter());
                let ends = (verdict.person.lowest(), verdict.person.highest());
                let ends = (ends.0.map(|(number, _)| number), ends.1.map(|(number, _)| number));
                let narrows = |numbers: &[usize]| (numbers.first().copied(), numbers.last().copied()) != ends;
                if !narrows(&effect.present) && !narrows(&effect.absent) {
                    return " Alone it would not narrow the range.".to_owned();
                }
                format!(" {alone}{} if present, {} if absent.", range(&effect.present), range(&effect.absent))
            });
            let effect = effect.unwrap_or_default();
            format!("{} is not known. Missing: {what}.{effect}", capital(fact.words()))
        })
        .collect();
    if person.settles_alone.is_empty() && !person.smallest_sets.is_empty() {
        let sets: Vec<String> = person.smallest_sets.iter().map(|set| fact_words(set)).collect();
        out.push(format!("The {noun} would be settled by: {}.", sets.join("; or by ")));
    }
    out
}

/// Results close to a threshold that would change the category if they had crossed it, and by which rule.
fn near_misses(derivation: &Derivation<'_>, verdict: &Verdict<'_>) -> Vec<String> {
    let (guideline, table) = (verdict.guideline, &derivation.findings.person);
    let mut out = Vec::new();
    for fact in guideline.facts() {
        let finding = table.finding(fact).filter(|finding| finding.state != State::Present);
        let Some(finding) = finding.filter(|finding| !finding.near.is_empty()) else { continue };
        let crossed = stratify_with(guideline, table, fact, State::Present);
        let Some((number, witness)) = crossed.highest() else { continue };
        let changes = crossed.categories.keys().ne(verdict.person.categories.keys());
        let (Some(rule), true) = (guideline.rules.get(witness.rule), changes) else { continue };
        let said: Vec<&str> = finding.near.iter().map(|near| near.statement.as_str()).collect();
        let up_to = if crossed.settled() { "" } else { "up to " };
        out.push(format!(
            "{}; with {} it would be {up_to}{} (rule {}).",
            said.join("; "),
            fact.words(),
            range_of(guideline, [number].iter()),
            rule.id
        ));
    }
    out
}

/// What asks for care whatever the category.
fn care(derivation: &Derivation<'_>) -> Vec<String> {
    let mut out = derivation.findings.care.clone();
    let day = derivation.exam.time.map(|time| time.date());
    let day_before = day.and_then(|day| day.yesterday().ok());
    let before = derivation.sequence.filter(|sequence| Some(sequence.date) == day_before);
    for warm in &derivation.findings.warm {
        let again = before.is_some_and(|sequence| {
            sequence.before.warm.iter().any(|old| (old.site, old.side) == (warm.site, warm.side))
        });
        let advice = if again {
            "for the second day: walk less, and a clinician should look at the foot"
        } else {
            "one reading does not count: measure again the next day"
        };
        out.push(format!(
            "{} foot, {}: warmer than the other foot by {} Cel (more than 2.2), {advice}",
            warm.side.word(),
            warm.place,
            warm.by
        ));
    }
    out
}

fn contradictions(derivation: &Derivation<'_>) -> Vec<String> {
    let mut out = derivation.findings.contradictions.clone();
    for fact in Fact::ALL {
        for line in
            derivation.findings.person.finding(*fact).iter().flat_map(|finding| &finding.contradictions)
        {
            if !out.contains(line) {
                out.push(line.clone());
            }
        }
    }
    out
}

/// Choices of local policy: of the deciding rules, of the guideline as a whole, of the triage, of putting two feet
/// together, and of the findings that the guideline asks for.
fn policies(derivation: &Derivation<'_>, verdict: &Verdict<'_>) -> Vec<String> {
    let guideline = verdict.guideline;
    let mut out: Vec<String> = Vec::new();
    let deciding = verdict.person.categories.values().filter_map(|witness| guideline.rules.get(witness.rule));
    for policy in deciding.filter_map(|rule| rule.policy.as_ref()) {
        if !out.contains(policy) {
            out.push(policy.clone());
        }
    }
    out.extend(guideline.policies.iter().cloned());
    out.extend(triage_policy(derivation));
    let alone = [&verdict.left, &verdict.right]
        .iter()
        .filter_map(|foot| foot.highest())
        .map(|(number, _)| number)
        .max();
    // A score is made for the person; only the rows of a table leave open whose foot they speak of.
    if !guideline.gives_probability() && verdict.person.lowest().map(|(number, _)| number) > alone {
        out.push(
            "factors found on different feet count together for the person; the guideline does not say whether they must be on the same foot"
                .to_owned(),
        );
    }
    let facts = guideline.facts();
    for fact in Fact::ALL.iter().filter(|fact| facts.contains(fact)) {
        let finding = derivation.findings.person.finding(*fact);
        out.extend(finding.map(|finding| finding.policies.clone()).unwrap_or_default());
    }
    out
}

/// Limb-threatening ischaemia is urgent at once by the published list only together with an ulcer or with another
/// problem of that list. By itself it is open there.
fn triage_policy(derivation: &Derivation<'_>) -> Option<String> {
    let present = |item: Item| {
        let sides = [None, Some(Laterality::Left), Some(Laterality::Right)];
        sides.into_iter().any(|side| {
            let entry = derivation.exam.entry(Test::ActiveProblem, side, Part::Item(item));
            entry.is_some_and(|entry| entry.has(ResultCode::Present))
        })
    };
    let listed = [Item::ActiveUlcer, Item::Gangrene, Item::SystemicSigns, Item::DeepOrBoneInfection];
    let open = derivation.findings.urgency == Some(Urgency::Immediate)
        && present(Item::LimbThreateningIschaemia)
        && !listed.into_iter().any(present);
    open.then(|| {
        "limb-threatening ischaemia without an ulcer or gangrene is not among the published examples of immediate referral; local policy refers it at once".to_owned()
    })
}

/// What to do. Advice is given for a settled category only.
fn mitigation(verdict: &Verdict<'_>) -> String {
    let categories: Vec<&Category> = verdict.categories().collect();
    match categories.as_slice() {
        [only] => only.advice.iter().map(|advice| advice.text.as_str()).collect::<Vec<_>>().join(" "),
        _ if verdict.guideline.gives_probability() => {
            "Complete the exam: the score is not settled, so no advice by score is given.".to_owned()
        }
        _ => "Complete the exam: the category is not settled, so no advice by category is given. Until then the \
              recall follows the highest category still possible."
            .to_owned(),
    }
}

/// Whether more may come, where the panel does not say that it is final.
fn progress(derivation: &Derivation<'_>) -> Option<String> {
    let text = match (derivation.exam.panel, derivation.open()) {
        (PanelStatus::NoPanel, true) => "The exam is open: no panel has closed it, so more results may come.",
        (PanelStatus::NoPanel, false) => {
            "The exam was closed without a panel: no more results came for a while. A late one still counts."
        }
        (_, true) => "The exam is open: its panel is not final, so more results may come.",
        (_, false) => return None,
    };
    Some(text.to_owned())
}

/// What there is to say beside the category.
struct Said<'s> {
    missing: &'s [String],
    contradictions: &'s [String],
    policies: &'s [String],
    near_misses: &'s [String],
    changes: &'s [String],
    care: &'s [String],
}

fn notes(verdict: &Verdict<'_>, said: &Said<'_>) -> Vec<String> {
    let mut out: Vec<String> = said.missing.to_vec();
    out.extend(said.contradictions.iter().map(|line| format!("Contradiction: {line}.")));
    out.extend(said.policies.iter().map(|line| format!("Local policy: {line}.")));
    out.extend(said.near_misses.iter().map(|line| format!("Near miss: {line}")));
    out.extend(said.changes.iter().cloned());
    if verdict.guideline.gives_probability() && verdict.categories().any(|category| category.active) {
        let certain = verdict.person.settled();
        let found = if certain {
            "No prediction is given: the rule does not apply with an active foot problem"
        } else {
            "No prediction applies if an active foot problem turns out present"
        };
        out.push(format!("{found}."));
    }
    let feet = [("Left", &verdict.left), ("Right", &verdict.right)];
    for (word, foot) in feet.into_iter().filter(|_| !verdict.guideline.gives_probability()) {
        let names: Vec<String> = foot
            .categories
            .keys()
            .filter_map(|&number| verdict.guideline.categories.get(number))
            .map(name)
            .collect();
        out.push(format!("{word} foot by itself: {}.", names.join(" or ")));
    }
    if !said.care.is_empty() {
        out.push(format!("Found and in need of care: {}.", said.care.join("; ")));
    }
    out.push(CAUTION.to_owned());
    out
}
