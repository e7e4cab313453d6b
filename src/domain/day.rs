//! A day of readings in a few numbers: what the analysis works on and what the store keeps for ever.

use jiff::civil::Date;
use serde::{Deserialize, Serialize};

use super::Channel;

/// Median, spread and count of some readings of intensity, in natural logarithms.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct LnSummary {
    /// Median of ln(intensity); intensity in the unit's own measure.
    pub median: f64,
    /// Robust standard deviation of one reading about it (1.4826 x median absolute deviation), in ln. At least 0.
    pub spread: f64,
    /// How many readings.
    pub count: u32,
}

/// Readings that do not show the unit's normal running, by the rule that set them aside.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(default)]
pub struct SetAside {
    /// Too soon after a lamp start.
    pub warm_up: u32,
    /// The lamp had no power.
    pub lamp_off: u32,
    /// No water in the unit.
    pub dry: u32,
    /// No light although the lamp should burn.
    pub dark: u32,
    /// The sensor gave exactly the same value for too long.
    pub stuck: u32,
    /// The electrical signal was out of its range.
    pub out_of_range: u32,
    /// During a visit.
    pub visit: u32,
    /// While the unit was closed for a season.
    pub closed: u32,
    /// Far from the readings around it.
    pub outlier: u32,
}

impl SetAside {
    /// How many in all.
    pub fn total(&self) -> u32 {
        let Self { warm_up, lamp_off, dry, dark, stuck, out_of_range, visit, closed, outlier } = *self;
        [warm_up, lamp_off, dry, dark, stuck, out_of_range, visit, closed, outlier]
            .iter()
            .fold(0, |a, b| a.saturating_add(*b))
    }

    /// Adds the counts of `other`.
    pub fn add(&mut self, other: &Self) {
        let pairs = [
            (&mut self.warm_up, other.warm_up),
            (&mut self.lamp_off, other.lamp_off),
            (&mut self.dry, other.dry),
            (&mut self.dark, other.dark),
            (&mut self.stuck, other.stuck),
            (&mut self.out_of_range, other.out_of_range),
            (&mut self.visit, other.visit),
            (&mut self.closed, other.closed),
            (&mut self.outlier, other.outlier),
        ];
        for (sum, more) in pairs {
            *sum = sum.saturating_add(more);
        }
    }
}

impl DaySummary {
    /// A day without a reading.
    pub fn empty(date: Date) -> Self {
        Self {
            date,
            intensity: None,
            quarters: [None; 4],
            lowest: None,
            flow: None,
            water_temperature: None,
            transmittance: None,
            turbidity: None,
            lamp_hours: None,
            lamp_hours_fell: None,
            lamp_on_share: None,
            readings: 0,
            set_aside: SetAside::default(),
        }
    }

    /// Forgets what it says of a channel; `true` if nothing but counts is left.
    pub fn forget(&mut self, channel: Channel) -> bool {
        match channel {
            Channel::Intensity => (self.intensity, self.quarters, self.lowest) = (None, [None; 4], None),
            Channel::Flow => self.flow = None,
            Channel::WaterTemperature => self.water_temperature = None,
            Channel::Transmittance => self.transmittance = None,
            Channel::Turbidity => self.turbidity = None,
            Channel::LampHours => (self.lamp_hours, self.lamp_hours_fell) = (None, None),
            Channel::LampOn => self.lamp_on_share = None,
            Channel::PressureIn | Channel::PressureOut | Channel::LampStarts | Channel::LoopCurrent => {}
        }
        let Self { intensity, lowest, flow, water_temperature, transmittance, turbidity, lamp_hours, .. } = self;
        let single = [lowest, flow, water_temperature, transmittance, turbidity, lamp_hours];
        intensity.is_none()
            && self.lamp_on_share.is_none()
            && self.lamp_hours_fell.is_none()
            && self.quarters.iter().all(Option::is_none)
            && single.iter().all(|value| value.is_none())
    }
}

/// One unit's day in the site's zone.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct DaySummary {
    /// Which day, in the site's zone.
    pub date: Date,
    /// Eligible intensity readings of the day; `None` if there was none.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub intensity: Option<LnSummary>,
    /// The same for each quarter of the day (6 h of wall-clock time each: from 0, 6, 12 and 18 o'clock).
    #[serde(default)]
    pub quarters: [Option<LnSummary>; 4],
    /// Least eligible intensity of the day.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub lowest: Option<f64>,
    /// Median flow while water flowed, L/min.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub flow: Option<f64>,
    /// Median water temperature, C.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub water_temperature: Option<f64>,
    /// Median transmittance, % over 1 cm.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub transmittance: Option<f64>,
    /// Median turbidity, NTU.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub turbidity: Option<f64>,
    /// Last lamp-hour count of the day, h.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub lamp_hours: Option<f64>,
    /// Greatest fall of the lamp-hour count within the day or since the day before, h: a new lamp or a reset timer.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub lamp_hours_fell: Option<f64>,
    /// Share of the readings with the lamp known to be on or off in which it was on, 0 to 1; `None` if not known.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub lamp_on_share: Option<f64>,
    /// Readings of the day in all.
    pub readings: u32,
    /// Readings set aside, by reason.
    #[serde(default)]
    pub set_aside: SetAside,
}
