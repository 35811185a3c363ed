//! The resources that come of an exam by each guideline.

use serde_json::Value;
use solewire_profiles::Derived;
use solewire_profiles::risk::builtin_guidelines;
use solewire_profiles::terminology::{LocalSystem, Terminology};

use crate::exam::{Answer, Exam, SIDES, THREE_SITES};

const ALL: [&str; 5] = ["iwgdf-2023", "nice-ng19", "ada-2008", "scotland-2016", "podus-2021"];

fn of_type<'d>(derived: &'d Derived, name: &str) -> Vec<&'d Value> {
    derived.resources.iter().filter(|resource| resource["resourceType"] == name).collect()
}

fn request<'d>(derived: &'d Derived, profile: &str) -> Option<&'d Value> {
    of_type(derived, "ServiceRequest").into_iter().find(|request| {
        request["meta"]["profile"][0]
            == format!("https://solewire.example/fhir/StructureDefinition/{profile}")
    })
}

fn notes(resource: &Value) -> String {
    let notes = resource["note"].as_array().unwrap().iter();
    notes.map(|note| note["text"].as_str().unwrap()).collect::<Vec<_>>().join("\n")
}

/// Loss of protective sensation on the left foot.
fn insensate() -> Exam {
    let mut exam = Exam::normal();
    exam.set("monofilament-10g", "left", "mth-1", Answer::Code("not-felt"));
    exam
}

#[test]
fn every_guideline_gives_its_own_assessment_and_the_first_one_the_requests() {
    let mut exam = insensate();
    exam.set("skin", "left", "callus", Answer::Code("present"));
    let derived = exam.derive(&ALL);
    let assessments = of_type(&derived, "RiskAssessment");
    let methods: Vec<&str> =
        assessments.iter().map(|one| one["method"]["coding"][0]["code"].as_str().unwrap()).collect();
    assert_eq!(methods, ALL);
    let categories: Vec<&str> = assessments
        .iter()
        .filter_map(|one| one["prediction"][0]["qualitativeRisk"]["coding"][0]["code"].as_str())
        .collect();
    assert_eq!(categories, ["iwgdf-2023.1", "nice-ng19.high", "ada-2008.1", "scotland-2016.high"]);
    let mut ids: Vec<&str> = derived.resources.iter().map(|one| one["id"].as_str().unwrap()).collect();
    ids.sort_unstable();
    ids.dedup();
    assert_eq!(ids.len(), derived.resources.len());
    // IWGDF comes first: its recall, and no referral, for it asks for none without an active problem.
    assert_eq!(of_type(&derived, "ServiceRequest").len(), 1);
    let recall = request(&derived, "foot-recall").unwrap();
    assert_eq!(recall["occurrencePeriod"]["start"], "2027-03-14");
    assert_eq!(recall["occurrencePeriod"]["end"], "2027-09-14");
    let provenance = of_type(&derived, "Provenance");
    assert_eq!(provenance[0]["policy"].as_array().unwrap().len(), ALL.len());
    // The order of the guidelines changes who asks, and nothing in an assessment.
    let reordered = exam.derive(&["nice-ng19", "iwgdf-2023"]);
    assert_eq!(of_type(&reordered, "RiskAssessment")[1], assessments[0]);
    assert_eq!(request(&reordered, "foot-recall").unwrap()["occurrencePeriod"]["end"], "2026-11-14");
}

