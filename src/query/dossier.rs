//! Everything that is known of one unit, for its pages and papers; and the lines of the fleet's page.

use serde::{Deserialize, Serialize};

use super::{Trend, UnitRow};
use crate::domain::{Channel, Reading, Timestamp};

/// A place as its owner described it.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct SiteCard {
    /// The id.
    pub id: String,
    /// A name for people, if the owner gave one.
    pub name: Option<String>,
    /// The owner's own words for grouping sites.
    pub tags: Vec<String>,
    /// Where it is, if the owner wrote it down.
    #[serde(default)]
    pub address: Option<String>,
    /// Whom to call, if the owner wrote it down.
    #[serde(default)]
    pub contact: Option<String>,
    /// How to get in, if the owner wrote it down.
    pub access: Option<String>,
    /// Minutes of travel from the base, one way, if known.
    pub travel_minutes: Option<u32>,
}

/// One reading as a visit looks at it.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Sample {
    /// When.
    pub at: Timestamp,
    /// Intensity, in the unit's own measure.
    pub intensity: f64,
    /// Whether the lamp had power, if known.
    pub lamp_on: Option<bool>,
}

impl Sample {
    /// A reading with an intensity.
    pub fn of(reading: &Reading) -> Option<Self> {
        let lamp_on = reading.get(Channel::LampOn).map(|on| on >= 0.5);
        Some(Self { at: reading.at, intensity: reading.get(Channel::Intensity)?, lamp_on })
    }
}

/// Everything that is known of one unit.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Dossier {
    /// Where it stands.
    pub site: SiteCard,
    /// Its state and what is said of it.
    pub row: UnitRow,
    /// Its days and its logbook.
    pub trend: Trend,
    /// Readings of the last visit and the two hours before it; empty without one.
    pub recent: Vec<Sample>,
}

/// One unit on the fleet's page.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct FleetLine {
    /// Where it stands.
    pub site: SiteCard,
    /// Its state and what is said of it.
    pub row: UnitRow,
    /// Daily medians of the last weeks as percent of the set point, oldest first; `None` where a day has none.
    pub course: Vec<Option<f32>>,
}
