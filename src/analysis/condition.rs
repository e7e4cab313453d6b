//! The one condition of a unit, from its latest reading, its log and its dates.
//!
//! Used for a past instant by the assessment and for this instant by the engine, so that both say the same.

use jiff::civil::Date;

use crate::domain::assessment::Forecast;
use crate::domain::time::{HOUR, MINUTE};
use crate::domain::{Channel, Condition, Reading, ServiceAction, ServiceEntry, Timestamp, UnitSpec};

/// Under this share of the set point there is no light: the lamp is out, or the sensor sees nothing. Derived: a
/// sensor's zero error is a per cent or two of its span, and a set point is at least a quarter of it.
pub const DARK_SHARE_OF_SET_POINT: f64 = 0.05;
/// A unit is silent after this many of its usual intervals without a reading.
pub const SILENT_AFTER_INTERVALS: i64 = 6;
/// But never before this long: a gateway may batch.
pub const SILENT_AFTER_AT_LEAST: i64 = 30 * MINUTE;
/// Silence where no cadence is known yet.
pub const SILENT_AFTER_UNKNOWN_CADENCE: i64 = 24 * HOUR;
/// A visit that nobody ended counts as ended after this long.
pub const VISIT_AT_MOST: i64 = 12 * HOUR;

/// What a log says about the present.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct LogState {
    /// Since when a visit has been under way.
    pub visit_since: Option<Timestamp>,
    /// Since when the unit has been closed.
    pub closed_since: Option<Timestamp>,
}

/// The state at `now` of a log ordered by time; entries after `now` do not count.
pub fn log_state(log: &[ServiceEntry], now: Timestamp) -> LogState {
    let mut state = LogState::default();
    for entry in log.iter().take_while(|entry| entry.at <= now) {
        match entry.action {
            ServiceAction::VisitStarted => state.visit_since = Some(entry.at),
            ServiceAction::VisitEnded => state.visit_since = None,
            ServiceAction::Closed => state.closed_since = Some(entry.at),
            ServiceAction::Opened => state.closed_since = None,
            _ => {}
        }
    }
    state.visit_since = state.visit_since.filter(|since| now.millis_since(*since) <= VISIT_AT_MOST);
    state
}

/// What the condition follows from.
#[derive(Clone, Copy, Debug)]
pub struct Facts<'a> {
    /// The unit's papers.
    pub spec: &'a UnitSpec,
    /// What the log says about the present.
    pub log: LogState,
    /// The latest reading with an intensity.
    pub latest: Option<&'a Reading>,
    /// Usual milliseconds between readings, if known.
    pub cadence_millis: Option<i64>,
    /// Whether there is too little data for a verdict.
    pub learning: bool,
    /// The earliest date by which something must be done, if any.
    pub service_by: Option<Date>,
    /// Whether the light is falling towards the set point.
    pub falling: bool,
    /// A date at most this many days off is due.
    pub lead_days: u16,
}

/// The earliest date by which something must be done. The life of a part is no sign of fading, so it counts only once
/// it is inside the lead time.
pub fn service_by(forecast: &Forecast, today: Date, lead_days: u16) -> Option<Date> {
    let light = [forecast.crossing.p10, forecast.clean_by];
    let near = |by: &Date| (*by - today).get_days() <= i32::from(lead_days);
    let lives = [forecast.lamp_by, forecast.sensor_by].into_iter().flatten().filter(near);
    light.into_iter().flatten().chain(lives).min()
}

/// How long without a reading a unit may be before it is silent, milliseconds.
pub fn silent_after(cadence_millis: Option<i64>) -> i64 {
    cadence_millis.map_or(SILENT_AFTER_UNKNOWN_CADENCE, |cadence| {
        cadence.saturating_mul(SILENT_AFTER_INTERVALS).max(SILENT_AFTER_AT_LEAST)
    })
}

