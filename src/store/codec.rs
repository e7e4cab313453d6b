//! PURE: readings to bytes and back, exactly.
//!
//! Two forms of a run of readings, both in ascending order of time without repeats:
//! - **rows** ([`Packer`], [`unpack`]): one reading after the other, each written as its difference from the one
//!   before. Cheap to append to; the journal and the open blocks use it.
//! - **block** ([`encode_block`], [`decode_block`]): one column for each channel, compressed with pco, under a version
//!   and a checksum. A quarter of the size; made once, when a day is over.
//!
//! A value is kept as an integer and a power of ten wherever that gives back the same bits (sensors report decimals),
//! otherwise as the bits themselves.

use pco::data_types::Number;
use pco::errors::PcoResult;
use pco::standalone::simple_decompress_into;
use pco::wrapped::{FileCompressor, FileDecompressor};
use pco::{ChunkConfig, DeltaSpec, PagingSpec};

use crate::domain::reading::CHANNELS;
use crate::domain::time::SECOND;
use crate::domain::{Channel, Columns, Reading, Timestamp};

use super::bytes::{Damage, Reader, put_bytes, put_signed, put_varint, unzigzag, zigzag};

/// The version of blocks written; readers know it and every earlier one.
///
/// 1: columns by pco as files of their own, of 64 bits. 2: without what such a file says of itself, and as narrow as the
/// column allows: each of a column's bins is written with a bound of that width.
pub const BLOCK_VERSION: u8 = 2;
/// Powers of ten a value may be scaled by. The quotient of two exact integers below 2^53 is correctly rounded, so a
/// decimal of up to 15 digits comes back bit for bit.
const POWERS: [f64; 10] = [1.0, 1e1, 1e2, 1e3, 1e4, 1e5, 1e6, 1e7, 1e8, 1e9];
/// Stands in place of an exponent where a value is kept as its bits.
const RAW: u8 = POWERS.len() as u8;
/// Scaled integers are smaller than this in size, so that their differences fit with room for a flag.
const SCALED_MAX: f64 = (1_u64 << 52) as f64;
/// Shorter columns are written as variable-length differences: pco's own header would be longer.
const PCO_LEAST_ROWS: usize = 16;

fn scale(value: f64, exponent: u8) -> Option<i64> {
    let scaled = value * POWERS.get(usize::from(exponent))?;
    // To the nearest, half away from zero; where the addition itself rounds, the comparison below refuses the integer.
    let integer = (scaled.abs() < SCALED_MAX).then_some((scaled + 0.5_f64.copysign(scaled)) as i64)?;
    (unscale(integer, exponent).to_bits() == value.to_bits()).then_some(integer)
}

fn unscale(integer: i64, exponent: u8) -> f64 {
    POWERS.get(usize::from(exponent)).map_or(f64::NAN, |power| integer as f64 / power)
}

fn mask(reading: &Reading) -> u16 {
    reading.channels().fold(0, |mask, (channel, _)| mask | 1 << channel as u16)
}

fn channels_of(mask: u16) -> impl Iterator<Item = Channel> {
    Channel::ALL.into_iter().filter(move |channel| mask >> *channel as u16 & 1 == 1)
}

const MASK_ALL: u16 = (1 << CHANNELS) - 1;

/// What the next row is written against.
#[derive(Clone, Debug, Default)]
struct Before {
    at: i64,
    step: i64,
    mask: u16,
    /// Exponent and scaled integer of each channel's last value.
    values: [(u8, i64); CHANNELS],
}

/// Readings in row form, growing at the end.
#[derive(Clone, Debug, Default)]
pub struct Packer {
    bytes: Vec<u8>,
    count: usize,
    before: Before,
}

impl Packer {
    /// Packs all of `rows`.
    pub fn of(rows: &[Reading]) -> Self {
        let mut packer = Self::default();
        rows.iter().for_each(|row| packer.push(row));
        packer
    }

    /// Appends one reading.
    pub fn push(&mut self, row: &Reading) {
        let Before { at, step, mask: last_mask, values } = &mut self.before;
        let new_step = row.at.as_millis().wrapping_sub(*at);
        put_signed(&mut self.bytes, new_step.wrapping_sub(*step));
        (*at, *step) = (row.at.as_millis(), new_step);
        let new_mask = mask(row);
        put_varint(&mut self.bytes, u64::from(new_mask ^ *last_mask));
        *last_mask = new_mask;
        for (channel, value) in row.channels() {
            pack_value(&mut self.bytes, &mut values[channel as usize], value);
        }
        self.count += 1;
    }

