//! `fadeline grade`: repeat the study at past dates and score what it then said against what came.

mod known;
mod progress;

use std::ops::Range;
use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicBool, AtomicUsize, Ordering};
use std::thread;

use clap::builder::{PossibleValuesParser, TypedValueParser};
use serde_json::json;

use crate::analysis::hindcast::{HindcastConstants, Subject, UnitGrade, grade_fleet, grade_observed};
use crate::analysis::{self, Constants, History, rollup};
use crate::clock;
use crate::domain::{Assessment, Timestamp};
use crate::files::Dialect;
use crate::report::Style;
use crate::report::grade::Scored;
use crate::scenario::Kind;

use self::progress::Progress;
use super::unit_files::{cadence, read_log, read_readings, unit};
use super::{Failure, output};

/// Schema of the JSON.
const SCHEMA: &str = "fadeline.grade.v1";

/// Arguments of `grade`.
#[derive(Clone, Debug, clap::Args)]
pub struct GradeArgs {
    /// Readings: CSV or SenML JSON, may be .gz or .zst; - is standard input
    #[arg(required_unless_present_any = ["simulated", "folder"], conflicts_with_all = ["simulated", "folder"])]
    #[arg(requires = "unit")]
    readings: Option<PathBuf>,
    /// The unit file (TOML)
    #[arg(long, value_name = "FILE", requires = "readings")]
    unit: Option<PathBuf>,
    /// The service log (CSV)
    #[arg(long, value_name = "FILE", requires = "readings")]
    service: Option<PathBuf>,
    /// Grade the units of a folder, a folder each with unit.toml, readings.csv, service.csv and truth.json, as --write
    /// writes them
    #[arg(long, value_name = "DIR", conflicts_with = "simulated")]
    folder: Option<PathBuf>,
    /// Grade simulated units of these kinds, of which the truth is known, instead of a file
    #[arg(long, value_name = "KIND,...", value_delimiter = ',', value_parser = kind_parser(), requires = "seeds")]
    simulated: Vec<Kind>,
    /// Which of them: from seed A up to B, without B; the same seed gives the same unit
    #[arg(long, value_name = "A..B", value_parser = seeds, requires = "simulated")]
    seeds: Option<Range<u64>>,
    /// Write the simulated units here, a folder each with readings, log, unit file and truth, instead of grading them
    #[arg(long, value_name = "DIR", requires = "simulated", conflicts_with = "json")]
    write: Option<PathBuf>,
    /// Days from one assessment to the next
    #[arg(long, value_name = "DAYS", default_value_t = 7, value_parser = clap::value_parser!(i64).range(1..=90))]
    every: i64,
    /// JSON: the scores
    #[arg(long)]
    json: bool,
    /// Pass over rows and columns that cannot be used, and count them
    #[arg(long)]
    lenient: bool,
}

fn kind_parser() -> impl TypedValueParser<Value = Kind> {
    PossibleValuesParser::new(Kind::ALL.map(Kind::name)).try_map(|name| {
        Kind::ALL.into_iter().find(|kind| kind.name() == name).ok_or_else(|| format!("`{name}` is not a kind"))
    })
}

fn seeds(text: &str) -> Result<Range<u64>, String> {
    let number = |text: &str| text.parse::<u64>().map_err(|_| format!("`{text}` is not a whole number; write 0..100"));
    let (from, to) = text.split_once("..").ok_or_else(|| format!("`{text}` has no `..`; write 0..100"))?;
    let seeds = number(from)?..number(to)?;
    if seeds.is_empty() { Err(format!("{text} holds no seed: the end is not counted")) } else { Ok(seeds) }
}

/// Grades the file or the simulated units.
pub fn run(args: &GradeArgs, style: Style) -> Result<(), Failure> {
    let constants = HindcastConstants {
        every_days: args.every,
        ahead_within_days: (args.every / 2).max(1),
        ..HindcastConstants::default()
    };
    let seeds = args.seeds.clone().unwrap_or(0..0);
    if let Some(folder) = &args.write {
        return args.simulated.iter().try_for_each(|kind| write_units(folder, *kind, &seeds));
    }
    let scored = match (&args.readings, &args.unit, &args.folder) {
        (Some(readings), Some(unit), _) => vec![from_files(readings, unit, args, &constants)?],
        (_, _, Some(folder)) => vec![from_folder(folder, args.lenient, &constants)?],
        _ => args.simulated.iter().map(|kind| simulated(*kind, &seeds, &constants)).collect::<Result<_, _>>()?,
    };
    if args.json {
        return output::print_json(&json!({"schema": SCHEMA, "every_days": args.every, "scored": scored}));
    }
    let pages: Vec<String> = scored.iter().map(|scored| scored.render(&constants, style)).collect();
    output::print(&pages.join("\n"))
}

