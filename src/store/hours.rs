//! PURE: the hours of one unit's UTC day to bytes and back.
//!
//! Checksum, version, then for each channel of the day: the hours that have it, and columns of counts, least, mean and
//! greatest values.

use super::bytes::Damage;
use super::codec::{check_crc, put_integers, put_values, seal_crc, take_integers, take_values};
use crate::domain::time::HOUR;
use crate::domain::{Channel, HourSummary, HourValues, Timestamp};

/// The version written; readers know it and every earlier one.
const VERSION: u8 = 1;
const HOURS_MAX: usize = 24;

/// The stored form of the hours of one UTC day, ascending.
pub fn encode(hours: &[HourSummary]) -> Vec<u8> {
    let mut out = vec![0; 4];
    out.push(VERSION);
    for channel in Channel::ALL {
        let column: Vec<(i64, HourValues)> = hours
            .iter()
            .filter_map(|hour| Some((hour.at.as_millis().div_euclid(HOUR), hour.get(channel)?)))
            .take(HOURS_MAX)
            .collect();
        let Some((first, _)) = column.first() else { continue };
        out.push(channel as u8);
        out.push(column.len() as u8);
        put_integers(&mut out, &[*first]);
        put_integers(&mut out, &column.iter().map(|(hour, _)| hour - first).collect::<Vec<_>>());
        put_integers(&mut out, &column.iter().map(|(_, values)| i64::from(values.count)).collect::<Vec<_>>());
        for part in [|v: &HourValues| v.least, |v: &HourValues| v.mean, |v: &HourValues| v.greatest] {
            put_values(&mut out, &column.iter().map(|(_, values)| part(values)).collect::<Vec<_>>());
        }
    }
    seal_crc(&mut out);
    out
}

/// The inverse of [`encode`].
pub fn decode(bytes: &[u8]) -> Result<Vec<HourSummary>, Damage> {
    let mut reader = check_crc(bytes)?;
    if reader.byte()? != VERSION {
        return Err(Damage("hours of a version not known here"));
    }
    let mut hours = std::collections::BTreeMap::new();
    while reader.left() > 0 {
        let channel = Channel::ALL.get(usize::from(reader.byte()?)).ok_or(Damage("an unknown channel"))?;
        let count = usize::from(reader.byte()?);
        let first = take_integers(&mut reader, 1)?.first().copied().unwrap_or_default();
        let places = take_integers(&mut reader, count)?;
        let counts = take_integers(&mut reader, count)?;
        let [least, mean, greatest] =
            [take_values(&mut reader, count)?, take_values(&mut reader, count)?, take_values(&mut reader, count)?];
        for (place, hour) in places.iter().enumerate() {
            let at = Timestamp::from_millis(first.saturating_add(*hour).saturating_mul(HOUR));
            let count = u32::try_from(counts[place]).map_err(|_| Damage("a count is too great"))?;
            let values = HourValues { count, least: least[place], mean: mean[place], greatest: greatest[place] };
            hours.entry(at).or_insert_with(|| HourSummary::new(at)).set(*channel, Some(values));
        }
    }
    Ok(hours.into_values().collect())
}

/// What is kept of a day when its hours are made again: see [`HourSummary::absorb`].
pub fn merged(kept: Vec<HourSummary>, made: Vec<HourSummary>) -> Vec<HourSummary> {
    let mut all: std::collections::BTreeMap<Timestamp, HourSummary> =
        kept.into_iter().map(|hour| (hour.at, hour)).collect();
    for hour in made {
        all.entry(hour.at).or_insert_with(|| HourSummary::new(hour.at)).absorb(&hour);
    }
    all.into_values().collect()
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    fn summaries() -> impl Strategy<Value = Vec<HourSummary>> {
        let values = (1_u32..100_000, -1e6..1e6_f64, any::<f64>().prop_filter("finite", |v| v.is_finite()), -9_i32..9)
            .prop_map(|(count, least, mean, n)| HourValues { count, least, mean, greatest: f64::from(n) / 10.0 });
        let hour = prop::collection::btree_map(0..Channel::ALL.len(), values, 1..5);
        prop::collection::btree_map(480_000_i64..480_024, hour, 0..24).prop_map(|hours| {
            let summary = |(hour, channels): (i64, std::collections::BTreeMap<usize, HourValues>)| {
                let mut summary = HourSummary::new(Timestamp::from_millis(hour * HOUR));
                channels.into_iter().for_each(|(n, values)| summary.set(Channel::ALL[n], Some(values)));
                summary
            };
            hours.into_iter().map(summary).collect()
        })
    }

    proptest! {
        #[test]
        fn hours_come_back(hours in summaries()) {
            prop_assert_eq!(decode(&encode(&hours)), Ok(hours));
        }

        #[test]
        fn damaged_hours_never_panic(hours in summaries(), at: prop::sample::Index, bits: u8, tail: Vec<u8>) {
            let mut bytes = encode(&hours);
            let place = at.index(bytes.len());
            bytes[place] ^= bits;
            bytes.extend(tail);
            let _either = decode(&bytes);
            // The same with a checksum that fits.
            seal_crc(&mut bytes);
            let _either = decode(&bytes);
        }
    }
}
