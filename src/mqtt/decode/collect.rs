//! Gathers checked values into readings, and counts what was refused.

use crate::domain::intake::{ChannelMap, Scaling, Source};
use crate::domain::measure::{LoopState, loop_state};
use crate::domain::{Channel, IntensityUnit, Measure, Reading, Timestamp};

use super::refusal::{quoted, shorten};
use super::{EARLIEST, FUTURE_MAX, Refusal, Refused};

/// A value as it stands in the payload.
#[derive(Clone, Copy, Debug)]
pub(super) enum Raw<'a> {
    Number(f64),
    Boolean(bool),
    Text(&'a str),
    /// `null`: not measured, and no mistake.
    Missing,
    /// Anything else, described.
    Other(&'static str),
}

/// The measure a message names: none, one we know, or a symbol we do not.
pub(super) type Stated<'a> = Result<Option<Measure>, &'a str>;

pub(super) struct Collector<'a> {
    pub(super) source: &'a Source,
    pub(super) received: Timestamp,
    pub(super) retained: bool,
    intensity_unit: IntensityUnit,
    readings: Vec<Reading>,
    refused: Vec<Refused>,
}

impl<'a> Collector<'a> {
    pub(super) fn new(source: &'a Source, intensity_unit: IntensityUnit, received: Timestamp, retained: bool) -> Self {
        Self { source, received, retained, intensity_unit, readings: Vec::new(), refused: Vec::new() }
    }

    /// Makes room for about this many values.
    pub(super) fn expect_readings(&mut self, values: usize) {
        self.readings.reserve(values.div_ceil(4));
    }

    pub(super) fn refuse(&mut self, refusal: Refusal) {
        let reason = refusal.reason();
        match self.refused.iter_mut().find(|refused| refused.first.reason() == reason) {
            Some(refused) => refused.count += 1,
            None => self.refused.push(Refused { first: refusal, count: 1 }),
        }
    }

    /// The message's own time, or the time it arrived; `None`, with a refusal, if it may have neither.
    pub(super) fn own_or_received(&mut self, own: Option<Timestamp>) -> Option<Timestamp> {
        if own.is_none() && self.retained {
            self.refuse(Refusal::NoTime { place: "the message".to_owned() });
            return None;
        }
        Some(own.unwrap_or(self.received))
    }

    /// Takes the value of a channel that goes by its own name.
    pub(super) fn set_named(
        &mut self,
        at: Timestamp,
        channel: Channel,
        raw: Raw<'_>,
        stated: Stated<'_>,
        place: &dyn Fn() -> String,
    ) {
        let taken = number(channel, raw, place).and_then(|value| match value {
            None => Ok(None),
            Some(value) => self.inside(channel, value, stated, place).map(Some),
        });
        self.take(at, channel, taken);
    }

    /// Takes the value of a channel that the config maps and scales. A measure in the config wins over the message's.
    pub(super) fn set_mapped(
        &mut self,
        at: Timestamp,
        map: &ChannelMap,
        raw: Raw<'_>,
        stated: Stated<'_>,
        place: &dyn Fn() -> String,
    ) {
        let raw = match number(map.channel, raw, place) {
            Ok(Some(raw)) => raw,
            Ok(None) => return,
            Err(refusal) => return self.refuse(refusal),
        };
        let stated = map.measure.map_or(stated, |measure| Ok(Some(measure)));
        match map.scaling {
            Scaling::Linear { factor, offset } => {
                let taken = self.inside(map.channel, raw * factor + offset, stated, place);
                self.take(at, map.channel, taken.map(Some));
            }
            Scaling::CurrentLoop { at_4_ma, at_20_ma } => {
                if map.channel == Channel::Intensity {
                    let current = self.inside(Channel::LoopCurrent, raw, Ok(None), place);
                    let refused = current.is_err();
                    self.take(at, Channel::LoopCurrent, current.map(Some));
                    if refused {
                        return;
                    }
                }
                // A loop states its measure in the config; the message can only mean mA.
                let stated = Ok(map.measure);
                let taken = match loop_state(raw) {
                    LoopState::Valid(x) => {
                        self.inside(map.channel, at_4_ma + x * (at_20_ma - at_4_ma), stated, place).map(Some)
                    }
                    // The current beside says why there is no intensity.
                    _ if map.channel == Channel::Intensity => Ok(None),
                    _ => Err(Refusal::LoopFault { place: place(), channel: map.channel, milliamperes: raw }),
                };
                self.take(at, map.channel, taken);
            }
        }
    }

