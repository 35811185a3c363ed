//! Every setting by name: the table that unknown keys are held against and that `--help` and the guide list.

/// One setting.
#[derive(Debug)]
pub struct Setting {
    /// `section.key`, as in the file; in the environment `SOLEWIRE_SECTION__KEY`.
    pub key: &'static str,
    /// What holds when it is not set; empty for nothing.
    pub default: &'static str,
    /// What it means and what it may be.
    pub meaning: &'static str,
}

const fn setting(key: &'static str, default: &'static str, meaning: &'static str) -> Setting {
    Setting { key, default, meaning }
}

/// All of them, by section.
pub static SETTINGS: &[Setting] = &[
    setting("server.listen", "127.0.0.1:8080", "address and port of the FHIR interface"),
    setting(
        "server.operations_listen",
        "127.0.0.1:8081",
        "address and port for operators: deliveries, health, metrics",
    ),
    setting(
        "server.public_url",
        "",
        "address that callers use, when a proxy stands in front; without it, the Host of each request",
    ),
    setting(
        "server.certificate_file",
        "",
        "certificate (PEM, with its chain) for HTTPS; read again when it changes",
    ),
    setting("server.key_file", "", "its private key (PEM)"),
    setting(
        "server.client_ca_file",
        "",
        "authorities (PEM): every caller must show a certificate of one of them; read again when it changes",
    ),
    setting("server.operations_certificate_file", "", "the same for the listener for operators"),
    setting("server.operations_key_file", "", "its private key (PEM)"),
    setting("server.operations_client_ca_file", "", "authorities for callers of the listener for operators"),
    setting("server.body_seconds", "30", "how long a body may take to come in, 1 to 600; then 408"),
    setting(
        "store.url",
        "sqlite:solewire.db",
        "sqlite:PATH of the store, or postgres://USER@HOST/DATABASE to share one among processes",
    ),
    setting("store.password_file", "", "file holding the password for PostgreSQL"),
    setting("store.password", "", "the password itself; in the environment only"),
    setting(
        "store.reserve_mib",
        "256",
        "with less free disk, in MiB, new exams are refused for now (SQLite)",
    ),
    setting(
        "store.high_water",
        "100000",
        "with so many deliveries waiting, several exams at once are refused for now; a tenth above, single ones too",
    ),
    setting(
        "store.keep_delivered_days",
        "",
        "what was delivered is purged after so many days, 1 to 3650, see service/OPERATING.md; without it, it is kept for good",
    ),
    setting("record_system.base_url", "", "FHIR base of the record system; without it nothing is forwarded"),
    setting("record_system.write", "transaction", "transaction, create (resource by resource) or none"),
    setting(
        "record_system.max_entries",
        "",
        "how many entries it takes in one transaction; a larger exam goes in several, panel and assessment last",
    ),
    setting("record_system.verify", "true", "whether what was delivered is looked for a while later"),
    setting("record_system.auth", "none", "none, basic, bearer or smart (SMART Backend Services)"),
    setting("record_system.user", "", "user name for basic"),
    setting(
        "record_system.password_file",
        "",
        "file holding the password for basic; read again when the old one is refused",
    ),
    setting("record_system.password", "", "the password itself; in the environment only"),
    setting(
        "record_system.token_file",
        "",
        "file holding the token for bearer; read again when the old one is refused",
    ),
    setting("record_system.token", "", "the token itself; in the environment only"),
    setting("record_system.client_id", "", "for smart: the id that the service was registered with"),
    setting(
        "record_system.key_file",
        "",
        "for smart: the private key (PEM, PKCS #8), EC on P-384 or RSA; its public half is at /.well-known/jwks.json",
    ),
    setting("record_system.key_id", "", "for smart: the id of the key; without it, its thumbprint"),
    setting(
        "record_system.token_url",
        "",
        "for smart: the token endpoint; without it, what the record system names in .well-known/smart-configuration",
    ),
    setting("record_system.scope", "", "for smart: the scopes asked for; without it, what deliveries need"),
    setting("record_system.ca_file", "", "authorities (PEM) trusted instead of those of the system"),
    setting(
        "record_system.client_certificate_file",
        "",
        "certificate (PEM) of this service; read again when it changes",
    ),
    setting("record_system.client_key_file", "", "its private key (PEM)"),
    setting("record_system.allow_plaintext", "false", "allow http to another machine"),
    setting("assessment.guideline", "iwgdf-2023", "the guideline that decides recall and referral"),
    setting("assessment.also", "[]", "further guidelines to assess by"),
    setting("assessment.monofilament", "three-site", "three-site, or { felt_below = N }"),
    setting(
        "assessment.calendar",
        "",
        "{ weekend = [\"saturday\", \"sunday\"], holidays = [\"2026-12-25\"], time_zone = \"Europe/Dublin\" }; without a time zone, the offset of each exam",
    ),
    setting("exam.group_by", "encounter", "encounter or subject-and-day"),
    setting(
        "exam.quiet_minutes",
        "",
        "an exam without a panel is closed after so many minutes without a new result; without it, only its panel closes it",
    ),
    setting("devices.only_registered", "false", "whether results of devices that are not listed are refused"),
    setting(
        "devices.known",
        "[]",
        "[[devices.known]]: id, identifier (SYSTEM|VALUE), tests, clock_tolerance_seconds (600), per_day",
    ),
    setting(
        "profiles.dir",
        "",
        "folder with a site's own profiles, value sets, code systems and concept maps (*.json)",
    ),
    setting("access.mode", "tokens", "tokens, or open when every listener is loopback"),
    setting(
        "access.tokens",
        "[]",
        "SHA-256 of each bearer token in hex, then its rights: submit, read, operate; and clinic=NAME, device=NAME",
    ),
    setting("access.tokens_file", "", "file of the same, one a line"),
    setting(
        "access.certificates",
        "[]",
        "the same for client certificates: SHA-256 fingerprint in hex, then rights, clinic and device",
    ),
    setting("access.issuer", "", "who signs tokens (JWT) that are taken as well: their iss"),
    setting("access.audience", "", "what their aud must name"),
    setting("access.jwks_url", "", "where the public keys of the issuer are"),
    setting("access.jwks_file", "", "file of the same, instead"),
    setting(
        "access.algorithms",
        "[\"ES256\", \"ES384\", \"RS256\", \"RS384\"]",
        "the signatures that are taken, of these four",
    ),
    setting("access.leeway_seconds", "30", "how far the clock of the issuer may differ, at most 120"),
    setting(
        "access.clinic_claim",
        "",
        "the claim that names the clinic of a caller; a token without it is then refused",
    ),
    setting("access.device_claim", "", "the claim that names the device that a caller is, if it is one"),
    setting(
        "access.requests_per_minute",
        "6000",
        "how often each caller may ask in a minute, in each process; 0 for any number",
    ),
    setting(
        "pages.idle_minutes",
        "15",
        "how long a signed-in page may rest before it asks for the token again",
    ),
    setting(
        "pages.unsent",
        "keep",
        "unsent exams stay in the browser, encrypted: keep; or nothing does: forget",
    ),
    setting("log.filter", "info,actix_server=warn", "what is logged, such as info or solewire_service=debug"),
    setting("log.format", "text", "text or json"),
    setting(
        "telemetry.otlp_url",
        "",
        "where traces go (OTLP over HTTP, JSON), such as http://127.0.0.1:4318/v1/traces; without it none are made",
    ),
];
