//! The monthly record as text and CSV.

use std::fmt::Write as _;

use jiff::tz::TimeZone;

use super::words;
use crate::query::month::{MonthDay, MonthRecord, MonthTotals, Outage, OutageDuring, OutageSign, UnitMonth};

/// What must stand on every record.
pub const NOT_A_FORM: &str = "Not a regulatory form; follow your authority's.";

/// Outages that are listed one by one.
const OUTAGES_LISTED: usize = 100;

/// The site by its name, with the id by which everything else knows it.
pub fn site(record: &MonthRecord) -> String {
    match &record.name {
        Some(name) => format!("{name} ({})", record.site),
        None => record.site.clone(),
    }
}

/// The outages, a row each: begin, end, hours, how it is known; and what is left of a long list, in words.
pub fn outages(unit: &UnitMonth, zone: &TimeZone) -> (Vec<[String; 4]>, Option<String>) {
    let row = |outage: &Outage| {
        let begin = if outage.before { "before the month".to_owned() } else { words::instant(outage.from, zone) };
        let end = if outage.after { "goes on".to_owned() } else { words::instant(outage.to, zone) };
        [begin, end, format!("{:.1}", outage.hours()), sign(outage)]
    };
    let listed = unit.outages.len().min(OUTAGES_LISTED);
    let (shown, rest) = unit.outages.split_at(listed);
    let more = (!rest.is_empty()).then(|| {
        let sum: f64 = rest.iter().map(Outage::hours).sum();
        format!("And {}, {sum:.1} h together.", words::count(rest.len() as u64, "more outage"))
    });
    (shown.iter().map(row).collect(), more)
}

fn sign(outage: &Outage) -> String {
    let sign = match outage.sign {
        OutageSign::LampOff => "lamp off",
        OutageSign::NoLight => "no light at the sensor",
    };
    match outage.during {
        Some(OutageDuring::Visit) => format!("{sign}, during a visit"),
        Some(OutageDuring::Closed) => format!("{sign}, shut for the season"),
        None => sign.to_owned(),
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
        let (rows, more) = outages(unit, zone);
        if !rows.is_empty() {
            let _ = writeln!(out, "  {:<24}{:<24}{:>6}  how it is known", "outage from", "to", "hours");
        }
        for [begin, end, hours, sign] in rows {
            let _ = writeln!(out, "  {begin:<24}{end:<24}{hours:>6}  {sign}");
        }
        out.extend(more.map(|more| format!("  {more}\n")));
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
