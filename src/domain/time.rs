//! Instants, and days in a site's zone.
//!
//! Inside, time is UTC in whole milliseconds: that is the resolution a reading is stored and de-duplicated at.
//! Days belong to a site's time zone and appear only as [`jiff::civil::Date`].

use std::fmt;
use std::str::FromStr;

use jiff::civil::Date;
use jiff::tz::TimeZone;
use serde::{Deserialize, Deserializer, Serialize, Serializer};

/// Milliseconds in a second.
pub const SECOND: i64 = 1_000;
/// Milliseconds in a minute.
pub const MINUTE: i64 = 60 * SECOND;
/// Milliseconds in an hour.
pub const HOUR: i64 = 60 * MINUTE;
/// Milliseconds in a day of 24 hours (a day in a zone may have 23 or 25, see [`Timestamp::day_bounds`]).
pub const DAY: i64 = 24 * HOUR;

/// An instant in UTC, whole milliseconds since 1970-01-01T00:00:00Z.
///
/// Always inside jiff's range (years -9999 to 9999), so every conversion from it succeeds.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct Timestamp(i64);

impl Timestamp {
    /// The earliest instant a `Timestamp` can hold.
    pub const MIN: Self = Self(-377_705_023_201_000);
    /// The latest instant a `Timestamp` can hold.
    pub const MAX: Self = Self(253_402_207_200_000);

    /// From milliseconds since the epoch, clamped to the range that can be written as a date.
    pub fn from_millis(millis: i64) -> Self {
        Self(millis.clamp(Self::MIN.0, Self::MAX.0))
    }

    /// From whole seconds since the epoch, clamped likewise.
    pub fn from_secs(secs: i64) -> Self {
        Self::from_millis(secs.saturating_mul(SECOND))
    }

    /// Milliseconds since the epoch.
    pub fn as_millis(self) -> i64 {
        self.0
    }

    /// This instant moved by `millis` (negative: earlier), clamped at the ends of the range.
    #[must_use]
    pub fn plus_millis(self, millis: i64) -> Self {
        Self::from_millis(self.0.saturating_add(millis))
    }

    /// Milliseconds from `earlier` to this instant (negative if it is later).
    pub fn millis_since(self, earlier: Self) -> i64 {
        self.0 - earlier.0
    }

    /// Days of 24 hours from `earlier` to this instant.
    pub fn days_since(self, earlier: Self) -> f64 {
        self.millis_since(earlier) as f64 / DAY as f64
    }

    /// The civil date this instant falls on in `zone`.
    pub fn date_in(self, zone: &TimeZone) -> Date {
        self.to_jiff().to_zoned_datetime(zone.clone()).date()
    }

    /// The first instant of `date` in `zone`, and the first instant of the day after: 23, 24 or 25 hours apart.
    pub fn day_bounds(date: Date, zone: &TimeZone) -> (Self, Self) {
        (Self::day_start(date, zone), Self::day_start(date.tomorrow().unwrap_or(date), zone))
    }

    /// The first instant of `date` in `zone`.
    pub fn day_start(date: Date, zone: &TimeZone) -> Self {
        date.to_zoned_datetime(zone.clone())
            .and_then(|midnight| midnight.start_of_day())
            .map_or(Self::MAX, |first| first.timestamp().into())
    }

    /// The same instant as a jiff timestamp.
    pub fn to_jiff(self) -> jiff::Timestamp {
        jiff::Timestamp::from_millisecond(self.0).unwrap_or(jiff::Timestamp::UNIX_EPOCH)
    }
}

impl From<jiff::Timestamp> for Timestamp {
    fn from(at: jiff::Timestamp) -> Self {
        Self::from_millis(at.as_millisecond())
    }
}

/// RFC 3339 in UTC, without a fraction where it is zero: `2026-08-14T06:00:00Z`.
impl fmt::Display for Timestamp {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        self.to_jiff().fmt(f)
    }
}

/// What was wrong with a text that should have been an RFC 3339 time.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
#[error("`{text}` is not an RFC 3339 time with a zone, such as 2026-08-14T06:00:00Z or 2026-08-14T08:00:00+02:00")]
pub struct TimeError {
    /// The offending text, shortened.
    pub text: String,
}

impl FromStr for Timestamp {
    type Err = TimeError;

    fn from_str(text: &str) -> Result<Self, TimeError> {
        text.trim()
            .parse::<jiff::Timestamp>()
            .map(Self::from)
            .map_err(|_| TimeError { text: text.chars().take(60).collect() })
    }
}

impl Serialize for Timestamp {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        serializer.collect_str(self)
    }
}

impl<'de> Deserialize<'de> for Timestamp {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        String::deserialize(deserializer)?.parse().map_err(serde::de::Error::custom)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn rfc3339_in_and_out() {
        let at: Timestamp = "2026-08-14T08:00:00+02:00".parse().unwrap();
        assert_eq!(at.to_string(), "2026-08-14T06:00:00Z");
        assert_eq!("2026-08-14T06:00:00.250Z".parse::<Timestamp>().unwrap().as_millis() % 1000, 250);
        assert!("2026-08-14".parse::<Timestamp>().is_err());
        assert!("yesterday".parse::<Timestamp>().is_err());
    }

    #[test]
    fn the_ends_of_the_range_are_writable() {
        for end in [Timestamp::MIN, Timestamp::MAX, Timestamp::from_millis(i64::MIN), Timestamp::from_millis(i64::MAX)]
        {
            assert_eq!(end.to_string().parse::<Timestamp>().unwrap(), end);
        }
    }

    #[test]
    fn both_clock_changes_make_a_day_shorter_or_longer() {
        // Rule of the European Union: 2026-03-29 has 23 hours, 2026-10-25 has 25.
        let zone = TimeZone::get("Europe/Vienna").unwrap();
        for (date, hours) in [
            (jiff::civil::date(2026, 3, 29), 23),
            (jiff::civil::date(2026, 10, 25), 25),
            (jiff::civil::date(2026, 6, 1), 24),
        ] {
            let (start, end) = Timestamp::day_bounds(date, &zone);
            assert_eq!(end.millis_since(start), hours * HOUR, "{date}");
            assert_eq!(start.date_in(&zone), date);
            assert_eq!(end.plus_millis(-1).date_in(&zone), date);
        }
    }
}
