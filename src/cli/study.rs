//! `fadeline study`: one unit's history from a file, without daemon or store.

use std::path::PathBuf;

use jiff::tz::TimeZone;

use crate::analysis::{self, Constants, rollup};
use crate::clock;
use crate::domain::Timestamp;
use crate::files::Dialect;
use crate::report::Style;
use crate::report::study::Study;

use super::log::time_or_day;
use super::unit_files::{history, read_log, read_readings, unit};
use super::{Exit, Failure, output};

/// Arguments of `study`.
#[derive(Clone, Debug, clap::Args)]
pub struct StudyArgs {
    /// Readings: CSV or SenML JSON, may be .gz or .zst; - is standard input
    readings: PathBuf,
    /// The unit file (TOML)
    #[arg(long, value_name = "FILE")]
    unit: PathBuf,
    /// The service log (CSV)
    #[arg(long, value_name = "FILE")]
    service: Option<PathBuf>,
    /// Judge as of this time, with nothing later: RFC 3339, the site's own time, or a day (its end is taken); default:
    /// the last reading
    #[arg(long, value_name = "TIME")]
    as_of: Option<String>,
    /// JSON: the assessment
    #[arg(long)]
    json: bool,
    /// Pass over rows and columns that cannot be used, and count them
    #[arg(long)]
    lenient: bool,
}

/// Studies the file.
pub fn run(args: &StudyArgs, style: Style) -> Result<(), Failure> {
    let (spec, intensity) = unit(&args.unit)?;
    let now = clock::now();
    let as_of = args.as_of.as_deref().map(|text| as_of(text, &spec.zone)).transpose();
    let asked = as_of.map_err(|says| Failure::new(Exit::Usage, says))?;
    let not_after = asked.map_or(now, |as_of| as_of.max(now));
    let dialect = Dialect { intensity, not_after, lenient: args.lenient };
    let readings = read_readings(&args.readings, &dialect)?;
    let log = read_log(args.service.as_deref(), &dialect)?;
    let as_of = asked.or(readings.last().map(|last| last.at)).unwrap_or(now);
    let known = &readings[..readings.partition_point(|reading| reading.at <= as_of)];
    if known.is_empty() {
        let says = format!("{}: no reading at or before {as_of}; give a later --as-of", args.readings.display());
        return Err(Failure::new(Exit::BadData, says));
    }
    let constants = Constants::default();
    let log = &log[..log.partition_point(|entry| entry.at <= as_of)];
    let days = rollup::summarise(known, &spec, log, &constants.for_unit(&spec).rollup);
    let assessment = analysis::assess(&history(&spec, &days, log, known), as_of, &constants);
    if args.json {
        return output::print_json(&assessment);
    }
    output::print(&Study { spec: &spec, assessment: &assessment, days: &days, log }.render(style))
}

/// The time to judge at; of a day its last moment, so that the whole of it counts.
fn as_of(text: &str, zone: &TimeZone) -> Result<Timestamp, String> {
    time_or_day("--as-of", text, zone, |day| Some(Timestamp::day_bounds(day, zone).1.plus_millis(-1)))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_day_to_judge_at_counts_whole() {
        let zone = TimeZone::get("Europe/Vienna").unwrap();
        for (text, utc) in [
            ("2026-08-14", "2026-08-14T21:59:59.999Z"),
            ("2026-08-14T15:30", "2026-08-14T13:30:00Z"),
            ("2026-08-14T15:30:00Z", "2026-08-14T15:30:00Z"),
        ] {
            assert_eq!(as_of(text, &zone).unwrap(), utc.parse().unwrap(), "{text}");
        }
        assert!(as_of("yesterday", &zone).unwrap_err().starts_with("--as-of `yesterday` is not a time"));
    }
}
