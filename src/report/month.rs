//! The monthly record as text and CSV.

use std::fmt::Write as _;

use jiff::tz::TimeZone;

use super::words;
use crate::domain::Timestamp;
use crate::query::month::{Gap, MonthDay, MonthRecord, MonthTotals, Outage, OutageDuring, OutageSign, UnitMonth};

/// What must stand on every record.
pub const NOT_A_FORM: &str = "Not a regulatory form; follow your authority's.";

/// Outages and gaps that are listed one by one, of each.
const MOST_LISTED: usize = 100;

/// The site by its name, with the id by which everything else knows it.
pub fn site(record: &MonthRecord) -> String {
    match &record.name {
        Some(name) => format!("{name} ({})", record.site),
        None => record.site.clone(),
    }
}

/// Stretches of time, a row each: begin, end, hours, and a remark; and what is left of a long list, in words.
pub struct Listing {
    /// The rows.
    pub rows: Vec<[String; 4]>,
    /// The rest.
    pub more: Option<String>,
    /// What is said where there are none.
    pub none: &'static str,
}

impl Listing {
    fn of<T>(
        all: &[T],
        (what, none): (&str, &'static str),
        hours: impl Fn(&T) -> f64,
        row: impl Fn(&T) -> [String; 4],
    ) -> Self {
        let (shown, rest) = all.split_at(all.len().min(MOST_LISTED));
        let more = (!rest.is_empty()).then(|| {
            let sum: f64 = rest.iter().map(hours).sum();
            format!("And {}, {sum:.1} h together.", words::count(rest.len() as u64, what))
        });
        Self { rows: shown.iter().map(row).collect(), more, none }
    }
}

/// The outages; the remark says how each is known.
pub fn outages(unit: &UnitMonth, zone: &TimeZone) -> Listing {
    let known = unit.totals().hours_known > 0.0;
    let none = if known { "None." } else { "Not known: there are no readings." };
    Listing::of(&unit.outages, ("more outage", none), Outage::hours, |outage| {
        let begin = begin(outage.before, outage.from, zone);
        [begin, end(outage.after, outage.to, zone), format!("{:.1}", outage.hours()), sign(outage)]
    })
}

/// The gaps in the readings; the remark says what the logbook has at the time.
pub fn gaps(unit: &UnitMonth, zone: &TimeZone) -> Listing {
    let none = "None: at most an hour lies between two readings.";
    Listing::of(&unit.gaps, ("more gap", none), Gap::hours, |gap| {
        let remark = gap.during.map_or("nothing", during);
        let begin = begin(gap.before, gap.from, zone);
        [begin, end(gap.after, gap.to, zone), format!("{:.1}", gap.hours()), remark.to_owned()]
    })
}

fn begin(before: bool, from: Timestamp, zone: &TimeZone) -> String {
    if before { "before the month".to_owned() } else { words::instant(from, zone) }
}

fn end(after: bool, to: Timestamp, zone: &TimeZone) -> String {
    if after { "goes on".to_owned() } else { words::instant(to, zone) }
}

fn sign(outage: &Outage) -> String {
    let sign = match outage.sign {
        OutageSign::LampOff => "lamp off",
        OutageSign::NoLight => "no light at the sensor",
    };
    outage.during.map_or_else(|| sign.to_owned(), |at_the_time| format!("{sign}, {}", during(at_the_time)))
}

fn during(during: OutageDuring) -> &'static str {
    match during {
        OutageDuring::Visit => "during a visit",
        OutageDuring::Closed => "shut for the season",
    }
}

/// A share as a percentage.
pub fn percent(share: f64) -> String {
    format!("{:.2} %", 100.0 * share)
}

/// The time at or under the set point; without readings nothing is known of it, which is not the same as none.
pub fn short_time(totals: &MonthTotals) -> String {
    if totals.hours_known <= 0.0 {
        return "not known, no readings".to_owned();
    }
    format!("{:.1} h, {} of the time", totals.hours_short, percent(totals.share_short))
}

/// The record for a terminal; `zone`: the site's.
pub fn text(record: &MonthRecord, zone: &TimeZone) -> String {
    let mut out = format!("{}, {}. {NOT_A_FORM}\n", site(record), record.month);
    for unit in &record.units {
        let totals = unit.totals();
        let called = unit.name.as_ref().map_or_else(String::new, |name| format!(" ({name})"));
        let _ = writeln!(out, "\n{}{called}: set point {} {}", unit.unit, unit.set_point, unit.intensity_unit);
        let _ = writeln!(
            out,
            "  at or under it {}{}; without light {:.1} h; no readings {:.1} h",
            short_time(&totals),
            totals.volume_short.map_or_else(String::new, |share| format!(", {} of the volume", percent(share))),
            totals.hours_off,
            totals.hours_gap
        );
        let _ = writeln!(
            out,
            "  {:<12}{:>9}{:>9}{:>13}{:>11}{:>13}",
            "day", "lowest", "p5", "hours short", "no light", "no readings"
        );
        unit.days.iter().for_each(|day| out += &day_line(day));
        list(&mut out, "outage from", "how it is known", outages(unit, zone));
        list(&mut out, "no readings from", "in the logbook", gaps(unit, zone));
        for check in &unit.checks {
            let ratio = check.ratio.map_or_else(
                || "no reading to compare with".to_owned(),
                |ratio| format!("ratio {ratio:.2}, limit 1.2"),
            );
            let at = words::instant(check.at, zone);
            let _ = writeln!(out, "  reference check {at}: {} ({ratio})", check.reference);
        }
        for entry in &unit.log {
            let _ = writeln!(out, "  {}  {}", words::instant(entry.at, zone), entry.action);
        }
    }
    out += "\nSigned: ______________________  Date: ____________\n";
    out
}

fn list(out: &mut String, from: &str, remark: &str, Listing { rows, more, .. }: Listing) {
    if !rows.is_empty() {
        let _ = writeln!(out, "  {from:<24}{:<24}{:>6}  {remark}", "to", "hours");
    }
    for [begin, end, hours, remark] in rows {
        let line = format!("  {begin:<24}{end:<24}{hours:>6}  {remark}");
        let _ = writeln!(out, "{}", line.trim_end());
    }
    out.extend(more.map(|more| format!("  {more}\n")));
}

fn day_line(day: &MonthDay) -> String {
    let number = |value: Option<f64>| value.map_or_else(|| "-".to_owned(), |value| format!("{value:.1}"));
    format!(
        "  {:<12}{:>9}{:>9}{:>13}{:>11.1}{:>13.1}\n",
        day.date.to_string(),
        number(day.lowest),
        number(day.p5),
        number(day.hours_short_known()),
        day.hours_off,
        (day.hours - day.hours_known).max(0.0)
    )
}

/// The names of [`csv_row`]'s cells.
pub const CSV_HEADER: [&str; 11] = [
    "unit",
    "date",
    "lowest",
    "p5",
    "hours_short",
    "hours_off",
    "hours_known",
    "hours",
    "litres",
    "litres_short",
    "set_point",
];

/// A day as cells; empty where not measured.
pub fn csv_row(unit: &UnitMonth, day: &MonthDay) -> [String; 11] {
    let cell = |value: Option<f64>| value.map_or_else(String::new, |value| format!("{value:.4}"));
    [
        unit.unit.clone(),
        day.date.to_string(),
        cell(day.lowest),
        cell(day.p5),
        cell(Some(day.hours_short)),
        cell(Some(day.hours_off)),
        cell(Some(day.hours_known)),
        cell(Some(day.hours)),
        cell(day.litres),
        cell(day.litres_short),
        unit.set_point.to_string(),
    ]
}
