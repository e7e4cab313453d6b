//! What was done at a unit and when, as the model uses it: logged service, dates corrected, and steps nobody logged.

use super::History;
use super::course::Course;
use super::steps::{Step, StepsFound};
use crate::domain::{ServiceAction, Timestamp};

/// A lasting shift of the water takes up to this many days (as many as the search for steps allows), days.
const SHIFT_TAKES_DAYS: i32 = 6;

/// What an event resets.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum EventKind {
    /// The sleeve was cleaned.
    SleeveCleaned,
    /// A new sleeve.
    SleeveReplaced,
    /// A new lamp.
    LampReplaced,
    /// The sensor's window was wiped.
    WindowWiped,
    /// Another sensor.
    SensorReplaced,
    /// The light stepped and stayed, for a reason that no service explains.
    Shift,
}

/// Where an event is known from.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Origin {
    /// An entry of the log, by its place there.
    Logged(usize),
    /// A step nobody logged, by its place among the steps found.
    Step(usize),
}

/// One event.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Event {
    /// The first day that is wholly after it.
    pub day: i32,
    /// What it reset.
    pub kind: EventKind,
    /// Where it is known from.
    pub origin: Origin,
}

/// A comparison of the duty sensor with a reference sensor.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct ReferenceCheck {
    /// The day of the check.
    pub day: i32,
    /// ln of what the reference sensor read, in the unit's measure.
    pub ln: f64,
}

/// A measurement of the water's transmittance with another instrument.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Measured {
    /// The day of it.
    pub day: i32,
    /// Absorbance at 254 nm, 1/cm.
    pub absorbance: f64,
}

/// Everything done at a unit, by day.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Events {
    /// Events by day; before day 0 too.
    pub list: Vec<Event>,
    /// Comparisons with a reference sensor.
    pub checks: Vec<ReferenceCheck>,
    /// Measurements of the water, by day.
    pub water: Vec<Measured>,
}

impl Events {
    /// The log up to `as_of`, with the dates in `found`, and the steps in it under their most usual reading: a step up
    /// is a cleaning (a new lamp where the hour counter was reset), a step down a lasting shift.
    pub fn new(history: &History<'_>, course: &Course, as_of: Timestamp, found: &StepsFound) -> Self {
        let mut events = Self::default();
        for (place, entry) in history.log.iter().enumerate().take_while(|(_, entry)| entry.at <= as_of) {
            let corrected = found.snapped.iter().find(|snap| snap.entry == place);
            let date = corrected.map_or_else(|| entry.at.date_in(&history.spec.zone), |snap| snap.used);
            let day = course.number(date).saturating_add(1);
            if entry.action == ServiceAction::ReferenceCheck
                && let Some(value) = entry.value.filter(|v| v.is_finite() && *v > 0.0)
            {
                events.checks.push(ReferenceCheck { day: day - 1, ln: value.ln() });
            }
            if entry.action == ServiceAction::TransmittanceMeasured
                && let Some(value) = entry.value.filter(|v| (0.1..=100.0).contains(v))
            {
                events.water.push(Measured { day: day - 1, absorbance: -(value / 100.0).log10() });
            }
            if let Some(kind) = kind_of(entry.action) {
                events.add(Event { day, kind, origin: Origin::Logged(place) });
            }
        }
        for (place, step) in found.steps.iter().enumerate() {
            let kind = usual_reading(step);
            events.add(Event { day: course.number(step.date), kind, origin: Origin::Step(place) });
        }
        events
    }

    /// Adds an event unless the same thing was done on the same day.
    fn add(&mut self, event: Event) {
        if !self.list.iter().any(|e| e.day == event.day && e.kind == event.kind) {
            let place = self.list.partition_point(|e| e.day <= event.day);
            self.list.insert(place, event);
        }
    }

    /// The same with one event more.
    #[must_use]
    pub fn with(&self, event: Event) -> Self {
        let mut other = self.clone();
        other.add(event);
        other
    }

    /// The same with the event `kind` of `origin` read as `other`, or left out.
    #[must_use]
    pub fn reread(&self, origin: Origin, kind: EventKind, other: Option<EventKind>) -> Self {
        let mut events = Self { list: Vec::new(), ..self.clone() };
        for event in &self.list {
            if (event.origin, event.kind) != (origin, kind) {
                events.add(*event);
            } else if let Some(kind) = other {
                events.add(Event { kind, ..*event });
            }
        }
        events
    }

    /// Days of event `kinds`, ascending.
    pub fn days(&self, kinds: &[EventKind]) -> Vec<i32> {
        let mut days: Vec<i32> = self.list.iter().filter(|e| kinds.contains(&e.kind)).map(|e| e.day).collect();
        days.dedup();
        days
    }

    /// The day whose losses are "now": that of the assessment, or the day after what was done on it.
    pub fn now(&self, course: &Course) -> i32 {
        self.list.iter().map(|e| e.day).filter(|day| *day <= course.today + 1).fold(course.today, i32::max)
    }

    /// Days of event `kinds` after the first reading up to `now`, ascending.
    pub fn inside(&self, kinds: &[EventKind], now: i32) -> Vec<i32> {
        self.days(kinds).into_iter().filter(|day| *day > 0 && *day <= now).collect()
    }

    /// By how much the water's absorbance changed over `day`, 1/cm, by the last measurement before and the first after
    /// it within `reach` days.
    pub fn water_change(&self, day: i32, reach: i32) -> Option<f64> {
        let near = |measured: &&Measured| (measured.day - day).abs() <= reach;
        let before = self.water.iter().filter(near).filter(|m| m.day < day).max_by_key(|m| m.day)?;
        let after = self.water.iter().filter(near).filter(|m| m.day >= day).min_by_key(|m| m.day)?;
        Some(after.absorbance - before.absorbance)
    }

    /// Whether `day` holds light from before and after an event: the day of work, and the days over which the water
    /// shifted.
    pub fn mixes(&self, day: i32) -> bool {
        self.list.iter().any(|event| {
            let takes = if event.kind == EventKind::Shift { SHIFT_TAKES_DAYS } else { 1 };
            (event.day - takes..event.day).contains(&day)
        })
    }
}

/// What a step nobody logged most usually was: a step up within hours is work at the unit, and most work is a cleaning;
/// a step down, a slow one, or one with the lamp burning on is none.
pub fn usual_reading(step: &Step) -> EventKind {
    match (step.lamp_reset, step.ln_size > 0.0 && !step.slow && step.lamp_off != Some(false)) {
        (true, _) => EventKind::LampReplaced,
        (false, true) => EventKind::SleeveCleaned,
        (false, false) => EventKind::Shift,
    }
}

/// What an action resets, if anything.
pub fn kind_of(action: ServiceAction) -> Option<EventKind> {
    match action {
        ServiceAction::SleeveCleaned => Some(EventKind::SleeveCleaned),
        ServiceAction::SleeveReplaced => Some(EventKind::SleeveReplaced),
        ServiceAction::LampReplaced => Some(EventKind::LampReplaced),
        ServiceAction::SensorCleaned => Some(EventKind::WindowWiped),
        ServiceAction::SensorReplaced => Some(EventKind::SensorReplaced),
        _ => None,
    }
}
