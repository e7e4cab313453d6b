//! One channel of a unit over a span, in as few points as a chart can show, lowest and highest kept.

use jiff::tz::TimeZone;
use serde::{Deserialize, Serialize};

use crate::domain::time::{DAY, HOUR};
use crate::domain::{Channel, Columns, DaySummary, Timestamp, UnitId};

/// Points a chart gets unless it asks for fewer: about one for every pixel.
pub const POINTS_DEFAULT: usize = 1_500;
/// The longest span of raw readings at once, days: a reading a minute makes 130,000 of them.
pub const RAW_DAYS_MAX: i64 = 93;
/// The longest span of hours at once, days.
pub const HOUR_DAYS_MAX: i64 = 400;

/// How fine a series is.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Resolution {
    /// As they came.
    Raw,
    /// One point an hour.
    Hour,
    /// One point a day of the site.
    Day,
}

impl Resolution {
    /// Every one, finest first.
    pub const ALL: [Self; 3] = [Self::Raw, Self::Hour, Self::Day];

    /// As written in addresses.
    pub fn name(self) -> &'static str {
        match self {
            Self::Raw => "raw",
            Self::Hour => "hour",
            Self::Day => "day",
        }
    }
}

/// Which part of a unit's history is wanted.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Span {
    /// From here on; default: 30 days before `to`.
    pub from: Option<Timestamp>,
    /// Up to here; default: the latest reading.
    pub to: Option<Timestamp>,
    /// How fine; default: as fine as the points allow.
    pub resolution: Option<Resolution>,
    /// At most so many points.
    pub points: usize,
    /// Which channel.
    #[serde(with = "channel_name")]
    pub channel: Channel,
}

impl Default for Span {
    fn default() -> Self {
        Self { from: None, to: None, resolution: None, points: POINTS_DEFAULT, channel: Channel::Intensity }
    }
}

mod channel_name {
    use serde::{Deserialize, Deserializer, Serializer};

    use crate::domain::Channel;

    pub fn serialize<S: Serializer>(channel: &Channel, serializer: S) -> Result<S::Ok, S::Error> {
        serializer.serialize_str(channel.name())
    }

    pub fn deserialize<'de, D: Deserializer<'de>>(deserializer: D) -> Result<Channel, D::Error> {
        String::deserialize(deserializer)?.parse().map_err(serde::de::Error::custom)
    }
}

/// One point of a series.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Point {
    /// The reading's time, or the start of the hour, day or stretch.
    pub at: Timestamp,
    /// The reading, or the median of them.
    pub value: f64,
    /// The least.
    pub low: f64,
    /// The greatest. For days: the greatest median of a quarter of the day.
    pub high: f64,
    /// Of how many readings.
    pub count: u32,
}

/// A part of a unit's history.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Series {
    /// The site's id.
    pub site: String,
    /// The unit's id within the site.
    pub unit: String,
    /// Which channel.
    pub channel: String,
    /// Its unit of measurement; empty for counts and switches.
    pub measure: String,
    /// How fine.
    pub resolution: Resolution,
    /// Whether neighbouring points were put together to stay within the points asked for.
    pub thinned: bool,
    /// The span's start.
    pub from: Timestamp,
    /// The span's end.
    pub to: Timestamp,
    /// Ascending.
    pub points: Vec<Point>,
}

/// The resolution that shows a span of `millis` in at most `points` points.
pub fn choose(millis: i64, points: usize) -> Resolution {
    let points = i64::try_from(points).unwrap_or(i64::MAX);
    if millis <= 2 * DAY {
        Resolution::Raw
    } else if millis / HOUR <= points && millis <= HOUR_DAYS_MAX * DAY {
        Resolution::Hour
    } else {
        Resolution::Day
    }
}

/// The readings that have the channel, a point each.
pub fn raw(readings: &Columns, channel: Channel) -> Vec<Point> {
    let point = |(at, value)| Point { at, value, low: value, high: value, count: 1 };
    readings.points(channel).map(point).collect()
}

/// Points put together in stretches of `millis`, counted from the epoch: the median of them, least and greatest.
pub fn stretches(points: &[Point], millis: i64) -> Vec<Point> {
    let start = |point: &Point| point.at.as_millis().div_euclid(millis.max(1));
    points
        .chunk_by(|a, b| start(a) == start(b))
        .filter_map(|chunk| together(chunk, Timestamp::from_millis(start(chunk.first()?) * millis.max(1))))
        .collect()
}

/// The same for the days of a zone.
pub fn days(points: &[Point], zone: &TimeZone) -> Vec<Point> {
    points
        .chunk_by(|a, b| a.at.date_in(zone) == b.at.date_in(zone))
        .filter_map(|chunk| together(chunk, Timestamp::day_start(chunk.first()?.at.date_in(zone), zone)))
        .collect()
}

