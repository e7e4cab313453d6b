//! How many unlogged steps and water episodes are found in simulated units, against floors from an earlier trial of the
//! same task (in Python, on other simulated units): unlogged cleanings precision .92 and recall .94, episodes of 3 %
//! and more .87 and .84. A sample this small scatters, so the floors here are a little lower; the full figures stand
//! in DEVELOPERS.md.

use std::fs;
use std::path::Path;

use assert_cmd::Command;
use fadeline::analysis::{episodes, rollup, steps};
use fadeline::domain::time::MINUTE;
use fadeline::domain::{Assessment, DaySummary, ServiceEntry, Timestamp};
use fadeline::scenario::plan::{UnitPlan, Work};
use fadeline::scenario::{self, Kind, Truth, random_plan, simulate};
use jiff::civil::Date;

/// Seeds of the units; not those the constants were tuned on.
const SEEDS: std::ops::Range<u64> = 20_000..20_010;

struct Unit {
    plan: UnitPlan,
    truth: Truth,
    days: Vec<DaySummary>,
    log: Vec<ServiceEntry>,
}

impl Unit {
    fn new(kind: Kind, seed: u64) -> Self {
        let plan = random_plan(kind, seed);
        let simulated = simulate(&plan, plan.from, plan.to, 15 * MINUTE);
        let constants = rollup::RollupConstants::default();
        let days = rollup::summarise(&simulated.readings, &plan.papers, &simulated.log, &constants);
        Self { truth: scenario::truth(&plan, plan.from, plan.to), days, log: simulated.log, plan }
    }

    fn steps(&self) -> steps::StepsFound {
        steps::find(&self.days, &self.log, &self.plan.papers, &steps::StepConstants::default())
    }

    /// Days on which the light was changed for good and nobody wrote it down, with the days it took.
    fn unlogged(&self) -> Vec<(Date, i64)> {
        let zone = &self.plan.papers.zone;
        let work =
            self.truth.services.iter().filter(|s| s.logged.is_none() && !matches!(s.work, Work::Close | Work::Open));
        let shifts = self.truth.shifts.iter().map(|s| (s.at.date_in(zone), s.days.ceil() as i64));
        work.map(|s| (s.at.date_in(zone), 0)).chain(shifts).collect()
    }

    /// By how much the light rose at an instant, ln.
    fn gain(&self, at: Timestamp) -> f64 {
        self.truth.losses_at(at.plus_millis(-60 * MINUTE)).course()
            - self.truth.losses_at(at.plus_millis(60 * MINUTE)).course()
    }

    /// Unlogged cleanings that gained more than 1 % and were not done while something else was logged.
    fn cleanings(&self) -> Vec<Date> {
        let logged = |at| self.log.iter().any(|e| e.at.days_since(at).abs() < 2.0);
        let unlogged = self.truth.services.iter().filter(|s| s.logged.is_none());
        let cleanings = unlogged.filter(|s| matches!(s.work, Work::CleanSleeve { .. }));
        cleanings
            .filter(|s| self.gain(s.at) > 0.01 && !logged(s.at) && self.plan.to.days_since(s.at) > 3.0)
            .map(|s| s.at.date_in(&self.plan.papers.zone))
            .collect()
    }
}

fn near(found: Date, truth: Date, days: i64) -> bool {
    (-2..=days + 3).contains(&i64::from((found - truth).get_days()))
}

#[test]
fn unlogged_cleanings_of_usual_units() {
    let (mut claims, mut right, mut truths, mut hits) = (0_usize, 0_usize, 0_usize, 0_usize);
    for unit in SEEDS.map(|seed| Unit::new(Kind::Usual, seed)) {
        let found = unit.steps();
        let ups: Vec<Date> = found.steps.iter().filter(|s| s.ln_size > 0.0).map(|s| s.date).collect();
        let real = unit.unlogged();
        claims += ups.len();
        right += ups.iter().filter(|up| real.iter().any(|(date, days)| near(**up, *date, *days))).count();
        truths += unit.cleanings().len();
        hits += unit.cleanings().iter().filter(|date| ups.iter().any(|up| near(*up, **date, 0))).count();
    }
    println!("seeds {SEEDS:?}: {right} of {claims} right, {hits} of {truths} found");
    assert!(truths >= 10, "too few to judge: {truths}");
    assert!(right as f64 >= 0.9 * claims as f64, "precision {right} of {claims}");
    assert!(hits as f64 >= 0.9 * truths as f64, "recall {hits} of {truths}");
}

