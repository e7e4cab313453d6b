//! Data out and in with the real command, beside a running daemon and without one.

use std::fs;
use std::os::unix::fs::PermissionsExt;
use std::path::{Path, PathBuf};

use assert_cmd::Command;
use fadeline::domain::time::{DAY, MINUTE};
use fadeline::domain::{Channel, DaySummary, Reading, ServiceAction, ServiceEntry, Timestamp, UnitId};
use fadeline::query::{Answer, Query};
use fadeline::store::{Store, settings::StoreSettings};

use super::daemon::{Daemon, wait_for};

/// Two sites, three units; one reports percent.
pub const UNITS: [&str; 3] = ["heron-bight/boathouse", "heron-bight/loon", "north-arm/bakery"];

/// A folder with a config for these units and a store that is there, but empty.
pub struct Place {
    folder: tempfile::TempDir,
}

impl Place {
    pub fn new() -> Self {
        let place = Self { folder: tempfile::tempdir().unwrap() };
        // Nothing listens there: the broker is not needed here.
        let mut config = "[broker]\nurl = \"mqtt://127.0.0.1:9\"\n[store]\npath = \"store\"\n".to_owned();
        for unit in UNITS {
            let (site, unit) = unit.split_once('/').unwrap();
            config += &format!("[[unit]]\nsite = \"{site}\"\nunit = \"{unit}\"\nset_point.intensity = 14.0\n");
            config += if unit == "bakery" { "sensor.unit = \"percent\"\n" } else { "" };
        }
        fs::write(place.config(), config).unwrap();
        place.store();
        place
    }

    pub fn config(&self) -> PathBuf {
        self.folder.path().join("fadeline.toml")
    }

    pub fn path(&self, name: &str) -> PathBuf {
        self.folder.path().join(name)
    }

    /// Opens the store, once whoever has it lets go of it.
    pub fn store(&self) -> Store {
        let settings = StoreSettings { path: self.path("store"), cache_bytes: 8 << 20 };
        wait_for("the store's lock", || Store::open(&settings).ok())
    }

    /// Runs a command with this place's config; its exit code, standard output and standard error.
    pub fn run(&self, arguments: &[&str]) -> (i32, String, String) {
        let output = Command::cargo_bin("fadeline")
            .unwrap()
            .args(arguments)
            .current_dir(self.folder.path())
            .env("FADELINE_CONFIG", self.config())
            .env_remove("NO_COLOR")
            .output()
            .unwrap();
        let text = |bytes: &[u8]| String::from_utf8_lossy(bytes).into_owned();
        (output.status.code().unwrap(), text(&output.stdout), text(&output.stderr))
    }

    #[track_caller]
    pub fn done(&self, arguments: &[&str]) -> String {
        let (code, out, err) = self.run(arguments);
        assert_eq!(code, 0, "{arguments:?}: {err}");
        out
    }

    /// The names beside config and store.
    pub fn names(&self) -> Vec<String> {
        let entries = fs::read_dir(self.folder.path()).unwrap();
        let mut names: Vec<String> =
            entries.map(|entry| entry.unwrap().file_name().to_string_lossy().into_owned()).collect();
        names.retain(|name| !["fadeline.toml", "store", "daemon.log"].contains(&name.as_str()));
        names.sort();
        names
    }
}

pub fn id(unit: &str) -> UnitId {
    unit.parse().unwrap()
}

/// Twenty days of odd minutes up to yesterday, with channels that come and go.
pub fn readings(seed: i64) -> Vec<Reading> {
    let start = fadeline::clock::now().as_millis() / DAY * DAY - 20 * DAY + seed;
    (0..20 * 144)
        .map(|i| {
            let mut reading = Reading::new(Timestamp::from_millis(start + i * 10 * MINUTE))
                .with(Channel::Intensity, 21.4 + (i + seed) as f64 / 700.0);
            if i % 3 == 0 {
                reading.set(Channel::WaterTemperature, 4.1 + (i % 50) as f64 / 10.0);
            }
            if i % 7 == 0 {
                reading.set(Channel::LampOn, 1.0);
                reading.set(Channel::LampHours, i as f64 / 6.0);
            }
            reading
        })
        .collect()
}

