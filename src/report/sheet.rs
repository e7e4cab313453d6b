//! The visit sheet as text: one page a unit before the trip.

use std::fmt::Write as _;

use jiff::civil::Date;
use jiff::tz::TimeZone;

use crate::domain::Condition;
use crate::query::bring::bring;
use crate::query::dossier::Dossier;
use crate::visit::expectations;
use crate::visit::steps::{CAUTIONS, step};

use super::{Style, words};

/// Log entries on the sheet.
const ENTRIES: usize = 6;

/// The sheet.
pub fn text(dossier: &Dossier, today: Date, style: Style) -> String {
    let row = &dossier.row;
    let zone = TimeZone::get(&row.zone).unwrap_or(TimeZone::UTC);
    let unit = &row.intensity_unit;
    let mut out = format!("{}/{}  {}\n", row.site, row.unit, row.condition);
    if let Some(reading) = &row.reading {
        let _ = writeln!(
            out,
            "Light    {:.1} {unit} at {}, set point {}",
            reading.intensity,
            words::instant(reading.at, &zone),
            row.set_point
        );
    }
    if let Some(said) = &row.assessment {
        out += &style.block("Says", 9, &said.verdict.says);
    }
    let site = &dossier.site;
    for (label, says) in [("Where", &site.address), ("Call", &site.contact), ("Get in", &site.access)] {
        if let Some(says) = says {
            out += &style.block(label, 9, says);
        }
    }
    out += "\nBring\n";
    for part in bring(row, today) {
        let _ = writeln!(out, "  {:>5}  {}: {}", words::probability(part.probability), part.part, part.why);
    }
    out += "\nExpect\n";
    let now = row.reading.as_ref().map_or(f64::NAN, |reading| reading.intensity);
    for e in row.assessment.as_deref().map(expectations).unwrap_or_default() {
        let title = step(e.action).map_or("", |step| step.title);
        if row.condition == Condition::Dark {
            // Without light a gain has nothing to grow from.
            let _ = writeln!(out, "  {title}: {:+.1} % ({:+.1} to {:+.1}) once it burns", e.gain, e.low, e.high);
            continue;
        }
        let after = |gain: f64| now * (1.0 + gain / 100.0);
        let _ = writeln!(
            out,
            "  {title}: {:+.1} %, to {:.1} {unit} ({:.1} to {:.1})",
            e.gain,
            after(e.gain),
            after(e.low),
            after(e.high)
        );
    }
    out += "\nConfirm before you open it\n";
    CAUTIONS.iter().for_each(|caution| out += &style.block("  [ ]", 6, caution));
    out += "\nHistory\n";
    let log = &dossier.trend.log;
    for entry in log[log.len().saturating_sub(ENTRIES)..].iter().rev() {
        let _ = writeln!(out, "  {}  {}", entry.at.date_in(&zone), entry.action);
    }
    out
}
