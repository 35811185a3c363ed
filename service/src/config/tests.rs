use super::*;

const OPEN: &str = "[access]\nmode = \"open\"\n";

fn parse(text: &str) -> Result<Config, ConfigError> {
    Config::parse(text, Path::new("solewire.toml"), [])
}

fn parse_with(text: &str, variables: &[(&str, &str)]) -> Result<Config, ConfigError> {
    let variables = variables.iter().map(|(name, value)| ((*name).to_owned(), (*value).to_owned()));
    Config::parse(text, Path::new("solewire.toml"), variables)
}

#[test]
fn the_defaults_are_loopback_and_embedded() {
    let config = parse(OPEN).unwrap();
    assert_eq!(config.server.listen.to_string(), "127.0.0.1:8080");
    assert_eq!(config.server.operations_listen.to_string(), "127.0.0.1:8081");
    assert!(matches!(config.store.place, StorePlace::Sqlite(path) if path == Path::new("solewire.db")));
    assert!(config.record_system.is_none());
    assert_eq!(config.assessment.guidelines, ["iwgdf-2023"]);
    assert_eq!(config.group_by, GroupBy::Encounter);
    assert_eq!(config.profiles_dir, None);
    let site = parse(&format!("{OPEN}[profiles]\ndir = \"ours\"")).unwrap();
    assert_eq!(site.profiles_dir, Some(PathBuf::from("ours")));
}

#[test]
fn devices_are_listed_in_the_file_or_the_environment() {
    let text = "[devices]\nonly_registered = true\n[[devices.known]]\nid = \"filament-7\"\n\
                identifier = \"https://harbourlane.example/device|HL-DEVICE-07\"\ntests = [\"pulse\"]\nper_day = 400";
    let devices = parse(&format!("{OPEN}{text}")).unwrap().devices;
    assert!(devices.only_registered);
    let device = devices.find("https://harbourlane.example/device|HL-DEVICE-07").unwrap();
    assert_eq!((device.id.as_str(), device.per_day, device.tests.len()), ("filament-7", Some(400), 1));
    assert_eq!(device.clock_tolerance.as_secs(), 600);
    assert!(devices.find("https://harbourlane.example/device|HL-DEVICE-08").is_none());
    let listed = "[{ id = \"filament-8\", identifier = \"Device/8\", clock_tolerance_seconds = 0 }]";
    let config = parse_with(OPEN, &[("SOLEWIRE_DEVICES__KNOWN", listed)]).unwrap();
    assert!(config.devices.find("Device/8").unwrap().clock_tolerance.is_zero());
    assert_eq!((config.devices.only_registered, config.quiet), (false, None));
    let quiet = parse(&format!("{OPEN}[exam]\nquiet_minutes = 30")).unwrap().quiet;
    assert_eq!(quiet, Some(Duration::from_secs(1800)));
    assert_eq!(config.store.keep_delivered, None);
    let kept = parse(&format!("{OPEN}[store]\nkeep_delivered_days = 30")).unwrap().store.keep_delivered;
    assert_eq!(kept, Some(Duration::from_secs(30 * 86_400)));
}

#[test]
fn a_calendar_can_name_where_people_work() {
    let calendar =
        |text: &str| parse(&format!("{OPEN}[assessment]\ncalendar = {text}")).unwrap().assessment.calendar;
    let dublin = calendar("{ time_zone = \"Europe/Dublin\", holidays = [\"2026-12-25\"] }");
    assert_eq!(dublin.time_zone.as_ref().and_then(|zone| zone.iana_name()), Some("Europe/Dublin"));
    assert_eq!((dublin.holidays.len(), dublin.weekend.len()), (1, 2));
    assert_eq!(calendar("{ weekend = [\"friday\"] }").time_zone, None);
}

