//! Expressions with the results that FHIRPath N1 (2.0.0) gives them.

use serde_json::{Value, json};

use super::*;

fn patient() -> Value {
    json!({
        "resourceType": "Patient", "id": "nobody", "active": true, "birthDate": "1970-03",
        "_birthDate": {"extension": [{"url": "https://harbourlane.example/e", "valueString": "x"}]},
        "name": [
            {"family": "Testperson", "given": ["Ada", null, "Bea"], "_given": [null, {"id": "g"}, null],
             "period": {"start": "2020-01-01", "end": "2020"}},
            {"family": "Probe", "given": ["Cleo"]}
        ],
        "multipleBirthInteger": 2
    })
}

fn check(rows: &[(&str, Option<bool>)]) {
    let patient = patient();
    for (source, expected) in rows {
        assert_eq!(decide(source, &patient, ""), Ok(*expected), "{source}");
    }
}

const TRUE: Option<bool> = Some(true);
const FALSE: Option<bool> = Some(false);

#[test]
fn three_valued_logic() {
    // FHIRPath N1, truth tables of "Boolean logic".
    let values = [("true", TRUE), ("false", FALSE), ("{}", None)];
    let tables: [(&str, [Option<bool>; 9]); 4] = [
        ("and", [TRUE, FALSE, None, FALSE, FALSE, FALSE, None, FALSE, None]),
        ("or", [TRUE, TRUE, TRUE, TRUE, FALSE, None, TRUE, None, None]),
        ("xor", [FALSE, TRUE, None, TRUE, FALSE, None, None, None, None]),
        ("implies", [TRUE, FALSE, None, TRUE, TRUE, TRUE, TRUE, None, None]),
    ];
    for (operator, results) in tables {
        let pairs = values.iter().flat_map(|a| values.iter().map(move |b| (a, b)));
        for ((a, b), expected) in pairs.zip(results) {
            let source = format!("{} {operator} {}", a.0, b.0);
            assert_eq!(decide(&source, &patient(), ""), Ok(expected), "{source}");
        }
    }
    check(&[("true.not()", FALSE), ("false.not()", TRUE), ("{}.not()", None)]);
}

#[test]
fn precedence_binds_as_in_the_grammar() {
    check(&[
        ("1 + 2 * 3 = 7", TRUE),
        ("(1 + 2) * 3 = 9", TRUE),
        ("-1 + 3 = 2", TRUE),
        ("false and false or true", TRUE),
        ("true or false and false", TRUE),
        ("false implies false and false", TRUE),
        ("1 | 2 = 2 | 1", FALSE),
        ("2 in 1 | 2", TRUE),
        ("1 = 1 and 2 = 2", TRUE),
        ("1 < 2 = true", TRUE),
        ("'a' & 'b' = 'ab'", TRUE),
        ("multipleBirth is integer and true", TRUE),
    ]);
}

#[test]
fn paths_and_collections() {
    check(&[
        ("name.count() = 2", TRUE),
        ("Patient.name.given.count() = 4", TRUE),
        ("name.given.where($this.hasValue()).count() = 3", TRUE),
        ("name[0].given[2] = 'Bea'", TRUE),
        ("name[1].given = 'Cleo'", TRUE),
        ("name[7].empty()", TRUE),
        ("name.first().given.last() = 'Bea'", TRUE),
        ("name.tail().family = 'Probe'", TRUE),
        ("name.skip(1).family = 'Probe'", TRUE),
        ("name.take(1).family = 'Testperson'", TRUE),
        ("name.take(-1).empty()", TRUE),
        ("name.where($index = 1).family = 'Probe'", TRUE),
        ("name.all(family.exists())", TRUE),
        ("name.all(period.exists())", FALSE),
        ("nothing.all(false)", TRUE),
        ("name.exists(family = 'Probe')", TRUE),
        ("name.select(family).isDistinct()", TRUE),
        ("(1 | 2 | 2).count() = 2", TRUE),
        ("(1 | 2).combine(2).count() = 3", TRUE),
        ("(1 | 2).combine(2).distinct().count() = 2", TRUE),
        ("(1 | 2).combine(2).isDistinct()", FALSE),
        ("(1 | 2 | 3).intersect(2 | 3 | 4).count() = 2", TRUE),
        ("(1 | 2 | 3).exclude(2) = (1 | 3)", TRUE),
        ("(1 | 2).subsetOf(1 | 2 | 3)", TRUE),
        ("(1 | 2).supersetOf(1 | 2 | 3)", FALSE),
        ("(true | false).anyTrue()", TRUE),
        ("(true | false).allTrue()", FALSE),
        ("(1 | 2 | 3) contains 2", TRUE),
        ("{} in (1 | 2)", None),
        ("1 in {}", FALSE),
        ("iif(active, 1, 2) = 1", TRUE),
        ("iif({}, 1).empty()", TRUE),
        ("1.iif($this = 1, 'one', 'other') = 'one'", TRUE),
        ("name.children().count() = 7", TRUE),
        ("descendants().where($this = 'x').exists()", TRUE),
        ("name.trace('names').count() = 2", TRUE),
        ("`name`.exists() and name.`family`.exists()", TRUE),
        ("%resource.id = 'nobody' and %rootResource.id = 'nobody' and %context.id = 'nobody'", TRUE),
        ("%ucum = 'http://unitsofmeasure.org'", TRUE),
        ("birthDate.extension('https://harbourlane.example/e').value = 'x'", TRUE),
        ("birthDate.extension.count() = 1 /* a comment */ // another", TRUE),
    ]);
}

