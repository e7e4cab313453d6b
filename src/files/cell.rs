//! One cell of a table: what it means, or why it means nothing.
//!
//! The messages guess what went wrong (a decimal comma, a missing zone, a unit behind the number), because the person
//! who reads them made the file with some other program and needs to know what to change there.

use crate::domain::similar::did_you_mean;
use crate::domain::time::DAY;
use crate::domain::{Channel, Measure, Timestamp};

use super::refusal::quoted;

/// No reading of such a unit was logged before this (2000-01-01T00:00:00Z): a logger whose clock was never set writes
/// 1970.
pub const EARLIEST_SECS: i64 = 946_684_800;
/// A time may lie this far after "now", for clocks and zones that are off, milliseconds.
pub const FUTURE_SLACK: i64 = DAY;
/// The most a sensor that gives percent may read: a new lamp may well stand above 100.
pub const PERCENT_MAX: f64 = 200.0;

/// An instant, not absurdly early and not after `not_after` by more than [`FUTURE_SLACK`].
pub fn time(text: &str, not_after: Timestamp) -> Result<Timestamp, String> {
    let at: Timestamp = text.parse().map_err(|_| time_trouble(text.trim()))?;
    check_time(at, not_after)
}

/// `at`, unless it is absurdly early or after `not_after` by more than [`FUTURE_SLACK`].
pub fn check_time(at: Timestamp, not_after: Timestamp) -> Result<Timestamp, String> {
    if at < Timestamp::from_secs(EARLIEST_SECS) {
        return Err(format!("`{at}` is before the year 2000; set the logger's clock and correct the time"));
    }
    if at.millis_since(not_after) > FUTURE_SLACK {
        return Err(format!("`{at}` is in the future (it is {not_after}); correct it or set this computer's clock"));
    }
    Ok(at)
}

fn time_trouble(text: &str) -> String {
    let shown = quoted(text);
    if text.is_empty() {
        return "has no time; write one such as 2026-08-14T06:00:00Z".to_owned();
    }
    if text.parse::<jiff::civil::DateTime>().is_ok() && text.len() > "2026-08-14".len() {
        return format!("{shown} has no zone; add Z for UTC or an offset such as +02:00");
    }
    if text.parse::<jiff::civil::Date>().is_ok() {
        return format!("{shown} has no time of day and no zone; write 2026-08-14T06:00:00Z");
    }
    if text.parse::<f64>().is_ok() {
        return format!("{shown} is a bare number; write RFC 3339 such as 2026-08-14T06:00:00Z");
    }
    format!("{shown} is not an RFC 3339 time; write 2026-08-14T06:00:00Z or 2026-08-14T08:00:00+02:00")
}

/// A number; `None` for an empty cell.
pub fn number(text: &str) -> Result<Option<f64>, String> {
    let text = text.trim();
    if text.is_empty() {
        return Ok(None);
    }
    match text.parse::<f64>() {
        Ok(value) if value.is_finite() => Ok(Some(value)),
        Ok(_) => Err(format!("{} is not a measurement; leave the cell empty where nothing was measured", quoted(text))),
        Err(_) => Err(number_trouble(text)),
    }
}

fn number_trouble(text: &str) -> String {
    let shown = quoted(text);
    if text.matches(',').count() == 1 && text.replace(',', ".").parse::<f64>().is_ok() {
        return format!("{shown} has a decimal comma; write {}", text.replace(',', "."));
    }
    let digits = text.trim_end_matches(|c: char| !c.is_ascii_digit());
    let rest = text[digits.len()..].trim();
    let split = text.find(|c: char| c.is_ascii_whitespace() || c.is_ascii_alphabetic() || c == '%' || c == 'µ');
    let unit = split.map(|at| text[at..].trim()).filter(|unit| Measure::from_symbol(unit).is_some());
    match unit.or(Some(rest).filter(|unit| Measure::from_symbol(unit).is_some())) {
        Some(unit) => format!(
            "{shown} carries its unit {unit}; cells hold bare numbers, and `sensor.unit` in the unit file names the unit of intensity"
        ),
        None => format!("{shown} is not a number; leave the cell empty where nothing was measured"),
    }
}

/// The value of a channel in its inside unit; `None` for an empty cell. `intensity` is the unit of the intensity
/// column; every other column is in the channel's own unit.
pub fn channel(channel: Channel, text: &str, intensity: Measure) -> Result<Option<f64>, String> {
    if channel == Channel::LampOn {
        return lamp_on(text);
    }
    let Some(raw) = number(text)? else { return Ok(None) };
    let measure = if channel == Channel::Intensity { intensity } else { own_measure(channel) };
    inside(channel, raw, measure).map(Some)
}

/// `raw`, given in `measure`, in the channel's inside unit, unless it cannot be a measurement.
pub fn inside(channel: Channel, raw: f64, measure: Measure) -> Result<f64, String> {
    let value = measure.to_inside(channel, raw).unwrap_or(raw);
    let (low, high) = limits(channel, measure);
    if (low..=high).contains(&value) {
        return Ok(value);
    }
    let shown = if raw.abs() < 1e9 { raw.to_string() } else { format!("{raw:e}") };
    let (low, high, unit) = match (channel, measure) {
        // Shown in the file's own unit, which differs from the inside one by a factor alone.
        (Channel::Intensity, _) => {
            let inside_per_unit = measure.to_inside(channel, 1.0).unwrap_or(1.0);
            (low / inside_per_unit, high / inside_per_unit, measure.symbol())
        }
        _ => (low, high, own_measure(channel).symbol()),
    };
    Err(format!("`{shown}` is outside {low} to {high} {unit}; {}", range_remedy(channel, measure)))
}

