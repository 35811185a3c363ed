//! `profiles export`: a folder that others load.

use serde_json::{Value, json};

use super::Bench;

fn files(bench: &Bench, folder: &str) -> Vec<String> {
    let mut names: Vec<String> = std::fs::read_dir(bench.path(folder))
        .unwrap()
        .map(|entry| format!("{folder}/{}", entry.unwrap().file_name().to_string_lossy()))
        .collect();
    names.sort();
    names
}

#[test]
fn the_exported_folder_is_valid_r4_and_complete() {
    let bench = Bench::new();
    let told = bench.run(&["profiles", "export", "out"]).ends(0);
    assert!(told.out.is_empty() && told.err.contains("files written"), "{}", told.err);
    let checked = bench.run(&["validate", "out", "--format", "json"]).ends(0);
    let report: Value = serde_json::from_str(&checked.out).unwrap();
    let listed: Value =
        serde_json::from_str(&bench.run(&["profiles", "list", "--format", "json"]).ends(0).out).unwrap();
    let listed = listed["definitions"].as_array().unwrap();
    let kinds = ["structure-definitions", "value-sets", "code-systems", "concept-maps"];
    let mut urls = Vec::new();
    for name in kinds.iter().flat_map(|kind| files(&bench, &format!("out/{kind}"))) {
        let resource: Value = serde_json::from_str(&bench.text(&name)).unwrap();
        assert!(resource["version"].is_string(), "{name} has no version");
        urls.push(resource["url"].as_str().unwrap().to_owned());
        if resource["resourceType"] == "StructureDefinition" {
            assert!(resource["snapshot"]["element"].as_array().unwrap().len() > 20, "{name}");
            let id = resource["id"].as_str().unwrap();
            let page = bench.text(&format!("out/pages/{id}.md"));
            for part in
                [resource["url"].as_str().unwrap(), "## What it asks for", "## Example", "not a diagnosis"]
            {
                assert!(page.contains(part), "{id} lacks {part}");
            }
        }
    }
    urls.sort();
    let mut expected: Vec<&str> = listed.iter().map(|one| one["url"].as_str().unwrap()).collect();
    expected.sort_unstable();
    assert_eq!(urls, expected);
    let examples = files(&bench, "out/examples");
    let profiles = files(&bench, "out/structure-definitions");
    assert_eq!(
        examples,
        profiles.iter().map(|name| name.replace("structure-definitions", "examples")).collect::<Vec<_>>()
    );
    assert_eq!(report["summary"]["documents"], urls.len() + examples.len(), "{}", report["summary"]);
    let drawing = bench.text("out/pages/foot-sites.svg");
    for site in ["hallux-plantar", "mth-1", "mth-5", "heel"] {
        assert!(drawing.contains(site), "{site}");
    }
    // The soles face whoever looks: the right foot on the left, its great toe (1) nearer to the other foot than toe 5 (3).
    let across = |mark: &str, from: &str| -> u32 {
        let of_foot = drawing.split(from).next().unwrap().rsplit("foot</text>").next().unwrap();
        let label = of_foot.split(mark).next().unwrap().rsplit("<text x=\"").next().unwrap();
        label.split('"').next().unwrap().parse().unwrap()
    };
    let (right, left) = (">right foot</text>", ">left foot</text>");
    assert!(across(">3</text>", right) < across(">1</text>", right));
    assert!(across(">1</text>", right) < across(">1</text>", left));
    assert!(across(">1</text>", left) < across(">3</text>", left));
}

