//! The fleet's page: worst first, what costs light, until when it lasts.

use std::collections::BTreeSet;

use jiff::tz::TimeZone;
use maud::{Markup, html};

use super::frame::{Frame, Stamp, address, condition, made, measure, name, zone_of};
use crate::domain::assessment::VerdictCause;
use crate::query::dossier::FleetLine;
use crate::report::words;

/// What is to be shown of the fleet.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Filter {
    /// Only this site.
    pub site: String,
    /// Only sites with this tag.
    pub tag: String,
    /// Only units with this verdict.
    pub cause: String,
}

impl Filter {
    fn takes(&self, line: &FleetLine) -> bool {
        let cause = line.row.assessment.as_deref().map(|said| said.verdict.cause.name());
        (self.site.is_empty() || self.site == line.row.site)
            && (self.tag.is_empty() || line.site.tags.contains(&self.tag))
            && (self.cause.is_empty() || cause == Some(&*self.cause))
    }
}

/// The page. `lines`: worst first.
pub fn page(frame: &Frame, lines: &[FleetLine], filter: &Filter) -> String {
    let shown: Vec<&FleetLine> = lines.iter().filter(|line| filter.takes(line)).collect();
    let newest = lines
        .iter()
        .filter(|line| line.row.reading.is_some())
        .max_by_key(|line| line.row.reading.as_ref().map(|r| r.at));
    let zone = newest.or(lines.first()).map_or(TimeZone::UTC, |line| zone_of(&line.row));
    let stamp = Stamp::of(newest.and_then(|line| line.row.reading.as_ref()), &zone);
    frame.page("Units", stamp, &html! {
        h1 { "Units, worst first" }
        (filters(lines, filter))
        div #fleet data-fresh="" {
            p.count { (words::count(shown.len() as u64, "unit")) @if shown.len() < lines.len() { " of " (lines.len()) } }
            @if shown.is_empty() {
                p { "Nothing to show with this filter. " a href="/" { "Show every unit" } }
            } @else {
                table.fleet {
                    thead { tr {
                        th scope="col" { "Unit" }
                        th scope="col" { "Condition" }
                        th scope="col" { "Light" }
                        th scope="col" { "Last 60 days" }
                        th scope="col" { "What costs light" }
                        th scope="col" { "Do by" }
                    } }
                    tbody { @for line in shown { (row(frame, line)) } }
                }
            }
        }
    })
}

fn filters(lines: &[FleetLine], filter: &Filter) -> Markup {
    let sites: BTreeSet<(&str, &str)> =
        lines.iter().map(|l| (l.row.site.as_str(), l.site.name.as_deref().unwrap_or(&l.row.site))).collect();
    let tags: BTreeSet<&str> = lines.iter().flat_map(|line| line.site.tags.iter().map(String::as_str)).collect();
    html! {
        form.filters method="get" action="/" {
            label { "Site " select name="site" {
                option value="" { "every site" }
                @for (id, name) in sites { option value=(id) selected[id == filter.site] { (name) } }
            } }
            @if !tags.is_empty() {
                label { "Tag " select name="tag" {
                    option value="" { "any" }
                    @for tag in tags { option value=(tag) selected[tag == filter.tag] { (tag) } }
                } }
            }
            label { "Cause " select name="cause" {
                option value="" { "any" }
                @for cause in VerdictCause::ALL {
                    option value=(cause.name()) selected[cause.name() == filter.cause] { (words::verdict(*cause)) }
                }
            } }
            button type="submit" { "Show" }
        }
    }
}

fn row(frame: &Frame, line: &FleetLine) -> Markup {
    let row = &line.row;
    let said = row.assessment.as_deref();
    let today = frame.now.date_in(&zone_of(row));
    html! {
        tr {
            th scope="row" {
                a href=(address(row)) { (name(row)) }
                span.under { (line.site.name.as_deref().unwrap_or(&row.site)) }
            }
            td data-label="Condition" { (condition(row.condition)) }
            td data-label="Light" { (light(line)) }
            td.spark data-label="Last 60 days" { (made(sparkline(&line.course))) }
            td data-label="What costs light" {
                @if let Some(said) = said {
                    (words::verdict(said.verdict.cause))
                    @if let Some(p) = said.verdict.probability { span.under { (sureness(said.verdict.cause, p)) } }
                } @else { "not known yet" }
            }
            td data-label="Do by" {
                @match row.first_due() {
                    // A date of the forecast would hide that it is needed now.
                    _ if words::needs_light(row.condition) => {
                        b { "now" }
                        span.under { "treatment is not assured" }
                    }
                    Some((date, action)) => {
                        time datetime=(date) { (date) } ", " (words::how_far(date, today))
                        span.under { (words::to_do(action)) (spread(line)) }
                    }
                    None => { "not in sight" }
                }
            }
        }
    }
}

fn light(line: &FleetLine) -> Markup {
    let row = &line.row;
    html! {
        @match &row.reading {
            Some(reading) => {
                (format!("{:.1}", reading.intensity)) " " (measure(&row.intensity_unit))
                span.under { (format!("{:.0} % of the set point", 100.0 * reading.intensity / row.set_point.max(1e-9))) }
            }
            None => { "no reading" }
        }
    }
}

/// How sure a verdict is; of one that is open, how likely its likeliest cause.
pub fn sureness(cause: VerdictCause, probability: f64) -> String {
    let percent = words::probability(probability);
    if cause == VerdictCause::Unsettled {
        format!("the likeliest cause has {percent}")
    } else {
        format!("{percent} sure")
    }
}

/// How far the crossing is spread, in words.
fn spread(line: &FleetLine) -> Markup {
    let crossing = line.row.assessment.as_deref().map(|said| said.forecast.crossing).unwrap_or_default();
    html! {
        @match (crossing.p10, crossing.p90) {
            (Some(p10), Some(p90)) if p10 == p90 => { "; short about " time { (p10) } }
            (Some(p10), Some(p90)) => { "; short between " time { (p10) } " and " time { (p90) } }
            (Some(p10), None) => { "; short from " time { (p10) } " on, if at all" }
            _ => {}
        }
    }
}

/// A course of percents of the set point, drawn with the set point at 100.
fn sparkline(course: &[Option<f32>]) -> String {
    let values = || course.iter().flatten().copied().filter(|value| value.is_finite());
    if values().count() < 2 {
        return "<span class=\"under\">too few days</span>".to_owned();
    }
    let least = values().fold(100.0f32, f32::min);
    let most = values().fold(100.0f32, f32::max);
    let height = |value: f32| 26.0 - 24.0 * (value - least) / (most - least).max(1.0);
    let mut path = String::new();
    let mut pen = false;
    for (i, value) in course.iter().enumerate() {
        match value.filter(|value| value.is_finite()) {
            Some(value) => {
                path += &format!("{}{:.0} {:.1}", if pen { "L" } else { "M" }, i as f32 * 2.0, height(value));
                pen = true;
            }
            None => pen = false,
        }
    }
    let set = height(100.0);
    let first = values().next().unwrap_or_default();
    let last = values().next_back().unwrap_or_default();
    format!(
        "<svg viewBox=\"0 0 120 28\" width=\"120\" height=\"28\" role=\"img\" aria-label=\"from {first:.0} to {last:.0} \
         percent of the set point\"><path class=\"setpoint\" d=\"M0 {set:.1}H120\"/><path class=\"course\" d=\"{path}\"/></svg>"
    )
}
