//! Units of measurement on the wire and in files, and their conversion to the one unit each channel has inside.

use super::Channel;

/// A unit of measurement a sender may use.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum Measure {
    /// mW/cm2.
    MilliwattPerCm2,
    /// uW/cm2: 1000 uW/cm2 = 1 mW/cm2.
    MicrowattPerCm2,
    /// W/m2: 10 W/m2 = 1 mW/cm2.
    WattPerM2,
    /// Percent.
    Percent,
    /// L/min.
    LitrePerMinute,
    /// L/s.
    LitrePerSecond,
    /// m3/h.
    CubicMetrePerHour,
    /// US gallons a minute (231 cubic inches: 3.785411784 L).
    GallonPerMinute,
    /// Degrees Celsius.
    Celsius,
    /// Degrees Fahrenheit.
    Fahrenheit,
    /// Kelvin.
    Kelvin,
    /// NTU.
    Ntu,
    /// kPa.
    Kilopascal,
    /// bar.
    Bar,
    /// Pounds per square inch (6.894757 kPa).
    Psi,
    /// Hours.
    Hour,
    /// Seconds.
    Second,
    /// A plain number or a truth value.
    Count,
    /// mA of a 4-20 mA loop.
    Milliampere,
}

impl Measure {
    /// Every measure with the spellings that are understood: first ours, then the SenML symbol where it differs.
    pub const ALL: [(Self, &'static [&'static str]); 19] = [
        (Self::MilliwattPerCm2, &["mW/cm2", "mW/cm²"]),
        (Self::MicrowattPerCm2, &["uW/cm2", "µW/cm²", "μW/cm²"]),
        (Self::WattPerM2, &["W/m2", "W/m²"]),
        (Self::Percent, &["percent", "%"]),
        (Self::LitrePerMinute, &["L/min", "l/min"]),
        (Self::LitrePerSecond, &["L/s", "l/s"]),
        (Self::CubicMetrePerHour, &["m3/h", "m³/h"]),
        (Self::GallonPerMinute, &["gal/min", "gpm"]),
        (Self::Celsius, &["C", "Cel", "°C"]),
        (Self::Fahrenheit, &["F", "°F"]),
        (Self::Kelvin, &["K"]),
        (Self::Ntu, &["NTU"]),
        (Self::Kilopascal, &["kPa"]),
        (Self::Bar, &["bar"]),
        (Self::Psi, &["psi"]),
        (Self::Hour, &["h"]),
        (Self::Second, &["s"]),
        (Self::Count, &["1", "count", "bool"]),
        (Self::Milliampere, &["mA"]),
    ];

    /// From one of the understood spellings.
    pub fn from_symbol(text: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|(_, symbols)| symbols.contains(&text)).map(|(measure, _)| measure)
    }

    /// Our spelling.
    pub fn symbol(self) -> &'static str {
        Self::ALL.into_iter().find(|(measure, _)| *measure == self).map_or("", |(_, symbols)| symbols[0])
    }

    /// `value` of `channel`, given in this measure, in the unit the channel has inside; `None` if the measure does
    /// not belong to the channel. For intensity, mW/cm2 and percent both pass: which one a unit keeps is its
    /// sensor's setting, and the caller checks that they agree.
    pub fn to_inside(self, channel: Channel, value: f64) -> Option<f64> {
        let converted = match (channel, self) {
            (Channel::Intensity, Self::MilliwattPerCm2 | Self::Percent) => value,
            (Channel::Intensity, Self::MicrowattPerCm2) => value / 1_000.0,
            (Channel::Intensity, Self::WattPerM2) => value / 10.0,
            (Channel::Flow, Self::LitrePerMinute) => value,
            (Channel::Flow, Self::LitrePerSecond) => value * 60.0,
            (Channel::Flow, Self::CubicMetrePerHour) => value * 1_000.0 / 60.0,
            (Channel::Flow, Self::GallonPerMinute) => value * 3.785_411_784,
            (Channel::WaterTemperature, Self::Celsius) => value,
            (Channel::WaterTemperature, Self::Fahrenheit) => (value - 32.0) / 1.8,
            (Channel::WaterTemperature, Self::Kelvin) => value - 273.15,
            (Channel::Transmittance, Self::Percent) | (Channel::Turbidity, Self::Ntu) => value,
            (Channel::PressureIn | Channel::PressureOut, Self::Kilopascal) => value,
            (Channel::PressureIn | Channel::PressureOut, Self::Bar) => value * 100.0,
            (Channel::PressureIn | Channel::PressureOut, Self::Psi) => value * 6.894_757,
            (Channel::LampHours, Self::Hour) => value,
            (Channel::LampHours, Self::Second) => value / 3_600.0,
            (Channel::LampOn | Channel::LampStarts, Self::Count) => value,
            (Channel::LoopCurrent, Self::Milliampere) => value,
            _ => return None,
        };
        Some(converted)
    }
}