#[test]
fn nice_refers_by_category_with_a_window() {
    let derived = insensate().derive(&["nice-ng19"]);
    let referral = request(&derived, "foot-referral").unwrap();
    assert_eq!(referral["priority"], "routine");
    assert_eq!(referral["intent"], "proposal");
    assert_eq!(
        referral["occurrencePeriod"],
        serde_json::json!({ "start": "2026-10-26", "end": "2026-11-09" })
    );
    assert_eq!(
        derived.assessments[0].referral.as_deref().unwrap(),
        "Referral to the foot protection service for assessment in 6 to 8 weeks, between 2026-10-26 and 2026-11-09, \
         sooner where there is concern (NICE NG19 category moderate)."
    );
    assert_eq!(notes(referral).lines().next(), derived.assessments[0].referral.as_deref());
    let recall = request(&derived, "foot-recall").unwrap();
    assert_eq!(recall["occurrencePeriod"], serde_json::json!({ "start": "2026-12-14", "end": "2027-03-14" }));

    let low = Exam::normal().derive(&["nice-ng19"]);
    assert_eq!(low.assessments[0].categories, ["nice-ng19.low"]);
    assert!(request(&low, "foot-referral").is_none());

    let mut history = Exam::normal();
    history.set_person("history", "previous-ulcer", Answer::Code("present"));
    let high = history.derive(&["nice-ng19"]);
    let referral = request(&high, "foot-referral").unwrap();
    assert_eq!(
        referral["occurrencePeriod"],
        serde_json::json!({ "start": "2026-09-28", "end": "2026-10-12" })
    );
}

#[test]
fn an_unsettled_category_refers_and_recalls_by_the_highest_still_possible() {
    let mut exam = Exam::normal();
    exam.set("skin", "right", "callus", Answer::Code("present"));
    exam.without("monofilament-10g");
    let derived = exam.derive(&["nice-ng19"]);
    assert_eq!(derived.assessments[0].categories, ["nice-ng19.low", "nice-ng19.high"]);
    assert_eq!(derived.assessments[0].status, "preliminary");
    for words in [&derived.assessments[0].referral, &derived.assessments[0].recall] {
        assert!(words.as_ref().unwrap().contains("category high, the highest category still possible"));
    }
    // Before the panel closes the exam, a referral that one more result could take back is not proposed.
    exam.panel_status = "preliminary";
    let early = exam.derive(&["nice-ng19"]);
    assert_eq!(early.assessments[0].categories, derived.assessments[0].categories);
    assert!(request(&early, "foot-referral").is_none());
    assert!(request(&early, "foot-recall").is_some());
    exam.set("deformity", "left", "significant-deformity", Answer::Code("present"));
    let certain = exam.derive(&["nice-ng19"]);
    assert_eq!(certain.assessments[0].categories, ["nice-ng19.moderate", "nice-ng19.high"]);
    assert_eq!(request(&certain, "foot-referral").unwrap()["occurrencePeriod"]["end"], "2026-10-12");
    // The active problem has its own urgency, and no second referral beside it.
    exam.set("active-problem", "left", "active-ulcer", Answer::Code("present"));
    let active = exam.derive(&["nice-ng19"]);
    assert_eq!(of_type(&active, "ServiceRequest").len(), 1);
    assert_eq!(request(&active, "foot-referral").unwrap()["priority"], "urgent");
}

#[test]
fn scotland_reviews_the_plan_of_high_risk_and_screens_low_risk_every_two_years() {
    let low = Exam::normal().derive(&["scotland-2016"]);
    assert_eq!(request(&low, "foot-recall").unwrap()["occurrencePeriod"]["end"], "2028-09-14");
    let mut exam = Exam::normal();
    exam.set_person("history", "charcot-history", Answer::Code("present"));
    let remission = exam.derive(&["scotland-2016"]);
    assert_eq!(remission.assessments[0].categories, ["scotland-2016.remission"]);
    let recall = request(&remission, "foot-recall").unwrap();
    assert_eq!(recall["occurrencePeriod"]["end"], "2027-09-14");
    assert!(recall["code"]["text"].as_str().unwrap().starts_with("Review of the podiatry plan"));
    assert_eq!(recall["code"]["coding"][0]["code"], "401191002");
    assert!(remission.assessments[0].recall.as_ref().unwrap().starts_with("Review of the podiatry plan"));
}

