//! Who may do what: tokens, signed tokens, certificates, clinics, limits.

mod certificates;
mod clinics;
mod issuer;
mod limits;
mod rights;
mod rotation;
mod settings;
mod signed;
pub(crate) mod site;
mod tls;
mod tokens;
