//! Files of one or many units, read a row at a time, for imports.

use std::io::BufRead;

use csv::{ByteRecord, ReaderBuilder};

use crate::domain::{Channel, Measure, Reading, ServiceEntry, Timestamp, UnitId};
use crate::senml::{self, Bases, Record};

use super::feed::{Feed, Kind};
use super::readings::{self, Column, Dialect};
use super::records::{Cut, Parts};
use super::refusal::{Refusal, Spot, quoted};
use super::{FileError, cell, pack, parquet, service};

/// How the rows of a file are to be understood.
pub struct Plan<'a> {
    /// The unit all of it is of, where the file does not say.
    pub unit: Option<UnitId>,
    /// The unit of measurement of a unit's intensity in the file; `None`: there is no such unit.
    pub intensity: &'a dyn Fn(&UnitId) -> Option<Measure>,
    /// "Now": later rows are refused.
    pub not_after: Timestamp,
    /// Whether unknown columns are passed over.
    pub lenient: bool,
}

/// A row that can be used.
#[derive(Clone, Debug, PartialEq)]
pub enum Item {
    /// A reading, in inside units.
    Reading(UnitId, Reading),
    /// A service entry.
    Entry(UnitId, ServiceEntry),
}

/// What a file held.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Rows {
    /// Rows or records.
    pub seen: u64,
    /// Those that cannot be used.
    pub refused: u64,
    /// Rows in which nothing was measured.
    pub empty: u64,
    /// Unknown columns that were passed over.
    pub ignored_columns: Vec<String>,
}

/// Why a file was not read to its end.
#[derive(Debug)]
pub enum Stopped<E> {
    /// It cannot be used, as a whole.
    File(FileError),
    /// The caller wants no more.
    Caller(E),
}

impl<E> From<FileError> for Stopped<E> {
    fn from(error: FileError) -> Self {
        Self::File(error)
    }
}

struct Reader<'a, E> {
    feed: &'a Feed,
    plan: &'a Plan<'a>,
    rows: Rows,
    refuse: &'a mut dyn FnMut(Refusal) -> Result<(), E>,
    each: &'a mut dyn FnMut(Item) -> Result<(), E>,
}

/// Reads a file to its end: what can be used goes to `each`, what cannot to `refuse`.
///
/// # Errors
/// The file is not what it seems, cut off or damaged, with the place; or what `each` and `refuse` said.
pub fn read<E>(
    feed: &Feed,
    plan: &Plan<'_>,
    refuse: &mut dyn FnMut(Refusal) -> Result<(), E>,
    each: &mut dyn FnMut(Item) -> Result<(), E>,
) -> Result<Rows, Stopped<E>> {
    let (kind, text) = feed.text()?;
    let mut reader = Reader { feed, plan, rows: Rows::default(), refuse, each };
    match kind {
        Kind::Readings => reader.table(text)?,
        Kind::ServiceLog => reader.log(text)?,
        Kind::Senml => reader.pack(text)?,
        Kind::Parquet => reader.parquet()?,
    }
    Ok(reader.rows)
}

