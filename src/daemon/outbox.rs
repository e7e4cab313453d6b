//! What waits to be published. The client forgets what it queued when the session is lost, so we do not.
//!
//! A retained topic holds one waiting message: a newer one takes the older one's place. Everything else is sent in
//! order. A message leaves when the broker has acknowledged it.

use std::collections::{BTreeMap, HashMap};

/// At most this many messages are with the broker unacknowledged: the client's own table is about as long.
pub const WINDOW: usize = 64;
/// At most this many messages that are not retained wait; the oldest goes first. A retained topic never goes.
pub const UNRETAINED_MAX: usize = 1_000;

/// A message on its way out.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Letter {
    /// Where to.
    pub topic: String,
    /// What; empty clears a retained topic.
    pub payload: Vec<u8>,
    /// Whether the broker keeps it for those who come later.
    pub retain: bool,
    /// Echoed to the sender of a request (MQTT 5).
    pub correlation: Option<Vec<u8>>,
    /// Its key in the store's outbox, if it must survive a crash.
    pub stored: Option<u64>,
}

/// The waiting messages, in order.
#[derive(Debug, Default)]
pub struct Outbox {
    next: u64,
    /// Not yet with the broker.
    waiting: BTreeMap<u64, Letter>,
    /// With the broker, not yet acknowledged.
    sent: BTreeMap<u64, Letter>,
    /// The waiting message of each retained topic.
    by_topic: HashMap<String, u64>,
}

impl Outbox {
    /// Takes a message in; one that waits for the same retained topic is replaced.
    pub fn put(&mut self, letter: Letter) {
        if letter.retain {
            if let Some(tag) = self.by_topic.get(&letter.topic) {
                self.waiting.insert(*tag, letter);
                return;
            }
            self.by_topic.insert(letter.topic.clone(), self.next);
        } else if self.waiting.values().filter(|l| !l.retain).count() >= UNRETAINED_MAX {
            let oldest = self.waiting.iter().find(|(_, l)| !l.retain).map(|(tag, _)| *tag);
            oldest.and_then(|tag| self.waiting.remove(&tag));
        }
        self.waiting.insert(self.next, letter);
        self.next += 1;
    }

    /// The next message to send, with its tag; `None` when nothing waits or the window is full.
    pub fn next(&mut self) -> Option<(u64, &Letter)> {
        if self.sent.len() >= WINDOW {
            return None;
        }
        let (tag, letter) = self.waiting.pop_first()?;
        if letter.retain {
            self.by_topic.remove(&letter.topic);
        }
        self.sent.insert(tag, letter);
        self.sent.get(&tag).map(|letter| (tag, letter))
    }

    /// The broker has acknowledged (or refused for good) a message: it leaves.
    pub fn done(&mut self, tag: u64) -> Option<Letter> {
        self.sent.remove(&tag)
    }

    /// The connection is gone: whatever was not acknowledged waits again, in its old order, unless something newer
    /// waits for the same retained topic.
    pub fn reconnected(&mut self) {
        // The newest first, so that of two for one retained topic the newer one stays.
        for (tag, letter) in std::mem::take(&mut self.sent).into_iter().rev() {
            if letter.retain {
                if self.by_topic.contains_key(&letter.topic) {
                    continue;
                }
                self.by_topic.insert(letter.topic.clone(), tag);
            }
            self.waiting.insert(tag, letter);
        }
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
        Letter { topic: topic.into(), payload: payload.into(), retain, correlation: None, stored: None }
    }

    fn send_all(outbox: &mut Outbox) -> Vec<(u64, String)> {
        std::iter::from_fn(|| outbox.next().map(|(t, l)| (t, String::from_utf8(l.payload.clone()).unwrap()))).collect()
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
    fn what_was_not_acknowledged_is_sent_again_unless_it_is_out_of_date() {
        let mut outbox = Outbox::default();
        for (topic, payload) in [("a", "1"), ("b", "2"), ("c", "3")] {
            outbox.put(letter(topic, payload, true));
        }
        let tags = send_all(&mut outbox);
        assert_eq!(outbox.done(tags[1].0).unwrap().topic, "b");
        outbox.put(letter("c", "4", true));
        outbox.reconnected();
        let sent: Vec<String> = send_all(&mut outbox).into_iter().map(|(_, p)| p).collect();
        assert_eq!(sent, ["1", "4"]);
        outbox.reconnected();
        for (tag, _) in send_all(&mut outbox) {
            assert!(outbox.done(tag).is_some());
        }
        assert!(outbox.is_empty());
    }

    #[test]
    fn of_two_unacknowledged_for_one_topic_the_newer_is_sent_again() {
        let mut outbox = Outbox::default();
        outbox.put(letter("a", "old", true));
        send_all(&mut outbox);
        outbox.put(letter("a", "new", true));
        send_all(&mut outbox);
        outbox.reconnected();
        let sent: Vec<String> = send_all(&mut outbox).into_iter().map(|(_, p)| p).collect();
        assert_eq!(sent, ["new"]);
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