    /// How many readings there are.
    pub fn count(&self) -> usize {
        self.count
    }

    /// The readings as bytes, for [`unpack`] with [`Packer::count`].
    pub fn bytes(&self) -> &[u8] {
        &self.bytes
    }
}

/// Even: the difference from the channel's last value at the same exponent. Odd: another exponent, or raw bits.
fn pack_value(out: &mut Vec<u8>, before: &mut (u8, i64), value: f64) {
    if let Some(integer) = scale(value, before.0) {
        put_varint(out, zigzag(integer - before.1) << 1);
        before.1 = integer;
        return;
    }
    let scaled = (0..RAW).find_map(|exponent| scale(value, exponent).map(|integer| (exponent, integer)));
    let code = scaled.map_or(RAW, |(exponent, _)| exponent);
    put_varint(out, u64::from(code) << 1 | 1);
    match scaled {
        Some((_, integer)) => put_signed(out, integer),
        None => out.extend_from_slice(&value.to_le_bytes()),
    }
    *before = scaled.unwrap_or(*before);
}

fn unpack_value(reader: &mut Reader<'_>, before: &mut (u8, i64)) -> Result<f64, Damage> {
    let head = reader.varint()?;
    if head & 1 == 0 {
        before.1 = before.1.wrapping_add(unzigzag(head >> 1));
        return Ok(unscale(before.1, before.0));
    }
    match u8::try_from(head >> 1) {
        Ok(RAW) => reader.array().map(f64::from_le_bytes),
        Ok(exponent) if exponent < RAW => {
            *before = (exponent, reader.signed()?);
            Ok(unscale(before.1, before.0))
        }
        _ => Err(Damage("an unknown kind of value")),
    }
}

/// The `count` readings that a [`Packer`] wrote to the front of `reader`.
pub fn unpack(reader: &mut Reader<'_>, count: usize) -> Result<Vec<Reading>, Damage> {
    unpack_after(&mut Before::default(), reader, count)
}

/// The same, where rows were written before them.
fn unpack_after(before: &mut Before, reader: &mut Reader<'_>, count: usize) -> Result<Vec<Reading>, Damage> {
    // A row takes at least two bytes: a damaged count cannot make us ask for more memory than that.
    if count > reader.left() / 2 {
        return Err(Damage("ends too soon"));
    }
    let mut rows = Vec::with_capacity(count);
    for _ in 0..count {
        before.step = before.step.wrapping_add(reader.signed()?);
        before.at = before.at.wrapping_add(before.step);
        let flips = u16::try_from(reader.varint()?).map_err(|_| Damage("an unknown channel"))?;
        before.mask ^= flips;
        if before.mask & !MASK_ALL != 0 {
            return Err(Damage("an unknown channel"));
        }
        let mut row = Reading::new(Timestamp::from_millis(before.at));
        for channel in channels_of(before.mask) {
            row.set(channel, unpack_value(reader, &mut before.values[channel as usize])?);
        }
        rows.push(row);
    }
    Ok(rows)
}

/// One unit's readings within a journal batch.
#[derive(Clone, Debug, PartialEq)]
pub struct UnitRows {
    /// The store's number of the unit.
    pub unit: u32,
    /// Ascending in time, without repeats.
    pub rows: Vec<Reading>,
}

/// A journal batch: the readings of one append, grouped by unit. A unit's first row is written against the last one of
/// the unit before: they are of about the same time, and of sensors much alike.
pub fn encode_batch(units: &[UnitRows]) -> Vec<u8> {
    let mut packer = Packer { bytes: vec![0; 4], ..Packer::default() };
    put_varint(&mut packer.bytes, units.len() as u64);
    for UnitRows { unit, rows } in units {
        put_varint(&mut packer.bytes, u64::from(*unit));
        put_varint(&mut packer.bytes, rows.len() as u64);
        rows.iter().for_each(|row| packer.push(row));
    }
    seal_crc(&mut packer.bytes);
    packer.bytes
}