impl<E> Reader<'_, E> {
    fn broken(&self, error: csv::Error) -> FileError {
        let place = error.position().map_or(0, csv::Position::line);
        match error.into_kind() {
            csv::ErrorKind::Io(error) => self.feed.broken(error),
            _ => FileError::shape(&self.feed.name, format!("is not CSV near line {place}")),
        }
    }

    fn refuse(&mut self, spot: Spot, column: Option<&str>, why: String) -> Result<(), Stopped<E>> {
        self.rows.refused += 1;
        (self.refuse)(Refusal { spot, column: column.map(str::to_owned), why }).map_err(Stopped::Caller)
    }

    /// The unit a row is of, with the dialect of its readings.
    fn dialect(&self, unit: &UnitId) -> Result<Dialect, String> {
        let intensity = (self.plan.intensity)(unit)
            .ok_or_else(|| format!("there is no unit `{unit}` in the config; add it as [[unit]], then import again"))?;
        Ok(Dialect { intensity, not_after: self.plan.not_after, lenient: self.plan.lenient })
    }

    /// Checks that the unit is named once: by the file or by the caller.
    fn check_units(&self, in_file: bool) -> Result<(), FileError> {
        match (in_file, &self.plan.unit) {
            (false, None) => Err(FileError::shape(
                &self.feed.name,
                "does not say which unit it is of; give it with --unit SITE/UNIT",
            )),
            (true, Some(_)) => Err(FileError::shape(&self.feed.name, "names the unit in each row; leave --unit out")),
            _ => Ok(()),
        }
    }

    fn unit(&self, record: &ByteRecord, place: Option<usize>) -> Result<(UnitId, Dialect), readings::CellError> {
        let at = |why: String| (Some("unit"), why);
        let unit = match (place, &self.plan.unit) {
            (Some(place), _) => {
                let text = readings::text(record.get(place).unwrap_or_default(), "unit")?;
                text.trim().parse::<UnitId>().map_err(|error| at(format!("{error}; correct the cell")))?
            }
            (None, Some(unit)) => unit.clone(),
            (None, None) => return Err(at("is not given".to_owned())),
        };
        let dialect = self.dialect(&unit).map_err(at)?;
        Ok((unit, dialect))
    }

    fn table(&mut self, text: impl BufRead) -> Result<(), Stopped<E>> {
        let mut reader = ReaderBuilder::new().has_headers(false).flexible(true).from_reader(text);
        let mut record = ByteRecord::new();
        reader.read_byte_record(&mut record).map_err(|e| self.broken(e))?;
        let any =
            Dialect { intensity: Measure::MilliwattPerCm2, not_after: self.plan.not_after, lenient: self.plan.lenient };
        let columns = readings::header(&self.feed.name, &record, &any, true, &mut self.rows.ignored_columns)?;
        let place = columns.iter().position(|column| *column == Column::Unit);
        self.check_units(place.is_some())?;
        while reader.read_byte_record(&mut record).map_err(|e| self.broken(e))? {
            self.rows.seen += 1;
            let row = self
                .unit(&record, place)
                .and_then(|(unit, dialect)| readings::row(&record, &columns, &dialect).map(|reading| (unit, reading)));
            match row {
                Ok((_, reading)) if reading.is_empty() => self.rows.empty += 1,
                Ok((unit, reading)) => (self.each)(Item::Reading(unit, reading)).map_err(Stopped::Caller)?,
                Err((column, why)) => self.refuse(Spot::Line(line(&record)), column, why)?,
            }
        }
        Ok(())
    }

    fn log(&mut self, text: impl BufRead) -> Result<(), Stopped<E>> {
        let mut reader = ReaderBuilder::new().has_headers(false).flexible(true).from_reader(text);
        let mut record = ByteRecord::new();
        reader.read_byte_record(&mut record).map_err(|e| self.broken(e))?;
        let columns = service::header(&record, true)
            .map_err(|why| FileError::shape(&self.feed.name, format!("line 1: {why}")))?;
        let place = columns.iter().position(|at| *at == service::COLUMNS.len());
        self.check_units(place.is_some())?;
        while reader.read_byte_record(&mut record).map_err(|e| self.broken(e))? {
            self.rows.seen += 1;
            let row = self
                .unit(&record, place)
                .and_then(|(unit, dialect)| service::row(&record, &columns, &dialect).map(|entry| (unit, entry)));
            match row {
                Ok((unit, entry)) => (self.each)(Item::Entry(unit, entry)).map_err(Stopped::Caller)?,
                Err((column, why)) => self.refuse(Spot::Line(line(&record)), column, why)?,
            }
        }
        Ok(())
    }

    fn pack(&mut self, text: impl BufRead) -> Result<(), Stopped<E>> {
        let mut parts = Parts::new(text);
        let mut bases = Bases::default();
        loop {
            let part = match parts.next() {
                Ok(Some(part)) => part,
                Ok(None) => return Ok(()),
                Err(Cut::Read(error)) => return Err(self.feed.broken(error).into()),
                Err(Cut::Shape(why)) => return Err(FileError::shape(&self.feed.name, why).into()),
            };
            let before = bases.place;
            let shape = |why: String| FileError::shape(&self.feed.name, why);
            let text =
                std::str::from_utf8(&part).map_err(|_| shape("is not UTF-8 text; save it as UTF-8".to_owned()))?;
            let found = match senml::resolve_part(text, self.plan.not_after, &mut bases) {
                Ok(found) => found,
                // An export of nothing.
                Err(senml::PackError::Empty) => return Ok(()),
                Err(error) => return Err(shape(format!("after record {before}: {error}")).into()),
            };
            self.rows.seen += (bases.place - before) as u64;
            for fault in &found.faults {
                let text = fault.to_string();
                let why = text.strip_prefix(&format!("record {}", fault.place())).unwrap_or(&text);
                let why = why.trim_start_matches(':').trim().to_owned();
                self.refuse(Spot::Record(fault.place() as u64), None, why)?;
            }
            self.records(&found.records)?;
        }
    }

    /// Records come in order of time; those of one unit and instant are one reading.
    fn records(&mut self, records: &[Record<'_>]) -> Result<(), Stopped<E>> {
        let mut readings: std::collections::BTreeMap<UnitId, Reading> = std::collections::BTreeMap::new();
        for record in records {
            match self.record(record) {
                Ok((unit, channel, value)) => {
                    let reading = readings.entry(unit.clone()).or_insert_with(|| Reading::new(record.at));
                    if reading.at != record.at {
                        let whole = std::mem::replace(reading, Reading::new(record.at));
                        (self.each)(Item::Reading(unit.clone(), whole)).map_err(Stopped::Caller)?;
                    }
                    if let Some(reading) = readings.get_mut(&unit) {
                        reading.set(channel, value);
                    }
                }
                Err((column, why)) => self.refuse(Spot::Record(record.place as u64), column, why)?,
            }
        }
        for (unit, reading) in readings {
            (self.each)(Item::Reading(unit, reading)).map_err(Stopped::Caller)?;
        }
        Ok(())
    }

    fn record(&self, record: &Record<'_>) -> Result<(UnitId, Channel, f64), readings::CellError> {
        let name = record.name();
        let last = record.last_part();
        let channel: Channel =
            last.parse().map_err(|_| (None, cell::unknown_column(&last, Channel::ALL.map(Channel::name))))?;
        let rest = name.strip_suffix(&*last).unwrap_or_default().trim_end_matches(['/', ':']);
        let unit = match &self.plan.unit {
            Some(unit) => unit.clone(),
            None => {
                let from = rest.rfind('/').map_or(0, |slash| rest[..slash].rfind(['/', ':']).map_or(0, |at| at + 1));
                rest[from..].parse().map_err(|_| {
                    let why = format!("{} does not end in SITE/UNIT/CHANNEL; give the unit with --unit", quoted(&name));
                    (None, why)
                })?
            }
        };
        let dialect = self.dialect(&unit).map_err(|why| (None, why))?;
        let value = pack::value(record, channel, &dialect).map_err(|why| (Some(channel.name()), why))?;
        Ok((unit, channel, value))
    }

    fn parquet(&mut self) -> Result<(), Stopped<E>> {
        let file = self.feed.raw().map_err(|source| FileError::Read { name: self.feed.name.clone(), source })?;
        let mut stopped = None;
        let read = parquet::read(file, |unit, reading| {
            self.rows.seen += 1;
            let done = match self.checked(&unit, &reading) {
                Ok(()) => (self.each)(Item::Reading(unit, reading)).map_err(Stopped::Caller),
                Err((column, why)) => self.refuse(Spot::Record(self.rows.seen), column, why),
            };
            done.map_err(|error| {
                stopped = Some(error);
                "stopped".to_owned()
            })
        });
        match (stopped, read) {
            (Some(error), _) => Err(error),
            (None, Err(why)) => Err(FileError::shape(&self.feed.name, why).into()),
            (None, Ok(())) => Ok(()),
        }
    }

    fn checked(&self, unit: &UnitId, reading: &Reading) -> Result<(), readings::CellError> {
        let dialect = self.dialect(unit).map_err(|why| (Some("unit"), why))?;
        cell::check_time(reading.at, self.plan.not_after).map_err(|why| (Some("time"), why))?;
        for (channel, value) in reading.channels() {
            let percent = channel == Channel::Intensity && dialect.intensity == Measure::Percent;
            let measure = if percent { Measure::Percent } else { cell::own_measure(channel) };
            cell::inside(channel, value, measure).map_err(|why| (Some(channel.name()), why))?;
        }
        Ok(())
    }
}

