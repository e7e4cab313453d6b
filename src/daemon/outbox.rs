//! What waits to be published.
//!
//! A retained topic holds one waiting message: a newer one takes the older one's place. Everything else is sent in
//! order. A message leaves when the broker has acknowledged it; until then the session sends it again on every new
//! connection, so here a message is either waiting or with the session.
//!
//! What is said of a unit waits as a statement and becomes a message when it is sent: after every start a whole fleet's
//! waits, and as messages that is several kilobytes a unit.

use std::collections::{BTreeMap, HashMap};
use std::mem::{Discriminant, discriminant};

use crate::alert::Kind;
use crate::domain::UnitId;
use crate::engine::Statement;
use crate::mqtt::encode::{Message, Topics};

use super::hubs;

/// At most this many messages are with the session unacknowledged: few, so that a newer word for a retained topic can
/// still take the place of an older one while the broker is away.
pub const WINDOW: usize = 64;
/// At most this many messages that are not retained wait; the oldest goes first. A retained topic never goes.
pub const UNRETAINED_MAX: usize = 1_000;

/// A message on its way out.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Letter {
    /// The message.
    pub message: Message,
    /// Its key in the store's outbox, if it must survive a crash.
    pub stored: Option<u64>,
}

#[derive(Debug)]
enum Waiting {
    Letter(Box<Letter>),
    Statement(UnitId, Statement),
}

/// Which retained topic a message is for.
#[derive(Clone, Debug, PartialEq, Eq, Hash)]
enum Topic {
    Named(String),
    Unit(UnitId, Discriminant<Statement>, Option<Kind>),
}

impl Waiting {
    /// `None`: it is not retained.
    fn topic(&self) -> Option<Topic> {
        match self {
            Self::Letter(letter) => letter.message.retain.then(|| Topic::Named(letter.message.topic.clone())),
            Self::Statement(unit, statement) => {
                let kind = if let Statement::Alert(kind, _) = statement { Some(*kind) } else { None };
                Some(Topic::Unit(unit.clone(), discriminant(statement), kind))
            }
        }
    }
}

/// What a statement about a unit is as a message.
pub fn message(topics: &Topics, unit: &UnitId, statement: &Statement) -> Message {
    match statement {
        Statement::Assessment(assessment) => topics.assessment(unit, assessment),
        Statement::Condition(condition) => topics.condition(unit, *condition),
        Statement::CleanBy(date) => topics.clean_by(unit, *date),
        Statement::Alert(kind, alert) => topics.alert(unit, kind.name(), alert.as_deref(), None),
        Statement::Alerts(alerts) => topics.alerts(unit, &hubs::summary(alerts)),
    }
}

/// The waiting messages, in order.
#[derive(Debug, Default)]
pub struct Outbox {
    next: u64,
    /// Not yet with the broker.
    waiting: BTreeMap<u64, Waiting>,
    /// With the session, not yet acknowledged: the key in the store's outbox.
    sent: BTreeMap<u64, Option<u64>>,
    /// The waiting message of each retained topic.
    by_topic: HashMap<Topic, u64>,
    /// How many of those that wait are not retained.
    unretained: usize,
}

impl Outbox {
    /// Takes a message in; one that waits for the same retained topic is replaced.
    pub fn put(&mut self, letter: Letter) {
        self.wait(Waiting::Letter(Box::new(letter)));
    }

    /// Takes in what is to be said of a unit, retained.
    pub fn say(&mut self, unit: UnitId, statement: Statement) {
        self.wait(Waiting::Statement(unit, statement));
    }

    fn wait(&mut self, what: Waiting) {
        if let Some(topic) = what.topic() {
            if let Some(tag) = self.by_topic.get(&topic) {
                self.waiting.insert(*tag, what);
                return;
            }
            self.by_topic.insert(topic, self.next);
        } else if self.unretained >= UNRETAINED_MAX {
            let oldest = self.waiting.iter().find(|(_, waits)| waits.topic().is_none()).map(|(tag, _)| *tag);
            oldest.and_then(|tag| self.waiting.remove(&tag));
        } else {
            self.unretained += 1;
        }
        self.waiting.insert(self.next, what);
        self.next += 1;
    }

    /// The next message to send, with its tag; `None` when nothing waits or the window is full.
    pub fn send_next(&mut self, topics: &Topics) -> Option<(u64, Message)> {
        if self.sent.len() >= WINDOW {
            return None;
        }
        let (tag, waited) = self.waiting.pop_first()?;
        match waited.topic() {
            Some(topic) => drop(self.by_topic.remove(&topic)),
            None => self.unretained -= 1,
        }
        if self.waiting.is_empty() {
            // What a whole fleet needed is given back.
            self.by_topic.shrink_to(WINDOW);
        }
        let (message, stored) = match waited {
            Waiting::Letter(letter) => (letter.message, letter.stored),
            Waiting::Statement(unit, statement) => (message(topics, &unit, &statement), None),
        };
        self.sent.insert(tag, stored);
        Some((tag, message))
    }