/// What breaks a profile, made of an example of it: what it requires taken away, what it rules out put in.
fn broken(profile: &Value, example: &Value) -> Vec<Value> {
    let mut all = Vec::new();
    for element in profile["differential"]["element"].as_array().unwrap() {
        let Some((_, name)) = element["id"].as_str().unwrap().split_once('.') else { continue };
        if name.contains(['.', ':']) {
            continue;
        }
        let mut other = example.clone();
        let members = other.as_object_mut().unwrap();
        if element["max"] == "0" {
            let (name, value) = match name {
                "value[x]" => ("valueBoolean", json!(true)),
                "component" => ("component", json!([{ "code": example["code"], "valueBoolean": true }])),
                "bodySite" => ("bodySite", json!({ "text": "Both feet" })),
                other => panic!("{other}"),
            };
            members.insert(name.to_owned(), value);
        } else if element["min"].as_u64().is_some_and(|min| min > 0) {
            match name.strip_suffix("[x]") {
                Some(stem) => members.retain(|member, _| !member.starts_with(stem)),
                None => drop(members.remove(name).unwrap()),
            }
        } else if name == "value[x]" {
            members.retain(|name, _| !name.starts_with("value"));
            members.insert("valueBoolean".to_owned(), json!(true));
        } else {
            continue;
        }
        all.push(other);
    }
    all
}

#[test]
fn each_example_holds_against_its_profile_and_breaks_it_once_something_is_missing() {
    let bench = Bench::new();
    bench.run(&["profiles", "export", "out"]).ends(0);
    let checked = bench.run(&["validate", "out/examples", "--format", "json"]).ends(0);
    let report: Value = serde_json::from_str(&checked.out).unwrap();
    assert_eq!((&report["summary"]["errors"], &report["summary"]["warnings"]), (&json!(0), &json!(0)));
    let mut names = Vec::new();
    for name in files(&bench, "out/structure-definitions") {
        let profile: Value = serde_json::from_str(&bench.text(&name)).unwrap();
        let id = profile["id"].as_str().unwrap();
        let example: Value = serde_json::from_str(&bench.text(&format!("out/examples/{id}.json"))).unwrap();
        assert_eq!(example["resourceType"], profile["type"], "{id}");
        for (number, document) in broken(&profile, &example).iter().enumerate() {
            bench.put(&format!("broken/{id}.{number}.json"), document.to_string());
        }
        names.push(id.to_owned());
    }
    let checked = bench.run(&["validate", "broken", "--format", "json"]).ends(1);
    let report: Value = serde_json::from_str(&checked.out).unwrap();
    for id in names {
        let of_profile = |document: &&Value| {
            document["file"].as_str().unwrap().rsplit('/').next().unwrap().starts_with(&format!("{id}."))
        };
        let documents: Vec<&Value> =
            report["documents"].as_array().unwrap().iter().filter(of_profile).collect();
        assert!(!documents.is_empty(), "nothing was found that breaks {id}");
        for document in documents {
            let issues = document["issues"].as_array().unwrap();
            let named = format!("profile `{id}`");
            assert!(
                issues.iter().any(|issue| issue["severity"] == "error"
                    && issue["message"].as_str().unwrap().contains(&named)),
                "{document:#}"
            );
        }
    }
}

#[test]
fn each_run_writes_the_same_bytes_and_never_over_anything() {
    let bench = Bench::new();
    bench.run(&["profiles", "export", "one"]).ends(0);
    std::fs::create_dir(bench.path("two")).unwrap();
    bench.run(&["profiles", "export", "two"]).ends(0);
    for name in ["structure-definitions/foot-exam.json", "pages/foot-exam.md", "README.md"] {
        assert_eq!(bench.text(&format!("one/{name}")), bench.text(&format!("two/{name}")), "{name}");
    }
    bench.put("kept/notes.txt", "mine");
    let refused = bench.run(&["profiles", "export", "kept"]).ends(2);
    assert!(refused.err.contains("is not empty"), "{}", refused.err);
    assert_eq!(files(&bench, "kept"), ["kept/notes.txt"]);
    bench.put("file", "mine");
    bench.run(&["profiles", "export", "file"]).ends(2);
    assert_eq!(bench.text("file"), "mine");
    bench.run(&["profiles", "export"]).ends(2);
}