/// The inverse of [`encode_batch`].
pub fn decode_batch(bytes: &[u8]) -> Result<Vec<UnitRows>, Damage> {
    let mut before = Before::default();
    units_of(bytes, |reader, count| unpack_after(&mut before, reader, count))
}

/// A batch as the journal had it up to schema 2: each unit by itself.
pub fn decode_old_batch(bytes: &[u8]) -> Result<Vec<UnitRows>, Damage> {
    units_of(bytes, unpack)
}

fn units_of(
    bytes: &[u8],
    mut rows: impl FnMut(&mut Reader<'_>, usize) -> Result<Vec<Reading>, Damage>,
) -> Result<Vec<UnitRows>, Damage> {
    let mut reader = check_crc(bytes)?;
    let units = reader.varint()?;
    let mut out = Vec::new();
    for _ in 0..units {
        let unit = u32::try_from(reader.varint()?).map_err(|_| Damage("a unit's number is too great"))?;
        let count = usize::try_from(reader.varint()?).map_err(|_| Damage("a count is too great"))?;
        out.push(UnitRows { unit, rows: rows(&mut reader, count)? });
    }
    Ok(out)
}

/// Fills the first four bytes with the checksum of the rest.
pub(super) fn seal_crc(out: &mut [u8]) {
    if let Some((crc, rest)) = out.split_first_chunk_mut::<4>() {
        *crc = crc32fast::hash(rest).to_le_bytes();
    }
}

pub(super) fn check_crc(bytes: &[u8]) -> Result<Reader<'_>, Damage> {
    let mut reader = Reader::new(bytes);
    let crc = u32::from_le_bytes(reader.array()?);
    if crc != crc32fast::hash(&bytes[4..]) {
        return Err(Damage("the checksum does not fit"));
    }
    Ok(reader)
}

/// A sealed block of `rows`: checksum, version, count, then the columns of time, presence and channels.
pub fn encode_block(rows: &[Reading]) -> Vec<u8> {
    let mut out = vec![0; 4];
    out.push(BLOCK_VERSION);
    put_varint(&mut out, rows.len() as u64);
    put_times(&mut out, rows);
    let masks: Vec<i64> = rows.iter().map(|row| i64::from(mask(row))).collect();
    put_integers(&mut out, &masks);
    let union = rows.iter().fold(0, |union, row| union | mask(row));
    for channel in channels_of(union) {
        let values: Vec<f64> = rows.iter().filter_map(|row| row.get(channel)).collect();
        put_values(&mut out, &values);
    }
    seal_crc(&mut out);
    out
}

/// The readings of a sealed block of this version or an earlier one.
pub fn decode_block(bytes: &[u8]) -> Result<Vec<Reading>, Damage> {
    let mut rows = Vec::new();
    decode_block_onto(bytes, &mut rows).map(|()| rows)
}

/// The same, behind what `rows` has; nothing is added from a damaged block.
pub fn decode_block_onto(bytes: &[u8], rows: &mut Vec<Reading>) -> Result<(), Damage> {
    let before = rows.len();
    let decoded = append_block(bytes, rows);
    if decoded.is_err() {
        rows.truncate(before);
    }
    decoded
}

fn append_block(bytes: &[u8], rows: &mut Vec<Reading>) -> Result<(), Damage> {
    let (mut reader, count) = block_body(bytes)?;
    let times = take_times(&mut reader, count)?;
    let masks = take_integers(&mut reader, count)?;
    let (mut full, mut partial) = (Vec::new(), Vec::new());
    for channel in channels_of(union_of(&masks)?) {
        let having = count_having(&masks, channel);
        let values = take_values(&mut reader, having)?;
        if having == count { full.push((channel, values)) } else { partial.push((channel, values)) }
    }
    let first = rows.len();
    rows.reserve_exact(times.len());
    // Rows are large, and writing them is most of the work: a few at a time stay near until they have all their channels.
    for (part, times) in times.chunks(ROWS_AT_ONCE).enumerate() {
        let begin = part * ROWS_AT_ONCE;
        rows.extend(times.iter().map(|at| Reading::new(Timestamp::from_millis(*at))));
        for (channel, values) in &full {
            rows[first + begin..].iter_mut().zip(&values[begin..]).for_each(|(row, value)| row.set(*channel, *value));
        }
    }
    for (channel, values) in partial {
        let places = rows[first..].iter_mut().zip(&masks).filter(|(_, mask)| has(**mask, channel));
        places.zip(values).for_each(|((row, _), value)| row.set(channel, value));
    }
    Ok(())
}

