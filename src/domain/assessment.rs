//! The assessment: what Fadeline says about a unit at one instant.
//!
//! This is the object of the contract (`fadeline.assessment.v1`) itself: `study --json`, the local interface and the
//! MQTT topic all carry it, so its serde form stands here, next to its meaning, and nowhere else.
//! Percentages, `low`/`high` and dates: see each field. Nothing after `as_of` may change an assessment.

use jiff::civil::Date;
use serde::{Deserialize, Serialize};

use super::{Channel, Reading, ServiceAction, Timestamp, UnitSpec, day::SetAside};

/// The value of [`Assessment::schema`].
pub const ASSESSMENT_SCHEMA: &str = "fadeline.assessment.v1";

macro_rules! words {
    ($(#[$meta:meta])* $name:ident { $($(#[$vmeta:meta])* $variant:ident = $word:literal),+ $(,)? }) => {
        $(#[$meta])*
        #[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
        pub enum $name { $($(#[$vmeta])* #[serde(rename = $word)] $variant),+ }

        impl $name {
            /// Every one, in the order of the contract.
            pub const ALL: &'static [Self] = &[$(Self::$variant),+];

            /// As written in messages and on screens.
            pub fn name(self) -> &'static str {
                match self { $(Self::$variant => $word),+ }
            }
        }

        impl std::fmt::Display for $name {
            fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
                f.pad(self.name())
            }
        }
    };
}

words! {
    /// The state of a unit, one at a time. The order is worst first.
    Condition {
        /// No light at the sensor.
        Dark = "dark",
        /// At or under the set point: treatment is not assured.
        Short = "short",
        /// No readings.
        Silent = "silent",
        /// The service date is inside the lead time.
        Due = "due",
        /// Falling, with the date further off.
        Fading = "fading",
        /// Not enough data yet.
        Learning = "learning",
        /// Nothing to do.
        Steady = "steady",
        /// A visit is under way.
        InService = "in-service",
        /// Shut for a season.
        Closed = "closed",
    }
}

words! {
    /// Why the reading is lower than when everything was new.
    Cause {
        /// A coat of scale or iron on the sleeve.
        SleeveFouling = "sleeve-fouling",
        /// The lamp gives less than when it was new.
        LampAgeing = "lamp-ageing",
        /// The sensor and the dirt on its window together.
        SensorDrift = "sensor-drift",
        /// Lamp and sensor together, when nothing tells them apart.
        LampOrSensor = "lamp-or-sensor",
        /// The water lets less light through than usual.
        WaterQuality = "water-quality",
        /// A fall that no cause explains well.
        Unexplained = "unexplained",
    }
}

words! {
    /// The verdict's cause: one of [`Cause`], nothing wrong, or unsettled.
    VerdictCause {
        /// See [`Cause::SleeveFouling`].
        SleeveFouling = "sleeve-fouling",
        /// See [`Cause::LampAgeing`].
        LampAgeing = "lamp-ageing",
        /// See [`Cause::SensorDrift`].
        SensorDrift = "sensor-drift",
        /// See [`Cause::LampOrSensor`].
        LampOrSensor = "lamp-or-sensor",
        /// See [`Cause::WaterQuality`].
        WaterQuality = "water-quality",
        /// See [`Cause::Unexplained`].
        Unexplained = "unexplained",
        /// Nothing wrong.
        None = "none",
        /// Too little data, or too close to call.
        Unsettled = "unsettled",
    }
}

words! {
    /// What an unlogged step most likely was.
    Likely {
        /// A cleaning of the sleeve.
        SleeveCleaned = "sleeve-cleaned",
        /// A new sleeve.
        SleeveReplaced = "sleeve-replaced",
        /// A new lamp.
        LampReplaced = "lamp-replaced",
        /// A wiped sensor window.
        SensorCleaned = "sensor-cleaned",
        /// Another sensor.
        SensorReplaced = "sensor-replaced",
        /// The water changed for good.
        WaterChanged = "water-changed",
        /// The sensor was knocked, or another kind was fitted.
        SensorChanged = "sensor-changed",
        /// Cannot be told.
        Unknown = "unknown",
    }
}

words! {
    /// Which way an unlogged step went.
    StepKind {
        /// The reading rose.
        StepUp = "step-up",
        /// The reading fell.
        StepDown = "step-down",
    }
}

/// What Fadeline says about a unit at `as_of`.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Assessment {
    /// Always [`ASSESSMENT_SCHEMA`].
    pub schema: String,
    /// The site's id.
    pub site: String,
    /// The unit's id within the site.
    pub unit: String,
    /// Nothing later went into this assessment.
    pub as_of: Timestamp,
    /// The unit's condition at `as_of`.
    pub condition: Condition,
    /// The latest reading at `as_of`; `None` before the first.
    pub reading: Option<LatestReading>,
    /// Light lost, and to what; `None` with too little data.
    pub loss: Option<Loss>,
    /// The main cause and how sure that is.
    pub verdict: Verdict,
    /// When it will be too little.
    pub forecast: Forecast,
    /// Passing clouding of the water, oldest first.
    pub episodes: Vec<Episode>,
    /// Steps that no log entry explains, oldest first.
    pub unlogged: Vec<UnloggedStep>,
    /// Log entries that the readings do not bear out, or that were used at another time than logged.
    #[serde(default)]
    pub log_doubts: Vec<LogDoubt>,
    /// The life of each part with a limit.
    pub parts: Vec<PartLife>,
    /// How many readings went in and how many were set aside, by reason.
    #[serde(default)]
    pub readings: ReadingCounts,
    /// What to beware of before acting on this.
    pub cautions: Vec<String>,
}

impl Assessment {
    /// The earliest day by which something must be done, if any, with what must be done then. Where lamp or sensor cost
    /// the light, the day on which it is too little is not one for a cleaning; of a sensor the window is wiped first.
    pub fn first_due(&self) -> Option<(Date, ServiceAction)> {
        let Self { forecast, verdict, .. } = self;
        let settling = verdict.settle_with.as_ref().map_or(ServiceAction::SensorCleaned, |settle| settle.action);
        let by_light = match verdict.cause {
            VerdictCause::LampAgeing => (forecast.crossing.p10, ServiceAction::LampReplaced),
            VerdictCause::SensorDrift => (forecast.crossing.p10, ServiceAction::SensorCleaned),
            VerdictCause::LampOrSensor => (forecast.crossing.p10, settling),
            _ => (forecast.clean_by, ServiceAction::SleeveCleaned),
        };
        let parts =
            [(forecast.lamp_by, ServiceAction::LampReplaced), (forecast.sensor_by, ServiceAction::SensorReplaced)];
        let dues = std::iter::once(by_light).chain(parts);
        dues.filter_map(|(date, action)| Some((date?, action))).min_by_key(|(date, _)| *date)
    }
}

/// The latest reading.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct LatestReading {
    /// Intensity in `unit`.
    pub intensity: f64,
    /// `mW/cm2` or `percent`.
    pub unit: String,
    /// When it was measured.
    pub at: Timestamp,
    /// 100 x intensity / reference; `None` without a reference.
    pub percent_of_reference: Option<f64>,
}

impl LatestReading {
    /// A unit's reading as it is shown; `None` if it has no intensity.
    pub fn of(reading: &Reading, spec: &UnitSpec) -> Option<Self> {
        let intensity = reading.get(Channel::Intensity)?;
        let percent_of_reference = spec.reference.filter(|new| *new > 0.0).map(|new| 100.0 * intensity / new);
        Some(Self { intensity, unit: spec.sensor.unit.symbol().to_owned(), at: reading.at, percent_of_reference })
    }
}

/// A share with its honest spread: 80 % of truths lie between `low` and `high`.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Share {
    /// Percent of light.
    pub percent: f64,
    /// 10 % quantile.
    pub low: f64,
    /// 90 % quantile.
    pub high: f64,
}

