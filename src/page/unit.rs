//! One unit's page: the trend with what it means, what costs light, parts, logbook.

use jiff::tz::TimeZone;
use maud::{Markup, html};

use super::causes::Stack;
use super::chart::Chart;
use super::frame::{Frame, Stamp, address, condition, made, measure, name, unbroken, zone_of};
use crate::domain::assessment::Cause;
use crate::domain::time::DAY;
use crate::domain::{Assessment, Condition, FittedDay, ServiceAction, ServiceEntry, Timestamp};
use crate::query::dossier::Dossier;
use crate::query::series::{Resolution, Series};
use crate::report::words;

/// Rows of the table behind the chart; the CSV has all.
const ROWS_SHOWN: usize = 400;

/// The page. `latest`: whether the series ends now, so that the forecast belongs to it.
pub fn page(frame: &Frame, dossier: &Dossier, series: &Series, past: &[FittedDay], latest: bool) -> String {
    let row = &dossier.row;
    let zone = zone_of(row);
    let said = row.assessment.as_deref();
    let chart = Chart {
        series,
        set_point: row.set_point,
        unit: measure(&row.intensity_unit),
        said,
        past,
        log: &dossier.trend.log,
        zone: &zone,
        forecast: latest && !words::needs_light(row.condition),
        now: row.reading.as_ref().filter(|_| latest),
    };
    frame.page(&name(row), Stamp::of(row.reading.as_ref(), &zone), &html! {
        div #now data-fresh="" {
            (head(dossier))
            @if row.condition == Condition::Silent {
                p.banner.alarm role="status" { "The unit is silent: no reading arrives. What is shown is old, and nobody knows how much light there is now." }
            }
            @if words::needs_light(row.condition) {
                p.banner.alarm role="status" { (sentence(words::condition(row.condition))) " Use water treated another way until it is put right; the unit's papers and the health authority say how." }
            }
        }
        section aria-labelledby="says" {
            h2 #says { "What it means" }
            p { @if let Some(said) = said { (unbroken(&said.verdict.says)) } @else { "Nothing is known yet: an opinion needs some days of readings." } }
            @if let Some(settle) = said.and_then(|said| said.verdict.settle_with.as_ref()) {
                p { strong { "What would settle it: " } (words::to_do(settle.action)) ". " (sentence(&settle.says)) }
            }
            p.doors {
                a.button href={ (address(row)) "/visit" } { "Visit" }
                a.button.quiet href={ (address(row)) "/sheet" } { "Visit sheet" }
                a.button.quiet href={ "/months/" (row.site) "/" (frame.now.date_in(&zone).strftime("%Y-%m")) } { "Month" }
            }
        }
        section aria-labelledby="light" {
            h2 #light { "Light" }
            (zoom(dossier, series, latest))
            figure #chart { (made(chart.svg())) figcaption { (legend(&chart)) } }
            (table(series, &zone, row.set_point, measure(&row.intensity_unit)))
        }
        @if let Some(said) = said { (losses(said, &Stack { days: past, zone: &zone })) (unlogged(frame, dossier, said)) (parts(said)) }
        (logbook(frame, dossier, &zone))
    })
}

fn sentence(text: &str) -> String {
    let mut letters = text.chars();
    let first = letters.next().map(|c| c.to_uppercase().to_string()).unwrap_or_default();
    format!("{first}{}{}", letters.as_str(), if text.ends_with('.') { "" } else { "." })
}

