//! Everything that is known of one unit, for its pages and papers; and the lines of the fleet's page.

use jiff::tz::TimeZone;
use serde::{Deserialize, Serialize};

use super::series::Span;
use super::{Trend, UnitRow};
use crate::domain::time::DAY;
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

impl Dossier {
    /// The last year up to the latest reading, `now` without one; one that is not full yet starts with the first day.
    pub fn last_year(&self, now: Timestamp) -> Span {
        let zone = TimeZone::get(&self.row.zone).unwrap_or(TimeZone::UTC);
        let to = self.row.reading.as_ref().map_or(now, |reading| reading.at).plus_millis(1);
        let first = self.trend.days.first().map_or(Timestamp::MIN, |day| Timestamp::day_start(day.date, &zone));
        let from = to.plus_millis(-365 * DAY).max(first).min(to.plus_millis(-DAY));
        Span { from: Some(from), to: Some(to), ..Span::default() }
    }
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
