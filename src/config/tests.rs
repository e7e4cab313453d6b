//! The config from outside: shipped files, good and bad ones, secrets.

use std::collections::BTreeMap;
use std::io;
use std::path::{Path, PathBuf};

use super::*;
use crate::domain::Timestamp;

/// The real files, a given environment and a given time.
struct Fake {
    variables: BTreeMap<&'static str, &'static str>,
    files: BTreeMap<PathBuf, &'static str>,
}

impl Fake {
    fn new() -> Self {
        let variables = BTreeMap::from([("FADELINE_TEST_PASSWORD", "correct horse"), ("FADELINE_TEST_EMPTY", "")]);
        Self { variables, files: BTreeMap::new() }
    }
}

impl Environment for Fake {
    fn variable(&self, name: &str) -> Option<String> {
        self.variables.get(name).map(|value| (*value).to_owned())
    }

    fn read(&self, path: &Path) -> io::Result<String> {
        self.files.get(path).map_or_else(|| Machine.read(path), |text| Ok((*text).to_owned()))
    }

    fn open_to_all(&self, path: &Path) -> bool {
        path.ends_with("open.password")
    }

    fn list(&self, directory: &Path) -> io::Result<Vec<String>> {
        Machine.list(directory)
    }

    fn now(&self) -> Timestamp {
        "2026-08-14T06:00:00Z".parse().unwrap()
    }
}

fn root(path: &str) -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join(path)
}

fn read_file(path: &Path) -> Result<Loaded, Mistakes> {
    read(&std::fs::read_to_string(path).unwrap(), path, &Fake::new())
}

fn toml_files(directory: &str) -> Vec<PathBuf> {
    let mut files: Vec<_> = std::fs::read_dir(root(directory))
        .unwrap()
        .map(|entry| entry.unwrap().path())
        .filter(|path| path.extension().is_some_and(|end| end == "toml"))
        .collect();
    files.sort();
    files
}

/// A line of an `.expect` file: `12: substring` or `file.toml:12: substring`; 0 for the file as a whole.
fn fits(expected: &str, file: &Path, found: &Mistake) -> bool {
    let (place, part) = expected.split_once(": ").unwrap();
    let (name, line) = place.rsplit_once(':').unwrap_or((file.to_str().unwrap(), place));
    found.file.ends_with(name) && found.line == line.parse::<usize>().unwrap() && found.to_string().contains(part)
}

/// Every expected line is found, and nothing else.
fn agree(path: &Path, found: &[Mistake], expected: &str) -> Result<(), String> {
    let expected: Vec<&str> = expected.lines().filter(|line| !line.is_empty()).collect();
    let missing: Vec<_> = expected.iter().filter(|line| !found.iter().any(|m| fits(line, path, m))).collect();
    let surplus: Vec<_> = found.iter().filter(|m| !expected.iter().any(|line| fits(line, path, m))).collect();
    if missing.is_empty() && surplus.is_empty() {
        return Ok(());
    }
    let surplus: Vec<_> = surplus.iter().map(ToString::to_string).collect();
    Err(format!("{}:\n  missing {missing:#?}\n  surplus {surplus:#?}", path.display()))
}

#[test]
fn every_bad_config_gives_all_its_mistakes() {
    let files = toml_files("fixtures/config/bad");
    assert!(files.len() >= 25, "{}", files.len());
    let mut wrong = Vec::new();
    for path in files {
        let expected = std::fs::read_to_string(path.with_extension("expect")).unwrap();
        let text = std::fs::read_to_string(&path).unwrap();
        let is_unit = path.file_name().unwrap().to_str().unwrap().starts_with("unit-file");
        let mistakes = if is_unit {
            read_unit(&text, &path, &Fake::new()).map(|_| ()).unwrap_err()
        } else {
            read(&text, &path, &Fake::new()).map(|_| ()).unwrap_err()
        };
        wrong.extend(agree(&path, &mistakes.0, &expected).err());
        for mistake in &mistakes.0 {
            assert!(!mistake.to_string().contains("hunter2"), "a password is shown: {mistake}");
            assert!(!mistake.says.is_empty() && !mistake.remedy.is_empty(), "{mistake:?}");
        }
    }
    assert!(wrong.is_empty(), "{}", wrong.join("\n"));
}

