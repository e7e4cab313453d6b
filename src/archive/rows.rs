//! The readings of a `ROWS` body.

use crate::domain::{Channel, Reading, Timestamp, UnitId};

use super::varint::{Front, Wrong, put_svarint, put_text, put_varint};

/// The most readings of one section.
pub const ROWS_MAX: usize = 1 << 16;

const POWERS: [f64; 10] = [1.0, 1e1, 1e2, 1e3, 1e4, 1e5, 1e6, 1e7, 1e8, 1e9];
const DOUBLES: u8 = 255;
/// Scaled integers stay below this in size: then they are exact as doubles, and so is a power of ten, and their
/// quotient is correctly rounded.
const SCALED_MAX: f64 = (1_u64 << 52) as f64;

/// The body of a section; `rows` ascend, 1 to [`ROWS_MAX`] of them.
pub(super) fn encode(unit: &UnitId, rows: &[Reading]) -> Vec<u8> {
    let mut out = Vec::with_capacity(64 + rows.len() * 8);
    put_text(&mut out, unit.as_str());
    put_varint(&mut out, rows.len() as u64);
    let (mut before, mut step) = (0_i64, 0_i64);
    for row in rows {
        let at = row.at.as_millis();
        put_svarint(&mut out, at.wrapping_sub(before).wrapping_sub(step));
        (step, before) = (at.wrapping_sub(before), at);
    }
    let occurs = |channel: &Channel| rows.iter().any(|row| row.get(*channel).is_some());
    let channels: Vec<Channel> = Channel::ALL.into_iter().filter(occurs).collect();
    put_varint(&mut out, channels.len() as u64);
    for channel in channels {
        put_text(&mut out, channel.name());
        let mut present = vec![0_u8; rows.len().div_ceil(8)];
        let mut values = Vec::with_capacity(rows.len());
        for (i, row) in rows.iter().enumerate() {
            if let Some(value) = row.get(channel) {
                present[i / 8] |= 1 << (i % 8);
                values.push(value);
            }
        }
        out.extend_from_slice(&present);
        put_values(&mut out, &values);
    }
    out
}

fn put_values(out: &mut Vec<u8>, values: &[f64]) {
    match scaled(values) {
        Some((power, integers)) => {
            out.push(power);
            let mut before = 0;
            for integer in integers {
                put_svarint(out, integer - before);
                before = integer;
            }
        }
        None => {
            out.push(DOUBLES);
            values.iter().for_each(|value| out.extend_from_slice(&value.to_le_bytes()));
        }
    }
}

/// The least power of ten that makes integers of all values, with them, if there is one.
fn scaled(values: &[f64]) -> Option<(u8, Vec<i64>)> {
    let mut power = 0;
    for value in values {
        while scale(*value, power).is_none() {
            power += 1;
            POWERS.get(power)?;
        }
    }
    let integers = values.iter().map(|value| scale(*value, power)).collect::<Option<_>>()?;
    Some((u8::try_from(power).ok()?, integers))
}

fn scale(value: f64, power: usize) -> Option<i64> {
    let scaled = (value * POWERS[power]).round();
    let exact = scaled.abs() < SCALED_MAX && ((scaled as i64) as f64 / POWERS[power]).to_bits() == value.to_bits();
    exact.then_some(scaled as i64)
}

/// The inverse of [`encode`].
pub(super) fn decode(body: &[u8]) -> Result<(UnitId, Vec<Reading>), Wrong> {
    let mut front = Front(body);
    let unit: UnitId = front.text()?.parse().map_err(|_| "a unit's id is none")?;
    let count = usize::try_from(front.varint()?).unwrap_or(usize::MAX);
    if !(1..=ROWS_MAX).contains(&count) {
        return Err("the count of readings is not between 1 and 65536");
    }
    let mut rows = times(&mut front, count)?;
    let channels = front.varint()?;
    if channels > Channel::ALL.len() as u64 {
        return Err("there are more channels than this version knows");
    }
    for _ in 0..channels {
        column(&mut front, &mut rows)?;
    }
    if !front.0.is_empty() {
        return Err("there are bytes behind the last column");
    }
    Ok((unit, rows))
}

fn times(front: &mut Front<'_>, count: usize) -> Result<Vec<Reading>, Wrong> {
    let mut rows: Vec<Reading> = Vec::with_capacity(count);
    let (mut at, mut step) = (0_i64, 0_i64);
    for _ in 0..count {
        step = step.wrapping_add(front.svarint()?);
        at = at.wrapping_add(step);
        let time = Timestamp::from_millis(at);
        if time.as_millis() != at || rows.last().is_some_and(|last| last.at >= time) {
            return Err("the times do not ascend");
        }
        rows.push(Reading::new(time));
    }
    Ok(rows)
}

fn column(front: &mut Front<'_>, rows: &mut [Reading]) -> Result<(), Wrong> {
    let channel: Channel = front.text()?.parse().map_err(|_| "a channel is not known to this version")?;
    let present = front.take(rows.len().div_ceil(8))?;
    let power = front.byte()?;
    let divisor = match POWERS.get(usize::from(power)) {
        Some(divisor) => Some(*divisor),
        None if power == DOUBLES => None,
        None => return Err("a power of ten is none of ours"),
    };
    let mut before = 0_i64;
    for (i, row) in rows.iter_mut().enumerate() {
        if present[i / 8] >> (i % 8) & 1 == 0 {
            continue;
        }
        let value = match divisor {
            Some(divisor) => {
                before = before.wrapping_add(front.svarint()?);
                before as f64 / divisor
            }
            None => front.double()?,
        };
        if !value.is_finite() {
            return Err("a value is not finite");
        }
        if row.get(channel).is_some() {
            return Err("a channel stands twice");
        }
        row.set(channel, value);
    }
    Ok(())
}