/// Name, condition, light and dates.
pub fn head(dossier: &Dossier) -> Markup {
    let row = &dossier.row;
    let unit = measure(&row.intensity_unit);
    let forecast = row.assessment.as_deref().map(|said| &said.forecast);
    html! {
        p.path { a href="/" { "Units" } " / " a href={ "/?site=" (row.site) } { (dossier.site.name.as_deref().unwrap_or(&row.site)) } }
        h1 { (name(row)) " " (condition(row.condition)) }
        dl.facts {
            div { dt { "Light now" } dd { @match &row.reading {
                Some(reading) => { b { (format!("{:.1}", reading.intensity)) } " " (unit) span.under { "as of " (words::instant(reading.at, &zone_of(row))) } }
                None => { "no reading" }
            } } }
            div { dt { "Set point" } dd { (row.set_point) " " (unit) } }
            @if let Some(percent) = row.reading.as_ref().and_then(|reading| reading.percent_of_reference) {
                div { dt { "Against new" } dd { (format!("{percent:.0} %")) } }
            }
            @if let Some(forecast) = forecast {
                @if let Some(date) = forecast.clean_by { div { dt { "Clean by" } dd { time { (date) } } } }
                @if let Some(when) = words::going_short(row.condition, &forecast.crossing) {
                    div { dt { "Short, if nobody comes" } dd { (when) } }
                }
                @if let Some(date) = forecast.lamp_by { div { dt { "Lamp by" } dd { time { (date) } } } }
                @if let Some(date) = forecast.sensor_by { div { dt { "Sensor by" } dd { time { (date) } } } }
            }
        }
    }
}

fn zoom(dossier: &Dossier, series: &Series, latest: bool) -> Markup {
    let base = address(&dossier.row);
    let days = (series.to.millis_since(series.from) as f64 / DAY as f64).round().max(1.0) as i64;
    let link = |from: Timestamp, to: Timestamp| format!("{base}?from={from}&to={to}#light");
    let moved = |by: i64| link(series.from.plus_millis(by * DAY), series.to.plus_millis(by * DAY));
    let half = (days / 4).max(1);
    // Two of them show the word `day`; read aloud they say what they do.
    let fineness = |resolution: Resolution| match resolution {
        Resolution::Raw => "raw readings",
        Resolution::Hour => "by the hour",
        Resolution::Day => "by the day",
    };
    let resolution = |resolution: Resolution| {
        format!("{base}?from={}&to={}&resolution={}#light", series.from, series.to, resolution.name())
    };
    html! {
        nav.zoom aria-label="Span of the chart" {
            @for (label, span) in [("day", 1), ("week", 7), ("month", 30), ("quarter", 90), ("year", 365), ("3 years", 1_096)] {
                a href={ (base) "?days=" (span) "#light" } aria-label={ "last " (label) } aria-current=[(latest && span == days).then_some("true")] { (label) }
            }
            a data-key="ArrowLeft" href=(moved(-(days / 2).max(1))) { "earlier" }
            a data-key="ArrowRight" href=(moved((days / 2).max(1))) { "later" }
            a data-key="+" href=(link(series.from.plus_millis(half * DAY), series.to.plus_millis(-half.min(days / 4) * DAY))) { "closer" }
            a data-key="-" href=(link(series.from.plus_millis(-half * 2 * DAY), series.to)) { "wider" }
            span.gap {}
            @for one in Resolution::ALL {
                a href=(resolution(one)) aria-label=(fineness(one)) aria-current=[(one == series.resolution).then_some("true")] { (one.name()) }
            }
        }
    }
}

fn legend(chart: &Chart<'_>) -> Markup {
    html! {
        ul.legend {
            li { span.key.k-course {} "light (median), " (chart.unit) }
            li { span.key.k-band {} "lowest to highest" }
            @if !chart.past.is_empty() { li { span.key.k-fitted {} "what the causes explain" } }
            li { span.key.k-set {} "set point" }
            @if chart.crossing().is_some() {
                li { span.key.k-fan {} "forecast: 8 of 10 courses lie in the fan" }
            }
            @if chart.said.is_some_and(|said| !said.episodes.is_empty()) { li { span.key.k-cloud {} "cloudy water" } }
            @if chart.said.is_some_and(|said| !said.unlogged.is_empty()) { li { span.key.k-ask { "?" } "a step nobody logged" } }
        }
        @let marked = chart.marked();
        @if !marked.is_empty() {
            ol.actions { @for mark in &marked { li value=(mark.number) { (mark.entry.at.date_in(chart.zone)) " " (words::plain(mark.entry.action.name())) } } }
        }
    }
}

