//! The visit sheet, for paper.

use maud::html;

use super::chart::Chart;
use super::fleet::sureness;
use super::frame::{Frame, Stamp, address, made, measure, name, unbroken, zone_of};
use super::round::way;
use super::unit::{entries, head};
use crate::domain::Condition;
use crate::query::bring::bring;
use crate::query::dossier::Dossier;
use crate::query::series::Series;
use crate::report::words;
use crate::visit::expectations;
use crate::visit::steps::{CAUTIONS, step};

/// Log entries on the sheet.
const ENTRIES: usize = 6;

/// One page before the trip.
pub fn page(frame: &Frame, dossier: &Dossier, series: &Series) -> String {
    let row = &dossier.row;
    let zone = zone_of(row);
    let said = row.assessment.as_deref();
    let unit = measure(&row.intensity_unit);
    let log = &dossier.trend.log;
    let chart = Chart {
        series,
        set_point: row.set_point,
        unit,
        said,
        past: &[],
        log,
        zone: &zone,
        forecast: !words::needs_light(row.condition),
        now: row.reading.as_ref(),
    };
    // Without light a step's gain has nothing to grow from.
    let now = row.reading.as_ref().map(|reading| reading.intensity).filter(|_| row.condition != Condition::Dark);
    frame.page(&format!("Visit sheet: {}", name(row)), Stamp::of(row.reading.as_ref(), &zone), &html! {
        div.sheet {
            // On paper the path above the name is gone, and one sheet must be told from the next.
            p.paper { "Visit sheet, " (dossier.site.name.as_deref().unwrap_or(&row.site)) ", " (frame.now.date_in(&zone)) }
            (head(dossier))
            @if !frame.alone { p.doors { a href={ (address(row)) "/sheet.pdf" } { "PDF to print, one page" } } }
            p { @if let Some(said) = said { (unbroken(&said.verdict.says)) @if let Some(p) = said.verdict.probability { " (" (unbroken(&sureness(said.verdict.cause, p))) ")" } } @else { "Nothing is known yet." } }
            (way(&dossier.site))
            figure { (made(chart.svg())) }
            div.two {
                section { h2 { "Bring" } table { thead { tr { th scope="col" { "Part" } th scope="col" { "Needed with" } } } tbody {
                    @for part in bring(row, frame.now.date_in(&zone)) { tr { th scope="row" { (part.part) span.under { (part.why) } } td { (words::probability(part.probability)) } } }
                } } }
                section { h2 { "Expect" } table { thead { tr { th scope="col" { "Step" } th scope="col" { @if now.is_some() { "Reading after it alone, " (unit) } @else { "Gain of it alone, once it burns" } } } } tbody {
                    @for e in said.map(expectations).unwrap_or_default() { tr {
                        th scope="row" { (step(e.action).map_or("", |s| s.title)) }
                        td { @if let Some(now) = now { (format!("{:.1} ({:.1} to {:.1})", now * (1.0 + e.gain / 100.0), now * (1.0 + e.low / 100.0), now * (1.0 + e.high / 100.0))) } @else { (format!("{:+.1} % (from {:+.1} to {:+.1})", e.gain, e.low, e.high)) } }
                    } }
                } }
                h2 { "Parts" } ul.plain { @for part in said.map_or(&[][..], |said| &said.parts) { li { (words::plain(&part.part)) ": " @match part.age_days { Some(days) => { (words::days(days)) " old" } None => { "age not known" } } @if let Some(date) = part.due { ", due " (date) } } } }
                }
            }
            section { h2 { "Confirm before you open it" } ul.boxes { @for caution in CAUTIONS { li { (caution) } } } }
            section { h2 { "History" } (entries(&log[log.len().saturating_sub(ENTRIES)..], &zone)) }
        }
    })
}
