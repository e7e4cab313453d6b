//! How far a long run has come, on standard error.

use std::io::{self, IsTerminal, Write};
use std::sync::Mutex;
use std::time::{Duration, Instant};

use crate::cli::output;

/// Says how far a long run has come: on a terminal a line that stays, elsewhere now and then a new one. A short run
/// says nothing.
pub struct Progress {
    what: &'static str,
    done: Mutex<(usize, Instant)>,
    every: Duration,
    terminal: bool,
}

impl Progress {
    /// Of things called `what`.
    pub fn new(what: &'static str) -> Self {
        let terminal = io::stderr().is_terminal();
        let every = Duration::from_secs(if terminal { 1 } else { 30 });
        Self { what, done: Mutex::new((0, Instant::now())), every, terminal }
    }

    /// One more of them is done.
    pub fn one_more(&self) {
        let Ok(mut done) = self.done.lock() else { return };
        done.0 += 1;
        if done.1.elapsed() < self.every {
            return;
        }
        done.1 = Instant::now();
        if self.terminal {
            // With standard error gone there is nobody to tell.
            let _ = write!(io::stderr(), "\r{} {}", done.0, self.what);
        } else {
            output::complain(&format!("{} {} so far", done.0, self.what));
        }
    }
}

impl Drop for Progress {
    fn drop(&mut self) {
        if self.terminal {
            let _ = write!(io::stderr(), "\r\u{1b}[K");
        }
    }
}
