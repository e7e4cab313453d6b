//! Files that no unit ever wrote, through the real `study` and `grade`: each ends in a message with file, line and
//! remedy and the exit code of the contract, or in a sound answer without a date. And, without the binary, any bytes
//! that look like a table: never a panic, never a number that is none in the JSON, never a date from too little.

use std::fs;
use std::path::{Path, PathBuf};
use std::process::Output;

use assert_cmd::Command;
use fadeline::analysis::{Constants, History, assess, rollup};
use fadeline::domain::time::{HOUR, MINUTE};
use fadeline::domain::{Assessment, Channel, Condition, Measure, Reading, Timestamp, UnitSpec};
use fadeline::files::{Dialect, Source, readings, service};
use proptest::prelude::*;
use rand::SeedableRng;
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution, Normal};

/// The last instant that the clock of the tests has seen; nothing in the tables is later.
const START: &str = "2025-06-01T00:00:00Z";
const UNIT: &str = "site = \"heron-bight\"\nunit = \"boathouse\"\nzone = \"America/Toronto\"\n\
                    set_point.intensity = 14.0\nreference.intensity = 24.0\n";

/// What must come of a file.
enum Ends {
    /// Refused with exit code 65 and these words.
    Refused(&'static [&'static str]),
    /// A page with these words, and no date to clean by.
    Undated(&'static [&'static str]),
    /// A page with these words.
    Page(&'static [&'static str]),
}

struct Case {
    name: &'static str,
    readings: Vec<u8>,
    log: Option<&'static str>,
    unit: String,
    ends: Ends,
}

impl Case {
    fn new(name: &'static str, readings: impl Into<Vec<u8>>, ends: Ends) -> Self {
        Self { name, readings: readings.into(), log: None, unit: UNIT.to_owned(), ends }
    }

    fn logged(self, log: &'static str) -> Self {
        Self { log: Some(log), ..self }
    }

    fn of(self, unit: String) -> Self {
        Self { unit, ..self }
    }

    fn run(&self, folder: &Path, command: &str, more: &[&str]) -> Output {
        let path = |name: &str| folder.join(name);
        fs::write(path("readings.csv"), &self.readings).unwrap();
        fs::write(path("unit.toml"), &self.unit).unwrap();
        let mut fadeline = Command::cargo_bin("fadeline").unwrap();
        fadeline.args([command, "readings.csv", "--unit", "unit.toml"]).args(more).current_dir(folder);
        if let Some(log) = self.log {
            fs::write(path("log.csv"), log).unwrap();
            fadeline.args(["--service", "log.csv"]);
        }
        fadeline.output().unwrap()
    }

    fn check(&self, folder: &Path) {
        let name = self.name;
        for command in ["study", "grade"] {
            let output = self.run(folder, command, &[]);
            let (page, said) = (String::from_utf8_lossy(&output.stdout), String::from_utf8_lossy(&output.stderr));
            assert!(!said.contains("panicked"), "{name}: {said}");
            match &self.ends {
                Ends::Refused(words) => {
                    assert_eq!(output.status.code(), Some(65), "{name}, {command}: {said}{page}");
                    assert!(page.is_empty(), "{name}: data after a failure: {page}");
                    words.iter().for_each(|w| assert!(said.contains(w), "{name}, {command}: no `{w}` in {said}"));
                }
                Ends::Undated(words) | Ends::Page(words) => {
                    assert_eq!(output.status.code(), Some(0), "{name}, {command}: {said}");
                    assert!(!page.contains("NaN") && !page.contains("inf "), "{name}: {page}");
                    if command == "study" {
                        let both = format!("{page}{said}");
                        words.iter().for_each(|w| assert!(both.contains(w), "{name}: no `{w}` in {both}"));
                    }
                }
            }
        }
        if !matches!(self.ends, Ends::Refused(_)) {
            let output = self.run(folder, "study", &["--json"]);
            // A number that is none would be written as null, which no number reads back from.
            let assessment: Assessment =
                serde_json::from_slice(&output.stdout).unwrap_or_else(|e| panic!("{name}: {e}"));
            if matches!(self.ends, Ends::Undated(_)) {
                let dates = (assessment.forecast.clean_by, assessment.forecast.crossing.p50);
                assert_eq!(dates, (None, None), "{name}: a date from nothing");
            }
        }
    }
}

