//! The visit, for a phone in one hand.

use jiff::tz::TimeZone;
use maud::{Markup, html};

use super::frame::{Frame, Stamp, address, measure, name, zone_of};
use crate::domain::ServiceAction;
use crate::query::UnitRow;
use crate::query::dossier::Dossier;
use crate::report::words;
use crate::visit::settle::Watch;
use crate::visit::steps::{ALL, CAUTIONS, Step, step};
use crate::visit::{Done, Expected, Visit, expectations};

/// The page: before, during or after the visit, by what the logbook says.
pub fn page(frame: &Frame, dossier: &Dossier, visit: Option<&Visit>, again: bool) -> String {
    let row = &dossier.row;
    let zone = zone_of(row);
    let body = match visit {
        Some(visit) if visit.ended.is_none() => under_way(frame, dossier, visit, &zone),
        Some(visit) if !again => ended(frame, row, visit, &zone),
        _ => begin(frame, row),
    };
    frame.page(
        &format!("Visit: {}", name(row)),
        Stamp::of(row.reading.as_ref(), &zone),
        &html! {
            p.path { a href=(address(row)) { (name(row)) } }
            (body)
        },
    )
}

fn begin(frame: &Frame, row: &UnitRow) -> Markup {
    let expected = row.assessment.as_deref().map(expectations).unwrap_or_default();
    html! {
        h1 { "Visit" }
        p { "Before the unit is opened, confirm each line. Nothing here replaces the unit's papers." }
        @if frame.may_record {
            form.steps method="post" action={ (address(row)) "/visit" } data-queue="" {
                (frame.token()) input type="hidden" name="do" value="start";
                fieldset { legend { "Confirmed" }
                    @for (i, caution) in CAUTIONS.iter().enumerate() {
                        label.tick { input type="checkbox" name={ "caution" (i) } value="yes" required; span { (caution) } }
                    }
                }
                label { "By " input type="text" name="by" maxlength="80" autocomplete="name" required value=[frame.who.as_deref()]; }
                (when(frame, row))
                button.big type="submit" { "Start the visit" }
            }
        } @else { p { "You may read, but not record." } }
        h2 { "What the steps should give" }
        (foreseen(&expected, row))
    }
}

/// A visit done without a connection is entered afterwards: then its own times are given.
fn when(frame: &Frame, row: &UnitRow) -> Markup {
    let zone = zone_of(row);
    html! {
        details { summary { "It was at another time" }
            label { "When (" (zone.iana_name().unwrap_or("UTC")) ") " input type="datetime-local" step="1" name="at"; }
            p { "Leave it empty for now." }
        }
        input type="hidden" name="made" value=(frame.now);
    }
}

fn foreseen(expected: &[Expected], row: &UnitRow) -> Markup {
    let now = row.reading.as_ref().map(|reading| reading.intensity);
    html! {
        @if expected.is_empty() { p { "Too little is known to foresee it." } } @else {
            table { thead { tr { th scope="col" { "Step" } th scope="col" { "Gain" } th scope="col" { "Reading after it alone" } } }
                tbody { @for e in expected { tr {
                    th scope="row" { (step(e.action).map_or_else(|| words::plain(e.action.name()), |s| s.title.to_owned())) }
                    td { (words::tenths(e.gain)) " % (" (words::tenths(e.low)) " to " (words::tenths(e.high)) ")" }
                    td { @match now { Some(now) => { (format!("{:.1}", now * (1.0 + e.gain / 100.0))) " " (measure(&row.intensity_unit)) } None => { "-" } } }
                } } } }
        }
    }
}

fn under_way(frame: &Frame, dossier: &Dossier, visit: &Visit, zone: &TimeZone) -> Markup {
    let row = &dossier.row;
    html! {
        h1 { "Visit under way" }
        p { "Since " (words::instant(visit.started, zone)) @if let Some(by) = &visit.by { ", " (by) } }
        div #live data-live={ (address(row)) "/visit/live" } aria-live="polite" { (live(row, visit)) }
        @if frame.may_record {
            @if let Some(next) = visit.next.and_then(step) { section.next { h2 { "Next: " (next.title) } (card(frame, row, visit, next)) } }
            @let others: Vec<&Step> = ALL.iter().filter(|s| Some(s.action) != visit.next).collect();
            details { summary { "Another step" }
                @for other in others { section { h3 { (other.title) } (card(frame, row, visit, other)) } }
                section { h3 { "A new part" } (replaced(frame, row)) }
            }
            section { h2 { "End" }
                form.steps method="post" action={ (address(row)) "/visit" } data-queue="" {
                    (frame.token()) input type="hidden" name="do" value="end";
                    label.tick { input type="checkbox" name="closed" value="yes" required; span { "Closed, no leak with the valve part open and then fully; power on" } }
                    label.wide { "Parts used, anything worth knowing next time " textarea name="note" maxlength="1500" rows="2" {} }
                    (when(frame, row))
                    button.big type="submit" { "End the visit" }
                }
            }
        }
    }
}