fn together(chunk: &[Point], at: Timestamp) -> Option<Point> {
    let mut values: Vec<f64> = chunk.iter().map(|point| point.value).collect();
    values.sort_by(f64::total_cmp);
    Some(Point {
        at,
        value: *values.get(values.len() / 2)?,
        low: chunk.iter().map(|point| point.low).fold(f64::INFINITY, f64::min),
        high: chunk.iter().map(|point| point.high).fold(f64::NEG_INFINITY, f64::max),
        count: chunk.iter().fold(0, |sum: u32, point| sum.saturating_add(point.count)),
    })
}

/// The kept days that have the channel, a point each.
pub fn of_days(summaries: &[DaySummary], channel: Channel, zone: &TimeZone) -> Vec<Point> {
    let point = |day: &DaySummary| {
        let at = Timestamp::day_start(day.date, zone);
        if channel == Channel::Intensity {
            let value = day.intensity?.median.exp();
            let high = day.quarters.iter().flatten().map(|quarter| quarter.median.exp()).fold(value, f64::max);
            return Some(Point { at, value, low: day.lowest.unwrap_or(value).min(value), high, count: day.readings });
        }
        let value = match channel {
            Channel::Flow => day.flow,
            Channel::WaterTemperature => day.water_temperature,
            Channel::Transmittance => day.transmittance,
            Channel::Turbidity => day.turbidity,
            Channel::LampHours => day.lamp_hours,
            _ => None,
        }?;
        Some(Point { at, value, low: value, high: value, count: day.readings })
    };
    summaries.iter().filter_map(point).collect()
}

/// Whether kept days know the channel at all.
pub fn kept_by_day(channel: Channel) -> bool {
    matches!(
        channel,
        Channel::Intensity
            | Channel::Flow
            | Channel::WaterTemperature
            | Channel::Transmittance
            | Channel::Turbidity
            | Channel::LampHours
    )
}

/// At most `most` points of the same course: neighbours are put together, their least and greatest kept.
pub fn thin(points: Vec<Point>, most: usize) -> (Vec<Point>, bool) {
    if points.len() <= most {
        return (points, false);
    }
    let each = points.len().div_ceil(most.max(1));
    (points.chunks(each).filter_map(|chunk| together(chunk, chunk.first()?.at)).collect(), true)
}

/// The unit of measurement of a channel.
pub fn measure(channel: Channel, intensity_unit: &str) -> &str {
    match channel {
        Channel::Intensity => intensity_unit,
        Channel::Flow => "L/min",
        Channel::WaterTemperature => "C",
        Channel::Transmittance => "percent",
        Channel::Turbidity => "NTU",
        Channel::PressureIn | Channel::PressureOut => "kPa",
        Channel::LampHours => "h",
        Channel::LampOn | Channel::LampStarts => "",
        Channel::LoopCurrent => "mA",
    }
}

/// Why a span cannot be had, as a lower-case fragment with the remedy.
pub fn refusal(unit: &UnitId, resolution: Resolution, millis: i64) -> Option<String> {
    let (most, coarser) = match resolution {
        Resolution::Raw => (RAW_DAYS_MAX, "hour or day"),
        Resolution::Hour => (HOUR_DAYS_MAX, "day"),
        Resolution::Day => return None,
    };
    (millis > most * DAY).then(|| {
        let (days, name) = (millis / DAY, resolution.name());
        format!("{days} days of {unit} in resolution {name}; at most {most} at once: ask for less, or for {coarser}")
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    fn point(secs: i64, value: f64) -> Point {
        Point { at: Timestamp::from_secs(secs), value, low: value, high: value, count: 1 }
    }

    #[test]
    fn the_lowest_and_highest_survive_thinning() {
        let mut points: Vec<Point> = (0..10_000).map(|i| point(i, 20.0 + 0.001 * (i % 7) as f64)).collect();
        points[4_321] = point(4_321, 3.0);
        points[8_765] = point(8_765, 44.0);
        let (thinned, yes) = thin(points, 1_500);
        assert!(yes && thinned.len() <= 1_500 && thinned.len() > 1_000);
        assert!(thinned.iter().any(|p| p.low == 3.0) && thinned.iter().any(|p| p.high == 44.0));
        assert_eq!(thinned.iter().map(|p| p.count).sum::<u32>(), 10_000);
        assert!(thinned.is_sorted_by(|a, b| a.at < b.at));
    }

    #[test]
    fn hours_and_resolutions() {
        let hours = stretches(&[point(10, 1.0), point(20, 3.0), point(30, 2.0), point(3_601, 9.0)], HOUR);
        assert_eq!((hours.len(), hours[0].value, hours[0].low, hours[0].high, hours[0].count), (2, 2.0, 1.0, 3.0, 3));
        assert_eq!(hours[1].at, Timestamp::from_secs(3_600));
        assert_eq!(choose(DAY, 1_500), Resolution::Raw);
        assert_eq!(choose(30 * DAY, 1_500), Resolution::Hour);
        assert_eq!(choose(365 * DAY, 1_500), Resolution::Day);
    }
}