/// A table of `n` rows an hour apart.
fn table(columns: &str, n: usize, cells: impl Fn(usize) -> String) -> String {
    let start: Timestamp = START.parse().unwrap();
    let row = |i: usize| format!("{},{}\n", start.plus_millis(i as i64 * HOUR), cells(i));
    format!("time,{columns}\n{}", (0..n).map(row).collect::<String>())
}

fn hourly(days: usize, value: impl Fn(usize) -> String) -> String {
    table("intensity", 24 * days, value)
}

/// A sleeve that takes a little under .1 % a day.
fn fading(i: usize) -> String {
    let hash = (i as u64).wrapping_mul(0x9e37_79b9_7f4a_7c15) >> 40;
    format!("{:.2}", 23.0 * (1.0 - 0.000_8 * i as f64 / 24.0) + 0.1 * (hash as f64 / f64::from(1 << 24) - 0.5))
}

fn with(rows: &str) -> String {
    hourly(30, fading) + rows
}

fn folder() -> (tempfile::TempDir, PathBuf) {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().to_owned();
    (folder, path)
}

#[test]
fn files_that_cannot_be_used_are_refused_with_line_and_remedy() {
    let refused = |words| Ends::Refused(words);
    let cells = |name, rows: &str, words| Case::new(name, with(rows), refused(words));
    let log = |name, log, words| Case::new(name, with(""), refused(words)).logged(log);
    let binary: Vec<u8> = (0..=255).cycle().take(9000).collect();
    let picture: Vec<u8> = [b"\x89PNG\r\n\x1a\n".as_slice(), &binary].concat().into_iter().filter(|b| *b > 0).collect();
    let percent = format!("{}[sensor]\nunit = \"percent\"\n", UNIT.replace("24.0", "90"));
    let cases = [
        Case::new("empty", "", refused(&["readings.csv: is empty; ", "time,intensity"])),
        Case::new("blank", " \n\n", refused(&["readings.csv: is empty; "])),
        Case::new("header only", "time,intensity\n", refused(&["readings.csv: holds no readings; "])),
        Case::new("binary", binary, refused(&["readings.csv: is not a text file", "CSV or SenML JSON"])),
        Case::new("binary without zeros", picture, refused(&["readings.csv: is not a text file"])),
        Case::new(
            "far below zero",
            hourly(2, |_| "-5000".into()),
            refused(&["line 2, column intensity", "is outside"]),
        ),
        cells(
            "not a number",
            "2025-12-01T00:00:00Z,NaN\n",
            &["line 722, column intensity: `NaN`", "leave the cell empty"],
        ),
        cells("infinite", "2025-12-01T00:00:00Z,-inf\n", &["line 722, column intensity: `-inf`", "--lenient"]),
        cells("infinity", "2025-12-01T00:00:00Z,Infinity\n", &["`Infinity` is not a measurement"]),
        cells("1e308", "2025-12-01T00:00:00Z,1e308\n", &["line 722, column intensity: `1e308` is outside"]),
        cells("1e400", "2025-12-01T00:00:00Z,1e400\n", &["line 722, column intensity"]),
        cells("unit in the cell", "2025-12-01T00:00:00Z,21.4 mW/cm2\n", &["carries its unit mW/cm2", "`sensor.unit`"]),
        cells("percent among others", "2025-12-01T00:00:00Z,78%\n", &["line 722, column intensity: `78%` carries"]),
        cells("from the future", "2999-01-01T00:00:00Z,21\n", &["line 722, column time", "is in the future"]),
        Case::new(
            "percent beyond",
            hourly(2, |_| "250".into()),
            refused(&["outside -1000 to 200 percent", "`sensor.unit`"]),
        )
        .of(percent),
        log(
            "a log from the future",
            "time,action\n2999-01-01T00:00:00Z,sleeve-cleaned\n",
            &["log.csv", "line 2, column time", "is in the future"],
        ),
        log(
            "unknown action",
            "time,action\n2025-07-01T00:00:00Z,sleeve-cleand\n",
            &["line 2, column action", "did you mean `sleeve-cleaned`?"],
        ),
        log(
            "unknown unit",
            "time,unit,action\n2025-07-01T00:00:00Z,heron-bight/nowhere,sleeve-cleaned\n",
            &["log.csv: line 1: column `unit` is not known", "of one unit"],
        ),
    ];
    let (_kept, folder) = folder();
    cases.iter().for_each(|case| case.check(&folder));
}