    /// The value in the unit of measurement the channel has inside, checked.
    fn inside(
        &self,
        channel: Channel,
        value: f64,
        stated: Stated<'_>,
        place: &dyn Fn() -> String,
    ) -> Result<f64, Refusal> {
        let wrong = |symbol: &str| Refusal::WrongUnit {
            place: place(),
            channel,
            symbol: shorten(symbol),
            wanted: wanted(channel, self.intensity_unit),
        };
        let value = match stated {
            Err(symbol) => return Err(wrong(symbol)),
            Ok(None) => value,
            Ok(Some(measure)) => {
                let percent_agrees = channel != Channel::Intensity
                    || (measure == Measure::Percent) == (self.intensity_unit == IntensityUnit::Percent);
                measure.to_inside(channel, value).filter(|_| percent_agrees).ok_or_else(|| wrong(measure.symbol()))?
            }
        };
        let (low, high) = channel.plausible();
        if !value.is_finite() {
            return Err(Refusal::NotFinite { place: place(), value });
        }
        if !(low..=high).contains(&value) || (channel == Channel::LampOn && value != 0.0 && value != 1.0) {
            return Err(Refusal::Implausible { place: place(), channel, value, low, high });
        }
        Ok(value)
    }

    fn take(&mut self, at: Timestamp, channel: Channel, value: Result<Option<f64>, Refusal>) {
        let value = match value.and_then(|value| check_time(at, self.received).map(|()| value)) {
            Ok(Some(value)) => value,
            Ok(None) => return,
            Err(refusal) => return self.refuse(refusal),
        };
        match self.readings.last_mut() {
            Some(reading) if reading.at == at => reading.set(channel, value),
            _ => self.readings.push(Reading::new(at).with(channel, value)),
        }
    }

    /// The readings in time order, one for each instant, and what was refused.
    pub(super) fn finish(mut self) -> (Vec<Reading>, Vec<Refused>) {
        if self.readings.is_empty() && self.refused.is_empty() {
            self.refuse(Refusal::Empty { what: "the payload holds none of the channels this source has" });
        }
        // Records come in time order, so that equal times are neighbours already.
        debug_assert!(self.readings.is_sorted_by_key(|reading| reading.at), "sources give their values in time order");
        (self.readings, self.refused)
    }
}

fn check_time(at: Timestamp, received: Timestamp) -> Result<(), Refusal> {
    if at.as_millis() < EARLIEST {
        return Err(Refusal::TooOld { at });
    }
    if at.millis_since(received) > FUTURE_MAX {
        return Err(Refusal::TooNew { at, received });
    }
    Ok(())
}

/// The number a raw value means for `channel`; `None` if it was not measured.
fn number(channel: Channel, raw: Raw<'_>, place: &dyn Fn() -> String) -> Result<Option<f64>, Refusal> {
    match raw {
        Raw::Number(value) if value.is_finite() => Ok(Some(value)),
        Raw::Number(value) => Err(Refusal::NotFinite { place: place(), value }),
        Raw::Boolean(value) if channel == Channel::LampOn => Ok(Some(f64::from(u8::from(value)))),
        Raw::Boolean(value) => Err(Refusal::NotANumber { place: place(), found: value.to_string() }),
        Raw::Text(text) if text.trim().parse::<f64>().is_ok_and(f64::is_finite) => {
            Err(Refusal::NumberAsText { place: place(), text: shorten(text) })
        }
        Raw::Text(text) => Err(Refusal::NotANumber { place: place(), found: quoted(text) }),
        Raw::Missing => Ok(None),
        Raw::Other(what) => Err(Refusal::NotANumber { place: place(), found: what.to_owned() }),
    }
}

fn wanted(channel: Channel, intensity_unit: IntensityUnit) -> &'static str {
    match channel {
        Channel::Intensity if intensity_unit == IntensityUnit::Percent => "percent, as sensor.unit of this unit says",
        Channel::Intensity => "mW/cm2, uW/cm2 or W/m2 (percent only where sensor.unit says so)",
        Channel::Flow => "L/min, L/s, m3/h or gal/min",
        Channel::WaterTemperature => "C (or Cel), F or K",
        Channel::Transmittance => "percent (or %), over 1 cm",
        Channel::Turbidity => "NTU",
        Channel::PressureIn | Channel::PressureOut => "kPa, bar or psi",
        Channel::LampHours => "h or s",
        Channel::LampOn | Channel::LampStarts => "no unit (or 1, count)",
        Channel::LoopCurrent => "mA",
    }
}

/// Reads an RFC 3339 time, telling a missing zone from other mistakes.
pub(super) fn rfc3339(text: &str, place: &str) -> Result<Timestamp, Refusal> {
    if let Ok(at) = text.parse::<Timestamp>() {
        return Ok(at);
    }
    let date_and_time = text.trim().get(..19).is_some_and(|start| start.parse::<jiff::civil::DateTime>().is_ok());
    if date_and_time {
        return Err(Refusal::BadZone { place: place.to_owned(), found: quoted(text) });
    }
    let wanted = "an RFC 3339 time such as 2026-08-14T06:00:00Z";
    Err(Refusal::BadTime { place: place.to_owned(), found: quoted(text), wanted })
}