/// Good configs load; those with a `.expect` beside them give just these warnings, the others none.
#[test]
fn every_good_config_loads_with_its_warnings() {
    let mut wrong = Vec::new();
    for path in toml_files("fixtures/config/good") {
        let expected = std::fs::read_to_string(path.with_extension("expect")).unwrap_or_default();
        match read_file(&path) {
            Ok(loaded) => wrong.extend(agree(&path, &loaded.warnings, &expected).err()),
            Err(mistakes) => wrong.push(mistakes.to_string()),
        }
    }
    assert!(wrong.is_empty(), "{}", wrong.join("\n"));
}

#[test]
fn every_shipped_config_is_good_without_warnings() {
    let files = toml_files("config");
    assert!(files.len() >= 3);
    for path in files {
        let loaded = load(&path).unwrap_or_else(|mistakes| panic!("{mistakes}"));
        assert_eq!(loaded.warnings, [], "{}", path.display());
    }
}

/// The example with every setting that is off switched on: `#key = ...` and `#[table]`, by its own convention.
#[test]
fn the_example_has_every_key_and_each_is_of_its_type() {
    let example = std::fs::read_to_string(root("config/example.toml")).unwrap();
    let on: Vec<&str> = example
        .lines()
        .map(|line| match line.strip_prefix('#') {
            Some(rest) if rest.starts_with(|c: char| c == '[' || c.is_ascii_lowercase()) => rest,
            _ => line,
        })
        .collect();
    let on = on.join("\n");
    let mut findings = mistake::Findings::default();
    let file = findings.add_file(Path::new("example.toml"), &on);
    let parsed: Option<raw::File> = table::parse(&on, file, &mut findings);
    let (mistakes, _) = findings.finish();
    assert!(parsed.is_some() && mistakes.is_empty(), "{}", Mistakes(mistakes));

    let mut written = std::collections::BTreeSet::new();
    collect("", toml::de::DeTable::parse(&on).unwrap().get_ref(), &mut written);
    let mut missing = Vec::new();
    <raw::File as table::Read>::keys("", &mut |key| {
        // A unit's own zone exists only in a unit file.
        if !written.contains(key) && key != "unit.zone" {
            missing.push(key.to_owned());
        }
    });
    assert_eq!(missing, Vec::<String>::new(), "keys the example does not explain");
}

fn collect(path: &str, table: &toml::de::DeTable<'_>, keys: &mut std::collections::BTreeSet<String>) {
    for (key, value) in table {
        let path = table::join(path, key.get_ref());
        keys.insert(path.clone());
        match value.get_ref() {
            toml::de::DeValue::Table(inner) => collect(&path, inner, keys),
            toml::de::DeValue::Array(items) => {
                for item in items {
                    if let toml::de::DeValue::Table(inner) = item.get_ref() {
                        collect(&path, inner, keys);
                    }
                }
            }
            _ => {}
        }
    }
}

fn good(name: &str) -> Config {
    read_file(&root("fixtures/config/good").join(name)).unwrap_or_else(|mistakes| panic!("{mistakes}")).config
}

fn at(text: &str) -> Option<Timestamp> {
    Some(text.parse().unwrap())
}

