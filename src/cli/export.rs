//! `fadeline export`: readings or service histories as files.

use std::collections::BTreeMap;
use std::io::{self, ErrorKind};
use std::path::{Path, PathBuf};

use clap::ValueEnum;
use jiff::tz::TimeZone;

use crate::archive::{Section, Selection};
use crate::config::Config;
use crate::domain::id::check_id;
use crate::domain::{IntensityUnit, Timestamp, UnitId};
use crate::files::export::{LogOut, ReadingsOut};
use crate::store::StoreError;

use super::interrupt::Interrupt;
use super::log::time_or_day;
use super::out_file::{OutFile, cannot_write};
use super::progress::{Progress, grouped};
use super::{ConfigArg, Exit, Failure, data, output, way};

const HELP: &str = "\
CSV: the first column is time (RFC 3339, UTC), then every channel; an empty cell was not measured. With several units \
the second column is unit (SITE/UNIT). Intensity is in mW/cm2, or in percent where the unit's sensor gives percent.\n\
SenML (RFC 8428): one pack, records named SITE/UNIT/CHANNEL. Parquet: unit, time (UTC, milliseconds), every channel as \
an optional double.\n\n\
`fadeline import` reads all three back, to the last digit. A file appears when it is whole: an export that fails or is \
stopped leaves none. Works beside a running daemon and without one.\n\n\
Examples:\n  \
fadeline export --output all.parquet\n  \
fadeline export heron-bight --from 2026-01-01 --to 2026-07-01 --output half-year.csv.zst\n  \
fadeline export heron-bight/boathouse | head\n  \
fadeline export heron-bight --logbook --output visits.csv";

/// Arguments of `export`.
#[derive(Clone, Debug, clap::Args)]
#[command(after_help = HELP)]
pub struct ExportArgs {
    /// Which site or unit [default: all]
    #[arg(value_name = "SITE[/UNIT]")]
    of: Option<String>,
    /// Nothing before this: RFC 3339, the site's own time, or a day (its beginning)
    #[arg(long, value_name = "TIME")]
    from: Option<String>,
    /// Nothing at or after this: RFC 3339, the site's own time, or a day (its beginning)
    #[arg(long, value_name = "TIME")]
    to: Option<String>,
    /// The format [default: by the file's name (.csv, .json, .parquet), else csv]
    #[arg(long)]
    format: Option<Format>,
    /// The file; packed if it ends in .gz or .zst [default: standard output]
    #[arg(long, short, value_name = "FILE")]
    output: Option<PathBuf>,
    /// The service history instead of the readings (CSV)
    #[arg(long)]
    logbook: bool,
    #[command(flatten)]
    config: ConfigArg,
}

/// What a file of readings can be.
#[derive(Clone, Copy, Debug, PartialEq, Eq, ValueEnum)]
pub enum Format {
    /// A table
    Csv,
    /// SenML JSON, RFC 8428
    Senml,
    /// Parquet
    Parquet,
}

impl Format {
    fn of(path: &Path) -> Option<Self> {
        let name = path.file_name()?.to_str()?;
        let name = name.trim_end_matches(".gz").trim_end_matches(".zst");
        match name.rsplit_once('.')?.1 {
            "csv" => Some(Self::Csv),
            "json" | "senml" => Some(Self::Senml),
            "parquet" => Some(Self::Parquet),
            _ => None,
        }
    }
}

/// What the sections are written to.
enum Out {
    Readings(ReadingsOut<OutFile>),
    Log(Box<LogOut<OutFile>>),
}

/// Exports.
pub fn run(args: &ExportArgs) -> Result<(), Failure> {
    let config = data::load(&args.config)?;
    let wanted = selection(args, &config)?;
    // Before there is a file: Ctrl-C from here on leaves no half of one.
    let interrupt = Interrupt::listen()?;
    let out = OutFile::create(args.output.as_deref(), 0o666)?;
    match write(args, &config, &wanted, out, &interrupt) {
        // Nobody listens any more, as with `| head`.
        Err(Ended::Out(error)) if error.kind() == ErrorKind::BrokenPipe && to_stdout(args) => Ok(()),
        Err(Ended::Out(error)) => {
            Err(cannot_write(args.output.as_deref().unwrap_or(Path::new("standard output")), &error))
        }
        Err(Ended::Failed(failure)) => Err(failure),
        Ok(said) => {
            if !to_stdout(args) {
                output::note(&said);
            }
            Ok(())
        }
    }
}

fn to_stdout(args: &ExportArgs) -> bool {
    args.output.as_deref().is_none_or(|path| path.as_os_str() == "-")
}

enum Ended {
    Out(io::Error),
    Failed(Failure),
}

impl From<Failure> for Ended {
    fn from(failure: Failure) -> Self {
        Self::Failed(failure)
    }
}

impl From<StoreError> for Ended {
    fn from(error: StoreError) -> Self {
        Self::Failed(error.into())
    }
}

fn write(
    args: &ExportArgs,
    config: &Config,
    wanted: &Selection,
    out: OutFile,
    interrupt: &Interrupt,
) -> Result<String, Ended> {
    let format = args.format.or_else(|| Format::of(args.output.as_deref()?)).unwrap_or(Format::Csv);
    if args.logbook && format != Format::Csv {
        let says = "a service history is exported as CSV only; leave --format out";
        return Err(Failure::new(Exit::Usage, says).into());
    }
    let mut export = Export {
        begin: Some(out),
        out: None,
        format,
        wanted,
        intensity: config.units.iter().map(|spec| (&spec.id, spec.sensor.unit)).collect(),
        progress: Progress::new("exporting"),
        done: 0,
        of: 0,
        units: 0,
    };
    way::find(config)?.hand_out(wanted, |section| {
        interrupt.check("nothing was written")?;
        export.take(section)
    })?;
    export.finish()
}

