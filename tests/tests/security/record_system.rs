//! What the tests of this side of the record system share.

use std::time::Instant;

use serde_json::{Value, json};
use solewire_tests::process::POLL;
use solewire_tests::service::Service;

use crate::access::site::LIMIT;

/// The person of an exam, as the record system knows them.
pub(crate) fn person(number: u32) -> Value {
    json!({ "resourceType": "Patient", "id": format!("person-{number}"), "identifier": [
        { "system": "https://harbourlane.example/person", "value": format!("HL-PERSON-{number:04}") }] })
}

/// Waits until a delivery is in a state, and gives what operators see of it.
pub(crate) async fn until_state(service: &Service, id: i64, state: &str) -> Value {
    let deadline = Instant::now() + LIMIT;
    let url = format!("{}/operations/deliveries/{id}", service.operations_url);
    loop {
        let delivery = service.client.get(&url).await.expect(200).json();
        if delivery["state"] == state {
            return delivery;
        }
        assert!(Instant::now() < deadline, "not {state}: {delivery:#}\n{}", service.log());
        tokio::time::sleep(POLL).await;
    }
}