/// The condition at `now`.
pub fn condition(facts: &Facts<'_>, now: Timestamp) -> Condition {
    if facts.log.closed_since.is_some() {
        return Condition::Closed;
    }
    if facts.log.visit_since.is_some() {
        return Condition::InService;
    }
    let Some((latest, intensity)) = facts.latest.and_then(|r| r.get(Channel::Intensity).map(|v| (r, v))) else {
        return Condition::Silent;
    };
    if now.millis_since(latest.at) > silent_after(facts.cadence_millis) {
        return Condition::Silent;
    }
    if intensity <= DARK_SHARE_OF_SET_POINT * facts.spec.set_point {
        return Condition::Dark;
    }
    if intensity <= facts.spec.set_point {
        return Condition::Short;
    }
    let days_left = facts.service_by.map(|by| (by - now.date_in(&facts.spec.zone)).get_days());
    match days_left {
        Some(days) if days <= i32::from(facts.lead_days) => Condition::Due,
        _ if facts.learning => Condition::Learning,
        Some(_) => Condition::Fading,
        None if facts.falling => Condition::Fading,
        None => Condition::Steady,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn case(intensity: Option<f64>, change: impl FnOnce(&mut Facts<'_>)) -> Condition {
        let spec = UnitSpec::new("heron-bight/boathouse".parse().unwrap(), 14.0);
        let now: Timestamp = "2026-08-14T06:00:00Z".parse().unwrap();
        let latest = intensity.map(|v| Reading::new(now.plus_millis(-5 * MINUTE)).with(Channel::Intensity, v));
        let mut facts = Facts {
            spec: &spec,
            log: LogState::default(),
            latest: latest.as_ref(),
            cadence_millis: Some(10 * MINUTE),
            learning: false,
            service_by: None,
            falling: false,
            lead_days: 14,
        };
        change(&mut facts);
        condition(&facts, now)
    }

    #[test]
    fn worst_first() {
        assert_eq!(case(Some(21.0), |_| {}), Condition::Steady);
        assert_eq!(case(Some(21.0), |f| f.falling = true), Condition::Fading);
        assert_eq!(case(Some(21.0), |f| f.learning = true), Condition::Learning);
        assert_eq!(
            case(Some(14.0), |f| f.learning = true),
            Condition::Short,
            "at the set point is short, whatever else"
        );
        assert_eq!(case(Some(0.1), |_| {}), Condition::Dark);
        assert_eq!(case(Some(0.1), |f| f.cadence_millis = Some(1)), Condition::Dark, "silence has a floor");
        assert_eq!(case(None, |_| {}), Condition::Silent);
        let day = |text: &str| Some(text.parse().unwrap());
        assert_eq!(case(Some(21.0), |f| f.service_by = day("2026-08-28")), Condition::Due);
        assert_eq!(case(Some(21.0), |f| f.service_by = day("2026-08-29")), Condition::Fading);
        assert_eq!(case(Some(21.0), |f| f.service_by = day("2025-01-01")), Condition::Due, "overdue is due");
    }

    #[test]
    fn the_log_overrides() {
        let at = |text: &str| text.parse::<Timestamp>().unwrap();
        let entry = |text, action| ServiceEntry::new(at(text), action);
        let log = [
            entry("2026-08-14T05:00:00Z", ServiceAction::VisitStarted),
            entry("2026-08-14T06:00:00Z", ServiceAction::VisitEnded),
            entry("2026-10-01T00:00:00Z", ServiceAction::Closed),
            entry("2027-05-01T00:00:00Z", ServiceAction::Opened),
            entry("2027-06-01T00:00:00Z", ServiceAction::VisitStarted),
        ];
        let state = |text| log_state(&log, at(text));
        assert!(state("2026-08-14T05:30:00Z").visit_since.is_some());
        assert_eq!(state("2026-08-14T06:00:00Z"), LogState::default());
        assert!(state("2026-12-01T00:00:00Z").closed_since.is_some());
        assert!(state("2027-06-01T11:00:00Z").visit_since.is_some());
        assert!(state("2027-06-01T13:00:00Z").visit_since.is_none(), "a visit nobody ended ends by itself");
    }
}