pub fn fill(store: &Store) {
    for (seed, unit) in UNITS.into_iter().enumerate() {
        let batch: Vec<_> = readings(seed as i64).into_iter().map(|reading| (id(unit), reading)).collect();
        store.append(&batch).unwrap();
        let at = batch[200].1.at;
        store.log(&id(unit), &ServiceEntry::new(at, ServiceAction::SleeveCleaned)).unwrap();
        let note = Some("coat, brown; \"iron\"".to_owned());
        store.log(&id(unit), &ServiceEntry { note, ..ServiceEntry::new(at, ServiceAction::Note) }).unwrap();
    }
}

/// All that a unit has.
pub fn held(store: &Store, unit: &str) -> (Vec<Reading>, Vec<ServiceEntry>, Vec<DaySummary>) {
    let mut log = store.logbook(&id(unit)).unwrap();
    log.iter_mut().for_each(|entry| entry.recorded = None);
    let readings = store.readings(&id(unit), Timestamp::MIN, Timestamp::MAX).unwrap();
    (readings, log, store.days(&id(unit), None, None).unwrap())
}

fn path(path: &Path) -> &str {
    path.to_str().unwrap()
}

#[test]
fn every_format_goes_round_without_a_daemon() {
    let from = Place::new();
    fill(&from.store());
    for file in ["all.csv", "all.csv.gz", "all.json.zst", "all.parquet"] {
        from.done(&["export", "--output", file]);
        from.done(&["export", "--logbook", "-o", "log.csv"]);
        let to = Place::new();
        let said = to.done(&["import", path(&from.path(file)), path(&from.path("log.csv"))]);
        assert!(said.contains("8,646 new") || said.contains(" new"), "{said}");
        let (before, after) = (from.store(), to.store());
        for unit in UNITS {
            let ((rows, log, _), (back, back_log, _)) = (held(&before, unit), held(&after, unit));
            assert_eq!(back, rows, "{file} {unit}");
            assert_eq!(back_log, log, "{file} {unit}");
            assert_eq!(after.dirty_of(&id(unit)).days.len(), 20, "owed a roll-up");
        }
    }
    assert_eq!(
        from.names(),
        ["all.csv", "all.csv.gz", "all.json.zst", "all.parquet", "log.csv"],
        "nothing is left over"
    );
}

#[test]
fn a_running_daemon_hands_out_and_takes_in_and_judges_what_came() {
    let (from, to) = (Place::new(), Place::new());
    fill(&from.store());
    let mut source = Daemon::start(&from.config());
    let mut target = Daemon::start(&to.config());
    from.done(&["export", "-o", "all.parquet"]);
    from.done(&["export", "--logbook", "-o", "log.csv"]);
    let said = to.done(&["import", path(&from.path("log.csv")), path(&from.path("all.parquet"))]);
    assert!(said.contains("8,646 rows: 8,646 new"), "{said}");
    let again = to.done(&["import", path(&from.path("log.csv")), path(&from.path("all.parquet"))]);
    assert!(again.contains("8,646 rows: 0 new, 8,646 there already"), "{again}");
    for unit in UNITS {
        let assessed = wait_for("an assessment of what was imported", || {
            match target.ask(&Query::Assessment { unit: id(unit) }) {
                Answer::Assessment(assessment) => (assessment.readings.total > 2_800).then_some(assessment),
                _ => None,
            }
        });
        assert_eq!(assessed.unit, id(unit).unit());
    }
    assert!(source.stop().success() && target.stop().success());
    let (before, after) = (from.store(), to.store());
    for unit in UNITS {
        let ((rows, log, _), (back, back_log, days)) = (held(&before, unit), held(&after, unit));
        assert!(back == rows && back_log == log, "{unit}");
        assert!(days.len() >= 19, "rolled up");
    }
}

