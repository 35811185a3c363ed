//! Single readings at the edge of what they mean.

use serde_json::{Value, json};
use solewire_profiles::AssessOptions;
use solewire_profiles::issue::refused;
use solewire_profiles::json::{Document, Limits};

use super::generate::{LISTED_DEFORMITIES, normal_exam};
use super::model::{Exam, Finding, Part, Side, Stated, Style, What};
use super::run::{
    Result, TERMINOLOGY, assess, derive, derive_unchecked, felt_below, issues_of, options, result_of,
};

const LEFT: Option<Side> = Some(Side::Left);

fn normal_but(change: impl Fn(&mut Exam)) -> Exam {
    let mut exam = normal_exam();
    change(&mut exam);
    exam
}

/// Sensation rests on the monofilament and on one other test of each foot.
fn with_one_other_test(test: &str) -> Exam {
    let sensory = ["vibration-128hz", "vibration-threshold", "toe-touch", "pinprick", "temperature-sense"];
    normal_but(|exam| {
        exam.findings.retain(|finding| {
            finding.test == test
                || (!sensory.contains(&finding.test)
                    && finding.test != "position-sense"
                    && finding.test != "ankle-reflex")
        });
    })
}

fn plain(exam: &Exam) -> Value {
    exam.bundle(&Style::default(), &TERMINOLOGY)
}

fn code_of(concept: &Value) -> &str {
    concept["coding"][0]["code"].as_str().unwrap_or_default()
}

/// What holds the left result of a test: its component of this code, or its Observation.
fn holder<'b>(bundle: &'b mut Value, test: &str, part: Option<&str>) -> &'b mut Value {
    let observation = bundle["entry"]
        .as_array_mut()
        .unwrap()
        .iter_mut()
        .map(|entry| &mut entry["resource"])
        .find(|resource| {
            let site = code_of(&resource["bodySite"]);
            code_of(&resource["code"]) == test && (site.is_empty() || site.starts_with("left"))
        })
        .unwrap();
    match part {
        None => observation,
        Some(part) => observation["component"]
            .as_array_mut()
            .unwrap()
            .iter_mut()
            .find(|component| code_of(&component["code"]) == part)
            .unwrap(),
    }
}

fn set_value(holder: &mut Value, name: &str, value: Value) {
    let holder = holder.as_object_mut().unwrap();
    holder.retain(|key, _| !key.starts_with("value") && key != "dataAbsentReason");
    holder.insert(name.to_owned(), value);
}

fn tolerant(bundle: &Value, options: &AssessOptions) -> Result {
    let document = Document::parse(serde_json::to_vec(bundle).unwrap(), Limits::default()).unwrap();
    result_of(&derive_unchecked(&document, options))
}

fn concept(code: &str) -> Value {
    json!({ "coding": [{ "system": "https://solewire.example/fhir/CodeSystem/foot-result", "code": code }] })
}

#[test]
fn ratios_count_right_answers_of_at_least_three() {
    let exam = with_one_other_test("vibration-128hz");
    let with_ratio = |right: &str, asked: &str| {
        let mut bundle = plain(&exam);
        let number = |text: &str| serde_json::from_str::<Value>(text).unwrap();
        let ratio =
            json!({ "numerator": { "value": number(right) }, "denominator": { "value": number(asked) } });
        set_value(holder(&mut bundle, "monofilament-10g", Some("mth-1")), "valueRatio", ratio);
        bundle
    };
    for (right, asked, expected) in [
        ("2", "3", 0),
        ("3", "3", 0),
        ("3", "4", 0),
        ("4", "6", 0),
        ("2.0", "3.0", 0),
        ("1", "3", 1),
        ("0", "3", 1),
        ("2", "4", 1),
    ] {
        let bundle = with_ratio(right, asked);
        assert!(!refused(&issues_of(&bundle)), "{right} of {asked}");
        assert_eq!(tolerant(&bundle, &options()).categories, [expected], "{right} of {asked}");
    }
    let large = "79228162514264337593543950335";
    for (right, asked) in [
        ("4", "3"),
        ("2", "2"),
        ("1", "1"),
        ("2.5", "3"),
        ("2", "3.5"),
        ("-1", "3"),
        ("2", "-3"),
        ("0", "0"),
        (large, large),
        ("1e300", "1e300"),
    ] {
        let bundle = with_ratio(right, asked);
        let rules: Vec<String> = issues_of(&bundle).iter().map(|issue| issue.rule.to_string()).collect();
        assert!(rules.contains(&"exam-ratio".to_owned()), "{right} of {asked}: {rules:?}");
        assert_eq!(tolerant(&bundle, &options()).categories, [0, 1], "{right} of {asked}");
    }
}