#[test]
fn every_mistake_names_its_place_and_its_mend() {
    let hash = "a".repeat(64);
    let table: &[(String, &[&str])] = &[
        (
            "[server]\nlistn = \"x\"".into(),
            &["solewire.toml", "`server.listn`", "nearest known key is `server.listen`"],
        ),
        ("[colour]\nfoo = 1".into(), &["`colour.foo`", "known keys are server.listen"]),
        ("listen = \"x\"".into(), &["`listen`", "write it as `server.listen`"]),
        ("[server\n".into(), &["line 1 is not valid TOML"]),
        (format!("{OPEN}[server]\nlisten = 8080"), &["`server.listen`", "a whole number", "double quotes"]),
        (format!("{OPEN}[server]\nlisten = \"localhost\""), &["`server.listen`", "HOST:PORT"]),
        (
            format!("{OPEN}[server]\nlisten = \"127.0.0.1:8081\""),
            &["`server.operations_listen`", "different ports"],
        ),
        (
            format!("{OPEN}[server]\nlisten = \"0.0.0.0:80\""),
            &["`access.mode`", "`server.listen` is 0.0.0.0:80", "tokens"],
        ),
        (format!("{OPEN}[pages]\nidle_minutes = 0"), &["`pages.idle_minutes`", "from 1 to 480"]),
        (
            format!("{OPEN}[store]\nkeep_delivered_days = 0"),
            &["`store.keep_delivered_days`", "is 0", "1 to 3650"],
        ),
        (
            format!("{OPEN}[store]\nkeep_delivered_days = 3651"),
            &["`store.keep_delivered_days`", "is 3651", "for good"],
        ),
        (format!("{OPEN}[exam]\nquiet_minutes = 0"), &["`exam.quiet_minutes`", "is 0", "1 to 10080"]),
        (format!("{OPEN}[devices]\nknown = \"x\""), &["`devices.known`", "not a list", "[[devices.known]]"]),
        (format!("{OPEN}[[devices.known]]\nid = \"a\""), &["`devices.known`", "without `identifier`"]),
        (
            format!("{OPEN}[[devices.known]]\nid = \"a b\"\nidentifier = \"s|1\""),
            &["`devices.known`", "\"a b\"", "letters, digits"],
        ),
        (
            format!(
                "{OPEN}[[devices.known]]\nid = \"a\"\nidentifier = \"s|1\"\ntests = [\"monofilament-10\"]"
            ),
            &[
                "`devices.known`",
                "\"monofilament-10\", which is no test",
                "did you mean \"monofilament-10g\"?",
            ],
        ),
        (
            format!("{OPEN}[[devices.known]]\nid = \"a\"\nidentifier = \"s|1\"\nper_day = 0"),
            &["`devices.known`", "no number as `per_day`", "1 or more"],
        ),
        (
            format!("{OPEN}[[devices.known]]\nid = \"a\"\nidentifier = \"s|1\"\nquota = 5"),
            &["`devices.known`", "`quota`, which is no part of a device"],
        ),
        (
            format!(
                "{OPEN}[[devices.known]]\nid = \"a\"\nidentifier = \"s|1\"\n[[devices.known]]\nid = \"b\"\nidentifier = \"s|1\""
            ),
            &["`devices.known`", "\"a\" and \"b\"", "of its own"],
        ),
        (format!("{OPEN}[pages]\nunsent = \"burn\""), &["`pages.unsent`", "\"keep\" or \"forget\""]),
        ("[access]\nmode = \"closed\"".into(), &["`access.mode`", "\"tokens\" or \"open\""]),
        ("[access]\ntokens = [\"secret\"]".into(), &["`access.tokens`", "not a SHA-256"]),
        (format!("[access]\ntokens = [\"{hash} write\"]"), &["\"write\"", "submit, read or operate"]),
        (format!("{OPEN}[store]\nurl = \"file.db\""), &["`store.url`", "sqlite:PATH", "postgres://USER"]),
        (format!("{OPEN}[store]\nreserve_mib = -1"), &["`store.reserve_mib`", "not a whole number"]),
        (format!("{OPEN}[store]\nhigh_water = \"9\""), &["`store.high_water`", "without quotes"]),
        (format!("{OPEN}[store]\nurl = \"postgres://h\""), &["`store.url`", "names no database"]),
        (
            format!("{OPEN}[store]\nurl = \"postgres://h/d?ssl=on\""),
            &["`store.url`", "parameter \"ssl\"", "sslmode"],
        ),
        (
            format!("{OPEN}[store]\nurl = \"postgres://h/d\"\npassword = \"p\""),
            &["`store.password`", "stands in the configuration file", "SOLEWIRE_STORE__PASSWORD"],
        ),
        (
            format!("{OPEN}[assessment]\nguideline = \"iwgdf-2003\""),
            &["`assessment.guideline`", "did you mean \"iwgdf-2023\""],
        ),
        (
            format!("{OPEN}[assessment]\nmonofilament = {{ felt_below = 0 }}"),
            &["`assessment.monofilament`", "1 to 20"],
        ),
        (
            format!("{OPEN}[assessment]\ncalendar = {{ weekend = [\"funday\"] }}"),
            &["`assessment.calendar`", "funday"],
        ),
        (
            format!("{OPEN}[assessment]\ncalendar = {{ time_zone = \"Harbour/Lane\" }}"),
            &["`assessment.calendar`", "Harbour/Lane", "IANA", "Europe/Dublin"],
        ),
        (format!("{OPEN}[assessment]\ncalendar = {{ time_zone = 1 }}"), &["which is no time zone"]),
        (
            format!("{OPEN}[exam]\ngroup_by = \"day\""),
            &["`exam.group_by`", "\"encounter\" or \"subject-and-day\""],
        ),
        (format!("{OPEN}[profiles]\ndir = \" \""), &["`profiles.dir`", "remove the key"]),
        (
            format!("{OPEN}[record_system]\nwrite = \"transaction\""),
            &["`record_system.write`", "base address"],
        ),
        (
            format!("{OPEN}[record_system]\nbase_url = \"ftp://x\""),
            &["`record_system.base_url`", "http or https"],
        ),
        (format!("{OPEN}[record_system]\nbase_url = \"https://u:p@x/fhir\""), &["credentials"]),
        (
            format!("{OPEN}[record_system]\nbase_url = \"https://x/fhir\"\nauth = \"bearer\""),
            &["`record_system.auth`", "SOLEWIRE_RECORD_SYSTEM__TOKEN"],
        ),
        (
            format!("{OPEN}[record_system]\nbase_url = \"https://x/fhir\"\nauth = \"bearer\"\ntoken = \"t\""),
            &["`record_system.token`", "stands in the configuration file"],
        ),
        (format!("{OPEN}[record_system]\nwrite = \"create\""), &["`record_system.write`", "base address"]),
        (
            format!("{OPEN}[record_system]\nbase_url = \"http://records.example/fhir\""),
            &["`record_system.base_url`", "readable", "`record_system.allow_plaintext`"],
        ),
        (
            format!("{OPEN}[record_system]\nbase_url = \"https://x/fhir\"\nverify = \"yes\""),
            &["`record_system.verify`", "true or false"],
        ),
        (
            format!("{OPEN}[record_system]\nbase_url = \"https://x/fhir\"\nmax_entries = 4"),
            &["`record_system.max_entries`", "up to 5 entries", "\"create\""],
        ),
        (
            format!("{OPEN}[record_system]\nbase_url = \"https://x/fhir\"\nauth = \"smart\""),
            &["`record_system.auth`", "`record_system.client_id`"],
        ),
        (
            format!(
                "{OPEN}[record_system]\nbase_url = \"https://x/fhir\"\nauth = \"smart\"\nclient_id = \"c\"\n\
                 token_url = \"http://x/token\""
            ),
            &["`record_system.token_url`", "https"],
        ),
        (
            format!("{OPEN}[record_system]\nbase_url = \"https://x/fhir\"\nca_file = \"no-such-file.pem\""),
            &["`record_system.ca_file`", "no-such-file.pem"],
        ),
        (
            format!("{OPEN}[record_system]\nbase_url = \"https://x/fhir\"\nclient_key_file = \"key.pem\""),
            &["`record_system.client_key_file`", "`record_system.client_certificate_file`"],
        ),
    ];
    for (text, parts) in table {
        let message = parse(text).unwrap_err().to_string();
        for part in *parts {
            assert!(message.contains(part), "{text:?} gives {message:?}, without {part:?}");
        }
        assert!(!message.contains('\n'), "{message:?}");
    }
}