#[test]
fn a_minimal_config_has_the_documented_defaults() {
    let config = good("minimal.toml");
    let Broker::Remote(broker) = &config.broker else { panic!("{:?}", config.broker) };
    assert_eq!((broker.host.as_str(), broker.port), ("localhost", 1883));
    assert_eq!(broker.client_id, "fadeline");
    assert_eq!(broker.session_expiry, Duration::from_secs(7 * 24 * 3_600));
    assert_eq!((broker.keep_alive, broker.max_packet), (Duration::from_secs(30), 16 << 20));
    assert_eq!((&broker.tls, &broker.login), (&None, &None));
    assert_eq!(config.sources, [Source::contract("fadeline")]);
    assert_eq!(config.store.path, Path::new("/var/lib/fadeline"));
    assert_eq!(config.store.cache_bytes, 64 << 20);
    assert_eq!(config.keep, Keep::default());
    assert_eq!(config.socket, Path::new("/var/lib/fadeline/fadeline.sock"));
    assert_eq!((config.lead_days, config.grace), (14, Duration::from_secs(20)));
    assert_eq!(config.log, LogSettings { filter: "info".into(), json: false });
}

#[test]
fn tls_and_login_are_read_and_never_shown() {
    let config = good("tls.toml");
    let Broker::Remote(broker) = &config.broker else { panic!("{:?}", config.broker) };
    assert_eq!(broker.port, 8883);
    let tls = broker.tls.as_ref().unwrap();
    assert!(tls.ca_file.as_ref().is_some_and(|file| file.exists()));
    assert!(tls.client.as_ref().is_some_and(|(chain, key)| chain.exists() && key.exists()));
    assert_eq!(broker.login.as_ref().unwrap().password.reveal(), "correct horse");
    assert!(!format!("{config:?}").contains("correct horse"));
    assert_eq!((broker.keep_alive, broker.max_packet), (Duration::from_secs(90), 256 << 10));
}

#[test]
fn how_long_what_is_kept_and_every_mistake_about_it() {
    use crate::domain::Channel;
    let text = |keep: &str| {
        format!(
            "[broker]\nurl = \"mqtt://localhost\"\n[store]\npath = \"/var/lib/fadeline\"\n{keep}\n\
             [[unit]]\nsite = \"a\"\nunit = \"b\"\nset_point.intensity = 14\nreference.intensity = 24\n"
        )
    };
    let good = "keep_raw = \"1 year\"\nkeep_days = \"for ever\"\n[[store.keep]]\nchannel = \"flow\"\nraw = \"90 days\"";
    let keep = read(&text(good), "fadeline.toml", &Fake::new()).unwrap().config.keep;
    let of = |channel: Channel| (keep.raw[channel as usize], keep.hours[channel as usize], keep.days[channel as usize]);
    assert_eq!(of(Channel::Intensity), (Some(366), None, None));
    assert_eq!(of(Channel::Flow), (Some(90), None, None));
    let bad = "keep_raw = \"1 day\"\nkeep_hours = \"a while\"\n[[store.keep]]\nchannel = \"flw\"\n\
               [[store.keep]]\nchannel = \"flow\"\n[[store.keep]]\nchannel = \"flow\"\n[[store.keep]]\nraw = \"9 days\"";
    let says = read(&text(bad), "fadeline.toml", &Fake::new()).unwrap_err().to_string();
    for part in [
        "at least \"7 days\"",
        "not a time to keep data",
        "did you mean `flow`?",
        "a second table",
        "channel is missing",
    ] {
        assert!(says.contains(part), "{part}: {says}");
    }
}

#[test]
fn included_files_bring_their_sites_units_and_sources() {
    let config = good("fleet.toml");
    let ids: Vec<_> = config.units.iter().map(|unit| unit.id.as_str()).collect();
    assert_eq!(ids, ["heron-bight/boathouse", "upper-meadow/dock"]);
    assert_eq!(config.sites.len(), 2);
    // Zurich by its own site, Vienna by the top of the file; both were two hours ahead of UTC on that day.
    assert_eq!(config.units[0].zone.iana_name(), Some("Europe/Zurich"));
    assert_eq!(config.units[1].zone.iana_name(), Some("Europe/Vienna"));
    assert_eq!(config.units[0].lamp.installed, at("2025-04-30T22:00:00Z"));
    assert_eq!(config.units[1].lamp.installed, at("2025-05-01T06:00:00Z"));
    assert_eq!(config.sources[0].filter, "boathouse/uv");
}

