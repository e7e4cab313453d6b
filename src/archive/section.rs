//! What the sections of an archive hold.

use std::collections::BTreeMap;

use serde::{Deserialize, Serialize};

use crate::domain::{
    Assessment, Channel, DaySummary, HourSummary, HourValues, Reading, ServiceEntry, Timestamp, UnitId,
};

/// One section.
#[derive(Clone, Debug, PartialEq)]
pub enum Section {
    /// `HEAD`, the first: what is in the archive.
    Head(Head),
    /// `UNIT`: what follows is of this unit, until the next one.
    Unit(UnitHead),
    /// `ROWS`: readings of a unit.
    Rows {
        /// Which unit.
        unit: UnitId,
        /// Ascending, one for each instant; 1 to [`super::ROWS_MAX`].
        rows: Vec<Reading>,
    },
    /// `DAYS`: day roll-ups.
    Days {
        /// Which unit.
        unit: UnitId,
        /// Ascending.
        days: Vec<DaySummary>,
    },
    /// `HOUR`: hour roll-ups, each as `at` and the channels by name with count, least, mean and greatest value.
    Hours {
        /// Which unit.
        unit: UnitId,
        /// Ascending, some thousands at most.
        hours: Vec<HourSummary>,
    },
    /// `LOGB`: service entries.
    Logbook {
        /// Which unit.
        unit: UnitId,
        /// Ascending by time.
        entries: Vec<ServiceEntry>,
    },
    /// `ASMT`: the latest assessment.
    Assessment {
        /// Which unit.
        unit: UnitId,
        /// What it says.
        assessment: Box<Assessment>,
    },
    /// `OWED`: the UTC days whose readings may not be in the roll-ups yet.
    Owed {
        /// Which unit.
        unit: UnitId,
        /// Days since 1970-01-01, ascending.
        days: Vec<i64>,
    },
    /// `LOST`: the UTC days whose readings are missing here, because their blocks in the store were damaged.
    Lost {
        /// Which unit.
        unit: UnitId,
        /// Days since 1970-01-01, ascending.
        days: Vec<i64>,
    },
    /// `MAIL`: messages that wait to be published.
    Mail(Vec<Letter>),
    /// `KEEP`: small values of the daemon, such as the state of its alerts.
    Keepsakes(Vec<Keepsake>),
    /// `GONE`: how far the channels of a unit were given up by retention; what is older cannot be made again.
    GivenUp {
        /// Which unit.
        unit: UnitId,
        /// One for each channel of which anything was given up.
        channels: Vec<GivenUp>,
    },
    /// `JUNK`: messages that could not be read as readings, kept for a closer look.
    Junk(Vec<Junk>),
    /// `FAIL`: the writer could not go on; the last section then.
    Fail(String),
    /// `END.`, the last.
    End(End),
}

/// The first section.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Head {
    /// When the archive was begun.
    pub made: Timestamp,
    /// The version of the program that made it.
    pub by: String,
    /// What it is for.
    pub holds: Holds,
    /// The id of the store it is from, where it is from one.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub epoch: Option<String>,
    /// How many units follow.
    pub units: u64,
    /// About how many readings follow.
    pub readings: u64,
}

/// What an archive is for.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Holds {
    /// Everything: a store can be restored from it.
    Backup,
    /// Some readings or logbooks.
    Selection,
}

/// What is to come of one unit.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct UnitHead {
    /// Which unit.
    pub unit: UnitId,
    /// About how many readings it has in the archive.
    pub readings: u64,
}

/// A message that waits to be published.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct Letter {
    /// The topic.
    pub topic: String,
    /// What it says.
    pub payload: Vec<u8>,
    /// Whether the broker keeps it.
    pub retain: bool,
    /// Seconds after which it is worth nothing.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub expiry_secs: Option<u32>,
    /// MQTT 5 correlation data.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub correlation: Option<Vec<u8>>,
}

/// A small value under a name.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct Keepsake {
    /// The name.
    pub name: String,
    /// The value.
    pub value: Vec<u8>,
}

/// A message that could not be read as readings.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Junk {
    /// When it came.
    pub at: Timestamp,
    /// Its topic.
    pub topic: String,
    /// Its first bytes.
    pub payload: Vec<u8>,
    /// How many bytes it had.
    pub payload_len: usize,
    /// What is wrong with it.
    pub reason: String,
}

/// How far a channel was given up: the first day (UTC, since 1970-01-01) still kept; absent: nothing was given up.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct GivenUp {
    /// The channel's name in the contract; one that a reader does not know is passed over.
    pub channel: String,
    /// Of the readings.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub raw: Option<i64>,
    /// Of the hours.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub hours: Option<i64>,
    /// Of the days.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub days: Option<i64>,
}

/// How much an archive holds.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct Counts {
    /// Units.
    pub units: u64,
    /// Readings.
    pub readings: u64,
    /// Day roll-ups.
    pub days: u64,
    /// Hour roll-ups.
    pub hours: u64,
    /// Service entries.
    pub entries: u64,
    /// Assessments.
    pub assessments: u64,
}

impl Counts {
    pub(super) fn add(&mut self, section: &Section) {
        match section {
            Section::Unit(_) => self.units += 1,
            Section::Rows { rows, .. } => self.readings += rows.len() as u64,
            Section::Days { days, .. } => self.days += days.len() as u64,
            Section::Hours { hours, .. } => self.hours += hours.len() as u64,
            Section::Logbook { entries, .. } => self.entries += entries.len() as u64,
            Section::Assessment { .. } => self.assessments += 1,
            _ => {}
        }
    }
}

/// The last section.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct End {
    /// Sections before this one.
    pub sections: u32,
    /// What they hold.
    pub counts: Counts,
    /// CRC-32 of their `check` fields.
    pub check: u32,
}

/// A list that belongs to a unit.
#[derive(Serialize, Deserialize)]
pub(super) struct OfUnit<T> {
    pub unit: UnitId,
    pub holds: T,
}

/// One hour in JSON.
#[derive(Serialize, Deserialize)]
pub(super) struct Hour {
    at: Timestamp,
    channels: BTreeMap<String, (u32, f64, f64, f64)>,
}

impl From<&HourSummary> for Hour {
    fn from(hour: &HourSummary) -> Self {
        let of =
            |(channel, v): (Channel, HourValues)| (channel.name().to_owned(), (v.count, v.least, v.mean, v.greatest));
        Self { at: hour.at, channels: hour.channels().map(of).collect() }
    }
}

impl TryFrom<Hour> for HourSummary {
    type Error = String;

    fn try_from(hour: Hour) -> Result<Self, String> {
        let mut summary = Self::new(hour.at);
        for (name, (count, least, mean, greatest)) in hour.channels {
            let channel: Channel =
                name.parse().map_err(|_| format!("channel `{name}` is not known to this version"))?;
            summary.set(channel, Some(HourValues { count, least, mean, greatest }));
        }
        Ok(summary)
    }
}
