//! The browser pages: their files, signing in, and what they read beyond the FHIR interface.

use std::sync::LazyLock;

use actix_web::http::header::{
    CACHE_CONTROL, CONTENT_SECURITY_POLICY, ETAG, IF_NONE_MATCH, REFERRER_POLICY, SET_COOKIE,
    X_CONTENT_TYPE_OPTIONS,
};
use actix_web::{HttpRequest, HttpResponse, HttpResponseBuilder, web};
use serde::Deserialize;
use serde_json::{Value, json};
use sha2::{Digest as _, Sha256};
use solewire_profiles::findings::MonofilamentCriterion;

use super::error::ApiError;
use super::negotiate::{FhirBody, header};
use super::routes::Path;
use super::{State, access, answer, operations, worklists};
use crate::access::Caller;
use crate::clock::instant;
use crate::config::Right;
use crate::intake::hex;
use crate::store::StoreError;

/// Nothing runs, is shown or is asked for that this service did not send; no other site can frame a page.
const CONTENT_POLICY: &str = "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self'; \
     connect-src 'self'; worker-src 'self'; base-uri 'none'; form-action 'none'; frame-ancestors 'none'; \
     require-trusted-types-for 'script'; trusted-types solewire";

/// A file as it is sent.
struct PageFile {
    address: &'static str,
    content_type: &'static str,
    bytes: &'static [u8],
}

macro_rules! files {
    ($($address:literal $content_type:ident $file:literal)*) => {
        &[$(PageFile {
            address: $address,
            content_type: $content_type,
            bytes: include_bytes!(concat!("../../pages/", $file)),
        }),*]
    };
}

const HTML: &str = "text/html; charset=utf-8";
const STYLE: &str = "text/css; charset=utf-8";
const SCRIPT: &str = "text/javascript; charset=utf-8";
const DRAWING: &str = "image/svg+xml";

static FILES: &[PageFile] = files! {
    "/" HTML "examine.html"
    "/result" HTML "result.html"
    "/sheet" HTML "sheet.html"
    "/worklists" HTML "worklists.html"
    "/inspect" HTML "inspect.html"
    "/contract" HTML "contract.html"
    "/assets/style.css" STYLE "style.css"
    "/assets/reading.css" STYLE "reading.css"
    "/assets/print.css" STYLE "print.css"
    "/assets/mark.svg" DRAWING "mark.svg"
    "/offline.js" SCRIPT "offline.js"
    "/assets/shell.js" SCRIPT "shell.js"
    "/assets/dom.js" SCRIPT "dom.js"
    "/assets/service.js" SCRIPT "service.js"
    "/assets/work.js" SCRIPT "work.js"
    "/assets/catalogue.js" SCRIPT "catalogue.js"
    "/assets/document.js" SCRIPT "document.js"
    "/assets/answers.js" SCRIPT "answers.js"
    "/assets/controls.js" SCRIPT "controls.js"
    "/assets/feet.js" SCRIPT "feet.js"
    "/assets/assessment.js" SCRIPT "assessment.js"
    "/assets/start.js" SCRIPT "start.js"
    "/assets/exam.js" SCRIPT "exam.js"
    "/assets/result.js" SCRIPT "result.js"
    "/assets/sheet.js" SCRIPT "sheet.js"
    "/assets/worklists.js" SCRIPT "worklists.js"
    "/assets/inspect.js" SCRIPT "inspect.js"
    "/assets/contract.js" SCRIPT "contract.js"
};

/// The tag of each file, in their order: the same bytes have the same one in every process.
static TAGS: LazyLock<Vec<String>> = LazyLock::new(|| {
    let tag = |file: &PageFile| {
        let hash: [u8; 32] = Sha256::digest(file.bytes).into();
        let (short, _) = hash.split_at(12);
        format!("\"{}\"", hex(short))
    };
    FILES.iter().map(tag).collect()
});

/// The pages and what belongs to them.
pub(super) fn paths() -> Vec<Path> {
    let files = FILES.iter().zip(TAGS.iter()).map(|(file, tag)| {
        let serve = move |request: HttpRequest| async move { sent(file, tag, &request) };
        Path::at(file.address).get(serve)
    });
    let mut paths: Vec<Path> = files.collect();
    paths.extend([
        Path::at("/pages/session").get(session).post(sign_in),
        Path::at("/pages/session/end").post(sign_out),
        Path::at("/pages/exams/{id}").get(exam),
        Path::at("/pages/worklists/{list}").get(worklists::list),
        Path::at("/pages/deliveries").get(operations::list),
        Path::at("/pages/deliveries/{id}").get(operations::one),
        Path::at("/pages/deliveries/{id}/replay").post(operations::replay),
        Path::at("/pages/deliveries/{id}/discard").post(operations::discard),
    ]);
    paths
}

fn sent(file: &PageFile, tag: &str, request: &HttpRequest) -> HttpResponse {
    let known = header(request, IF_NONE_MATCH)
        .is_some_and(|tags| tags.split(',').any(|known| known.trim().trim_start_matches("W/") == tag));
    let mut response = if known { HttpResponse::NotModified() } else { HttpResponse::Ok() };
    response
        .insert_header((ETAG, tag))
        // Kept, and asked for again each time: a page never runs with the script of another version.
        .insert_header((CACHE_CONTROL, "no-cache"))
        .insert_header((CONTENT_SECURITY_POLICY, CONTENT_POLICY))
        .insert_header((X_CONTENT_TYPE_OPTIONS, "nosniff"))
        .insert_header((REFERRER_POLICY, "no-referrer"))
        .insert_header(("Cross-Origin-Opener-Policy", "same-origin"))
        .insert_header(("Cross-Origin-Resource-Policy", "same-origin"));
    if known {
        return response.finish();
    }
    response.content_type(file.content_type).body(file.bytes)
}

