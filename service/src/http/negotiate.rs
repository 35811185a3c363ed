//! Formats, wishes and bodies.

use std::future::Future;
use std::pin::Pin;
use std::time::Duration;

use actix_web::dev::Payload;
use actix_web::http::header::{ACCEPT, CONTENT_ENCODING, CONTENT_TYPE, HeaderName};
use actix_web::{FromRequest, HttpRequest, web};

use super::State;
use super::error::ApiError;

pub(super) const FHIR_JSON: &str = "application/fhir+json";
const JSON_TYPES: [&str; 3] = [FHIR_JSON, "application/json", "text/json"];
const FORM: &str = "application/x-www-form-urlencoded";

/// The value of a header that occurs once and is text.
pub(super) fn header(
    request: &HttpRequest,
    name: impl actix_web::http::header::AsHeaderName,
) -> Option<&str> {
    request.headers().get(name)?.to_str().ok().map(str::trim)
}

/// Whether JSON is among the formats that the caller takes. `_format` goes before `Accept`.
pub(super) fn accept_json(request: &HttpRequest) -> Result<(), ApiError> {
    let format = url::form_urlencoded::parse(request.query_string().as_bytes())
        .find(|(name, _)| name == "_format")
        .map(|(_, value)| value.into_owned());
    let takes = match &format {
        // A plus sign that was not escaped arrives as a space.
        Some(format) => format == "json" || is_json(&format.replace(' ', "+")),
        None => header(request, ACCEPT).is_none_or(|accept| {
            accept.split(',').any(|range| {
                let (media, parameters) = range.split_once(';').unwrap_or((range, ""));
                let media = media.trim().to_ascii_lowercase();
                let refused = parameters.split(';').any(|parameter| {
                    parameter
                        .trim()
                        .strip_prefix("q=")
                        .is_some_and(|q| q.parse::<f32>().is_ok_and(|q| q <= 0.0))
                });
                !refused && (matches!(media.as_str(), "*/*" | "application/*" | "") || is_json(&media))
            })
        }),
    };
    if takes { Ok(()) } else { Err(ApiError::NotAcceptable) }
}

/// Whether a content type is JSON in UTF-8 and, if it names a version of FHIR, R4.
fn is_json(content_type: &str) -> bool {
    let mut parts = content_type.split(';').map(|part| part.trim().to_ascii_lowercase());
    let media = parts.next().unwrap_or_default();
    JSON_TYPES.contains(&media.as_str())
        && parts.all(|parameter| match parameter.split_once('=') {
            Some(("charset", value)) => matches!(value.trim_matches('"'), "utf-8" | "utf8"),
            Some(("fhirversion", value)) => matches!(value.trim_matches('"'), "4.0" | "4.0.1"),
            _ => true,
        })
}

/// The body of a request with a FHIR resource.
#[derive(Debug)]
pub(super) struct FhirBody(pub(super) Vec<u8>);

impl FromRequest for FhirBody {
    type Error = ApiError;
    type Future = Pin<Box<dyn Future<Output = Result<FhirBody, ApiError>>>>;

    fn from_request(request: &HttpRequest, payload: &mut Payload) -> Self::Future {
        let known = header(request, CONTENT_TYPE).is_some_and(is_json);
        body(request, payload, known, FhirBody)
    }
}

/// The body of a request with form fields.
#[derive(Debug)]
pub(super) struct FormBody(pub(super) Vec<u8>);

impl FromRequest for FormBody {
    type Error = ApiError;
    type Future = Pin<Box<dyn Future<Output = Result<FormBody, ApiError>>>>;

    fn from_request(request: &HttpRequest, payload: &mut Payload) -> Self::Future {
        let known = header(request, CONTENT_TYPE).is_some_and(|value| {
            value.split(';').next().is_some_and(|media| media.trim().eq_ignore_ascii_case(FORM))
        });
        body(request, payload, known, FormBody)
    }
}

fn body<T: 'static>(
    request: &HttpRequest,
    payload: &mut Payload,
    known_type: bool,
    wrap: fn(Vec<u8>) -> T,
) -> Pin<Box<dyn Future<Output = Result<T, ApiError>>>> {
    let encoded =
        header(request, CONTENT_ENCODING).is_some_and(|encoding| !encoding.eq_ignore_ascii_case("identity"));
    if !known_type || encoded {
        return Box::pin(async { Err(ApiError::MediaType) });
    }
    let bytes = web::Bytes::from_request(request, payload);
    let limit = request.app_data::<web::Data<State>>().map_or(Duration::MAX, |state| state.body_limit);
    Box::pin(async move {
        match tokio::time::timeout(limit, bytes).await {
            Ok(Ok(bytes)) => Ok(wrap(bytes.to_vec())),
            Ok(Err(error)) if error.as_response_error().status_code() == 413 => Err(ApiError::TooLarge),
            Ok(Err(_)) => Err(ApiError::BodyIncomplete),
            Err(_) => Err(ApiError::BodyTooSlow),
        }
    })
}

