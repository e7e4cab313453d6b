//! What is known about a unit from its papers: set point, lamp, sleeve, sensor, and where it stands.

use jiff::tz::TimeZone;

use super::{Timestamp, UnitId};

/// The unit in which a unit's intensity is kept and shown.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Hash)]
pub enum IntensityUnit {
    /// mW/cm2.
    #[default]
    MilliwattPerCm2,
    /// Percent, where the sensor gives nothing else.
    Percent,
}

impl IntensityUnit {
    /// As written in files and messages.
    pub fn symbol(self) -> &'static str {
        match self {
            Self::MilliwattPerCm2 => "mW/cm2",
            Self::Percent => "percent",
        }
    }
}

/// Common practice, no source: a small-unit lamp is replaced every 18,000 h or 2 years, whichever comes first.
pub const LAMP_LIFE_HOURS: f64 = 18_000.0;
/// See [`LAMP_LIFE_HOURS`].
pub const LAMP_LIFE_YEARS: f64 = 2.0;
/// Common practice, no source: a sleeve is replaced every 5 years.
pub const SLEEVE_LIFE_YEARS: f64 = 5.0;
/// Common practice, no source: a sensor is replaced every 5 years.
pub const SENSOR_LIFE_YEARS: f64 = 5.0;

/// The lamp as the papers have it at the first reading.
#[derive(Clone, Debug, PartialEq)]
pub struct LampSpec {
    /// When the first lamp was fitted.
    pub installed: Option<Timestamp>,
    /// Hours it had burnt at the first reading.
    pub hours_at_start: Option<f64>,
    /// Rated life, h. Default [`LAMP_LIFE_HOURS`]: common practice, the papers win.
    pub rated_hours: f64,
}

impl Default for LampSpec {
    fn default() -> Self {
        Self { installed: None, hours_at_start: None, rated_hours: LAMP_LIFE_HOURS }
    }
}

/// The sleeve as the papers have it at the first reading.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct SleeveSpec {
    /// When it was fitted.
    pub installed: Option<Timestamp>,
    /// When it was last cleaned before the first reading.
    pub cleaned: Option<Timestamp>,
}

/// The sensor as the papers have it at the first reading.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct SensorSpec {
    /// When it was fitted or last calibrated.
    pub installed: Option<Timestamp>,
    /// When its window was last cleaned before the first reading.
    pub cleaned: Option<Timestamp>,
    /// Whether intensities of this unit are mW/cm2 or percent.
    pub unit: IntensityUnit,
    /// Water between sleeve and sensor, cm.
    pub path_cm: Option<f64>,
}

/// Where a unit's water comes from. Units on the same kind of water foul alike.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum WaterSource {
    /// A lake.
    Lake,
    /// A river or stream.
    River,
    /// A spring.
    Spring,
    /// A shallow or dug well.
    ShallowWell,
    /// A well drilled into rock.
    BedrockWell,
    /// Collected rain.
    Rain,
    /// A public supply.
    Mains,
}

impl WaterSource {
    /// Every source with its name in the config.
    pub const ALL: [(Self, &'static str); 7] = [
        (Self::Lake, "lake"),
        (Self::River, "river"),
        (Self::Spring, "spring"),
        (Self::ShallowWell, "shallow-well"),
        (Self::BedrockWell, "bedrock-well"),
        (Self::Rain, "rain"),
        (Self::Mains, "mains"),
    ];
}

/// One unit as its owner described it. Intensities are in [`SensorSpec::unit`].
#[derive(Clone, Debug, PartialEq)]
pub struct UnitSpec {
    /// Which unit.
    pub id: UnitId,
    /// A name for people, if the owner gave one.
    pub name: Option<String>,
    /// The site's time zone: days and dates are counted in it.
    pub zone: TimeZone,
    /// Intensity at or under which treatment is not assured.
    pub set_point: f64,
    /// Intensity when lamp, sleeve and sensor were new, if known.
    pub reference: Option<f64>,
    /// The lamp.
    pub lamp: LampSpec,
    /// The sleeve.
    pub sleeve: SleeveSpec,
    /// The sensor.
    pub sensor: SensorSpec,
    /// Where the water comes from, if known.
    pub water: Option<WaterSource>,
    /// Numbers of the analysis that are set otherwise for this unit, each with its path.
    pub analysis: Vec<(String, f64)>,
}

impl UnitSpec {
    /// A unit of which only the set point is known, in UTC.
    pub fn new(id: UnitId, set_point: f64) -> Self {
        Self {
            id,
            name: None,
            zone: TimeZone::UTC,
            set_point,
            reference: None,
            lamp: LampSpec::default(),
            sleeve: SleeveSpec::default(),
            sensor: SensorSpec::default(),
            water: None,
            analysis: Vec::new(),
        }
    }

    /// Whether anything is written down of what the unit was like before its first reading: its light when new, or when a
    /// part of it was fitted or cleaned.
    pub fn has_papers(&self) -> bool {
        let Self { reference, lamp, sleeve, sensor, .. } = self;
        let days = [lamp.installed, sleeve.installed, sleeve.cleaned, sensor.installed, sensor.cleaned];
        reference.is_some() || lamp.hours_at_start.is_some() || days.iter().any(Option::is_some)
    }
}
