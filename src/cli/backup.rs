//! `fadeline backup`: everything into one file, while the daemon goes on.

use std::path::PathBuf;

use crate::archive::{Counts, Section, Selection, WriteError, Writer};

use super::export::lost;
use super::interrupt::Interrupt;
use super::out_file::{OutFile, cannot_write};
use super::progress::{Progress, grouped};
use super::{ConfigArg, Exit, Failure, data, output, way};

const HELP: &str = "\
The file holds the readings of every unit as they were when the backup began, day roll-ups, logbooks, assessments, the \
state of alerts and what waits to be published; not the config. Every part of it has a checksum. It does not depend on \
the store's form: this version and every later one can restore it. Readings go on being stored meanwhile.\n\n\
The file appears when it is whole; a backup that fails or is stopped leaves none, and an earlier one of that name stays. \
`fadeline verify FILE` checks it, `fadeline restore FILE` brings it back.";

/// Arguments of `backup`.
#[derive(Clone, Debug, clap::Args)]
#[command(after_help = HELP)]
pub struct BackupArgs {
    /// The file, such as fadeline-2026-08-14.backup; - is standard output
    #[arg(value_name = "FILE")]
    file: PathBuf,
    #[command(flatten)]
    config: ConfigArg,
}

/// Makes a backup.
pub fn run(args: &BackupArgs) -> Result<(), Failure> {
    let config = data::load(&args.config)?;
    let interrupt = Interrupt::listen()?;
    let way = way::find(&config)?;
    let failed = |error: WriteError| match error {
        WriteError::Io(error) => cannot_write(&args.file, &error),
        error => Failure::new(Exit::Failure, error.to_string()),
    };
    let out = OutFile::create(Some(&args.file), 0o600)?;
    let mut writer = Writer::new(out).map_err(|error| cannot_write(&args.file, &error))?;
    let mut progress = Progress::new("backing up");
    let mut of = 0;
    way.hand_out(&Selection::everything(), |section| {
        interrupt.check("no backup was written")?;
        match &section {
            Section::Head(head) => of = head.readings,
            Section::Lost { unit, days } => output::complain(&lost(unit, days)),
            _ => {}
        }
        writer.put(&section).map_err(failed)?;
        let done = writer.counts().readings;
        progress.show(done, of, &format!("{} readings", grouped(done)));
        Ok::<_, Failure>(())
    })?;
    let (out, counts) = writer.finish().map_err(failed)?;
    out.finish().map_err(|error| cannot_write(&args.file, &error))?;
    drop(progress);
    output::note(&format!("backed up {}", told(&counts)));
    Ok(())
}

/// What an archive holds, in words.
pub(super) fn told(counts: &Counts) -> String {
    format!(
        "{} readings of {}, {} days, {} service entries",
        grouped(counts.readings),
        super::check::count(counts.units as usize, "unit"),
        grouped(counts.days),
        grouped(counts.entries)
    )
}
