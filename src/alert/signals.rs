//! From what is known of a unit to one signal for each kind of alert.
//!
//! Each kind has two thresholds: beyond the first it is bad, beyond the second good, between them neither.

use jiff::civil::Date;

use super::{Kind, Level, Signs};
use crate::domain::assessment::{Likely, PartLife, UnloggedStep};
use crate::domain::time::{DAY, MINUTE};
use crate::domain::{Assessment, Channel, Reading, ServiceAction, ServiceEntry, Timestamp, UnitSpec, VerdictCause};

/// Treatment counts as assured again above this multiple of the set point (our choice: over the noise of a reading).
pub const ASSURED_ABOVE: f64 = 1.03;
/// A lamp that has just got its power back warms up this long at most: low-pressure 1 to 2 min, amalgam 4 to 10 min
/// (EPA 815-R-06-007, table 2.3, from memory), and a reading more.
pub const WARM_UP_AT_MOST: i64 = 15 * MINUTE;
/// A date is no longer due when it has moved this many days out of the lead time.
pub const LEAD_BAND_DAYS: i32 = 7;
/// A water episode counts from this depth, percent of light, and is over under the second.
pub const EPISODE_PERCENT: (f64, f64) = (3.0, 2.0);
/// From this depth it is a warning.
pub const EPISODE_WARNING_PERCENT: f64 = 10.0;
/// An episode whose last reading is older than this is not going on.
const EPISODE_GOES_ON: i64 = 2 * DAY;
/// Steps and doubts older than this are not asked about, days: nobody remembers.
pub const ASKED_WITHIN_DAYS: i32 = 30;
/// The same of the water: a change that takes days is told from a passing cloud only after five weeks, and one that only
/// the unit's meter shows after seven.
pub const WATER_ASKED_WITHIN_DAYS: i32 = 90;
/// An entry this near a step is about it, days.
const ABOUT_DAYS: i32 = 3;
/// A duty sensor may read this many times what the reference sensor reads (EPA 815-R-06-007, 6.4.1.1, from memory).
/// One-sided: a sensor that reads low is safe.
pub const REFERENCE_RATIO_MAX: f64 = 1.2;
/// A sensor that reads this many times what it read when everything was new reads high; not any more under the second.
pub const READS_HIGH: (f64, f64) = (1.15, 1.10);
/// No readings for this long is a warning.
const SILENT_WARNING: i64 = DAY;

/// Where a signal stands between its two thresholds.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum State {
    /// Beyond the first threshold.
    Bad,
    /// Between the two.
    Between,
    /// Beyond the second.
    Good,
    /// Nothing is known at the moment.
    Unknown,
}

/// The signal of one kind.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Signal {
    /// Where it stands.
    pub state: State,
    /// How bad it is, if it is.
    pub level: Level,
    /// How many things it is about.
    pub weight: u32,
}

impl Signal {
    const GOOD: Self = Self { state: State::Good, level: Level::Notice, weight: 0 };
    const BETWEEN: Self = Self { state: State::Between, ..Self::GOOD };
    const UNKNOWN: Self = Self { state: State::Unknown, ..Self::GOOD };

    /// A bad one.
    pub const fn bad(level: Level) -> Self {
        Self { state: State::Bad, level, weight: 1 }
    }

    fn when(bad: bool, level: Level) -> Self {
        if bad { Self::bad(level) } else { Self::GOOD }
    }
}

/// What is known of a unit at an instant.
#[derive(Clone, Copy, Debug)]
pub struct Evidence<'a> {
    /// The instant.
    pub now: Timestamp,
    /// The papers.
    pub spec: &'a UnitSpec,
    /// The latest reading with an intensity.
    pub latest: Option<&'a Reading>,
    /// The latest word of the unit's node, whatever was in it.
    pub heard: Option<Timestamp>,
    /// From when on silence counts: the latest of the last word, the opening, and our own start.
    pub listening_since: Timestamp,
    /// The same without our own start, which ends nobody's silence.
    pub unheard_since: Timestamp,
    /// After how long without a word a unit is silent, milliseconds.
    pub silent_after: i64,
    /// At or under this intensity there is no light.
    pub dark_below: f64,
    /// When the lamp last came on.
    pub lit_at: Option<Timestamp>,
    /// The other units of the site have missed readings too: it may be the site.
    pub site_late: bool,
    /// The latest assessment.
    pub assessment: Option<&'a Assessment>,
    /// What the last days say about sensor, filters and flow sensor.
    pub signs: &'a Signs,
    /// The service log.
    pub log: &'a [ServiceEntry],
    /// A date at most this many days off is due.
    pub lead_days: u16,
    /// Whether the alert that cleaning will not be enough lives.
    pub not_enough_lives: bool,
}

