//! Authorities and the certificates that they issue, made at run time.

use std::path::Path;

use rcgen::{
    BasicConstraints, CertificateParams, DnType, ExtendedKeyUsagePurpose, IsCa, Issuer, KeyPair,
    date_time_ymd,
};

/// An authority that a test trusts, or does not.
#[derive(Debug)]
pub struct Authority {
    issuer: Issuer<'static, KeyPair>,
    /// Its own certificate.
    pub pem: String,
    /// The same as DER.
    pub der: Vec<u8>,
}

impl Authority {
    /// A new authority.
    ///
    /// # Panics
    /// When no key can be made.
    #[must_use]
    pub fn new(name: &str) -> Authority {
        let key = KeyPair::generate().unwrap();
        let mut parameters = CertificateParams::new(Vec::new()).unwrap();
        parameters.distinguished_name.push(DnType::CommonName, name);
        parameters.is_ca = IsCa::Ca(BasicConstraints::Unconstrained);
        let certificate = parameters.self_signed(&key).unwrap();
        let (pem, der) = (certificate.pem(), certificate.der().to_vec());
        Authority { issuer: Issuer::new(parameters, key), pem, der }
    }

    /// A certificate for a name, good until 1 January of a year, for either side of a connection.
    ///
    /// # Panics
    /// When the name cannot stand in a certificate.
    #[must_use]
    pub fn issue(&self, name: &str, until: i32) -> Identity {
        let key = KeyPair::generate().unwrap();
        let mut parameters = CertificateParams::new(vec![name.to_owned()]).unwrap();
        parameters.not_before = date_time_ymd(2020, 1, 1);
        parameters.not_after = date_time_ymd(until, 1, 1);
        parameters.extended_key_usages =
            vec![ExtendedKeyUsagePurpose::ServerAuth, ExtendedKeyUsagePurpose::ClientAuth];
        let certificate = parameters.signed_by(&key, &self.issuer).unwrap();
        Identity {
            pem: certificate.pem(),
            key: key.serialize_pem(),
            der: certificate.der().to_vec(),
            key_der: key.serialize_der(),
        }
    }

    /// The authority as a client trusts it.
    ///
    /// # Panics
    /// Never: the certificate is our own.
    #[must_use]
    pub fn trusted(&self) -> reqwest::Certificate {
        reqwest::Certificate::from_pem(self.pem.as_bytes()).unwrap()
    }
}

/// A certificate with its key.
#[derive(Debug)]
pub struct Identity {
    /// The certificate.
    pub pem: String,
    /// Its key.
    pub key: String,
    /// The certificate as DER.
    pub der: Vec<u8>,
    /// The key as DER (PKCS #8).
    pub key_der: Vec<u8>,
}

impl Identity {
    /// Writes certificate and key as `server.pem` and `server-key.pem`.
    ///
    /// # Panics
    /// When the folder cannot be written.
    pub fn write(&self, folder: &Path) {
        std::fs::write(folder.join("server.pem"), &self.pem).unwrap();
        std::fs::write(folder.join("server-key.pem"), &self.key).unwrap();
    }

    /// As a client shows it.
    ///
    /// # Panics
    /// Never: certificate and key are our own.
    #[must_use]
    pub fn shown(&self) -> reqwest::Identity {
        reqwest::Identity::from_pem(format!("{}{}", self.key, self.pem).as_bytes()).unwrap()
    }
}