#[test]
fn an_egfr_of_exactly_30_counts_and_says_so() {
    let with_rate = |rate: &str| {
        let mut exam = Exam::normal();
        exam.set_person("egfr", "", Answer::Quantity(rate.to_owned(), "mL/min/{1.73_m2}"));
        exam.summary("scotland-2016")
    };
    for (rate, category, flagged) in [
        ("29.9", "moderate", false),
        ("30", "moderate", true),
        ("30.00", "moderate", true),
        ("30.1", "low", false),
    ] {
        let summary = with_rate(rate);
        assert_eq!(summary.categories, [format!("scotland-2016.{category}")], "{rate}");
        let said = summary.policies.iter().any(|policy| policy.contains("exactly 30"));
        assert_eq!(said, flagged, "{rate}");
    }
}

#[test]
fn a_rate_of_kidney_failure_never_reads_as_no_renal_disease() {
    let with_rate = |rate: &str, recorded: Answer| {
        let mut exam = Exam::normal();
        exam.set_person("egfr", "", Answer::Quantity(rate.to_owned(), "mL/min/{1.73_m2}"));
        exam.set_person("history", "end-stage-renal-disease", recorded);
        exam
    };
    for recorded in [Answer::Code("absent"), Answer::NotTested("unknown")] {
        let denied = matches!(recorded, Answer::Code(_));
        let failing = with_rate("14.9", recorded.clone());
        for (guideline, category) in [("iwgdf-2023", "3"), ("nice-ng19", "high")] {
            let summary = failing.summary(guideline);
            assert_eq!(summary.categories, [format!("{guideline}.{category}")]);
            assert_eq!(summary.rules, ["kidney-failure-by-rate"]);
            assert!(summary.policies.iter().any(|policy| policy.contains("rate below 15")), "{summary:#?}");
            assert_eq!(!summary.contradictions.is_empty(), denied, "{summary:#?}");
        }
    }
    // At 15 it is a low rate and no failure; a recorded disease decides by the row of the table.
    assert_eq!(with_rate("15", Answer::Code("absent")).summary("iwgdf-2023").categories, ["iwgdf-2023.0"]);
    let recorded = with_rate("12", Answer::Code("present")).summary("iwgdf-2023");
    assert_eq!((recorded.rules, recorded.contradictions), (vec!["history-alone".to_owned()], Vec::new()));
}

#[test]
fn near_misses_name_the_value_that_would_have_crossed_and_the_rule() {
    let near = |test, part, answer: Answer, guideline: &str| {
        let mut exam = Exam::normal();
        exam.set(test, "left", part, answer);
        exam.summary(guideline).near_misses
    };
    let number = |text: &str, unit| Answer::Quantity(text.to_owned(), unit);
    assert_eq!(
        near("ankle-brachial-index", "", number("0.91", "1"), "iwgdf-2023"),
        [
            "left foot: ankle-brachial index 0.91, abnormal at 0.90 or less; with peripheral artery disease it would be \
          category 1 (low) (rule neuropathy-or-ischaemia)."
        ]
    );
    assert_eq!(
        near("vibration-128hz", "hallux-dorsal", number("9", "s"), "ada-2008"),
        [
            "left foot: 128 Hz tuning fork vibration sense lost 9 s before the examiner loses it, abnormal from 10 s on, \
          at the dorsal distal phalanx of the great toe; with loss of protective sensation it would be category 1 (rule \
          neuropathy)."
        ]
    );
    assert_eq!(near("vibration-threshold", "", number("24.9", "V"), "nice-ng19").len(), 1);
    assert_eq!(near("toe-brachial-index", "", number("0.71", "1"), "nice-ng19").len(), 1);
    for (test, part, answer) in [
        ("ankle-brachial-index", "", number("1.00", "1")),
        ("toe-brachial-index", "", number("0.78", "1")),
        ("vibration-128hz", "hallux-dorsal", number("8.9", "s")),
        ("vibration-threshold", "", number("22", "V")),
        // What has crossed is no near miss.
        ("ankle-brachial-index", "", number("0.90", "1")),
    ] {
        assert_eq!(near(test, part, answer, "iwgdf-2023"), Vec::<String>::new(), "{test}");
    }
    let mut toes = Exam::normal();
    for side in SIDES {
        for tip in ["toe-tip-1", "toe-tip-3", "toe-tip-5"] {
            toes.set("toe-touch", side, tip, Answer::Code("felt"));
        }
    }
    toes.set("toe-touch", "right", "toe-tip-3", Answer::Code("not-felt"));
    let said = toes.summary("iwgdf-2023").near_misses;
    assert!(said.len() == 1 && said[0].contains("not felt at 1 of the six toe tips"), "{said:?}");
    // It would change nothing: the category is 3 as it is.
    toes.set_person("history", "previous-ulcer", Answer::Code("present"));
    assert_eq!(toes.summary("iwgdf-2023").near_misses, Vec::<String>::new());
    let mut rate = Exam::normal();
    rate.set_person("egfr", "", number("31", "mL/min/{1.73_m2}"));
    assert_eq!(rate.summary("scotland-2016").near_misses.len(), 1);
    assert_eq!(rate.summary("iwgdf-2023").near_misses, Vec::<String>::new(), "the table asks no rate");
}

