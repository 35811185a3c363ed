//! What went wrong, as an answer: the only place where a failure becomes a status.

use std::borrow::Cow;
use std::fmt;

use actix_web::http::{StatusCode, header};
use actix_web::{HttpResponse, HttpResponseBuilder, ResponseError};
use serde_json::{Value, json};
use solewire_profiles::issue::{Issue, IssueType, refused};
use solewire_profiles::resources::RULE_SYSTEM;

use super::answer;
use super::negotiate::FHIR_JSON;
use crate::config::Right;
use crate::intake::Refusal;
use crate::store::StoreError;

/// How long a caller should wait when the store cannot, in seconds.
const RETRY_AFTER_SECONDS: &str = "5";

/// A request that was not served.
#[derive(Debug)]
pub(super) enum ApiError {
    /// The content type, or an encoding of the content.
    MediaType,
    /// No format that the caller takes.
    NotAcceptable,
    /// The body is over the limit.
    TooLarge,
    /// The body broke off.
    BodyIncomplete,
    /// The body did not come in within the time for it.
    BodyTooSlow,
    /// The request itself, not a document in it: what is wrong and how to mend it.
    Request { text: &'static str, mend: &'static str },
    /// A header that changes what the request means and cannot be read.
    Header(&'static str),
    /// What a batch asks for comes to more than one answer may hold.
    TooMuch,
    /// A search parameter, under strict handling or with an unreadable value.
    Parameter { name: String, text: &'static str },
    /// A document with issues.
    Document { status: StatusCode, issues: Vec<Issue>, root: String },
    /// No such resource, type or path.
    NotFound(&'static str),
    /// The method is not for this path.
    Method { allow: Cow<'static, str> },
    /// No token.
    Login,
    /// A token that does not hold.
    BadToken,
    /// The keys of the issuer are not known yet.
    Issuer,
    /// The caller asks too often; in so many seconds it may again.
    TooMany { seconds: u64 },
    /// The token does not allow it.
    Right(Right),
    /// A browser was made to send it by another site.
    OtherSite,
    /// Something else stands against it now.
    Conflict { text: &'static str, mend: &'static str },
    /// A condition of the caller does not hold.
    Condition { text: &'static str, mend: &'static str },
    /// An update without the version that it replaces.
    VersionUnsaid,
    /// An update of a version that is not the current one any more.
    Stale,
    /// An idempotency key with another body.
    KeyReused,
    /// A device over its quota, which begins anew in so many seconds.
    Quota { seconds: i64 },
    /// The record system cannot be looked into: why.
    RecordSystem(&'static str),
    /// The store cannot.
    Store(StoreError),
    /// Reading the body crashed.
    Crashed,
}

impl From<StoreError> for ApiError {
    fn from(error: StoreError) -> ApiError {
        ApiError::Store(error)
    }
}

impl From<Refusal> for ApiError {
    fn from(refusal: Refusal) -> ApiError {
        match refusal {
            Refusal::Unreadable(issues) => {
                ApiError::Document { status: StatusCode::BAD_REQUEST, issues, root: "Resource".to_owned() }
            }
            Refusal::Invalid { issues, root } => {
                ApiError::Document { status: StatusCode::UNPROCESSABLE_ENTITY, issues, root }
            }
            Refusal::WrongType(issue) => ApiError::Document {
                status: StatusCode::BAD_REQUEST,
                issues: vec![*issue],
                root: "Resource".to_owned(),
            },
            Refusal::WrongId(issues) => {
                ApiError::Document { status: StatusCode::BAD_REQUEST, issues, root: "Observation".to_owned() }
            }
            Refusal::NoSuchResource => ApiError::NotFound("No resource of this type has this id."),
            Refusal::Stale => ApiError::Stale,
            Refusal::SeveralMatch => ApiError::Condition {
                text: "More than one stored resource has the identifier of the condition.",
                mend: "Name an identifier that only one resource has.",
            },
            Refusal::UnknownId => ApiError::NotFound("No resource of this type has this id."),
            Refusal::KeyReused => ApiError::KeyReused,
            Refusal::Contended => ApiError::Conflict {
                text: "The exam kept changing while this was taken in; nothing of it was stored.",
                mend: "Send it again.",
            },
            Refusal::Quota { seconds } => ApiError::Quota { seconds },
            Refusal::Store(error) => ApiError::Store(error),
            Refusal::Crashed => ApiError::Crashed,
        }
    }
}

/// One issue of our own making.
struct Said {
    status: StatusCode,
    code: IssueType,
    rule: &'static str,
    text: String,
    mend: String,
}

impl ApiError {
    fn said(&self) -> Said {
        let said = |status, code, rule, text: &str, mend: &str| Said {
            status,
            code,
            rule,
            text: text.to_owned(),
            mend: mend.to_owned(),
        };
        match self {
            ApiError::MediaType => said(
                StatusCode::UNSUPPORTED_MEDIA_TYPE,
                IssueType::NotSupported,
                "http-media-type",
                "The content type or encoding of the request is not supported.",
                "Send application/fhir+json in UTF-8, not compressed.",
            ),
            ApiError::NotAcceptable => said(
                StatusCode::NOT_ACCEPTABLE,
                IssueType::NotSupported,
                "http-accept",
                "None of the accepted formats can be given.",
                "Accept application/fhir+json.",
            ),
            ApiError::TooLarge => said(
                StatusCode::PAYLOAD_TOO_LARGE,
                IssueType::TooLong,
                "http-body-limit",
                "The body is larger than 1 MiB.",
                "Send one exam per request and leave out attachments.",
            ),
            ApiError::BodyIncomplete => said(
                StatusCode::BAD_REQUEST,
                IssueType::Incomplete,
                "http-body",
                "The body broke off before its end.",
                "Send it again; with an Idempotency-Key it is taken once at most.",
            ),
            ApiError::BodyTooSlow => said(
                StatusCode::REQUEST_TIMEOUT,
                IssueType::Incomplete,
                "http-body-time",
                "The body did not come in within the time that `server.body_seconds` gives it.",
                "Send it again, in one go.",
            ),
            ApiError::Request { text, mend } => {
                said(StatusCode::BAD_REQUEST, IssueType::Invalid, "http-request", text, mend)
            }
            ApiError::Header(name) => said(
                StatusCode::BAD_REQUEST,
                IssueType::Invalid,
                "http-header",
                &format!("The header {name} comes twice, or holds characters outside of ASCII."),
                "Send it once, in ASCII; in the query of a condition, encode others as %XX.",
            ),
            ApiError::TooMuch => said(
                StatusCode::BAD_REQUEST,
                IssueType::TooCostly,
                "http-batch-size",
                "The answers to the entries before fill what one answer to a batch may hold; this was not looked up.",
                "Ask for it in a batch of its own, or for less with _count and _elements.",
            ),
            ApiError::Parameter { name, text } => said(
                StatusCode::BAD_REQUEST,
                IssueType::Invalid,
                "http-search-parameter",
                &format!("Search parameter `{name}`: {text}"),
                "See GET /fhir/metadata for the parameters of each type.",
            ),
            ApiError::Document { status, .. } => said(
                *status,
                IssueType::Invalid,
                "http-document",
                "The document has no issue to show.",
                "Send it again.",
            ),
            ApiError::NotFound(text) => said(
                StatusCode::NOT_FOUND,
                IssueType::NotFound,
                "http-not-found",
                text,
                "See GET /openapi.yaml for the paths and GET /fhir/metadata for the types.",
            ),
            ApiError::Method { allow } => said(
                StatusCode::METHOD_NOT_ALLOWED,
                IssueType::NotSupported,
                "http-method",
                "This path does not take this method.",
                &format!("Use {allow}."),
            ),
            // Both alike: why a token does not hold is nothing for whoever tries.
            ApiError::Login | ApiError::BadToken => said(
                StatusCode::UNAUTHORIZED,
                IssueType::Login,
                "http-login",
                "The request carries no token, or one that is not known.",
                "Send Authorization: Bearer TOKEN with a token that holds.",
            ),
            ApiError::Issuer => said(
                StatusCode::SERVICE_UNAVAILABLE,
                IssueType::Transient,
                "http-issuer",
                "The keys that the token is checked with are not known yet.",
                "Send it again after the time in Retry-After; those who run the service find the reason in its log.",
            ),
            ApiError::TooMany { .. } => said(
                StatusCode::TOO_MANY_REQUESTS,
                IssueType::Throttled,
                "http-rate",
                "The caller asks too often; nothing was stored.",
                "Send it again after the time in Retry-After.",
            ),
            ApiError::Right(right) => said(
                StatusCode::FORBIDDEN,
                IssueType::Forbidden,
                "http-right",
                &format!("The token does not have the right `{}`.", right.word()),
                "Use a token with this right.",
            ),
            ApiError::OtherSite => said(
                StatusCode::FORBIDDEN,
                IssueType::Forbidden,
                "http-other-site",
                "The request does not come from a page of this service.",
                "Use the pages of this service; a program sends its token instead of a cookie.",
            ),
            ApiError::Conflict { text, mend } => {
                said(StatusCode::CONFLICT, IssueType::Conflict, "http-conflict", text, mend)
            }
            ApiError::Condition { text, mend } => said(
                StatusCode::PRECONDITION_FAILED,
                IssueType::MultipleMatches,
                "http-condition",
                text,
                mend,
            ),
            // RFC 6585, section 3.
            ApiError::VersionUnsaid => said(
                StatusCode::PRECONDITION_REQUIRED,
                IssueType::Required,
                "http-if-match-missing",
                "An update has to name the version that it replaces.",
                "Read the resource and send its ETag in If-Match.",
            ),
            ApiError::Stale => said(
                StatusCode::PRECONDITION_FAILED,
                IssueType::Conflict,
                "http-if-match",
                "The resource has another version by now than the one in If-Match; nothing was changed.",
                "Read it again, look at what changed, and send the update with the new ETag.",
            ),
            ApiError::KeyReused => said(
                StatusCode::UNPROCESSABLE_ENTITY,
                IssueType::Duplicate,
                "http-idempotency-key",
                "This Idempotency-Key came with another body before.",
                "Use a new key for each new request, and the same key only to repeat one.",
            ),
            ApiError::Quota { .. } => said(
                StatusCode::TOO_MANY_REQUESTS,
                IssueType::Throttled,
                "http-device-quota",
                "The device has sent as many new results as it may on one day; nothing was stored.",
                "Send it again after the time in Retry-After, or raise per_day of the device under devices.known.",
            ),
            ApiError::RecordSystem(failure) => said(
                StatusCode::BAD_GATEWAY,
                IssueType::Transient,
                "http-record-system",
                &format!("The record system cannot be looked into now ({failure})."),
                "Mend the way to the record system and ask again.",
            ),
            ApiError::Store(StoreError::Unavailable { .. }) => said(
                StatusCode::SERVICE_UNAVAILABLE,
                IssueType::NoStore,
                "http-store",
                "The store does not take this now; nothing was stored.",
                "Send it again after the time in Retry-After.",
            ),
            ApiError::Store(_) | ApiError::Crashed => said(
                StatusCode::INTERNAL_SERVER_ERROR,
                IssueType::Exception,
                "http-internal",
                "The service failed; nothing was stored.",
                "Send it again; if it fails again, give the X-Request-Id to those who run the service.",
            ),
        }
    }

    fn outcome(&self) -> Value {
        if let ApiError::Document { issues, root, .. } = self
            && refused(issues)
        {
            return answer::outcome(issues, root);
        }
        let said = self.said();
        json!({
            "resourceType": "OperationOutcome",
            "issue": [{
                "severity": "error",
                "code": said.code.code(),
                "details": { "coding": [{ "system": RULE_SYSTEM, "code": said.rule }], "text": said.text },
                "diagnostics": format!("How to mend it: {}", said.mend)
            }]
        })
    }

    /// Logs a failure of ours, once, where it is turned into an answer.
    fn log(&self) {
        match self {
            ApiError::Crashed => tracing::error!("reading a body crashed"),
            ApiError::Store(error) => {
                tracing::error!(error = %error, code = error.code().as_deref(), "the store failed");
            }
            ApiError::MediaType
            | ApiError::NotAcceptable
            | ApiError::TooLarge
            | ApiError::BodyIncomplete
            | ApiError::BodyTooSlow
            | ApiError::Request { .. }
            | ApiError::Header(_)
            | ApiError::TooMuch
            | ApiError::Parameter { .. }
            | ApiError::Document { .. }
            | ApiError::NotFound(_)
            | ApiError::Method { .. }
            | ApiError::Login
            | ApiError::BadToken
            | ApiError::Issuer
            | ApiError::TooMany { .. }
            | ApiError::Right(_)
            | ApiError::OtherSite
            | ApiError::Conflict { .. }
            | ApiError::Condition { .. }
            | ApiError::VersionUnsaid
            | ApiError::Stale
            | ApiError::Quota { .. }
            | ApiError::RecordSystem(_)
            | ApiError::KeyReused => {}
        }
    }
}

impl fmt::Display for ApiError {
    fn fmt(&self, formatter: &mut fmt::Formatter<'_>) -> fmt::Result {
        formatter.write_str(self.said().rule)
    }
}

impl ResponseError for ApiError {
    fn status_code(&self) -> StatusCode {
        self.said().status
    }

    fn error_response(&self) -> HttpResponse {
        self.log();
        let mut response = HttpResponseBuilder::new(self.status_code());
        match self {
            ApiError::Method { allow } => {
                response.insert_header((header::ALLOW, allow.as_ref()));
            }
            // The rest of it is not waited for (RFC 9110 section 15.5.9).
            ApiError::BodyTooSlow => {
                response.force_close();
            }
            ApiError::Login => {
                response.insert_header((header::WWW_AUTHENTICATE, "Bearer realm=\"solewire\""));
            }
            // The words of RFC 6750 section 3.
            ApiError::BadToken => {
                let value = "Bearer realm=\"solewire\", error=\"invalid_token\"";
                response.insert_header((header::WWW_AUTHENTICATE, value));
            }
            ApiError::Right(_) => {
                let value = "Bearer realm=\"solewire\", error=\"insufficient_scope\"";
                response.insert_header((header::WWW_AUTHENTICATE, value));
            }
            ApiError::TooMany { seconds } => {
                response.insert_header((header::RETRY_AFTER, seconds.to_string()));
            }
            ApiError::Issuer => {
                response.insert_header((header::RETRY_AFTER, RETRY_AFTER_SECONDS));
            }
            ApiError::Store(StoreError::Unavailable { .. }) => {
                response.insert_header((header::RETRY_AFTER, RETRY_AFTER_SECONDS));
            }
            ApiError::Quota { seconds } => {
                response.insert_header((header::RETRY_AFTER, seconds.to_string()));
            }
            _ => {}
        }
        response.content_type(FHIR_JSON).body(self.outcome().to_string())
    }
}
