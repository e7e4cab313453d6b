//! What people did at a unit: service actions and the entries of the service log.

use std::fmt;
use std::str::FromStr;

use serde::{Deserialize, Serialize};

use super::Timestamp;

/// Something done at a unit, in the words of the service log.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum ServiceAction {
    /// The quartz sleeve was cleaned.
    SleeveCleaned,
    /// A new quartz sleeve was fitted.
    SleeveReplaced,
    /// A new lamp was fitted.
    LampReplaced,
    /// The sensor's window was wiped or soaked.
    SensorCleaned,
    /// Another sensor was fitted.
    SensorReplaced,
    /// The duty sensor was compared with a reference sensor; the value is what the reference sensor read.
    ReferenceCheck,
    /// The transmittance of the water was measured; the value is in percent at 254 nm over 1 cm.
    TransmittanceMeasured,
    /// New sediment filter.
    SedimentFilterReplaced,
    /// New carbon filter.
    CarbonFilterReplaced,
    /// The flow sensor was calibrated.
    FlowSensorCalibrated,
    /// Another flow sensor was fitted.
    FlowSensorReplaced,
    /// New fuse.
    FuseReplaced,
    /// A visit began: readings until it ends are not the unit's normal running.
    VisitStarted,
    /// The visit ended.
    VisitEnded,
    /// The unit was shut for a season.
    Closed,
    /// The unit was opened again.
    Opened,
    /// Anything else worth keeping.
    Note,
}

impl ServiceAction {
    /// Every action, in the order of the contract.
    pub const ALL: [Self; 17] = [
        Self::SleeveCleaned,
        Self::SleeveReplaced,
        Self::LampReplaced,
        Self::SensorCleaned,
        Self::SensorReplaced,
        Self::ReferenceCheck,
        Self::TransmittanceMeasured,
        Self::SedimentFilterReplaced,
        Self::CarbonFilterReplaced,
        Self::FlowSensorCalibrated,
        Self::FlowSensorReplaced,
        Self::FuseReplaced,
        Self::VisitStarted,
        Self::VisitEnded,
        Self::Closed,
        Self::Opened,
        Self::Note,
    ];

    /// The action's name in logs, commands and messages.
    pub fn name(self) -> &'static str {
        match self {
            Self::SleeveCleaned => "sleeve-cleaned",
            Self::SleeveReplaced => "sleeve-replaced",
            Self::LampReplaced => "lamp-replaced",
            Self::SensorCleaned => "sensor-cleaned",
            Self::SensorReplaced => "sensor-replaced",
            Self::ReferenceCheck => "reference-check",
            Self::TransmittanceMeasured => "transmittance-measured",
            Self::SedimentFilterReplaced => "sediment-filter-replaced",
            Self::CarbonFilterReplaced => "carbon-filter-replaced",
            Self::FlowSensorCalibrated => "flow-sensor-calibrated",
            Self::FlowSensorReplaced => "flow-sensor-replaced",
            Self::FuseReplaced => "fuse-replaced",
            Self::VisitStarted => "visit-started",
            Self::VisitEnded => "visit-ended",
            Self::Closed => "closed",
            Self::Opened => "opened",
            Self::Note => "note",
        }
    }

    /// The values that make sense with this action, inclusive, or `None` where the action takes no value.
    pub fn value_range(self) -> Option<(f64, f64)> {
        match self {
            Self::ReferenceCheck => Some((0.0, 100_000.0)),
            Self::TransmittanceMeasured => Some((0.1, 100.0)),
            _ => None,
        }
    }
}

impl fmt::Display for ServiceAction {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.pad(self.name())
    }
}

/// A name that is no service action.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
#[error("`{0}` is not a service action")]
pub struct UnknownAction(pub String);

impl FromStr for ServiceAction {
    type Err = UnknownAction;

    fn from_str(text: &str) -> Result<Self, UnknownAction> {
        Self::ALL.into_iter().find(|a| a.name() == text).ok_or_else(|| UnknownAction(text.chars().take(60).collect()))
    }
}

