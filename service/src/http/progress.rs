//! How far an exam has come, for the display of a device.

use actix_web::http::StatusCode;
use actix_web::{HttpRequest, HttpResponse, web};
use serde_json::{Value, json};
use solewire_profiles::progress::{Places, Progress};

use super::error::ApiError;
use super::negotiate::{FhirBody, accept_json};
use super::{State, access, answer, audit};
use crate::config::Right;
use crate::intake::AskedExam;

/// `POST /fhir/$progress`: the identifiers stand in the body, because addresses end up in logs.
pub(super) async fn progress(
    state: web::Data<State>,
    request: HttpRequest,
    FhirBody(bytes): FhirBody,
) -> Result<HttpResponse, ApiError> {
    let caller = access::require(&state.access, &request, Right::Read).await?;
    accept_json(&request)?;
    let asked = asked(&bytes).ok_or(ApiError::Request {
        text: "The body does not say which exam is meant.",
        mend: "Send Parameters with `subject` and `encounter`, each as valueIdentifier with system and value or as \
               valueReference; or with `exam`, the identifier of the panel.",
    })?;
    let found = state.intake.progress(&asked, caller.clinic.as_ref()).await?;
    let progress = found.ok_or(ApiError::NotFound("No exam of this kind is stored."))?;
    audit::note_read(&state, &caller, Vec::new()).await?;
    Ok(answer::fhir(StatusCode::OK, parameters(&progress).to_string()))
}

fn asked(bytes: &[u8]) -> Option<AskedExam> {
    let body: Value = serde_json::from_slice(bytes).ok()?;
    if body.get("resourceType")?.as_str()? != "Parameters" {
        return None;
    }
    let parameters = body.get("parameter")?.as_array()?;
    let named = |name: &str| {
        let mut found = parameters.iter().filter(|one| one.get("name").and_then(Value::as_str) == Some(name));
        let text = |one: &Value, pointer: &str| {
            one.pointer(pointer).and_then(Value::as_str).filter(|text| !text.is_empty()).map(str::to_owned)
        };
        let one = found.next().filter(|_| found.next().is_none())?;
        let full = |place: &str| {
            let part = |name: &str| text(one, &format!("{place}/{name}"));
            Some(format!("{}|{}", part("system")?, part("value")?))
        };
        let reference = || text(one, "/valueReference/reference");
        full("/valueIdentifier").or_else(reference).or_else(|| full("/valueReference/identifier"))
    };
    match named("exam") {
        Some(identifier) => Some(AskedExam::Panel(identifier)),
        None => Some(AskedExam::Encounter { subject: named("subject")?, encounter: named("encounter")? }),
    }
}

fn parameters(progress: &Progress) -> Value {
    let status = match (progress.withdrawn, progress.open) {
        (true, _) => "withdrawn",
        (false, true) => "open",
        (false, false) => "closed",
    };
    let mut out = vec![json!({ "name": "status", "valueCode": status })];
    out.extend(progress.categories.iter().map(|code| json!({ "name": "possible", "valueCode": code })));
    out.extend(progress.recorded.iter().map(|places| of_places("recorded", places)));
    out.extend(progress.left.iter().map(|places| of_places("left", places)));
    out.extend(progress.missing.iter().map(|missing| {
        let mut part = vec![json!({ "name": "fact", "valueString": missing.fact.words() })];
        part.extend(missing.what.iter().map(|what| json!({ "name": "what", "valueString": what })));
        part.push(json!({ "name": "settles", "valueBoolean": missing.settles }));
        json!({ "name": "missing", "part": part })
    }));
    json!({ "resourceType": "Parameters", "parameter": out })
}

fn of_places(name: &str, places: &Places) -> Value {
    let mut part = vec![json!({ "name": "test", "valueCode": places.test.code() })];
    part.extend(places.side.map(|side| json!({ "name": "side", "valueCode": side.word() })));
    part.extend(places.codes.iter().map(|code| json!({ "name": "place", "valueCode": code })));
    json!({ "name": name, "part": part })
}