#[test]
fn equality_and_order() {
    check(&[
        ("1 = 1.0", TRUE),
        ("1 != 2", TRUE),
        ("{} = 1", None),
        ("{} = {}", None),
        ("(1 | 2) = (1 | 2)", TRUE),
        ("(1 | 2) = (2 | 1)", FALSE),
        ("(1 | 2) = 1", FALSE),
        ("'a' = 'A'", FALSE),
        ("'a' = 1", FALSE),
        ("'a' < 'b'", TRUE),
        ("0.1 + 0.2 = 0.3", TRUE),
        ("2 > {}", None),
        ("4 'mg' < 5 'mg'", TRUE),
        ("4 'mg' = 4.0 'mg'", TRUE),
        ("4 'mg' < 5 'g'", None),
        ("4 'mg' = 4 'g'", None),
        ("name.first() = name.first()", TRUE),
        ("name.first() = name.last()", FALSE),
        ("multipleBirth = 2", TRUE),
    ]);
}

#[test]
fn dates_compare_as_far_as_both_are_known() {
    check(&[
        ("@2012 = @2012", TRUE),
        ("@2012 = @2013", FALSE),
        ("@2012-01 = @2012", None),
        ("@2012-01-01 < @2012-02", TRUE),
        ("@2012 <= @2012-05", None),
        ("@2012-03-01T10:00:00Z = @2012-03-01T11:00:00+01:00", TRUE),
        ("@2012-03-01T10:00:00.0Z = @2012-03-01T10:00:00Z", TRUE),
        ("@2012-03-01T23:30:00-05:00 > @2012-03-02T01:00:00Z", TRUE),
        ("@2012-03-01T10:00:00Z < @2012-03-01T10:00:01", None),
        ("@2012-03-01T10:00:00Z < @2012-03-09T10:00:00", TRUE),
        ("@2012-03-01T10 = @2012-03-01T10:30", None),
        ("@2012-03-01 = @2012-03-01T10:00:00Z", None),
        ("@T10:00 < @T10:01", TRUE),
        ("@T10 = @T10:30", None),
        ("birthDate = @1970-03", TRUE),
        ("birthDate < @1970-03-05", None),
        ("birthDate < '1971'", TRUE),
        ("birthDate.is(date)", TRUE),
        ("name.first().period.start >= name.first().period.end", None),
    ]);
}

#[test]
fn strings_and_numbers() {
    check(&[
        ("'abcdef'.substring(2) = 'cdef'", TRUE),
        ("'abcdef'.substring(2, 2) = 'cd'", TRUE),
        ("'abc'.substring(3).empty()", TRUE),
        ("'abc'.indexOf('c') = 2", TRUE),
        ("'äbc'.indexOf('c') = 2", TRUE),
        ("'abc'.indexOf('x') = -1", TRUE),
        ("'abc'.startsWith('ab') and 'abc'.endsWith('bc') and 'abc'.contains('b')", TRUE),
        ("'aBc'.upper() = 'ABC' and 'aBc'.lower() = 'abc'", TRUE),
        ("'abc'.length() = 3 and 'a-b'.replace('-', '+') = 'a+b'", TRUE),
        ("'a.b.c'.replaceMatches('\\\\..*', '') = 'a'", TRUE),
        ("'2020'.matches('[0-9]{4}')", TRUE),
        ("'x2020'.matches('[0-9]{4}')", FALSE),
        ("'a\\nb'.matches('a.b')", TRUE),
        ("{}.matches('a')", None),
        ("'\\u00e4\\'' = 'ä\\''", TRUE),
        ("'12'.toInteger() = 12 and '1.50'.toDecimal() = 1.5 and 'x'.toInteger().empty()", TRUE),
        ("1.50.toString() = '1.50' and true.toString() = 'true' and 'yes'.toBoolean()", TRUE),
        ("7 div 2 = 3 and 7 mod 2 = 1 and 7 / 2 = 3.5 and (1 / 0).empty()", TRUE),
        ("(-1.5).abs() = 1.5 and 1.2.ceiling() = 2 and (-1.2).floor() = -2 and 1.9.truncate() = 1", TRUE),
        ("1.255.round(2) = 1.26 and 2.5.round() = 3", TRUE),
        ("'a' + 'b' = 'ab' and ('a' + {}).empty() and 'a' & {} = 'a'", TRUE),
    ]);
}

