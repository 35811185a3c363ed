//! The contract of this interface, as it is written and for programs without a reader of YAML.

use actix_web::HttpResponse;

const YAML: &str = include_str!("../../../openapi.yaml");
const JSON: &str = include_str!(concat!(env!("OUT_DIR"), "/openapi.json"));

/// `GET /openapi.yaml`
pub(super) async fn yaml() -> HttpResponse {
    HttpResponse::Ok().content_type("application/yaml").body(YAML)
}

/// `GET /openapi.json`
pub(super) async fn json() -> HttpResponse {
    HttpResponse::Ok().content_type("application/json").body(JSON)
}