fn card(frame: &Frame, row: &UnitRow, visit: &Visit, step: &Step) -> Markup {
    let foreseen = visit.expected.iter().find(|e| e.action == step.action);
    html! {
        p { b { "Have ready: " } (step.tools) }
        ol { @for line in step.how { li { (line) } } }
        p { b { "Check: " } (step.check) }
        @if let Some(e) = foreseen { p { "Expected: " (words::tenths(e.gain)) " % more light (" (words::tenths(e.low)) " to " (words::tenths(e.high)) ")" } }
        form.steps method="post" action={ (address(row)) "/visit" } data-queue="" {
            (frame.token()) input type="hidden" name="do" value="step"; input type="hidden" name="action" value=(step.action.name());
            input type="hidden" name="seen" value=(visit.count(step.action));
            input type="hidden" name="by" value=[visit.by.as_deref()];
            label.tick { input type="checkbox" name="checked" value="yes" required; span { "Done and checked" } }
            (when(frame, row))
            button.big type="submit" { "Done: watch the reading" }
        }
        form.inline method="post" action={ (address(row)) "/visit" } data-queue="" {
            (frame.token()) input type="hidden" name="do" value="pass"; input type="hidden" name="action" value=(step.action.name());
            input type="hidden" name="made" value=(frame.now);
            button.quiet type="submit" { "Not today" }
        }
    }
}

fn replaced(frame: &Frame, row: &UnitRow) -> Markup {
    html! {
        form.steps method="post" action={ (address(row)) "/visit" } data-queue="" {
            (frame.token()) input type="hidden" name="do" value="step";
            label { "Part " select name="action" {
                @for action in [ServiceAction::SleeveReplaced, ServiceAction::SensorReplaced, ServiceAction::SedimentFilterReplaced, ServiceAction::CarbonFilterReplaced, ServiceAction::FlowSensorReplaced, ServiceAction::FuseReplaced] {
                    option value=(action.name()) { (words::plain(action.name())) }
                }
            } }
            input type="hidden" name="checked" value="yes";
            (when(frame, row))
            button type="submit" { "Fitted and checked" }
        }
    }
}

/// The part that follows the reading.
pub fn live(row: &UnitRow, visit: &Visit) -> Markup {
    let unit = measure(&row.intensity_unit);
    html! {
        p.reading { @match &row.reading {
            Some(reading) => { b { (format!("{:.1}", reading.intensity)) } " " (unit) }
            None => { "no reading" }
        } @if let Some(reading) = &row.reading { span.under { "read " (words::instant(reading.at, &zone_of(row))) } }
        @if let Some(before) = visit.before { span.under { "before the visit " (format!("{before:.1}")) ", set point " (row.set_point) } } }
        @if let Some(last) = visit.done.last() { p.state data-settled=[last.watch.level().map(|_| "yes")] { (last.watch.says()) } (progress(&last.watch)) }
        p.advice { (visit.advice) }
        @if !visit.done.is_empty() { (credits(&visit.done)) }
    }
}

fn progress(watch: &Watch) -> Markup {
    let (at, of) = match watch {
        Watch::Waiting => (0, "waiting for a reading"),
        Watch::Dark => (1, "waiting for light"),
        Watch::WarmingUp { .. } => (2, "warming up"),
        Watch::Moving { .. } => (3, "settling"),
        Watch::Settled { .. } => (4, "settled"),
    };
    html! { progress max="4" value=(at) aria-label=(of) {} }
}

fn credits(done: &[Done]) -> Markup {
    html! {
        table.credits { thead { tr { th scope="col" { "Step" } th scope="col" { "Gave" } th scope="col" { "Expected" } } }
            tbody { @for done in done { tr data-action=(done.entry.action.name()) {
                th scope="row" { (words::plain(done.entry.action.name())) }
                td { @match done.credit { Some(credit) => { (format!("{credit:+.1} %")) @if done.together > 0 { " with the step before" } } None => { "not settled" } } }
                td { @match done.expected { Some(e) => { (words::tenths(e.gain)) " %" } None => { "-" } } }
            } } } }
    }
}

fn ended(frame: &Frame, row: &UnitRow, visit: &Visit, zone: &TimeZone) -> Markup {
    let unit = measure(&row.intensity_unit);
    let over = visit.after.map(|after| after > row.set_point);
    let new =
        row.reading.as_ref().and_then(|r| Some(100.0 * r.intensity / r.percent_of_reference.filter(|p| *p > 0.0)?));
    html! {
        h1 { "Visit of " (visit.started.date_in(zone)) }
        @if let Some(by) = &visit.by { p { "By " (by) } }
        dl.facts.ended {
            div { dt { "Light before" } dd { @match visit.before { Some(light) => { (format!("{light:.1}")) " " (unit) } None => { "not known" } } } }
            div { dt { "Light after" } dd #after { @match visit.after { Some(light) => { (format!("{light:.1}")) " " (unit) } None => { "not settled" } } } }
            @if let (Some(new), Some(after)) = (new, visit.after) { div { dt { "Against new" } dd { (format!("{:.0} %", 100.0 * after / new)) } } }
            div { dt { "Set point" } dd { (row.set_point) " " (unit) } }
            @if let Some(gain) = visit.gain() { div { dt { "Gain" } dd #gain { (format!("{gain:+.1} %")) } } }
        }
        p class={ "banner " @if over == Some(true) { "calm" } @else { "alarm" } } {
            @match over {
                Some(true) => { "The reading is over the set point again. Whether treatment is assured is for the unit's papers and the health authority to say." }
                Some(false) => { "The reading is still at or under the set point: treatment is not assured." }
                None => { "The reading had not settled: look again before you leave." }
            }
        }
        @if !visit.done.is_empty() { (credits(&visit.done)) }
        @if let Some(remark) = &visit.remark { p.note { b { "Noted: " } (remark) } }
        p { b { "Watch: " } "the reading of the next days; a step back down says that something came loose or the water is cloudy. The forecast starts anew with the next assessment." }
        p.doors {
            a.button href=(address(row)) { "To the unit" }
            button.quiet type="button" data-print="" { "Print" }
            @if frame.may_record { a.button.quiet href={ (address(row)) "/visit?again=yes" } { "Another visit" } }
        }
    }
}
