//! The monthly record of a site, each unit on a page of its own.

use jiff::tz::TimeZone;

use super::block::{Block, Cell, Column, Paper, Table};
use super::lay::pages;
use super::sheet::{entry_cell, foot};
use super::{clip, number};
use crate::domain::Timestamp;
use crate::page::frame::measure;
use crate::query::month::{MonthDay, MonthRecord, RATIO_LIMIT, UnitMonth};
use crate::report::month::{self as report, Listing, NOT_A_FORM, percent, short_time};
use crate::report::words;

/// Sizes of the letters: the first by which every unit has one page, else the first.
const SCALES: [f64; 4] = [1.0, 0.95, 0.9, 0.85];
/// Letters of a note.
const NOTE: usize = 400;

/// The record as of `now`; `zone`: the site's.
pub fn month(record: &MonthRecord, zone: &TimeZone, now: Timestamp) -> Paper {
    let mut blocks = Vec::new();
    for (i, unit) in record.units.iter().enumerate() {
        if i > 0 {
            blocks.push(Block::Break);
        }
        section(record, unit, zone, &mut blocks);
    }
    if record.units.is_empty() {
        blocks.push(title(record, &report::site(record), ""));
        blocks.push(Block::Text("There is no unit to report on.".to_owned()));
        blocks.push(Block::Sign);
    }
    let paper = Paper {
        title: format!("Record of {}, {}", report::site(record), record.month),
        foot: foot(&words::instant(now, zone), Some(NOT_A_FORM)),
        scale: SCALES[0],
        blocks,
    };
    let fits = |scale: &f64| pages(&Paper { scale: *scale, ..paper.clone() }).len() <= record.units.len().max(1);
    let scale = SCALES.into_iter().find(fits).unwrap_or(SCALES[0]);
    Paper { scale, ..paper }
}

fn title(record: &MonthRecord, text: &str, unit: &str) -> Block {
    let name = record.name.as_ref().map_or_else(String::new, |name| format!("{}, ", clip(name, 80)));
    let of = if unit.is_empty() { record.site.clone() } else { format!("{name}{}/{unit}", record.site) };
    Block::Title {
        text: clip(text, 120),
        mark: record.month.clone(),
        under: format!("{of}. Record of the month. {NOT_A_FORM}"),
    }
}

fn section(record: &MonthRecord, unit: &UnitMonth, zone: &TimeZone, blocks: &mut Vec<Block>) {
    let totals = unit.totals();
    let measure = measure(&unit.intensity_unit);
    let mut facts = vec![
        ("Set point".to_owned(), format!("{} {measure}", unit.set_point)),
        ("At or under it".to_owned(), short_time(&totals)),
    ];
    if let Some(share) = totals.volume_short {
        facts.push(("Of the volume".to_owned(), percent(share)));
    }
    facts.push(("Without light".to_owned(), format!("{:.1} h", totals.hours_off)));
    facts.push(("No readings".to_owned(), format!("{:.1} h", totals.hours_gap)));
    blocks.push(title(record, unit.name.as_deref().unwrap_or(&unit.unit), &unit.unit));
    blocks.push(Block::Facts(facts));
    blocks.push(Block::Text(format!(
        "Lowest and 5th percentile in {measure}. Short: hours at or under the set point, and their share of the time that \
         readings stand for. Without light: the lamp known to be off, or none at the sensor."
    )));
    blocks.push(Block::Table(days(unit)));
    stretches(unit, zone, blocks);
    checks(unit, zone, blocks);
    service(unit, zone, blocks);
    blocks.push(Block::Sign);
}

fn days(unit: &UnitMonth) -> Table {
    let flow = unit.days.iter().any(|day| day.litres.is_some());
    let mut columns = vec![
        Column::words("Day", 1.75),
        Column::numbers("Lowest", 1.0),
        Column::numbers("5th percentile", 1.45),
        Column::numbers("Short, h", 0.9),
        Column::numbers("Of the time", 1.1),
        Column::numbers("No light, h", 1.15),
        Column::numbers("No readings, h", 1.3),
    ];
    if flow {
        columns.push(Column::numbers("Litres", 1.1));
        columns.push(Column::numbers("Litres short", 1.2));
    }
    Table { columns, rows: unit.days.iter().map(|day| day_row(day, flow)).collect() }
}

