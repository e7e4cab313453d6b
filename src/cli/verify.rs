//! `fadeline verify`: reads everything and checks it.

use std::collections::BTreeMap;
use std::fmt::Write as _;
use std::path::{Path, PathBuf};

use crate::archive::{CheckReport, Section, UnitCheck};
use crate::domain::UnitId;
use crate::domain::time::{DAY, HOUR};

use super::interrupt::Interrupt;
use super::progress::Progress;
use super::progress::grouped;
use super::{ConfigArg, Exit, Failure, data, export, output, restore, way};

const HELP: &str = "\
Of the store: every block of readings, every roll-up, service entry and assessment is read, decoded and compared with \
its checksum and with the counts kept beside it; nothing is changed. Of a backup: every section likewise.\n\nA gap is a \
silence of at least an hour and of six usual intervals. Gaps are no damage: a cabin may have been shut.\n\n\
Exit code 74 where anything is damaged. Then: stop the daemon, keep a copy of the data directory, and restore the \
newest backup that verifies; what came since is still in the units' loggers or lost. A store with a few damaged blocks \
goes on working without them; where the disk has spoilt the database under them, the next start gives up what cannot be \
read, keeps its bytes in `damaged/`, says which days are lost and serves the rest.";

/// Arguments of `verify`.
#[derive(Clone, Debug, clap::Args)]
#[command(after_help = HELP)]
pub struct VerifyArgs {
    /// A backup to check instead of the store
    #[arg(value_name = "BACKUP")]
    backup: Option<PathBuf>,
    /// JSON: all of it, with the longest gaps of every unit
    #[arg(long)]
    json: bool,
    #[command(flatten)]
    config: ConfigArg,
}

/// Checks the store or a backup.
pub fn run(args: &VerifyArgs) -> Result<(), Failure> {
    let report = match &args.backup {
        Some(path) => backup(path, &Interrupt::listen()?)?,
        None => {
            let config = data::load(&args.config)?;
            let mut progress = Progress::new("verifying");
            way::find(&config)?.check(|so_far| {
                progress.show(so_far.done, so_far.of, &format!("{} unit-days", grouped(so_far.done)));
            })?
        }
    };
    if args.json {
        output::print_json(&report)?;
    } else {
        output::print(&text(&report))?;
    }
    if report.damaged.is_empty() {
        return Ok(());
    }
    let says = format!(
        "{} of {} damaged; keep a copy of the data directory and restore the newest backup that verifies \
         (`fadeline restore`)",
        super::check::count(report.damaged.len(), "piece"),
        report.of
    );
    Err(Failure::new(Exit::Io, says))
}

/// Reads a backup to its end.
fn backup(path: &Path, interrupt: &Interrupt) -> Result<CheckReport, Failure> {
    let damaged = |error: &crate::archive::ArchiveError| Failure { kind: Exit::Io, ..restore::refused(path, error) };
    let bytes = std::fs::metadata(path).map_or(0, |meta| meta.len());
    let mut reader = restore::open(path).map_err(|failure| Failure { kind: Exit::Io, ..failure })?;
    let mut units: BTreeMap<UnitId, UnitCheck> = BTreeMap::new();
    let mut report = CheckReport { of: path.display().to_string(), blocks: 1, ..CheckReport::default() };
    let mut progress = Progress::new("verifying");
    while let Some(section) = reader.next().map_err(|error| damaged(&error))? {
        interrupt.check("the check is not finished")?;
        report.blocks += 1;
        match section {
            Section::Unit(head) => {
                units.insert(head.unit.clone(), UnitCheck::new(head.unit, head.readings));
            }
            Section::Rows { unit, rows } => {
                units.entry(unit.clone()).or_insert_with(|| UnitCheck::new(unit, 0)).see(&rows);
            }
            Section::Lost { unit, days } => report.damaged.push(export::lost(&unit, &days)),
            _ => {}
        }
        progress.show(reader.offset(), bytes, &format!("{} readings", grouped(reader.counts().readings)));
    }
    let counts = reader.counts();
    report.readings = counts.readings;
    report.bytes = reader.offset();
    report.records = counts.days + counts.hours + counts.entries + counts.assessments;
    report.units = units.into_values().collect();
    Ok(report)
}

fn text(report: &CheckReport) -> String {
    let mut text = format!(
        "{}: {} readings in {} blocks ({} bytes), {} roll-ups, service entries and assessments\n",
        report.of,
        grouped(report.readings),
        grouped(report.blocks),
        grouped(report.bytes),
        grouped(report.records)
    );
    if !report.units.is_empty() {
        let _ = writeln!(
            text,
            "\n{:<28}{:>12}  {:<10}  {:<10}  {:>5}  longest gap",
            "unit", "readings", "first", "last", "gaps"
        );
    }
    for unit in &report.units {
        let day = |at: Option<crate::domain::Timestamp>| {
            at.map_or_else(|| "-".to_owned(), |at| at.to_string().chars().take(10).collect())
        };
        let longest = unit.gaps.iter().max_by_key(|gap| gap.to.millis_since(gap.from));
        let longest = longest.map_or_else(String::new, |gap| {
            let millis = gap.to.millis_since(gap.from);
            let long =
                if millis >= 2 * DAY { format!("{} days", millis / DAY) } else { format!("{} h", millis / HOUR) };
            format!("{long}, from {}", day(Some(gap.from)))
        });
        // Writing to a String cannot fail.
        let _ = writeln!(
            text,
            "{:<28}{:>12}  {:<10}  {:<10}  {:>5}  {longest}",
            unit.unit.as_str(),
            grouped(unit.readings),
            day(unit.first),
            day(unit.last),
            unit.gap_count
        );
    }
    match report.damaged.as_slice() {
        [] => text.push_str("\neverything decodes and every checksum is right\n"),
        damaged => {
            text.push_str("\nDAMAGED\n");
            damaged.iter().for_each(|piece| text.push_str(&format!("  {piece}\n")));
        }
    }
    text
}