#[test]
fn secrets_come_from_the_environment_and_do_not_print() {
    let text =
        format!("{OPEN}[record_system]\nbase_url = \"https://records.example/fhir/\"\nauth = \"bearer\"");
    let config = parse_with(&text, &[("SOLEWIRE_RECORD_SYSTEM__TOKEN", "tell-nobody")]).unwrap();
    assert!(!format!("{config:?}").contains("tell-nobody"));
    assert_eq!(config.record_system.unwrap().base_url.as_str(), "https://records.example/fhir");
}

#[test]
fn a_password_in_the_address_of_the_store_is_refused_and_not_repeated() {
    for url in
        ["postgres://u:tell-nobody@h/d", "postgres://u@h/d?password=tell-nobody", "pg://u:tell-nobody@h/d"]
    {
        for message in [
            parse(&format!("{OPEN}[store]\nurl = \"{url}\"")).unwrap_err().to_string(),
            parse_with(OPEN, &[("SOLEWIRE_STORE__URL", url)]).unwrap_err().to_string(),
        ] {
            assert!(message.contains("`store.url`") && !message.contains("tell-nobody"), "{message}");
        }
    }
    let text = format!("{OPEN}[store]\nurl = \"postgres://u@h/d\"");
    let config = parse_with(&text, &[("SOLEWIRE_STORE__PASSWORD", "tell-nobody")]).unwrap();
    assert!(!format!("{config:?}").contains("tell-nobody"));
}

