//! Readings as a Parquet file: `unit` (SITE/UNIT), `time` (UTC, milliseconds), then every channel as an optional double
//! in its inside unit. Columns are packed with Zstandard.

use std::fs::File;
use std::io::{self, Write};
use std::sync::Arc;

use parquet::basic::{Compression, ZstdLevel};
use parquet::column::reader::ColumnReaderImpl;
use parquet::column::reader::get_typed_column_reader;
use parquet::data_type::{ByteArray, ByteArrayType, DataType, DoubleType, Int64Type};
use parquet::file::properties::WriterProperties;
use parquet::file::reader::{FileReader, RowGroupReader, SerializedFileReader};
use parquet::file::writer::{SerializedFileWriter, SerializedRowGroupWriter};
use parquet::schema::parser::parse_message_type;

use crate::domain::{Channel, Reading, Timestamp, UnitId};

/// Readings in a row group: what is kept in memory, some 20 MB.
const GROUP_ROWS: usize = 1 << 17;
/// Readings read at a time.
const READ_ROWS: usize = 1 << 14;

/// Collects readings and writes them a row group at a time.
pub struct Columns<W: Write + Send> {
    file: SerializedFileWriter<W>,
    rows: Vec<(UnitId, Reading)>,
}

fn schema() -> String {
    let channels: String = Channel::ALL.map(|channel| format!("OPTIONAL DOUBLE {channel};")).concat();
    format!(
        "message readings {{ REQUIRED BYTE_ARRAY unit (UTF8); REQUIRED INT64 time (TIMESTAMP(MILLIS,true)); {channels} }}"
    )
}

fn failed(error: parquet::errors::ParquetError) -> io::Error {
    io::Error::other(error)
}

impl<W: Write + Send> Columns<W> {
    pub(super) fn new(out: W) -> io::Result<Self> {
        let schema = parse_message_type(&schema()).map_err(failed)?;
        let properties = WriterProperties::builder()
            .set_compression(Compression::ZSTD(ZstdLevel::default()))
            .set_created_by(concat!("fadeline ", env!("CARGO_PKG_VERSION")).to_owned())
            .build();
        let file = SerializedFileWriter::new(out, Arc::new(schema), Arc::new(properties)).map_err(failed)?;
        Ok(Self { file, rows: Vec::new() })
    }

    pub(super) fn put(&mut self, unit: &UnitId, rows: &[Reading]) -> io::Result<()> {
        for row in rows {
            self.rows.push((unit.clone(), *row));
            if self.rows.len() == GROUP_ROWS {
                self.group().map_err(failed)?;
            }
        }
        Ok(())
    }

    pub(super) fn finish(mut self) -> io::Result<W> {
        self.group().map_err(failed)?;
        self.file.into_inner().map_err(failed)
    }

    fn group(&mut self) -> Result<(), parquet::errors::ParquetError> {
        if self.rows.is_empty() {
            return Ok(());
        }
        let mut group = self.file.next_row_group()?;
        let units: Vec<ByteArray> = self.rows.iter().map(|(unit, _)| ByteArray::from(unit.as_str())).collect();
        put_column::<ByteArrayType, W>(&mut group, &units, None)?;
        let times: Vec<i64> = self.rows.iter().map(|(_, row)| row.at.as_millis()).collect();
        put_column::<Int64Type, W>(&mut group, &times, None)?;
        for channel in Channel::ALL {
            let values: Vec<f64> = self.rows.iter().filter_map(|(_, row)| row.get(channel)).collect();
            let present: Vec<i16> = self.rows.iter().map(|(_, row)| i16::from(row.get(channel).is_some())).collect();
            put_column::<DoubleType, W>(&mut group, &values, Some(&present))?;
        }
        group.close()?;
        self.rows.clear();
        Ok(())
    }
}

fn put_column<T: DataType, W: Write + Send>(
    group: &mut SerializedRowGroupWriter<'_, W>,
    values: &[T::T],
    present: Option<&[i16]>,
) -> Result<(), parquet::errors::ParquetError> {
    if let Some(mut column) = group.next_column()? {
        column.typed::<T>().write_batch(values, present, None)?;
        column.close()?;
    }
    Ok(())
}

