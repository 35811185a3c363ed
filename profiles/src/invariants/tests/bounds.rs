//! Hostile expressions and documents.

use proptest::prelude::*;
use serde_json::{Value, json};

use super::super::{Constraint, Origin, check};
use super::*;

#[test]
fn deep_and_long_expressions_are_refused_without_exhausting_the_stack() {
    let nested = format!("{}a{}", "(".repeat(5000), ")".repeat(5000));
    assert!(matches!(refusal(&nested), CompileError::TooDeep { .. }));
    let chain = format!("a{}", ".a".repeat(5000));
    assert!(matches!(refusal(&chain), CompileError::TooDeep { .. }));
    let sum = format!("1{}", " + 1".repeat(3000));
    assert!(matches!(refusal(&sum), CompileError::TooDeep { .. }));
    assert!(matches!(refusal(&"a".repeat(20_000)), CompileError::TooLarge { .. }));
}

#[test]
fn the_deepest_accepted_expression_runs_on_a_small_stack() {
    let text = format!("{}true{}", "iif(true, ".repeat(49), ")".repeat(49));
    let sum = format!("1{} = 119", " + 1".repeat(118));
    let value = json!({"resourceType": "Patient"});
    assert_eq!(decide(&text, &value, ""), Ok(Some(true)));
    assert_eq!(decide(&sum, &value, ""), Ok(Some(true)));
}

#[test]
fn work_beyond_the_budget_is_an_error_and_no_pass() {
    let names: Vec<Value> = (0..3000).map(|number| json!({"family": format!("n{number}")})).collect();
    let patient = json!({"resourceType": "Patient", "name": names});
    // What does not depend on the item is evaluated once, so this stays linear.
    let closed =
        "name.all(%resource.name.where(family.length() > 100).empty() and family in %resource.name.family)";
    assert_eq!(decide(closed, &patient, ""), Ok(Some(true)));
    let square = "name.all($this.select(%context.name).where(family.length() > 100).empty())";
    assert!(matches!(decide(square, &patient, ""), Err(EvaluationError::Steps { .. })));
    let row = InvariantRow {
        path: "Patient",
        key: "t-1",
        severity: Severity::Error,
        human: "words",
        expression: square,
    };
    let constraint = Constraint::compile(row, Origin::Profile).unwrap();
    let steps = Steps::for_document(&patient);
    let mut issues = Vec::new();
    constraint.test(
        &Focus::resource(&patient, &|a: &str, b: &str| types(a, b), &steps),
        String::new,
        &mut issues,
    );
    assert_eq!((issues[0].rule.as_ref(), issues[0].issue_type.code()), ("invariant", "too-long"));
    assert!(issues[0].severity.refuses());
}

#[test]
fn large_documents_take_linear_work() {
    // A budget linear in size is enough for every published invariant on documents built to be slow.
    let table = table();
    let many = 4000;
    let coding = |number: usize| json!({"system": "s", "code": format!("c{number}")});
    let observation = json!({"resourceType": "Observation", "valueBoolean": true,
        "code": {"coding": (0..many).map(coding).collect::<Vec<_>>()},
        "component": (0..many).map(|number| json!({"code": {"coding": [coding(number + many)]}})).collect::<Vec<_>>()});
    let contained = json!({"resourceType": "Patient",
        "contained": (0..many).map(|number| json!({"resourceType": "Organization", "id": format!("o{number}"), "name": "n",
            "partOf": {"reference": format!("#o{number}")}})).collect::<Vec<_>>()});
    let bundle = json!({"resourceType": "Bundle", "type": "transaction",
        "entry": (0..many).map(|number| json!({"fullUrl": format!("urn:{number}"), "request": {"method": "POST"}}))
            .collect::<Vec<_>>()});
    let questionnaire = json!({"resourceType": "Questionnaire",
        "item": (0..many).map(|number| json!({"linkId": format!("{number}"), "type": "string"})).collect::<Vec<_>>()});
    for value in [observation, contained, bundle, questionnaire] {
        let mut issues = Vec::new();
        check(&value, table, &types, &mut issues);
        assert!(issues.is_empty(), "{:?}", issues.first());
    }
}

