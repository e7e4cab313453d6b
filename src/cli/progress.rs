//! A line on the terminal that shows how far long work is. Nothing off a terminal.

use std::io::{self, IsTerminal, Write};
use std::time::{Duration, Instant};

use super::output;

const EVERY: Duration = Duration::from_millis(100);
const BAR: usize = 24;

/// The line; gone when it is dropped.
#[derive(Debug)]
pub struct Progress {
    shows: bool,
    what: &'static str,
    begun: Instant,
    drawn: Option<Instant>,
}

impl Progress {
    /// For work called `what`, such as `exporting`.
    pub fn new(what: &'static str) -> Self {
        let dumb = std::env::var("TERM").is_ok_and(|term| term == "dumb");
        Self { shows: io::stderr().is_terminal() && !dumb, what, begun: Instant::now(), drawn: None }
    }

    /// Shows that `done` of `of` is done, and `beside`, such as a count.
    pub fn show(&mut self, done: u64, of: u64, beside: &str) {
        if !self.shows || self.drawn.is_some_and(|drawn| drawn.elapsed() < EVERY) {
            return;
        }
        self.drawn = Some(Instant::now());
        let part = if of == 0 { 0.0 } else { (done as f64 / of as f64).clamp(0.0, 1.0) };
        let full = (part * BAR as f64) as usize;
        let bar: String = (0..BAR).map(|i| if i < full { '#' } else { '.' }).collect();
        let left = if part > 0.02 && self.begun.elapsed() > Duration::from_secs(2) {
            let secs = self.begun.elapsed().as_secs_f64() * (1.0 - part) / part;
            format!(", {} left", duration(secs))
        } else {
            String::new()
        };
        output::draw(&format!("\r{} [{bar}] {:3.0} %  {beside}{left}\x1b[K", self.what, 100.0 * part));
    }
}

impl Drop for Progress {
    fn drop(&mut self) {
        if self.drawn.is_some() {
            output::draw("\r\x1b[K");
            let _gone = io::stderr().flush();
        }
    }
}

fn duration(secs: f64) -> String {
    let secs = secs.round() as u64;
    if secs < 90 { format!("{secs} s") } else { format!("{} min", secs.div_ceil(60)) }
}

/// A number with thousands separated, as people read it.
pub fn grouped(number: u64) -> String {
    let digits = number.to_string();
    let mut text = String::new();
    for (i, digit) in digits.chars().enumerate() {
        if i > 0 && (digits.len() - i).is_multiple_of(3) {
            text.push(',');
        }
        text.push(digit);
    }
    text
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn thousands_are_separated() {
        assert_eq!([0, 12, 999, 1_000, 1_234_567].map(grouped), ["0", "12", "999", "1,000", "1,234,567"]);
        assert_eq!((duration(12.4), duration(100.0)), ("12 s".to_owned(), "2 min".to_owned()));
    }
}
