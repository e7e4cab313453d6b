//! Readings as a SenML pack.

use std::fmt::Write as _;

use crate::domain::{Channel, IntensityUnit, Measure, Reading};

/// Writes readings as a SenML pack, one record a channel, named by the channel after `base_name`.
///
/// `base_name` must be made of letters, digits and `- : . / _`, start with a letter or digit, and end in `/` or `:`
/// (anything else in it is left out). The pack resolves to exactly the same readings: times to the millisecond (from
/// July 1978 on; before that SenML has only relative times), values to the last bit. Symbols are those registered for SenML where one
/// gives the value back exactly: intensity is written in `W/m2` (1 mW/cm2 = 10 W/m2), and in `mW/cm2`, which is ours,
/// for the few doubles for which ten times a tenth is another number. `L/min`, `kPa`, `h` and `mA` are ours as well.
/// No reading gives `[]`, which is no legal pack: send nothing then.
pub fn encode(readings: &[Reading], intensity_unit: IntensityUnit, base_name: &str) -> String {
    let base_millis = readings.iter().map(|reading| reading.at.as_millis()).min().unwrap_or(0);
    let mut out = String::with_capacity(64 + readings.len() * 96);
    out.push('[');
    for reading in readings {
        for (channel, value) in reading.channels() {
            if out.len() == 1 {
                out.push_str("{\"bn\":\"");
                out.extend(base_name.chars().filter(|c| c.is_ascii_alphanumeric() || "-:./_".contains(*c)));
                out.push_str("\",\"bt\":");
                push_secs(&mut out, base_millis);
                out.push(',');
            } else {
                out.push_str(",\n{");
            }
            out.push_str("\"n\":\"");
            out.push_str(channel.name());
            out.push('"');
            let offset = reading.at.as_millis() - base_millis;
            if offset != 0 {
                out.push_str(",\"t\":");
                push_secs(&mut out, offset);
            }
            push_value(&mut out, channel, value, intensity_unit);
            out.push('}');
        }
    }
    out.push(']');
    out
}

fn push_value(out: &mut String, channel: Channel, value: f64, intensity_unit: IntensityUnit) {
    if channel == Channel::LampOn && (value == 0.0 || value == 1.0) {
        out.push_str(if value == 1.0 { ",\"vb\":true" } else { ",\"vb\":false" });
        return;
    }
    let (symbol, value) = match channel {
        Channel::Intensity => intensity(value, intensity_unit),
        Channel::Flow => ("L/min", value),
        Channel::WaterTemperature => ("Cel", value),
        Channel::Transmittance => ("%", value),
        Channel::Turbidity => ("NTU", value),
        Channel::PressureIn | Channel::PressureOut => ("kPa", value),
        Channel::LampHours => ("h", value),
        Channel::LampOn | Channel::LampStarts => ("count", value),
        Channel::LoopCurrent => ("mA", value),
    };
    // Display of a double is the shortest text that reads back as the same double, and never an exponent: legal JSON.
    let written = write!(out, ",\"u\":\"{symbol}\",\"v\":{value}");
    debug_assert!(written.is_ok(), "writing to a String does not fail");
}

fn intensity(value: f64, unit: IntensityUnit) -> (&'static str, f64) {
    if unit == IntensityUnit::Percent {
        return ("%", value);
    }
    let tenfold = value * 10.0;
    if Measure::WattPerM2.to_inside(Channel::Intensity, tenfold) == Some(value) {
        ("W/m2", tenfold)
    } else {
        ("mW/cm2", value)
    }
}

/// Milliseconds as seconds, exactly, without the rounding of a division.
fn push_secs(out: &mut String, millis: i64) {
    if millis < 0 {
        out.push('-');
    }
    let (secs, rest) = (millis.unsigned_abs() / 1_000, millis.unsigned_abs() % 1_000);
    let written = if rest == 0 { write!(out, "{secs}") } else { write!(out, "{secs}.{rest:03}") };
    debug_assert!(written.is_ok(), "writing to a String does not fail");
}
