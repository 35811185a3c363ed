//! What the scopes of a token allow here (HL7 SMART App Launch 2.2, scopes of version 1 and 2).
//!
//! Only `system/` scopes count: a caller is a program and not a person. A scope of version 2 that names a part of the
//! resources of a type (`?code=...`) grants nothing, because that part cannot be told apart here.

use super::Types;
use crate::config::Right;

/// The scope for operators, which SMART has no word for.
pub(crate) const OPERATE: &str = "solewire/operate";
/// Handing in is creating and updating results.
const HANDED_IN: &str = "Observation";

/// The rights that follow from the scopes of a token, a text of scopes separated by spaces, and what may be read.
pub(crate) fn rights(scopes: &str) -> (Vec<Right>, Types) {
    let (mut submit, mut operate, mut all, mut types) = (false, false, false, Vec::new());
    for scope in scopes.split_whitespace() {
        if scope == OPERATE {
            operate = true;
            continue;
        }
        let Some(Granted { resource_type, write, read }) = granted(scope) else { continue };
        submit |= write && matches!(resource_type, "*" | HANDED_IN);
        match resource_type {
            "*" => all |= read,
            named if read => types.push(named.to_owned()),
            _ => {}
        }
    }
    let mut rights = Vec::new();
    for (granted, right) in
        [(submit, Right::Submit), (all || !types.is_empty(), Right::Read), (operate, Right::Operate)]
    {
        if granted {
            rights.push(right);
        }
    }
    (rights, if all { Types::All } else { Types::Some(types) })
}

struct Granted<'s> {
    resource_type: &'s str,
    write: bool,
    read: bool,
}

fn granted(scope: &str) -> Option<Granted<'_>> {
    let (resource_type, access) = scope.strip_prefix("system/")?.split_once('.')?;
    let (write, read) = match access {
        "*" => (true, true),
        "read" => (false, true),
        "write" => (true, false),
        letters => {
            // Some of the five letters, in their order.
            let mut order = "cruds".chars();
            if letters.is_empty() || !letters.chars().all(|letter| order.any(|next| next == letter)) {
                return None;
            }
            let has = |wanted: &str| wanted.chars().all(|letter| letters.contains(letter));
            (has("cu"), has("rs"))
        }
    };
    let known = resource_type == "*" || resource_type.bytes().all(|byte| byte.is_ascii_alphabetic());
    known.then_some(Granted { resource_type, write, read })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn scopes_of_both_versions_become_rights_and_never_more() {
        let only = |name: &str| Types::Some(vec![name.to_owned()]);
        let none = || Types::Some(Vec::new());
        let table: &[(&str, &[Right], Types)] = &[
            ("system/Observation.write", &[Right::Submit], none()),
            ("system/Observation.cruds", &[Right::Submit, Right::Read], only("Observation")),
            ("system/*.read", &[Right::Read], Types::All),
            ("system/*.rs", &[Right::Read], Types::All),
            ("system/*.*", &[Right::Submit, Right::Read], Types::All),
            ("system/*.cu system/RiskAssessment.rs", &[Right::Submit, Right::Read], only("RiskAssessment")),
            ("solewire/operate", &[Right::Operate], none()),
            ("solewire/operate system/*.*", &[Right::Submit, Right::Read, Right::Operate], Types::All),
            // Half of what a right takes, or nothing of it.
            ("system/Observation.c system/Observation.r", &[], none()),
            ("system/Patient.write system/RiskAssessment.c", &[], none()),
            ("system/Observation.sruc system/Observation.x system/Observation.", &[], none()),
            ("system/Observation.rs?code=1", &[], none()),
            ("patient/*.* user/*.* openid Observation.write system/.read.x", &[], none()),
            ("", &[], none()),
        ];
        for (scopes, expected, types) in table {
            let (rights, read) = rights(scopes);
            assert_eq!((rights.as_slice(), &read), (*expected, types), "{scopes}");
        }
    }
}