#[test]
fn types_by_suffix_table_and_specialisation() {
    check(&[
        ("multipleBirth is integer", TRUE),
        ("multipleBirth is boolean", FALSE),
        ("multipleBirth.ofType(integer) = 2", TRUE),
        ("(multipleBirth as boolean).empty()", TRUE),
        ("active is Boolean and active is System.Boolean and active is FHIR.boolean", TRUE),
        ("id is id and id is string", TRUE),
        ("Patient is Resource and Patient is DomainResource and %resource is Patient", TRUE),
        ("name.first() is HumanName and name.first() is Element", TRUE),
        ("1 is Integer and 1.0 is Decimal and 'a' is String and @2012 is Date", TRUE),
        ("nothing is string", None),
    ]);
    // Without any table the suffix of a choice still tells the type.
    let unknown = |_: &str, _: &str| None;
    let patient = patient();
    let steps = Steps::for_document(&patient);
    let focus = Focus::resource(&patient, &unknown, &steps);
    assert_eq!(Expression::compile("multipleBirth is integer").unwrap().decide(&focus), Ok(TRUE));
}

#[test]
fn decimals_keep_their_digits() {
    let text = r#"{"resourceType":"Observation","valueQuantity":{"value":0.70,"unit":"m"},"component":[
        {"valueQuantity":{"value":0.1}},{"valueQuantity":{"value":0.2}},{"valueQuantity":{"value":1e-2}}]}"#;
    let observation: Value = serde_json::from_str(text).unwrap();
    for source in [
        "value.value = 0.7",
        "value.value.toString() = '0.70'",
        "component[0].value.value + component[1].value.value = 0.3",
        "component[2].value.value = 0.01",
    ] {
        assert_eq!(decide(source, &observation, ""), Ok(TRUE), "{source}");
    }
    let huge: Value =
        serde_json::from_str(r#"{"resourceType":"Observation","valueQuantity":{"value":1e400}}"#).unwrap();
    assert!(matches!(decide("value.value > 1", &huge, ""), Err(EvaluationError::Number { .. })));
}

#[test]
fn quantities_compare_in_the_same_unit_only() {
    let ucum = "http://unitsofmeasure.org";
    let with = |quantity: Value| json!({"resourceType": "Observation", "valueQuantity": quantity});
    for (quantity, source, expected) in [
        (json!({"value": 25, "code": "V", "system": ucum}), "value >= 25 'V'", TRUE),
        (json!({"value": 25, "code": "mV", "system": ucum}), "value >= 25 'V'", None),
        (
            json!({"value": 25, "code": "V", "system": "https://harbourlane.example/units"}),
            "value >= 25 'V'",
            None,
        ),
        (json!({"value": 25, "unit": "V"}), "value >= 25 'V'", None),
        // Less than 25 may be anything below.
        (json!({"value": 25, "comparator": "<", "code": "V", "system": ucum}), "value >= 25 'V'", None),
        (json!({"code": "V", "system": ucum}), "value >= 25 'V'", None),
        (json!({"value": 25.0, "code": "V", "system": ucum}), "value = 25 'V'", TRUE),
    ] {
        assert_eq!(decide(source, &with(quantity.clone()), ""), Ok(expected), "{quantity}");
    }
}

#[test]
fn singletons_are_demanded() {
    for source in
        ["active and name", "name.given.startsWith('A')", "name.given > 'a'", "name.single().exists()"]
    {
        assert!(matches!(decide(source, &patient(), ""), Err(EvaluationError::Several { .. })), "{source}");
    }
    for source in ["active > 1", "name.first() + 1", "'a' - 'b'", "active.length()"] {
        assert!(matches!(decide(source, &patient(), ""), Err(EvaluationError::Types { .. })), "{source}");
    }
}

