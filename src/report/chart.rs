//! A small chart of the daily light for a terminal: the course, the set point, and what was done when.

use jiff::civil::Date;
use jiff::tz::TimeZone;

use crate::domain::assessment::{Episode, UnloggedStep};
use crate::domain::{DaySummary, ServiceAction, ServiceEntry};

use super::style::Style;

/// Rows of characters of the plot.
const ROWS: usize = 9;
/// Characters left of the plot: the axis with its numbers.
const AXIS: usize = 9;
/// Dots in a character, across and down, when it is a braille sign.
const DOTS: (usize, usize) = (2, 4);

/// What a chart shows.
#[derive(Clone, Copy, Debug)]
pub struct Chart<'a> {
    /// Ascending; only days with an intensity are drawn.
    pub days: &'a [DaySummary],
    /// Service actions to mark.
    pub log: &'a [ServiceEntry],
    /// Steps nobody logged, to mark.
    pub unlogged: &'a [UnloggedStep],
    /// Cloudy times, to mark.
    pub episodes: &'a [Episode],
    /// Drawn as a dashed line.
    pub set_point: f64,
    /// `mW/cm2` or `percent`.
    pub unit: &'a str,
    /// The site's zone, for the marks' dates.
    pub zone: &'a TimeZone,
}

impl Chart<'_> {
    /// The chart as lines of at most [`Style::width`] characters; empty with fewer than two days to draw.
    pub fn render(&self, style: Style) -> String {
        let points: Vec<(Date, f64)> =
            self.days.iter().filter_map(|day| Some((day.date, day.intensity?.median.exp()))).collect();
        let (Some(first), Some(last)) = (points.first(), points.last()) else { return String::new() };
        let Some(frame) = Frame::new(first.0, last.0, &points, self.set_point, style) else { return String::new() };
        let mut cells = vec![vec![' '; frame.columns]; ROWS];
        frame.draw_set_point(self.set_point, &mut cells, style);
        frame.draw_course(&points, &mut cells, style);
        let title = format!("Daily light, {}", self.unit);
        let mut out = format!("{title}\n");
        for (row, line) in cells.iter().enumerate() {
            let text: String = line.iter().collect();
            out += format!("{} {}", frame.axis_label(row, self.set_point, style), text).trim_end();
            out.push('\n');
        }
        out += &self.marks(&frame, style);
        out
    }

    /// The row of marks, the dates under it, and what the marks mean.
    fn marks(&self, frame: &Frame, style: Style) -> String {
        let mut row = vec![' '; frame.columns];
        let mut used: Vec<(char, &str)> = Vec::new();
        let mut put = |date: Date, mark: (char, &'static str)| {
            if let Some(column) = frame.column(date) {
                row[column] = mark.0;
                if !used.contains(&mark) {
                    used.push(mark);
                }
            }
        };
        for episode in self.episodes {
            let (from, to) = (episode.from.date_in(self.zone), episode.to.date_in(self.zone));
            from.series(jiff::Span::new().days(1))
                .take_while(|day| *day <= to)
                .for_each(|day| put(day, ('~', "cloudy water")));
        }
        for entry in self.log {
            if let Some(mark) = mark_of(entry.action) {
                put(entry.at.date_in(self.zone), mark);
            }
        }
        self.unlogged.iter().for_each(|step| put(step.at, ('?', "step nobody logged")));
        let mut out = String::new();
        if !used.is_empty() {
            out += format!("{:AXIS$} {}", "", row.iter().collect::<String>()).trim_end();
            out.push('\n');
        }
        let (first, last) = (frame.first.to_string(), frame.last.to_string());
        let gap = frame.columns.saturating_sub(first.len() + last.len()).max(1);
        out += &format!("{:AXIS$} {first}{}{last}\n", "", " ".repeat(gap));
        if !used.is_empty() {
            let legend: Vec<String> = used.iter().map(|(mark, means)| format!("{mark} {means}")).collect();
            out += &style.block("", AXIS + 1, &legend.join(",  "));
        }
        out
    }
}

fn mark_of(action: ServiceAction) -> Option<(char, &'static str)> {
    Some(match action {
        ServiceAction::SleeveCleaned => ('c', "sleeve cleaned"),
        ServiceAction::SleeveReplaced => ('C', "new sleeve"),
        ServiceAction::LampReplaced => ('L', "new lamp"),
        ServiceAction::SensorCleaned => ('w', "window wiped"),
        ServiceAction::SensorReplaced => ('W', "new sensor"),
        ServiceAction::ReferenceCheck => ('r', "reference check"),
        ServiceAction::Closed => ('x', "closed"),
        ServiceAction::Opened => ('o', "opened"),
        _ => return None,
    })
}

/// Where dates and intensities fall in the plot.
struct Frame {
    first: Date,
    last: Date,
    days: usize,
    columns: usize,
    low: f64,
    high: f64,
}

impl Frame {
    fn new(first: Date, last: Date, points: &[(Date, f64)], set_point: f64, style: Style) -> Option<Self> {
        let days = usize::try_from((last - first).get_days()).ok().filter(|days| *days > 0)?;
        let values = || points.iter().map(|(_, value)| *value);
        let least = values().fold(set_point, f64::min);
        let most = values().fold(set_point, f64::max);
        let margin = 0.04 * (most - least).max(0.01 * most.abs()).max(1e-9);
        let columns = style.width.saturating_sub(AXIS + 1).min(days + 1).max(24);
        Some(Self { first, last, days, columns, low: least - margin, high: most + margin })
    }

