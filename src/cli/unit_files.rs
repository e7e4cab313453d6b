//! A unit as files on a command line: its papers, its readings, its service log.

use std::path::Path;

use crate::analysis::History;
use crate::config;
use crate::domain::{Channel, DaySummary, Measure, Reading, ServiceEntry, UnitSpec};
use crate::files::unit::intensity_measure;
use crate::files::{Dialect, FileError, Refused, Source, readings, service};

use super::{Exit, Failure, output};

/// The unit's papers, and the unit its intensities are written in.
pub fn unit(path: &Path) -> Result<(UnitSpec, Measure), Failure> {
    let source = Source::open(path).map_err(|e| file_failure(&e))?;
    let text = String::from_utf8(source.bytes)
        .map_err(|_| Failure::new(Exit::BadData, format!("{}: is not UTF-8 text; save it as UTF-8", source.name)))?;
    let (spec, warnings) =
        config::unit_file(&text, path).map_err(|mistakes| Failure::new(Exit::Config, mistakes.to_string()))?;
    warnings.iter().for_each(|warning| output::complain(&format!("warning: {warning}")));
    Ok((spec, intensity_measure(&text)))
}

/// The readings, ascending by time.
pub fn read_readings(path: &Path, dialect: &Dialect) -> Result<Vec<Reading>, Failure> {
    let file = Source::open(path).and_then(|source| readings::parse(&source, dialect)).map_err(|e| file_failure(&e))?;
    if !file.ignored_columns.is_empty() {
        output::complain(&format!("passed over the columns {}", file.ignored_columns.join(", ")));
    }
    passed_over(&file.refused);
    Ok(file.readings)
}

/// The service log, ascending by time; none without a file.
pub fn read_log(path: Option<&Path>, dialect: &Dialect) -> Result<Vec<ServiceEntry>, Failure> {
    let Some(path) = path else { return Ok(Vec::new()) };
    let file = Source::open(path).and_then(|source| service::parse(&source, dialect)).map_err(|e| file_failure(&e))?;
    passed_over(&file.refused);
    Ok(file.entries)
}

fn passed_over(refused: &Refused) {
    if !refused.is_empty() {
        output::complain(&format!("passed over: {refused}"));
    }
}

/// The exit code and the hint that belong to a file that cannot be used.
pub fn file_failure(error: &FileError) -> Failure {
    let kind = if error.is_io() { Exit::Io } else { Exit::BadData };
    let hint =
        if matches!(error, FileError::Rows(_)) { "\ncorrect them, or pass over them with --lenient" } else { "" };
    Failure::new(kind, format!("{error}{hint}"))
}

/// What is known of a unit at the end of its readings.
pub fn history<'a>(
    spec: &'a UnitSpec,
    days: &'a [DaySummary],
    log: &'a [ServiceEntry],
    readings: &[Reading],
) -> History<'a> {
    let latest = readings.iter().rev().find(|reading| reading.get(Channel::Intensity).is_some()).copied();
    History { spec, days, log, latest, cadence_millis: cadence(readings), neighbours: None }
}

/// The median gap between the last readings, milliseconds.
pub fn cadence(readings: &[Reading]) -> Option<i64> {
    /// About a day of ten-minute readings.
    const READINGS: usize = 144;
    let last = &readings[readings.len().saturating_sub(READINGS)..];
    let mut gaps: Vec<i64> = last.windows(2).map(|pair| pair[1].at.millis_since(pair[0].at)).collect();
    gaps.sort_unstable();
    gaps.get(gaps.len() / 2).copied()
}