#[test]
fn intensities_are_kept_in_mw_cm2_or_percent() {
    // 10 W/m2 = 1000 uW/cm2 = 1 mW/cm2 by the definition of the prefixes.
    for (unit, written, inside) in [
        ("mW/cm2", "14.0", 14.0),
        ("W/m2", "140", 14.0),
        ("uW/cm2", "14_000", 14.0),
        ("µW/cm²", "14000.0", 14.0),
        ("percent", "60", 60.0),
    ] {
        let text = format!(
            "site = \"a\"\nunit = \"b\"\nset_point.intensity = {written}\nreference.intensity = {written}.5\n\
             sensor.unit = \"{unit}\"\n"
        )
        .replace(".0.5", ".5");
        let (spec, _) = read_unit(&text, "unit.toml", &Fake::new()).unwrap_or_else(|mistakes| panic!("{mistakes}"));
        assert!((spec.set_point - inside).abs() < 1e-9, "{unit} {}", spec.set_point);
        assert!(spec.reference.unwrap() > spec.set_point);
        assert_eq!(spec.sensor.unit == crate::domain::IntensityUnit::Percent, unit == "percent");
    }
}

#[test]
fn the_contracts_unit_file_is_read() {
    let text = "site = \"heron-bight\"\nunit = \"boathouse\"\nset_point.intensity = 14.0\n";
    let (spec, warnings) = unit_file(text, "boathouse.toml").unwrap();
    assert_eq!(spec, UnitSpec::new("heron-bight/boathouse".parse().unwrap(), 14.0));
    assert_eq!(warnings.len(), 1, "only the missing reference: {warnings:?}");
}

#[test]
fn dates_are_in_the_units_zone_however_they_are_written() {
    // Vienna: UTC+1 in winter, UTC+2 in summer (rule of the European Union).
    for (written, instant) in [
        ("2026-01-15", "2026-01-14T23:00:00Z"),
        ("\"2026-01-15\"", "2026-01-14T23:00:00Z"),
        ("2026-07-15", "2026-07-14T22:00:00Z"),
        ("2026-07-15T08:30:00", "2026-07-15T06:30:00Z"),
        ("\"2026-07-15 08:30\"", "2026-07-15T06:30:00Z"),
        ("2026-07-15T08:30:00Z", "2026-07-15T08:30:00Z"),
        ("\"2026-07-15T08:30:00-04:00\"", "2026-07-15T12:30:00Z"),
    ] {
        let text = format!(
            "site = \"a\"\nunit = \"b\"\nzone = \"Europe/Vienna\"\nset_point.intensity = 14.0\nlamp.installed = {written}\n"
        );
        let (spec, _) = read_unit(&text, "unit.toml", &Fake::new()).unwrap_or_else(|mistakes| panic!("{mistakes}"));
        assert_eq!(spec.lamp.installed, at(instant), "{written}");
    }
}

#[test]
fn durations_and_sizes_are_read_as_people_write_them() {
    let line = |line: &str| {
        let text = format!(
            "[broker]\nurl = \"mqtt://localhost\"\n{line}\n[store]\npath = \"d\"\n\
             [[unit]]\nsite = \"a\"\nunit = \"b\"\nset_point.intensity = 14.0\n"
        );
        match read(&text, "f.toml", &Fake::new()).unwrap_or_else(|mistakes| panic!("{mistakes}")).config.broker {
            Broker::Remote(broker) => broker,
            other => panic!("{other:?}"),
        }
    };
    for (text, secs) in [("30 s", 30), ("30s", 30), ("1min 30s", 90), ("2 hours", 7_200), ("PT45S", 45)] {
        assert_eq!(line(&format!("keep_alive = \"{text}\"")).keep_alive, Duration::from_secs(secs), "{text}");
    }
    for (text, days) in [("7 days", 7), ("2 weeks", 14), ("1d", 1)] {
        let expiry = line(&format!("session_expiry = \"{text}\"")).session_expiry;
        assert_eq!(expiry, Duration::from_secs(days * 86_400), "{text}");
    }
    for (text, bytes) in [("65536", 65_536), ("\"64 KiB\"", 65_536), ("\"1 MB\"", 1_000_000), ("\"1MiB\"", 1 << 20)] {
        assert_eq!(line(&format!("max_packet = {text}")).max_packet, bytes, "{text}");
    }
}

