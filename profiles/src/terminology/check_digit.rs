//! The check digits that SNOMED CT and LOINC build into their codes. An invented number nearly always fails them.

/// The multiplication table of the dihedral group of order ten, row by row (Verhoeff 1969).
const PRODUCT: [[u8; 10]; 10] = [
    [0, 1, 2, 3, 4, 5, 6, 7, 8, 9],
    [1, 2, 3, 4, 0, 6, 7, 8, 9, 5],
    [2, 3, 4, 0, 1, 7, 8, 9, 5, 6],
    [3, 4, 0, 1, 2, 8, 9, 5, 6, 7],
    [4, 0, 1, 2, 3, 9, 5, 6, 7, 8],
    [5, 9, 8, 7, 6, 0, 4, 3, 2, 1],
    [6, 5, 9, 8, 7, 1, 0, 4, 3, 2],
    [7, 6, 5, 9, 8, 2, 1, 0, 4, 3],
    [8, 7, 6, 5, 9, 3, 2, 1, 0, 4],
    [9, 8, 7, 6, 5, 4, 3, 2, 1, 0],
];
/// The permutation applied once for each place from the right.
const PERMUTATION: [u8; 10] = [1, 5, 7, 6, 2, 8, 3, 0, 9, 4];

fn digits(code: &str) -> Option<Vec<u8>> {
    code.bytes().map(|byte| byte.is_ascii_digit().then(|| byte - b'0')).collect()
}

/// Whether a SNOMED CT identifier has 6 to 18 digits and a right check digit (Verhoeff).
pub(super) fn snomed(code: &str) -> bool {
    if !(6..=18).contains(&code.len()) {
        return false;
    }
    let Some(digits) = digits(code) else { return false };
    let check = digits.iter().rev().enumerate().try_fold(0_u8, |check, (place, &digit)| {
        let mut digit = digit;
        for _ in 0..place % 8 {
            digit = *PERMUTATION.get(usize::from(digit))?;
        }
        PRODUCT.get(usize::from(check))?.get(usize::from(digit)).copied()
    });
    check == Some(0)
}

/// Whether a LOINC code is a number, a hyphen and a right check digit (modulus 10, every second digit doubled).
pub(super) fn loinc(code: &str) -> bool {
    let Some((number, check)) = code.split_once('-') else { return false };
    let (Some(number), Some(&[check])) = (digits(number), digits(check).as_deref()) else { return false };
    if number.is_empty() {
        return false;
    }
    let sum: u32 = number
        .iter()
        .rev()
        .enumerate()
        .map(|(place, &digit)| {
            let digit = u32::from(digit);
            match (place % 2, digit * 2) {
                (0, doubled) if doubled > 9 => doubled - 9,
                (0, doubled) => doubled,
                _ => digit,
            }
        })
        .sum();
    (sum + u32::from(check)).is_multiple_of(10)
}

/// Whether a code of a system with check digits has a right one; true for all other systems.
pub(super) fn passes(system: &str, code: &str) -> bool {
    match system {
        "http://snomed.info/sct" => snomed(code),
        "http://loinc.org" => loinc(code),
        _ => true,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn right_and_wrong_snomed_numbers_are_told_apart() {
        for code in ["401191002", "394683006", "52101004", "781000119106"] {
            assert!(snomed(code), "{code}");
        }
        // Numbers seen in public lists that name no concept, a wrong last digit, two digits swapped, and no number.
        for code in ["64549002", "18506004", "58350007", "401191003", "401119002", "12345", "40119100A", ""] {
            assert!(!snomed(code), "{code}");
        }
    }

    #[test]
    fn right_and_wrong_loinc_numbers_are_told_apart() {
        for code in ["44974-4", "44963-7", "8480-6", "77194-9", "4548-4"] {
            assert!(loinc(code), "{code}");
        }
        for code in ["44974-5", "44947-4", "8480", "8480-", "-6", "8480-66", "84a0-6"] {
            assert!(!loinc(code), "{code}");
        }
    }
}