#[test]
fn no_cleaning_is_claimed_where_only_the_water_changes() {
    let restless = SEEDS
        .map(|seed| Unit::new(Kind::WaterOnly, seed))
        .filter(|unit| {
            let real = unit.unlogged();
            unit.steps().steps.iter().any(|s| !real.iter().any(|(date, days)| near(s.date, *date, *days)))
        })
        .count();
    assert!(restless <= 1, "{restless} of 10 units with a step that never was");
}

#[test]
fn episodes_of_usual_units() {
    let (mut claims, mut right, mut truths, mut hits) = (0_usize, 0_usize, 0_usize, 0_usize);
    for unit in SEEDS.map(|seed| Unit::new(Kind::Usual, seed)) {
        let zone = &unit.plan.papers.zone;
        let steps = unit.steps();
        let logged = unit.log.iter().map(|entry| entry.at.date_in(zone));
        let resets: Vec<Date> = logged.chain(steps.steps.iter().map(|s| s.date)).collect();
        let found = episodes::find(&unit.days, &resets, &unit.plan.papers, &episodes::EpisodeConstants::default());
        let real = &unit.truth.episodes;
        claims += found.len();
        right += found.iter().filter(|e| real.iter().any(|t| e.from < t.to && t.from < e.to)).count();
        for truth in real.iter().filter(|t| t.depth_percent >= 3.0 && t.to < unit.plan.to) {
            truths += 1;
            hits += usize::from(found.iter().any(|e| e.from < truth.to && truth.from < e.to));
        }
    }
    println!("seeds {SEEDS:?}: {right} of {claims} right, {hits} of {truths} found");
    assert!(truths >= 10, "too few to judge: {truths}");
    assert!(right as f64 >= 0.87 * claims as f64, "precision {right} of {claims}");
    assert!(hits as f64 >= 0.84 * truths as f64, "recall {hits} of {truths}");
}

/// Entries written down for another day, and entries of cleanings that never were. Few of the first are in so few units:
/// the floor is far under the full figures, which `cargo run --release --example evaluate -- --kinds hard --seeds 30000..30100 --found` prints.
#[test]
fn wrong_log_entries_of_hard_units() {
    let (mut moved, mut wrong_day, mut flagged, mut never) = (0_usize, 0_usize, 0_usize, 0_usize);
    for unit in (20_000..20_024).map(|seed| Unit::new(Kind::Hard, seed)) {
        let found = unit.steps();
        let zone = &unit.plan.papers.zone;
        for (place, entry) in unit.log.iter().enumerate() {
            if unit.plan.false_entries.contains(entry) {
                never += 1;
                flagged += usize::from(found.no_recovery.contains(&place));
            }
            let work = unit.truth.services.iter().find(|s| s.logged.as_ref() == Some(entry));
            let Some(work) = work.filter(|s| matches!(s.work, Work::CleanSleeve { .. })) else { continue };
            let (day, written) = (work.at.date_in(zone), entry.at.date_in(zone));
            if !(3..=14).contains(&(written - day).get_days().abs()) || unit.gain(work.at) < 0.02 {
                continue;
            }
            wrong_day += 1;
            let used = found.snapped.iter().find(|snap| snap.entry == place).map(|snap| snap.used);
            moved += usize::from(used.is_some_and(|used| (used - day).get_days().abs() <= 1));
        }
    }
    println!("{moved} of {wrong_day} moved to their day, {flagged} of {never} flagged");
    assert!(wrong_day >= 8 && never >= 8, "too few to judge: {wrong_day}, {never}");
    assert!(10 * moved >= 3 * wrong_day, "{moved} of {wrong_day} moved to their day");
    assert!(10 * flagged >= 7 * never, "{flagged} of {never} flagged");
}

fn study(folder: &Path, arguments: &[&str]) -> String {
    let output =
        Command::cargo_bin("fadeline").unwrap().arg("study").args(arguments).current_dir(folder).output().unwrap();
    assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
    String::from_utf8(output.stdout).unwrap()
}