/// The readings of a sealed block behind what `columns` has, with those channels that `wanted` holds for: the others are
/// not even unpacked. Nothing is added from a damaged block.
pub fn decode_columns_onto(
    bytes: &[u8],
    columns: &mut Columns,
    wanted: impl Fn(Channel) -> bool,
) -> Result<(), Damage> {
    let before = columns.len();
    let decoded = append_columns(bytes, columns, wanted);
    if decoded.is_err() {
        columns.truncate(before);
    }
    decoded
}

fn append_columns(bytes: &[u8], columns: &mut Columns, wanted: impl Fn(Channel) -> bool) -> Result<(), Damage> {
    let (mut reader, count) = block_body(bytes)?;
    let times = take_times(&mut reader, count)?;
    let masks = take_integers(&mut reader, count)?;
    columns.extend_times(times.into_iter().map(Timestamp::from_millis));
    for channel in channels_of(union_of(&masks)?) {
        let having = count_having(&masks, channel);
        if !wanted(channel) {
            pass_values(&mut reader, having)?;
            continue;
        }
        match take_column(&mut reader, having)? {
            Column::Scaled(integers, power) if having == count => {
                columns.extend_channel(channel, integers.into_iter().map(|integer| integer as f64 / power));
            }
            Column::Plain(values) if having == count => columns.extend_channel(channel, values.into_iter()),
            some => {
                let mut values = some.into_values().into_iter();
                let spread = |mask: &i64| if has(*mask, channel) { values.next() } else { None }.unwrap_or(f64::NAN);
                columns.extend_channel(channel, masks.iter().map(spread));
            }
        }
    }
    columns.fill();
    Ok(())
}

/// The columns of a block whose checksum fits, of a version known here, and how many readings they are of.
fn block_body(bytes: &[u8]) -> Result<(Reader<'_>, usize), Damage> {
    let mut reader = check_crc(bytes)?;
    if !(1..=BLOCK_VERSION).contains(&reader.byte()?) {
        return Err(Damage("a block of a version not known here"));
    }
    let count = usize::try_from(reader.varint()?).map_err(|_| Damage("a count is too great"))?;
    Ok((reader, count))
}

/// The channels that any of the readings has.
fn union_of(masks: &[i64]) -> Result<u16, Damage> {
    let union = masks.iter().fold(0, |union, mask| union | mask);
    u16::try_from(union).ok().filter(|union| union & !MASK_ALL == 0).ok_or(Damage("an unknown channel"))
}

fn count_having(masks: &[i64], channel: Channel) -> usize {
    masks.iter().filter(|mask| has(**mask, channel)).count()
}

fn has(mask: i64, channel: Channel) -> bool {
    mask >> channel as u16 & 1 == 1
}

/// Times as places on a grid (nearly always the next place) and small distances from it.
fn put_times(out: &mut Vec<u8>, rows: &[Reading]) {
    let times: Vec<i64> = rows.iter().map(|row| row.at.as_millis()).collect();
    let start = times.first().copied().unwrap_or(0);
    let (step, places) = grid(&times, start);
    let strides: Vec<i64> = places.iter().scan(0, |last, at| Some(at - std::mem::replace(last, *at))).collect();
    let offsets: Vec<i64> = times.iter().zip(&places).map(|(at, place)| at - start - place * step).collect();
    put_signed(out, start);
    put_signed(out, step);
    put_integers(out, &strides);
    put_integers(out, &offsets);
}

/// The step of a grid that ascending `times` lie near, and their places on it. Where senders are punctual to some
/// milliseconds the usual step is a little off their clock's, and over a day the times would walk away from the grid.
fn grid(times: &[i64], start: i64) -> (i64, Vec<i64>) {
    let mut steps: Vec<i64> = times.windows(2).map(|pair| pair[1] - pair[0]).collect();
    let middle = steps.len() / 2;
    let usual = if steps.is_empty() { 1 } else { (*steps.select_nth_unstable(middle).1).max(1) };
    let places = |step: i64| -> Vec<i64> { times.iter().map(|at| (at - start + step / 2).div_euclid(step)).collect() };
    let uneven = |step: i64, places: &[i64]| {
        let odd = places.windows(2).filter(|pair| pair[1] - pair[0] != 1).count();
        let offsets = || times.iter().zip(places).map(|(at, place)| at - start - place * step);
        (odd, offsets().max().unwrap_or(0) - offsets().min().unwrap_or(0))
    };
    let whole_seconds = ((usual + SECOND / 2) / SECOND * SECOND).max(1);
    [usual, whole_seconds]
        .map(|step| (step, places(step)))
        .into_iter()
        .min_by_key(|(step, places)| uneven(*step, places))
        .unwrap_or_default()
}