/// The categories of an exam whose left reading of a test is this Quantity.
fn with_number(exam: &Exam, test: &str, part: Option<&str>, quantity: (&str, &str, &str)) -> Vec<usize> {
    let (comparator, number, unit) = quantity;
    let mut value = json!({ "value": serde_json::from_str::<Value>(number).unwrap(),
                            "system": "http://unitsofmeasure.org", "code": unit });
    if !comparator.is_empty() {
        value["comparator"] = json!(comparator);
    }
    let mut bundle = plain(exam);
    set_value(holder(&mut bundle, test, part), "valueQuantity", value);
    tolerant(&bundle, &options()).categories
}

#[test]
fn vibration_threshold_is_judged_by_what_is_certain() {
    let exam = with_one_other_test("vibration-threshold");
    for (comparator, number, expected) in [
        ("", "24.99", vec![0]),
        ("", "25", vec![1]),
        (">", "25", vec![1]),
        (">=", "25", vec![1]),
        ("<", "25", vec![0]),
        ("<=", "25", vec![0, 1]),
        ("<", "26", vec![0, 1]),
        (">", "24", vec![0, 1]),
        ("", "101", vec![0, 1]),
    ] {
        let found = with_number(&exam, "vibration-threshold", None, (comparator, number, "V"));
        assert_eq!(found, expected, "{comparator} {number} V");
    }
    for unit in ["mV", "v", "s"] {
        assert_eq!(with_number(&exam, "vibration-threshold", None, ("", "12", unit)), [0, 1], "{unit}");
        assert_eq!(with_number(&exam, "vibration-threshold", None, ("", "40", unit)), [0, 1], "{unit}");
    }
}

#[test]
fn the_lag_of_the_tuning_fork_counts_from_ten_seconds() {
    let exam = with_one_other_test("vibration-128hz");
    for (comparator, number, expected) in [
        ("", "9.9", vec![0]),
        ("", "10", vec![1]),
        ("<", "10", vec![0]),
        (">", "10", vec![1]),
        (">", "3", vec![0, 1]),
    ] {
        let found = with_number(&exam, "vibration-128hz", Some("hallux-dorsal"), (comparator, number, "s"));
        assert_eq!(found, expected, "{comparator} {number} s");
    }
    assert_eq!(with_number(&exam, "vibration-128hz", Some("hallux-dorsal"), ("", "3", "min")), [0, 1]);
}

