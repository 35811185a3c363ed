//! Listeners with certificates, and the clients that reach them.

use std::path::Path;

use solewire_tests::certificates::{Authority, Identity};

/// The settings below `[server]` of a listener with the files of a folder.
pub(crate) fn settings(folder: &Path, client_ca: bool) -> String {
    let path = |name: &str| folder.join(name).display().to_string();
    let mut text = format!(
        "\ncertificate_file = \"{}\"\nkey_file = \"{}\"\n",
        path("server.pem"),
        path("server-key.pem")
    );
    if client_ca {
        text.push_str(&format!("client_ca_file = \"{}\"\n", path("clients.pem")));
    }
    text
}

/// A client that trusts an authority, and perhaps shows a certificate.
pub(crate) fn client(authority: &Authority, identity: Option<&Identity>) -> reqwest::Client {
    let builder = reqwest::Client::builder()
        .tls_certs_only([authority.trusted()])
        .tls_info(true)
        // Each request makes a connection of its own.
        .pool_max_idle_per_host(0);
    match identity {
        Some(identity) => builder.identity(identity.shown()),
        None => builder,
    }
    .build()
    .unwrap()
}
