//! The alert rules that ship, held against what `/metrics` serves and against the page that explains them.

use std::collections::BTreeSet;
use std::path::Path;

use serde_json::Value;
use solewire_tests::service::{Service, Setup};

fn read(path: &str) -> String {
    std::fs::read_to_string(Path::new(env!("CARGO_MANIFEST_DIR")).join("..").join(path)).unwrap()
}

/// Every metric of ours that a text names, with the matchers behind it.
fn named(text: &str) -> Vec<(&str, &str)> {
    let mut found = Vec::new();
    for (start, _) in text.match_indices("solewire_") {
        let rest = &text[start..];
        let end =
            rest.find(|letter: char| !letter.is_ascii_lowercase() && letter != '_').unwrap_or(rest.len());
        let (name, behind) = rest.split_at(end);
        let matchers = behind.strip_prefix('{').and_then(|behind| behind.split('}').next());
        found.push((name, matchers.unwrap_or_default()));
    }
    found
}

/// What of a text `/metrics` does not serve.
fn not_served(text: &str, metrics: &str) -> Vec<String> {
    let kinds: BTreeSet<(&str, &str)> =
        metrics.lines().filter_map(|line| line.strip_prefix("# TYPE ")?.split_once(' ')).collect();
    let mut wrong = Vec::new();
    for (name, matchers) in named(text) {
        let histogram = ["_bucket", "_sum", "_count"]
            .iter()
            .filter_map(|end| name.strip_suffix(end))
            .any(|name| kinds.contains(&(name, "histogram")));
        let plain = kinds.iter().any(|(other, kind)| *other == name && *kind != "histogram");
        if !histogram && !plain {
            wrong.push(name.to_owned());
        }
        for matcher in matchers.split(',').filter(|matcher| !matcher.is_empty()) {
            let (label, value) = matcher.split_once('=').unwrap_or((matcher, ""));
            for value in value.trim_start_matches('~').trim_matches('"').split('|') {
                let served = format!("{name}{{{label}=\"{value}\"}}");
                // A time of expiry is there once it is known.
                let known_later = name == "solewire_record_system_expiry_timestamp_seconds"
                    && ["server-certificate", "client-certificate", "token"].contains(&value);
                if !known_later && !metrics.contains(&served) {
                    wrong.push(served);
                }
            }
        }
    }
    wrong
}

#[tokio::test]
async fn alert_rules_and_dashboard_queries_name_metrics_that_are_served() {
    // PostgreSQL counts its synchronisations itself; all else is served on either store.
    let setup = Setup { store: Some("sqlite:solewire.db".to_owned()), ..Setup::default() };
    let service = Service::start(setup).await;
    let metrics = service.client.get(&format!("{}/metrics", service.operations_url)).await.expect(200).text;
    for file in ["service/packaging/alerts.yaml", "service/docs/alerts.md"] {
        let text = read(file);
        assert!(named(&text).len() > 10, "{file} names metrics");
        assert_eq!(not_served(&text, &metrics), Vec::<String>::new(), "{file}");
    }
    // The comparison itself finds what is not there.
    let wrong = "solewire_lanes + solewire_deliveries{state=\"lost\"} + solewire_delivery_attempt_seconds";
    assert_eq!(not_served(wrong, &metrics).len(), 3);
}

#[test]
fn each_alert_is_whole_and_explained() {
    let rules: Value = serde_saphyr::from_str(&read("service/packaging/alerts.yaml")).unwrap();
    let page = read("service/docs/alerts.md");
    let mut names = BTreeSet::new();
    for rule in rules["groups"][0]["rules"].as_array().unwrap() {
        let name = rule["alert"].as_str().unwrap();
        assert!(names.insert(name.to_owned()), "{name} twice");
        assert!(rule["expr"].is_string() && rule["for"].is_string(), "{name}");
        assert!(["page", "ticket"].contains(&rule["labels"]["severity"].as_str().unwrap()), "{name}");
        assert!(rule["annotations"]["summary"].as_str().is_some_and(|summary| !summary.is_empty()), "{name}");
        let section = page.split("\n## ").find(|section| section.lines().next() == Some(name));
        let section = section.unwrap_or_else(|| panic!("service/docs/alerts.md does not explain {name}"));
        assert!(section.contains("Means: ") && section.contains("Do: "), "{name}");
    }
    let explained = page.lines().filter_map(|line| line.strip_prefix("## Solewire")).count();
    assert_eq!(explained, names.len(), "service/docs/alerts.md explains alerts that are not there");
}
