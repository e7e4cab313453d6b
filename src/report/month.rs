//! The monthly record as text and CSV.

use std::fmt::Write as _;

use crate::query::month::{MonthDay, MonthRecord, MonthTotals, UnitMonth};

/// What must stand on every record.
pub const NOT_A_FORM: &str = "Not a regulatory form; follow your authority's.";

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

/// The record for a terminal.
pub fn text(record: &MonthRecord) -> String {
    let mut out = format!("{} {}. {NOT_A_FORM}\n", record.site, record.month);
    for unit in &record.units {
        let totals = unit.totals();
        let _ = writeln!(out, "\n{}: set point {} {}", unit.unit, unit.set_point, unit.intensity_unit);
        let _ = writeln!(
            out,
            "  at or under it {}{}; lamp off {:.1} h; no readings {:.1} h",
            short_time(&totals),
            totals.volume_short.map_or_else(String::new, |share| format!(", {} of the volume", percent(share))),
            totals.hours_off,
            totals.hours_gap
        );
        let _ = writeln!(
            out,
            "  {:<12}{:>9}{:>9}{:>13}{:>11}{:>13}",
            "day", "lowest", "p5", "hours short", "hours off", "no readings"
        );
        unit.days.iter().for_each(|day| out += &day_line(day));
        for check in &unit.checks {
            let ratio = check.ratio.map_or_else(
                || "no reading to compare with".to_owned(),
                |ratio| format!("ratio {ratio:.2}, limit 1.2"),
            );
            let _ = writeln!(out, "  reference check {}: {} ({ratio})", check.at, check.reference);
        }
        for entry in &unit.log {
            let _ = writeln!(out, "  {}  {}", entry.at, entry.action);
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
