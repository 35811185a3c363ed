//! Target 6: from start to ready.

use std::path::Path;

use crate::figures::Figures;
use crate::server::Server;
use crate::table::{Row, Table, Target, short};

const ROUNDS: usize = 9;

pub(crate) async fn measure(table: &mut Table) {
    let mut seconds = Vec::new();
    for _ in 0..ROUNDS {
        let folder = tempfile::tempdir().expect("a temporary folder");
        seconds.push(Server::service(folder.path(), "sqlite:solewire.db", None).await.ready_after);
    }
    put(table, "6a", "start to ready with an empty store, ms", 300.0, seconds);
}

/// With a store that is there: stopped as usual, and killed.
pub(crate) async fn filled(table: &mut Table, folder: &Path, store: &str, what: &str) {
    // Nobody answers there: what is queued stays queued.
    let record_system = Some("http://127.0.0.1:9/fhir");
    let mut seconds = Vec::new();
    for _ in 0..ROUNDS {
        let service = Server::service(folder, store, record_system).await;
        seconds.push(service.ready_after);
        service.stop();
    }
    put(table, "6b", &format!("start to ready with {what}, ms"), 1000.0, seconds);
}

fn put(table: &mut Table, id: &'static str, what: &str, most: f64, seconds: Vec<f64>) {
    let figures = Figures::of(seconds.iter().map(|seconds| seconds * 1e3).collect());
    let behind = format!("first of them {}", short(seconds[0] * 1e3));
    table.put(&Row { id, what: what.to_owned(), target: Target::AtMost(most), figures, behind });
}