fn day_row(day: &MonthDay, flow: bool) -> Vec<Cell> {
    let share = (day.hours_known > 0.0).then(|| percent(day.hours_short / day.hours_known));
    let mut row: Vec<Cell> = vec![
        day.date.strftime("%a %Y-%m-%d").to_string().into(),
        number(day.lowest).into(),
        number(day.p5).into(),
        number(day.hours_short_known()).into(),
        share.unwrap_or_else(|| "-".to_owned()).into(),
        number(Some(day.hours_off)).into(),
        number(Some((day.hours - day.hours_known).max(0.0))).into(),
    ];
    if flow {
        let litres = |litres: Option<f64>| litres.map_or_else(|| "-".to_owned(), |litres| format!("{litres:.0}"));
        row.extend([litres(day.litres).into(), litres(day.litres_short).into()]);
    }
    row
}

fn stretches(unit: &UnitMonth, zone: &TimeZone, blocks: &mut Vec<Block>) {
    list(("Outages", "How it is known"), report::outages(unit, zone), blocks);
    list(("Gaps in the readings", "In the logbook"), report::gaps(unit, zone), blocks);
}

fn list((heading, remark): (&str, &str), listing: Listing, blocks: &mut Vec<Block>) {
    blocks.push(Block::Heading(heading.to_owned()));
    if listing.rows.is_empty() {
        blocks.push(Block::Text(listing.none.to_owned()));
        return;
    }
    let columns = vec![
        Column::words("Begin", 1.6),
        Column::words("End", 1.6),
        Column::numbers("Hours", 0.7),
        Column::words(remark, 2.0),
    ];
    let rows = listing.rows.into_iter().map(|row| row.map(Cell::from).to_vec()).collect();
    blocks.push(Block::Table(Table { columns, rows }));
    blocks.extend(listing.more.map(Block::Text));
}

fn checks(unit: &UnitMonth, zone: &TimeZone, blocks: &mut Vec<Block>) {
    blocks.push(Block::Heading(format!(
        "Checks of the sensor against a reference (duty / reference at most {RATIO_LIMIT})"
    )));
    if unit.checks.is_empty() {
        blocks.push(Block::Text("None recorded this month.".to_owned()));
        return;
    }
    let rows = unit.checks.iter().map(|check| {
        let verdict = match check.within {
            Some(true) => "within",
            Some(false) => "over",
            None => "no reading to compare with",
        };
        let ratio = check.ratio.map_or_else(|| "-".to_owned(), |ratio| format!("{ratio:.2}"));
        [words::instant(check.at, zone), number(Some(check.reference)), number(check.duty), ratio, verdict.to_owned()]
            .map(Cell::from)
            .to_vec()
    });
    let columns = vec![
        Column::words("When", 1.8),
        Column::numbers("Reference sensor", 1.2),
        Column::numbers("Duty sensor", 1.0),
        Column::numbers("Ratio", 0.8),
        Column::words("The 1.2 rule", 1.6),
    ];
    blocks.push(Block::Table(Table { columns, rows: rows.collect() }));
}

fn service(unit: &UnitMonth, zone: &TimeZone, blocks: &mut Vec<Block>) {
    blocks.push(Block::Heading("Service".to_owned()));
    if unit.log.is_empty() {
        blocks.push(Block::Text("None recorded this month.".to_owned()));
        return;
    }
    let rows = unit.log.iter().map(|entry| vec![Cell::from(words::instant(entry.at, zone)), entry_cell(entry, NOTE)]);
    let columns = vec![Column::words("When", 0.26), Column::words("What", 0.74)];
    blocks.push(Block::Table(Table { columns, rows: rows.collect() }));
}