fn table(series: &Series, zone: &TimeZone, set_point: f64, unit: &str) -> Markup {
    let shown = &series.points[series.points.len().saturating_sub(ROWS_SHOWN)..];
    let csv = format!(
        "/api/v1/units/{}/{}/readings?from={}&to={}&resolution={}&format=csv",
        series.site,
        series.unit,
        series.from,
        series.to,
        series.resolution.name()
    );
    html! {
        details {
            summary { "The numbers behind the chart (" (series.points.len()) ")" }
            p { a href=(csv) { "All of them as CSV" } @if series.thinned { ". Neighbours were put together; lowest and highest are kept" } }
            div.scroll tabindex="0" role="region" aria-label="Numbers behind the chart" {
                table.numbers {
                    thead { tr { th scope="col" { "Time" } th scope="col" { "Light, " (unit) } th scope="col" { "Lowest" } th scope="col" { "Highest" } th scope="col" { "Readings" } } }
                    tbody { @for point in shown.iter().rev() { tr {
                        th scope="row" { @if series.resolution == Resolution::Day { (point.at.date_in(zone)) } @else { (words::instant(point.at, zone)) } }
                        td { (format!("{:.2}", point.value)) @if point.value <= set_point { " short" } }
                        td { (format!("{:.2}", point.low)) } td { (format!("{:.2}", point.high)) } td { (point.count) }
                    } } }
                }
            }
        }
    }
}

fn losses(said: &Assessment, stack: &Stack<'_>) -> Markup {
    let Some(loss) = &said.loss else { return html! {} };
    html! {
        section aria-labelledby="loss" {
            h2 #loss { "What costs light" }
            p {
                @let (share, what) = loss.gain().map_or((loss.total, "of the light when new is gone"), |gain| (gain, "more light than when new, by the sensor"));
                (format!("{:.1} % {what} ({:.1} to {:.1})", share.percent, share.low, share.high)) ", counted since "
                (said.as_of.min(loss.since).to_jiff().strftime("%Y-%m-%d")) "."
            }
            table.losses {
                thead { tr { th scope="col" { "Cause" } th scope="col" { "Points of light" } th scope="col" { "Between" } th scope="col" { "Growing" } } }
                tbody { @for cause in &loss.causes { tr {
                    th scope="row" { (words::cause(cause.cause)) @if cause.cause == Cause::LampOrSensor { span.under { "the two before, taken as one" } } }
                    td {
                        meter min="0" max="50" value=(format!("{:.1}", cause.percent.clamp(0.0, 50.0))) { (words::tenths(cause.percent)) }
                        " " (words::tenths(cause.percent)) "\u{a0}%"
                    }
                    td { (words::tenths(cause.low)) " to " (words::tenths(cause.high)) "\u{a0}%" }
                    td { @match cause.rate_percent_per_day { Some(rate) => { (format!("{rate:.2} % a day")) } None => { "-" } } }
                } } }
            }
            @if let Some(svg) = stack.svg() {
                figure {
                    (made(svg))
                    figcaption {
                        ul.legend { @for (class, name) in stack.shown().iter().rev() { li { span class={"key " (class) " " (class) "-lines"} {} (name) } } }
                        p { "Points of the light when new, as the fit explains the whole history; the slow wandering of the water and a storm that passes are not in it." }
                    }
                }
            }
        }
    }
}