#[test]
fn what_is_missing_says_what_it_alone_would_change() {
    let mut exam = Exam::normal();
    exam.without("pulse").set("deformity", "left", "significant-deformity", Answer::Code("present"));
    let missing = exam.summary("iwgdf-2023").missing;
    assert_eq!(missing.len(), 1);
    assert!(
        missing[0].ends_with(
            "This alone would settle the category: category 2 (moderate) if present, category 0 (very low) if absent."
        ),
        "{missing:?}"
    );
    exam.without("monofilament-10g").without("vibration-128hz");
    let missing = exam.summary("iwgdf-2023").missing;
    assert_eq!(missing.len(), 3);
    for line in &missing[..2] {
        let alone = "Alone it would leave category 2 (moderate) if present, between category 0 (very low) and category 2 \
                     (moderate) if absent.";
        assert!(line.ends_with(alone), "{line}");
    }
}

#[test]
fn a_category_is_told_with_its_number_and_its_name() {
    let told = |guideline: &str| insensate().summary(guideline).displays.remove(0);
    for (guideline, name) in [
        ("iwgdf-2023", "IWGDF 2023 category 1: low risk"),
        ("nice-ng19", "NICE NG19: moderate risk"),
        ("ada-2008", "ADA 2008 category 1"),
        ("scotland-2016", "Scotland 2016: moderate risk"),
    ] {
        assert_eq!(told(guideline), name);
        let derived = insensate().derive(&[guideline]);
        let assessment = of_type(&derived, "RiskAssessment")[0];
        assert_eq!(assessment["prediction"][0]["qualitativeRisk"]["text"], name);
        assert!(assessment["text"]["div"].as_str().unwrap().contains(&format!("{name}.")));
    }
    let mut exam = Exam::normal();
    exam.set_person("history", "previous-ulcer", Answer::Code("present"));
    assert_eq!(exam.summary("scotland-2016").displays, ["Scotland 2016: in remission"]);
    exam.set("active-problem", "left", "gangrene", Answer::Code("present"));
    assert_eq!(exam.summary("nice-ng19").displays, ["NICE NG19: active foot problem"]);
}

#[test]
fn care_is_told_whatever_the_category() {
    let mut exam = Exam::normal();
    assert_eq!(exam.summary("iwgdf-2023").care, Vec::<String>::new());
    exam.set_person("footwear", "", Answer::Code("barefoot"));
    exam.set_person("self-care", "checks-feet-daily", Answer::Code("no"));
    exam.set("skin", "left", "callus", Answer::Code("present"));
    exam.set("nails", "right", "ingrown-nail", Answer::Code("present"));
    let summary = exam.summary("iwgdf-2023");
    assert_eq!(summary.categories, ["iwgdf-2023.0"]);
    assert_eq!(
        summary.care,
        [
            "footwear worn to the visit: barefoot",
            "self-care: looks at both feet every day: no",
            "left foot: callus",
            "right foot: ingrown nail"
        ]
    );
}