fn line(record: &ByteRecord) -> u64 {
    record.position().map_or(0, csv::Position::line)
}

#[cfg(test)]
mod tests {
    use std::collections::BTreeMap;
    use std::io::Write;

    use proptest::prelude::*;

    use super::*;
    use crate::domain::IntensityUnit;
    use crate::files::export::{LogOut, ReadingsOut};

    type Fleet = BTreeMap<UnitId, BTreeMap<Timestamp, Reading>>;

    fn id(text: &str) -> UnitId {
        text.parse().unwrap()
    }

    /// Reads `bytes` as a file of its own.
    fn import(bytes: &[u8], unit: Option<&str>) -> Result<(Fleet, Vec<ServiceEntry>, Vec<String>), String> {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("f");
        std::fs::write(&path, bytes).unwrap();
        let feed = Feed::open(&path).map_err(|error| error.to_string())?;
        let intensity = |unit: &UnitId| match unit.unit() {
            "percent" => Some(Measure::Percent),
            "stranger" => None,
            _ => Some(Measure::MilliwattPerCm2),
        };
        let not_after = "2026-12-01T00:00:00Z".parse().unwrap();
        let plan = Plan { unit: unit.map(id), intensity: &intensity, not_after, lenient: false };
        let (mut fleet, mut log, mut refused) = (Fleet::new(), Vec::new(), Vec::new());
        let read = read::<()>(
            &feed,
            &plan,
            &mut |refusal| {
                refused.push(refusal.to_string());
                Ok(())
            },
            &mut |item| {
                match item {
                    Item::Reading(unit, row) => {
                        let rows = fleet.entry(unit).or_default();
                        rows.entry(row.at).or_insert_with(|| Reading::new(row.at)).absorb(&row);
                    }
                    Item::Entry(_, entry) => log.push(entry),
                }
                Ok(())
            },
        );
        match read {
            Ok(rows) => assert_eq!(rows.refused as usize, refused.len()),
            Err(Stopped::File(error)) => return Err(error.to_string()),
            Err(Stopped::Caller(())) => panic!("nobody stops"),
        }
        Ok((fleet, log, refused))
    }