/// The value of a header that changes what a request means; none when it is not there. One that cannot be read is
/// refused, not passed over: whoever sent a condition relies on it.
pub(super) fn meant<'r>(request: &'r HttpRequest, name: &'static str) -> Result<Option<&'r str>, ApiError> {
    let mut values = request.headers().get_all(name);
    match (values.next(), values.next()) {
        (None, _) => Ok(None),
        (Some(value), None) => {
            value.to_str().map(|text| Some(text.trim())).map_err(|_| ApiError::Header(name))
        }
        (Some(_), Some(_)) => Err(ApiError::Header(name)),
    }
}

/// Says which wish of the caller was granted (RFC 7240, section 3).
pub(super) const PREFERENCE_APPLIED: HeaderName = HeaderName::from_static("preference-applied");

/// What a caller would like to get back (header `Prefer`, RFC 7240).
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Return {
    Minimal,
    Representation,
    OperationOutcome,
    Unsaid,
}

impl Return {
    /// The wish, as an answer that grants it says.
    pub(super) fn granted(self) -> Option<&'static str> {
        match self {
            Return::Minimal => Some("return=minimal"),
            Return::Representation => Some("return=representation"),
            Return::OperationOutcome => Some("return=OperationOutcome"),
            Return::Unsaid => None,
        }
    }
}

pub(super) fn preferred_return(request: &HttpRequest) -> Return {
    match preference(request, "return").as_deref() {
        Some("minimal") => Return::Minimal,
        Some("representation") => Return::Representation,
        Some("OperationOutcome") => Return::OperationOutcome,
        _ => Return::Unsaid,
    }
}

/// What becomes of search parameters that are not known.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Handling {
    /// They are errors.
    Strict,
    /// They are passed over.
    Lenient,
    /// The same.
    Unsaid,
}

impl Handling {
    /// The wish, as an answer that grants it says.
    pub(super) fn granted(self) -> Option<&'static str> {
        match self {
            Handling::Strict => Some("handling=strict"),
            Handling::Lenient => Some("handling=lenient"),
            Handling::Unsaid => None,
        }
    }
}

pub(super) fn preferred_handling(request: &HttpRequest) -> Handling {
    match preference(request, "handling").as_deref() {
        Some("strict") => Handling::Strict,
        Some("lenient") => Handling::Lenient,
        _ => Handling::Unsaid,
    }
}

/// The value of a preference; of one that is said twice the first counts (RFC 7240, section 2).
fn preference(request: &HttpRequest, name: &str) -> Option<String> {
    let values = request.headers().get_all("Prefer").filter_map(|value| value.to_str().ok());
    let mut preferences = values.flat_map(|value| unquoted(value, ',')).filter_map(|preference| {
        // Parameters behind a preference belong to it and are none themselves.
        unquoted(preference, ';').next().and_then(|own| own.split_once('='))
    });
    let (_, value) = preferences.find(|(found, _)| found.trim().eq_ignore_ascii_case(name))?;
    Some(value.trim().trim_matches('"').to_owned())
}

/// The parts of a text between separators that stand outside of quotes.
fn unquoted(text: &str, separator: char) -> impl Iterator<Item = &str> {
    let (mut quoted, mut escaped) = (false, false);
    text.split(move |character| {
        let separates = character == separator && !quoted;
        quoted ^= character == '"' && !escaped;
        escaped = quoted && character == '\\' && !escaped;
        separates
    })
}

#[cfg(test)]
mod tests {
    use actix_web::test::TestRequest;

    use super::*;

    #[test]
    fn json_by_its_names_in_utf8_and_r4() {
        for good in [
            "application/fhir+json",
            "application/json; charset=utf-8",
            "Application/FHIR+JSON; fhirVersion=4.0",
        ] {
            assert!(is_json(good), "{good}");
        }
        for bad in [
            "application/xml",
            "application/fhir+json; fhirVersion=5.0",
            "application/json; charset=latin1",
            "",
        ] {
            assert!(!is_json(bad), "{bad}");
        }
    }

    #[test]
    fn of_several_wishes_the_first_counts_and_what_stands_in_quotes_or_behind_a_wish_is_none() {
        let asked = |values: &[&'static str]| {
            let request = values
                .iter()
                .fold(TestRequest::default(), |request, value| request.append_header(("prefer", *value)));
            let request = request.to_http_request();
            (preferred_return(&request), preferred_handling(&request))
        };
        use {Handling as H, Return as R};
        assert_eq!(asked(&["return=minimal, Handling = \"strict\""]), (R::Minimal, H::Strict));
        assert_eq!(
            asked(&["handling=lenient", "return=representation;of=it,return=minimal"]),
            (R::Representation, H::Lenient)
        );
        assert_eq!(asked(&["respond-async; return=minimal"]), (R::Unsaid, H::Unsaid));
        assert_eq!(asked(&["note=\"a, return=minimal\", wait=5"]), (R::Unsaid, H::Unsaid));
        assert_eq!(
            asked(&["note=\"\\\", return=minimal\", return=OperationOutcome"]),
            (R::OperationOutcome, H::Unsaid)
        );
        assert_eq!(asked(&["return=everything, return=minimal"]), (R::Unsaid, H::Unsaid));
    }
}