#[test]
fn ada_takes_deformity_alone_by_a_named_policy() {
    let mut exam = Exam::normal();
    exam.set("deformity", "left", "significant-deformity", Answer::Code("present"));
    let summary = exam.summary("ada-2008");
    assert_eq!(summary.categories, ["ada-2008.1"]);
    assert!(summary.policies.iter().any(|policy| policy.contains("no row of the table fits deformity")));
    exam.set("pulse", "left", "dorsalis-pedis", Answer::Code("absent"));
    let summary = exam.summary("ada-2008");
    assert_eq!(summary.categories, ["ada-2008.2"]);
    assert!(summary.policies.iter().all(|policy| !policy.contains("no row")));
}

#[test]
fn podus_gives_a_probability_with_its_time_and_nothing_else() {
    let mut exam = insensate();
    exam.set_person("history", "previous-amputation", Answer::Code("present"));
    let derived = exam.derive(&["podus-2021"]);
    let assessment = of_type(&derived, "RiskAssessment")[0];
    let predictions = assessment["prediction"].as_array().unwrap();
    assert_eq!(predictions.len(), 1);
    let prediction = &predictions[0];
    assert_eq!(prediction["probabilityDecimal"].to_string(), "29.2");
    assert_eq!(prediction["whenPeriod"], serde_json::json!({ "start": "2026-09-14", "end": "2028-09-14" }));
    assert_eq!(prediction.get("qualitativeRisk"), None);
    let rationale = prediction["rationale"].as_str().unwrap();
    for part in [
        "score 3 of 4",
        "95 % confidence interval 19.2 to 41.0",
        "from memory",
        "Chappell",
        "first metatarsal",
    ] {
        assert!(rationale.contains(part), "{part}: {rationale}");
    }
    assert_eq!(assessment["status"], "final");
    let summary = &derived.assessments[0];
    assert_eq!(summary.categories, Vec::<String>::new());
    assert_eq!(
        summary.displays,
        ["PODUS 2021 prediction rule, 2-year ulcer probability: score 3 of 4, 29.2 % within 24 months"]
    );
    assert!(summary.policies.iter().any(|policy| policy.contains("over 18 years")));
    // No recall follows from a probability, whichever guideline comes second.
    assert!(of_type(&derived, "ServiceRequest").is_empty());
    assert!(request(&exam.derive(&["podus-2021", "nice-ng19"]), "foot-recall").is_none());
    assert!(request(&exam.derive(&["nice-ng19", "podus-2021"]), "foot-recall").is_some());
}

#[test]
fn podus_keeps_the_digits_as_published() {
    let mut exam = Exam::normal();
    let percent = |exam: &Exam| {
        let derived = exam.derive(&["podus-2021"]);
        let assessment = of_type(&derived, "RiskAssessment")[0];
        assert!(assessment["mitigation"].as_str().is_none_or(|text| !text.is_empty()));
        assessment["prediction"][0]["probabilityDecimal"].to_string()
    };
    assert_eq!(percent(&exam), "2.4");
    exam.set("pulse", "right", "posterior-tibial", Answer::Code("absent"));
    assert_eq!(percent(&exam), "6.0");
    exam.set("monofilament-10g", "left", "mth-5", Answer::Code("not-felt"));
    assert_eq!(percent(&exam), "14.0");
    exam.set_person("history", "previous-ulcer", Answer::Code("present"));
    assert_eq!(percent(&exam), "51.1");
}

