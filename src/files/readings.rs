//! READINGS of the contract: CSV with a header of channel names, or a SenML JSON pack.

use std::io::{self, Write};

use csv::{ByteRecord, ReaderBuilder, WriterBuilder};

use crate::domain::{Channel, Measure, Reading, Timestamp};

use super::refusal::{Refusal, Refused, Spot, quoted};
use super::{FileError, Source, cell, pack};

/// How the rows of a file are to be understood.
#[derive(Clone, Copy, Debug)]
pub struct Dialect {
    /// The unit of the `intensity` column: `sensor.unit` of the unit file.
    pub intensity: Measure,
    /// "Now": rows later than this by more than [`cell::FUTURE_SLACK`] are refused.
    pub not_after: Timestamp,
    /// Keep what is good and count what is not, instead of refusing the file.
    pub lenient: bool,
}

/// What a file of readings holds.
#[derive(Clone, Debug, PartialEq)]
pub struct ReadingsFile {
    /// Ascending by time, one for each instant, every one with at least one channel. Inside units.
    pub readings: Vec<Reading>,
    /// Rows of the file without its header, or records of the pack.
    pub rows: u64,
    /// Rows for an instant that another row has too; of each channel the last value counts.
    pub duplicates: u64,
    /// Rows in which nothing was measured.
    pub empty: u64,
    /// Rows that were refused; only when reading leniently.
    pub refused: Refused,
    /// Unknown columns that were passed over; only when reading leniently.
    pub ignored_columns: Vec<String>,
}

/// Reads a file of readings, told by its first character: `[` a SenML pack, else CSV.
pub fn parse(source: &Source, dialect: &Dialect) -> Result<ReadingsFile, FileError> {
    let mut file = if source.bytes.trim_ascii_start().starts_with(b"[") {
        pack::records(source, dialect)?
    } else {
        csv_rows(source, dialect)?
    };
    if !file.refused.is_empty() && !dialect.lenient {
        return Err(FileError::Rows(file.refused));
    }
    file.sort();
    if file.readings.is_empty() {
        let why = if file.rows == 0 {
            "holds no readings; under its header there must be a row for each".to_owned()
        } else {
            format!("has {} rows but nothing measured in any of them", file.rows)
        };
        return Err(FileError::shape(&source.name, why));
    }
    Ok(file)
}

impl ReadingsFile {
    pub(super) fn new(name: &str) -> Self {
        Self {
            readings: Vec::new(),
            rows: 0,
            duplicates: 0,
            empty: 0,
            refused: Refused::new(name),
            ignored_columns: Vec::new(),
        }
    }

    fn push(&mut self, reading: Reading) {
        if reading.is_empty() {
            self.empty += 1;
        } else {
            self.readings.push(reading);
        }
    }

    /// Orders by time and joins the readings of one instant, the later row on top.
    fn sort(&mut self) {
        if !self.readings.is_sorted_by_key(|reading| reading.at) {
            self.readings.sort_by_key(|reading| reading.at);
        }
        let before = self.readings.len();
        self.readings.dedup_by(|later, kept| {
            let same = later.at == kept.at;
            if same {
                kept.absorb(later);
            }
            same
        });
        self.duplicates = (before - self.readings.len()) as u64;
    }
}

/// What one column of a CSV file holds.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Column {
    Time,
    /// SITE/UNIT, in tables of several units.
    Unit,
    Channel(Channel),
    Ignored,
}

fn csv_rows(source: &Source, dialect: &Dialect) -> Result<ReadingsFile, FileError> {
    let mut file = ReadingsFile::new(&source.name);
    let mut reader = ReaderBuilder::new().has_headers(false).flexible(true).from_reader(source.bytes.as_slice());
    let mut record = ByteRecord::new();
    let broken = |e: csv::Error| FileError::shape(&source.name, format!("is not CSV: {e}"));
    reader.read_byte_record(&mut record).map_err(broken)?;
    let columns = header(&source.name, &record, dialect, false, &mut file.ignored_columns)?;
    while reader.read_byte_record(&mut record).map_err(broken)? {
        file.rows += 1;
        match row(&record, &columns, dialect) {
            Ok(reading) => file.push(reading),
            Err((column, why)) => {
                let spot = Spot::Line(record.position().map_or(0, csv::Position::line));
                file.refused.push(Refusal { spot, column: column.map(str::to_owned), why });
            }
        }
    }
    file.refused.rows = file.rows;
    Ok(file)
}