/// Light lost against the unit's first reference.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Loss {
    /// Since when the loss is counted.
    pub since: Timestamp,
    /// All causes together.
    pub total: Share,
    /// Each cause.
    pub causes: Vec<CauseLoss>,
}

impl Loss {
    /// How much more light the sensor shows than when new, where nothing is lost: a reference read too low, or a sensor
    /// that reads high.
    pub fn gain(&self) -> Option<Share> {
        let Share { percent, low, high } = self.total;
        (percent < 0.0).then_some(Share { percent: -percent, low: -high, high: -low })
    }
}

/// What one cause costs: `percent` = 100 (1 - exp(-x)), x its contribution to the fall of ln(intensity) since that
/// part was new or clean. May be slightly negative where a later part started stronger.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct CauseLoss {
    /// Which cause.
    pub cause: Cause,
    /// Percent of light lost to it.
    pub percent: f64,
    /// 10 % quantile.
    pub low: f64,
    /// 90 % quantile.
    pub high: f64,
    /// How fast it grows now, percent a day, where it has a rate.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub rate_percent_per_day: Option<f64>,
}

/// The main cause.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Verdict {
    /// Which.
    pub cause: VerdictCause,
    /// How likely it is the main cause; when `unsettled`, that of the leading cause, or `None`.
    pub probability: Option<f64>,
    /// One plain sentence with the numbers.
    pub says: String,
    /// The single action that would tell most, if one would.
    pub settle_with: Option<SettleWith>,
}