    fn any_fleet() -> impl Strategy<Value = Fleet> {
        let cells = proptest::array::uniform11(proptest::option::of(prop_oneof![0.0f64..1.0, Just(0.0), Just(0.5)]));
        let unit = prop_oneof![Just(id("home/cellar")), Just(id("home/percent")), Just(id("lake-2/a"))];
        let row = (946_684_800_000i64..1_790_000_000_000, cells).prop_map(|(millis, cells)| {
            let mut row = Reading::new(Timestamp::from_millis(millis));
            for (channel, cell) in Channel::ALL.into_iter().zip(cells) {
                let (low, high) = channel.plausible();
                let high = if channel == Channel::Intensity { 200.0 } else { high };
                let value = cell.map(|x| if channel == Channel::LampOn { x.round() } else { low + x * (high - low) });
                value.into_iter().for_each(|value| row.set(channel, value));
            }
            row
        });
        proptest::collection::vec((unit, row), 0..60).prop_map(|rows| {
            let mut fleet = Fleet::new();
            rows.into_iter().filter(|(_, row)| !row.is_empty()).for_each(|(unit, row)| {
                fleet.entry(unit).or_default().insert(row.at, row);
            });
            fleet
        })
    }

    fn export(fleet: &Fleet, mut out: ReadingsOut<Vec<u8>>) -> Vec<u8> {
        for (unit, rows) in fleet {
            let percent = unit.unit() == "percent";
            let intensity = if percent { IntensityUnit::Percent } else { IntensityUnit::MilliwattPerCm2 };
            let rows: Vec<Reading> = rows.values().copied().collect();
            rows.chunks(7).for_each(|rows| out.put(unit, intensity, rows).unwrap());
        }
        out.finish().unwrap()
    }

    proptest! {
        #[test]
        fn what_is_exported_is_imported_to_the_last_bit(fleet in any_fleet()) {
            let outs = [
                ReadingsOut::csv(Vec::new(), true).unwrap(),
                ReadingsOut::senml(Vec::new()).unwrap(),
                ReadingsOut::parquet(Vec::new()).unwrap(),
            ];
            for out in outs {
                let (back, _, refused) = import(&export(&fleet, out), None).unwrap();
                prop_assert_eq!(&back, &fleet);
                prop_assert_eq!(refused, Vec::<String>::new());
            }
        }

        #[test]
        fn any_bytes_behind_a_header_are_rows_or_reasons(bytes in proptest::collection::vec(any::<u8>(), 0..200)) {
            for start in ["time,unit,intensity\n", "[{\"n\":\"a/b/intensity\",", "time,action,unit\n", "PAR1"] {
                let _either = import(&[start.as_bytes(), &bytes].concat(), None);
            }
        }
    }

