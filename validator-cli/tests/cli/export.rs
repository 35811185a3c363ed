//! `profiles export`: a folder that others load.

use serde_json::Value;

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
    assert!(examples.len() >= 17, "only {examples:?}");
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