#[test]
fn podus_gives_the_lowest_and_the_highest_score_of_an_incomplete_exam() {
    let mut exam = Exam::normal();
    exam.without("monofilament-10g").without("pulse");
    let derived = exam.derive(&["podus-2021"]);
    let assessment = of_type(&derived, "RiskAssessment")[0];
    assert_eq!(assessment["status"], "preliminary");
    let predictions = assessment["prediction"].as_array().unwrap();
    let percents: Vec<String> = predictions.iter().map(|one| one["probabilityDecimal"].to_string()).collect();
    assert_eq!(percents, ["2.4", "14.0"]);
    let starts = |number: usize, text: &str| {
        let rationale = predictions[number]["rationale"].as_str().unwrap();
        assert!(rationale.starts_with(text), "{rationale}");
    };
    starts(0, "lowest: score 0 of 4 (2.4 %), if ");
    starts(1, "highest: score 2 of 4 (14.0 %), if ");
    let missing = derived.assessments[0].missing.join("\n");
    assert!(missing.contains("The score would be settled by"), "{missing}");
}

#[test]
fn podus_does_not_apply_with_an_active_problem() {
    let mut exam = insensate();
    exam.set("active-problem", "right", "active-ulcer", Answer::Code("present"));
    let derived = exam.derive(&["podus-2021"]);
    let assessment = of_type(&derived, "RiskAssessment")[0];
    assert_eq!(assessment.get("prediction"), None);
    assert!(notes(assessment).contains("No prediction is given"), "{}", notes(assessment));
    // The triage of the active problem does not depend on the guideline.
    assert_eq!(request(&derived, "foot-referral").unwrap()["priority"], "urgent");

    let mut unseen = insensate();
    unseen.without("active-problem");
    let derived = unseen.derive(&["podus-2021"]);
    let assessment = of_type(&derived, "RiskAssessment")[0];
    assert_eq!(assessment["status"], "preliminary");
    let predictions = assessment["prediction"].as_array().unwrap();
    assert_eq!(predictions.len(), 1);
    assert_eq!(predictions[0]["probabilityDecimal"].to_string(), "6.0");
    assert!(
        predictions[0]["rationale"].as_str().unwrap().contains("if active foot problem turns out absent")
    );
    assert!(notes(assessment).contains("No prediction applies if an active foot problem turns out present"));
}

#[test]
fn nothing_unknown_is_taken_for_normal() {
    let mut exam = Exam::normal();
    for test in
        ["vibration-128hz", "pulse", "deformity", "skin", "active-problem", "history", "egfr", "self-care"]
    {
        exam.without(test);
    }
    for side in SIDES {
        for site in THREE_SITES {
            exam.set("monofilament-10g", side, site, Answer::NotTested("not-performed"));
        }
    }
    let derived = exam.derive(&ALL);
    for summary in &derived.assessments {
        assert_eq!(summary.status, "preliminary", "{}", summary.guideline);
    }
    let guidelines = builtin_guidelines().unwrap();
    for (summary, guideline) in derived.assessments.iter().zip(&guidelines) {
        assert_eq!(summary.displays.len(), guideline.categories.len(), "{}", guideline.id);
        let asked =
            if guideline.id == "scotland-2016" { guideline.asks.len() - 1 } else { guideline.asks.len() };
        let said = summary.missing.iter().filter(|line| line.contains("is not known")).count();
        assert_eq!(said, asked, "{}: {:#?}", guideline.id, summary.missing);
    }
}

#[test]
fn categories_are_named_as_in_the_code_system() {
    let terminology = Terminology::builtin();
    for guideline in builtin_guidelines().unwrap() {
        let display = |code: &str| terminology.display(LocalSystem::FootRisk, code).map(ToOwned::to_owned);
        assert_eq!(display(&guideline.id).as_deref(), Some(guideline.title.as_str()));
        for category in &guideline.categories {
            let Some(code) = guideline.category_code(category) else {
                assert!(guideline.gives_probability());
                continue;
            };
            assert_eq!(display(&code), Some(format!("{}: {}", guideline.title, category.display)), "{code}");
        }
    }
}
