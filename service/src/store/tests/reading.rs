//! Searching, worklists, and what a clinic sees.

use super::*;

on_each_store! {
    search_compares_tokens_references_and_dates,
    dates_compare_as_the_standard_says_however_they_are_found,
    clinics_have_the_same_identifiers_and_see_nothing_of_each_other,
    worklists_put_the_most_dangerous_first_and_each_person_once,
    worklists_page_through_all_their_groups,
    an_exam_of_another_person_after_all_moves_in_the_worklists,
    many_matches_are_counted_only_when_it_is_asked_for,
}

async fn search_compares_tokens_references_and_dates(store: Store) {
    let observation = |id: &str, subject: Value, when: &str| {
        let body = json!({
            "resourceType": "Observation", "id": id, "status": "final", "effectiveDateTime": when,
            "identifier": [{"system": "https://harbourlane.example/id", "value": id}],
            "code": {"coding": [{"system": "t", "code": "pulse"}, {"system": "u", "code": "1"}]},
            "subject": subject
        });
        write("Observation", id, 1, body)
    };
    let writes = vec![
        observation("a", json!({"reference": "Patient/p-1"}), "2026-01-01T10:00:00Z"),
        observation("b", json!({"identifier": {"system": "m", "value": "77"}}), "2026-02-01T10:00:00Z"),
        observation("c", json!({"reference": "Group/p-1"}), "2026-03-01"),
    ];
    commit(&store, vec![change("k", 0, writes)], 1).await;
    let token = |system: Option<&str>, value: Option<&str>| TokenMatch {
        system: system.map(str::to_owned),
        value: value.map(str::to_owned),
    };
    let by_id = |id: &str| vec![ReferenceMatch::Id(id.into())];
    let day = |text: &str| Span::of(text).unwrap();
    let table: Vec<(Filter, &[&str])> = vec![
        (Filter::Id(vec!["a".into(), "x".into()]), &["a"]),
        (Filter::Status(vec!["final".into()]), &["a", "b", "c"]),
        (Filter::Token(TokenField::Code, vec![token(None, Some("pulse"))]), &["a", "b", "c"]),
        (Filter::Token(TokenField::Code, vec![token(Some("u"), Some("pulse"))]), &[]),
        (
            Filter::Token(
                TokenField::Identifier,
                vec![token(Some("https://harbourlane.example/id"), Some("b"))],
            ),
            &["b"],
        ),
        (Filter::Token(TokenField::SubjectIdentifier, vec![token(Some("m"), None)]), &["b"]),
        (Filter::Subject { any: by_id("p-1"), patient: false }, &["a", "c"]),
        (Filter::Subject { any: by_id("p-1"), patient: true }, &["a"]),
        (Filter::Subject { any: vec![ReferenceMatch::Whole("Patient/p-1".into())], patient: true }, &["a"]),
        (Filter::Date(DateField::Date, vec![(Prefix::Equal, day("2026-01"))]), &["a"]),
        (Filter::Date(DateField::Date, vec![(Prefix::GreaterOrEqual, day("2026-02-01"))]), &["b", "c"]),
        (Filter::Date(DateField::Date, vec![(Prefix::StartsAfter, day("2026-02-01"))]), &["c"]),
        (Filter::Date(DateField::Date, vec![(Prefix::Less, day("2026-02-01"))]), &["a"]),
    ];
    for (filter, expected) in table {
        let search = Search {
            reach: Reach::All,
            resource_type: "Observation".into(),
            filters: vec![filter.clone()],
            sort: vec![(SortKey::Id, false)],
            count: 10,
            offset: 0,
            total: Total::OfFew,
        };
        let found = store.search(&search).await.unwrap();
        let ids: Vec<&str> = found.page.iter().map(|version| version.id.as_str()).collect();
        assert_eq!(ids, expected, "{filter:?}");
        assert_eq!((found.total, found.next), (Some(expected.len() as u64), false));
    }
    let page = Search {
        reach: Reach::All,
        resource_type: "Observation".into(),
        filters: vec![],
        sort: vec![(SortKey::Date, true)],
        count: 1,
        offset: 1,
        total: Total::OfFew,
    };
    let found = store.search(&page).await.unwrap();
    assert_eq!((found.total, found.page[0].id.as_str()), (Some(3), "b"));
}