/// An export under way.
struct Export<'a> {
    begin: Option<OutFile>,
    out: Option<Out>,
    format: Format,
    wanted: &'a Selection,
    intensity: BTreeMap<&'a UnitId, IntensityUnit>,
    progress: Progress,
    done: u64,
    of: u64,
    units: u64,
}

impl Export<'_> {
    fn take(&mut self, section: Section) -> Result<(), Ended> {
        match (section, &mut self.out) {
            (Section::Head(head), _) => {
                (self.of, self.units) = (head.readings, head.units);
                self.begin()?;
            }
            (Section::Rows { unit, rows }, Some(Out::Readings(out))) => {
                self.done += rows.len() as u64;
                let intensity = self.intensity.get(&unit).copied().unwrap_or(IntensityUnit::MilliwattPerCm2);
                out.put(&unit, intensity, &rows).map_err(Ended::Out)?;
            }
            (Section::Logbook { unit, entries }, Some(Out::Log(out))) => {
                self.done += entries.len() as u64;
                out.put(&unit, &entries).map_err(Ended::Out)?;
            }
            (Section::Lost { unit, days }, _) => output::complain(&lost(&unit, &days)),
            _ => {}
        }
        self.progress.show(self.done, self.of, &format!("{} readings", grouped(self.done)));
        Ok(())
    }

    /// Writes the beginning, once it is known that there is anything.
    fn begin(&mut self) -> Result<(), Ended> {
        if let (0, Some(of)) = (self.units, &self.wanted.of) {
            let says = format!("nothing is stored of `{of}`; `fadeline units` lists the units");
            return Err(Failure::new(Exit::Usage, says).into());
        }
        let Some(out) = self.begin.take() else { return Ok(()) };
        let several = self.wanted.of.as_deref().is_none_or(|of| !of.contains('/'));
        let begun = match self.format {
            Format::Csv if self.wanted.logbook => LogOut::new(out, several).map(|out| Out::Log(Box::new(out))),
            Format::Csv => ReadingsOut::csv(out, several).map(Out::Readings),
            Format::Senml => ReadingsOut::senml(out).map(Out::Readings),
            Format::Parquet => ReadingsOut::parquet(out).map(Out::Readings),
        };
        self.out = Some(begun.map_err(Ended::Out)?);
        Ok(())
    }

    fn finish(self) -> Result<String, Ended> {
        let written = match self.out {
            Some(Out::Readings(out)) => out.finish().and_then(OutFile::finish),
            Some(Out::Log(out)) => out.finish().and_then(OutFile::finish),
            None => Ok(()),
        };
        written.map_err(Ended::Out)?;
        let what = if self.wanted.logbook { "service entries" } else { "readings" };
        let units = super::check::count(self.units as usize, "unit");
        Ok(format!("exported {} {what} of {units}", grouped(self.done)))
    }
}

/// That readings are missing because their block is damaged.
pub(super) fn lost(unit: &UnitId, days: &[i64]) -> String {
    let day = |day: &i64| Timestamp::from_secs(day.saturating_mul(86_400)).to_string().chars().take(10).collect();
    let shown: Vec<String> = days.iter().take(10).map(day).collect();
    let more = if days.len() > 10 { format!(" and {} more", days.len() - 10) } else { String::new() };
    format!(
        "{unit}: the readings of {}{more} are damaged in the store and missing here; `fadeline verify` says more",
        shown.join(", ")
    )
}

fn selection(args: &ExportArgs, config: &Config) -> Result<Selection, Failure> {
    let usage = |says: String| Failure::new(Exit::Usage, says);
    if let Some(of) = &args.of {
        let parts: Vec<&str> = of.split('/').collect();
        if parts.len() > 2 {
            return Err(usage(format!("`{of}` names no site and no unit; write SITE or SITE/UNIT")));
        }
        parts.into_iter().try_for_each(check_id).map_err(|error| usage(error.to_string()))?;
    }
    let wanted = Selection { everything: false, of: args.of.clone(), from: None, to: None, logbook: args.logbook };
    let zone = config.units.iter().find(|spec| wanted.takes(&spec.id)).map_or(TimeZone::UTC, |spec| spec.zone.clone());
    let time = |option: &str, text: &Option<String>| {
        let of_day = |day| Some(Timestamp::day_start(day, &zone));
        text.as_deref().map(|text| time_or_day(option, text, &zone, of_day)).transpose().map_err(usage)
    };
    let (from, to) = (time("--from", &args.from)?, time("--to", &args.to)?);
    if let (Some(from), Some(to)) = (from, to)
        && from >= to
    {
        return Err(usage(format!("--from {from} is not before --to {to}; nothing lies between them")));
    }
    Ok(Selection { from, to, ..wanted })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_name_tells_the_format() {
        for (name, format) in [
            ("a.csv", Some(Format::Csv)),
            ("a.csv.gz", Some(Format::Csv)),
            ("dir.csv/a.json.zst", Some(Format::Senml)),
            ("a.parquet", Some(Format::Parquet)),
            ("a", None),
            ("-", None),
        ] {
            assert_eq!(Format::of(Path::new(name)), format, "{name}");
        }
    }
}