/// JSON for a page, which no cache keeps.
pub(super) fn for_page(value: &Value) -> HttpResponse {
    unkept(HttpResponse::Ok()).json(value)
}

/// An answer that no cache keeps.
pub(super) fn unkept(mut response: HttpResponseBuilder) -> HttpResponseBuilder {
    response.insert_header((CACHE_CONTROL, "no-store")).insert_header((X_CONTENT_TYPE_OPTIONS, "nosniff"));
    response
}

/// `GET /pages/session`: whether somebody is signed in, and how the pages are set up.
async fn session(state: web::Data<State>, request: HttpRequest) -> HttpResponse {
    for_page(&described(&state, state.access.caller(&request).await.ok().as_ref()))
}

fn described(state: &State, caller: Option<&Caller>) -> Value {
    let rights = caller.map(|caller| caller.rights.iter().map(|right| right.word()).collect::<Vec<_>>());
    let guidelines = state.intake.engine.guidelines().iter().map(|guideline| {
        let categories = guideline.categories.iter().map(|category| {
            json!({
                "code": guideline.category_code(category),
                "display": category.display,
                "active": category.active
            })
        });
        json!({
            "id": guideline.id,
            "title": guideline.title,
            "probability": guideline.gives_probability(),
            "categories": categories.collect::<Vec<_>>()
        })
    });
    json!({
        "signIn": !state.access.is_open(),
        "rights": rights,
        "caller": caller.map(|caller| &caller.name),
        "idleMinutes": state.pages.idle.as_secs() / 60,
        "unsent": state.pages.unsent.word(),
        "monofilament": match state.intake.assessment.monofilament {
            MonofilamentCriterion::ThreeSite => json!("three-site"),
            MonofilamentCriterion::FeltBelow(limit) => json!({ "feltBelow": limit }),
        },
        "guideline": state.intake.assessment.guidelines.first(),
        "guidelines": guidelines.collect::<Vec<_>>()
    })
}

#[derive(Deserialize)]
struct SignIn {
    token: String,
}

/// `POST /pages/session`: a token opens a session.
async fn sign_in(
    state: web::Data<State>,
    request: HttpRequest,
    FhirBody(bytes): FhirBody,
) -> Result<HttpResponse, ApiError> {
    access::from_a_page(&request)?;
    let SignIn { token } = serde_json::from_slice(&bytes).map_err(|_| ApiError::Request {
        text: "The body is not a JSON object with a token.",
        mend: "Send {\"token\": \"...\"}.",
    })?;
    let (id, caller) = state.access.sign_in(&token).await?;
    tracing::info!(caller = caller.name, "signed in at a page");
    let mut response = unkept(HttpResponse::Ok());
    response.insert_header((SET_COOKIE, cookie(&state, &request, &id, "")));
    Ok(response.json(described(&state, Some(&caller))))
}

/// `POST /pages/session/end`
async fn sign_out(state: web::Data<State>, request: HttpRequest) -> Result<HttpResponse, ApiError> {
    state.access.sign_out(&request).await?;
    let mut response = unkept(HttpResponse::Ok());
    response.insert_header((SET_COOKIE, cookie(&state, &request, "", "; Max-Age=0")));
    Ok(response.json(described(&state, None)))
}

fn cookie(state: &State, request: &HttpRequest, id: &str, more: &str) -> String {
    let behind_tls = state.public_url.as_ref().is_some_and(|url| url.scheme() == "https");
    let secure = behind_tls || request.app_config().secure();
    let secure = if secure { "; Secure" } else { "" };
    format!("{}={id}; Path=/; HttpOnly; SameSite=Strict{secure}{more}", access::COOKIE_NAME)
}

/// `GET /pages/exams/{id}`: everything about the exam of an assessment. Deliveries for those who may operate.
async fn exam(
    state: web::Data<State>,
    request: HttpRequest,
    id: web::Path<String>,
) -> Result<HttpResponse, ApiError> {
    let caller = access::require(&state.access, &request, Right::Read).await?;
    let operates = caller.may(Right::Operate);
    let record = state.intake.store.exam_of("RiskAssessment", &id, &caller.reach()).await?;
    let record = record.ok_or(ApiError::NotFound("No exam has an assessment with this id."))?;
    super::audit::note_read(&state, &caller, vec![format!("RiskAssessment/{}", id.as_str())]).await?;
    let mut resources = Vec::with_capacity(record.resources.len());
    for version in &record.resources {
        let body: Value = serde_json::from_str(&answer::body_as_read(version)?)
            .map_err(|_| ApiError::Store(StoreError::Row("a body is not JSON")))?;
        resources.push(json!({
            "derived": version.derived,
            "version": version.version,
            "updated": instant(version.updated).to_string(),
            "body": body
        }));
    }
    let deliveries = operates.then(|| record.deliveries.iter().map(operations::summary).collect::<Vec<_>>());
    Ok(for_page(&json!({
        "version": record.version,
        "created": instant(record.created).to_string(),
        "updated": instant(record.updated).to_string(),
        "resources": resources,
        "deliveries": deliveries
    })))
}