    fn table() -> Vec<u8> {
        let rows = (0..20_000).map(|i| {
            let at = Timestamp::from_secs(1_780_000_000 + 60 * i);
            (at, Reading::new(at).with(Channel::Intensity, 21.4 - (i % 97) as f64 / 100.0))
        });
        export(&Fleet::from([(id("home/cellar"), rows.collect())]), ReadingsOut::csv(Vec::new(), true).unwrap())
    }

    #[test]
    fn packed_files_are_read_and_those_cut_off_are_refused_whole() {
        let table = table();
        let mut gzip = flate2::write::GzEncoder::new(Vec::new(), flate2::Compression::fast());
        gzip.write_all(&table).unwrap();
        let parquet = export(&import(&table, None).unwrap().0, ReadingsOut::parquet(Vec::new()).unwrap());
        let senml = export(&import(&table, None).unwrap().0, ReadingsOut::senml(Vec::new()).unwrap());
        let plain = import(&table, None).unwrap().0;
        for whole in [gzip.finish().unwrap(), zstd::stream::encode_all(table.as_slice(), 1).unwrap(), parquet, senml] {
            assert_eq!(import(&whole, None).unwrap().0, plain);
            let said = import(&whole[..whole.len() - 9], None).unwrap_err();
            assert!(
                ["fetch or pack it again", "not a whole Parquet file", "it was cut off"]
                    .iter()
                    .any(|w| said.contains(w)),
                "{said}"
            );
        }
    }

    #[test]
    fn the_unit_is_named_once_and_must_be_known() {
        let said = |text: &str, unit| import(text.as_bytes(), unit).map(|(.., refused)| refused.concat());
        let (bare, named) = (
            "time,intensity\n2026-08-14T06:00:00Z,21.4\n",
            "time,unit,intensity\n2026-08-14T06:00:00Z,home/cellar,21.4\n",
        );
        assert!(said(bare, None).unwrap_err().contains("give it with --unit"));
        assert!(said(named, Some("home/cellar")).unwrap_err().contains("leave --unit out"));
        assert_eq!((said(bare, Some("home/cellar")), said(named, None)), (Ok(String::new()), Ok(String::new())));
        let stranger = said(&named.replace("cellar", "stranger"), None).unwrap();
        assert_eq!(
            stranger,
            "line 2, column unit: there is no unit `home/stranger` in the config; add it as [[unit]], then import again"
        );
        let senml = r#"[{"bn":"urn:dev:mac:00:","bt":1786687200,"n":"intensity","v":21}]"#;
        assert!(said(senml, None).unwrap().contains("give the unit with --unit"));
        assert_eq!(said(senml, Some("home/cellar")), Ok(String::new()));
        assert_eq!(said(r#"[{"n":"urn:x:home/cellar/intensity","t":1786687200,"v":21}]"#, None), Ok(String::new()));
    }

    #[test]
    fn service_histories_go_round() {
        let at = |text: &str| text.parse().unwrap();
        let entries = [
            ServiceEntry::new(at("2026-03-01T06:00:00Z"), crate::domain::ServiceAction::SleeveCleaned),
            ServiceEntry {
                value: Some(28.25),
                by: Some("Ada".to_owned()),
                note: Some("wiped, \"twice\"\nthen dried".to_owned()),
                ..ServiceEntry::new(at("2026-03-02T06:00:00Z"), crate::domain::ServiceAction::ReferenceCheck)
            },
        ];
        for units in [false, true] {
            let mut out = LogOut::new(Vec::new(), units).unwrap();
            out.put(&id("home/cellar"), &entries).unwrap();
            let (_, back, refused) = import(&out.finish().unwrap(), (!units).then_some("home/cellar")).unwrap();
            assert_eq!((back.as_slice(), refused), (entries.as_slice(), Vec::new()));
        }
    }
}
