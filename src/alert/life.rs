//! The life of an alert: raised after a first hold time, cleared after a second, and in between touched only in place.
//!
//! A signal between the two thresholds keeps things as they are, and missing data never clears: that is what keeps an
//! alert from flapping and from being taken for resolved because nothing is heard.

use std::collections::BTreeMap;

use serde::{Deserialize, Serialize};

use super::{Kind, Level, Signal, Standing, State, Text};
use crate::domain::Timestamp;
use crate::domain::service::{BY_MAX_CHARS, NOTE_MAX_CHARS};
use crate::domain::time::{DAY, HOUR, MINUTE};

/// How long a signal must last before anything follows from it, milliseconds.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Holds {
    /// Bad for this long: raised.
    pub raise: i64,
    /// Good for this long: cleared.
    pub clear: i64,
    /// Good for this long after an entry in the log that answers the alert: cleared.
    pub clear_answered: i64,
    /// People are told of a mere notice only when it has lived this long; the topics say it at once.
    pub tell: i64,
    /// People are told of its end only this long after it: if it comes back before, it has gone on for them (of what is
    /// urgent they hear that it is still there).
    pub tell_end: i64,
    /// The same where an entry in the log has answered it.
    pub tell_end_answered: i64,
}

/// Light that work has brought back is there at once; when it is there only later than this, milliseconds, something else
/// has brought it, and it must last as long as without work. Time for a lamp to warm up and for a cadence of hours.
const WORK_SHOWS_WITHIN: i64 = 6 * HOUR;

/// The hold times of a kind. The light swings with the hours of a day (temperature, standing water), so treatment counts
/// as assured again after a whole day of it, or soon after somebody has worked at the unit. Power cuts and work come in
/// pieces, with the lamp off between them: one dark spell, not three. A gateway that drops out for an evening or a storm
/// that has passed by the next day wants nobody to do anything. A part does not grow younger by itself: that its limit is
/// further off than was thought (somebody seems to have changed it) must be seen for two weeks.
pub fn holds(kind: Kind) -> Holds {
    let (raise, clear, clear_answered) = match kind {
        Kind::NoLight => (2 * MINUTE, HOUR, HOUR),
        Kind::TreatmentNotAssured => (0, DAY, 30 * MINUTE),
        Kind::NoReadings => (0, 3 * HOUR, 3 * HOUR),
        Kind::SensorDoubtful => (0, 2 * DAY, 0),
        Kind::CleaningNotEnough => (2 * DAY, 3 * DAY, 0),
        Kind::CleaningDue => (0, 3 * DAY, 0),
        Kind::WaterEpisode => (0, 5 * DAY, 5 * DAY),
        Kind::WaterChanged | Kind::UnloggedStep | Kind::LogDoubt => (2 * DAY, 2 * DAY, 0),
        Kind::PartLimit => (0, 14 * DAY, 0),
    };
    let (tell, tell_end) = match kind {
        Kind::NoLight | Kind::TreatmentNotAssured => (0, 6 * HOUR),
        Kind::NoReadings => (12 * HOUR, 6 * HOUR),
        Kind::CleaningDue | Kind::CleaningNotEnough => (0, 2 * DAY),
        Kind::WaterEpisode => (DAY, 3 * DAY),
        _ => (0, 0),
    };
    // Whether work has brought treatment back is news at once. Otherwise whoever did it knows, and work comes in pieces.
    let tell_end_answered = if kind == Kind::TreatmentNotAssured { 0 } else { tell_end };
    Holds { raise, clear, clear_answered, tell, tell_end, tell_end_answered }
}

/// What holds a unit's alerts: nothing is raised, changed or cleared meanwhile, and nobody is told.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Held {
    /// A visit is under way.
    Visit,
    /// The unit is closed for a season.
    Closed,
    /// The whole site is silent, which is an alert of its own.
    Site,
}

