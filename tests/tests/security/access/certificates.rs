//! Authorities and the certificates that they issue, made at run time.

use std::path::Path;

use rcgen::{
    BasicConstraints, CertificateParams, DnType, ExtendedKeyUsagePurpose, IsCa, Issuer, KeyPair,
    date_time_ymd,
};

pub(crate) struct Authority {
    issuer: Issuer<'static, KeyPair>,
    pub(crate) pem: String,
}

impl Authority {
    pub(crate) fn new(name: &str) -> Authority {
        let key = KeyPair::generate().unwrap();
        let mut parameters = CertificateParams::new(Vec::new()).unwrap();
        parameters.distinguished_name.push(DnType::CommonName, name);
        parameters.is_ca = IsCa::Ca(BasicConstraints::Unconstrained);
        let certificate = parameters.self_signed(&key).unwrap();
        let pem = certificate.pem();
        Authority { issuer: Issuer::new(parameters, key), pem }
    }

    /// A certificate for a name, good until a year.
    pub(crate) fn issue(&self, name: &str, until: i32) -> Identity {
        let key = KeyPair::generate().unwrap();
        let mut parameters = CertificateParams::new(vec![name.to_owned()]).unwrap();
        parameters.not_before = date_time_ymd(2020, 1, 1);
        parameters.not_after = date_time_ymd(until, 1, 1);
        parameters.extended_key_usages =
            vec![ExtendedKeyUsagePurpose::ServerAuth, ExtendedKeyUsagePurpose::ClientAuth];
        let certificate = parameters.signed_by(&key, &self.issuer).unwrap();
        Identity { pem: certificate.pem(), key: key.serialize_pem(), der: certificate.der().to_vec() }
    }

    /// The authority as a client trusts it.
    pub(crate) fn trusted(&self) -> reqwest::Certificate {
        reqwest::Certificate::from_pem(self.pem.as_bytes()).unwrap()
    }
}

pub(crate) struct Identity {
    pub(crate) pem: String,
    pub(crate) key: String,
    pub(crate) der: Vec<u8>,
}

impl Identity {
    /// Writes certificate and key as the service reads them.
    pub(crate) fn write(&self, folder: &Path) {
        std::fs::write(folder.join("server.pem"), &self.pem).unwrap();
        std::fs::write(folder.join("server-key.pem"), &self.key).unwrap();
    }

    /// As a client shows it.
    pub(crate) fn shown(&self) -> reqwest::Identity {
        reqwest::Identity::from_pem(format!("{}{}", self.key, self.pem).as_bytes()).unwrap()
    }
}

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