fn take_times(reader: &mut Reader<'_>, count: usize) -> Result<Vec<i64>, Damage> {
    let (start, step) = (reader.signed()?, reader.signed()?);
    let strides = take_integers(reader, count)?;
    let offsets = take_integers(reader, count)?;
    let mut place = 0_i64;
    let times = strides.iter().zip(offsets).map(|(stride, offset)| {
        place = place.wrapping_add(*stride);
        start.wrapping_add(place.wrapping_mul(step)).wrapping_add(offset)
    });
    Ok(times.collect())
}

/// Rows that are filled at once; some kilobytes.
const ROWS_AT_ONCE: usize = 64;

/// How a column is written.
mod kind {
    pub const CONSTANT: u8 = 0;
    pub const DIFFERENCES: u8 = 1;
    /// Up to version 1: 64 bits, as a file of pco's own.
    pub const PCO_FILE: u8 = 2;
    pub const BITS: u8 = 3;
    /// Up to version 1: floating point, as a file of pco's own.
    pub const PCO_FILE_BITS: u8 = 4;
    pub const PCO_16: u8 = 5;
    pub const PCO_32: u8 = 6;
    pub const PCO_64: u8 = 7;
    pub const PCO_BITS: u8 = 8;
    /// Integers scaled by a power of ten: this plus the exponent, then a column of integers.
    pub const SCALED: u8 = 16;
}

/// At most 32 bins: for columns of a day more would only have longer tables, which take a fifth of the time of unpacking.
const PCO_LEVEL: usize = 5;

/// The shorter of the values themselves and their differences, compressed. Left to itself pco tries four ways on a sample
/// that is most of such a column, in twice the time.
fn deflate<T: Number>(column: &[T]) -> Option<Vec<u8>> {
    let one_page = PagingSpec::Exact(vec![column.len()]);
    let config = ChunkConfig::default().with_compression_level(PCO_LEVEL).with_paging_spec(one_page);
    let pack = |spec| -> PcoResult<Vec<u8>> {
        let file = FileCompressor::default();
        let mut chunk = file.chunk_compressor(column, &config.clone().with_delta_spec(spec))?;
        chunk.write_page(0, chunk.write_meta(file.write_header(Vec::new())?)?)
    };
    [DeltaSpec::NoOp, DeltaSpec::TryConsecutive(1)].into_iter().filter_map(|spec| pack(spec).ok()).min_by_key(Vec::len)
}

/// A column in the narrowest integers that hold all of it.
fn deflate_integers(column: &[i64]) -> Option<(u8, Vec<u8>)> {
    fn narrow<T: Number + TryFrom<i64>>(column: &[i64]) -> Option<Vec<T>> {
        column.iter().map(|value| T::try_from(*value).ok()).collect()
    }
    if let Some(column) = narrow::<i16>(column) {
        return Some((kind::PCO_16, deflate(&column)?));
    }
    if let Some(column) = narrow::<i32>(column) {
        return Some((kind::PCO_32, deflate(&column)?));
    }
    Some((kind::PCO_64, deflate(column)?))
}

pub(super) fn put_integers(out: &mut Vec<u8>, column: &[i64]) {
    let first = column.first().copied().unwrap_or(0);
    if column.iter().all(|value| *value == first) {
        out.push(kind::CONSTANT);
        put_signed(out, first);
        return;
    }
    if column.len() >= PCO_LEAST_ROWS
        && let Some((kind, packed)) = deflate_integers(column)
    {
        out.push(kind);
        put_bytes(out, &packed);
        return;
    }
    out.push(kind::DIFFERENCES);
    column.iter().fold(0, |before: i64, value| {
        put_signed(out, value.wrapping_sub(before));
        *value
    });
}