    /// The place of a date across the plot, 0 to 1; `None` outside it.
    fn across(&self, date: Date) -> Option<f64> {
        let day = f64::from((date - self.first).get_days());
        let across = day / self.days as f64;
        (0.0..=1.0).contains(&across).then_some(across)
    }

    fn column(&self, date: Date) -> Option<usize> {
        Some(((self.across(date)? * (self.columns * DOTS.0 - 1) as f64) as usize / DOTS.0).min(self.columns - 1))
    }

    /// The row of dots of an intensity, from the top.
    fn dot_row(&self, value: f64) -> usize {
        let down = (self.high - value) / (self.high - self.low);
        ((down * (ROWS * DOTS.1) as f64) as usize).min(ROWS * DOTS.1 - 1)
    }

    fn draw_set_point(&self, set_point: f64, cells: &mut [Vec<char>], style: Style) {
        let row = self.dot_row(set_point) / DOTS.1;
        let dash = if style.unicode { '╌' } else { '-' };
        cells[row].iter_mut().for_each(|cell| *cell = dash);
    }

    fn draw_course(&self, points: &[(Date, f64)], cells: &mut [Vec<char>], style: Style) {
        let mut dots = vec![vec![0u8; self.columns]; ROWS];
        for (date, value) in points {
            let Some(across) = self.across(*date) else { continue };
            let x = (across * (self.columns * DOTS.0 - 1) as f64).round() as usize;
            let y = self.dot_row(*value);
            dots[y / DOTS.1][x / DOTS.0] |= braille_bit(x % DOTS.0, y % DOTS.1);
        }
        for (line, dots) in cells.iter_mut().zip(&dots) {
            for (cell, bits) in line.iter_mut().zip(dots).filter(|(_, bits)| **bits != 0) {
                *cell = if style.unicode { braille(*bits) } else { ascii_dots(*bits) };
            }
        }
    }

    fn axis_label(&self, row: usize, set_point: f64, style: Style) -> String {
        let set_row = self.dot_row(set_point) / DOTS.1;
        let (text, bar) = if row == set_row {
            (format!("set {}", short_number(set_point)), style.sign("┼", "+"))
        } else if row == 0 {
            (short_number(self.high), style.sign("┤", "+"))
        } else if row == ROWS - 1 {
            (short_number(self.low), style.sign("┤", "+"))
        } else {
            (String::new(), style.sign("│", "|"))
        };
        format!("{text:>width$}{bar}", width = AXIS - 1)
    }
}

/// The bit of one dot in a braille sign (Unicode, Braille Patterns: dots 1-3 and 7 on the left, 4-6 and 8 right).
fn braille_bit(x: usize, y: usize) -> u8 {
    const BITS: [[u8; 4]; 2] = [[0x01, 0x02, 0x04, 0x40], [0x08, 0x10, 0x20, 0x80]];
    BITS[x][y]
}

fn braille(bits: u8) -> char {
    char::from_u32(0x2800 + u32::from(bits)).unwrap_or('*')
}

fn ascii_dots(bits: u8) -> char {
    match (bits & 0x1b != 0, bits & 0xe4 != 0) {
        (true, true) => ':',
        (true, false) => '\'',
        _ => '.',
    }
}

fn short_number(value: f64) -> String {
    match value.abs() {
        huge if huge >= 1e6 => format!("{value:.0e}"),
        large if large >= 100.0 => format!("{value:.0}"),
        _ => format!("{value:.1}"),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::domain::{LnSummary, Timestamp};

    fn day(date: Date, intensity: f64) -> DaySummary {
        let summary = LnSummary { median: intensity.ln(), spread: 0.01, count: 144 };
        DaySummary { intensity: Some(summary), readings: 144, ..DaySummary::empty(date) }
    }

    fn render(values: impl Fn(usize) -> f64, days: usize, style: Style) -> String {
        let first = jiff::civil::date(2026, 3, 1);
        let days: Vec<_> =
            first.series(jiff::Span::new().days(1)).take(days).enumerate().map(|(i, d)| day(d, values(i))).collect();
        let cleaned: Timestamp = "2026-04-10T12:00:00Z".parse().unwrap();
        let log = [ServiceEntry::new(cleaned, ServiceAction::SleeveCleaned)];
        let chart = Chart {
            days: &days,
            log: &log,
            unlogged: &[],
            episodes: &[],
            set_point: 14.0,
            unit: "mW/cm2",
            zone: &TimeZone::UTC,
        };
        chart.render(style)
    }

    #[test]
    fn a_fall_and_a_cleaning() {
        insta::assert_snapshot!(render(|i| 24.0 - 0.1 * (i % 40) as f64, 90, Style::PLAIN));
        insta::assert_snapshot!(render(|i| 24.0 - 0.1 * (i % 40) as f64, 90, Style { unicode: true, ..Style::PLAIN }));
    }

    #[test]
    fn odd_series_neither_panic_nor_overflow_the_line() {
        let style = Style { unicode: true, ..Style::PLAIN };
        assert_eq!(render(|_| 20.0, 1, style), "", "one day is no course");
        for (value, days) in [(20.0, 2), (14.0, 400), (1e-300, 3), (1e300, 30), (0.0, 5), (f64::MAX, 9)] {
            let text = render(|_| value, days, style);
            assert!(text.lines().all(|line| line.chars().count() <= 80), "{value}: {text}");
        }
    }
}