#[test]
fn a_code_that_the_test_does_not_have_is_not_a_normal_result() {
    for (test, part) in [
        ("vibration-128hz", "hallux-dorsal"),
        ("monofilament-10g", "mth-1"),
        ("pulse", "posterior-tibial"),
        ("deformity", "significant-deformity"),
        ("active-problem", "gangrene"),
        ("history", "previous-ulcer"),
    ] {
        let mut exam = with_one_other_test("vibration-128hz");
        exam.findings.retain(|finding| {
            finding.test != "deformity" || finding.part == Part::Item("significant-deformity")
        });
        if test == "deformity" {
            // Deformity matters beside loss of sensation only.
            let what = What::Number("", "40", "V");
            let right = Some(Side::Right);
            exam.findings.push(Finding::new("vibration-threshold", right, Part::Whole, what));
        }
        let mut bundle = plain(&exam);
        assert!(tolerant(&bundle, &options()).only().is_some());
        set_value(holder(&mut bundle, test, Some(part)), "valueCodeableConcept", concept("grade-1"));
        let found = tolerant(&bundle, &options());
        assert!(found.only().is_none(), "{test} {part}: {:?}", found.categories);
    }
    for code in ["absent", "no", "reduced"] {
        let mut bundle = plain(&with_one_other_test("vibration-128hz"));
        let holder = holder(&mut bundle, "vibration-128hz", Some("hallux-dorsal"));
        set_value(holder, "valueCodeableConcept", concept(code));
        assert_ne!(tolerant(&bundle, &options()).categories, [0], "{code}");
    }
}

fn pressure(side: Side, part: Part, text: &'static str) -> Finding {
    Finding::new("systolic-pressure", Some(side), part, What::Number("", text, "mm[Hg]"))
}

const BRACHIAL: Part = Part::Item("brachial");
const DORSALIS: Part = Part::Site("dorsalis-pedis");
const TIBIAL: Part = Part::Site("posterior-tibial");

/// No pulses were felt for; pressures, indices and waveforms show that perfusion is normal.
fn by_pressure() -> Exam {
    normal_but(|exam| {
        exam.findings.retain(|finding| finding.test != "pulse");
        for side in Side::BOTH {
            for (part, text) in [
                (BRACHIAL, "120"),
                (DORSALIS, "132"),
                (TIBIAL, "130"),
                (Part::Item("hallux-pressure"), "110"),
            ] {
                exam.findings.push(pressure(side, part, text));
            }
            for artery in [DORSALIS, TIBIAL] {
                let what = What::Code("triphasic");
                exam.findings.push(Finding::new("doppler-waveform", Some(side), artery, what));
            }
        }
    })
}

#[test]
fn absence_by_pressures_takes_every_pressure_and_waveform() {
    let exam = by_pressure();
    assert_eq!(assess(&exam).categories, [0]);
    for (number, lost) in exam.findings.iter().enumerate() {
        if ["systolic-pressure", "doppler-waveform"].contains(&lost.test) {
            assert_eq!(assess(&exam.without(number)).categories, [0, 1], "without {lost:?}");
        }
    }
}

#[test]
fn disagreeing_pressures_are_read_in_the_worst_combination() {
    let exam = normal_but(|exam| {
        exam.findings.extend([
            pressure(Side::Left, BRACHIAL, "120"),
            pressure(Side::Right, BRACHIAL, "120"),
            pressure(Side::Left, DORSALIS, "130"),
        ]);
    });
    assert_eq!(assess(&exam).categories, [0]);
    // 130/160 = 0.81.
    assert_eq!(assess(&exam.with(pressure(Side::Right, BRACHIAL, "160"))).categories, [1]);
    // 90/120 = 0.75.
    assert_eq!(assess(&exam.with(pressure(Side::Left, DORSALIS, "90"))).categories, [1]);
    // 180/120 = 1.50: not compressible.
    assert_eq!(assess(&exam.with(pressure(Side::Left, DORSALIS, "180"))).categories, [1]);
}