pub(super) fn take_integers(reader: &mut Reader<'_>, count: usize) -> Result<Vec<i64>, Damage> {
    match reader.byte()? {
        kind::CONSTANT => {
            let value = reader.signed()?;
            // Every block has at most one reading for each millisecond of its day.
            (count <= MAX_ROWS).then(|| vec![value; count]).ok_or(Damage("a count is too great"))
        }
        kind::DIFFERENCES => {
            let mut value = 0_i64;
            let mut next = || {
                value = value.wrapping_add(reader.signed()?);
                Ok(value)
            };
            (0..count).map(|_| next()).collect()
        }
        kind::PCO_16 => inflate::<i16>(reader.bytes()?, count).map(widened),
        kind::PCO_32 => inflate::<i32>(reader.bytes()?, count).map(widened),
        kind::PCO_64 => inflate(reader.bytes()?, count),
        kind::PCO_FILE => inflate_file(reader.bytes()?, count),
        _ => Err(Damage("an unknown kind of column")),
    }
}

/// The most readings a block may have.
pub const MAX_ROWS: usize = 1 << 20;

fn widened<T: Into<i64>>(column: Vec<T>) -> Vec<i64> {
    column.into_iter().map(Into::into).collect()
}

fn inflate<T: Number + Default>(packed: &[u8], count: usize) -> Result<Vec<T>, Damage> {
    inflated(count, |values| {
        let (file, rest) = FileDecompressor::new(packed)?;
        let (mut chunk, rest) = file.chunk_decompressor::<T, _>(rest)?;
        let done = chunk.page_decompressor(rest, values.len())?.read(values)?;
        Ok((done.n_processed, done.finished))
    })
}

fn inflate_file<T: Number + Default>(packed: &[u8], count: usize) -> Result<Vec<T>, Damage> {
    inflated(count, |values| {
        let done = simple_decompress_into(packed, values)?;
        Ok((done.n_processed, done.finished))
    })
}

/// A column of `count` values that `read` fills; it says how many it had, and whether those were all.
fn inflated<T: Number + Default>(
    count: usize,
    read: impl FnOnce(&mut [T]) -> PcoResult<(usize, bool)>,
) -> Result<Vec<T>, Damage> {
    if count > MAX_ROWS {
        return Err(Damage("a count is too great"));
    }
    let mut values = vec![T::default(); count];
    let done = read(&mut values).map_err(|_| Damage("a column does not unpack"))?;
    (done == (count, true)).then_some(values).ok_or(Damage("a column has another length"))
}

pub(super) fn put_values(out: &mut Vec<u8>, column: &[f64]) {
    let common = (0..RAW).find_map(|exponent| {
        let scaled: Option<Vec<i64>> = column.iter().map(|value| scale(*value, exponent)).collect();
        scaled.map(|scaled| (exponent, scaled))
    });
    if let Some((exponent, scaled)) = common {
        out.push(kind::SCALED + exponent);
        return put_integers(out, &scaled);
    }
    if column.len() >= PCO_LEAST_ROWS
        && let Some(packed) = deflate(column)
    {
        out.push(kind::PCO_BITS);
        return put_bytes(out, &packed);
    }
    out.push(kind::BITS);
    column.iter().for_each(|value| out.extend_from_slice(&value.to_le_bytes()));
}

pub(super) fn take_values(reader: &mut Reader<'_>, count: usize) -> Result<Vec<f64>, Damage> {
    take_column(reader, count).map(Column::into_values)
}

/// A column of values as it is kept.
enum Column {
    /// Integers, and the power of ten they are divided by.
    Scaled(Vec<i64>, f64),
    Plain(Vec<f64>),
}

impl Column {
    fn into_values(self) -> Vec<f64> {
        match self {
            Self::Scaled(integers, power) => integers.into_iter().map(|integer| integer as f64 / power).collect(),
            Self::Plain(values) => values,
        }
    }
}

fn take_column(reader: &mut Reader<'_>, count: usize) -> Result<Column, Damage> {
    match reader.byte()? {
        kind::PCO_BITS => inflate(reader.bytes()?, count).map(Column::Plain),
        kind::PCO_FILE_BITS => inflate_file(reader.bytes()?, count).map(Column::Plain),
        kind::BITS => {
            (0..count).map(|_| reader.array().map(f64::from_le_bytes)).collect::<Result<_, _>>().map(Column::Plain)
        }
        code => {
            let exponent = code.checked_sub(kind::SCALED).map(usize::from);
            let power = exponent.and_then(|exponent| POWERS.get(exponent));
            let power = power.ok_or(Damage("an unknown kind of column"))?;
            take_integers(reader, count).map(|integers| Column::Scaled(integers, *power))
        }
    }
}