/// Who has acknowledged an alert.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Acknowledgement {
    /// When.
    pub at: Timestamp,
    /// By whom.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub by: Option<String>,
    /// Why, or what will be done.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub note: Option<String>,
    /// Until when it counts; `None`: as long as it does not get worse.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub until: Option<Timestamp>,
}

impl Acknowledgement {
    /// Whether it still counts at `now`.
    pub fn counts(&self, now: Timestamp) -> bool {
        self.until.is_none_or(|until| now < until)
    }
}

/// A live alert as it is kept over restarts.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Life {
    /// When it was raised.
    pub since: Timestamp,
    /// The worst level so far.
    pub level: Level,
    /// How many things it was about at most (parts, steps).
    pub weight: u32,
    /// What it says.
    pub text: Text,
    /// Since when it has been good.
    #[serde(default)]
    pub better_since: Option<Timestamp>,
    /// Who has acknowledged it.
    #[serde(default)]
    pub acknowledged: Option<Acknowledgement>,
    /// Until when nobody wants to hear of it.
    #[serde(default)]
    pub silenced_until: Option<Timestamp>,
    /// News of it that nobody has been told yet.
    #[serde(default)]
    pub untold: Option<Untold>,
    /// Whether somebody has been told that it lives.
    #[serde(default)]
    pub told: bool,
    /// Of one that is over: whether an entry in the log had answered it.
    #[serde(default)]
    pub answered: bool,
}

impl Life {
    /// Where it stands at `now`.
    pub fn standing(&self, held: Option<Held>, now: Timestamp) -> Standing {
        if held.is_some() {
            Standing::Held
        } else if self.silenced_until.is_some_and(|until| now < until) {
            Standing::Silenced
        } else if self.acknowledged.as_ref().is_some_and(|word| word.counts(now)) {
            Standing::Acknowledged
        } else {
            Standing::Raised
        }
    }
}

/// What happened to an alert.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum What {
    /// It is new.
    Raised,
    /// It got worse.
    Escalated,
    /// Its acknowledgement or silence has run out, or it is back before people were told of its end: still there.
    Still,
    /// It is over.
    Cleared,
}

/// News that nobody has been told yet.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Untold {
    /// What happened.
    pub what: What,
    /// When.
    pub at: Timestamp,
}

/// News for people.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct News {
    /// About which kind.
    pub kind: Kind,
    /// What happened.
    pub what: What,
    /// When it happened.
    pub at: Timestamp,
    /// The alert; for one that is over, as it last was.
    pub life: Life,
}

/// Every alert of one unit.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct Book {
    /// Live alerts.
    #[serde(default)]
    pub live: BTreeMap<Kind, Life>,
    /// Since when the signal of a kind has been bad, before its first hold time is over.
    #[serde(default)]
    pending: BTreeMap<Kind, Timestamp>,
    /// Alerts that are over and of which people were told; they are told this too.
    #[serde(default)]
    over: Vec<(Kind, Untold, Life)>,
}

impl Book {
    /// Takes the signal of one kind at `now`; `text` is asked for when it is bad. `answered`: the time of the latest log
    /// entry that answers this kind. Returns whether anything changed that must be kept or said.
    pub fn update(
        &mut self,
        kind: Kind,
        signal: Signal,
        answered: Option<Timestamp>,
        now: Timestamp,
        text: impl FnOnce() -> Text,
    ) -> bool {
        match self.live.get_mut(&kind) {
            None => self.wait_or_raise(kind, signal, now, text),
            Some(life) => {
                let before = life.better_since;
                match signal.state {
                    State::Bad => return self.worsen(kind, signal, now, text),
                    State::Good => {
                        if before.is_none() && kind.is_of_the_moment() {
                            life.text = text();
                        }
                        let since = *life.better_since.get_or_insert(now);
                        let shows = |at: &Timestamp| since.millis_since(*at) <= WORK_SHOWS_WITHIN;
                        let answer = answered.filter(|at| *at > life.since);
                        let answered = answer.is_some_and(|at| !kind.is_of_the_moment() || shows(&at));
                        let holds = holds(kind);
                        let hold = if answered { holds.clear_answered } else { holds.clear };
                        if now.millis_since(since) >= hold {
                            life.answered = answered;
                            self.end(kind, now);
                            return true;
                        }
                    }
                    State::Between | State::Unknown => life.better_since = None,
                }
                self.live.get(&kind).is_some_and(|life| life.better_since != before)
            }
        }
    }