/// Hands the readings of a file that [`Columns`] wrote to `each`, some at a time.
///
/// # Errors
/// What is wrong with the file, or what `each` said.
pub fn read(file: File, mut each: impl FnMut(UnitId, Reading) -> Result<(), String>) -> Result<(), String> {
    let reader = SerializedFileReader::new(file).map_err(|error| format!("is not a whole Parquet file ({error})"))?;
    let found = reader.metadata().file_metadata().schema_descr();
    let ours = parse_message_type(&schema()).map_err(|error| error.to_string())?;
    let same =
        |(field, column): (&Arc<parquet::schema::types::Type>, &Arc<parquet::schema::types::ColumnDescriptor>)| {
            field.name() == column.name()
                && field.get_physical_type() == column.physical_type()
                && field.get_basic_info().logical_type_ref() == column.logical_type_ref()
        };
    if found.num_columns() != ours.get_fields().len() || !ours.get_fields().iter().zip(found.columns()).all(same) {
        return Err(
            "does not have the columns that `fadeline export` writes; convert it to CSV and import that".to_owned()
        );
    }
    for group in 0..reader.num_row_groups() {
        let group = reader.get_row_group(group).map_err(|error| error.to_string())?;
        read_group(group.as_ref(), &mut each).map_err(|error| format!("is damaged: {error}"))?;
    }
    Ok(())
}

fn read_group(
    group: &dyn RowGroupReader,
    each: &mut impl FnMut(UnitId, Reading) -> Result<(), String>,
) -> Result<(), String> {
    let rows = usize::try_from(group.metadata().num_rows()).map_err(|error| error.to_string())?;
    let mut units = column::<ByteArrayType>(group, 0)?;
    let mut times = column::<Int64Type>(group, 1)?;
    let mut channels =
        (0..Channel::ALL.len()).map(|i| column::<DoubleType>(group, 2 + i)).collect::<Result<Vec<_>, _>>()?;
    let mut left = rows;
    while left > 0 {
        let count = left.min(READ_ROWS);
        let (names, _) = take(&mut units, count)?;
        let (times, _) = take(&mut times, count)?;
        if names.len() != count || times.len() != count {
            return Err("a column ends too soon".to_owned());
        }
        let mut readings: Vec<Reading> = times.iter().map(|at| Reading::new(Timestamp::from_millis(*at))).collect();
        for (channel, column) in Channel::ALL.into_iter().zip(&mut channels) {
            let (values, present) = take(column, count)?;
            let mut values = values.into_iter();
            for (reading, _) in readings.iter_mut().zip(present).filter(|(_, present)| *present == 1) {
                values.next().into_iter().for_each(|value| reading.set(channel, value));
            }
        }
        for (name, reading) in names.iter().zip(readings) {
            let name = name.as_utf8().map_err(|error| error.to_string())?;
            each(name.parse().map_err(|error: crate::domain::IdError| error.to_string())?, reading)?;
        }
        left -= count;
    }
    Ok(())
}

fn column<T: DataType>(group: &dyn RowGroupReader, index: usize) -> Result<ColumnReaderImpl<T>, String> {
    let reader = group.get_column_reader(index).map_err(|error| error.to_string())?;
    Ok(get_typed_column_reader::<T>(reader))
}

/// The next `count` records of a column: the values there are, and for each record whether it has one.
fn take<T: DataType>(column: &mut ColumnReaderImpl<T>, count: usize) -> Result<(Vec<T::T>, Vec<i16>), String> {
    let (mut values, mut present) = (Vec::new(), Vec::new());
    let mut got = 0;
    while got < count {
        let (records, ..) = column
            .read_records(count - got, Some(&mut present), None, &mut values)
            .map_err(|error| error.to_string())?;
        if records == 0 {
            return Err("a column ends too soon".to_owned());
        }
        got += records;
    }
    Ok((values, present))
}