impl Evidence<'_> {
    /// Today at the site.
    pub fn today(&self) -> Date {
        self.now.date_in(&self.spec.zone)
    }

    /// The latest intensity, unless it is too old to say anything about now.
    pub fn intensity(&self) -> Option<f64> {
        let latest = self.latest.filter(|latest| self.now.millis_since(latest.at) <= self.silent_after)?;
        latest.get(Channel::Intensity)
    }

    /// Whether the node has said anything lately.
    pub fn is_heard(&self) -> bool {
        self.heard.is_some_and(|heard| self.now.millis_since(heard) <= self.silent_after)
    }

    /// Whether it has said so in good time: half way to silence it may be on its way there again.
    pub fn is_heard_well(&self) -> bool {
        self.heard.is_some_and(|heard| 2 * self.now.millis_since(heard) <= self.silent_after)
    }

    fn days_to(&self, date: Date) -> i32 {
        (date - self.today()).get_days()
    }

    fn is_within(&self, days: i32, date: Date) -> bool {
        (0..=days).contains(&-self.days_to(date))
    }

    /// The assessment, if it has something to say about causes and dates.
    pub fn settled(&self) -> Option<&Assessment> {
        self.assessment.filter(|assessment| assessment.loss.is_some())
    }

    /// Parts due within the lead time (or `extra` days more), the earliest first.
    pub fn parts_due(&self, extra: i32) -> Vec<&PartLife> {
        let parts = self.assessment.map_or(&[][..], |assessment| &assessment.parts);
        let near = |part: &&PartLife| part.due.is_some_and(|due| self.days_to(due) <= self.lead() + extra);
        let mut due: Vec<&PartLife> = parts.iter().filter(near).collect();
        due.sort_by_key(|part| part.due);
        due
    }

    /// Steps that nobody has logged and somebody may still remember; `water`: those of the water.
    pub fn steps(&self, water: bool) -> impl Iterator<Item = &UnloggedStep> {
        let steps = self.assessment.map_or(&[][..], |assessment| &assessment.unlogged);
        let within = if water { WATER_ASKED_WITHIN_DAYS } else { ASKED_WITHIN_DAYS };
        let asked = move |step: &&UnloggedStep| {
            (step.likely == Likely::WaterChanged) == water && self.is_within(within, step.at) && !self.is_answered(step)
        };
        steps.iter().filter(asked)
    }

    /// Whether the log has what is asked for: a note of about that day, or, of the water, a new filter of about that day or
    /// a measurement since.
    fn is_answered(&self, step: &UnloggedStep) -> bool {
        let water = step.likely == Likely::WaterChanged;
        self.log.iter().filter(|entry| entry.at <= self.now).any(|entry| {
            let days = (entry.at.date_in(&self.spec.zone) - step.at).get_days();
            match entry.action {
                ServiceAction::Note => days.abs() <= ABOUT_DAYS,
                ServiceAction::TransmittanceMeasured => water && days >= 0,
                action => water && answers(Kind::WaterChanged, action) && days.abs() <= ABOUT_DAYS,
            }
        })
    }

    /// Entries of the last weeks that the readings do not bear out.
    pub fn doubts(&self) -> impl Iterator<Item = &crate::domain::assessment::LogDoubt> {
        let doubts = self.assessment.map_or(&[][..], |assessment| &assessment.log_doubts);
        doubts.iter().filter(|doubt| self.is_within(ASKED_WITHIN_DAYS, doubt.at.date_in(&self.spec.zone)))
    }

    /// The water episode that is going on.
    pub fn episode(&self) -> Option<&crate::domain::assessment::Episode> {
        let assessment = self.assessment?;
        let on = |e: &&crate::domain::assessment::Episode| {
            !e.recovered && assessment.as_of.millis_since(e.to) <= EPISODE_GOES_ON
        };
        assessment.episodes.iter().rev().find(on)
    }

    fn lead(&self) -> i32 {
        i32::from(self.lead_days)
    }

    /// The day the light may be too little, whatever helps.
    pub fn short_by(&self) -> Option<Date> {
        let forecast = &self.settled()?.forecast;
        forecast.crossing.p10.into_iter().chain(forecast.clean_by).min()
    }

    /// Whether a cleaning is what helps, and helps enough.
    pub fn cleaning_helps(&self) -> bool {
        let Some(assessment) = self.settled() else { return false };
        let other = matches!(
            assessment.verdict.cause,
            VerdictCause::LampAgeing | VerdictCause::SensorDrift | VerdictCause::LampOrSensor
        );
        let enough = assessment.forecast.after_cleaning.is_none_or(|after| after.enough);
        assessment.forecast.clean_by.is_some() && enough && !other
    }

    /// The signal of a kind.
    pub fn signal(&self, kind: Kind) -> Signal {
        match kind {
            Kind::NoLight => self.no_light(),
            Kind::TreatmentNotAssured => self.treatment(),
            Kind::NoReadings => self.no_readings(),
            Kind::SensorDoubtful => self.sensor(),
            Kind::CleaningNotEnough => self.by_date(!self.cleaning_helps(), Level::Warning),
            Kind::CleaningDue => self.cleaning_due(),
            Kind::WaterEpisode => self.water_episode(),
            Kind::WaterChanged => self.count(self.steps(true).count()),
            Kind::PartLimit => self.part_limit(),
            Kind::UnloggedStep => self.count(self.steps(false).count()),
            Kind::LogDoubt => self.count(self.doubts().count()),
        }
    }

    fn no_light(&self) -> Signal {
        match self.intensity() {
            None => Signal::UNKNOWN,
            Some(light) if light <= self.dark_below => Signal::bad(Level::Urgent),
            Some(light) if light <= 2.0 * self.dark_below => Signal::BETWEEN,
            Some(_) => Signal::GOOD,
        }
    }

    fn treatment(&self) -> Signal {
        let warms = |(lit, latest): (Timestamp, &Reading)| latest.at.millis_since(lit) < WARM_UP_AT_MOST;
        let warming = self.lit_at.zip(self.latest).is_some_and(warms);
        match self.intensity() {
            None => Signal::UNKNOWN,
            // No light is an alert of its own.
            Some(light) if light <= self.dark_below => Signal::BETWEEN,
            Some(light) if light <= self.spec.set_point && warming => Signal::BETWEEN,
            Some(light) if light <= self.spec.set_point => Signal::bad(Level::Urgent),
            Some(light) if light <= ASSURED_ABOVE * self.spec.set_point => Signal::BETWEEN,
            Some(_) => Signal::GOOD,
        }
    }

    fn no_readings(&self) -> Signal {
        let silent = self.now.millis_since(self.listening_since);
        if silent <= self.silent_after {
            // Our own start is no word of the unit's.
            return if self.is_heard_well() { Signal::GOOD } else { Signal::BETWEEN };
        }
        if self.site_late {
            return Signal::BETWEEN;
        }
        let unheard = self.now.millis_since(self.unheard_since);
        Signal::bad(if unheard >= SILENT_WARNING { Level::Warning } else { Level::Notice })
    }

    fn sensor(&self) -> Signal {
        let signs = self.signs;
        let mute = self.is_heard() && self.latest.is_some() && self.intensity().is_none();
        let ratio = signs.reference_ratio.is_some_and(|ratio| ratio > REFERENCE_RATIO_MAX);
        let high = signs.share_of_new.unwrap_or(0.0);
        if ratio || signs.stuck || signs.wiring || mute || high > READS_HIGH.0 {
            return Signal::bad(Level::Warning);
        }
        if high > READS_HIGH.1 { Signal::BETWEEN } else { Signal::GOOD }
    }

    /// By the day the light may be too little, if `applies`.
    fn by_date(&self, applies: bool, level: Level) -> Signal {
        if self.settled().is_none() {
            return Signal::UNKNOWN;
        }
        match self.short_by().map(|date| self.days_to(date)) {
            Some(days) if days <= self.lead() => {
                if applies {
                    Signal::bad(if days <= 0 { Level::Warning } else { level })
                } else {
                    Signal::BETWEEN
                }
            }
            Some(days) if days <= self.lead() + LEAD_BAND_DAYS => Signal::BETWEEN,
            _ => Signal::GOOD,
        }
    }

    fn cleaning_due(&self) -> Signal {
        // The other alert says all there is to do.
        if self.not_enough_lives && !self.cleaning_helps() {
            return Signal::GOOD;
        }
        self.by_date(self.cleaning_helps(), Level::Notice)
    }

    fn water_episode(&self) -> Signal {
        if self.assessment.is_none() {
            return Signal::UNKNOWN;
        }
        match self.episode().map(|episode| episode.depth_percent) {
            Some(depth) if depth >= EPISODE_WARNING_PERCENT => Signal::bad(Level::Warning),
            Some(depth) if depth >= EPISODE_PERCENT.0 => Signal::bad(Level::Notice),
            Some(depth) if depth >= EPISODE_PERCENT.1 => Signal::BETWEEN,
            _ => Signal::GOOD,
        }
    }

    fn part_limit(&self) -> Signal {
        if self.assessment.is_none() {
            return Signal::UNKNOWN;
        }
        let due = self.parts_due(0);
        let worn = self.signs.worn().len();
        if due.is_empty() && worn == 0 {
            let near = !self.parts_due(LEAD_BAND_DAYS).is_empty() || self.signs.is_between();
            return if near { Signal::BETWEEN } else { Signal::GOOD };
        }
        let overdue = due.iter().any(|part| part.due.is_some_and(|due| self.days_to(due) < 0));
        let weight = u32::try_from(due.len() + worn).unwrap_or(u32::MAX);
        Signal { weight, ..Signal::bad(if overdue { Level::Warning } else { Level::Notice }) }
    }

    fn count(&self, count: usize) -> Signal {
        if self.assessment.is_none() {
            return Signal::UNKNOWN;
        }
        Signal { weight: u32::try_from(count).unwrap_or(u32::MAX), ..Signal::when(count > 0, Level::Notice) }
    }

    /// When the log last had an entry that answers an alert of this kind.
    pub fn answered(&self, kind: Kind) -> Option<Timestamp> {
        let time = |entry: &ServiceEntry| entry.recorded.unwrap_or(entry.at);
        self.log.iter().filter(|entry| entry.at <= self.now && answers(kind, entry.action)).map(time).max()
    }
}