    fn wait_or_raise(&mut self, kind: Kind, signal: Signal, now: Timestamp, text: impl FnOnce() -> Text) -> bool {
        match signal.state {
            State::Unknown => return false,
            State::Good | State::Between => return self.pending.remove(&kind).is_some(),
            State::Bad => {}
        }
        let fresh = !self.pending.contains_key(&kind);
        let since = *self.pending.entry(kind).or_insert(now);
        if now.millis_since(since) < holds(kind).raise {
            return fresh;
        }
        self.pending.remove(&kind);
        // One that ended a moment ago and of which nobody has been told the end goes on.
        let untold_end = self.over.iter().position(|(k, ..)| *k == kind).map(|at| self.over.remove(at));
        let told = untold_end.is_some();
        // The topics have said that it was over: of what is urgent people hear that it is not.
        let what = match told {
            false => Some(What::Raised),
            true => kind.is_urgent().then_some(What::Still),
        };
        let life = Life {
            since: now,
            level: signal.level,
            weight: signal.weight,
            text: text(),
            better_since: None,
            acknowledged: None,
            silenced_until: None,
            untold: what.map(|what| Untold { what, at: now }),
            told,
            answered: false,
        };
        self.live.insert(kind, life);
        true
    }

    fn worsen(&mut self, kind: Kind, signal: Signal, now: Timestamp, text: impl FnOnce() -> Text) -> bool {
        let Some(life) = self.live.get_mut(&kind) else { return false };
        let before = life.clone();
        life.better_since = None;
        life.text = text();
        if signal.level > life.level || signal.weight > life.weight {
            life.level = life.level.max(signal.level);
            life.weight = life.weight.max(signal.weight);
            life.acknowledged = None;
            life.silenced_until = None;
            // One that nobody has been told of yet is told once, at its worst.
            let what = if life.told { What::Escalated } else { What::Raised };
            life.untold = Some(Untold { what, at: now });
        }
        *life != before
    }

    fn end(&mut self, kind: Kind, now: Timestamp) {
        let Some(life) = self.live.remove(&kind) else { return };
        if life.told {
            self.over.push((kind, Untold { what: What::Cleared, at: now }, life));
        }
    }

    /// Acknowledgements and silences that have run out. Returns whether any has.
    pub fn expire(&mut self, now: Timestamp) -> bool {
        let mut any = false;
        for life in self.live.values_mut() {
            let spent_silence = life.silenced_until.is_some_and(|until| until <= now);
            let spent_word = life.acknowledged.as_ref().is_some_and(|a| a.until.is_some_and(|until| until <= now));
            if spent_silence {
                life.silenced_until = None;
            }
            if spent_word {
                life.acknowledged = None;
            }
            if spent_silence || spent_word {
                let what = if life.told { What::Still } else { What::Raised };
                life.untold.get_or_insert(Untold { what, at: now });
                any = true;
            }
        }
        any
    }

    /// News that may be told, which then counts as told. `may` decides by kind and time of the news.
    pub fn tell(&mut self, now: Timestamp, may: impl Fn(Kind, Timestamp) -> bool) -> Vec<News> {
        let mut news = Vec::new();
        for (kind, life) in &mut self.live {
            let open = life.standing(None, now) == Standing::Raised;
            let waits = |untold: &Untold| {
                let notice = untold.what == What::Raised && life.level == Level::Notice;
                notice && now.millis_since(untold.at) < holds(*kind).tell
            };
            if let Some(untold) = life.untold.filter(|untold| open && !waits(untold) && may(*kind, untold.at)) {
                life.untold = None;
                life.told = true;
                news.push(News { kind: *kind, what: untold.what, at: untold.at, life: life.clone() });
            }
        }
        self.over.retain(|(kind, untold, life)| {
            let holds = holds(*kind);
            let hold = if life.answered { holds.tell_end_answered } else { holds.tell_end };
            let told = now.millis_since(untold.at) >= hold && may(*kind, untold.at);
            if told {
                news.push(News { kind: *kind, what: untold.what, at: untold.at, life: life.clone() });
            }
            !told
        });
        news
    }