#[test]
fn deeply_nested_elements_are_walked_on_a_small_stack() {
    let nested = |depth: usize| {
        let innermost = json!({"url": "u"});
        let extension = (1..depth).fold(innermost, |inner, _| json!({"url": "u", "extension": [inner]}));
        json!({"resourceType": "Patient", "extension": [extension]})
    };
    for (depth, rule) in [(60, "ext-1"), (127, "ext-1"), (200, "invariant")] {
        let mut issues = Vec::new();
        check(&nested(depth), table(), &types, &mut issues);
        assert_eq!(issues.len(), 1, "{depth}");
        assert_eq!(issues[0].rule, rule, "{depth}");
    }
}

#[test]
fn no_message_quotes_the_document() {
    let table = table();
    let value = json!({"resourceType": "Observation", "valueString": "Secretname", "dataAbsentReason": {"text": "Secretname"},
        "subject": {"reference": "#Secretname"}, "text": {"div": "Secretname"}, "status": ["Secretname", "Secretname"],
        "effectivePeriod": {"start": ["Secretname", "x"], "end": "Secretname"},
        "extension": [{"url": "Secretname"}]});
    let mut issues = Vec::new();
    check(&value, table, &types, &mut issues);
    assert!(issues.len() >= 4, "{issues:?}");
    for issue in issues {
        assert!(!format!("{issue:?}").contains("Secretname"), "{issue:?}");
    }
}

/// Values in the shapes of FHIR and in no shape at all.
fn documents() -> impl Strategy<Value = Value> {
    let names = prop::sample::select(vec![
        "resourceType",
        "id",
        "value",
        "valueQuantity",
        "_value",
        "_valueString",
        "code",
        "coding",
        "system",
        "extension",
        "url",
        "contained",
        "reference",
        "component",
        "start",
        "end",
        "low",
        "high",
        "entry",
        "resource",
        "type",
        "div",
        "text",
        "when",
        "offset",
        "name",
        "given",
        "_given",
        "effectivePeriod",
        "subject",
        "prediction",
        "é",
        "_",
        "",
    ]);
    let leaf = prop_oneof![
        Just(Value::Null),
        any::<bool>().prop_map(Value::from),
        any::<i64>().prop_map(Value::from),
        any::<f64>().prop_map(Value::from),
        "[#/a-z<>&;é0-9:TZ+.-]{0,12}".prop_map(Value::from),
        prop::sample::select(vec![
            "Observation",
            "Patient",
            "Bundle",
            "RiskAssessment",
            "Condition",
            "2026-02-30",
            "2026-01-01T25:00:00Z",
            "#",
            "2026-01-01T00:00:60+14:00",
            "<div>",
            "9999-12-31T23:59:59-14:00",
            "0000",
        ])
        .prop_map(Value::from),
    ];
    leaf.prop_recursive(5, 60, 6, move |inner| {
        prop_oneof![
            prop::collection::vec(inner.clone(), 0..5).prop_map(Value::from),
            prop::collection::vec((names.clone(), inner), 0..7).prop_map(|pairs| {
                Value::Object(pairs.into_iter().map(|(name, value)| (name.to_owned(), value)).collect())
            }),
        ]
    })
}

