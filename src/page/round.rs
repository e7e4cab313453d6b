//! The next trip, for screen and paper.

use jiff::tz::TimeZone;
use maud::{Markup, html};

use super::Frame;
use super::frame::{Stamp, condition, unbroken};
use crate::query::dossier::SiteCard;
use crate::query::round::{Because, Round, RoundRules, Stop};
use crate::report::round::{RULE, because, due, hours, likely};
use crate::report::words;

/// The page.
pub fn page(frame: &Frame, round: &Round) -> String {
    let rules = round.rules;
    let fields = [
        ("day_minutes", "Minutes in a day", rules.day_minutes, (60, 1_440)),
        ("visit_minutes", "Minutes a visit", rules.visit_minutes, (5, 1_440)),
        ("travel_minutes", "Minutes of travel one way, where a site names none", rules.travel_minutes, (0, 1_440)),
        ("interval_days", "Days until the trip after this one", rules.interval_days, (1, 365)),
    ];
    frame.page("Round", Stamp::Made(&TimeZone::UTC), &html! {
        h1 { "Round from " (round.today) }
        @if round.days.is_empty() { p { "Nothing calls for a trip before the one after next." } }
        @for (i, day) in round.days.iter().enumerate() {
            section {
                h2 { "Day " (i + 1) ", " (hours(day.minutes)) @if day.over { " (more than a day has)" } }
                @for call in &day.calls {
                    h3 { (call.site.name.as_deref().unwrap_or(&call.site.id)) span.under { (hours(call.minutes)) } }
                    (way(&call.site))
                    table.stops { thead { tr { th scope="col" { "Unit" } th scope="col" { "Condition" } th scope="col" { "Why" } th scope="col" { "Due" } th scope="col" { "Risk of short by then" } th scope="col" { "Likely needed" } } }
                        tbody { @for stop in &call.stops { (line(&call.site.id, stop)) } } }
                }
            }
        }
        @if !round.parts.is_empty() {
            section { h2 { "Parts for the van" }
                table { thead { tr { th scope="col" { "Part" } th scope="col" { "Load" } th scope="col" { "Needed on average" } } }
                    tbody { @for part in &round.parts { tr { th scope="row" { (part.part) } td { (part.load) } td { (format!("{:.1}", part.expected)) } } } } }
            }
        }
        p { @if round.waiting == 0 { "No other unit waits." } @else { (words::count(round.waiting as u64, "unit")) " can wait." } }
        section { h2 { "The rule" } p { (RULE) }
            @if !frame.alone { form.filters method="get" action="/round" {
                @for (key, label, value, (least, most)) in fields { label { (label) " " input type="number" name=(key) min=(least) max=(most) value=(value); } }
                button type="submit" { "Plan again" }
            }
            p.feed { a href=(printed(round.rules)) { "PDF to print" } a href="/round.ics" { "As a calendar (iCalendar)" } } }
        }
    })
}

/// Where it is, whom to call, how to get in: what is written down.
pub(super) fn way(site: &SiteCard) -> Markup {
    html! {
        @for (label, says) in [("Where: ", &site.address), ("Whom to call: ", &site.contact), ("How to get in: ", &site.access)] {
            @if let Some(says) = says { p.way { b { (label) } (says) } }
        }
    }
}

/// The paper of the plan that is shown, not of the usual one.
fn printed(rules: RoundRules) -> String {
    format!(
        "/round.pdf?day_minutes={}&visit_minutes={}&travel_minutes={}&interval_days={}",
        rules.day_minutes, rules.visit_minutes, rules.travel_minutes, rules.interval_days
    )
}

fn line(site: &str, stop: &Stop) -> Markup {
    html! { tr {
        th scope="row" { a href={ "/units/" (site) "/" (stop.unit) "/sheet" } { (stop.name.as_deref().unwrap_or(&stop.unit)) } }
        td data-label="Condition" { (condition(stop.condition)) }
        td data-label="Why" { (because(stop.because)) }
        td data-label="Due" { @match due(stop) { _ if stop.because == Because::Urgent => { "now" } Some((date, to_do)) => { time datetime=(date) { (date) } span.under { (to_do) } } None => { "-" } } }
        td data-label="Risk" { @if stop.because == Because::Urgent { "-" } @else { (words::probability(stop.risk)) } }
        td data-label="Likely needed" { (unbroken(&likely(stop))) }
    } }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::domain::Timestamp;
    use crate::query::round::plan;

    #[test]
    fn the_paper_behind_the_link_is_of_the_plan_that_is_shown() {
        let rules = RoundRules { visit_minutes: 30, interval_days: 7, ..RoundRules::default() };
        let round = plan(&[], rules, jiff::civil::date(2026, 8, 14));
        let now: Timestamp = "2026-08-14T12:00:00Z".parse().unwrap();
        let shown = page(&Frame { now, csrf: String::new(), who: None, may_record: false, alone: false }, &round);
        assert!(
            shown.contains("/round.pdf?day_minutes=480&amp;visit_minutes=30&amp;travel_minutes=45&amp;interval_days=7"),
            "{shown}"
        );
    }
}
