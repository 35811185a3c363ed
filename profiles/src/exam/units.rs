//! The units of measured results: which UCUM codes a test takes, and what a number is in the unit of its test.
//!
//! Units are told by their code, never by the label beside it. The table of conversions is closed and exact: a factor
//! is a fraction of whole numbers, and only a result that has no finite decimal form is cut, after 28 digits.

use rust_decimal::Decimal;

use super::{Item, Part, Test};

/// The `system` of UCUM codes.
pub(super) const UCUM: &str = "http://unitsofmeasure.org";

/// The UCUM unit in which a number is read; none for what takes no number.
pub(super) fn unit(test: Test, part: Part) -> Option<&'static str> {
    match (test, part) {
        (Test::Vibration128Hz | Test::CapillaryRefill, _) => Some("s"),
        (Test::VibrationThreshold, _) => Some("V"),
        (Test::SystolicPressure | Test::Tcpo2, _) => Some("mm[Hg]"),
        (Test::AnkleBrachialIndex | Test::ToeBrachialIndex, _) => Some("1"),
        (Test::SkinTemperature, _) => Some("Cel"),
        (Test::Egfr, _) => Some("mL/min/{1.73_m2}"),
        (Test::Ulcer, Part::Item(Item::UlcerArea) | Part::ItemAt(Item::UlcerArea, _)) => Some("cm2"),
        (Test::Ulcer, Part::Item(Item::UlcerDuration) | Part::ItemAt(Item::UlcerDuration, _)) => Some("d"),
        _ => None,
    }
}

/// From one unit to another: take away `shift`, multiply by `times`, divide by `over`.
#[derive(Debug, PartialEq, Eq)]
pub(super) struct Conversion {
    /// The UCUM code of what was sent.
    from: &'static str,
    /// The UCUM code of the unit of the test.
    to: &'static str,
    shift: Decimal,
    times: Decimal,
    over: Decimal,
}

const fn conversion(
    from: &'static str,
    to: &'static str,
    shift: u32,
    (times, over): (u32, u32),
) -> Conversion {
    Conversion { from, to, shift: whole(shift), times: whole(times), over: whole(over) }
}

const fn whole(number: u32) -> Decimal {
    Decimal::from_parts(number, 0, 0, false, 0)
}

/// Every conversion there is.
///
/// UCUM defines `m[Hg]` as 133.3220 kPa, so a kPa is 1000/133.322 = 500000/66661 `mm[Hg]`. A degree Fahrenheit is 5/9 of
/// a degree Celsius, counted from 32 (UCUM; NIST SP 811, appendix B.8). The rest are metric prefixes (SI Brochure).
static CONVERSIONS: &[Conversion] = &[
    conversion("kPa", "mm[Hg]", 0, (500_000, 66_661)),
    conversion("[degF]", "Cel", 32, (5, 9)),
    conversion("ms", "s", 0, (1, 1000)),
    conversion("mm2", "cm2", 0, (1, 100)),
];

impl Conversion {
    /// The number in the unit of the test; none when it is too large to be held.
    pub(super) fn apply(&self, value: Decimal) -> Option<Decimal> {
        value.checked_sub(self.shift)?.checked_mul(self.times)?.checked_div(self.over)
    }
}