#[test]
fn a_store_off_this_machine_must_prove_who_it_is() {
    for (url, expected) in [
        ("postgres://u@db.harbourlane.example/d", true),
        ("postgres://u@db.harbourlane.example/d?sslmode=require", false),
        ("postgres://u@192.0.2.7/d", true),
        ("postgres://u@127.0.0.1/d", false),
        ("postgres://u@localhost/d", false),
        ("postgres://u@[::1]:5433/d", false),
        ("postgres://u@%2Frun%2Fpostgresql/d", false),
        ("postgres://u@localhost/d?host=/run/postgresql", false),
        ("postgres://u@localhost/d?host=db.harbourlane.example", true),
    ] {
        let config = parse(&format!("{OPEN}[store]\nurl = \"{url}\"")).unwrap();
        let StorePlace::Postgres(server) = config.store.place else { panic!("{url} is a server") };
        assert_eq!(server.must_verify, expected, "{url}");
    }
}

#[test]
fn the_environment_goes_before_the_file() {
    let text = format!("{OPEN}[server]\nlisten = \"127.0.0.1:1\"");
    let config = parse_with(
        &text,
        &[
            ("SOLEWIRE_SERVER__LISTEN", "127.0.0.1:2"),
            ("SOLEWIRE_ASSESSMENT__ALSO", "podus-2021, nice-ng19"),
            ("SOLEWIRE_ASSESSMENT__MONOFILAMENT", "{ felt_below = 8 }"),
            ("HOME", "/"),
        ],
    )
    .unwrap();
    assert_eq!(config.server.listen.port(), 2);
    assert_eq!(config.assessment.guidelines, ["iwgdf-2023", "podus-2021", "nice-ng19"]);
    assert_eq!(
        config.assessment.monofilament,
        solewire_profiles::findings::MonofilamentCriterion::FeltBelow(8)
    );
}

#[test]
fn a_variable_that_is_no_setting_is_an_error() {
    for (name, part) in [
        ("SOLEWIRE_SERVER__LISTN", "nearest known key is `server.listen`"),
        ("SOLEWIRE_SERVER_LISTEN", "call it SOLEWIRE_SERVER__LISTEN"),
    ] {
        let message = parse_with(OPEN, &[(name, "127.0.0.1:1")]).unwrap_err().to_string();
        assert!(message.contains(name) && message.contains(part), "{message}");
    }
}

#[test]
fn a_missing_file_is_named() {
    let message = Config::load(Path::new("no-such-folder/solewire.toml")).unwrap_err().to_string();
    assert!(message.contains("no-such-folder/solewire.toml") && message.contains("--config"), "{message}");
}

#[test]
fn plain_http_stays_on_this_machine_unless_told_otherwise() {
    for (url, more) in [
        ("http://127.0.0.1:9/fhir", ""),
        ("http://[::1]:9/fhir", ""),
        ("http://localhost/fhir", ""),
        ("http://records.example/fhir", "allow_plaintext = true"),
        ("https://records.example/fhir", ""),
    ] {
        let text = format!("{OPEN}[record_system]\nbase_url = \"{url}\"\n{more}");
        assert!(parse(&text).is_ok(), "{url}");
    }
}

/// Each site of each test on both feet, every other test of both feet or of the person.
#[test]
fn the_largest_exam_is_counted_from_the_codes() {
    let table = include_str!("../../../profiles/local/exam-codes.csv");
    let mut results = 0;
    for line in table.lines() {
        // A list of several stands in quotes.
        let (before, list) = line.split_once('"').map_or((line, ""), |(before, rest)| (before, rest));
        let fields: Vec<&str> = before.split(',').collect();
        let list = list.split('"').next().unwrap();
        match fields.as_slice() {
            ["foot-site", _, _, "site", ""] => results += 2 * list.split(", ").count(),
            ["foot-site", _, _, "site", ..] => results += 2,
            ["foot-test", _, _, "test", "person", ..] => results += 1,
            ["foot-test", _, _, "test", ..] => results += 2,
            _ => {}
        }
    }
    assert_eq!(record_system::MOST_RESULTS, results);
}
