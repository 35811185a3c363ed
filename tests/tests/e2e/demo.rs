//! `solewire demo --once`.

use solewire_tests::{binaries, process};

use super::LIMIT;

#[test]
fn the_demo_does_the_whole_job_with_nothing_set_up() {
    let folder = tempfile::tempdir().unwrap();
    let ran = process::run(&binaries::solewire(), &["demo", "--once"], folder.path(), LIMIT);
    assert_eq!(ran.code, Some(0), "{ran:#?}");
    for step in ["1 Submit", "2 Validation", "3 Category", "4 Delivery", "5 Read back"] {
        assert!(ran.out.contains(step), "{step}:\n{}", ran.out);
    }
    assert!(ran.out.contains("iwgdf-2023.2"), "{}", ran.out);
    let reasons = ran.out.lines().filter(|line| line.starts_with("  - ")).count();
    assert!(reasons > 0, "{}", ran.out);
    assert!(
        ran.out.lines().any(|line| line.contains("verified") || line.contains("delivered")),
        "{}",
        ran.out
    );
    assert!(ran.out.contains("/fhir/RiskAssessment/"), "{}", ran.out);
    let left: Vec<_> = std::fs::read_dir(folder.path()).unwrap().collect();
    assert!(left.is_empty(), "the demo leaves {left:?}");
}