/// Leaves a column of values unread.
fn pass_values(reader: &mut Reader<'_>, count: usize) -> Result<(), Damage> {
    match reader.byte()? {
        kind::PCO_BITS | kind::PCO_FILE_BITS => reader.bytes().map(drop),
        kind::BITS => (0..count).try_for_each(|_| reader.array::<8>().map(drop)),
        code if (kind::SCALED..kind::SCALED + RAW).contains(&code) => pass_integers(reader, count),
        _ => Err(Damage("an unknown kind of column")),
    }
}

/// Leaves a column of integers unread.
fn pass_integers(reader: &mut Reader<'_>, count: usize) -> Result<(), Damage> {
    match reader.byte()? {
        kind::CONSTANT => reader.signed().map(drop),
        kind::DIFFERENCES => (0..count).try_for_each(|_| reader.signed().map(drop)),
        kind::PCO_16 | kind::PCO_32 | kind::PCO_64 | kind::PCO_FILE => reader.bytes().map(drop),
        _ => Err(Damage("an unknown kind of column")),
    }
}

#[cfg(test)]
mod tests {
    use std::collections::BTreeMap;

    use proptest::prelude::*;

    use super::*;

    /// Values as sensors give them, and every other finite number.
    fn value() -> impl Strategy<Value = f64> {
        prop_oneof![
            4 => (-100_000_i64..100_000, 0_u32..5).prop_map(|(n, places)| n as f64 / 10_f64.powi(places as i32)),
            1 => any::<f64>().prop_filter("finite", |value| value.is_finite()),
            1 => Just(-0.0),
            1 => Just(f64::MAX),
            1 => Just(f64::MIN_POSITIVE / 8.0),
        ]
    }

    fn time() -> impl Strategy<Value = i64> {
        prop_oneof![
            4 => (0_i64..3_000, -200_i64..200).prop_map(|(minute, jitter)| 1_760_000_000_000 + minute * 60_000 + jitter),
            1 => Timestamp::MIN.as_millis()..=Timestamp::MAX.as_millis(),
        ]
    }

    fn rows() -> impl Strategy<Value = Vec<Reading>> {
        let row = (time(), prop::collection::btree_map(0..CHANNELS, value(), 0..CHANNELS));
        prop::collection::vec(row, 0..80).prop_map(|rows| {
            let rows: BTreeMap<i64, BTreeMap<usize, f64>> = rows.into_iter().collect();
            let reading = |(at, values): (i64, BTreeMap<usize, f64>)| {
                let empty = Reading::new(Timestamp::from_millis(at));
                values.into_iter().fold(empty, |row, (channel, value)| row.with(Channel::ALL[channel], value))
            };
            rows.into_iter().map(reading).collect()
        })
    }

    /// Equal to the bit: `==` alone takes -0 for 0.
    fn bits(rows: &[Reading]) -> Vec<(i64, Vec<(Channel, u64)>)> {
        let values = |row: &Reading| row.channels().map(|(channel, value)| (channel, value.to_bits())).collect();
        rows.iter().map(|row| (row.at.as_millis(), values(row))).collect()
    }

