//! The service log of the contract: CSV `time,action,value,by,note`, only the first two required.

use std::io::{self, Write};

use csv::{ByteRecord, ReaderBuilder, WriterBuilder};

use crate::domain::similar::did_you_mean;
use crate::domain::{Channel, Measure, ServiceAction, ServiceEntry, Timestamp};

use super::readings::Dialect;
use super::refusal::{Refusal, Refused, Spot, quoted};
use super::{FileError, Source, cell};

/// The columns, in the order they are written in.
pub const COLUMNS: [&str; 5] = ["time", "action", "value", "by", "note"];

/// The column that names the unit, in logs of several units; the last.
pub const UNIT_COLUMN: &str = "unit";

/// What a service log holds.
#[derive(Clone, Debug, PartialEq)]
pub struct ServiceFile {
    /// Ascending by time; entries of one time in the order of the file. Values in inside units.
    pub entries: Vec<ServiceEntry>,
    /// Rows that were refused; only when reading leniently.
    pub refused: Refused,
}

/// Reads a service log. An empty one (a header alone) is a log in which nothing was done yet. The value of a
/// reference check is in the unit of the intensity column.
pub fn parse(source: &Source, dialect: &Dialect) -> Result<ServiceFile, FileError> {
    let mut file = ServiceFile { entries: Vec::new(), refused: Refused::new(&source.name) };
    let mut reader = ReaderBuilder::new().has_headers(false).flexible(true).from_reader(source.bytes.as_slice());
    let mut record = ByteRecord::new();
    let broken = |e: csv::Error| FileError::shape(&source.name, format!("is not CSV: {e}"));
    reader.read_byte_record(&mut record).map_err(broken)?;
    let columns = header(&record, false).map_err(|why| FileError::shape(&source.name, format!("line 1: {why}")))?;
    while reader.read_byte_record(&mut record).map_err(broken)? {
        file.refused.rows += 1;
        match row(&record, &columns, dialect) {
            Ok(entry) => file.entries.push(entry),
            Err((column, why)) => {
                let spot = Spot::Line(record.position().map_or(0, csv::Position::line));
                file.refused.push(Refusal { spot, column: column.map(str::to_owned), why });
            }
        }
    }
    if !file.refused.is_empty() && !dialect.lenient {
        return Err(FileError::Rows(file.refused));
    }
    file.entries.sort_by_key(|entry| entry.at);
    Ok(file)
}

/// The places of the columns in [`COLUMNS`], then of [`UNIT_COLUMN`] if there may be one.
pub(super) fn header(record: &ByteRecord, units: bool) -> Result<Vec<usize>, String> {
    let names: Vec<String> = record.iter().map(|cell| String::from_utf8_lossy(cell).trim().to_owned()).collect();
    if names.len() == 1 && names[0].contains([';', '\t']) {
        return Err("the columns are not separated by commas; save the table with commas".to_owned());
    }
    if names.first().is_some_and(|first| first.parse::<Timestamp>().is_ok()) {
        return Err("the header is missing; put `time,action,value,by,note` on line 1".to_owned());
    }
    let mut columns = Vec::with_capacity(names.len());
    for name in &names {
        let known = COLUMNS.into_iter().chain(units.then_some(UNIT_COLUMN));
        let at = known.clone().position(|column| column == name).ok_or_else(|| {
            let one = if units { "" } else { " (a log is of one unit)" };
            format!("{}; rename it or take it out{one}", cell::unknown_column(name, known))
        })?;
        if columns.contains(&at) {
            return Err(format!("column {} stands twice; keep one", quoted(name)));
        }
        columns.push(at);
    }
    match COLUMNS[..2].iter().enumerate().find(|(at, _)| !columns.contains(at)) {
        Some((_, missing)) => Err(format!("there is no column `{missing}`; `time` and `action` are required")),
        None => Ok(columns),
    }
}

