//! `fadeline grade`: repeat the study at past dates and score what it then said against what came.

use std::fs;
use std::io::{self, IsTerminal, Write};
use std::ops::Range;
use std::path::{Path, PathBuf};
use std::sync::Mutex;
use std::sync::atomic::{AtomicUsize, Ordering};
use std::thread;
use std::time::{Duration, Instant};

use clap::builder::{PossibleValuesParser, TypedValueParser};
use jiff::civil::Date;
use serde_json::json;

use crate::analysis::hindcast::{
    HindcastConstants, Outcome, Reality, Subject, TrueLosses, TrueStep, UnitGrade, grade_fleet, grade_observed,
    grade_unit,
};
use crate::analysis::{self, Constants, History, rollup};
use crate::clock;
use crate::domain::time::MINUTE;
use crate::domain::{Assessment, Cause, DaySummary, Timestamp, VerdictCause};
use crate::files::Dialect;
use crate::report::Style;
use crate::report::grade::Scored;
use crate::scenario::{self, Kind, Losses, Simulated, export, random_plan};

use super::unit_files::{cadence, read_log, read_readings, unit};
use super::{Exit, Failure, output};

/// Schema of the JSON.
const SCHEMA: &str = "fadeline.grade.v1";
/// Simulated units report this often, milliseconds.
const SIMULATED_EVERY: i64 = 10 * MINUTE;

/// Arguments of `grade`.
#[derive(Clone, Debug, clap::Args)]
pub struct GradeArgs {
    /// Readings: CSV or SenML JSON, may be .gz or .zst; - is standard input
    #[arg(required_unless_present = "simulated", conflicts_with = "simulated", requires = "unit")]
    readings: Option<PathBuf>,
    /// The unit file (TOML)
    #[arg(long, value_name = "FILE", requires = "readings")]
    unit: Option<PathBuf>,
    /// The service log (CSV)
    #[arg(long, value_name = "FILE", requires = "readings")]
    service: Option<PathBuf>,
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
    let scored = match (&args.readings, &args.unit) {
        (Some(readings), Some(unit)) => vec![from_files(readings, unit, args, &constants)?],
        _ => args.simulated.iter().map(|kind| simulated(*kind, &seeds, &constants)).collect(),
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
    let days = rollup::summarise(&readings, &spec, &log, &constants.rollup);
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

/// Simulated units of a kind, graded side by side; their order, and so the scores, do not depend on the machine.
fn simulated(kind: Kind, seeds: &Range<u64>, c: &HindcastConstants) -> Scored {
    let constants = Constants::default();
    let progress = Progress::new("assessments");
    let next = AtomicUsize::new(0);
    let worker = || {
        let mut done = Vec::new();
        loop {
            let place = next.fetch_add(1, Ordering::Relaxed);
            let Some(seed) = seeds.clone().nth(place) else { return done };
            done.push((seed, grade_simulated(&live(kind, seed), &constants, c, &progress)));
        }
    };
    let workers = thread::available_parallelism().map_or(1, usize::from);
    let mut grades: Vec<(u64, UnitGrade)> = thread::scope(|scope| {
        let running: Vec<_> = (0..workers).map(|_| scope.spawn(worker)).collect();
        let ended = running.into_iter().map(thread::ScopedJoinHandle::join);
        ended.flat_map(|done| done.unwrap_or_else(|panic| std::panic::resume_unwind(panic))).collect()
    });
    grades.sort_by_key(|(seed, _)| *seed);
    let grades: Vec<UnitGrade> = grades.into_iter().map(|(_, grade)| grade).collect();
    scored(format!("{kind}, seeds {}..{}", seeds.start, seeds.end), &grades, c)
}

fn live(kind: Kind, seed: u64) -> Simulated {
    let plan = random_plan(kind, seed);
    scenario::simulate(&plan, plan.from, plan.to, SIMULATED_EVERY)
}

fn grade_simulated(sim: &Simulated, constants: &Constants, c: &HindcastConstants, progress: &Progress) -> UnitGrade {
    let days: Vec<DaySummary> = rollup::summarise(&sim.readings, &sim.spec, &sim.log, &constants.rollup);
    let subject = Subject {
        spec: &sim.spec,
        readings: &sim.readings,
        days: &days,
        log: &sim.log,
        cadence_millis: Some(SIMULATED_EVERY),
        neighbours: None,
    };
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
    let assess = |history: &History<'_>, as_of: Timestamp| -> Assessment {
        progress.one_more();
        analysis::assess(history, as_of, constants)
    };
    grade_unit(&subject, &reality, &assess, c)
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

/// Each unit as a folder of the contract's files. The truth comes last: a folder with it is whole.
fn write_units(folder: &Path, kind: Kind, seeds: &Range<u64>) -> Result<(), Failure> {
    let progress = Progress::new("units written");
    for seed in seeds.clone() {
        let sim = live(kind, seed);
        let unit = folder.join(format!("{kind}-{seed}"));
        let failed =
            |path: &Path, e: io::Error| Failure::new(Exit::Io, format!("cannot write {}: {e}", path.display()));
        fs::create_dir_all(&unit).map_err(|e| failed(&unit, e))?;
        for (name, text) in [
            ("unit.toml", export::unit_toml(&sim.spec)),
            ("service.csv", export::service_csv(&sim.log)),
            ("readings.csv", export::readings_csv(&sim.readings)),
            ("truth.json", export::truth_json(&sim)),
        ] {
            let path = unit.join(name);
            fs::write(&path, text).map_err(|e| failed(&path, e))?;
        }
        progress.one_more();
    }
    Ok(())
}

/// Says on standard error how far a long run has come: on a terminal a line that stays, elsewhere now and then a new
/// one. A short run says nothing.
struct Progress {
    what: &'static str,
    done: Mutex<(usize, Instant)>,
    every: Duration,
    terminal: bool,
}

impl Progress {
    fn new(what: &'static str) -> Self {
        let terminal = io::stderr().is_terminal();
        let every = Duration::from_secs(if terminal { 1 } else { 30 });
        Self { what, done: Mutex::new((0, Instant::now())), every, terminal }
    }

    fn one_more(&self) {
        let Ok(mut done) = self.done.lock() else { return };
        done.0 += 1;
        if done.1.elapsed() < self.every {
            return;
        }
        done.1 = Instant::now();
        if self.terminal {
            // With standard error gone there is nobody to tell.
            let _ = write!(io::stderr(), "\r{} {}", done.0, self.what);
        } else {
            output::complain(&format!("{} {} so far", done.0, self.what));
        }
    }
}

impl Drop for Progress {
    fn drop(&mut self) {
        if self.terminal {
            let _ = write!(io::stderr(), "\r\u{1b}[K");
        }
    }
}
