//! One study on one thread: a simulated unit's whole history from CSV text to causes and a cleaning date.

use std::hint::black_box;

use fadeline::analysis::{Constants, History, assess, episodes, rollup, steps};
use fadeline::domain::time::MINUTE;
use fadeline::domain::{IntensityUnit, Measure, Timestamp};
use fadeline::files::{Dialect, Source, readings};
use fadeline::report::{Style, study::Study};
use fadeline::scenario::{self, Kind, UnitPlan, export, random_plan};

use super::table::Row;
use super::timing::{median, once};

/// Units measured; a unit's events decide how much there is to fit.
const UNITS: usize = 5;
/// Drawn units live one to three years; those of nearly three are taken.
const DAYS_MIN: f64 = 1_040.0;
/// Times each.
const ROUNDS: usize = 3;
const STEP: i64 = 10 * MINUTE;

#[derive(Default)]
struct Seconds {
    read: Vec<f64>,
    walk: Vec<f64>,
    roll_up: Vec<f64>,
    steps: Vec<f64>,
    episodes: Vec<f64>,
    assess: Vec<f64>,
    whole: Vec<f64>,
}

/// Reading, rolling up, assessing, and all of it with the page.
pub fn run() -> Vec<Row> {
    let mut seconds = Seconds::default();
    let (mut rows, mut years) = (Vec::new(), Vec::new());
    let plans = (0..).map(|seed| random_plan(Kind::Usual, seed));
    for plan in plans.filter(|plan| plan.to.days_since(plan.from) >= DAYS_MIN).take(UNITS) {
        years.push(plan.to.days_since(plan.from) / 365.25);
        rows.push(unit(&plan, &mut seconds) as f64);
    }
    let years = median(years);
    let ms = |values: Vec<f64>| median(values) * 1e3;
    let rows = median(rows);
    let whole = ms(seconds.whole);
    vec![
        Row::new(format!("study: read the CSV, {rows:.0} rows ({years:.1} years)"), ms(seconds.read), "ms")
            .against("csv crate, fields only", ms(seconds.walk)),
        Row::new("study: roll the readings up to days", ms(seconds.roll_up), "ms"),
        Row::new("study: find steps in the days (part of assessing)", ms(seconds.steps), "ms"),
        Row::new("study: find episodes in the days (part of assessing)", ms(seconds.episodes), "ms"),
        Row::new("study: assess from the days", ms(seconds.assess), "ms"),
        Row::new("study: the whole, CSV text to the page", whole, "ms"),
    ]
}

/// Measures one unit; gives its rows.
fn unit(plan: &UnitPlan, seconds: &mut Seconds) -> usize {
    let simulated = scenario::simulate(plan, plan.from, plan.to, STEP);
    let (spec, log) = (&simulated.spec, simulated.log.as_slice());
    let text = export::readings_csv(&simulated.readings).into_bytes();
    let source = Source { name: "readings.csv".to_owned(), bytes: text };
    let intensity = match spec.sensor.unit {
        IntensityUnit::MilliwattPerCm2 => Measure::MilliwattPerCm2,
        IntensityUnit::Percent => Measure::Percent,
    };
    let dialect = Dialect { intensity, not_after: plan.to, lenient: false };
    let constants = Constants::default();
    for _ in 0..ROUNDS {
        let (file, read) = once(|| readings::parse(black_box(&source), &dialect).expect("our own file"));
        assert_eq!(file.readings.len(), simulated.readings.len(), "every reading is read");
        let (days, roll_up) = once(|| rollup::summarise(&file.readings, spec, log, &constants.rollup));
        let history = History {
            spec,
            days: &days,
            log,
            latest: file.readings.last().copied(),
            cadence_millis: Some(STEP),
            neighbours: None,
        };
        let as_of = file.readings.last().map_or(Timestamp::MAX, |last| last.at);
        let (found, steps) = once(|| steps::find(&days, log, spec, &constants.steps));
        let work = log.iter().map(|entry| entry.at.date_in(&spec.zone));
        let resets: Vec<_> = work.chain(found.steps.iter().map(|step| step.date)).collect();
        let (_, episodes) = once(|| black_box(episodes::find(&days, &resets, spec, &constants.episodes)));
        let (assessment, assess) = once(|| assess(&history, as_of, &constants));
        let study = Study { spec, assessment: &assessment, days: &days, log };
        let (page, render) = once(|| study.render(Style::PLAIN));
        assert!(!page.is_empty());
        seconds.read.push(read);
        seconds.walk.push(once(|| walk(black_box(&source.bytes))).1);
        seconds.roll_up.push(roll_up);
        seconds.steps.push(steps);
        seconds.episodes.push(episodes);
        seconds.assess.push(assess);
        seconds.whole.push(read + roll_up + assess + render);
    }
    simulated.readings.len()
}

/// The csv crate over the same bytes, splitting fields and nothing more.
fn walk(bytes: &[u8]) -> usize {
    let mut reader = csv::ReaderBuilder::new().has_headers(false).from_reader(bytes);
    let mut record = csv::ByteRecord::new();
    let mut fields = 0;
    while reader.read_byte_record(&mut record).expect("CSV") {
        fields += record.len();
    }
    fields
}
