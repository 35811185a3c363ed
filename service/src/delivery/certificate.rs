//! The one thing wanted of a certificate: until when it holds (RFC 5280 section 4.1).

use jiff::Timestamp;

const INTEGER: u8 = 0x02;
const SEQUENCE: u8 = 0x30;
const VERSION: u8 = 0xa0;
const UTC_TIME: u8 = 0x17;
const GENERALIZED_TIME: u8 = 0x18;

/// The end of the validity of a certificate in DER, in seconds since 1970.
pub(super) fn valid_until(certificate: &[u8]) -> Option<i64> {
    let (_, certificate, _) = element(certificate, SEQUENCE)?;
    let (_, mut rest, _) = element(certificate, SEQUENCE)?;
    if rest.first() == Some(&VERSION) {
        rest = element(rest, VERSION)?.2;
    }
    // Serial number, signature algorithm, issuer, then the validity.
    for tag in [INTEGER, SEQUENCE, SEQUENCE] {
        rest = element(rest, tag)?.2;
    }
    let (_, validity, _) = element(rest, SEQUENCE)?;
    let (_, _, rest) = any(validity)?;
    let (tag, text, _) = any(rest)?;
    let text = std::str::from_utf8(text).ok()?;
    let text = match tag {
        // Years of two digits are 1950 to 2049 (section 4.1.2.5.1).
        UTC_TIME if text.get(..2)? < "50" => format!("20{text}"),
        UTC_TIME => format!("19{text}"),
        GENERALIZED_TIME => text.to_owned(),
        _ => return None,
    };
    let digits = text.strip_suffix('Z')?;
    let instant = format!("{}T{}Z", digits.get(..8)?, digits.get(8..14)?);
    instant.parse::<Timestamp>().ok().map(Timestamp::as_second)
}

/// Tag, content and what follows.
type Element<'a> = (u8, &'a [u8], &'a [u8]);

fn element(bytes: &[u8], tag: u8) -> Option<Element<'_>> {
    any(bytes).filter(|(found, _, _)| *found == tag)
}

fn any(bytes: &[u8]) -> Option<Element<'_>> {
    let (tag, rest) = bytes.split_first()?;
    let (first, mut rest) = rest.split_first()?;
    let mut length = usize::from(*first);
    if *first >= 0x80 {
        let count = usize::from(*first & 0x7f);
        if count > 4 {
            return None;
        }
        length = 0;
        for byte in rest.get(..count)? {
            length = (length << 8) | usize::from(*byte);
        }
        rest = rest.get(count..)?;
    }
    Some((*tag, rest.get(..length)?, rest.get(length..)?))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_end_of_a_certificate_is_read_and_nonsense_is_not() {
        let key = rcgen::KeyPair::generate().unwrap();
        for (year, expected) in [(2031, "2031-03-04T00:00:00Z"), (2077, "2077-03-04T00:00:00Z")] {
            let mut parameters =
                rcgen::CertificateParams::new(vec!["records.harbourlane.example".into()]).unwrap();
            parameters.not_after = rcgen::date_time_ymd(year, 3, 4);
            let certificate = parameters.self_signed(&key).unwrap();
            let expected: Timestamp = expected.parse().unwrap();
            assert_eq!(valid_until(certificate.der()), Some(expected.as_second()));
            for end in 0..40 {
                assert_eq!(valid_until(&certificate.der()[..end]), None);
            }
        }
        assert_eq!(valid_until(&[0x30, 0x84, 0xff, 0xff, 0xff, 0xff]), None);
    }
}