    proptest! {
        #[test]
        fn rows_come_back_to_the_bit(rows in rows()) {
            let packed = Packer::of(&rows);
            let mut reader = Reader::new(packed.bytes());
            prop_assert_eq!(bits(&unpack(&mut reader, packed.count()).unwrap()), bits(&rows));
            prop_assert_eq!(reader.left(), 0);
        }

        #[test]
        fn blocks_come_back_to_the_bit(rows in rows()) {
            prop_assert_eq!(bits(&decode_block(&encode_block(&rows)).unwrap()), bits(&rows));
        }

        /// By columns as by rows, all channels or some.
        #[test]
        fn columns_are_the_rows(days in prop::collection::vec(rows(), 0..3), wanted: u16) {
            let wanted = |channel: Channel| wanted >> channel as u16 & 1 == 1;
            let (mut columns, mut expected) = (Columns::default(), Columns::default());
            for rows in &days {
                decode_columns_onto(&encode_block(rows), &mut columns, wanted).unwrap();
                expected.extend_rows(rows, wanted);
            }
            prop_assert_eq!(columns.times(), expected.times());
            for channel in Channel::ALL {
                let bits = |columns: &Columns| columns.values(channel).iter().map(|v| v.to_bits()).collect::<Vec<_>>();
                prop_assert_eq!(bits(&columns), bits(&expected));
                let flat = days.iter().flatten().filter(|_| wanted(channel));
                let points: Vec<_> = flat.filter_map(|row| Some((row.at, row.get(channel)?.to_bits()))).collect();
                prop_assert_eq!(columns.points(channel).map(|(at, v)| (at, v.to_bits())).collect::<Vec<_>>(), points);
            }
        }

        #[test]
        fn batches_come_back_to_the_bit(units in prop::collection::vec((any::<u32>(), rows()), 0..4)) {
            let units: Vec<UnitRows> = units.into_iter().map(|(unit, rows)| UnitRows { unit, rows }).collect();
            let back = decode_batch(&encode_batch(&units)).unwrap();
            prop_assert_eq!(back.len(), units.len());
            for (back, unit) in back.iter().zip(&units) {
                prop_assert_eq!((back.unit, bits(&back.rows)), (unit.unit, bits(&unit.rows)));
            }
        }

        #[test]
        fn damage_is_an_error(rows in rows(), place: prop::sample::Index, flip in 1_u8..) {
            let units = [UnitRows { unit: 7, rows: rows.clone() }];
            for (good, is_damage) in [
                (encode_block(&rows), (|bytes: &[u8]| decode_block(bytes).is_err()) as fn(&[u8]) -> bool),
                (encode_batch(&units), |bytes: &[u8]| decode_batch(bytes).is_err()),
            ] {
                let at = place.index(good.len());
                prop_assert!(is_damage(&good[..at]), "cut at {}", at);
                let mut bad = good;
                bad[at] ^= flip;
                prop_assert!(is_damage(&bad), "flipped at {}", at);
            }
        }

        /// Behind a checksum that fits, any bytes still end in rows or in an error.
        #[test]
        fn any_bytes_decode_without_panic(rows in rows(), changes: Vec<(prop::sample::Index, u8)>, noise: Vec<u8>) {
            for mut bytes in [encode_block(&rows), encode_batch(&[UnitRows { unit: 1, rows }]), [vec![0; 5], noise].concat()] {
                for (at, byte) in &changes {
                    let at = at.index(bytes.len());
                    bytes[at] = *byte;
                }
                seal_crc(&mut bytes);
                let _ = (decode_block(&bytes), decode_batch(&bytes), decode_old_batch(&bytes));
                let mut columns = Columns::default();
                let some = |channel| channel == Channel::Flow;
                if decode_columns_onto(&bytes, &mut columns, some).is_err() {
                    prop_assert!(columns.is_empty());
                }
            }
        }
    }

    #[test]
    fn a_block_of_another_version_is_refused() {
        let mut block = encode_block(&[]);
        block[4] = BLOCK_VERSION + 1;
        seal_crc(&mut block);
        assert_eq!(decode_block(&block), Err(Damage("a block of a version not known here")));
    }

    /// A day as a unit sends it: one reading a minute with 200 ms of jitter, three decimals-limited channels.
    #[test]
    fn a_day_is_small() {
        let rows: Vec<Reading> = (0..1_440_i64)
            .map(|i| {
                let noise = (i * 7_919 % 401 - 200) as f64;
                Reading::new(Timestamp::from_millis(1_760_000_000_000 + i * 60_000 + i * 7_907 % 401 - 200))
                    .with(Channel::Intensity, (2_140.0 + (noise / 20.0).round()) / 100.0)
                    .with(Channel::WaterTemperature, (80.0 + (i as f64 / 200.0).round()) / 10.0)
                    .with(Channel::Flow, if i % 60 < 5 { 6.5 } else { 0.0 })
            })
            .collect();
        let (packed, block) = (Packer::of(&rows).bytes().len() as f64, encode_block(&rows).len() as f64);
        assert!(packed / 1_440.0 < 8.0, "{packed}");
        assert!(block / 1_440.0 < 3.0, "{block}");
    }
}