type CellError = (Option<&'static str>, String);

pub(super) fn row(record: &ByteRecord, columns: &[usize], dialect: &Dialect) -> Result<ServiceEntry, CellError> {
    if record.len() > columns.len() {
        let why = format!(
            "has {} cells where the header has {}; put texts with commas in double quotes",
            record.len(),
            columns.len()
        );
        return Err((None, why));
    }
    let mut cells = [""; COLUMNS.len()];
    for (bytes, at) in record.iter().zip(columns).filter(|(_, at)| **at < COLUMNS.len()) {
        let not_text = |_| (Some(COLUMNS[*at]), "is not UTF-8 text; save the file as UTF-8".to_owned());
        cells[*at] = std::str::from_utf8(bytes).map_err(not_text)?.trim();
    }
    let [time, action, value, by, note] = cells;
    let at = cell::time(time, dialect.not_after).map_err(|why| (Some("time"), why))?;
    let action = parse_action(action).map_err(|why| (Some("action"), why))?;
    let value = cell::number(value).map_err(|why| (Some("value"), why))?;
    let text = |text: &str| (!text.is_empty()).then(|| text.to_owned());
    let value = value.map(|value| to_inside(action, value, dialect.intensity));
    let entry = ServiceEntry { value, by: text(by), note: text(note), ..ServiceEntry::new(at, action) };
    // The time was judged above, with the slack of files.
    entry.check(dialect.not_after.max(at)).map_err(|e| (None, e.to_string()))?;
    Ok(entry)
}

/// A service action by its name, with the nearest one for a name that is none.
pub fn parse_action(text: &str) -> Result<ServiceAction, String> {
    if text.is_empty() {
        return Err("has no action".to_owned());
    }
    let names = ServiceAction::ALL.map(ServiceAction::name);
    text.parse().map_err(|_| match did_you_mean(text, names) {
        hint if hint.is_empty() => {
            format!("{} is not a service action (actions: {})", quoted(text), names.join(", "))
        }
        hint => format!("{} is not a service action{hint}", quoted(text)),
    })
}

fn to_inside(action: ServiceAction, value: f64, intensity: Measure) -> f64 {
    match action {
        ServiceAction::ReferenceCheck => intensity.to_inside(Channel::Intensity, value).unwrap_or(value),
        _ => value,
    }
}

/// An entry as the cells of a row.
pub(super) fn cells(entry: &ServiceEntry) -> [String; COLUMNS.len()] {
    let text = |text: &Option<String>| text.clone().unwrap_or_default();
    let value = entry.value.map_or_else(String::new, |value| value.to_string());
    [entry.at.to_string(), entry.action.name().to_owned(), value, text(&entry.by), text(&entry.note)]
}

/// Writes a service log as CSV. Reading it back gives the same entries but for [`ServiceEntry::recorded`].
pub fn write(entries: &[ServiceEntry], out: impl Write) -> io::Result<()> {
    let mut writer = WriterBuilder::new().from_writer(out);
    writer.write_record(COLUMNS)?;
    entries.iter().try_for_each(|entry| writer.write_record(cells(entry)))?;
    writer.flush()
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    fn read(text: &str) -> Result<ServiceFile, FileError> {
        let not_after = "2026-12-01T00:00:00Z".parse().unwrap();
        let dialect = Dialect { intensity: Measure::MilliwattPerCm2, not_after, lenient: false };
        parse(&Source::read("log.csv", text.as_bytes())?, &dialect)
    }

    #[test]
    fn two_columns_are_enough_and_the_order_is_free() {
        let file =
            read("action,time\nsleeve-cleaned,2026-08-14T06:00:00Z\nlamp-replaced,2025-08-14T06:00:00Z\n").unwrap();
        assert_eq!(file.entries.len(), 2);
        assert_eq!(file.entries[0].action, ServiceAction::LampReplaced);
        assert_eq!(read("time,action,value,by,note\n").unwrap().entries, []);
    }

    #[test]
    fn mistakes_are_named_with_line_and_column() {
        for (row, want) in [
            (
                "2026-08-14T06:00:00Z,sleeve-cleand,,,",
                "line 2, column action: `sleeve-cleand` is not a service action; did you mean `sleeve-cleaned`?",
            ),
            ("2026-08-14T06:00:00Z,painted,,,", "(actions: sleeve-cleaned, "),
            ("2027-08-14T06:00:00Z,note,,,", "line 2, column time: `2027-08-14T06:00:00Z` is in the future"),
            ("2026-08-14T06:00:00Z,reference-check,,,", "line 2: reference-check needs a value"),
            ("2026-08-14T06:00:00Z,transmittance-measured,101,,", "line 2: value 101 is outside 0.1 to 100"),
            ("2026-08-14T06:00:00Z,note,,Ada,wiped, twice", "put texts with commas in double quotes"),
        ] {
            let said = read(&format!("time,action,value,by,note\n{row}\n")).unwrap_err().to_string();
            assert!(said.contains(want), "{row}: {said}");
        }
        assert!(read("time,actoin\n").unwrap_err().to_string().contains("did you mean `action`?"));
        assert!(read("time,value\n").unwrap_err().to_string().contains("there is no column `action`"));
    }

    proptest! {
        #[test]
        fn what_is_written_reads_back(
            rows in proptest::collection::vec((946_684_800i64..1_790_000_000, 0..17usize, 0.1f64..100.0, "[a-z ,;\"ä\n]{0,20}"), 0..20),
        ) {
            let mut entries: Vec<ServiceEntry> = rows.into_iter().map(|(secs, action, value, text)| {
                let action = ServiceAction::ALL[action];
                let text = Some(text.trim().to_owned()).filter(|text| !text.is_empty());
                ServiceEntry {
                    value: action.value_range().map(|_| value),
                    by: text.clone(),
                    note: text,
                    ..ServiceEntry::new(Timestamp::from_secs(secs), action)
                }
            }).collect();
            entries.sort_by_key(|entry| entry.at);
            let mut text = Vec::new();
            write(&entries, &mut text).unwrap();
            prop_assert_eq!(read(std::str::from_utf8(&text).unwrap()).unwrap().entries, entries);
        }
    }
}