/// The action that would settle what is open.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct SettleWith {
    /// Which service action.
    pub action: ServiceAction,
    /// Why.
    pub says: String,
}

/// When the light will be too little. Dates are in the site's zone.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Forecast {
    /// Intensity at or under which treatment is not assured, in the unit of the reading.
    pub set_point: f64,
    /// First day on which the mean of that day and the six before it is at or under the set point if nobody does
    /// anything, water episodes left out.
    pub crossing: Crossing,
    /// The day the risk of having crossed reaches 10 %; `None` if cleaning is not what helps.
    pub clean_by: Option<Date>,
    /// When a new lamp is needed, by light or by its life limit.
    pub lamp_by: Option<Date>,
    /// When the sensor needs replacing, by drift or by its life limit.
    pub sensor_by: Option<Date>,
    /// The reading to expect if the sleeve were cleaned now.
    pub after_cleaning: Option<AfterCleaning>,
}

/// Quantiles of the crossing day; one beyond the horizon is `None`.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct Crossing {
    /// 10 % of the simulated courses have crossed by then.
    pub p10: Option<Date>,
    /// Half have.
    pub p50: Option<Date>,
    /// 90 % have.
    pub p90: Option<Date>,
}

/// The reading to expect after a cleaning.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct AfterCleaning {
    /// Median.
    pub intensity: f64,
    /// 10 % quantile.
    pub low: f64,
    /// 90 % quantile.
    pub high: f64,
    /// Whether `low` is above the set point.
    pub enough: bool,
}

/// A passing event.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Episode {
    /// Always `water-quality` so far.
    pub kind: Cause,
    /// When it began.
    pub from: Timestamp,
    /// When it ended, or the last reading in it.
    pub to: Timestamp,
    /// Deepest fall under the usual course, percent of light.
    pub depth_percent: f64,
    /// Whether the reading came back.
    pub recovered: bool,
}

/// A step that no log entry explains.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct UnloggedStep {
    /// Up or down.
    pub kind: StepKind,
    /// The first day after the step, in the site's zone.
    pub at: Date,
    /// By how much the light rose, percent; only for a step up.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub gain_percent: Option<f64>,
    /// By how much it fell, percent; only for a step down.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub loss_percent: Option<f64>,
    /// What it most likely was.
    pub likely: Likely,
}

/// A log entry that the readings do not bear out as written.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct LogDoubt {
    /// The entry's action.
    pub action: ServiceAction,
    /// The entry's time.
    pub at: Timestamp,
    /// The day it was used at instead, if it looks mis-dated.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub used: Option<Date>,
    /// What does not fit.
    pub says: String,
}

