//! `fadeline import`: readings and service histories from files.

use std::collections::BTreeMap;
use std::path::PathBuf;

use crate::archive::{Section, Taken};
use crate::clock;
use crate::config::Config;
use crate::daemon::bulk;
use crate::domain::{IntensityUnit, Measure, Reading, ServiceEntry, UnitId};
use crate::files::feed::Feed;
use crate::files::import::{self, Item, Plan, Rows, Stopped};
use crate::files::refusal::LISTED_MAX;
use crate::files::{FileError, Refusal};

use super::interrupt::Interrupt;
use super::out_file::{OutFile, cannot_write};
use super::progress::{Progress, grouped};
use super::way::{self, Way};
use super::{ConfigArg, Exit, Failure, data, output};

const HELP: &str = "\
CSV (RFC 4180): a header, then rows in any order; the first column is time (RFC 3339 with a zone), one is intensity, \
the others are channels (flow, water_temperature, transmittance, turbidity, pressure_in, pressure_out, lamp_hours, \
lamp_on, lamp_starts, loop_current); an empty cell was not measured. A column unit (SITE/UNIT) makes it a table of \
several units.\nSenML JSON (RFC 8428): records named SITE/UNIT/CHANNEL, or by the channel alone with --unit.\n\
Service history: CSV with time, action, and value, by, note, unit where there are any.\nParquet: as `fadeline export` \
writes it.\n\n\
First the whole file is read: one that is cut off, damaged or of another kind is refused whole, with the place. Then \
the good rows are stored. The same rows again change nothing, so an import that was stopped is simply repeated; what is \
there already is passed over quickly. The days that changed are rolled up and their units assessed anew: at once by a \
running daemon, else when the next one starts.\n\nRows that cannot be used are listed, and the exit code is 65; \
--refused keeps them all (file, place, column, why, remedy).";

/// Readings sent at a time.
const BATCH_ROWS: usize = 100_000;

/// Arguments of `import`.
#[derive(Clone, Debug, clap::Args)]
#[command(after_help = HELP)]
pub struct ImportArgs {
    /// Files, may be .gz or .zst; - is standard input
    #[arg(value_name = "FILE", required = true)]
    files: Vec<PathBuf>,
    /// The unit all of it is of, where the files do not say
    #[arg(long, value_name = "SITE/UNIT")]
    unit: Option<UnitId>,
    /// The unit of measurement of intensity in tables [default: mW/cm2, or percent where the sensor gives percent]
    #[arg(long, value_name = "UNIT", value_parser = ["mW/cm2", "W/m2", "uW/cm2", "percent"])]
    intensity: Option<String>,
    /// Keep a list of the rows that cannot be used (CSV)
    #[arg(long, value_name = "FILE")]
    refused: Option<PathBuf>,
    /// Pass over unknown columns, and do not count refused rows as a failure
    #[arg(long)]
    lenient: bool,
    #[command(flatten)]
    config: ConfigArg,
}

/// Imports.
pub fn run(args: &ImportArgs) -> Result<(), Failure> {
    let config = data::load(&args.config)?;
    let interrupt = Interrupt::listen()?;
    let units: BTreeMap<UnitId, IntensityUnit> =
        config.units.iter().map(|spec| (spec.id.clone(), spec.sensor.unit)).collect();
    if let Some(unit) = args.unit.as_ref().filter(|unit| !units.contains_key(unit)) {
        let says = format!("there is no unit `{unit}` in the config; add it as [[unit]], then import again");
        return Err(Failure::new(Exit::Usage, says));
    }
    let given = args.intensity.as_deref().and_then(Measure::from_symbol);
    let intensity = |unit: &UnitId| {
        let usual = match units.get(unit)? {
            IntensityUnit::Percent => Measure::Percent,
            IntensityUnit::MilliwattPerCm2 => Measure::MilliwattPerCm2,
        };
        Some(given.unwrap_or(usual))
    };
    let plan = Plan { unit: args.unit.clone(), intensity: &intensity, not_after: clock::now(), lenient: args.lenient };
    let (feeds, seen) = examine(args, &plan, &interrupt)?;
    let taken = store(&config, &feeds, &plan, &interrupt)?;
    summarise(args, seen, taken)
}

/// What all files hold together.
#[derive(Clone, Copy, Debug, Default)]
struct Seen {
    rows: u64,
    refused: u64,
}

/// Reads every file to its end, and lists what cannot be used.
fn examine(args: &ImportArgs, plan: &Plan<'_>, interrupt: &Interrupt) -> Result<(Vec<Feed>, Seen), Failure> {
    let mut list = args.refused.as_deref().map(|path| RefusedList::create(path.to_owned())).transpose()?;
    let (mut feeds, mut seen) = (Vec::new(), Seen::default());
    for path in &args.files {
        let feed = Feed::open(path).map_err(of_file)?;
        let mut progress = Progress::new("reading");
        let (mut rows, mut listed) = (0_u64, 0);
        let refuse = &mut |refusal: Refusal| {
            if listed < LISTED_MAX {
                output::complain(&format!("{}: {refusal}", feed.name));
            }
            listed += 1;
            list.as_mut().map_or(Ok(()), |list| list.put(&feed.name, &refusal))
        };
        let found = import::read(&feed, plan, refuse, &mut |_| {
            rows += 1;
            if rows.is_multiple_of(4_096) {
                interrupt.check("nothing was stored")?;
                progress.show(feed.done(), feed.bytes, &format!("{} rows", grouped(rows)));
            }
            Ok(())
        });
        let Rows { seen: rows, refused, ignored_columns, .. } = found.map_err(|stopped| match stopped {
            Stopped::File(error) => of_file(error),
            Stopped::Caller(failure) => failure,
        })?;
        drop(progress);
        if refused > LISTED_MAX as u64 {
            output::complain(&format!("{}: … and {} more", feed.name, refused - LISTED_MAX as u64));
        }
        if !ignored_columns.is_empty() {
            output::complain(&format!("{}: passed over the columns {}", feed.name, ignored_columns.join(", ")));
        }
        seen.rows += rows;
        seen.refused += refused;
        feeds.push(feed);
    }
    list.map_or(Ok(()), RefusedList::finish)?;
    Ok((feeds, seen))
}