/// HL7 FHIR R4, Search, prefixes, asked of spans: whether the span of a resource compares so with the one searched for.
fn compares(prefix: Prefix, own: Span, wanted: Span) -> bool {
    let within = wanted.low <= own.low && own.high <= wanted.high;
    match prefix {
        Prefix::Equal => within,
        Prefix::NotEqual => !within,
        Prefix::Greater => own.high > wanted.high,
        Prefix::Less => own.low < wanted.low,
        Prefix::GreaterOrEqual => own.high > wanted.high || within,
        Prefix::LessOrEqual => own.low < wanted.low || within,
        Prefix::StartsAfter => own.low >= wanted.high,
        Prefix::EndsBefore => own.high <= wanted.low,
    }
}

async fn dates_compare_as_the_standard_says_however_they_are_found(store: Store) {
    let days =
        ["2026", "2026-02", "2026-02-01", "2026-02-28", "2026-02-01T00:00:00Z", "2026-02-01T12:30:00.250Z"];
    let mut stored = Vec::new();
    for (number, when) in days.iter().enumerate() {
        let id = format!("o{number}");
        let body = json!({ "resourceType": "Observation", "id": id, "effectiveDateTime": when });
        let at = Span::of(when).unwrap().low + i64::try_from(number % 2).unwrap();
        commit(&store, vec![change(&id, 0, vec![write("Observation", &id, 1, body)])], at).await;
        stored.push((id, Span::of(when).unwrap(), Span { low: at, high: at + 1 }));
    }
    let prefixes = [
        Prefix::Equal,
        Prefix::NotEqual,
        Prefix::Greater,
        Prefix::Less,
        Prefix::GreaterOrEqual,
        Prefix::LessOrEqual,
        Prefix::StartsAfter,
        Prefix::EndsBefore,
    ];
    for wanted in days.iter().chain(&["2025", "2026-01-31", "2026-02-01T00:00:00.001Z"]) {
        let wanted = Span::of(wanted).unwrap();
        for (prefix, field) in prefixes
            .iter()
            .flat_map(|prefix| [DateField::Date, DateField::LastUpdated].map(|field| (*prefix, field)))
        {
            let of = |date: Span, updated: Span| if field == DateField::Date { date } else { updated };
            let expected: Vec<&str> = stored
                .iter()
                .filter(|(_, date, updated)| compares(prefix, of(*date, *updated), wanted))
                .map(|(id, ..)| id.as_str())
                .collect();
            for total in [Total::Accurate, Total::None] {
                let search = Search {
                    reach: Reach::All,
                    resource_type: "Observation".into(),
                    filters: vec![Filter::Date(field, vec![(prefix, wanted)])],
                    sort: vec![(SortKey::Id, false)],
                    count: 10,
                    offset: 0,
                    total,
                };
                let found = store.search(&search).await.unwrap();
                let ids: Vec<&str> = found.page.iter().map(|version| version.id.as_str()).collect();
                assert_eq!(ids, expected, "{prefix:?} {field:?} {wanted:?} {total:?}");
            }
        }
    }
}

