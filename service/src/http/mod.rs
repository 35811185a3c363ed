//! The HTTP interface: which path leads where. Handlers translate; they decide nothing about exams.

mod access;
mod answer;
mod audit;
mod batch;
mod comparison;
mod contract;
mod definitions;
mod elements;
mod error;
mod metadata;
mod negotiate;
mod observe;
mod operations;
mod pages;
mod parameters;
mod progress;
mod read;
mod routes;
mod search;
mod sessions;
mod submit;
mod worklists;

use std::sync::Arc;
use std::time::Duration;

use actix_web::http::header::HOST;
use actix_web::{HttpRequest, HttpResponse, web};
use tokio::sync::Notify;
use url::Url;

use crate::config::Pages;
use crate::delivery::{Client, Lane};
use crate::intake::{Intake, LARGEST_BODY};
use crate::metrics::Metrics;
use crate::traces::Traces;
pub use access::Gate;
use error::ApiError;
use routes::{Path, register};
pub use routes::{Served, served};

/// What handlers work with.
#[derive(Debug)]
pub struct State {
    /// Takes exams in; also the way to the store and the clock.
    pub intake: Intake,
    /// Who may do what.
    pub access: Gate,
    /// How the pages behave.
    pub pages: Pages,
    /// How long the body of a request may take to come in.
    pub body_limit: Duration,
    /// Address that callers use, when a proxy stands in front.
    pub public_url: Option<Url>,
    /// The way to the record system.
    pub lane: Arc<Lane>,
    /// Told when a delivery was put back.
    pub wake: Arc<Notify>,
    /// What is counted.
    pub metrics: Arc<Metrics>,
    /// What is traced.
    pub traces: Traces,
    /// The record system, to look into; none when nothing is forwarded.
    pub record_system: Option<Arc<Client>>,
    /// The public keys that assertions for the record system are checked with; none when nothing is forwarded.
    pub public_keys: Option<serde_json::Value>,
}

/// The types that are stored and can be read.
pub(crate) const STORED_TYPES: [&str; 6] =
    ["Observation", "RiskAssessment", "ServiceRequest", "Provenance", "Condition", "Procedure"];

/// The FHIR interface.
pub fn fhir(services: &mut web::ServiceConfig) {
    services.app_data(web::PayloadConfig::new(LARGEST_BODY));
    register(services, fhir_paths());
    register(services, pages::paths());
    health(services);
}

/// For operators.
pub fn operations(services: &mut web::ServiceConfig) {
    services.app_data(web::PayloadConfig::new(LARGEST_BODY));
    register(services, operations_paths());
    health(services);
}

fn health(services: &mut web::ServiceConfig) {
    register(services, health_paths());
    services.default_service(web::to(nothing_here));
}

// What is named goes before what has a parameter in the same place.
fn fhir_paths() -> Vec<Path> {
    vec![
        Path::at("/fhir").post(submit::transaction),
        Path::at("/fhir/").post(submit::transaction),
        Path::at("/fhir/metadata").get(metadata::metadata),
        Path::at("/fhir/$assess").post(submit::assess),
        Path::at("/fhir/$progress").post(progress::progress),
        Path::at("/fhir/{type}/_search").post(search::by_form),
        Path::at("/fhir/{type}/$validate").post(submit::validate),
        Path::at("/fhir/OperationDefinition/{id}").get(definitions::read),
        Path::at("/fhir/{type}/{id}/_history/{version}").get(read::version),
        Path::at("/fhir/{type}/{id}/_history").get(read::history),
        Path::at("/fhir/{type}/{id}").get(read::read).put(submit::update),
        Path::at("/fhir/{type}").get(search::by_query).post(submit::create),
        Path::at("/.well-known/jwks.json").get(public_keys),
        Path::at("/openapi.yaml").get(contract::yaml),
        Path::at("/openapi.json").get(contract::json),
    ]
}

fn operations_paths() -> Vec<Path> {
    vec![
        Path::at("/operations/deliveries").get(operations::list),
        Path::at("/operations/comparison").get(comparison::all),
        Path::at("/operations/deliveries/{id}/comparison").get(comparison::one),
        Path::at("/operations/deliveries/{id}/validation").get(comparison::validated),
        Path::at("/operations/deliveries/{id}").get(operations::one),
        Path::at("/operations/deliveries/{id}/replay").post(operations::replay),
        Path::at("/operations/deliveries/{id}/discard").post(operations::discard),
        Path::at("/operations/replay").get(operations::replay_preview).post(operations::replay_all),
        Path::at("/fhir/AuditEvent/_search").post(audit::by_form),
        Path::at("/fhir/AuditEvent/{id}").get(audit::read),
        Path::at("/fhir/AuditEvent").get(audit::by_query),
        Path::at("/metrics").get(operations::metrics),
    ]
}

fn health_paths() -> Vec<Path> {
    vec![Path::at("/health/live").get(operations::live), Path::at("/health/ready").get(operations::ready)]
}

async fn nothing_here() -> Result<HttpResponse, ApiError> {
    Err(ApiError::NotFound("There is nothing at this path."))
}

/// `GET /.well-known/jwks.json`: public by its nature. Without a key of ours the set is empty.
async fn public_keys(state: web::Data<State>) -> HttpResponse {
    let none = || serde_json::json!({ "keys": [] });
    let keys = state.public_keys.clone().unwrap_or_else(none).to_string();
    HttpResponse::Ok()
        .content_type("application/jwk-set+json")
        .insert_header(("cache-control", "max-age=300"))
        .body(keys)
}

/// The middleware around every request.
pub(crate) use observe::observe as around;

/// Builds the application of one listener.
macro_rules! application {
    ($state:expr, $routes:path) => {
        actix_web::App::new()
            .app_data($state)
            .wrap(actix_web::middleware::from_fn($crate::http::around))
            .configure($routes)
    };
}
pub(crate) use application;

/// The FHIR base as the caller sees it, without a slash at the end.
fn base(state: &State, request: &HttpRequest) -> String {
    match &state.public_url {
        Some(url) => format!("{}/fhir", url.as_str().trim_end_matches('/')),
        None => {
            let host = negotiate::header(request, HOST)
                .or_else(|| request.uri().authority().map(|host| host.as_str()));
            let plain = host.filter(|host| {
                host.bytes().all(|byte| {
                    byte.is_ascii_alphanumeric() || matches!(byte, b'.' | b':' | b'-' | b'[' | b']')
                })
            });
            let scheme = if request.app_config().secure() { "https" } else { "http" };
            format!("{scheme}://{}/fhir", plain.unwrap_or("localhost"))
        }
    }
}

#[cfg(test)]
mod tests;