    /// The broker has acknowledged (or refused for good) a message: it leaves. Its key in the store's outbox, if it has
    /// one.
    pub fn done(&mut self, tag: u64) -> Option<u64> {
        self.sent.remove(&tag).flatten()
    }

    /// Whether everything has been acknowledged.
    pub fn is_empty(&self) -> bool {
        self.waiting.is_empty() && self.sent.is_empty()
    }

    /// How many messages wait or are unacknowledged.
    pub fn len(&self) -> usize {
        self.waiting.len() + self.sent.len()
    }
}

#[cfg(test)]
mod tests {
    use jiff::civil::date;

    use super::*;
    use crate::domain::Condition;

    fn letter(topic: &str, payload: &str, retain: bool) -> Letter {
        let message = Message { topic: topic.into(), payload: payload.into(), retain, ..Message::default() };
        Letter { message, stored: None }
    }

    fn send_all(outbox: &mut Outbox) -> Vec<(u64, String)> {
        let topics = Topics::new("fadeline");
        std::iter::from_fn(|| {
            outbox.send_next(&topics).map(|(tag, message)| (tag, String::from_utf8(message.payload).unwrap()))
        })
        .collect()
    }

    #[test]
    fn a_retained_topic_waits_once_with_its_latest_word() {
        let mut outbox = Outbox::default();
        outbox.put(letter("a", "1", true));
        outbox.put(letter("b", "2", false));
        outbox.put(letter("b", "3", false));
        outbox.put(letter("a", "4", true));
        let sent: Vec<String> = send_all(&mut outbox).into_iter().map(|(_, p)| p).collect();
        assert_eq!(sent, ["4", "2", "3"]);
        assert!(!outbox.is_empty(), "until acknowledged");
    }

    #[test]
    fn so_does_each_topic_of_a_unit() {
        let mut outbox = Outbox::default();
        let [one, other] = ["heron-bight/boathouse", "heron-bight/sauna"].map(|id| id.parse::<UnitId>().unwrap());
        outbox.say(one.clone(), Statement::Condition(Condition::Steady));
        outbox.say(other.clone(), Statement::Condition(Condition::Due));
        outbox.say(one.clone(), Statement::CleanBy(Some(date(2026, 8, 14))));
        outbox.say(one.clone(), Statement::Alert(Kind::NoLight, None));
        outbox.say(one.clone(), Statement::Alert(Kind::NoReadings, None));
        outbox.say(one, Statement::Condition(Condition::Short));
        let sent: Vec<String> = send_all(&mut outbox).into_iter().map(|(_, payload)| payload).collect();
        assert_eq!(sent, ["short", "due", "2026-08-14", "", ""]);
    }

    #[test]
    fn a_newer_word_is_sent_after_an_older_one_that_is_under_way() {
        let mut outbox = Outbox::default();
        outbox.put(Letter { stored: Some(7), ..letter("a", "old", true) });
        let old = send_all(&mut outbox)[0].0;
        outbox.put(letter("a", "new", true));
        let new = send_all(&mut outbox);
        assert_eq!(new[0].1, "new");
        assert_eq!(outbox.done(old), Some(7));
        assert_eq!((outbox.done(new[0].0), outbox.is_empty()), (None, true));
        assert_eq!(outbox.done(old), None);
    }

    #[test]
    fn the_window_bounds_what_is_under_way() {
        let mut outbox = Outbox::default();
        for i in 0..2 * WINDOW {
            outbox.put(letter(&i.to_string(), "x", true));
        }
        assert_eq!(send_all(&mut outbox).len(), WINDOW);
        assert_eq!(outbox.len(), 2 * WINDOW);
        outbox.done(0);
        assert_eq!(send_all(&mut outbox).len(), 1);
    }

    #[test]
    fn of_what_is_not_retained_the_oldest_goes() {
        let mut outbox = Outbox::default();
        outbox.put(letter("kept", "x", true));
        (0..=UNRETAINED_MAX).for_each(|i| outbox.put(letter("told", &i.to_string(), false)));
        assert_eq!(outbox.len(), 1 + UNRETAINED_MAX);
        let sent = send_all(&mut outbox);
        assert_eq!((sent[0].1.as_str(), sent[1].1.as_str()), ("x", "1"));
    }
}