#[test]
fn odd_files_get_a_sound_answer() {
    let undated = |words| Ends::Undated(words);
    let percent = format!("{}[sensor]\nunit = \"percent\"\n", UNIT.replace("24.0", "120"));
    let year_on = hourly(60, fading).replace("\n2025-07", "\n2026-07");
    let hours = table("intensity,lamp_hours", 24 * 60, |i| format!("{},{}", fading(i), 9_000 - i));
    let tenfold = hourly(60, |i| if i < 24 * 40 { fading(i) } else { format!("{}0", fading(i).replace('.', "")) });
    let cases = [
        Case::new(
            "one row",
            hourly(1, fading).lines().take(2).collect::<Vec<_>>().join("\n"),
            undated(&["Learning: 0 days of usable readings, needs 14"]),
        ),
        Case::new("a day of data", hourly(1, fading), undated(&["Learning: 1 day of usable readings, needs 14"])),
        Case::new("constant", hourly(60, |_| "21.4".into()), undated(&["21.4 mW/cm2"])),
        Case::new("all zeros", hourly(60, |_| "0".into()), undated(&["DARK", "treatment is not assured"])),
        Case::new("negative", hourly(60, |i| format!("-{}", i % 7)), undated(&["DARK"])),
        Case::new("a gap of a year", year_on, Ends::Page(&["Verdict"])),
        Case::new("lamp hours backwards", hours, Ends::Page(&["Verdict"])),
        Case::new("percent beyond 100", hourly(60, |i| format!("{}", 118 - i / 400)), Ends::Page(&["percent"]))
            .of(percent),
        Case::new("tenfold from a day on", tenfold, undated(&["not explained"])),
        Case::new(
            "a set point above the new reading",
            hourly(60, fading),
            Ends::Page(&["unit.toml:5", "not above the set point", "check both"]),
        )
        .of(UNIT.replace("24.0", "10.0")),
        Case::new(
            "a set point above every reading",
            hourly(60, fading),
            Ends::Page(&["SHORT", "treatment is not assured"]),
        )
        .of(UNIT.replace("14.0", "23.9")),
    ];
    let (_kept, folder) = folder();
    cases.iter().for_each(|case| case.check(&folder));
}

#[test]
fn order_and_repeats_make_no_difference() {
    let (_kept, folder) = folder();
    let plain = hourly(90, fading);
    let rows: Vec<&str> = plain.lines().skip(1).collect();
    let shuffled = (0..rows.len()).map(|i| rows[i * 7 % rows.len()]);
    let table = |rows: Vec<&str>| format!("time,intensity\n{}\n", rows.join("\n"));
    assert_eq!(rows.len() % 7, 4, "a step that meets every row");
    let json = |readings: String| {
        let output = Case::new("", readings, Ends::Page(&[])).run(&folder, "study", &["--json"]);
        assert_eq!(output.status.code(), Some(0));
        String::from_utf8(output.stdout).unwrap()
    };
    let want = json(plain.clone());
    assert_eq!(json(table(shuffled.collect())), want);
    assert_eq!(json(table(rows.iter().chain(&rows).copied().collect())), want);
}

#[test]
fn a_million_rows() {
    let (_kept, folder) = folder();
    let start: Timestamp = "2024-01-01T00:00:00Z".parse().unwrap();
    let row = |i: usize| format!("{},{}\n", start.plus_millis(i as i64 * MINUTE), fading(i / 60));
    let text = format!("time,intensity\n{}", (0..1_000_000).map(row).collect::<String>());
    let output = Case::new("", text, Ends::Page(&[])).run(&folder, "study", &["--json"]);
    let assessment: Assessment = serde_json::from_slice(&output.stdout).unwrap();
    // 694 days and 640 minutes, in a zone five hours behind: all but the last day, which is not over.
    assert_eq!((assessment.readings.total, assessment.readings.days), (999_660, 695));
}

fn spec() -> UnitSpec {
    UnitSpec { reference: Some(24.0), ..UnitSpec::new("heron-bight/boathouse".parse().unwrap(), 14.0) }
}

