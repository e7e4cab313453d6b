//! The next trip as text and as a calendar.

use std::fmt::Write as _;

use jiff::civil::Date;

use crate::domain::Timestamp;
use crate::query::round::{Because, Call, Round, Stop};

use super::words;

/// The rule, as the planner is told it.
pub const RULE: &str = "A unit that is dark, short or silent always goes, first. A unit goes when something falls due, \
    or the risk of going short reaches 10 %, before the trip after this one. Others at the same site join when theirs \
    come before one more trip, because the drive is paid already. Sites are visited in the order of the risk they take \
    away for each minute of driving and work. Days are filled up to the working hours; what does not fit goes to a \
    further day and is never left out.";

/// Minutes as people say them.
pub fn hours(minutes: u32) -> String {
    format!("{} h {:02} min", minutes / 60, minutes % 60)
}

/// Why a unit is on the trip, in words.
pub fn because(because: Because) -> &'static str {
    match because {
        Because::Urgent => "now",
        Because::Due => "due before the next trip",
        Because::Joined => "the drive is paid already",
    }
}

/// The day by which something must be done and what, of a unit that is not needed at once: there a date of the forecast
/// would hide that it is needed now.
pub fn due(stop: &Stop) -> Option<(Date, String)> {
    let (date, action) = stop.due.zip(stop.to_do)?;
    (stop.because != Because::Urgent).then(|| (date, words::to_do(action)))
}

/// Parts that are needed with less are not named beside a unit; they count in the van's sum all the same.
const NAMED_FROM: f64 = 0.3;

/// The parts that a unit will likely need.
pub fn likely(stop: &Stop) -> String {
    let named = stop.bring.iter().filter(|part| part.probability >= NAMED_FROM);
    let parts: Vec<String> =
        named.map(|part| format!("{} {}", words::part(&part.part), words::probability(part.probability))).collect();
    if parts.is_empty() { "see the van's list".to_owned() } else { parts.join(", ") }
}

/// The trip for a terminal.
pub fn text(round: &Round) -> String {
    let mut out = format!("Round from {}\n", round.today);
    for (i, day) in round.days.iter().enumerate() {
        let over = if day.over { " (more than a day has)" } else { "" };
        let _ = writeln!(out, "\nDay {}, {}{over}", i + 1, hours(day.minutes));
        for call in &day.calls {
            let _ = writeln!(out, "  {} ({})", call.site.name.as_deref().unwrap_or(&call.site.id), hours(call.minutes));
            call.stops.iter().for_each(|stop| out += &stop_line(stop, round.today));
        }
    }
    if !round.parts.is_empty() {
        out += "\nParts for the van (enough for 9 trips of 10)\n";
        for part in &round.parts {
            let _ = writeln!(out, "  {:<42}{:>3}   needed on average {:.1}", part.part, part.load, part.expected);
        }
    }
    let _ = writeln!(out, "\n{} can wait. {RULE}", words::count(round.waiting as u64, "unit"));
    out
}

fn stop_line(stop: &Stop, today: Date) -> String {
    let due = due(stop).map_or_else(String::new, |(date, to_do)| {
        if date < today { format!(", {to_do}, was due {date}") } else { format!(", {to_do} by {date}") }
    });
    let why = match stop.because {
        Because::Urgent => "now".to_owned(),
        Because::Due => format!("risk {}", words::probability(stop.risk)),
        Because::Joined => "joins".to_owned(),
    };
    format!("    {:<20} {:<10} {why}{due}\n", stop.unit, stop.condition.name())
}

/// The trip as iCalendar (RFC 5545): an all-day event for each site, on the days from today on.
pub fn calendar(round: &Round, now: Timestamp) -> String {
    let mut lines =
        vec!["BEGIN:VCALENDAR".to_owned(), "VERSION:2.0".to_owned(), "PRODID:-//fadeline//round//EN".to_owned()];
    let stamp = now.to_jiff().strftime("%Y%m%dT%H%M%SZ");
    for (i, day) in round.days.iter().enumerate() {
        let date = round.today.saturating_add(jiff::Span::new().days(i64::try_from(i).unwrap_or_default()));
        let end = date.tomorrow().unwrap_or(date);
        for call in &day.calls {
            lines.extend([
                "BEGIN:VEVENT".to_owned(),
                // A site is called at once in a trip: a plan made anew moves the event instead of adding one.
                format!("UID:visit-{}@fadeline", call.site.id),
                format!("DTSTAMP:{stamp}"),
                format!("DTSTART;VALUE=DATE:{}", date.strftime("%Y%m%d")),
                format!("DTEND;VALUE=DATE:{}", end.strftime("%Y%m%d")),
                format!(
                    "SUMMARY:{}",
                    escape(&format!("UV visit: {}", call.site.name.as_deref().unwrap_or(&call.site.id)))
                ),
                format!("DESCRIPTION:{}", escape(&description(call, round.today))),
                "TRANSP:TRANSPARENT".to_owned(),
                "END:VEVENT".to_owned(),
            ]);
        }
    }
    lines.push("END:VCALENDAR".to_owned());
    lines.iter().map(|line| fold(line) + "\r\n").collect()
}

fn description(call: &Call, today: Date) -> String {
    let stops = call.stops.iter().map(|stop| stop_line(stop, today).split_whitespace().collect::<Vec<_>>().join(" "));
    let access = call.site.access.as_ref().map(|access| format!("how to get in: {access}"));
    stops.chain(access).collect::<Vec<_>>().join("\n")
}

/// RFC 5545, 3.3.11.
fn escape(text: &str) -> String {
    text.replace('\\', "\\\\")
        .replace(';', "\\;")
        .replace(',', "\\,")
        .replace('\n', "\\n")
        .replace(|c: char| c.is_control(), "")
}

/// RFC 5545, 3.1: lines of at most 75 octets, continued with a blank.
fn fold(line: &str) -> String {
    let mut out = String::new();
    let mut used = 0;
    for c in line.chars() {
        if used + c.len_utf8() > 74 {
            out += "\r\n ";
            used = 1;
        }
        out.push(c);
        used += c.len_utf8();
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn long_lines_are_folded_and_signs_escaped() {
        let folded = fold(&"ä".repeat(100));
        assert!(folded.split("\r\n").all(|line| line.len() <= 75));
        assert_eq!(folded.replace("\r\n ", ""), "ä".repeat(100));
        assert_eq!(escape("a,b;c\\d\ne"), "a\\,b\\;c\\\\d\\ne");
    }
}