fn scored(of: String, grades: &[UnitGrade], c: &HindcastConstants) -> Scored {
    let forecasts = grades.iter().flat_map(UnitGrade::forecasts).collect();
    Scored { of, scores: grade_fleet(grades, c), forecasts }
}

/// A real unit, of which only the readings say what came.
fn from_files(readings: &Path, papers: &Path, args: &GradeArgs, c: &HindcastConstants) -> Result<Scored, Failure> {
    let (spec, intensity) = unit(papers)?;
    let dialect = Dialect { intensity, not_after: clock::now(), lenient: args.lenient };
    let readings = read_readings(readings, &dialect)?;
    let log = read_log(args.service.as_deref(), &dialect)?;
    let constants = Constants::default();
    let days = rollup::summarise(&readings, &spec, &log, &constants.for_unit(&spec).rollup);
    let subject = Subject {
        spec: &spec,
        readings: &readings,
        days: &days,
        log: &log,
        cadence_millis: cadence(&readings),
        neighbours: None,
    };
    let progress = Progress::new("assessments");
    let assess = |history: &History<'_>, as_of: Timestamp| -> Assessment {
        progress.one_more();
        analysis::assess(history, as_of, &constants)
    };
    let grade = grade_observed(&subject, (&constants.steps, &constants.episodes), &assess, c);
    Ok(scored(spec.id.to_string(), &[grade], c))
}

/// Simulated units of a kind.
fn simulated(kind: Kind, seeds: &Range<u64>, c: &HindcastConstants) -> Result<Scored, Failure> {
    let progress = Progress::new("assessments");
    let seeds_in_order: Vec<u64> = seeds.clone().collect();
    let grades =
        side_by_side(&seeds_in_order, &|seed| Ok(known::grade_simulated(&known::simulate(kind, *seed), c, &progress)))?;
    Ok(scored(format!("{kind}, seeds {}..{}", seeds.start, seeds.end), &grades, c))
}

/// Units with known truth in a folder.
fn from_folder(folder: &Path, lenient: bool, c: &HindcastConstants) -> Result<Scored, Failure> {
    let units = known::units_in(folder)?;
    let progress = Progress::new("assessments");
    let grades = side_by_side(&units, &|unit| known::grade_folder(unit, lenient, c, &progress))?;
    Ok(scored(folder.display().to_string(), &grades, c))
}

/// Grades a number of units side by side; their order, and so the scores, do not depend on the machine. The first
/// failure in that order counts.
fn side_by_side<T: Sync>(
    units: &[T],
    grade: &(dyn Fn(&T) -> Result<UnitGrade, Failure> + Sync),
) -> Result<Vec<UnitGrade>, Failure> {
    let next = AtomicUsize::new(0);
    let failed = AtomicBool::new(false);
    let worker = || {
        let mut done = Vec::new();
        while !failed.load(Ordering::Relaxed) {
            let place = next.fetch_add(1, Ordering::Relaxed);
            let Some(unit) = units.get(place) else { break };
            let graded = grade(unit);
            failed.fetch_or(graded.is_err(), Ordering::Relaxed);
            done.push((place, graded));
        }
        done
    };
    let workers = thread::available_parallelism().map_or(1, usize::from);
    let mut grades: Vec<(usize, Result<UnitGrade, Failure>)> = thread::scope(|scope| {
        let running: Vec<_> = (0..workers).map(|_| scope.spawn(worker)).collect();
        let ended = running.into_iter().map(thread::ScopedJoinHandle::join);
        ended.flat_map(|done| done.unwrap_or_else(|panic| std::panic::resume_unwind(panic))).collect()
    });
    grades.sort_by_key(|(place, _)| *place);
    grades.into_iter().map(|(_, graded)| graded).collect()
}

/// Each simulated unit as a folder.
fn write_units(folder: &Path, kind: Kind, seeds: &Range<u64>) -> Result<(), Failure> {
    let progress = Progress::new("units written");
    for seed in seeds.clone() {
        known::write(&folder.join(format!("{kind}-{seed}")), &known::simulate(kind, seed))?;
        progress.one_more();
    }
    Ok(())
}