/// The columns by the first row; `units`: whether there may be one that names the unit.
pub(super) fn header(
    name: &str,
    record: &ByteRecord,
    dialect: &Dialect,
    units: bool,
    ignored: &mut Vec<String>,
) -> Result<Vec<Column>, FileError> {
    let wrong = |why: String| FileError::shape(name, format!("line 1: {why}"));
    let names: Vec<String> = record.iter().map(|cell| String::from_utf8_lossy(cell).trim().to_owned()).collect();
    if let Some(why) = not_a_header(&names) {
        return Err(wrong(why));
    }
    let mut columns = Vec::with_capacity(names.len());
    for name in &names {
        let column = match (name.as_str(), name.parse::<Channel>()) {
            ("time", _) => Column::Time,
            ("unit", _) if units => Column::Unit,
            (_, Ok(channel)) => Column::Channel(channel),
            (_, Err(_)) if dialect.lenient => {
                ignored.push(name.clone());
                Column::Ignored
            }
            (_, Err(_)) => {
                let known = ["time"].into_iter().chain(Channel::ALL.into_iter().map(Channel::name));
                let why = cell::unknown_column(name, known);
                return Err(wrong(format!("{why}; rename it, or pass over it with --lenient")));
            }
        };
        if column != Column::Ignored && columns.contains(&column) {
            return Err(wrong(format!("column {} stands twice; keep one", quoted(name))));
        }
        columns.push(column);
    }
    if columns.first() != Some(&Column::Time) {
        return Err(wrong(format!("the first column is {}; it must be `time`", quoted(&names[0]))));
    }
    if !columns.contains(&Column::Channel(Channel::Intensity)) {
        return Err(wrong("there is no column `intensity`; without the light there is nothing to study".to_owned()));
    }
    Ok(columns)
}

/// Why the first row cannot be a header of ours as a whole.
fn not_a_header(names: &[String]) -> Option<String> {
    let first = names.first()?;
    let separator = [(';', "semicolons"), ('\t', "tabs"), ('|', "bars")].into_iter();
    if names.len() == 1
        && let Some((_, what)) = separator.into_iter().find(|(c, _)| first.contains(*c))
    {
        return Some(format!("the columns are separated by {what}; save the table with commas and decimal points"));
    }
    if first.parse::<Timestamp>().is_ok() || first.parse::<jiff::civil::DateTime>().is_ok() {
        return Some("the header is missing; put `time,intensity` and the other columns' names on line 1".to_owned());
    }
    names.iter().position(String::is_empty).map(|at| format!("column {} has no name", at + 1))
}

