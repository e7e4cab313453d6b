//! How long to wait before the next attempt.

use std::hash::{BuildHasher, Hasher, RandomState};
use std::time::Duration;

/// The first wait.
const SHORTEST: Duration = Duration::from_millis(100);
/// The longest wait.
const LONGEST: Duration = Duration::from_secs(30);
/// A connection that held at least this long starts the waits anew. One that breaks sooner does not: two clients with
/// one id would throw each other out ten times a second.
const HELD: Duration = Duration::from_secs(10);

/// Exponential with jitter, for ever.
#[derive(Debug, Default)]
pub(super) struct Backoff {
    failures: u32,
}

impl Backoff {
    /// Notes that a connection ended which had held for `held` (zero: it was never made), and gives the wait.
    pub(super) fn after(&mut self, held: Duration) -> Duration {
        if held >= HELD {
            self.failures = 0;
        }
        let wait = wait(self.failures, fraction());
        self.failures = self.failures.saturating_add(1);
        wait
    }
}

/// The wait after so many failures in a row, spread over its upper half by `fraction` (0 to 1) so that clients that lost
/// the same broker do not all come back at once.
fn wait(failures: u32, fraction: f64) -> Duration {
    let full = SHORTEST.saturating_mul(1 << failures.min(16)).min(LONGEST);
    full.mul_f64(0.5 + 0.5 * fraction.clamp(0.0, 1.0))
}

/// Anything evenly spread will do; the standard library's hash keys are, and need no generator.
fn fraction() -> f64 {
    RandomState::new().build_hasher().finish() as f64 / u64::MAX as f64
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn waits_grow_to_half_a_minute_and_stay() {
        let millis = |failures| wait(failures, 1.0).as_millis();
        assert_eq!([0, 1, 2, 8, 9, 100, u32::MAX].map(millis), [100, 200, 400, 25_600, 30_000, 30_000, 30_000]);
        assert_eq!(wait(0, 0.0).as_millis(), 50);
        let mut backoff = Backoff::default();
        for _ in 0..20 {
            let wait = backoff.after(Duration::ZERO);
            assert!((Duration::from_millis(50)..=LONGEST).contains(&wait));
        }
        assert!(backoff.after(HELD - Duration::from_millis(1)) >= LONGEST / 2, "a short connection does not count");
        assert!(backoff.after(HELD) <= SHORTEST);
    }

    #[test]
    fn the_jitter_is_spread() {
        let low = (0..200).filter(|_| fraction() < 0.5).count();
        assert!((50..150).contains(&low), "{low} of 200");
    }
}
