//! The monthly record, for screen and paper.

use jiff::tz::TimeZone;
use maud::{Markup, html};

use super::Frame;
use super::frame::{Stamp, measure};
use crate::query::month::{MonthRecord, UnitMonth, bounds};
use crate::report::month::{Listing, NOT_A_FORM, gaps, outages, percent, short_time, site};
use crate::report::words;

/// The page.
pub fn page(frame: &Frame, record: &MonthRecord, zone: &TimeZone) -> String {
    let near = |months: i64| {
        let (first, _) = bounds(&record.month)?;
        Some(first.checked_add(jiff::Span::new().months(months)).ok()?.strftime("%Y-%m").to_string())
    };
    frame.page(&format!("{}, {}", site(record), record.month), Stamp::Made(zone), &html! {
        h1 { "Record of " (site(record)) ", " (record.month) }
        p.banner.heed { (NOT_A_FORM) }
        @if !frame.alone { p.doors {
            @for (label, month) in [("earlier", near(-1)), ("later", near(1))] { @if let Some(month) = month { a href={ "/months/" (record.site) "/" (month) } { (label) } } }
            a href={ "/api/v1/months/" (record.site) "/" (record.month) "?format=csv" } { "CSV" }
            a href={ "/months/" (record.site) "/" (record.month) "/record.pdf" } { "PDF" }
        } }
        @for unit in &record.units { (section(unit, zone)) }
        section.signed { p { "Read and signed: ______________________________  Date: ______________" } }
    })
}

fn section(unit: &UnitMonth, zone: &TimeZone) -> Markup {
    let totals = unit.totals();
    html! {
        section {
            h2 { @match &unit.name { Some(name) => { (name) " (" (unit.unit) ")" } None => { (unit.unit) } } }
            dl.facts {
                div { dt { "Set point" } dd { (unit.set_point) " " (measure(&unit.intensity_unit)) } }
                div { dt { "At or under it" } dd { (short_time(&totals)) } }
                @if let Some(share) = totals.volume_short { div { dt { "Of the volume" } dd { (percent(share)) } } }
                div { dt { "Without light" } dd { (format!("{:.1} h", totals.hours_off)) } }
                div { dt { "No readings" } dd { (format!("{:.1} h", totals.hours_gap)) } }
            }
            div.scroll.days tabindex="0" role="region" aria-label="Days" { table.numbers {
                thead { tr { th scope="col" { "Day" } th scope="col" { "Lowest" } th scope="col" { "5th per\u{ad}centile" } th scope="col" { "Hours short" } th scope="col" { "Hours with\u{ad}out light" } th scope="col" { "Hours with\u{ad}out read\u{ad}ings" } } }
                tbody { @for day in &unit.days { tr { th scope="row" { time datetime=(day.date) { (day.date.strftime("%-d %b")) } }
                    td { (number(day.lowest)) } td { (number(day.p5)) }
                    td { (number(day.hours_short_known())) } td { (format!("{:.1}", day.hours_off)) } td { (format!("{:.1}", (day.hours - day.hours_known).max(0.0))) } } } }
            } }
            (dark(unit, zone))
            @for check in &unit.checks { p { (words::instant(check.at, zone)) ": reference sensor " (check.reference) ", duty sensor " (number(check.duty))
                @match (check.ratio, check.within) { (Some(ratio), Some(true)) => { (format!(", ratio {ratio:.2}: within 1.2")) } (Some(ratio), _) => { (format!(", ratio {ratio:.2}: over 1.2")) } _ => { ": no reading to compare with" } } } }
            @if !unit.log.is_empty() { h3 { "Service" } (super::unit::entries(&unit.log, zone)) }
        }
    }
}

fn dark(unit: &UnitMonth, zone: &TimeZone) -> Markup {
    html! {
        h3 { "Outages" }
        (listing(outages(unit, zone), "How it is known"))
        h3 { "Gaps in the readings" }
        (listing(gaps(unit, zone), "In the logbook"))
    }
}

fn listing(Listing { rows, more, none }: Listing, remark: &str) -> Markup {
    html! {
        @if rows.is_empty() { p { (none) } } @else {
            table.stops.outages { thead { tr { th scope="col" { "Begin" } th scope="col" { "End" } th scope="col" { "Hours" } th scope="col" { (remark) } } }
                tbody { @for [begin, end, hours, said] in rows { tr { td data-label="Begin" { (begin) } td data-label="End" { (end) } td data-label="Hours" { (hours) } td data-label=(remark) { (said) } } } } }
        }
        @if let Some(more) = more { p { (more) } }
    }
}

fn number(value: Option<f64>) -> String {
    value.map_or_else(|| "-".to_owned(), |value| format!("{value:.1}"))
}
