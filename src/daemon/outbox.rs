//! What waits to be published.
//!
//! A retained topic holds one waiting message: a newer one takes the older one's place. Everything else is sent in
//! order. A message leaves when the broker has acknowledged it; until then the session sends it again on every new
//! connection, so here a message is either waiting or with the session.

use std::collections::{BTreeMap, HashMap};

use crate::mqtt::encode::Message;

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

/// The waiting messages, in order.
#[derive(Debug, Default)]
pub struct Outbox {
    next: u64,
    /// Not yet with the broker.
    waiting: BTreeMap<u64, Letter>,
    /// With the session, not yet acknowledged.
    sent: BTreeMap<u64, Letter>,
    /// The waiting message of each retained topic.
    by_topic: HashMap<String, u64>,
}

impl Outbox {
    /// Takes a message in; one that waits for the same retained topic is replaced.
    pub fn put(&mut self, letter: Letter) {
        if letter.message.retain {
            if let Some(tag) = self.by_topic.get(&letter.message.topic) {
                self.waiting.insert(*tag, letter);
                return;
            }
            self.by_topic.insert(letter.message.topic.clone(), self.next);
        } else if self.waiting.values().filter(|l| !l.message.retain).count() >= UNRETAINED_MAX {
            let oldest = self.waiting.iter().find(|(_, l)| !l.message.retain).map(|(tag, _)| *tag);
            oldest.and_then(|tag| self.waiting.remove(&tag));
        }
        self.waiting.insert(self.next, letter);
        self.next += 1;
    }

    /// The next message to send, with its tag; `None` when nothing waits or the window is full.
    pub fn send_next(&mut self) -> Option<(u64, &Letter)> {
        if self.sent.len() >= WINDOW {
            return None;
        }
        let (tag, letter) = self.waiting.pop_first()?;
        if letter.message.retain {
            self.by_topic.remove(&letter.message.topic);
        }
        self.sent.insert(tag, letter);
        self.sent.get(&tag).map(|letter| (tag, letter))
    }

    /// The broker has acknowledged (or refused for good) a message: it leaves.
    pub fn done(&mut self, tag: u64) -> Option<Letter> {
        self.sent.remove(&tag)
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
    use super::*;

    fn letter(topic: &str, payload: &str, retain: bool) -> Letter {
        let message = Message { topic: topic.into(), payload: payload.into(), retain, ..Message::default() };
        Letter { message, stored: None }
    }

    fn send_all(outbox: &mut Outbox) -> Vec<(u64, String)> {
        std::iter::from_fn(|| {
            outbox.send_next().map(|(t, l)| (t, String::from_utf8(l.message.payload.clone()).unwrap()))
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
    fn a_newer_word_is_sent_after_an_older_one_that_is_under_way() {
        let mut outbox = Outbox::default();
        outbox.put(letter("a", "old", true));
        let old = send_all(&mut outbox)[0].0;
        outbox.put(letter("a", "new", true));
        let new = send_all(&mut outbox);
        assert_eq!(new[0].1, "new");
        assert_eq!(outbox.done(old).unwrap().message.payload, b"old");
        assert!(outbox.done(new[0].0).is_some() && outbox.is_empty());
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
}