#[test]
fn open_ended_pressures_and_indices_count_where_they_are_certain() {
    let exam = normal_but(|exam| {
        let index = |test| Finding::new(test, LEFT, Part::Whole, What::Number("", "1", "1"));
        exam.findings.extend([index("ankle-brachial-index"), index("toe-brachial-index")]);
    });
    for (test, comparator, number, expected) in [
        ("ankle-brachial-index", ">", "1.40", 1),
        ("ankle-brachial-index", ">=", "1.41", 1),
        ("ankle-brachial-index", "<", "0.90", 1),
        ("ankle-brachial-index", ">", "1.30", 0),
        ("toe-brachial-index", "<", "0.7", 1),
        ("toe-brachial-index", ">", "0.7", 0),
    ] {
        assert_eq!(
            with_number(&exam, test, None, (comparator, number, "1")),
            [expected],
            "{test} {comparator} {number}"
        );
    }
    let exam = normal_but(|exam| {
        exam.findings.extend([
            pressure(Side::Left, BRACHIAL, "120"),
            pressure(Side::Right, BRACHIAL, "120"),
            pressure(Side::Left, DORSALIS, "130"),
            pressure(Side::Left, TIBIAL, "128"),
        ]);
    });
    let at = |quantity| with_number(&exam, "systolic-pressure", Some("dorsalis-pedis"), quantity);
    // The cuff could not close the artery at 250: 250/120 is above 1.40 already.
    assert_eq!(at((">", "250", "mm[Hg]")), [1]);
    assert_eq!(at((">", "100", "mm[Hg]")), [0]);
}

#[test]
fn a_toe_tip_not_felt_beside_an_untested_one_leaves_the_touch_test_open() {
    let tips = |first: What, second: What| {
        let mut exam = normal_exam();
        for finding in exam.findings.iter_mut().filter(|finding| finding.side == LEFT) {
            match finding.part {
                Part::Site("toe-tip-1") => finding.what = first,
                Part::Site("toe-tip-3") => finding.what = second,
                Part::Whole | Part::Site(_) | Part::Item(_) => {}
            }
        }
        assess(&exam).categories
    };
    let (felt, not_felt) = (What::Code("felt"), What::Code("not-felt"));
    let untested = What::Reason("not-applicable");
    assert_eq!(tips(felt, untested), [0]);
    assert_eq!(tips(not_felt, felt), [0]);
    assert_eq!(tips(not_felt, not_felt), [1]);
    assert_eq!(tips(not_felt, untested), [0, 1]);
}

#[test]
fn a_history_item_counts_whatever_body_site_it_was_given() {
    let mut bundle = plain(&normal_exam());
    let history = holder(&mut bundle, "history", None).clone();
    let mut sided = json!({ "fullUrl": "urn:uuid:5e1e0000-0900-4000-8000-000000000999", "resource": history,
                            "request": { "method": "POST", "url": "Observation" } });
    sided["resource"]["bodySite"] = json!({ "coding": [{
        "system": "https://solewire.example/fhir/CodeSystem/foot-site", "code": "left-foot" }] });
    sided["resource"]["component"][0]["valueCodeableConcept"] = concept("present");
    bundle["entry"].as_array_mut().unwrap().push(sided);
    assert_eq!(tolerant(&bundle, &options()).categories, [3]);
}

#[test]
fn only_monofilament_sites_are_counted() {
    // Seven of nine felt is loss; a result for the whole foot is not an eighth site.
    let mut exam = with_one_other_test("vibration-128hz");
    exam.findings.retain(|finding| finding.test != "monofilament-10g" || finding.side != LEFT);
    for (number, site) in super::generate::MONOFILAMENT[2].iter().enumerate() {
        let what = What::Code(if number < 7 { "felt" } else { "not-felt" });
        exam.findings.push(Finding::new("monofilament-10g", LEFT, Part::Site(site), what));
    }
    for finding in exam.clone().findings.iter().filter(|finding| finding.test == "monofilament-10g") {
        if finding.side == Some(Side::Right) {
            continue;
        }
        let mut with_whole = exam.clone();
        with_whole.findings.push(Finding { part: Part::Whole, what: What::Code("felt"), ..*finding });
        let result = tolerant(&plain(&with_whole), &felt_below(8));
        assert_eq!(result.lowest(), 1, "{:?}", result.reasons);
    }
}

