//! The HTTP interface: which path leads where. Handlers translate; they decide nothing about exams.

mod access;
mod answer;
mod audit;
mod comparison;
mod error;
mod metadata;
mod negotiate;
mod observe;
mod operations;
mod pages;
mod parameters;
mod progress;
mod read;
mod search;
mod sessions;
mod submit;
mod worklists;

use std::sync::Arc;

use actix_web::http::header::HOST;
use actix_web::{HttpRequest, HttpResponse, Route, web};
use tokio::sync::Notify;
use url::Url;

use crate::config::Pages;
use crate::delivery::{Client, Lane};
use crate::intake::{Intake, LARGEST_BODY};
use crate::metrics::Metrics;
pub use access::Gate;
use error::ApiError;

const OPENAPI: &str = include_str!("../../../openapi.yaml");

/// What handlers work with.
#[derive(Debug)]
pub struct State {
    /// Takes exams in; also the way to the store and the clock.
    pub intake: Intake,
    /// Who may do what.
    pub access: Gate,
    /// How the pages behave.
    pub pages: Pages,
    /// Address that callers use, when a proxy stands in front.
    pub public_url: Option<Url>,
    /// The way to the record system.
    pub lane: Arc<Lane>,
    /// Told when a delivery was put back.
    pub wake: Arc<Notify>,
    /// What is counted.
    pub metrics: Arc<Metrics>,
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
    services
        .app_data(web::PayloadConfig::new(LARGEST_BODY))
        .service(path("/fhir", "POST", [web::post().to(submit::transaction)]))
        .service(path("/fhir/", "POST", [web::post().to(submit::transaction)]))
        .service(path("/fhir/metadata", "GET", [web::get().to(metadata::metadata)]))
        .service(path("/fhir/$assess", "POST", [web::post().to(submit::assess)]))
        .service(path("/fhir/$progress", "POST", [web::post().to(progress::progress)]))
        .service(path("/fhir/{type}/_search", "POST", [web::post().to(search::by_form)]))
        .service(path("/fhir/{type}/$validate", "POST", [web::post().to(submit::validate)]))
        .service(path("/fhir/{type}/{id}/_history/{version}", "GET", [web::get().to(read::version)]))
        .service(path("/fhir/{type}/{id}/_history", "GET", [web::get().to(read::history)]))
        .service(path(
            "/fhir/{type}/{id}",
            "GET, PUT",
            [web::get().to(read::read), web::put().to(submit::update)],
        ))
        .service(path(
            "/fhir/{type}",
            "GET, POST",
            [web::get().to(search::by_query), web::post().to(submit::create)],
        ))
        .service(path("/.well-known/jwks.json", "GET", [web::get().to(public_keys)]))
        .service(path("/openapi.yaml", "GET", [web::get().to(openapi)]))
        .configure(pages::pages);
    health(services);
}

/// For operators.
pub fn operations(services: &mut web::ServiceConfig) {
    services
        .app_data(web::PayloadConfig::new(LARGEST_BODY))
        .service(path("/operations/deliveries", "GET", [web::get().to(operations::list)]))
        .service(path("/operations/comparison", "GET", [web::get().to(comparison::all)]))
        .service(path("/operations/deliveries/{id}/comparison", "GET", [web::get().to(comparison::one)]))
        .service(path("/operations/deliveries/{id}", "GET", [web::get().to(operations::one)]))
        .service(path("/operations/deliveries/{id}/replay", "POST", [web::post().to(operations::replay)]))
        .service(path("/operations/deliveries/{id}/discard", "POST", [web::post().to(operations::discard)]))
        .service(path(
            "/operations/replay",
            "GET, POST",
            [web::get().to(operations::replay_preview), web::post().to(operations::replay_all)],
        ))
        .service(path("/fhir/AuditEvent/_search", "POST", [web::post().to(audit::by_form)]))
        .service(path("/fhir/AuditEvent/{id}", "GET", [web::get().to(audit::read)]))
        .service(path("/fhir/AuditEvent", "GET", [web::get().to(audit::by_query)]))
        .service(path("/metrics", "GET", [web::get().to(operations::metrics)]));
    health(services);
}

fn health(services: &mut web::ServiceConfig) {
    services
        .service(path("/health/live", "GET", [web::get().to(operations::live)]))
        .service(path("/health/ready", "GET", [web::get().to(operations::ready)]))
        .default_service(web::to(nothing_here));
}

/// A path with its methods; any other method is told which ones there are.
fn path<const N: usize>(pattern: &str, allow: &'static str, routes: [Route; N]) -> actix_web::Resource {
    let resource = routes.into_iter().fold(web::resource(pattern), actix_web::Resource::route);
    resource.default_service(web::to(move || async move {
        Err::<HttpResponse, ApiError>(ApiError::Method { allow })
    }))
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

async fn openapi() -> HttpResponse {
    HttpResponse::Ok().content_type("application/yaml").body(OPENAPI)
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