async fn clinics_have_the_same_identifiers_and_see_nothing_of_each_other(store: Store) {
    let clinic = |name: &str| Clinic::named(name);
    let (north, south) = (clinic("north"), clinic("south"));
    let all = [north.clone(), south.clone(), None];
    for (number, clinic) in all.iter().enumerate() {
        // The same person, encounter, panel and identifiers; the ids are drawn apart.
        let key = format!("k{number}");
        let body = json!({
            "resourceType": "RiskAssessment", "status": "final", "occurrenceDateTime": "2026-01-01T10:00:00Z",
            "identifier": [{"system": "i", "value": "1"}]
        });
        let assessment = ResourceWrite { derived: true, ..write("RiskAssessment", &key, 1, body) };
        let exam = ExamChange { panel_identifier: Some("p|1".into()), ..change(&key, 0, vec![assessment]) };
        let token = TokenMatch { system: Some("i".into()), value: Some("1".into()) };
        let commit = Commit {
            clinic: clinic.clone(),
            exams: vec![exam],
            must_be_absent: vec![("RiskAssessment".into(), token)],
            at: 1,
            ..Commit::default()
        };
        assert_eq!(store.commit(commit).await.unwrap(), Committed::Done, "{key}");
    }
    let identifier = TokenMatch { system: Some("i".into()), value: Some("1".into()) };
    for (number, clinic) in all.iter().enumerate() {
        let key = format!("k{number}");
        let own = store.matching_exam(&submitted("other", Some("p|1")), clinic.as_ref()).await.unwrap();
        assert_eq!(own.unwrap().key.0, key);
        let found = store.with_identifier("RiskAssessment", &identifier, clinic.as_ref()).await.unwrap();
        assert_eq!(found.iter().map(|version| version.id.as_str()).collect::<Vec<_>>(), [key.as_str()]);
        let other = ExamKey("other".into());
        let earlier = store.earlier_exams("s|1", clinic.as_ref(), &other, i64::MAX).await.unwrap();
        assert_eq!(earlier.iter().map(|exam| exam.key.0.as_str()).collect::<Vec<_>>(), [key.as_str()]);
        let later = store.later_exams("s|1", clinic.as_ref(), 0).await.unwrap();
        assert_eq!(later.iter().map(|exam| exam.key.0.as_str()).collect::<Vec<_>>(), [key.as_str()]);
    }
    let elsewhere = store.matching_exam(&submitted("k1", Some("p|1")), north.as_ref()).await.unwrap();
    assert_eq!(elsewhere.unwrap().key.0, "k0", "a key of another clinic finds nothing there");

    let search = |reach: Reach| Search {
        resource_type: "RiskAssessment".into(),
        reach,
        filters: Vec::new(),
        sort: Vec::new(),
        count: 10,
        offset: 0,
        total: Total::OfFew,
    };
    for (reach, ids, deliveries) in [
        (Reach::of(north.as_ref()), vec!["k0"], vec![1]),
        (Reach::of(south.as_ref()), vec!["k1"], vec![2]),
        (Reach::of(clinic("west").as_ref()), vec![], vec![]),
        (Reach::All, vec!["k0", "k1", "k2"], vec![1, 2, 3]),
    ] {
        let found = store.search(&search(reach.clone())).await.unwrap();
        assert_eq!(found.total, u64::try_from(ids.len()).ok());
        assert_eq!(found.page.iter().map(|version| version.id.as_str()).collect::<Vec<_>>(), ids);
        for id in ["k0", "k1", "k2"] {
            let seen = ids.contains(&id);
            assert_eq!(store.read("RiskAssessment", id, &reach).await.unwrap().is_some(), seen, "{id}");
            assert_eq!(
                !store.history("RiskAssessment", id, &reach, i64::MAX, 99).await.unwrap().1.is_empty(),
                seen,
                "{id}"
            );
            assert_eq!(store.exam_of("RiskAssessment", id, &reach).await.unwrap().is_some(), seen, "{id}");
        }
        let listed = store.deliveries(None, &reach, 0, 10).await.unwrap();
        assert_eq!(listed.iter().map(|delivery| delivery.id).collect::<Vec<_>>(), deliveries);
        let counts = store.outbox_counts(&reach).await.unwrap();
        assert_eq!(counts.received, i64::try_from(deliveries.len()).unwrap());
        let preview = store.replay_preview(DeliveryState::Pending, &reach).await.unwrap();
        assert_eq!(preview.deliveries, counts.received);
        for id in 1..=3 {
            assert_eq!(store.delivery(id, &reach).await.unwrap().is_some(), deliveries.contains(&id));
        }
    }
    // What an operator of one clinic does stays there.
    let only = Reach::of(north.as_ref());
    assert_eq!(store.discard(2, &only, "c", "r", 2).await.unwrap(), Err(OperatorRefusal::Absent));
    assert_eq!(store.replay(2, &only, "c", Some("r"), 2).await.unwrap(), Err(OperatorRefusal::Absent));
    assert_eq!(store.discard(1, &only, "c", "r", 2).await.unwrap(), Ok(()));
    for reach in [Reach::of(south.as_ref()), only.clone()] {
        let replayed = u64::from(reach == only);
        let done =
            store.replay_all(DeliveryState::Discarded, &reach, "c", Some("r"), replayed, 3).await.unwrap();
        assert_eq!(done, Ok(replayed));
    }
    assert_eq!(states(&store).await, [DeliveryState::Pending; 3]);
    // A commit of one clinic changes no exam of another.
    let foreign = Commit { clinic: north, exams: vec![change("k1", 1, vec![])], at: 3, ..Commit::default() };
    assert_eq!(store.commit(foreign).await.unwrap(), Committed::Overtaken);
}