fn limits(channel: Channel, measure: Measure) -> (f64, f64) {
    match channel.plausible() {
        (low, _) if channel == Channel::Intensity && measure == Measure::Percent => (low, PERCENT_MAX),
        limits => limits,
    }
}

fn range_remedy(channel: Channel, measure: Measure) -> &'static str {
    match (channel, measure) {
        (Channel::Intensity, Measure::Percent) => "if these are not percent, set `sensor.unit` in the unit file",
        (Channel::Intensity, _) => "check `sensor.unit` in the unit file, or empty the cell",
        (Channel::Transmittance, _) => "write percent over 1 cm, or empty the cell",
        _ => "correct it or empty the cell",
    }
}

fn lamp_on(text: &str) -> Result<Option<f64>, String> {
    match text.trim().to_ascii_lowercase().as_str() {
        "" => Ok(None),
        "1" | "true" | "on" => Ok(Some(1.0)),
        "0" | "false" | "off" => Ok(Some(0.0)),
        _ => Err(format!("{} is neither true nor false; write true, false or nothing", quoted(text.trim()))),
    }
}

/// The unit a channel has inside, and in files.
pub fn own_measure(channel: Channel) -> Measure {
    match channel {
        Channel::Intensity => Measure::MilliwattPerCm2,
        Channel::Flow => Measure::LitrePerMinute,
        Channel::WaterTemperature => Measure::Celsius,
        Channel::Transmittance => Measure::Percent,
        Channel::Turbidity => Measure::Ntu,
        Channel::PressureIn | Channel::PressureOut => Measure::Kilopascal,
        Channel::LampHours => Measure::Hour,
        Channel::LampOn | Channel::LampStarts => Measure::Count,
        Channel::LoopCurrent => Measure::Milliampere,
    }
}

/// Why `name` is no column, with the nearest column and what to do.
pub fn unknown_column<'a>(name: &str, known: impl IntoIterator<Item = &'a str> + Clone) -> String {
    let bare = name.split(['(', '[']).next().unwrap_or(name);
    let hint = did_you_mean(bare, known.clone());
    let known: Vec<&str> = known.into_iter().collect();
    format!("column {} is not known{hint} (columns: {})", quoted(name), known.join(", "))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn times() {
        let now: Timestamp = "2026-08-14T12:00:00Z".parse().unwrap();
        assert_eq!(time("2026-08-14T08:00:00+02:00", now), Ok("2026-08-14T06:00:00Z".parse().unwrap()));
        assert_eq!(time(" 2026-08-14 06:00:00Z ", now), Ok("2026-08-14T06:00:00Z".parse().unwrap()));
        for (text, want) in [
            ("", "has no time"),
            ("2026-08-14T06:00:00", "has no zone"),
            ("2026-08-14 06:00", "has no zone"),
            ("2026-08-14", "has no time of day"),
            ("1786687200", "is a bare number"),
            ("14.08.2026 06:00", "is not an RFC 3339 time"),
            ("1970-01-01T00:00:12Z", "before the year 2000"),
            ("2026-08-16T06:00:00Z", "is in the future"),
            ("2026-02-30T06:00:00Z", "is not an RFC 3339 time"),
        ] {
            let said = time(text, now).unwrap_err();
            assert!(said.contains(want), "{text}: {said}");
        }
    }

    #[test]
    fn numbers_and_what_looks_like_them() {
        let mw = Measure::MilliwattPerCm2;
        let read = |text| channel(Channel::Intensity, text, mw);
        assert_eq!(read(" 21.4 "), Ok(Some(21.4)));
        assert_eq!(read("-0.2"), Ok(Some(-0.2)), "a sensor's zero error may be negative");
        assert_eq!(read(""), Ok(None));
        assert_eq!(channel(Channel::Intensity, "214", Measure::WattPerM2), Ok(Some(21.4)));
        assert_eq!(channel(Channel::Intensity, "120", Measure::Percent), Ok(Some(120.0)));
        for (text, want) in [
            ("NaN", "is not a measurement"),
            ("-inf", "is not a measurement"),
            ("1e400", "is not a measurement"),
            ("1e308", "is outside -1000 to 100000 mW/cm2"),
            ("21,4", "decimal comma; write 21.4"),
            ("21.4 mW/cm2", "carries its unit mW/cm2"),
            ("78%", "carries its unit %"),
            ("n/a", "is not a number"),
            ("12:30", "is not a number"),
        ] {
            let said = read(text).unwrap_err();
            assert!(said.contains(want), "{text}: {said}");
        }
        assert!(channel(Channel::Intensity, "201", Measure::Percent).unwrap_err().contains("-1000 to 200 percent"));
        assert!(channel(Channel::Transmittance, "101", mw).unwrap_err().contains("percent over 1 cm"));
        assert!(channel(Channel::LampHours, "-1", mw).is_err());
        assert_eq!(channel(Channel::LampOn, "TRUE", mw), Ok(Some(1.0)));
        assert!(channel(Channel::LampOn, "2", mw).is_err());
    }
}