/// No text, however broken, makes the reader panic, and a refusal always says something.
#[test]
fn mutated_configs_are_refused_or_read_but_never_crash() {
    use proptest::prelude::*;
    let example = std::fs::read_to_string(root("config/cabins.toml")).unwrap();
    let strategy = (0..example.len(), 0..60_usize, "[\\PC\n=\\[\\]\"#{}.]{0,12}");
    proptest!(ProptestConfig::with_cases(400), |((start, length, insert) in strategy)| {
        let floor = |mut at: usize| { while !example.is_char_boundary(at) { at -= 1 } at };
        let (start, end) = (floor(start), floor((start + length).min(example.len())));
        let text = format!("{}{insert}{}", &example[..start], &example[end.max(start)..]);
        if let Err(mistakes) = read(&text, "cabins.toml", &Fake::new()) {
            prop_assert!(!mistakes.0.is_empty(), "refused without a reason: {}", text);
            prop_assert!(mistakes.0.iter().all(|mistake| !mistake.says.is_empty()));
        }
    });
}

/// A config with this much more, beside which `fleet.csv` lies.
fn with_fleet(more: &str, csv: &'static str) -> Result<Config, Mistakes> {
    let text = format!("zone = \"UTC\"\n{more}\n[broker]\nurl = \"mqtt://localhost\"\n[store]\npath = \"d\"\n");
    let mut fake = Fake::new();
    fake.files.insert(PathBuf::from("fleet.csv"), csv);
    read(&text, "f.toml", &fake).map(|loaded| loaded.config)
}

const PROFILE: &str = "fleet = [\"fleet.csv\"]\n[[profile]]\nid = \"cabin\"\nwater = \"lake\"\n\
                       set_point.intensity = 14.0\nreference.intensity = 24.0\nlamp.rated_hours = 9000\n\
                       sensor.path_cm = 2.5\n[profile.analysis.model]\nleft_behind.mean = 0.08\n";

#[test]
fn units_of_a_csv_take_over_what_their_profile_says_and_they_do_not() {
    let csv = "site,unit,profile,name,set_point,lamp_installed\n\
               a,one,cabin,\"One, by the lake\",,2025-05-01\na,two,cabin,,12.5,\n";
    let config = with_fleet(PROFILE, csv).unwrap_or_else(|mistakes| panic!("{mistakes}"));
    let [one, two] = &config.units[..] else { panic!("{:?}", config.units) };
    assert_eq!((one.set_point, two.set_point), (14.0, 12.5));
    assert_eq!(one.name.as_deref(), Some("One, by the lake"));
    assert_eq!((one.lamp.installed, two.lamp.installed), (at("2025-05-01T00:00:00Z"), None));
    for unit in [one, two] {
        assert_eq!((unit.reference, unit.lamp.rated_hours, unit.sensor.path_cm), (Some(24.0), 9_000.0, Some(2.5)));
        assert_eq!(unit.water, Some(crate::domain::WaterSource::Lake));
        assert_eq!(unit.analysis, [("model.left_behind.mean".to_owned(), 0.08)]);
    }
}