#[test]
fn withdrawn_findings_do_not_count() {
    for status in ["entered-in-error", "cancelled", "unknown", "registered"] {
        for (test, code, part) in [
            ("monofilament-10g", "not-felt", "mth-1"),
            ("monofilament-10g", "felt", "mth-1"),
            ("pulse", "absent", "posterior-tibial"),
        ] {
            let mut bundle = plain(&normal_exam());
            set_value(holder(&mut bundle, test, Some(part)), "valueCodeableConcept", concept(code));
            holder(&mut bundle, test, None)["status"] = json!(status);
            assert!(!refused(&issues_of(&bundle)));
            assert_eq!(tolerant(&bundle, &options()).categories, [0, 1], "{test} {code} {status}");
        }
    }
}

#[test]
fn refuted_conditions_do_not_count() {
    let with = |resource, item, status| {
        assess(&normal_but(|exam| exam.stated = vec![Stated { resource, item, status }])).categories
    };
    assert_eq!(with("Condition", "end-stage-renal-disease", "confirmed"), [3]);
    assert_eq!(with("Condition", "end-stage-renal-disease", "provisional"), [3]);
    assert_eq!(with("Condition", "end-stage-renal-disease", "refuted"), [0]);
    assert_eq!(with("Condition", "end-stage-renal-disease", "entered-in-error"), [0]);
    assert_eq!(with("Condition", "gangrene", "confirmed"), [4]);
    assert_eq!(with("Condition", "gangrene", "refuted"), [0]);
    assert_eq!(with("Procedure", "previous-amputation", "completed"), [3]);
    for status in ["not-done", "preparation", "entered-in-error"] {
        assert_eq!(with("Procedure", "previous-amputation", status), [0], "{status}");
    }
}

#[test]
fn a_withdrawn_exam_gives_a_void_assessment_without_prediction() {
    let mut exam = normal_exam();
    exam.panel_status = "entered-in-error";
    let derived = derive(&plain(&exam), &options());
    let assessment = &derived.resources[0];
    assert_eq!(assessment["status"], "entered-in-error");
    assert!(assessment.get("prediction").is_none());
    for request in derived.resources.iter().filter(|resource| resource["resourceType"] == "ServiceRequest") {
        assert_eq!(request["status"], "entered-in-error");
    }
}

#[test]
fn a_preliminary_panel_gives_a_preliminary_assessment() {
    for (panel, expected) in [
        ("preliminary", "preliminary"),
        ("final", "final"),
        ("amended", "amended"),
        ("corrected", "corrected"),
        ("unknown", "preliminary"),
    ] {
        let mut exam = normal_exam();
        exam.panel_status = panel;
        let result = assess(&exam);
        assert_eq!((result.categories, result.status.as_str()), (vec![0], expected), "{panel}");
    }
}

#[test]
fn the_judgement_of_the_examiner_outweighs_the_list() {
    let deformity = |judgement: Option<&'static str>, listed: Option<&'static str>| {
        let exam = normal_but(|exam| {
            exam.findings.retain(|finding| finding.test != "deformity" || finding.side != LEFT);
            if let Some(code) = judgement {
                let part = Part::Item("significant-deformity");
                exam.findings.push(Finding::new("deformity", LEFT, part, What::Code(code)));
            }
            for item in LISTED_DEFORMITIES {
                if let Some(code) = listed {
                    exam.findings.push(Finding::new("deformity", LEFT, Part::Item(item), What::Code(code)));
                }
            }
            // Loss of sensation, so that deformity shows.
            exam.findings.push(Finding::new(
                "vibration-threshold",
                LEFT,
                Part::Whole,
                What::Number("", "40", "V"),
            ));
        });
        assess(&exam).categories
    };
    assert_eq!(deformity(Some("absent"), Some("present")), [1]);
    assert_eq!(deformity(Some("present"), Some("absent")), [2]);
    assert_eq!(deformity(None, Some("absent")), [1]);
    assert_eq!(deformity(None, Some("present")), [2]);
    assert_eq!(deformity(None, None), [1, 2]);
}