const DAY: i64 = 86_400_000;

/// An exam with its assessment and what is asked for after it. `window` and `day` count days from 1 January 2026.
fn assessed(
    person: &str,
    key: &str,
    version: i64,
    day: i64,
    risk: &str,
    request: Option<(&str, &str, [i64; 2])>,
) -> ExamChange {
    let date = |day: i64| {
        let start = jiff::civil::date(2026, 1, 1);
        start.saturating_add(jiff::Span::new().days(day)).to_string()
    };
    let status = if risk == "unsettled" { "preliminary" } else { "final" };
    let assessment = json!({
        "resourceType": "RiskAssessment", "status": status, "occurrenceDateTime": date(day),
        "method": {"coding": [{"code": "iwgdf-2023"}]},
        "prediction": [{"qualitativeRisk": {"coding": [{"code": "lowest"}]}},
                       {"qualitativeRisk": {"coding": [{"code": risk}]}}]
    });
    let id = |kind: &str| format!("{key}-{kind}");
    let mut writes = vec![write("RiskAssessment", &id("a"), version, assessment)];
    if let Some((kind, priority, [low, high])) = request {
        let body = json!({
            "resourceType": "ServiceRequest", "status": "active", "priority": priority,
            "identifier": [{"system": format!("https://solewire.example/fhir/identifier/{kind}"), "value": key}],
            "supportingInfo": [{"reference": format!("RiskAssessment/{}", id("a"))}],
            "occurrencePeriod": {"start": date(low), "end": date(high)}
        });
        writes.push(write("ServiceRequest", &id(kind), version, body));
    }
    ExamChange { subject: person.into(), encounter: None, ..change(key, version - 1, writes) }
}

/// Three lists of different windows, urgencies and categories, which the pages cut anywhere.
async fn worklists_page_through_all_their_groups(store: Store) {
    let risks = ["low", "moderate", "high", "of another release"];
    let exams = (0..60_i64).map(|number| {
        let person = format!("p{number}");
        let risk = risks[usize::try_from(number % 4).unwrap()];
        let urgency = ["routine", "urgent", "stat"][usize::try_from(number % 3).unwrap()];
        let window = [10 + number, 40 + 2 * number];
        assessed(&person, &format!("k{number:02}"), 1, 1, risk, Some(("referral", urgency, window)))
    });
    commit(&store, exams.collect(), 1).await;
    let start: jiff::Timestamp = "2026-01-01T00:00:00Z".parse().unwrap();
    let page = |count, offset, when| ListPage {
        list: Worklist::Referrals,
        reach: Reach::All,
        when,
        risk: None,
        ranked: vec![["low", "moderate", "high"].map(str::to_owned).to_vec()],
        guideline: "iwgdf-2023".into(),
        now: start.as_millisecond() + 60 * DAY,
        count,
        offset,
    };
    for when in [None, Some(When::Overdue), Some(When::Due), Some(When::Later)] {
        let whole = store.worklist(&page(100, 0, when)).await.unwrap();
        assert!(!whole.next && whole.total == whole.entries.len() as u64);
        let place = |entry: &Listed| {
            let number: i64 = entry.assessment_id[1..3].parse().unwrap();
            let now = 60 * DAY + start.as_millisecond();
            let (low, high) = (entry.low.unwrap(), entry.high.unwrap());
            let lies = if high <= now {
                0
            } else if low <= now {
                1
            } else {
                2
            };
            (2 - number % 3, lies, [3, 2, 1, 0][usize::try_from(number % 4).unwrap()], high, number)
        };
        let places: Vec<_> = whole.entries.iter().map(place).collect();
        assert!(places.is_sorted(), "{when:?}: {places:?}");
        assert_eq!(places.len(), if when.is_none() { 60 } else { places.len() });
        for count in [1, 7, 50] {
            let mut seen = Vec::new();
            loop {
                let part =
                    store.worklist(&page(count, u32::try_from(seen.len()).unwrap(), when)).await.unwrap();
                seen.extend(part.entries.iter().map(place));
                if !part.next {
                    break;
                }
            }
            assert_eq!(seen, places, "{count} a page, {when:?}");
        }
    }
}