/// The study of what a file holds; `None` where it is refused.
fn study(table: &[u8], log: &[u8]) -> Option<Assessment> {
    let not_after = "2026-12-01T00:00:00Z".parse().unwrap();
    let dialect = Dialect { intensity: Measure::MilliwattPerCm2, not_after, lenient: true };
    let file = readings::parse(&Source::read("r", table).ok()?, &dialect).ok()?;
    let log = Source::read("l", log).ok().and_then(|log| service::parse(&log, &dialect).ok());
    Some(judge(&file.readings, &log.map(|log| log.entries).unwrap_or_default()))
}

fn judge(readings: &[Reading], log: &[fadeline::domain::ServiceEntry]) -> Assessment {
    let (spec, constants) = (spec(), Constants::default());
    let days = rollup::summarise(readings, &spec, log, &constants.rollup);
    let latest = readings.iter().rev().find(|r| r.get(Channel::Intensity).is_some()).copied();
    let history = History { spec: &spec, days: &days, log, latest, cadence_millis: None, neighbours: None };
    assess(&history, readings.last().map_or(Timestamp::MAX, |last| last.at), &constants)
}

/// A cell that somebody, or some program, might write.
fn cell() -> impl Strategy<Value = String> {
    prop_oneof![
        4 => (-5.0_f64..60.0).prop_map(|v| format!("{v:.2}")),
        1 => any::<f64>().prop_map(|v| v.to_string()),
        1 => prop::sample::select(vec!["", "0", "NaN", "-inf", "1e308", "-1e-308", "on", "21,4", "\"", "78%"])
            .prop_map(str::to_owned),
        1 => ".{0,6}",
    ]
}

fn row(columns: usize) -> impl Strategy<Value = String> {
    let time = prop_oneof![
        12 => (0_i64..40_000).prop_map(|i| {
            START.parse::<Timestamp>().unwrap().plus_millis(i * 20 * MINUTE).to_string()
        }),
        1 => ".{0,12}",
    ];
    (time, prop::collection::vec(cell(), columns)).prop_map(|(time, cells)| format!("{time},{}\n", cells.join(",")))
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 64, ..ProptestConfig::default() })]

    /// Rows of every sort at any time, with a log of every sort.
    #[test]
    fn any_table_is_answered_in_whole_numbers_or_refused(
        rows in prop::collection::vec(row(3), 0..400),
        log in prop::collection::vec((row(1), 0..17_usize), 0..12),
        junk in prop::collection::vec(any::<u8>(), 0..40),
    ) {
        let table = [b"time,intensity,lamp_on,lamp_hours\n".as_slice(), rows.concat().as_bytes(), &junk].concat();
        let entry = |(row, action): &(String, usize)| {
            let time = row.split(',').next().unwrap_or_default();
            format!("{time},{}\n", fadeline::domain::ServiceAction::ALL[*action])
        };
        let log = format!("time,action\n{}", log.iter().map(entry).collect::<String>());
        if let Some(assessment) = study(&table, log.as_bytes()) {
            let text = serde_json::to_string(&assessment).unwrap();
            // A number that is none is written as null and does not read back.
            let back: Result<Assessment, _> = serde_json::from_str(&text);
            prop_assert!(back.is_ok(), "{:?} {}", back, text);
            if assessment.condition == Condition::Learning {
                prop_assert_eq!(assessment.forecast.clean_by, None);
                prop_assert_eq!(assessment.forecast.crossing.p10, None);
            }
        }
    }
}

/// Noise about a level well above the set point, as restless as no unit is: it never falls, so no day is named.
#[test]
fn no_date_from_noise() {
    let start: Timestamp = START.parse().unwrap();
    let dated = (0..24).filter(|seed| {
        let mut rng = ChaCha8Rng::seed_from_u64(*seed);
        let (days, sd) = (20 + 10 * *seed as i64, [0.01, 0.05, 0.2, 0.5][*seed as usize % 4]);
        let noise = Normal::new(0.0, sd).unwrap();
        let readings: Vec<Reading> = (0..days * 24)
            .map(|i| Reading::new(start.plus_millis(i * HOUR)))
            .map(|r| r.with(Channel::Intensity, 23.0 * f64::exp(noise.sample(&mut rng))))
            .collect();
        judge(&readings, &[]).forecast.clean_by.is_some()
    });
    // One in twenty flat units may be dated: the figure asked of healthy ones.
    let dated = dated.count();
    assert!(dated <= 1, "{dated} of 24");
}