fn unlogged(frame: &Frame, dossier: &Dossier, said: &Assessment) -> Markup {
    if said.unlogged.is_empty() {
        return html! {};
    }
    html! {
        section aria-labelledby="asked" {
            h2 #asked { "Steps that nobody logged" }
            ul.plain { @for step in &said.unlogged { li {
                p { (step.at) ": the light " @match (step.gain_percent, step.loss_percent) {
                    (Some(gain), _) => { "rose by " (words::tenths(gain)) " %" }
                    (_, Some(loss)) => { "fell by " (words::tenths(loss)) " %" }
                    _ => { "changed" }
                } ", perhaps " (words::plain(step.likely.name())) ". What was it?" }
                @if frame.may_record {
                    form.inline method="post" action={ (address(&dossier.row)) "/log" } data-queue="" {
                        (frame.token())
                        input type="hidden" name="at" value={ (step.at) "T12:00" };
                        input type="hidden" name="note" value="answers a step that nobody had logged";
                        (actions(step.likely.name()))
                        button type="submit" { "Record it" }
                    }
                }
            } } }
        }
    }
}

fn actions(chosen: &str) -> Markup {
    html! { label { "Action " select name="action" required {
        @for action in ServiceAction::ALL.iter().filter(|a| !matches!(a, ServiceAction::VisitStarted | ServiceAction::VisitEnded)) {
            option value=(action.name()) selected[action.name() == chosen] { (words::plain(action.name())) }
        }
    } } }
}

fn parts(said: &Assessment) -> Markup {
    html! {
        section aria-labelledby="parts" {
            h2 #parts { "Parts" }
            table.parts {
                thead { tr { th scope="col" { "Part" } th scope="col" { "Age" } th scope="col" { "Limit" } th scope="col" { "Due" } } }
                tbody { @for part in &said.parts { tr {
                    th scope="row" { (words::plain(&part.part)) }
                    td data-label="Age" { @match part.age_days { Some(days) => { (words::days(days)) } None => { "not known" } }
                        @if let Some(hours) = part.age_hours { span.under { (format!("{hours:.0} h burnt")) } } }
                    td data-label="Limit" { (part.limit) }
                    td data-label="Due" { @match part.due { Some(date) => { (date) } None => { "not known" } } }
                } } }
            }
        }
    }
}

fn logbook(frame: &Frame, dossier: &Dossier, zone: &TimeZone) -> Markup {
    html! {
        section aria-labelledby="logbook" {
            h2 #logbook { "Logbook" }
            @if frame.may_record { (record(frame, dossier, zone)) }
            (entries(&dossier.trend.log, zone))
        }
    }
}

fn record(frame: &Frame, dossier: &Dossier, zone: &TimeZone) -> Markup {
    let now = frame.now.to_jiff().to_zoned_datetime(zone.clone()).strftime("%Y-%m-%dT%H:%M").to_string();
    html! {
        form.record method="post" action={ (address(&dossier.row)) "/log" } data-queue="" {
            (frame.token())
            (actions(ServiceAction::SleeveCleaned.name()))
            label { "When (" (zone.iana_name().unwrap_or("UTC")) ") " input type="datetime-local" name="at" value=(now) required; }
            label { "Value, where one was measured " input type="number" step="any" name="value" inputmode="decimal"; }
            label { "By " input type="text" name="by" maxlength="80" autocomplete="name" value=[frame.who.as_deref()]; }
            label.wide { "Note " textarea name="note" maxlength="2000" rows="2" {} }
            button type="submit" { "Record" }
        }
    }
}

/// The service history, latest first.
pub fn entries(log: &[ServiceEntry], zone: &TimeZone) -> Markup {
    html! {
        @if log.is_empty() { p { "Nothing has been recorded yet." } } @else {
            ol.log { @for entry in log.iter().rev() { li {
                time datetime=(entry.at) { (words::instant(entry.at, zone)) }
                " " b { (words::plain(entry.action.name())) }
                @if let Some(value) = entry.value { " " (value) }
                @if let Some(by) = &entry.by { ", " (by) }
                @if let Some(note) = &entry.note { p.note { (note) } }
            } } }
        }
    }
}
