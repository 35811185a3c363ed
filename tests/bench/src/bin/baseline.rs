//! What the intake is held against: the same kind of server, which only parses a body and inserts it. It writes as the
//! service does, with the settings of its store: submissions that come together share one synchronised transaction.
//!
//!     bench-baseline ADDRESS FILE
#![allow(clippy::expect_used, reason = "a program of the bench")]

use actix_web::{App, HttpResponse, HttpServer, web};
use serde_json::Value;
use sqlx::Connection as _;
use sqlx::sqlite::{SqliteConnectOptions, SqliteConnection, SqliteJournalMode, SqliteSynchronous};
use tokio::sync::{mpsc, oneshot};

/// As in the group commit of the service.
const AT_ONCE: usize = 64;
const WAITING: usize = 256;
const LARGEST_BODY: usize = 1024 * 1024;

struct Waiting {
    body: String,
    written: oneshot::Sender<()>,
}

#[actix_web::main]
async fn main() -> std::io::Result<()> {
    let mut arguments = std::env::args().skip(1);
    let (address, file) = (arguments.next().expect("an address"), arguments.next().expect("a file"));
    let options = SqliteConnectOptions::new()
        .filename(file)
        .create_if_missing(true)
        .journal_mode(SqliteJournalMode::Wal)
        .synchronous(SqliteSynchronous::Full);
    let mut connection = SqliteConnection::connect_with(&options).await.expect("the file opens");
    let table = "CREATE TABLE bodies (id INTEGER PRIMARY KEY, body TEXT NOT NULL) STRICT";
    sqlx::query(table).execute(&mut connection).await.expect("the table is made");
    let (sender, receiver) = mpsc::channel(WAITING);
    tokio::spawn(write(connection, receiver));
    let sender = web::Data::new(sender);
    HttpServer::new(move || {
        App::new()
            .app_data(sender.clone())
            .app_data(web::PayloadConfig::new(LARGEST_BODY))
            .route("/health/ready", web::get().to(HttpResponse::Ok))
            .route("/fhir", web::post().to(take))
    })
    .bind(address)?
    .run()
    .await
}

async fn take(sender: web::Data<mpsc::Sender<Waiting>>, bytes: web::Bytes) -> HttpResponse {
    let Ok(value) = serde_json::from_slice::<Value>(&bytes) else {
        return HttpResponse::BadRequest().finish();
    };
    std::hint::black_box(&value);
    let Ok(body) = String::from_utf8(bytes.into()) else { return HttpResponse::BadRequest().finish() };
    let (written, answered) = oneshot::channel();
    sender.send(Waiting { body, written }).await.expect("the writer runs");
    answered.await.expect("the writer runs");
    HttpResponse::Ok().finish()
}

async fn write(mut connection: SqliteConnection, mut receiver: mpsc::Receiver<Waiting>) {
    while let Some(first) = receiver.recv().await {
        let mut batch = vec![first];
        while batch.len() < AT_ONCE
            && let Ok(next) = receiver.try_recv()
        {
            batch.push(next);
        }
        let mut transaction = connection.begin_with("BEGIN IMMEDIATE").await.expect("a transaction");
        for waiting in &batch {
            let insert = sqlx::query("INSERT INTO bodies (body) VALUES ($1)").bind(&waiting.body);
            insert.execute(&mut *transaction).await.expect("a row");
        }
        transaction.commit().await.expect("the transaction is on the disk");
        // Whoever asked may be gone.
        batch.into_iter().for_each(|waiting| waiting.written.send(()).unwrap_or_default());
    }
}
