//! The dates under a picture: where days, months and years begin.

use std::fmt::Write as _;

use jiff::Span;
use jiff::civil::Date;
use jiff::tz::TimeZone;

use super::chart::{LEFT, RIGHT, WIDTH};
use crate::domain::Timestamp;
use crate::domain::time::{DAY, HOUR};

/// At most so many dates stand under a picture.
const MOST: i64 = 7;
/// Half of what the widest date takes.
const HALF: f64 = 34.0;

/// From one date to the next.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Step {
    Hours(i64),
    Days(i64),
    Months(i64),
}

const STEPS: [Step; 16] = [
    Step::Hours(1),
    Step::Hours(3),
    Step::Hours(6),
    Step::Hours(12),
    Step::Days(1),
    Step::Days(2),
    Step::Days(3),
    Step::Days(7),
    Step::Days(14),
    Step::Months(1),
    Step::Months(2),
    Step::Months(3),
    Step::Months(6),
    Step::Months(12),
    Step::Months(24),
    Step::Months(60),
];

impl Step {
    fn millis(self) -> i64 {
        match self {
            Self::Hours(hours) => hours * HOUR,
            Self::Days(days) => days * DAY,
            Self::Months(months) => months * 30 * DAY,
        }
    }

    fn chosen(millis: i64) -> Self {
        let years = millis / (MOST * 365 * DAY) + 1;
        STEPS.into_iter().find(|step| step.millis() * MOST >= millis).unwrap_or(Self::Months(12 * years))
    }
}

/// The begins of hours, days, months or years from `from` to `to`, each with what stands there.
fn begins(from: Timestamp, to: Timestamp, zone: &TimeZone) -> Vec<(Timestamp, String)> {
    let step = Step::chosen(to.millis_since(from));
    let date = from.date_in(zone);
    let start = match step {
        Step::Months(months) => {
            // Counted from a January, so that the same months come up wherever the picture begins.
            let since = i64::from(date.year()) * 12 + i64::from(date.month()) - 1;
            let back = since.rem_euclid(months);
            date.first_of_month().saturating_sub(Span::new().months(back))
        }
        _ => date,
    };
    let day = |date: Date| Timestamp::day_start(date, zone);
    let nth = |n: i64| match step {
        Step::Hours(hours) => day(start).plus_millis(n * hours * HOUR),
        Step::Days(days) => day(start.saturating_add(Span::new().days(n * days))),
        Step::Months(months) => day(start.saturating_add(Span::new().months(n * months))),
    };
    let all = (0..=2 * MOST.max(24)).map(nth).take_while(|at| *at <= to);
    all.filter(|at| *at >= from).map(|at| (at, written(at, step, zone))).collect()
}

fn written(at: Timestamp, step: Step, zone: &TimeZone) -> String {
    let local = at.to_jiff().to_zoned_datetime(zone.clone());
    let form = match step {
        Step::Hours(_) if local.hour() != 0 => "%H:%M",
        Step::Hours(_) | Step::Days(_) => "%-d %b",
        Step::Months(months) if months >= 12 => "%Y",
        Step::Months(_) => "%b %Y",
    };
    local.strftime(form).to_string()
}

/// The dates under a picture that shows `from` to `to`, milliseconds, at the height `y`. Every second one is marked: a
/// narrow screen leaves it out.
pub(super) fn time_ticks((from, to): (f64, f64), (y, zone): (f64, &TimeZone), svg: &mut String) {
    let (start, end) = (Timestamp::from_millis(from as i64), Timestamp::from_millis(to as i64));
    for (i, (at, text)) in begins(start, end, zone).into_iter().enumerate() {
        let x = LEFT + (at.as_millis() as f64 - from) / (to - from).max(1.0) * (WIDTH - LEFT - RIGHT);
        // Nothing is cut off at the edges.
        let (place, anchor) = if x > WIDTH - RIGHT - HALF {
            (WIDTH - RIGHT, "end")
        } else if x < LEFT + HALF {
            (x.min(LEFT), "start")
        } else {
            (x, "middle")
        };
        let second = if i % 2 == 1 { " second" } else { "" };
        let _ = write!(
            svg,
            "<path class=\"grid\" d=\"M{x:.1} {:.0}v5\"/>\
             <text class=\"tick{second}\" x=\"{place:.1}\" y=\"{y:.0}\" text-anchor=\"{anchor}\">{text}</text>",
            y - 18.0
        );
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[track_caller]
    fn told(from: &str, to: &str) -> Vec<String> {
        let zone = TimeZone::get("Europe/Vienna").unwrap();
        let at = |text: &str| text.parse::<Timestamp>().unwrap();
        begins(at(from), at(to), &zone).into_iter().map(|(_, text)| text).collect()
    }

    #[test]
    fn dates_stand_where_they_begin() {
        assert_eq!(
            told("2025-11-27T10:00:00Z", "2026-11-27T10:00:00Z"),
            ["Jan 2026", "Mar 2026", "May 2026", "Jul 2026", "Sep 2026", "Nov 2026"]
        );
        assert_eq!(told("2026-03-27T10:00:00Z", "2026-03-29T10:00:00Z").len(), 4);
        assert_eq!(
            told("2026-03-27T10:00:00Z", "2026-03-28T01:00:00Z"),
            ["12:00", "15:00", "18:00", "21:00", "28 Mar"]
        );
        assert_eq!(told("2020-03-27T10:00:00Z", "2026-03-28T01:00:00Z")[..2], ["2021", "2022"]);
    }

    #[test]
    fn any_span_has_a_few() {
        let from = Timestamp::from_secs(1_780_000_000);
        for hours in [1, 5, 30, 100, 999, 9_999, 99_999, 999_999, 9_999_999] {
            let count = begins(from, from.plus_millis(hours * HOUR), &TimeZone::UTC).len();
            assert!(count <= 8 && (hours < 3 || count >= 1), "{hours}: {count}");
        }
    }
}
