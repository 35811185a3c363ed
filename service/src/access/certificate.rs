//! The certificate that a caller showed when the connection was made.

use std::any::Any;

use actix_tls::accept::rustls_0_23::TlsStream;
use actix_web::dev::Extensions;
use actix_web::rt::net::TcpStream;
use sha2::{Digest as _, Sha256};

use crate::config::Sha256Hash;

/// The certificate of a caller, which an authority of `server.client_ca_file` has issued.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct PeerCertificate {
    /// SHA-256 of the certificate in DER.
    pub fingerprint: Sha256Hash,
}

/// Keeps the certificate of a new connection with it, if there is one.
pub fn note_certificate(connection: &dyn Any, data: &mut Extensions) {
    let Some(stream) = connection.downcast_ref::<TlsStream<TcpStream>>() else { return };
    let (_, session) = stream.get_ref();
    if let Some(certificate) = session.peer_certificates().and_then(<[_]>::first) {
        data.insert(PeerCertificate { fingerprint: Sha256::digest(certificate.as_ref()).into() });
    }
}