#[test]
fn a_unit_a_site_and_a_time_can_be_chosen() {
    let place = Place::new();
    fill(&place.store());
    let rows = |arguments: &[&str]| {
        let text = place.done(&[&["export"], arguments].concat());
        let mut lines = text.lines().map(str::to_owned);
        (lines.next().unwrap(), lines.collect::<Vec<_>>())
    };
    let (header, boathouse) = rows(&["heron-bight/boathouse"]);
    assert!(header.starts_with("time,intensity,flow,water_temperature,"), "the contract's own form: {header}");
    assert_eq!(boathouse.len(), 2_880);
    let (header, site) = rows(&["heron-bight"]);
    assert!(header.starts_with("time,unit,intensity,"), "{header}");
    assert_eq!((site.len(), site.iter().filter(|row| row.contains("loon")).count()), (5_760, 2_880));
    let (from, to) = (readings(0)[144].at, readings(0)[2 * 144].at);
    let (_, part) = rows(&["heron-bight/boathouse", "--from", &from.to_string(), "--to", &to.to_string()]);
    assert_eq!(part, boathouse[144..288]);
    for (arguments, want) in [
        (&["export", "nowhere"][..], "nothing is stored of `nowhere`"),
        (&["export", "a/b/c"], "names no site and no unit"),
        (&["export", "--from", "2026-03-02", "--to", "2026-03-01"], "nothing lies between them"),
        (&["export", "--logbook", "--format", "senml"], "exported as CSV only"),
    ] {
        let (code, _, said) = place.run(arguments);
        assert!(code == 64 && said.contains(want), "{arguments:?}: {code} {said}");
    }
    assert_eq!(place.names(), Vec::<String>::new());
}

#[test]
fn refused_rows_are_reported_and_the_good_ones_kept() {
    let place = Place::new();
    let now = fadeline::clock::now().plus_millis(-DAY);
    let table =
        format!("time,unit,intensity\n{now},{0},21.4\nyesterday,{0},20\n{now},{0},\"21,4\"\n{now},a/b,20\n", UNITS[0]);
    fs::write(place.path("mixed.csv"), table).unwrap();
    let (code, out, said) = place.run(&["import", "mixed.csv", "--refused", "refused.csv"]);
    assert_eq!((code, out.as_str()), (65, "4 rows: 1 new, 3 refused\n"), "{said}");
    assert!(said.contains("mixed.csv: line 3, column time: `yesterday` is not an RFC 3339 time"), "{said}");
    let kept = fs::read_to_string(place.path("refused.csv")).unwrap();
    let rows: Vec<&str> = kept.lines().collect();
    assert_eq!(rows[0], "file,place,column,why,remedy");
    assert!(rows[2].starts_with("mixed.csv,line 4,intensity,\"`21,4` has a decimal comma\",write 21.4"), "{kept}");
    assert!(rows[3].contains("there is no unit `a/b` in the config"), "{kept}");
    let (code, out, _) = place.run(&["import", "mixed.csv", "--lenient"]);
    assert_eq!((code, out.as_str()), (0, "4 rows: 0 new, 1 there already, 3 refused\n"));
}

#[test]
fn files_that_are_cut_off_or_foreign_are_refused_whole() {
    let place = Place::new();
    fill(&place.store());
    let to = Place::new();
    for file in ["r.csv.gz", "r.csv.zst", "r.json", "r.parquet"] {
        place.done(&["export", "--output", file]);
        let whole = fs::read(place.path(file)).unwrap();
        for length in [whole.len() - 1, whole.len() / 2] {
            fs::write(to.path(file), &whole[..length.max(1)]).unwrap();
            // A pack without its last newline is whole.
            if file == "r.json" && length == whole.len() - 1 {
                continue;
            }
            let (code, _, said) = to.run(&["import", file]);
            assert!(code == 65 && said.contains(file), "{file} {length}: {code} {said}");
        }
        let mut flipped = whole.clone();
        flipped[whole.len() / 2] ^= 0x40;
        fs::write(to.path(file), &flipped).unwrap();
        if file.starts_with("r.csv") {
            assert_eq!(to.run(&["import", file]).0, 65, "{file}");
        }
    }
    fs::write(to.path("foreign"), b"\x7fELF\0\0\0").unwrap();
    assert_eq!(to.run(&["import", "foreign"]).0, 65);
    assert_eq!(to.run(&["import", "absent.csv"]).0, 74);
    assert_eq!(to.store().stats().unwrap().readings, 0, "nothing of any of them was stored");
}