/// The fixture's log with the cleaning of 10 January written down a week early, and one of October that never was.
#[test]
fn wrong_log_entries_are_said_on_the_page() {
    let fixture =
        |name: &str| Path::new(env!("CARGO_MANIFEST_DIR")).join("fixtures/study").join(name).display().to_string();
    let folder = tempfile::tempdir().unwrap();
    let rows = "time,action\n2025-09-17T14:30:00Z,sleeve-cleaned\n2025-10-30T15:00:00Z,sleeve-cleaned\n\
                2026-01-03T18:00:00Z,sleeve-cleaned\n2026-05-08T13:15:00Z,sleeve-cleaned\n";
    fs::write(folder.path().join("log.csv"), rows).unwrap();
    let page =
        study(folder.path(), &[&fixture("readings.csv"), "--unit", &fixture("unit.toml"), "--service", "log.csv"]);
    let page = page.split_whitespace().collect::<Vec<_>>().join(" ");
    assert!(page.contains("sleeve cleaned of 2025-10-30: logged, no recovery seen"), "{page}");
    assert!(page.contains("sleeve cleaned of 2026-01-03: the readings rise on"), "{page}");
    assert!(page.contains("taken as of 2026-01-10"), "{page}");
}

/// Twenty hand-made days of ten-minute readings with every sort of reading that is no normal running, counted by hand.
/// The last day is not over and not yet counted; one was shut.
#[test]
fn readings_set_aside_are_counted_on_the_page() {
    let start: Timestamp = "2026-01-01T00:00:00Z".parse().unwrap();
    let row = |i: usize| {
        let (day, slot) = (i / 144, i % 144);
        let quiet = ((i as u64).wrapping_mul(0x9e37_79b9_7f4a_7c15) >> 40) as f64 / f64::from(1 << 24);
        let (mut light, mut celsius, mut on, mut ma) = (format!("{:.2}", 20.0 + 0.3 * quiet), 8, 1, 12);
        match (day, slot) {
            // An hour without power, and two readings within a quarter of an hour of the lamp's start.
            (3, 60..66) => (light, on) = ("0".into(), 0),
            // Half an hour without light; a lamp that comes back warms up like one that starts.
            (5, 60..63) => light = "0".into(),
            (6, 60..64) => celsius = 70,
            (7, 60..65) => ma = 2,
            (12, 60) => light = "40".into(),
            // Five hours of one value to the last digit.
            (14, 60..90) => light = "20.137".into(),
            _ => {}
        }
        format!("{},{light},{celsius},{on},{ma}\n", start.plus_millis(i as i64 * 10 * MINUTE))
    };
    let folder = tempfile::tempdir().unwrap();
    let write = |name: &str, text: String| fs::write(folder.path().join(name), text).unwrap();
    let rows: String = (0..20 * 144).map(row).collect();
    write("readings.csv", format!("time,intensity,water_temperature,lamp_on,loop_current\n{rows}"));
    write("unit.toml", "site = \"heron-bight\"\nunit = \"boathouse\"\nset_point.intensity = 14.0\n".to_owned());
    let log = "2026-01-09T12:00:00Z,visit-started\n2026-01-09T12:35:00Z,visit-ended\n\
               2026-01-11T00:00:00Z,closed\n2026-01-12T00:00:00Z,opened\n";
    write("log.csv", format!("time,action\n{log}"));
    let arguments = ["readings.csv", "--unit", "unit.toml", "--service", "log.csv"];
    let page = study(folder.path(), &arguments).split_whitespace().collect::<Vec<_>>().join(" ");
    for want in [
        "2736 readings from 18 days with light to judge; 201 set aside: 144 while shut, 30 stuck sensor,",
        "6 lamp off",
        "4 warming up",
        "3 dark",
        "4 dry",
        "5 signal out of range",
        "4 during a visit",
        "1 outliers",
    ] {
        assert!(page.contains(want), "no `{want}` in {page}");
    }
    let json = study(folder.path(), &[arguments.as_slice(), &["--json"]].concat());
    let aside = serde_json::from_str::<Assessment>(&json).unwrap().readings.set_aside;
    assert_eq!((aside.warm_up, aside.lamp_off, aside.dark, aside.dry, aside.out_of_range), (4, 6, 3, 4, 5));
    assert_eq!((aside.stuck, aside.visit, aside.closed, aside.outlier, aside.total()), (30, 4, 144, 1, 201));
}