/// State of a 4-20 mA signal. Limits of NAMUR recommendation NE 43, from memory.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum LoopState {
    /// A measurement: the fraction of the span, 0 at 4 mA and 1 at 20 mA (-0.0125 to 1.03125).
    Valid(f64),
    /// Between the valid range and the failure limits: not a measurement, not yet a failure.
    Saturated,
    /// At or below 3.6 mA, or at or above 21 mA: wiring or transmitter failed.
    Failed,
}

/// Least valid current, mA (NE 43, from memory).
pub const LOOP_VALID_MIN_MA: f64 = 3.8;
/// Greatest valid current, mA (NE 43, from memory).
pub const LOOP_VALID_MAX_MA: f64 = 20.5;
/// At or below this the loop has failed, mA (NE 43, from memory).
pub const LOOP_FAILED_LOW_MA: f64 = 3.6;
/// At or above this the loop has failed, mA (NE 43, from memory).
pub const LOOP_FAILED_HIGH_MA: f64 = 21.0;

/// What a loop current means. Not a number counts as failed.
pub fn loop_state(current_ma: f64) -> LoopState {
    if (LOOP_VALID_MIN_MA..=LOOP_VALID_MAX_MA).contains(&current_ma) {
        LoopState::Valid((current_ma - 4.0) / 16.0)
    } else if current_ma > LOOP_FAILED_LOW_MA && current_ma < LOOP_FAILED_HIGH_MA {
        LoopState::Saturated
    } else {
        LoopState::Failed
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn intensity_conversions() {
        // RFC 8428 has W/m2 only; 1 mW/cm2 = 10 W/m2 = 1000 uW/cm2 by the definition of the prefixes.
        let inside = |symbol: &str, v| Measure::from_symbol(symbol).unwrap().to_inside(Channel::Intensity, v);
        assert_eq!(inside("mW/cm2", 21.4), Some(21.4));
        assert_eq!(inside("W/m2", 214.0), Some(21.4));
        assert_eq!(inside("uW/cm2", 21_400.0), Some(21.4));
        assert_eq!(inside("kPa", 1.0), None);
    }

    #[test]
    fn other_conversions() {
        let close = |a: Option<f64>, b: f64| assert!((a.unwrap() - b).abs() < 1e-9, "{a:?} {b}");
        close(Measure::Fahrenheit.to_inside(Channel::WaterTemperature, 212.0), 100.0);
        close(Measure::GallonPerMinute.to_inside(Channel::Flow, 1.0), 3.785_411_784);
        close(Measure::LitrePerSecond.to_inside(Channel::Flow, 0.5), 30.0);
        close(Measure::CubicMetrePerHour.to_inside(Channel::Flow, 0.6), 10.0);
    }

    #[test]
    fn every_symbol_is_understood_and_names_one_measure() {
        for (measure, symbols) in Measure::ALL {
            assert_eq!(measure.symbol(), symbols[0]);
            assert!(symbols.iter().all(|s| Measure::from_symbol(s) == Some(measure)));
        }
    }

    /// NAMUR NE 43, from memory: 4-20 mA carries the measurement, 3.8 to 20.5 is valid, 3.6 and 21.0 say failure.
    #[test]
    fn ne43() {
        for (ma, fraction) in [(4.0, 0.0), (12.0, 0.5), (20.0, 1.0), (3.8, -0.0125), (20.5, 1.03125)] {
            match loop_state(ma) {
                LoopState::Valid(x) => assert!((x - fraction).abs() < 1e-12),
                other => panic!("{ma} {other:?}"),
            }
        }
        for ma in [3.7, 20.8] {
            assert_eq!(loop_state(ma), LoopState::Saturated);
        }
        for ma in [0.0, -1.0, 3.6, 21.0, 22.0, f64::NAN, f64::INFINITY] {
            assert_eq!(loop_state(ma), LoopState::Failed);
        }
    }
}