/// A unit's own numbers of the analysis win over those of its profile, one by one.
#[test]
fn a_units_own_numbers_win() {
    let text = format!(
        "{PROFILE}left_behind.sd = 0.05\n[[unit]]\nsite = \"a\"\nunit = \"one\"\nprofile = \"cabin\"\n\
         analysis.model.left_behind.mean = 0.02\nanalysis.forecast.horizon_days = 180\n"
    );
    let config = with_fleet(&text, "site,unit,profile\na,two,cabin\n").unwrap_or_else(|mistakes| panic!("{mistakes}"));
    let one = config.units.iter().find(|unit| unit.id.unit() == "one").unwrap();
    let mut numbers = one.analysis.clone();
    numbers.sort_by(|a, b| a.0.cmp(&b.0));
    let want = [("forecast.horizon_days", 180.0), ("model.left_behind.mean", 0.02), ("model.left_behind.sd", 0.05)];
    assert_eq!(numbers, want.map(|(path, value)| (path.to_owned(), value)));
}

#[test]
fn mistakes_in_a_csv_are_told_with_their_lines() {
    let csv = "site,unit,profile,set_point,colour\na,one,cabin,fourteen,\na,two,cabni,,\na,one,cabin,,\n";
    let mistakes = with_fleet(PROFILE, csv).unwrap_err();
    let lines: Vec<(usize, &str)> = mistakes.0.iter().map(|m| (m.line, m.says.as_str())).collect();
    let has = |line, piece: &str| lines.iter().any(|(at, says)| *at == line && says.contains(piece));
    assert!(has(1, "unknown column `colour`"), "{lines:?}");
    assert!(has(2, "set_point `fourteen` is not a number"), "{lines:?}");
    assert!(has(3, "no [[profile]] has this id"), "{lines:?}");
    assert!(mistakes.0.iter().all(|m| m.file == "fleet.csv"), "{mistakes}");
}

#[test]
fn hundreds_of_units_come_from_one_csv() {
    let mut csv = String::from("site,unit,profile\n");
    for i in 0..500 {
        csv += &format!("s-{},u-{i},cabin\n", i % 50);
    }
    let config = with_fleet(PROFILE, csv.leak()).unwrap_or_else(|mistakes| panic!("{mistakes}"));
    assert_eq!(config.units.len(), 500);
}

#[test]
fn quiet_hours_hubs_and_channels() {
    let more = "[alerts]\nquiet_from = \"22:00\"\nquiet_until = \"07:00\"\n[hub]\ndiscovery = \"device\"\nhomie = true\n\
                [notify]\nheartbeat = \"https://beat.example.org/x\"\n\
                [[notify.push]]\nurl = \"https://push.example.org/topic\"\n\
                [[unit]]\nsite = \"a\"\nunit = \"b\"\nset_point.intensity = 14.0\n";
    let config = with_fleet(more, "").unwrap_or_else(|mistakes| panic!("{mistakes}"));
    assert!(config.quiet.hours.is_some() && config.quiet.digest.is_none());
    assert_eq!(config.hub.discovery.as_ref().map(|d| d.prefix.as_str()), Some("homeassistant"));
    assert_eq!(config.hub.homie.as_deref(), Some("homie"));
    assert_eq!(config.notify.channels.len(), 1);
    assert_eq!(config.notify.heartbeat.as_ref().map(|h| h.endpoint.port), Some(443));
    let bad = "[alerts]\nquiet_from = \"late\"\n[hub]\ndiscovery = \"devise\"\n\
               [[notify.mail]]\nurl = \"smtp://mail.example.org\"\nfrom = \"nobody\"\nto = [\"a@b\"]\n\
               [[notify.webhook]]\nurl = \"ftp://x\"\n[[unit]]\nsite = \"a\"\nunit = \"b\"\nset_point.intensity = 14.0\n";
    let mistakes = with_fleet(bad, "").unwrap_err().to_string();
    for piece in
        ["not a time of day", "did you mean `device`?", "mail in clear text", "not a mail address", "not a web address"]
    {
        assert!(mistakes.contains(piece), "{piece}: {mistakes}");
    }
}
