//! What waits for a channel, and when it is tried again. PURE.

use serde::{Deserialize, Serialize};

use crate::domain::Timestamp;
use crate::domain::time::{DAY, HOUR, SECOND};
use crate::engine::Notice;

/// The first pause after a failure; doubled each time up to [`PAUSE_MAX`].
pub const PAUSE_MIN: i64 = 10 * SECOND;
/// See [`PAUSE_MIN`].
pub const PAUSE_MAX: i64 = HOUR;
/// A notice that no channel has taken for this long goes: by then it is no news.
pub const KEEP_AT_MOST: i64 = 3 * DAY;
/// At most this many wait; then the oldest that is not urgent goes, and that is said.
pub const WAITING_MAX: usize = 500;

/// A notice on its way to one channel.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Waiting {
    /// The same at every try.
    pub id: u64,
    /// The channel's name.
    pub channel: String,
    /// The notice.
    pub notice: Notice,
    /// Since when.
    pub since: Timestamp,
    /// When it is tried next.
    pub next: Timestamp,
    /// How often it has been tried.
    pub tries: u32,
}

/// The queue, as it is kept over restarts.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct Queue {
    next_id: u64,
    waiting: Vec<Waiting>,
}

impl Queue {
    /// Takes a notice in for every channel. What had to go to make room comes back.
    pub fn put(&mut self, notice: &Notice, channels: &[String], now: Timestamp) -> Vec<Waiting> {
        let mut gone = Vec::new();
        for channel in channels {
            if self.waiting.len() >= WAITING_MAX {
                let urgent = |w: &Waiting| w.notice.items.iter().any(|item| item.level == crate::alert::Level::Urgent);
                let at = self.waiting.iter().position(|w| !urgent(w)).unwrap_or(0);
                gone.push(self.waiting.remove(at));
            }
            let (id, channel) = (self.next_id, channel.clone());
            self.waiting.push(Waiting { id, channel, notice: notice.clone(), since: now, next: now, tries: 0 });
            self.next_id += 1;
        }
        gone
    }

    /// The next that is due at `now`.
    pub fn due(&self, now: Timestamp) -> Option<&Waiting> {
        self.waiting.iter().filter(|waiting| waiting.next <= now).min_by_key(|waiting| waiting.next)
    }

    /// When the next is due.
    pub fn next(&self) -> Option<Timestamp> {
        self.waiting.iter().map(|waiting| waiting.next).min()
    }

    /// A channel has taken it.
    pub fn done(&mut self, id: u64) {
        self.waiting.retain(|waiting| waiting.id != id);
    }

    /// It has failed: it is tried again later, unless it has waited too long; then it comes back.
    pub fn failed(&mut self, id: u64, now: Timestamp) -> Option<Waiting> {
        let at = self.waiting.iter().position(|waiting| waiting.id == id)?;
        if now.millis_since(self.waiting[at].since) >= KEEP_AT_MOST {
            return Some(self.waiting.remove(at));
        }
        let waiting = &mut self.waiting[at];
        let pause = PAUSE_MIN.saturating_mul(1_i64 << waiting.tries.min(20)).min(PAUSE_MAX);
        waiting.tries += 1;
        waiting.next = now.plus_millis(pause);
        None
    }

    /// How many wait.
    pub fn len(&self) -> usize {
        self.waiting.len()
    }

    /// Whether nothing waits.
    pub fn is_empty(&self) -> bool {
        self.waiting.is_empty()
    }

    /// Lets go what waits for channels that are not there any more.
    pub fn keep_only(&mut self, channels: &[String]) {
        self.waiting.retain(|waiting| channels.contains(&waiting.channel));
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::notify::message::test;

    #[test]
    fn a_failure_is_tried_again_later_and_later_but_not_for_ever() {
        let start = Timestamp::from_secs(1_800_000_000);
        let mut queue = Queue::default();
        queue.put(&test(start), &["a".to_owned(), "b".to_owned()], start);
        let id = queue.due(start).unwrap().id;
        let mut pauses = Vec::new();
        let mut now = start;
        let gone = loop {
            if let Some(gone) = queue.failed(id, now) {
                break gone;
            }
            let next = queue.waiting.iter().find(|w| w.id == id).unwrap().next;
            pauses.push(next.millis_since(now) / SECOND);
            now = next;
        };
        assert_eq!(pauses[..10], [10, 20, 40, 80, 160, 320, 640, 1280, 2560, 3600]);
        assert!(now.millis_since(start) >= KEEP_AT_MOST && gone.id == id);
        assert_eq!(queue.len(), 1, "the other channel's is still there");
        queue.keep_only(&["a".to_owned()]);
        assert!(queue.is_empty());
    }

    #[test]
    fn a_full_queue_lets_the_oldest_go_and_says_so() {
        let start = Timestamp::from_secs(1_800_000_000);
        let mut queue = Queue::default();
        for _ in 0..WAITING_MAX {
            assert!(queue.put(&test(start), &["a".to_owned()], start).is_empty());
        }
        let gone = queue.put(&test(start), &["a".to_owned()], start);
        assert_eq!((gone[0].id, queue.len()), (0, WAITING_MAX));
        let kept = serde_json::to_vec(&queue).unwrap();
        assert_eq!(serde_json::from_slice::<Queue>(&kept).unwrap(), queue);
    }
}
