//! Readings and service entries of one or many units as files, written a piece at a time.

use std::io::{self, Write};

use csv::{Writer, WriterBuilder};

use crate::domain::{Channel, IntensityUnit, Reading, ServiceEntry, UnitId};
use crate::senml;

use super::parquet::Columns;
use super::service;

/// Writes readings in one of the formats. Reading them back gives the same values to the last bit.
pub enum ReadingsOut<W: Write + Send> {
    /// READINGS of the contract: `time`, the unit where there are several, then every channel.
    Csv {
        /// The table.
        table: Box<Writer<W>>,
        /// Whether each row names its unit.
        units: bool,
    },
    /// One SenML pack; records are named `SITE/UNIT/CHANNEL`.
    Senml {
        /// Where it goes.
        out: W,
        /// Whether a record has been written.
        begun: bool,
    },
    /// See [`super::parquet`].
    Parquet(Box<Columns<W>>),
}

impl<W: Write + Send> ReadingsOut<W> {
    /// A table with its header; `units`: with a column that names the unit.
    pub fn csv(out: W, units: bool) -> io::Result<Self> {
        let mut table = WriterBuilder::new().from_writer(out);
        let unit = units.then_some("unit");
        table.write_record(["time"].into_iter().chain(unit).chain(Channel::ALL.map(Channel::name)))?;
        Ok(Self::Csv { table: Box::new(table), units })
    }

    /// A pack.
    pub fn senml(mut out: W) -> io::Result<Self> {
        out.write_all(b"[")?;
        Ok(Self::Senml { out, begun: false })
    }

    /// A Parquet file.
    pub fn parquet(out: W) -> io::Result<Self> {
        Columns::new(out).map(|columns| Self::Parquet(Box::new(columns)))
    }

    /// Writes more readings; `intensity` is the unit the unit's intensity is kept in.
    pub fn put(&mut self, unit: &UnitId, intensity: IntensityUnit, rows: &[Reading]) -> io::Result<()> {
        match self {
            Self::Csv { table, units } => rows.iter().try_for_each(|row| csv_row(table, unit, *units, row)),
            Self::Senml { out, begun } => {
                // In parts: a base time of each keeps the records' own times short.
                for part in rows.chunks(1_440) {
                    let pack = senml::encode(part, intensity, &format!("{unit}/"));
                    let records = pack.trim_start_matches('[').trim_end_matches(']');
                    if records.is_empty() {
                        continue;
                    }
                    out.write_all(if *begun { b",\n" } else { b"" })?;
                    out.write_all(records.as_bytes())?;
                    *begun = true;
                }
                Ok(())
            }
            Self::Parquet(columns) => columns.put(unit, rows),
        }
    }

    /// Writes the end and gives the output back.
    pub fn finish(self) -> io::Result<W> {
        match self {
            Self::Csv { table, .. } => (*table).into_inner().map_err(csv::IntoInnerError::into_error),
            Self::Senml { mut out, .. } => {
                out.write_all(b"]\n")?;
                Ok(out)
            }
            Self::Parquet(columns) => columns.finish(),
        }
    }
}

fn csv_row<W: Write>(table: &mut Writer<W>, unit: &UnitId, units: bool, row: &Reading) -> io::Result<()> {
    table.write_field(row.at.to_string())?;
    if units {
        table.write_field(unit.as_str())?;
    }
    for channel in Channel::ALL {
        table.write_field(row.get(channel).map_or_else(String::new, |value| value.to_string()))?;
    }
    Ok(table.write_record(None::<&[u8]>)?)
}

/// Writes service logs of one or many units as one table.
pub struct LogOut<W: Write> {
    table: Writer<W>,
    units: bool,
}

impl<W: Write> LogOut<W> {
    /// A table with its header; `units`: with a column that names the unit.
    pub fn new(out: W, units: bool) -> io::Result<Self> {
        let mut table = WriterBuilder::new().from_writer(out);
        table.write_record(service::COLUMNS.into_iter().chain(units.then_some(service::UNIT_COLUMN)))?;
        Ok(Self { table, units })
    }

    /// Writes more entries.
    pub fn put(&mut self, unit: &UnitId, entries: &[ServiceEntry]) -> io::Result<()> {
        for entry in entries {
            let row = service::cells(entry);
            let row = row.iter().map(String::as_str).chain(self.units.then_some(unit.as_str()));
            self.table.write_record(row)?;
        }
        Ok(())
    }

    /// Gives the output back.
    pub fn finish(self) -> io::Result<W> {
        self.table.into_inner().map_err(csv::IntoInnerError::into_error)
    }
}