/// Expressions put together from the grammar.
fn expressions() -> impl Strategy<Value = String> {
    let leaf = prop::sample::select(vec![
        "value",
        "code",
        "name",
        "given",
        "$this",
        "$index",
        "%resource",
        "%context",
        "{}",
        "true",
        "1",
        "-2.50",
        "'a'",
        "'é'",
        "@2012",
        "@2012-01-31T10:00:00+02:00",
        "@T10:00",
        "4 'mg'",
        "id",
        "contained",
        "extension",
        "9999999999999999",
    ])
    .prop_map(str::to_owned);
    leaf.prop_recursive(5, 40, 3, |inner| {
        let operator = prop::sample::select(vec![
            "=", "!=", "<", "<=", ">", ">=", "|", "+", "-", "*", "/", "div", "mod", "&", "and", "or", "xor",
            "implies", "in", "contains",
        ]);
        let plain = prop::sample::select(vec![
            "exists()",
            "empty()",
            "not()",
            "count()",
            "first()",
            "last()",
            "tail()",
            "distinct()",
            "isDistinct()",
            "children()",
            "descendants()",
            "hasValue()",
            "htmlChecks()",
            "toString()",
            "toInteger()",
            "toDecimal()",
            "toBoolean()",
            "length()",
            "upper()",
            "abs()",
            "round(3)",
            "ceiling()",
            "as(string)",
            "is(Quantity)",
            "value",
            "code",
            "allTrue()",
            "single()",
            "matches('[a-z]*')",
            "replaceMatches('a', '$0b')",
            "[0]",
        ]);
        let called = prop::sample::select(vec![
            "where",
            "select",
            "all",
            "exists",
            "intersect",
            "combine",
            "union",
            "exclude",
            "subsetOf",
            "skip",
            "take",
            "startsWith",
            "contains",
            "indexOf",
            "substring",
            "extension",
            "round",
        ]);
        prop_oneof![
            (inner.clone(), operator, inner.clone())
                .prop_map(|(a, operator, b)| format!("({a} {operator} {b})")),
            (inner.clone(), plain).prop_map(|(a, call)| {
                if call.starts_with('[') { format!("({a}){call}") } else { format!("({a}).{call}") }
            }),
            (inner.clone(), called, inner.clone()).prop_map(|(a, call, b)| format!("({a}).{call}({b})")),
            (inner.clone(), inner.clone(), inner).prop_map(|(a, b, c)| format!("iif({a}, {b}, {c})")),
        ]
    })
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(192))]

    #[test]
    fn expressions_of_the_grammar_compile_and_never_panic(source in expressions(), mut document in documents()) {
        let expression = Expression::compile(&source).map_err(|error| TestCaseError::fail(format!("{source}: {error}")))?;
        if let Some(object) = document.as_object_mut() {
            object.insert("resourceType".to_owned(), "Observation".into());
        }
        let steps = Steps::for_document(&document);
        let known = |parent: &str, property: &str| types(parent, property);
        let focus = Focus::resource(&document, &known, &steps);
        // The same node decides the same way each time, whatever it is.
        prop_assert_eq!(expression.decide(&focus), expression.decide(&focus));
    }

    #[test]
    fn any_text_compiles_or_is_refused(source in "[a-z0-9 .()'%$@|&<>=/*`\\\\{}\\[\\]+-]{0,40}|\\PC{0,20}") {
        if let Err(error) = Expression::compile(&source) {
            prop_assert!(!error.to_string().is_empty());
        }
    }

    #[test]
    fn any_document_is_walked_and_every_issue_has_a_place(mut document in documents()) {
        if let Some(object) = document.as_object_mut() {
            object.entry("resourceType").or_insert_with(|| "Observation".into());
        }
        let table = table();
        let mut issues = Vec::new();
        check(&document, table, &types, &mut issues);
        for issue in issues {
            let known = document.pointer(&issue.pointer).is_some();
            prop_assert!(known, "{} {}", issue.rule, issue.pointer);
        }
    }

    #[test]
    fn any_text_is_a_narrative_or_not(text in "(<div xmlns=\"http://www.w3.org/1999/xhtml\">)?[<>/a-z&;!'\"= -]{0,60}(</div>)?") {
        let result = super::super::xhtml::check(&text);
        prop_assert!(result.is_err() || text.contains("</div>") || text.contains("/>"));
    }
}
