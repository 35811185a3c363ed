//! The codes of devices that no map covers, counted over the whole run: the list that whoever keeps the map works off.

use std::collections::BTreeMap;

use serde_json::Value;
use solewire_profiles::issue::Issue;

/// Codes listed at the most; more are only counted.
const LISTED: usize = 50;

/// System and code, with how often they came.
#[derive(Debug, Default)]
pub(crate) struct Unmapped(BTreeMap<(String, String), usize>);

impl Unmapped {
    /// Counts the codes in the issues of one document.
    pub(crate) fn count(&mut self, issues: &[Issue]) {
        for issue in issues.iter().filter(|issue| issue.rule == "terminology-unmapped-code") {
            let coding = issue.value.as_deref().and_then(|value| serde_json::from_str::<Value>(value).ok());
            let text = |name: &str| Some(coding.as_ref()?.get(name)?.as_str()?.to_owned());
            if let (Some(system), Some(code)) = (text("system"), text("code")) {
                *self.0.entry((system, code)).or_default() += 1;
            }
        }
    }

    /// The codes in words, a line each, the most frequent ones first. They name no person: they come from the tables of
    /// a device.
    pub(super) fn lines(&self) -> Vec<String> {
        let mut codes: Vec<(&(String, String), &usize)> = self.0.iter().collect();
        codes.sort_by_key(|(_, times)| std::cmp::Reverse(**times));
        let rest = codes.len().saturating_sub(LISTED);
        let mut lines: Vec<String> = codes
            .iter()
            .take(LISTED)
            .map(|((system, code), times)| format!("{times:>6} x {system}|{code}"))
            .collect();
        if rest > 0 {
            lines.push(format!("       and {rest} more"));
        }
        lines
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::report::samples::unmapped;

    #[test]
    fn codes_are_counted_and_the_frequent_ones_come_first() {
        let mut all = Unmapped::default();
        all.count(&[unmapped("A"), unmapped("B"), unmapped("C")]);
        all.count(&[unmapped("B")]);
        let of = |times, code| format!("{times:>6} x https://harbourlane.example/device|{code}");
        assert_eq!(all.lines(), [of(2, "B"), of(1, "A"), of(1, "C")]);
        for number in 0..LISTED {
            all.count(&[unmapped(&format!("N{number}"))]);
        }
        assert_eq!(all.lines().last().map(String::as_str), Some("       and 3 more"));
        assert_eq!(all.lines().len(), LISTED + 1);
    }
}