/// One line of a unit's service log. Entries of one unit are ordered by `at`, then by `recorded`.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct ServiceEntry {
    /// When it was done.
    #[serde(rename = "time")]
    pub at: Timestamp,
    /// What was done.
    pub action: ServiceAction,
    /// The measured value, for the actions that have one (see [`ServiceAction::value_range`]).
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub value: Option<f64>,
    /// Who did it.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub by: Option<String>,
    /// Free text.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub note: Option<String>,
    /// The earlier entry that this one corrects. Both stay in the logbook; only this one counts.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub corrects: Option<Corrected>,
    /// When the entry was made; missing in logs read from a file.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub recorded: Option<Timestamp>,
}

/// Which entry is corrected.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Corrected {
    /// Its time.
    pub time: Timestamp,
    /// Its action.
    pub action: ServiceAction,
}

impl Corrected {
    /// Whether `entry` is the one.
    pub fn is(&self, entry: &ServiceEntry) -> bool {
        entry.at == self.time && entry.action == self.action
    }
}

/// The entries that count, in the order of `log`: those that no later entry corrects.
pub fn effective(log: &[ServiceEntry]) -> Vec<ServiceEntry> {
    log.iter().filter(|entry| !is_corrected(entry, log)).cloned().collect()
}

/// Whether an entry made later than this one corrects it.
pub fn is_corrected(entry: &ServiceEntry, log: &[ServiceEntry]) -> bool {
    let later = |other: &ServiceEntry| other.recorded >= entry.recorded && other != entry;
    log.iter().any(|other| later(other) && other.corrects.is_some_and(|corrects| corrects.is(entry)))
}

/// The longest name in [`ServiceEntry::by`], in characters.
pub const BY_MAX_CHARS: usize = 80;
/// The longest text in [`ServiceEntry::note`], in characters.
pub const NOTE_MAX_CHARS: usize = 2_000;
/// How far in the future an entry's time may lie, for clocks that run ahead.
pub const FUTURE_TOLERANCE_MILLIS: i64 = 5 * super::time::MINUTE;

/// Why an entry cannot be recorded.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
pub enum EntryError {
    /// The action needs a value.
    #[error("{0} needs a value")]
    ValueMissing(ServiceAction),
    /// The action takes no value.
    #[error("{0} takes no value; put it in the note")]
    ValueUnexpected(ServiceAction),
    /// The value is outside what can be.
    #[error("value {value} is outside {low} to {high} for {action}")]
    ValueRange {
        /// The action.
        action: ServiceAction,
        /// The offending value.
        value: f64,
        /// The least value allowed.
        low: f64,
        /// The greatest value allowed.
        high: f64,
    },
    /// The time is in the future.
    #[error("time {at} is in the future (now {now})")]
    Future {
        /// The entry's time.
        at: Timestamp,
        /// The time it was checked.
        now: Timestamp,
    },
    /// The time is nonsense.
    #[error("time {at} is before 1970")]
    Ancient {
        /// The entry's time.
        at: Timestamp,
    },
    /// A text is too long.
    #[error("`{field}` has {chars} characters; at most {limit}")]
    TooLong {
        /// `by` or `note`.
        field: &'static str,
        /// How long it is.
        chars: usize,
        /// How long it may be.
        limit: usize,
    },
    /// A text has control characters.
    #[error("`{field}` has control characters")]
    Control {
        /// `by` or `note`.
        field: &'static str,
    },
}

impl ServiceEntry {
    /// An entry without value, name or note.
    pub fn new(at: Timestamp, action: ServiceAction) -> Self {
        Self { at, action, value: None, by: None, note: None, corrects: None, recorded: None }
    }

