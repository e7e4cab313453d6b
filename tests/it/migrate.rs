//! Stores as earlier schemas wrote them, opened by this one. The fixture of schema 1 was written by the program of then:
//! three units with ten days of ten-minute readings, of which the last day of each is in the journal only. Those of the
//! later schemas are the same, brought up to date by the programs of then.

use std::fs;
use std::path::Path;
use std::process::Command;

use fadeline::domain::time::{DAY, HOUR, MINUTE};
use fadeline::domain::{Channel, Reading, ServiceAction, Timestamp, UnitId};
use fadeline::store::{SCHEMA, Store, StoreError, settings::StoreSettings};

const START: i64 = 1_760_000_000_000;

fn settings(dir: &Path) -> StoreSettings {
    StoreSettings { path: dir.join("store"), cache_bytes: 8 << 20 }
}

/// The schemas there are fixtures of: all earlier ones.
const EARLIER: std::ops::Range<u32> = 1..SCHEMA;
/// Those whose database is changed.
const CHANGED: std::ops::Range<u32> = 1..3;

fn unpacked(schema: u32) -> tempfile::TempDir {
    let dir = tempfile::tempdir().unwrap();
    let fixture = Path::new(env!("CARGO_MANIFEST_DIR")).join(format!("fixtures/store/schema-{schema}.tar.gz"));
    let done = Command::new("tar").arg("-xzf").arg(fixture).arg("-C").arg(dir.path()).status().unwrap();
    assert!(done.success());
    dir
}

fn id(unit: i64) -> UnitId {
    UnitId::new("heron-bight", &format!("unit-{unit}")).unwrap()
}

/// What the fixture's writer stored, by the formula it used.
fn expected(unit: i64) -> Vec<Reading> {
    let row = |i: i64| {
        let mut reading = Reading::new(Timestamp::from_millis(START + i * 10 * MINUTE))
            .with(Channel::Intensity, (2_200 - i + 37 * (i % 11) + unit * 100) as f64 / 100.0);
        if unit > 0 {
            reading.set(Channel::WaterTemperature, (80 + i % 13) as f64 / 10.0);
        }
        if unit > 1 {
            reading.set(Channel::Flow, (i % 7) as f64 / 3.0);
        }
        reading
    };
    (0..10 * 144).map(row).collect()
}

fn everything_is_there(store: &Store) {
    for unit in 0..3 {
        let id = id(unit);
        assert_eq!(store.readings(&id, Timestamp::MIN, Timestamp::MAX).unwrap(), expected(unit), "{id}");
        // One channel alone: the blocks' other columns, of whatever version, are passed over.
        let flow = store.columns(&id, (Timestamp::MIN, Timestamp::MAX), &[Channel::Flow]).unwrap();
        assert_eq!((flow.len(), flow.values(Channel::Intensity).len()), (10 * 144, 0));
        let rows = expected(unit);
        let wanted = rows.iter().filter_map(|row| Some((row.at, row.get(Channel::Flow)?)));
        assert!(flow.points(Channel::Flow).eq(wanted), "{id}");
        let log = store.logbook(&id).unwrap();
        assert_eq!((log.len(), log[0].action), (1, ServiceAction::SleeveCleaned));
        assert_eq!(log[0].note.as_deref(), Some(format!("entry of unit {unit}").as_str()));
        let days = store.days(&id, None, None).unwrap();
        assert_eq!((days.len(), days[0].lowest, days[4].lowest), (5, Some(20.5), Some(24.5)));
        assert_eq!(store.dirty_of(&id).days.len(), 6);
    }
    assert!(store.assessment(&id(0)).unwrap().is_some());
    assert_eq!((store.outbox().unwrap().len(), store.quarantined().unwrap().len()), (1, 1));
    assert_eq!(store.kept("alerts").unwrap().as_deref(), Some(b"{}".as_slice()));
    assert!(store.verify(|_| ()).unwrap().is_sound());
}

fn copy_of(dir: &Path) -> std::path::PathBuf {
    dir.join(format!("store/before-schema-{SCHEMA}"))
}

#[test]
fn a_store_of_an_earlier_schema_is_brought_up_to_date() {
    EARLIER.for_each(|schema| is_brought_up_to_date(unpacked(schema), schema));
}