#[test]
fn what_is_outside_the_subset_is_named_with_its_place() {
    let rows = [
        ("a.resolve()", "the function `resolve()`", 2),
        ("a and now() > b", "the function `now()`", 6),
        ("a ~ b", "the operator `~`", 2),
        ("a !~ b", "the operator `!~`", 2),
        ("a.memberOf('x')", "the function `memberOf()`", 2),
        ("%terminologies", "the variable `%terminologies`", 0),
        ("$total = 1", "`$total`", 0),
        ("b + 4 days", "the calendar duration `days`", 6),
        ("a is SYS.b", "the namespace `SYS`", 5),
        ("a.matches(b)", "`matches()` with a pattern that is not a literal", 2),
        ("a.matches('(?=x)')", "a pattern that the linear-time engine cannot run", 2),
    ];
    for (source, construct, at) in rows {
        assert_eq!(
            refusal(source),
            CompileError::Outside { construct: construct.to_owned(), at },
            "{source}"
        );
    }
    for source in [
        "",
        "a.",
        "a b",
        "(a",
        "a)",
        "'a",
        "a and",
        "and a",
        "1.2.3",
        "a[",
        "@2012-13",
        "a.exists(",
        "\"a\"",
        "a is",
        "exists(1, 2)",
        "/* a",
        "'\\q'",
        "a = ",
        "{1}",
        "#",
    ] {
        assert!(matches!(refusal(source), CompileError::Syntax { .. }), "{source}: {:?}", refusal(source));
    }
}

#[test]
fn a_focus_is_located_and_knows_its_resources() {
    let bundle = json!({"resourceType": "Bundle", "id": "b", "entry": [{"resource": {
        "resourceType": "Observation", "id": "o", "contained": [{"resourceType": "Patient", "id": "p",
            "_birthDate": {"extension": [{"url": "u", "valueString": "x"}]}}],
        "component": [{"valueString": "v"}]
    }}]});
    let rows = [
        ("", "%resource.id = 'b' and %rootResource.id = 'b'"),
        ("/entry/0", "%resource.id = 'b' and resource.id = 'o'"),
        ("/entry/0/resource", "%resource.id = 'o' and %rootResource.id = 'o'"),
        (
            "/entry/0/resource/component/0/valueString",
            "$this = 'v' and %resource.id = 'o' and %context = 'v'",
        ),
        ("/entry/0/resource/contained/0", "%resource.id = 'p' and %rootResource.id = 'o'"),
        ("/entry/0/resource/contained/0/_birthDate/extension/0", "value = 'x' and %resource.id = 'p'"),
    ];
    for (pointer, source) in rows {
        assert_eq!(decide(source, &bundle, pointer), Ok(TRUE), "{pointer}: {source}");
    }
}

#[test]
fn misspelt_elements_are_found_beforehand() {
    let unknown = |focus: &str, source: &str| {
        let expression = Expression::compile(source).unwrap();
        expression
            .check_names("Observation", &[focus], &types)
            .err()
            .map(|error| (error.name.clone(), error.at, error.types))
    };
    for source in [
        "value.exists() implies value is Quantity and (value as Quantity).value <= 100",
        "component.where(code.coding.exists(system = %loinc)).value.unit = 'V'",
        "Observation.code.coding.code in ('a' | 'b') or %resource.status = 'final'",
        "extension('https://harbourlane.example/e').value.exists() and status.extension.empty()",
        "contained.whatever.exists() and descendants().anything.empty() and code.text.trace('t').length() < 3",
        "(code | component.code).coding.display.exists() and component.select(code.text).isDistinct()",
        "component[0].code.coding.first().system = 'x' and iif(value is Ratio, value.numerator.value, 1) = 1",
    ] {
        assert_eq!(unknown("Observation", source), None, "{source}");
    }
    for (focus, source, name, at) in [
        ("Observation", "valeu <= 3", "valeu", 0),
        ("Observation", "code.codng.exists()", "codng", 5),
        ("Observation", "component.where(cod.exists()).empty()", "cod", 16),
        ("Observation", "(value as Quantity).numerator.empty()", "numerator", 20),
        ("Observation.component", "status.exists()", "status", 0),
        ("Observation.component", "%resource.stats = 'final'", "stats", 10),
        ("Observation", "a.b", "a", 0),
    ] {
        let found = unknown(focus, source).map(|(name, at, _)| (name, at));
        assert_eq!(found, Some((name.to_owned(), at)), "{source}");
    }
    // A SimpleQuantity has the elements of a Quantity.
    assert_eq!(unknown("SimpleQuantity", "value > 0 and unit.exists()"), None);
    let (_, _, searched) = unknown("Observation.component", "value.numerator.exists()").unwrap();
    assert_eq!(searched, "string, Quantity");
}
