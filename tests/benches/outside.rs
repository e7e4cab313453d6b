//! The same unit in the same run through rdtools and statsmodels: `tests/outside/venv` makes the Python they need.

use std::path::Path;
use std::process::Command;

use fadeline::analysis::{Constants, History, assess, rollup};
use fadeline::domain::Timestamp;
use fadeline::domain::time::MINUTE;
use fadeline::scenario::{self, Kind, Simulated, export, random_plan};

use super::table::Row;
use super::timing::{median, once};

/// The unit: nearly three years, six logged resets.
const SEED: u64 = 40_001;
const ROUNDS: usize = 9;
const STEP: i64 = 10 * MINUTE;

/// Our assessment from the days beside rdtools' and statsmodels' fits, also from daily values.
pub fn run() -> Result<Vec<Row>, String> {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/outside");
    let python = Command::new(folder.join("venv")).output().map_err(|e| format!("skipped: tests/outside/venv: {e}"))?;
    if !python.status.success() {
        return Err("skipped: tests/outside/venv could not install rdtools and statsmodels".to_owned());
    }
    let python = String::from_utf8_lossy(&python.stdout).trim().to_owned();
    let plan = random_plan(Kind::Usual, SEED);
    let sim = scenario::simulate(&plan, plan.from, plan.to, STEP);
    let unit = tempfile::tempdir().expect("a folder");
    for (name, text) in [
        ("unit.toml", export::unit_toml(&sim.spec)),
        ("service.csv", export::service_csv(&sim.log)),
        ("readings.csv", export::readings_csv(&sim.readings)),
    ] {
        std::fs::write(unit.path().join(name), text).expect("a file");
    }
    let ours = 1e3 * ours(&sim);
    let said =
        Command::new(python).arg(folder.join("speed.py")).arg(unit.path()).output().map_err(|e| e.to_string())?;
    let said = String::from_utf8_lossy(&said.stdout);
    let seconds: Vec<f64> = said.lines().filter_map(|line| line.parse().ok()).collect();
    let [dates, intervals, regressions] = seconds[..] else {
        return Err(format!("tests/outside/speed.py said {said:?}"));
    };
    let row = |other: &str, seconds: f64| {
        Row::new("study: assess from the days, once more", ours, "ms").against(other, 1e3 * seconds)
    };
    Ok(vec![
        row("rdtools, dates alone (1 repetition)", dates),
        row("rdtools, its usual 1000 repetitions", intervals),
        row("statsmodels, one OLS and one GLSAR", regressions),
    ])
}

/// Median seconds.
fn ours(sim: &Simulated) -> f64 {
    let constants = Constants::default();
    let days = rollup::summarise(&sim.readings, &sim.spec, &sim.log, &constants.rollup);
    let history = History {
        spec: &sim.spec,
        days: &days,
        log: &sim.log,
        latest: sim.readings.last().copied(),
        cadence_millis: Some(STEP),
        neighbours: None,
    };
    let as_of = sim.readings.last().map_or(Timestamp::MAX, |last| last.at);
    median((0..ROUNDS).map(|_| once(|| assess(&history, as_of, &constants)).1).collect())
}