fn is_brought_up_to_date(dir: tempfile::TempDir, schema: u32) {
    let epoch = || fs::read_to_string(dir.path().join("store/epoch")).unwrap();
    assert!(epoch().contains(&format!("\"schema\":{schema}")), "{}", epoch());
    for _ in 0..2 {
        let store = Store::open(&settings(dir.path())).unwrap();
        everything_is_there(&store);
        // The hours of sealed days are there; those of the rest come with their roll-ups.
        let hours = store.hours(&id(1), Timestamp::MIN, Timestamp::MAX).unwrap();
        let first = START.div_euclid(HOUR) * HOUR;
        assert_eq!(hours[0].at, Timestamp::from_millis(first));
        let of_hour: Vec<f64> = expected(1)
            .iter()
            .filter(|row| row.at.as_millis() < first + HOUR)
            .filter_map(|row| row.get(Channel::Intensity))
            .collect();
        let made = hours[0].get(Channel::Intensity).unwrap();
        assert_eq!(made.count as usize, of_hour.len());
        assert_eq!(made.least, of_hour.iter().copied().fold(f64::INFINITY, f64::min));
        assert!(hours.len() as i64 >= 7 * DAY / HOUR, "{}", hours.len());
        assert!(epoch().contains(&format!("\"schema\":{SCHEMA}")), "{}", epoch());
        let names: Vec<_> = fs::read_dir(dir.path().join("store")).unwrap().map(|e| e.unwrap().file_name()).collect();
        assert!(!names.iter().any(|name| name.to_string_lossy().starts_with("before-")), "{names:?}");
    }
}

#[test]
fn a_migration_cut_short_goes_on() {
    for schema in CHANGED {
        let dir = unpacked(schema);
        // Killed while the copy was made, while the journal was, and while the copy was removed afterwards.
        let (copy, journal) = (copy_of(dir.path()), dir.path().join("store/journal"));
        fs::create_dir(copy.with_extension("part")).unwrap();
        fs::write(copy.with_extension("part").join("half"), "x").unwrap();
        fs::create_dir(&journal).unwrap();
        fs::write(journal.join("0000000000000001"), "x").unwrap();
        everything_is_there(&Store::open(&settings(dir.path())).unwrap());
        fs::create_dir(&copy).unwrap();
        everything_is_there(&Store::open(&settings(dir.path())).unwrap());
        assert!(!copy.exists());
    }
}

/// kill -9 as soon as the copy has its name: somewhere in the middle of what comes after it.
#[test]
fn a_migration_that_is_killed_goes_on() {
    CHANGED.for_each(is_killed_and_goes_on);
}

fn is_killed_and_goes_on(schema: u32) {
    let config = super::kill::config(1, 3);
    let killed = (0..20).find_map(|_| {
        let dir = unpacked(schema);
        let file = dir.path().join("fadeline.toml");
        fs::write(&file, &config).unwrap();
        let mut verify = Command::new(env!("CARGO_BIN_EXE_fadeline"));
        let mut child =
            verify.arg("verify").arg("--config").arg(&file).stdout(std::process::Stdio::null()).spawn().unwrap();
        while !copy_of(dir.path()).exists() && child.try_wait().unwrap().is_none() {
            std::thread::yield_now();
        }
        child.kill().unwrap();
        child.wait().unwrap();
        let epoch = fs::read_to_string(dir.path().join("store/epoch")).unwrap();
        epoch.contains(&format!("\"schema\":{schema}")).then_some(dir)
    });
    let dir = killed.expect("a migration that was killed before its end");
    // The lock of a process that was killed can outlive it by a moment.
    everything_is_there(&super::kill::open(&dir.path().join("store")));
    assert!(!copy_of(dir.path()).exists());
}

#[test]
fn a_newer_schema_is_refused_and_left_alone() {
    let dir = unpacked(1);
    let path = dir.path().join("store/epoch");
    let newer = fs::read_to_string(&path).unwrap().replace("\"schema\":1", "\"schema\":99");
    fs::write(&path, &newer).unwrap();
    let refused = Store::open(&settings(dir.path())).unwrap_err();
    assert!(matches!(refused, StoreError::NewerSchema { found: 99, .. }), "{refused}");
    let config = dir.path().join("fadeline.toml");
    fs::write(&config, super::kill::config(1, 3)).unwrap();
    let done = Command::new(env!("CARGO_BIN_EXE_fadeline")).arg("watch").arg("--config").arg(&config).output().unwrap();
    assert_eq!(done.status.code(), Some(74), "{}", String::from_utf8_lossy(&done.stderr));
    assert!(String::from_utf8_lossy(&done.stderr).contains("schema 99"));
    assert_eq!(fs::read_to_string(&path).unwrap(), newer);
}
