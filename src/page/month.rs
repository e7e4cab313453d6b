//! The monthly record, for screen and paper.

use jiff::tz::TimeZone;
use maud::{Markup, html};

use super::Frame;
use super::frame::measure;
use crate::query::month::{MonthRecord, UnitMonth, bounds};
use crate::report::month::{NOT_A_FORM, percent};
use crate::report::words;

/// The page.
pub fn page(frame: &Frame, record: &MonthRecord, zone: &TimeZone) -> String {
    let near = |months: i64| {
        let (first, _) = bounds(&record.month)?;
        Some(first.checked_add(jiff::Span::new().months(months)).ok()?.strftime("%Y-%m").to_string())
    };
    frame.page(&format!("{} {}", record.site, record.month), None, &html! {
        h1 { "Record of " (record.site) ", " (record.month) }
        p.banner.heed { (NOT_A_FORM) }
        p.doors {
            @for (label, month) in [("earlier", near(-1)), ("later", near(1))] { @if let Some(month) = month { a href={ "/months/" (record.site) "/" (month) } { (label) } } }
            a href={ "/api/v1/months/" (record.site) "/" (record.month) "?format=csv" } { "CSV" }
            a href={ "/months/" (record.site) "/" (record.month) "/record.pdf" } { "PDF" }
        }
        @for unit in &record.units { (section(unit, zone)) }
        section.signed { p { "Read and signed: ______________________________  Date: ______________" } }
    })
}

fn section(unit: &UnitMonth, zone: &TimeZone) -> Markup {
    let totals = unit.totals();
    html! {
        section {
            h2 { (unit.name.as_deref().unwrap_or(&unit.unit)) }
            dl.facts {
                div { dt { "Set point" } dd { (unit.set_point) " " (measure(&unit.intensity_unit)) } }
                div { dt { "At or under it" } dd { (format!("{:.1} h", totals.hours_short)) ", " (percent(totals.share_short)) " of the time" } }
                @if let Some(share) = totals.volume_short { div { dt { "Of the volume" } dd { (percent(share)) } } }
                div { dt { "Lamp off" } dd { (format!("{:.1} h", totals.hours_off)) } }
                div { dt { "No readings" } dd { (format!("{:.1} h", totals.hours_gap)) } }
            }
            div.scroll.days tabindex="0" role="region" aria-label="Days" { table.numbers {
                thead { tr { th scope="col" { "Day" } th scope="col" { "Lowest" } th scope="col" { "5th percentile" } th scope="col" { "Hours short" } th scope="col" { "Hours off" } th scope="col" { "Hours without readings" } } }
                tbody { @for day in &unit.days { tr { th scope="row" { time datetime=(day.date) { (day.date.strftime("%-d %b")) } }
                    td { (number(day.lowest)) } td { (number(day.p5)) }
                    td { (format!("{:.1}", day.hours_short)) } td { (format!("{:.1}", day.hours_off)) } td { (format!("{:.1}", (day.hours - day.hours_known).max(0.0))) } } } }
            } }
            @for check in &unit.checks { p { (words::instant(check.at, zone)) ": reference sensor " (check.reference) ", duty sensor " (number(check.duty))
                @match (check.ratio, check.within) { (Some(ratio), Some(true)) => { (format!(", ratio {ratio:.2}: within 1.2")) } (Some(ratio), _) => { (format!(", ratio {ratio:.2}: over 1.2")) } _ => { ": no reading to compare with" } } } }
            @if !unit.log.is_empty() { h3 { "Service" } (super::unit::entries(&unit.log, zone)) }
        }
    }
}

fn number(value: Option<f64>) -> String {
    value.map_or_else(|| "-".to_owned(), |value| format!("{value:.1}"))
}