pub(super) type CellError = (Option<&'static str>, String);

pub(super) fn row(record: &ByteRecord, columns: &[Column], dialect: &Dialect) -> Result<Reading, CellError> {
    if record.len() != columns.len() {
        let hint = if record.len() > columns.len() { "; decimal commas must be points" } else { "" };
        return Err((None, format!("has {} cells where the header has {}{hint}", record.len(), columns.len())));
    }
    let mut reading = Reading::new(cell::time(text(&record[0], "time")?, dialect.not_after).map_err(at("time"))?);
    for (bytes, column) in record.iter().zip(columns) {
        if let Column::Channel(channel) = *column
            && let Some(value) =
                cell::channel(channel, text(bytes, channel.name())?, dialect.intensity).map_err(at(channel.name()))?
        {
            reading.set(channel, value);
        }
    }
    Ok(reading)
}

pub(super) fn text<'a>(bytes: &'a [u8], column: &'static str) -> Result<&'a str, CellError> {
    std::str::from_utf8(bytes).map_err(|_| {
        (Some(column), format!("{} is not UTF-8 text; save the file as UTF-8", quoted(&String::from_utf8_lossy(bytes))))
    })
}

fn at(column: &'static str) -> impl Fn(String) -> CellError {
    move |why| (Some(column), why)
}

/// Writes readings as CSV, inside units, with the channels that occur in them. Reading it back gives the same values
/// to the last bit.
pub fn write(readings: &[Reading], out: impl Write) -> io::Result<()> {
    let occurs =
        |channel: &Channel| *channel == Channel::Intensity || readings.iter().any(|r| r.get(*channel).is_some());
    let channels: Vec<Channel> = Channel::ALL.into_iter().filter(occurs).collect();
    let mut writer = WriterBuilder::new().from_writer(out);
    writer.write_record(["time"].into_iter().chain(channels.iter().map(|c| c.name())))?;
    for reading in readings {
        writer.write_field(reading.at.to_string())?;
        for channel in &channels {
            writer.write_field(reading.get(*channel).map_or_else(String::new, |value| value.to_string()))?;
        }
        writer.write_record(None::<&[u8]>)?;
    }
    writer.flush()
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    fn dialect() -> Dialect {
        let not_after = "2026-12-01T00:00:00Z".parse().unwrap();
        Dialect { intensity: Measure::MilliwattPerCm2, not_after, lenient: false }
    }

    fn source(text: &str) -> Source {
        Source::read("r.csv", text.as_bytes()).unwrap()
    }

    #[test]
    fn rows_in_any_order_and_the_last_of_a_time_counts() {
        let text = "time,intensity,flow\n2026-08-14T06:10:00Z,3,\n2026-08-14T06:00:00Z,1,9\n\
                    2026-08-14T06:00:00Z,2,\n2026-08-14T06:20:00Z,,\n";
        let file = parse(&source(text), &dialect()).unwrap();
        let at = |t: &str| Reading::new(t.parse().unwrap());
        let first = at("2026-08-14T06:00:00Z").with(Channel::Intensity, 2.0).with(Channel::Flow, 9.0);
        assert_eq!(file.readings, [first, at("2026-08-14T06:10:00Z").with(Channel::Intensity, 3.0)]);
        assert_eq!((file.rows, file.duplicates, file.empty), (4, 1, 1));
    }

    #[test]
    fn lenient_reading_keeps_the_good_rows_and_counts_the_bad() {
        let text = "time,intensity,colour\n2026-08-14T06:00:00Z,1,red\nnever,2,red\n";
        let lenient = Dialect { lenient: true, ..dialect() };
        let file = parse(&source(text), &lenient).unwrap();
        assert_eq!((file.readings.len(), file.refused.count), (1, 1));
        assert_eq!(file.ignored_columns, ["colour"]);
    }

    #[test]
    fn a_flood_of_mistakes_is_listed_in_part_and_counted_in_whole() {
        let text: String =
            std::iter::once("time,intensity\n".to_owned()).chain((0..100).map(|_| "x,1\n".into())).collect();
        let said = parse(&source(&text), &dialect()).unwrap_err().to_string();
        assert!(said.starts_with("r.csv: 100 of 100 rows cannot be used\n  line 2, column time: `x`"), "{said}");
        assert!(said.ends_with("… and 80 more"), "{said}");
        assert_eq!(said.lines().count(), 22);
    }

    #[test]
    fn lamp_hours_may_run_backwards() {
        let text = "time,intensity,lamp_hours\n2026-08-14T06:00:00Z,20,9000\n2026-08-14T07:00:00Z,24,0\n";
        assert_eq!(parse(&source(text), &dialect()).unwrap().readings.len(), 2);
    }

    fn any_reading() -> impl Strategy<Value = Reading> {
        let cells = proptest::array::uniform11(proptest::option::of(0.0f64..1.0));
        (946_684_800_000i64..1_790_000_000_000, cells).prop_map(|(millis, cells)| {
            let mut reading = Reading::new(Timestamp::from_millis(millis));
            for (channel, cell) in Channel::ALL.into_iter().zip(cells) {
                let (low, high) = channel.plausible();
                let value = cell.map(|x| if channel == Channel::LampOn { x.round() } else { low + x * (high - low) });
                value.into_iter().for_each(|value| reading.set(channel, value));
            }
            reading
        })
    }

    proptest! {
        #[test]
        fn what_is_written_reads_back_to_the_last_bit(mut readings in proptest::collection::vec(any_reading(), 1..40)) {
            readings.sort_by_key(|r| r.at);
            readings.dedup_by_key(|r| r.at);
            readings.retain(|r| !r.is_empty());
            prop_assume!(!readings.is_empty());
            let mut text = Vec::new();
            write(&readings, &mut text).unwrap();
            let back = parse(&Source::read("x", text.as_slice()).unwrap(), &dialect()).unwrap();
            prop_assert_eq!(back.readings, readings);
        }

        #[test]
        fn any_bytes_give_readings_or_a_message(bytes in proptest::collection::vec(any::<u8>(), 0..300)) {
            let with_header = [b"time,intensity,flow\n".as_slice(), &bytes].concat();
            for bytes in [bytes, with_header] {
                if let Ok(source) = Source::read("x", bytes.as_slice()) {
                    match parse(&source, &dialect()) {
                        Ok(file) => prop_assert!(!file.readings.is_empty()),
                        Err(e) => prop_assert!(!e.to_string().is_empty()),
                    }
                }
            }
        }
    }
}