/// How the unit of a number stands to the unit of its test.
#[derive(Debug, PartialEq, Eq)]
pub(super) enum UnitSense {
    /// It is that unit.
    Same,
    /// It can be turned into that unit.
    Convertible(&'static Conversion),
    /// Percent, where a plain ratio is asked for.
    Percent,
    /// Not a UCUM code at all.
    Malformed,
    /// A unit, but none that the test takes.
    Other,
}

/// Judges a UCUM code against the unit of a test.
pub(super) fn judge(code: &str, wanted: Option<&str>) -> UnitSense {
    if wanted == Some(code) {
        return UnitSense::Same;
    }
    if !is_ucum(code) {
        return UnitSense::Malformed;
    }
    match wanted {
        Some("1") if code == "%" => UnitSense::Percent,
        Some(wanted) => CONVERSIONS
            .iter()
            .find(|conversion| conversion.from == code && conversion.to == wanted)
            .map_or(UnitSense::Other, UnitSense::Convertible),
        None => UnitSense::Other,
    }
}

/// Whether a text is a UCUM code, upper and lower case told apart.
pub(super) fn is_ucum(code: &str) -> bool {
    // A unit of the exam has few letters; a long text is none, and need not be parsed to know it.
    code.len() <= 60 && ucum::Ucum::case_sensitive().validate(code).is_ok()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::terminology::{LocalSystem, Terminology};

    fn converted(value: &str, from: &str, to: &str) -> Decimal {
        let UnitSense::Convertible(conversion) = judge(from, Some(to)) else { panic!("{from} to {to}") };
        conversion.apply(value.parse().unwrap()).unwrap()
    }

    #[test]
    fn factors_are_exact() {
        let exact = |text: &str| text.parse::<Decimal>().unwrap();
        // 13.3322 kPa are 100 mm[Hg] by the definition of UCUM.
        assert_eq!(converted("13.3322", "kPa", "mm[Hg]"), exact("100"));
        assert_eq!(converted("133.3220", "kPa", "mm[Hg]"), exact("1000"));
        assert_eq!(converted("98.6", "[degF]", "Cel"), exact("37"));
        assert_eq!(converted("-40", "[degF]", "Cel"), exact("-40"));
        assert_eq!(converted("8250", "ms", "s"), exact("8.25"));
        assert_eq!(converted("150", "mm2", "cm2"), exact("1.5"));
    }

    #[test]
    fn what_is_too_large_is_not_converted() {
        let UnitSense::Convertible(conversion) = judge("kPa", Some("mm[Hg]")) else {
            panic!("no conversion")
        };
        assert_eq!(conversion.apply(Decimal::MAX), None);
    }

    #[test]
    fn a_code_is_judged_against_the_unit_of_its_test() {
        assert_eq!(judge("s", Some("s")), UnitSense::Same);
        assert_eq!(judge("%", Some("1")), UnitSense::Percent);
        assert_eq!(judge("%", Some("s")), UnitSense::Other);
        assert_eq!(judge("mV", Some("V")), UnitSense::Other);
        assert_eq!(judge("s", None), UnitSense::Other);
        for malformed in ["", "mmHg", "sec", "C", "10 g", "degF", "\u{b0}C"] {
            // `C` is coulomb, so it is a unit, only not of temperature.
            let wanted = if malformed == "C" { UnitSense::Other } else { UnitSense::Malformed };
            assert_eq!(judge(malformed, Some("Cel")), wanted, "{malformed}");
        }
        assert_eq!(judge(&"m".repeat(100_000), Some("s")), UnitSense::Malformed);
    }

    #[test]
    fn the_units_are_those_of_the_code_system_and_every_one_is_ucum() {
        let terminology = Terminology::builtin();
        for test in Test::ALL {
            let stated = terminology.property(LocalSystem::FootTest, test.code(), "unit");
            if let Some(stated) = stated {
                assert_eq!(unit(*test, Part::Whole), Some(stated), "{}", test.code());
            }
        }
        for item in Item::ALL {
            let stated = terminology.property(LocalSystem::FootTest, item.code(), "unit");
            let of = terminology.property(LocalSystem::FootTest, item.code(), "belongs-to");
            if let (Some(stated), Some(test)) = (stated, of.and_then(Test::from_code)) {
                assert_eq!(unit(test, Part::Item(*item)), Some(stated), "{}", item.code());
                assert!(is_ucum(stated), "{stated}");
            }
        }
    }

    #[test]
    fn the_value_sets_of_units_list_what_can_be_converted() {
        let terminology = Terminology::builtin();
        for (set, wanted) in [("pressure", "mm[Hg]"), ("time", "s"), ("temperature", "Cel"), ("area", "cm2")]
        {
            let url = format!("https://solewire.example/fhir/ValueSet/foot-{set}-units");
            let listed: Vec<(&str, &str)> = terminology.codes(&url).unwrap().collect();
            let convertible = CONVERSIONS.iter().filter(|conversion| conversion.to == wanted);
            let codes: Vec<(&str, &str)> = std::iter::once(wanted)
                .chain(convertible.map(|conversion| conversion.from))
                .map(|code| (UCUM, code))
                .collect();
            assert_eq!(listed, codes, "{set}");
        }
    }
}
