//! Units of which the truth is known: simulated here, or read back from a folder that was written before.

use std::fs;
use std::io;
use std::path::{Path, PathBuf};

use jiff::civil::Date;

use crate::analysis::hindcast::{
    HindcastConstants, Outcome, Reality, Subject, TrueLosses, TrueStep, UnitGrade, grade_unit,
};
use crate::analysis::{self, Constants, History, rollup};
use crate::cli::unit_files::{cadence, file_failure, read_log, read_readings, unit};
use crate::cli::{Exit, Failure};
use crate::domain::time::MINUTE;
use crate::domain::{Assessment, Cause, Reading, ServiceEntry, Timestamp, UnitSpec, VerdictCause};
use crate::files::{Dialect, Source};
use crate::scenario::export::{self, TruthFile};
use crate::scenario::{self, Kind, Losses, Simulated, random_plan};

use super::progress::Progress;

/// Simulated units report this often, milliseconds.
const SIMULATED_EVERY: i64 = 10 * MINUTE;
/// The files of a unit's folder.
const PAPERS: &str = "unit.toml";
const LOG: &str = "service.csv";
const TRUTH: &str = "truth.json";
/// The readings go by one of these names; the first is the one written.
const READINGS: [&str; 5] =
    ["readings.csv", "readings.csv.gz", "readings.csv.zst", "readings.json", "readings.json.gz"];

/// The simulated unit of a kind and seed.
pub fn simulate(kind: Kind, seed: u64) -> Simulated {
    let plan = random_plan(kind, seed);
    scenario::simulate(&plan, plan.from, plan.to, SIMULATED_EVERY)
}

/// Grades a simulated unit against its truth.
pub fn grade_simulated(sim: &Simulated, c: &HindcastConstants, progress: &Progress) -> UnitGrade {
    let truth = &sim.truth;
    let losses = |at: Timestamp| true_losses(&truth.losses_at(at));
    let reality = Reality {
        crossing: |date: Date| match truth.day(date) {
            Some(day) if !day.closed => truth.crossing_from(date).map_or(Outcome::Never, Outcome::Crossed),
            _ => Outcome::Unknown,
        },
        losses: Some(&losses as &dyn Fn(Timestamp) -> TrueLosses),
        unlogged: Some(
            truth.unlogged().iter().map(|s| TrueStep { date: s.date, days: s.days, ln_size: s.ln_size }).collect(),
        ),
        episodes: Some(truth.episodes.iter().map(|e| (e.from, e.to, e.depth_percent)).collect()),
    };
    grade((&sim.spec, &sim.readings, &sim.log), &reality, c, progress)
}

/// Writes a unit as a folder of the contract's files. The truth comes last: a folder with it is whole.
pub fn write(folder: &Path, sim: &Simulated) -> Result<(), Failure> {
    let failed = |path: &Path, e: io::Error| Failure::new(Exit::Io, format!("cannot write {}: {e}", path.display()));
    fs::create_dir_all(folder).map_err(|e| failed(folder, e))?;
    for (name, text) in [
        (PAPERS, export::unit_toml(&sim.spec)),
        (LOG, export::service_csv(&sim.log)),
        (READINGS[0], export::readings_csv(&sim.readings)),
        (TRUTH, export::truth_json(sim)),
    ] {
        let path = folder.join(name);
        fs::write(&path, text).map_err(|e| failed(&path, e))?;
    }
    Ok(())
}

/// The units' folders in `folder`, by name and then by the number the name ends with; `folder` itself if it is one.
pub fn units_in(folder: &Path) -> Result<Vec<PathBuf>, Failure> {
    let failed = |e: io::Error| Failure::new(Exit::Io, format!("cannot read the folder {}: {e}", folder.display()));
    if folder.join(TRUTH).is_file() {
        return Ok(vec![folder.to_owned()]);
    }
    let mut units = Vec::new();
    for entry in fs::read_dir(folder).map_err(failed)? {
        let path = entry.map_err(failed)?.path();
        if path.is_dir() {
            units.push(path);
        }
    }
    units.sort_by_cached_key(|path| {
        let name = path.file_name().map(|name| name.to_string_lossy().into_owned()).unwrap_or_default();
        let stem = name.trim_end_matches(|c: char| c.is_ascii_digit()).to_owned();
        let number = name[stem.len()..].parse::<u64>().ok();
        (stem, number, name)
    });
    if units.is_empty() {
        let says = format!(
            "{}: holds no unit. Each is a folder with {PAPERS}, {}, {LOG} (may be missing) and {TRUTH}; \
             `fadeline grade --simulated usual --seeds 0..10 --write DIR` writes some",
            folder.display(),
            READINGS[0],
        );
        return Err(Failure::new(Exit::BadData, says));
    }
    Ok(units)
}