/// The life of one part.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct PartLife {
    /// `lamp`, `sleeve`, `sensor`, `sediment-filter`, `carbon-filter`, `flow-sensor`.
    pub part: String,
    /// Days since it was fitted (flow sensor: since it was calibrated), if known.
    pub age_days: Option<i64>,
    /// Hours burnt; only for the lamp.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub age_hours: Option<f64>,
    /// The limit in words, and whether it is the default of common practice or from the papers.
    pub limit: String,
    /// When the limit is reached, in the site's zone.
    pub due: Option<Date>,
}

/// How many readings an assessment rests on.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct ReadingCounts {
    /// Days with at least one eligible reading.
    pub days: u32,
    /// All readings.
    pub total: u64,
    /// Readings set aside, by reason.
    pub set_aside: SetAside,
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_loss_below_zero_is_a_gain() {
        let total =
            |percent, low, high| Loss { since: Timestamp::MIN, total: Share { percent, low, high }, causes: vec![] };
        assert_eq!(total(3.0, -1.0, 5.0).gain(), None);
        assert_eq!(total(-38.1, -41.9, -33.8).gain(), Some(Share { percent: 38.1, low: 33.8, high: 41.9 }));
    }

    /// The example of the contract, written out by hand there: it must read and write back unchanged.
    #[test]
    fn the_contract_example_round_trips() {
        let text = include_str!("../../fixtures/assessment/contract.json");
        let read: Assessment = serde_json::from_str(text).unwrap();
        assert_eq!(read.condition, Condition::Fading);
        let written = serde_json::to_value(&read).unwrap();
        let example: serde_json::Value = serde_json::from_str(text).unwrap();
        contains(&written, &example, "");
    }

    #[test]
    fn nobody_is_sent_to_clean_for_a_lamp_or_a_sensor() {
        let day = jiff::civil::date(2026, 9, 1);
        let due = |cause, settle: Option<ServiceAction>| {
            let mut said: Assessment =
                serde_json::from_str(include_str!("../../fixtures/assessment/contract.json")).unwrap();
            said.verdict.cause = cause;
            said.verdict.settle_with = settle.map(|action| SettleWith { action, says: String::new() });
            (said.forecast.clean_by, said.forecast.crossing.p10) = (Some(day), Some(day));
            (said.forecast.lamp_by, said.forecast.sensor_by) = (None, None);
            said.first_due()
        };
        assert_eq!(due(VerdictCause::SleeveFouling, None), Some((day, ServiceAction::SleeveCleaned)));
        assert_eq!(due(VerdictCause::LampAgeing, None), Some((day, ServiceAction::LampReplaced)));
        assert_eq!(due(VerdictCause::SensorDrift, None), Some((day, ServiceAction::SensorCleaned)), "wiped first");
        let reference = Some(ServiceAction::ReferenceCheck);
        assert_eq!(due(VerdictCause::LampOrSensor, reference), Some((day, ServiceAction::ReferenceCheck)));
        assert_eq!(due(VerdictCause::LampOrSensor, None), Some((day, ServiceAction::SensorCleaned)));
    }

    /// Every field of `want` stands in `have` with the same value (more fields are fine).
    fn contains(have: &serde_json::Value, want: &serde_json::Value, path: &str) {
        match (have, want) {
            (serde_json::Value::Object(have), serde_json::Value::Object(want)) => {
                for (key, value) in want {
                    contains(
                        have.get(key).unwrap_or_else(|| panic!("{path}/{key} is missing")),
                        value,
                        &format!("{path}/{key}"),
                    );
                }
            }
            (serde_json::Value::Array(have), serde_json::Value::Array(want)) => {
                assert_eq!(have.len(), want.len(), "{path}");
                have.iter().zip(want).enumerate().for_each(|(i, (h, w))| contains(h, w, &format!("{path}/{i}")));
            }
            (serde_json::Value::Number(have), serde_json::Value::Number(want)) => {
                assert_eq!(have.as_f64(), want.as_f64(), "{path}");
            }
            _ => assert_eq!(have, want, "{path}"),
        }
    }

    #[test]
    fn words_agree_with_serde() {
        for condition in Condition::ALL {
            assert_eq!(serde_json::to_string(condition).unwrap(), format!("\"{condition}\""));
        }
        assert!(Condition::Dark < Condition::Short && Condition::Fading < Condition::Steady, "worst first");
    }
}