fn of_file(error: FileError) -> Failure {
    Failure::new(if error.is_io() { Exit::Io } else { Exit::BadData }, error.to_string())
}

/// Stores what can be used, a batch at a time.
fn store(config: &Config, feeds: &[Feed], plan: &Plan<'_>, interrupt: &Interrupt) -> Result<Taken, Failure> {
    let mut sender = Sender {
        way: way::find_or_make(config)?,
        interrupt,
        rows: Vec::new(),
        logs: BTreeMap::new(),
        taken: Taken::default(),
    };
    for feed in feeds {
        let mut progress = Progress::new("storing");
        let mut rows = 0_u64;
        let stored = import::read(feed, plan, &mut |_| Ok(()), &mut |item| {
            rows += 1;
            progress.show(feed.done(), feed.bytes, &format!("{} rows", grouped(rows)));
            sender.put(item)
        });
        stored.map_err(|stopped| match stopped {
            Stopped::File(error) => of_file(error),
            Stopped::Caller(failure) => failure,
        })?;
        sender.send()?;
    }
    Ok(sender.taken)
}

struct Sender<'a> {
    way: Way,
    interrupt: &'a Interrupt,
    rows: Vec<(UnitId, Reading)>,
    logs: BTreeMap<UnitId, Vec<ServiceEntry>>,
    taken: Taken,
}

impl Sender<'_> {
    fn put(&mut self, item: Item) -> Result<(), Failure> {
        match item {
            Item::Reading(unit, reading) => self.rows.push((unit, reading)),
            Item::Entry(unit, entry) => self.logs.entry(unit).or_default().push(entry),
        }
        if self.rows.len() >= BATCH_ROWS { self.send() } else { Ok(()) }
    }

    fn send(&mut self) -> Result<(), Failure> {
        // Stable: of the same instant the later row stays behind.
        self.rows.sort_by(|(a, x), (b, y)| a.cmp(b).then(x.at.cmp(&y.at)));
        self.rows.dedup_by(|(unit, later), (kept_unit, kept)| {
            let same = unit == kept_unit && later.at == kept.at;
            if same {
                kept.absorb(later);
            }
            same
        });
        let mut sections = bulk::sections(&self.rows);
        let logs = std::mem::take(&mut self.logs);
        sections.extend(logs.into_iter().map(|(unit, entries)| Section::Logbook { unit, entries }));
        if !sections.is_empty() {
            self.taken = self.taken.and(self.way.take_in(sections).map_err(|failure| self.kept(failure))?);
        }
        self.rows.clear();
        self.interrupt.check(&self.so_far())
    }

    fn so_far(&self) -> String {
        format!("{} rows are stored; repeat the import to go on", grouped(self.taken.stored + self.taken.changed))
    }

    fn kept(&self, failure: Failure) -> Failure {
        Failure { text: format!("{}; {}", failure.text, self.so_far()), ..failure }
    }
}

fn summarise(args: &ImportArgs, seen: Seen, taken: Taken) -> Result<(), Failure> {
    let mut text = format!("{} rows: {} new", grouped(seen.rows), grouped(taken.stored));
    for (count, what) in [
        (taken.changed, "changed"),
        (taken.already, "there already"),
        (taken.over, "too many for their day"),
        (seen.refused, "refused"),
    ] {
        if count > 0 {
            text.push_str(&format!(", {} {what}", grouped(count)));
        }
    }
    output::print(&(text + "\n"))?;
    if seen.refused > 0 && !args.lenient {
        let kept = if args.refused.is_some() { "" } else { "; --refused FILE keeps a list of them" };
        let says = format!("{} of {} rows cannot be used{kept}", grouped(seen.refused), grouped(seen.rows));
        return Err(Failure::new(Exit::BadData, says));
    }
    Ok(())
}

/// The list of refused rows.
struct RefusedList {
    table: csv::Writer<OutFile>,
    path: PathBuf,
}

impl RefusedList {
    fn create(path: PathBuf) -> Result<Self, Failure> {
        let mut table = csv::Writer::from_writer(OutFile::create(Some(&path), 0o666)?);
        let header = table.write_record(["file", "place", "column", "why", "remedy"]);
        header.map_err(|error| cannot_write(&path, &error.into()))?;
        Ok(Self { table, path })
    }

    fn put(&mut self, file: &str, refusal: &Refusal) -> Result<(), Failure> {
        let (why, remedy) = refusal.why.rsplit_once("; ").unwrap_or((&refusal.why, ""));
        let column = refusal.column.as_deref().unwrap_or_default();
        let written = self.table.write_record([file, &refusal.spot.to_string(), column, why, remedy]);
        written.map_err(|error| cannot_write(&self.path, &error.into()))
    }

    fn finish(mut self) -> Result<(), Failure> {
        let flushed = self.table.flush();
        let out = flushed.and_then(|()| self.table.into_inner().map_err(csv::IntoInnerError::into_error));
        out.and_then(OutFile::finish).map_err(|error| cannot_write(&self.path, &error))
    }
}
