//! Formats, wishes and bodies.

use std::future::Future;
use std::pin::Pin;
use std::time::Duration;

use actix_web::dev::Payload;
use actix_web::http::header::{ACCEPT, CONTENT_ENCODING, CONTENT_TYPE};
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

/// What a caller would like to get back (header `Prefer`, RFC 7240).
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Return {
    Minimal,
    Representation,
    OperationOutcome,
    Unsaid,
}

pub(super) fn preferred_return(request: &HttpRequest) -> Return {
    match preference(request, "return").as_deref() {
        Some("minimal") => Return::Minimal,
        Some("representation") => Return::Representation,
        Some("OperationOutcome") => Return::OperationOutcome,
        _ => Return::Unsaid,
    }
}

/// Whether unknown search parameters are errors.
pub(super) fn strict_handling(request: &HttpRequest) -> bool {
    preference(request, "handling").as_deref() == Some("strict")
}

fn preference(request: &HttpRequest, name: &str) -> Option<String> {
    request
        .headers()
        .get_all("Prefer")
        .filter_map(|value| value.to_str().ok())
        .flat_map(|value| value.split([',', ';']))
        .filter_map(|preference| preference.split_once('='))
        .find(|(found, _)| found.trim().eq_ignore_ascii_case(name))
        .map(|(_, value)| value.trim().trim_matches('"').to_owned())
}

#[cfg(test)]
mod tests {
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
}