    /// Checks the value, the time against `now`, and the texts.
    ///
    /// # Errors
    /// What cannot be, with what it may be.
    pub fn check(&self, now: Timestamp) -> Result<(), EntryError> {
        match (self.action.value_range(), self.value) {
            (Some(_), None) => return Err(EntryError::ValueMissing(self.action)),
            (None, Some(_)) => return Err(EntryError::ValueUnexpected(self.action)),
            (Some((low, high)), Some(value)) if !(low..=high).contains(&value) => {
                return Err(EntryError::ValueRange { action: self.action, value, low, high });
            }
            _ => {}
        }
        if self.at.millis_since(now) > FUTURE_TOLERANCE_MILLIS {
            return Err(EntryError::Future { at: self.at, now });
        }
        if self.at < Timestamp::from_millis(0) {
            return Err(EntryError::Ancient { at: self.at });
        }
        check_text("by", self.by.as_deref(), BY_MAX_CHARS)?;
        check_text("note", self.note.as_deref(), NOTE_MAX_CHARS)
    }
}

fn check_text(field: &'static str, text: Option<&str>, limit: usize) -> Result<(), EntryError> {
    let Some(text) = text else { return Ok(()) };
    let chars = text.chars().count();
    if chars > limit {
        return Err(EntryError::TooLong { field, chars, limit });
    }
    if text.chars().any(|c| c.is_control() && c != '\n' && c != '\t') {
        return Err(EntryError::Control { field });
    }
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn names_agree_with_serde() {
        for action in ServiceAction::ALL {
            assert_eq!(serde_json::to_string(&action).unwrap(), format!("\"{action}\""));
            assert_eq!(action.name().parse::<ServiceAction>().unwrap(), action);
        }
    }

    #[test]
    fn a_correction_keeps_the_original_and_counts_instead() {
        let (then, now) = (Timestamp::from_secs(1_000_000), Timestamp::from_secs(1_100_000));
        let wrong = ServiceEntry { recorded: Some(then), ..ServiceEntry::new(then, ServiceAction::SensorCleaned) };
        let corrects = Some(Corrected { time: wrong.at, action: wrong.action });
        let right = ServiceEntry {
            corrects,
            recorded: Some(now),
            ..ServiceEntry::new(then.plus_millis(60_000), ServiceAction::SleeveCleaned)
        };
        let log = [wrong.clone(), right.clone()];
        assert_eq!(effective(&log)[..], log[1..]);
        assert!(is_corrected(&wrong, &log) && !is_corrected(&right, &log));
        let again = ServiceEntry {
            corrects: Some(Corrected { time: right.at, action: right.action }),
            recorded: Some(now.plus_millis(1)),
            ..ServiceEntry::new(then, ServiceAction::SensorReplaced)
        };
        assert_eq!(effective(&[wrong, again.clone(), right]), [again], "a correction can be corrected");
    }

    #[test]
    fn entries_are_checked() {
        let now = Timestamp::from_secs(1_000_000);
        let entry = |action| ServiceEntry::new(now, action);
        assert_eq!(entry(ServiceAction::SleeveCleaned).check(now), Ok(()));
        assert!(entry(ServiceAction::ReferenceCheck).check(now).is_err());
        assert!(ServiceEntry { value: Some(f64::NAN), ..entry(ServiceAction::ReferenceCheck) }.check(now).is_err());
        assert!(ServiceEntry { value: Some(20.0), ..entry(ServiceAction::ReferenceCheck) }.check(now).is_ok());
        assert!(ServiceEntry { value: Some(1.0), ..entry(ServiceAction::Note) }.check(now).is_err());
        assert!(ServiceEntry { note: Some("x".repeat(2_001)), ..entry(ServiceAction::Note) }.check(now).is_err());
        assert!(ServiceEntry { by: Some("a\u{7}".into()), ..entry(ServiceAction::Note) }.check(now).is_err());
        assert!(ServiceEntry { at: now.plus_millis(-2_000_000_000), ..entry(ServiceAction::Note) }.check(now).is_err());
        assert!(ServiceEntry { at: now.plus_millis(600_000), ..entry(ServiceAction::Note) }.check(now).is_err());
    }
}