/// Whether an action is an answer to an alert of this kind.
fn answers(kind: Kind, action: ServiceAction) -> bool {
    use ServiceAction as A;
    let sleeve = matches!(action, A::SleeveCleaned | A::SleeveReplaced);
    let lamp = matches!(action, A::LampReplaced | A::FuseReplaced);
    let sensor = matches!(action, A::SensorCleaned | A::SensorReplaced | A::ReferenceCheck);
    let filter = matches!(action, A::SedimentFilterReplaced | A::CarbonFilterReplaced);
    let flow = matches!(action, A::FlowSensorCalibrated | A::FlowSensorReplaced);
    match kind {
        Kind::NoLight | Kind::TreatmentNotAssured | Kind::CleaningNotEnough => sleeve || lamp || sensor,
        Kind::CleaningDue => sleeve || lamp,
        Kind::SensorDoubtful => sensor,
        // Neither cleaning nor a fuse makes a part new.
        Kind::PartLimit => matches!(action, A::LampReplaced | A::SleeveReplaced | A::SensorReplaced) || filter || flow,
        Kind::WaterChanged => filter || matches!(action, A::TransmittanceMeasured | A::Note),
        Kind::UnloggedStep | Kind::LogDoubt => !matches!(action, A::Closed | A::Opened),
        Kind::NoReadings | Kind::WaterEpisode => false,
    }
}