async fn an_exam_of_another_person_after_all_moves_in_the_worklists(store: Store) {
    let recall = || Some(("recall", "routine", [100, 200]));
    let first = assessed("one", "k1", 1, 1, "low", recall());
    let second = assessed("one", "k2", 1, 50, "low", recall());
    commit(&store, vec![first, second], 1).await;
    let start: jiff::Timestamp = "2026-01-01T00:00:00Z".parse().unwrap();
    let shown = async || {
        let page = ListPage {
            list: Worklist::Recalls,
            reach: Reach::All,
            when: None,
            risk: None,
            ranked: vec![],
            guideline: "iwgdf-2023".into(),
            now: start.as_millisecond(),
            count: 50,
            offset: 0,
        };
        let listed = store.worklist(&page).await.unwrap();
        listed.entries.into_iter().map(|entry| entry.assessment_id).collect::<Vec<_>>()
    };
    assert_eq!(shown().await, ["k2-a"]);
    // The later exam was made of another person, whose request stays as it was: both are listed now.
    let moved = |to: &str, from: &str, version| ExamChange {
        subject_before: Some(from.into()),
        ..assessed(to, "k2", version, 50, "low", None)
    };
    commit(&store, vec![moved("other", "one", 2)], 2).await;
    assert_eq!(shown().await, ["k1-a", "k2-a"]);
    // And it was this person's after all.
    commit(&store, vec![moved("one", "other", 3)], 3).await;
    assert_eq!(shown().await, ["k2-a"]);
}

async fn many_matches_are_counted_only_when_it_is_asked_for(store: Store) {
    let many = MATCHES_COUNTED + 5;
    let writes = (0..many).map(|number| {
        let id = format!("o{number:05}");
        let body = json!({ "resourceType": "Observation", "id": id, "status": "final" });
        write("Observation", &id, 1, body)
    });
    commit(&store, vec![change("k", 0, writes.collect())], 1).await;
    let search = |total, id: Option<&str>, offset| Search {
        resource_type: "Observation".into(),
        reach: Reach::All,
        filters: id.map(|id| Filter::Id(vec![id.to_owned()])).into_iter().collect(),
        sort: vec![(SortKey::LastUpdated, true)],
        count: 3,
        offset,
        total,
    };
    let end = u32::try_from(many).unwrap() - 3;
    for (total, id, offset, expected) in [
        (Total::OfFew, None, 0, (None, true, 3)),
        (Total::OfFew, None, end - 1, (None, true, 3)),
        (Total::OfFew, None, end, (None, false, 3)),
        (Total::Accurate, None, end, (Some(many), false, 3)),
        (Total::None, None, 0, (None, true, 3)),
        (Total::OfFew, Some("o00007"), 0, (Some(1), false, 1)),
        (Total::None, Some("o00007"), 0, (None, false, 1)),
    ] {
        let found = store.search(&search(total, id, offset)).await.unwrap();
        assert_eq!((found.total, found.next, found.page.len()), expected, "{total:?} {id:?} {offset}");
    }
}