/// Grades the unit of a folder against the truth in it.
pub fn grade_folder(
    folder: &Path,
    lenient: bool,
    c: &HindcastConstants,
    progress: &Progress,
) -> Result<UnitGrade, Failure> {
    let missing = |name: &str, remedy: &str| {
        Failure::new(Exit::BadData, format!("{}: has no {name}; {remedy}", folder.display()))
    };
    let (papers, log, truth) = (folder.join(PAPERS), folder.join(LOG), folder.join(TRUTH));
    if !truth.is_file() {
        let remedy = "without the truth grade the unit alone: fadeline grade READINGS --unit F";
        return Err(missing(TRUTH, remedy));
    }
    if !papers.is_file() {
        return Err(missing(PAPERS, "put the unit file there"));
    }
    let readings = READINGS.iter().map(|name| folder.join(name)).find(|path| path.is_file());
    let readings = readings.ok_or_else(|| missing(READINGS[0], "put the readings there (also .gz, .zst or .json)"))?;
    let (spec, intensity) = unit(&papers)?;
    let truth = read_truth(&truth, &spec)?;
    // An invented unit may live in any year.
    let dialect = Dialect { intensity, not_after: Timestamp::MAX, lenient };
    let readings = read_readings(&readings, &dialect)?;
    let log = read_log(log.is_file().then_some(log.as_path()), &dialect)?;
    // Losses are asked for at the end of a day, which is the start of the next.
    let losses = |at: Timestamp| {
        let day = truth.day(at.plus_millis(-1).date_in(&spec.zone));
        day.map_or_else(TrueLosses::default, |day| true_losses(&day.at_end))
    };
    let reality = Reality {
        crossing: |date: Date| match truth.day(date) {
            Some(day) if !day.closed => day.crossing.map_or(Outcome::Never, Outcome::Crossed),
            _ => Outcome::Unknown,
        },
        losses: Some(&losses as &dyn Fn(Timestamp) -> TrueLosses),
        unlogged: Some(
            truth.unlogged.iter().map(|s| TrueStep { date: s.date, days: s.days, ln_size: s.ln_size }).collect(),
        ),
        episodes: Some(truth.episodes.iter().map(|e| (e.from, e.to, e.depth_percent)).collect()),
    };
    let lit = |reading: &Reading| truth.day(reading.at.date_in(&spec.zone)).is_some();
    if !readings.first().into_iter().chain(readings.last()).all(lit) {
        let says = format!(
            "{}: its {TRUTH} does not cover the days of its readings; write both again, together",
            folder.display()
        );
        return Err(Failure::new(Exit::BadData, says));
    }
    Ok(grade((&spec, &readings, &log), &reality, c, progress))
}

fn read_truth(path: &Path, spec: &UnitSpec) -> Result<TruthFile, Failure> {
    let source = Source::open(path).map_err(|e| file_failure(&e))?;
    let bad = |why: String| Failure::new(Exit::BadData, format!("{}: {why}", path.display()));
    let text = std::str::from_utf8(&source.bytes).map_err(|_| bad("is not UTF-8 text".to_owned()))?;
    let truth = export::read_truth(text).map_err(|e| bad(e.to_string()))?;
    if (truth.site.as_str(), truth.unit.as_str()) != (spec.id.site(), spec.id.unit()) {
        let (site, unit) = (&truth.site, &truth.unit);
        return Err(bad(format!("is the truth about {site}/{unit}, but the {PAPERS} beside it is of {}", spec.id)));
    }
    Ok(truth)
}

fn grade<C: Fn(Date) -> Outcome>(
    (spec, readings, log): (&UnitSpec, &[Reading], &[ServiceEntry]),
    reality: &Reality<'_, C>,
    c: &HindcastConstants,
    progress: &Progress,
) -> UnitGrade {
    let constants = Constants::default();
    let days = rollup::summarise(readings, spec, log, &constants.for_unit(spec).rollup);
    let subject = Subject { spec, readings, days: &days, log, cadence_millis: cadence(readings), neighbours: None };
    let assess = |history: &History<'_>, as_of: Timestamp| -> Assessment {
        progress.one_more();
        analysis::assess(history, as_of, &constants)
    };
    grade_unit(&subject, reality, &assess, c)
}

/// The simulator's losses in the grader's words. Sleeve, lamp, sensor and water are the total; temperature is no cause.
fn true_losses(losses: &Losses) -> TrueLosses {
    let parts = [Cause::SleeveFouling, Cause::LampOrSensor, Cause::WaterQuality];
    TrueLosses {
        by_cause: std::array::from_fn(|place| losses.of(Cause::ALL[place])),
        total: parts.iter().map(|cause| losses.of(*cause)).sum(),
        leading: match losses.leading() {
            VerdictCause::None => None,
            leading => Cause::ALL.iter().copied().find(|cause| cause.name() == leading.name()),
        },
    }
}
