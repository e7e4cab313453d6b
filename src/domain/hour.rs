//! An hour of readings in a few numbers for each channel: what stays when the readings themselves are too old to keep.

use serde::{Deserialize, Serialize};

use super::reading::CHANNELS;
use super::time::HOUR;
use super::{Channel, Reading, Timestamp};

/// Means are rounded to one part in this many of the channel's unit.
const MEAN_STEPS: f64 = 10_000.0;

/// One channel of an hour, in the channel's own unit. All readings count, whether they show normal running or not.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct HourValues {
    /// How many readings had the channel; at least 1.
    pub count: u32,
    /// The least value.
    pub least: f64,
    /// Their mean, to 0.0001.
    pub mean: f64,
    /// The greatest value.
    pub greatest: f64,
}

/// One unit's hour of UTC.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct HourSummary {
    /// When the hour begins.
    pub at: Timestamp,
    values: [Option<HourValues>; CHANNELS],
}

impl HourSummary {
    /// An hour with no channel yet.
    pub fn new(at: Timestamp) -> Self {
        Self { at, values: [None; CHANNELS] }
    }

    /// The values of a channel, if any reading of the hour had it.
    pub fn get(&self, channel: Channel) -> Option<HourValues> {
        self.values[channel as usize]
    }

    /// Sets or forgets a channel.
    pub fn set(&mut self, channel: Channel, values: Option<HourValues>) {
        self.values[channel as usize] = values;
    }

    /// The channels with values, in storage order.
    pub fn channels(&self) -> impl Iterator<Item = (Channel, HourValues)> + '_ {
        Channel::ALL.into_iter().filter_map(|channel| self.get(channel).map(|values| (channel, values)))
    }

    /// Whether no channel has values.
    pub fn is_empty(&self) -> bool {
        self.values.iter().all(Option::is_none)
    }

    /// Takes over every channel of `other`, for the same hour, that rests on at least as many readings: after readings
    /// were given up, what is left of an hour must not replace what was made of the whole.
    pub fn absorb(&mut self, other: &Self) {
        for (channel, values) in other.channels() {
            if self.get(channel).is_none_or(|kept| values.count >= kept.count) {
                self.set(channel, Some(values));
            }
        }
    }
}

/// The hours of some readings, ascending. The readings must be in order of time.
pub fn hours(readings: &[Reading]) -> Vec<HourSummary> {
    let hour = |reading: &Reading| reading.at.as_millis().div_euclid(HOUR);
    readings
        .chunk_by(|a, b| hour(a) == hour(b))
        .map(|rows| {
            let mut summary = HourSummary::new(Timestamp::from_millis(hour(&rows[0]) * HOUR));
            for channel in Channel::ALL {
                summary.set(channel, values(rows.iter().filter_map(|row| row.get(channel))));
            }
            summary
        })
        .filter(|summary| !summary.is_empty())
        .collect()
}

fn values(all: impl Iterator<Item = f64>) -> Option<HourValues> {
    let (mut count, mut least, mut greatest, mut mean) = (0_u32, f64::INFINITY, f64::NEG_INFINITY, 0.0);
    for value in all {
        count = count.saturating_add(1);
        (least, greatest) = (least.min(value), greatest.max(value));
        // Running, so that the sum of great values does not overflow.
        mean += (value - mean) / f64::from(count);
    }
    let rounded = (mean * MEAN_STEPS).round() / MEAN_STEPS;
    let mean = if rounded.is_finite() { rounded } else { mean };
    (count > 0).then(|| HourValues { count, least, mean: mean.clamp(least, greatest), greatest })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn hours_begin_on_the_hour_and_each_channel_counts_for_itself() {
        let at = |text: &str| text.parse::<Timestamp>().unwrap();
        let rows = [
            Reading::new(at("2026-03-01T05:59:59.999Z")).with(Channel::Intensity, 21.0),
            Reading::new(at("2026-03-01T06:00:00Z")).with(Channel::Intensity, 20.0).with(Channel::Flow, 3.5),
            Reading::new(at("2026-03-01T06:20:00Z")).with(Channel::Intensity, 20.5),
            Reading::new(at("2026-03-01T06:59:59.999Z")).with(Channel::Intensity, 22.0),
            Reading::new(at("2026-03-01T09:00:00Z")),
        ];
        let made = hours(&rows);
        assert_eq!(
            made.iter().map(|hour| hour.at).collect::<Vec<_>>(),
            [at("2026-03-01T05:00:00Z"), at("2026-03-01T06:00:00Z")]
        );
        // (20 + 20.5 + 22) / 3 = 20.8333...
        let expected = HourValues { count: 3, least: 20.0, mean: 20.8333, greatest: 22.0 };
        assert_eq!(made[1].get(Channel::Intensity), Some(expected));
        assert_eq!(made[1].get(Channel::Flow).unwrap().count, 1);
        assert_eq!(made[0].get(Channel::Flow), None);
        assert_eq!(hours(&[]), []);
    }

    #[test]
    fn what_is_left_of_an_hour_does_not_replace_the_whole() {
        let value = |count, mean| Some(HourValues { count, least: 1.0, mean, greatest: 9.0 });
        let mut kept = HourSummary::new(Timestamp::default());
        kept.set(Channel::Intensity, value(60, 5.0));
        kept.set(Channel::Flow, value(60, 3.0));
        let mut later = HourSummary::new(Timestamp::default());
        later.set(Channel::Intensity, value(61, 5.1));
        later.set(Channel::Flow, value(2, 4.0));
        later.set(Channel::Turbidity, value(1, 2.0));
        kept.absorb(&later);
        assert_eq!(kept.get(Channel::Intensity), value(61, 5.1));
        assert_eq!(kept.get(Channel::Flow), value(60, 3.0));
        assert_eq!(kept.get(Channel::Turbidity), value(1, 2.0));
    }
}
