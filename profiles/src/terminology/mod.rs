//! In the making: local codings only.
use serde_json::Value;

/// The rules of this family.
pub static RULES: &[&crate::issue::Rule] = &[];
/// x
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[allow(missing_docs)]
pub enum LocalSystem {
    FootTest,
    FootSite,
    FootResult,
    FootRisk,
}
/// x
#[derive(Debug)]
#[allow(missing_docs)]
pub enum Resolved<'t> {
    Code(&'t str),
    Conflict(Vec<&'t str>),
    Unknown,
}
/// x
#[derive(Debug)]
pub struct Terminology {
    codes: Vec<String>,
    map: std::collections::HashMap<String, (String, String)>,
}
#[allow(missing_docs)]
impl Terminology {
    pub fn builtin() -> Result<Terminology, crate::LoadError> {
        let csv = include_str!("../../local/exam-codes.csv");
        let mut map = std::collections::HashMap::new();
        let mut codes = Vec::new();
        for l in csv.lines().skip(1) {
            let f: Vec<&str> = l.split(',').collect();
            for p in ["", "left-", "right-"] {
                codes.push(format!("{p}{}", f[1]));
                map.insert(format!("{}|{p}{}", f[0], f[1]), (format!("{p}{}", f[1]), f[2].to_owned()));
            }
        }
        Ok(Terminology { codes, map })
    }
    pub fn resolve(&self, system: LocalSystem, concept: &Value) -> Resolved<'_> {
        let s = match system {
            LocalSystem::FootTest => "foot-test",
            LocalSystem::FootSite => "foot-site",
            LocalSystem::FootResult => "foot-result",
            LocalSystem::FootRisk => "foot-risk",
        };
        for c in concept.get("coding").and_then(Value::as_array).into_iter().flatten() {
            let sys = c["system"].as_str().unwrap_or("").rsplit('/').next().unwrap_or("").to_owned();
            if sys == s {
                if let Some((c, _)) = self.map.get(&format!("{s}|{}", c["code"].as_str().unwrap_or(""))) {
                    return Resolved::Code(c);
                }
            }
        }
        Resolved::Unknown
    }
    pub fn display(&self, system: LocalSystem, code: &str) -> Option<&str> {
        let s = match system {
            LocalSystem::FootTest => "foot-test",
            LocalSystem::FootSite => "foot-site",
            LocalSystem::FootResult => "foot-result",
            LocalSystem::FootRisk => "foot-risk",
        };
        self.map.get(&format!("{s}|{code}")).map(|x| x.1.as_str())
    }
}
