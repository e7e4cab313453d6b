//! One reading of a unit: an instant and the channels that were measured then.

use std::fmt;
use std::str::FromStr;

use super::Timestamp;

/// How many channels there are.
pub const CHANNELS: usize = 11;

/// A measured quantity. Inside Fadeline each has one unit of measurement, named here.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
#[repr(u8)]
pub enum Channel {
    /// Ultraviolet intensity at the sensor; mW/cm2, or percent where the sensor only gives percent.
    Intensity = 0,
    /// Flow through the unit, L/min.
    Flow = 1,
    /// Water temperature, C.
    WaterTemperature = 2,
    /// Transmittance of the water at 254 nm over 1 cm, %.
    Transmittance = 3,
    /// Turbidity, NTU.
    Turbidity = 4,
    /// Pressure before the pre-filters, kPa.
    PressureIn = 5,
    /// Pressure after the pre-filters, kPa.
    PressureOut = 6,
    /// Hours the lamp has burnt, h.
    LampHours = 7,
    /// Whether the lamp is powered: 0 or 1.
    LampOn = 8,
    /// How often the lamp has been started.
    LampStarts = 9,
    /// Current of a 4-20 mA intensity loop, mA. Kept beside the intensity it means, because a current outside the
    /// valid range says that the wiring or the transmitter has failed, and then there is no intensity.
    LoopCurrent = 10,
}

impl Channel {
    /// Every channel, in storage order. New ones go to the end.
    pub const ALL: [Self; CHANNELS] = [
        Self::Intensity,
        Self::Flow,
        Self::WaterTemperature,
        Self::Transmittance,
        Self::Turbidity,
        Self::PressureIn,
        Self::PressureOut,
        Self::LampHours,
        Self::LampOn,
        Self::LampStarts,
        Self::LoopCurrent,
    ];

    /// The channel's name in files, payloads and the config.
    pub fn name(self) -> &'static str {
        match self {
            Self::Intensity => "intensity",
            Self::Flow => "flow",
            Self::WaterTemperature => "water_temperature",
            Self::Transmittance => "transmittance",
            Self::Turbidity => "turbidity",
            Self::PressureIn => "pressure_in",
            Self::PressureOut => "pressure_out",
            Self::LampHours => "lamp_hours",
            Self::LampOn => "lamp_on",
            Self::LampStarts => "lamp_starts",
            Self::LoopCurrent => "loop_current",
        }
    }

    /// The least and greatest value that can be a measurement (inclusive). Outside it a value is refused on intake:
    /// it is a decoding or scaling mistake, not a bad sensor. Wide on purpose; the physical limits are far inside.
    pub fn plausible(self) -> (f64, f64) {
        match self {
            Self::Intensity => (-1_000.0, 100_000.0),
            Self::Flow => (-100.0, 100_000.0),
            Self::WaterTemperature => (-40.0, 150.0),
            Self::Transmittance => (0.0, 100.5),
            Self::Turbidity => (-1.0, 100_000.0),
            Self::PressureIn | Self::PressureOut => (-150.0, 10_000.0),
            Self::LampHours => (0.0, 1_000_000.0),
            Self::LampOn => (0.0, 1.0),
            Self::LampStarts => (0.0, 1e9),
            Self::LoopCurrent => (-30.0, 30.0),
        }
    }
}

impl fmt::Display for Channel {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.pad(self.name())
    }
}

/// A name that is no channel.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
#[error("`{0}` is not a channel")]
pub struct UnknownChannel(pub String);

impl FromStr for Channel {
    type Err = UnknownChannel;

    fn from_str(text: &str) -> Result<Self, UnknownChannel> {
        Self::ALL.into_iter().find(|c| c.name() == text).ok_or_else(|| UnknownChannel(text.chars().take(60).collect()))
    }
}

/// What one unit measured at one instant. Any channel may be missing; every value present is finite.
#[derive(Clone, Copy, PartialEq)]
pub struct Reading {
    /// When it was measured.
    pub at: Timestamp,
    present: u16,
    values: [f64; CHANNELS],
}

impl Reading {
    /// A reading with no channel yet.
    pub fn new(at: Timestamp) -> Self {
        Self { at, present: 0, values: [0.0; CHANNELS] }
    }

    /// The same with one channel set; a value that is not finite leaves it as it was.
    #[must_use]
    pub fn with(mut self, channel: Channel, value: f64) -> Self {
        self.set(channel, value);
        self
    }

    /// Sets a channel; a value that is not finite leaves the reading as it was.
    pub fn set(&mut self, channel: Channel, value: f64) {
        if value.is_finite() {
            self.present |= 1 << channel as u16;
            self.values[channel as usize] = value;
        }
    }

    /// The value of a channel, if it was measured.
    pub fn get(&self, channel: Channel) -> Option<f64> {
        (self.present >> channel as u16 & 1 == 1).then(|| self.values[channel as usize])
    }

    /// Forgets a channel.
    pub fn clear(&mut self, channel: Channel) {
        self.present &= !(1 << channel as u16);
        self.values[channel as usize] = 0.0;
    }

    /// Whether no channel was measured.
    pub fn is_empty(&self) -> bool {
        self.present == 0
    }

    /// The channels measured, with their values, in storage order.
    pub fn channels(&self) -> impl Iterator<Item = (Channel, f64)> + '_ {
        Channel::ALL.into_iter().filter_map(|c| self.get(c).map(|v| (c, v)))
    }

    /// Takes over every channel of `other`, which is for the same unit and instant and arrived later.
    pub fn absorb(&mut self, other: &Self) {
        for (channel, value) in other.channels() {
            self.set(channel, value);
        }
    }
}

impl fmt::Debug for Reading {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}", self.at)?;
        self.channels().try_for_each(|(c, v)| write!(f, " {c}={v}"))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn channels_are_indexed_by_their_place() {
        for (i, channel) in Channel::ALL.into_iter().enumerate() {
            assert_eq!(channel as usize, i);
            assert_eq!(channel.name().parse::<Channel>().unwrap(), channel);
        }
    }

    #[test]
    fn missing_is_not_zero_and_nan_is_missing() {
        let mut r = Reading::new(Timestamp::from_secs(0)).with(Channel::Flow, 0.0).with(Channel::Intensity, f64::NAN);
        assert_eq!(r.get(Channel::Flow), Some(0.0));
        assert_eq!(r.get(Channel::Intensity), None);
        r.absorb(&Reading::new(r.at).with(Channel::Intensity, 3.0));
        assert_eq!(r.channels().collect::<Vec<_>>(), [(Channel::Intensity, 3.0), (Channel::Flow, 0.0)]);
        r.clear(Channel::Flow);
        assert_eq!(r, Reading::new(r.at).with(Channel::Intensity, 3.0));
    }
}