async fn worklists_put_the_most_dangerous_first_and_each_person_once(store: Store) {
    let recall = |low, high| Some(("recall", "routine", [low, high]));
    let exams = vec![
        assessed("late", "k1", 1, 1, "low", recall(120, 400)),
        assessed("due", "k2", 1, 2, "high", recall(50, 150)),
        assessed("over", "k3", 1, 3, "moderate", recall(40, 90)),
        assessed("longer over", "k4", 1, 4, "moderate", recall(40, 80)),
        assessed("again", "k5", 1, 5, "high", recall(10, 20)),
        assessed("again", "k6", 1, 60, "low", recall(300, 400)),
        assessed("urgent", "k7", 1, 7, "high", Some(("referral", "urgent", [7, 8]))),
        assessed("at once", "k8", 1, 8, "low", Some(("referral", "stat", [9, 10]))),
        assessed("open", "k9", 1, 9, "unsettled", None),
    ];
    commit(&store, exams, 1).await;
    let start: jiff::Timestamp = "2026-01-01T00:00:00Z".parse().unwrap();
    let page = |list| ListPage {
        list,
        reach: Reach::All,
        when: None,
        risk: None,
        ranked: vec![["low", "moderate", "high", "unsettled"].map(str::to_owned).to_vec()],
        guideline: "iwgdf-2023".into(),
        now: start.as_millisecond() + 100 * DAY,
        count: 50,
        offset: 0,
    };
    let shown = async |page: ListPage| {
        let ListedPage { total, more, next, entries } = store.worklist(&page).await.unwrap();
        assert!(!more && next == (u64::from(page.offset) + u64::from(page.count) < total), "{page:?}");
        let ids: Vec<String> = entries.into_iter().map(|entry| entry.assessment_id).collect();
        (total, ids)
    };
    let recalls = || page(Worklist::Recalls);
    let all = (5, ["k4-a", "k3-a", "k2-a", "k1-a", "k6-a"].map(str::to_owned).to_vec());
    assert_eq!(shown(recalls()).await, all);
    let part = |count, offset| ListPage { count, offset, ..recalls() };
    assert_eq!(shown(part(2, 2)).await, (5, all.1[2..4].to_vec()));
    assert_eq!(shown(part(2, 50)).await, (5, vec![]), "behind the end");
    for (when, expected) in [(When::Overdue, 0..2), (When::Due, 2..3), (When::Later, 3..5)] {
        let expected = all.1[expected].to_vec();
        let wanted = ListPage { when: Some(when), ..recalls() };
        assert_eq!(shown(wanted).await, (expected.len() as u64, expected), "{when:?}");
    }
    let moderate = ListPage { risk: Some("moderate".into()), ..recalls() };
    assert_eq!(shown(moderate).await, (2, all.1[..2].to_vec()));
    let referrals = shown(page(Worklist::Referrals)).await;
    assert_eq!(referrals, (2, ["k8-a", "k7-a"].map(str::to_owned).to_vec()));
    assert_eq!(shown(page(Worklist::Incomplete)).await, (1, vec!["k9-a".to_owned()]));
    let other = ListPage { guideline: "nice-ng19".into(), ..page(Worklist::Incomplete) };
    assert_eq!(shown(other).await, (0, vec![]));

    let north = Clinic::named("north");
    let of_north = || ListPage { reach: Reach::of(north.as_ref()), ..recalls() };
    assert_eq!(shown(of_north()).await, (0, vec![]), "nothing of those without a clinic");

    // The assessment says something else and the request stays as it was: it stands with the assessment of now.
    commit(&store, vec![assessed("over", "k3", 2, 3, "high", None)], 2).await;
    let order = ["k3-a", "k4-a", "k2-a", "k1-a", "k6-a"].map(str::to_owned).to_vec();
    assert_eq!(shown(recalls()).await, (5, order));
    let listed = store.worklist(&recalls()).await.unwrap().entries.remove(0);
    assert!(listed.assessment.contains("\"high\"") && listed.request.unwrap().contains("2026-02-10"));

    let exams = vec![assessed("due", "k10", 1, 50, "high", recall(50, 150))];
    let there = Commit { clinic: north.clone(), exams, at: 3, ..Commit::default() };
    assert_eq!(store.commit(there).await.unwrap(), Committed::Done);
    assert_eq!(shown(of_north()).await, (1, vec!["k10-a".to_owned()]));
    let (number, ids) = shown(recalls()).await;
    assert!(number == 6 && ids.contains(&"k2-a".to_owned()), "a person of that name elsewhere hides nobody");
}
