//! What came in, what was refused and why, and which units nobody has described. Bounded, whatever is sent.

use std::collections::BTreeMap;

use crate::domain::time::HOUR;
use crate::domain::{Timestamp, UnitId};
use crate::mqtt::decode::{Reason, Refused};
use crate::query::UnknownUnit;

/// At most this many units that are not in the config are remembered; further ones are counted as refused only.
pub const UNKNOWN_UNITS_MAX: usize = 1_000;
/// A refusal is logged at most once in this long for one sender and reason.
pub const LOG_EVERY: i64 = HOUR;
/// And at most so many lines in that time for one reason, all senders together: one client can publish to thousands of
/// topics. For each reason, so that a crowd of strangers hides no other mistake.
pub const LINES_MAX: usize = 100;

/// Counts since the daemon started.
#[derive(Clone, Debug, Default)]
pub struct Tally {
    /// Messages that arrived.
    pub messages: u64,
    /// Readings stored.
    pub readings: u64,
    /// What was refused, by reason.
    pub refused: BTreeMap<Reason, u64>,
    unknown: BTreeMap<UnitId, (u64, Timestamp)>,
    logged: BTreeMap<(String, Reason), Timestamp>,
    /// When the lines of the running hour began to be counted, and how many there were for each reason.
    hour: (Timestamp, BTreeMap<Reason, usize>),
}

impl Tally {
    /// Counts a refusal by `sender` (a unit, else a topic); `true` if it is time to log it again.
    pub fn refuse(&mut self, sender: &str, refused: &Refused, now: Timestamp) -> bool {
        let reason = refused.first.reason();
        *self.refused.entry(reason).or_default() += refused.count;
        let recent = |logged: Timestamp| now.millis_since(logged) < LOG_EVERY;
        let key = (sender.to_owned(), reason);
        if self.logged.get(&key).is_some_and(|logged| recent(*logged)) {
            return false;
        }
        if !recent(self.hour.0) {
            self.hour = (now, BTreeMap::new());
            self.logged.retain(|_, logged| recent(*logged));
        }
        let lines = self.hour.1.entry(reason).or_default();
        if *lines >= LINES_MAX {
            return false;
        }
        *lines += 1;
        self.logged.insert(key, now);
        true
    }

    /// Whether the last line about this reason was the last one of its hour.
    pub fn falls_silent(&self, reason: Reason) -> bool {
        self.hour.1.get(&reason).is_some_and(|lines| *lines >= LINES_MAX)
    }

    /// Remembers that a unit that is not in the config has sent something.
    pub fn stranger(&mut self, unit: UnitId, now: Timestamp) {
        if self.unknown.len() < UNKNOWN_UNITS_MAX || self.unknown.contains_key(&unit) {
            let (count, last) = self.unknown.entry(unit).or_insert((0, now));
            *count += 1;
            *last = now;
        }
    }

    /// Takes up the strangers of earlier runs.
    pub fn recall(&mut self, strangers: Vec<UnknownUnit>) {
        for known in strangers.into_iter().take(UNKNOWN_UNITS_MAX) {
            self.unknown.insert(known.unit, (known.readings, known.last));
        }
    }

    /// Forgets strangers that were adopted: `in_config` knows them.
    pub fn adopt(&mut self, in_config: impl Fn(&UnitId) -> bool) {
        self.unknown.retain(|unit, _| !in_config(unit));
    }

    /// The units that are not in the config, by id.
    pub fn strangers(&self) -> Vec<UnknownUnit> {
        let unit = |(unit, (readings, last)): (&UnitId, &(u64, Timestamp))| UnknownUnit {
            unit: unit.clone(),
            readings: *readings,
            last: *last,
        };
        self.unknown.iter().map(unit).collect()
    }

    /// Refusals by the reason's name, for the health topic.
    pub fn by_reason(&self) -> BTreeMap<&'static str, u64> {
        self.refused.iter().map(|(reason, count)| (reason.name(), *count)).collect()
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::mqtt::decode::Refusal;

    #[test]
    fn a_refusal_is_always_counted_and_logged_once_an_hour_for_each_sender() {
        let mut tally = Tally::default();
        let refused = Refused { first: Refusal::TooLarge { bytes: 9 }, count: 2 };
        let now = Timestamp::from_secs(1_800_000_000);
        assert!(tally.refuse("a/b", &refused, now));
        assert!(!tally.refuse("a/b", &refused, now.plus_millis(LOG_EVERY - 1)));
        assert!(tally.refuse("a/c", &refused, now));
        assert!(tally.refuse("a/b", &refused, now.plus_millis(LOG_EVERY)));
        assert_eq!(tally.by_reason().values().sum::<u64>(), 8);
    }

    #[test]
    fn thousands_of_senders_are_counted_and_not_all_logged() {
        let mut tally = Tally::default();
        let refused = Refused { first: Refusal::TooLarge { bytes: 9 }, count: 1 };
        let now = Timestamp::from_secs(1_800_000_000);
        let loud = |tally: &mut Tally, now| (0..3_000).filter(|n| tally.refuse(&n.to_string(), &refused, now)).count();
        assert_eq!((loud(&mut tally, now), tally.falls_silent(refused.first.reason())), (LINES_MAX, true));
        assert_eq!(loud(&mut tally, now.plus_millis(LOG_EVERY - 1)), 0);
        assert_eq!(loud(&mut tally, now.plus_millis(LOG_EVERY)), LINES_MAX);
        assert_eq!((tally.logged.len(), tally.by_reason().values().sum::<u64>()), (LINES_MAX, 9_000));
        let other = Refused { first: Refusal::TooDeep { depth: 99 }, count: 1 };
        assert!(tally.refuse("late", &other, now.plus_millis(LOG_EVERY)), "no crowd hides another mistake");
    }

    #[test]
    fn strangers_are_bounded() {
        let mut tally = Tally::default();
        for n in 0..2 * UNKNOWN_UNITS_MAX {
            tally.stranger(UnitId::new("x", &n.to_string()).unwrap(), Timestamp::default());
            tally.stranger(UnitId::new("x", "0").unwrap(), Timestamp::default());
        }
        let strangers = tally.strangers();
        assert_eq!(strangers.len(), UNKNOWN_UNITS_MAX);
        assert_eq!(strangers[0].readings, 2 * UNKNOWN_UNITS_MAX as u64 + 1);
    }
}