#[test]
fn a_file_that_cannot_be_written_is_74_and_an_earlier_one_stays() {
    let place = Place::new();
    fill(&place.store());
    fs::write(place.path("kept.csv"), "precious").unwrap();
    let (code, _, said) = place.run(&["export", "nowhere", "-o", "kept.csv"]);
    assert_eq!((code, fs::read_to_string(place.path("kept.csv")).unwrap().as_str()), (64, "precious"), "{said}");
    let (code, _, said) = place.run(&["export", "-o", "no/such/folder.csv"]);
    assert!(code == 74 && said.contains("cannot write no/such/folder.csv"), "{said}");
    place.done(&["export", "-o", "kept.csv"]);
    let mode = fs::metadata(place.path("kept.csv")).unwrap().permissions().mode();
    assert_eq!(mode & 0o600, 0o600);
    assert_eq!(place.names(), ["kept.csv"]);
}

/// Ctrl-C as soon as `begun`; the exit code and what was said, or nothing if the command was done before.
fn interrupted(place: &Place, arguments: &[&str], begun: impl Fn(u32) -> bool) -> Option<(i32, String)> {
    let mut child = std::process::Command::new(env!("CARGO_BIN_EXE_fadeline"))
        .args(arguments)
        .current_dir(place.path("."))
        .env("FADELINE_CONFIG", place.config())
        .stdout(std::process::Stdio::null())
        .stderr(std::process::Stdio::piped())
        .spawn()
        .unwrap();
    while !begun(child.id()) {
        if child.try_wait().unwrap().is_some() {
            return None;
        }
        std::thread::yield_now();
    }
    let kill = std::process::Command::new("kill").args(["-INT", &child.id().to_string()]).status().unwrap();
    assert!(kill.success());
    let output = child.wait_with_output().unwrap();
    let said = String::from_utf8_lossy(&output.stderr).into_owned();
    // A command answers Ctrl-C by itself: without a code something else ended it, and that must be seen.
    let code = output.status.code().unwrap_or_else(|| panic!("{}: {said}", output.status));
    (code != 0).then_some((code, said))
}

/// Times to try: a command may be done before the signal comes.
const TRIES: usize = 10;

#[test]
fn ctrl_c_leaves_no_half_export_and_an_import_that_goes_on() {
    let place = Place::new();
    let unit = id(UNITS[0]);
    // A reading every four seconds of ten days.
    let start = fadeline::clock::now().as_millis() / DAY * DAY - 12 * DAY;
    let rows: Vec<(UnitId, Reading)> = (0..216_000)
        .map(|i| {
            Reading::new(Timestamp::from_millis(start + i * 4_000)).with(Channel::Intensity, (i % 900) as f64 / 100.0)
        })
        .map(|reading| (unit.clone(), reading))
        .collect();
    place.store().load(&rows).unwrap();
    let partial = || place.names().iter().any(|name| name.ends_with(".partial"));
    let export = (0..TRIES).find_map(|_| interrupted(&place, &["export", "-o", "half.csv"], |_| partial()));
    let (code, said) = export.expect("an export that was interrupted");
    assert!(code == 1 && said.contains("stopped"), "{code} {said}");
    assert!(!partial(), "{:?}", place.names());

    place.done(&["export", "-o", "whole.csv"]);
    let import = (0..TRIES).find_map(|_| {
        fs::remove_dir_all(place.path("store")).unwrap();
        // Begun: it has looked at the file, and holds the store.
        let holds = |pid: u32| {
            fs::read_to_string(place.path("store/lock")).is_ok_and(|holder| holder.trim() == pid.to_string())
        };
        interrupted(&place, &["import", "whole.csv"], holds)
    });
    let (code, said) = import.expect("an import that was interrupted");
    assert!(code == 1 && said.contains("stopped") && said.contains("repeat the import"), "{code} {said}");
    assert!(place.store().count(&unit) < rows.len() as u64);
    let (_, summary, said) = place.run(&["import", "whole.csv"]);
    assert!(summary.starts_with("216,000 rows"), "{summary} {said}");
    let stored = place.store().readings(&unit, Timestamp::MIN, Timestamp::MAX).unwrap();
    assert!(stored.iter().eq(rows.iter().map(|(_, reading)| reading)));
}