    /// Does what a person asks for.
    ///
    /// # Errors
    /// No such alert lives, or what was asked for makes no sense.
    pub fn obey(&mut self, kind: Option<Kind>, order: &Order, now: Timestamp) -> Result<usize, OrderError> {
        order.check(now)?;
        let mut touched = 0;
        for (_, life) in self.live.iter_mut().filter(|(k, _)| kind.is_none_or(|kind| kind == **k)) {
            touched += 1;
            match order.what {
                OrderKind::Acknowledge => life.acknowledged = Some(order.acknowledgement(now)),
                OrderKind::Silence => life.silenced_until = order.until,
                OrderKind::Reopen => (life.acknowledged, life.silenced_until) = (None, None),
            }
        }
        if touched == 0 { Err(OrderError::NoSuchAlert) } else { Ok(touched) }
    }
}

/// What a person wants done with an alert.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Order {
    /// What.
    #[serde(rename = "do")]
    pub what: OrderKind,
    /// Who asks.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub by: Option<String>,
    /// Why, or what will be done.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub note: Option<String>,
    /// Until when; a silence needs it.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub until: Option<Timestamp>,
}

/// What can be done with an alert.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum OrderKind {
    /// Somebody looks after it: nobody is told again unless it gets worse.
    Acknowledge,
    /// Nobody wants to hear of it until a time, unless it gets worse.
    Silence,
    /// Take both back.
    Reopen,
}

/// The longest silence and acknowledgement, milliseconds: a year.
pub const UNTIL_AT_MOST: i64 = 366 * DAY;

/// Why an order is not obeyed.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum OrderError {
    /// There is none.
    #[error("no such alert lives there; `fadeline alerts` lists them")]
    NoSuchAlert,
    /// A silence needs an end.
    #[error("a silence needs `until`, a time such as 2026-08-15T06:00:00Z")]
    NoEnd,
    /// The end is not in the future, or too far.
    #[error("`until` {until} is not within the next 366 days")]
    BadEnd {
        /// What was asked for.
        until: Timestamp,
    },
    /// A text is too long or has control characters.
    #[error("`{field}` is longer than {limit} characters or has control characters")]
    BadText {
        /// `by` or `note`.
        field: &'static str,
        /// How long it may be.
        limit: usize,
    },
}

impl Order {
    /// The acknowledgement it asks for.
    pub(super) fn acknowledgement(&self, now: Timestamp) -> Acknowledgement {
        Acknowledgement { at: now, by: self.by.clone(), note: self.note.clone(), until: self.until }
    }

    pub(super) fn check(&self, now: Timestamp) -> Result<(), OrderError> {
        let texts = [("by", &self.by, BY_MAX_CHARS), ("note", &self.note, NOTE_MAX_CHARS)];
        for (field, text, limit) in texts {
            let bad = |text: &String| text.chars().count() > limit || text.chars().any(char::is_control);
            if text.as_ref().is_some_and(bad) {
                return Err(OrderError::BadText { field, limit });
            }
        }
        match self.until {
            None if self.what == OrderKind::Silence => Err(OrderError::NoEnd),
            Some(until) if until <= now || until.millis_since(now) > UNTIL_AT_MOST => Err(OrderError::BadEnd { until }),
            _ => Ok(()),
        }
    }
}

#[cfg(test)]
#[path = "life_tests.rs"]
mod tests;
