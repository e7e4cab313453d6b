//! The next trip: which sites, on which day, with which parts.
//!
//! The rule, as the planner is told it: a unit that is dark, short or silent always goes, first. A unit goes when
//! something falls due, or the risk of going short reaches 10 %, before the trip after this one. Others at the same
//! site join when theirs come before one more trip, because the drive is paid already. Sites are visited in the order
//! of the risk they take away for each minute, and days are filled up to the working hours; what does not fit goes to a
//! further day and is never left out.

use jiff::civil::Date;
use serde::{Deserialize, Serialize};

use super::UnitRow;
use super::bring::{Bring, bring};
use super::dossier::{FleetLine, SiteCard};
use crate::domain::assessment::Crossing;
use crate::domain::{Condition, ServiceAction};

/// A unit goes when the risk of being short before the trip after this one reaches this.
pub const RISK_TO_GO: f64 = 0.10;

/// The planner's figures.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct RoundRules {
    /// Minutes of work and driving in a day.
    pub day_minutes: u32,
    /// Minutes a visit takes.
    pub visit_minutes: u32,
    /// Minutes of travel to a site that names none, one way; a call counts both ways.
    pub travel_minutes: u32,
    /// Days until the trip after this one.
    pub interval_days: u32,
}

impl Default for RoundRules {
    /// Our choice: eight hours, an hour at a unit, three quarters of an hour of driving each way, a trip every fortnight.
    fn default() -> Self {
        Self { day_minutes: 480, visit_minutes: 60, travel_minutes: 45, interval_days: 14 }
    }
}

/// Why a unit is on the trip.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Because {
    /// Dark, short or silent.
    Urgent,
    /// Something falls due, or the risk is too high, before the trip after this one.
    Due,
    /// The site is visited anyway.
    Joined,
}

/// One unit of the trip.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Stop {
    /// The unit's id within the site.
    pub unit: String,
    /// A name for people, if the owner gave one.
    pub name: Option<String>,
    /// Its condition now.
    pub condition: Condition,
    /// Why it is on the trip.
    pub because: Because,
    /// The first date by which something must be done.
    pub due: Option<Date>,
    /// What must be done by then.
    #[serde(default)]
    pub to_do: Option<ServiceAction>,
    /// The risk of being short before the trip after this one, 0 to 1.
    pub risk: f64,
    /// What is said of it.
    pub says: String,
    /// What to bring.
    pub bring: Vec<Bring>,
}

/// One site of the trip.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Call {
    /// Where.
    pub site: SiteCard,
    /// Driving and work, minutes.
    pub minutes: u32,
    /// Its units, the most urgent first.
    pub stops: Vec<Stop>,
}

/// One day of the trip.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct RoundDay {
    /// Driving and work, minutes.
    pub minutes: u32,
    /// Whether that is more than the day has: one site alone can be.
    pub over: bool,
    /// In the order to be visited.
    pub calls: Vec<Call>,
}

/// The next trip.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Round {
    /// Planned on this day.
    pub today: Date,
    /// The planner's figures.
    pub rules: RoundRules,
    /// Days in order.
    pub days: Vec<RoundDay>,
    /// Parts of all units: name, how many are expected to be needed, how many to load so that 9 trips of 10 suffice.
    pub parts: Vec<VanPart>,
    /// Units that can wait; those that are closed are not among them.
    pub waiting: usize,
}

/// A part summed over the trip.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct VanPart {
    /// Such as `lamp`.
    pub part: String,
    /// How many are needed on average.
    pub expected: f64,
    /// How many suffice with at least 90 %.
    pub load: usize,
}

/// The risk of having crossed by `date`, from the three quantiles: straight lines between them, 0 before what is 0.
pub fn risk(crossing: &Crossing, today: Date, date: Date) -> f64 {
    let days = |date: Date| f64::from((date - today).get_days());
    let Some(p10) = crossing.p10.map(days) else { return 0.0 };
    let at = days(date);
    let p50 = crossing.p50.map_or(f64::INFINITY, days);
    let p90 = crossing.p90.map_or(f64::INFINITY, days);
    let along = |(from, low): (f64, f64), (to, high): (f64, f64)| {
        if to.is_infinite() { low } else { low + (high - low) * ((at - from) / (to - from).max(1.0)).min(1.0) }
    };
    if at < p10 {
        if p10 <= 0.0 { 0.1 } else { 0.1 * (at / p10).clamp(0.0, 1.0) }
    } else if at < p50 {
        along((p10, 0.1), (p50, 0.5))
    } else if at < p90 {
        along((p50, 0.5), (p90, 0.9))
    } else {
        0.9
    }
}

/// Figures for one look at the round, in place of the planner's usual ones.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct OtherRules {
    /// See [`RoundRules::day_minutes`]; 60 to 1440.
    pub day_minutes: Option<u32>,
    /// See [`RoundRules::visit_minutes`]; 5 to 1440.
    pub visit_minutes: Option<u32>,
    /// See [`RoundRules::travel_minutes`]; at most 1440.
    pub travel_minutes: Option<u32>,
    /// See [`RoundRules::interval_days`]; 1 to 365.
    pub interval_days: Option<u32>,
}

impl OtherRules {
    /// The figures that count, within what can be.
    pub fn over(self, usual: RoundRules) -> RoundRules {
        RoundRules {
            day_minutes: self.day_minutes.map_or(usual.day_minutes, |minutes| minutes.clamp(60, 1_440)),
            visit_minutes: self.visit_minutes.map_or(usual.visit_minutes, |minutes| minutes.clamp(5, 1_440)),
            travel_minutes: self.travel_minutes.map_or(usual.travel_minutes, |minutes| minutes.min(1_440)),
            interval_days: self.interval_days.map_or(usual.interval_days, |days| days.clamp(1, 365)),
        }
    }
}

/// The trip that starts on `today`.
pub fn plan(lines: &[FleetLine], rules: RoundRules, today: Date) -> Round {
    let next = |trips: u32| today.saturating_add(jiff::Span::new().days(i64::from(rules.interval_days * trips)));
    let mut calls: Vec<Call> = Vec::new();
    for line in lines {
        let Some(stop) = stop(&line.row, today, (next(1), next(2))) else { continue };
        match calls.iter_mut().find(|call| call.site.id == line.site.id) {
            Some(call) => call.stops.push(stop),
            None => calls.push(Call { site: line.site.clone(), minutes: 0, stops: vec![stop] }),
        }
    }
    calls.retain(|call| call.stops.iter().any(|stop| stop.because < Because::Joined));
    for call in &mut calls {
        let visits = u32::try_from(call.stops.len()).unwrap_or(u32::MAX).saturating_mul(rules.visit_minutes);
        let one_way = call.site.travel_minutes.unwrap_or(rules.travel_minutes);
        call.minutes = visits.saturating_add(one_way.saturating_mul(2));
        call.stops
            .sort_by(|a, b| (a.because, a.condition).cmp(&(b.because, b.condition)).then(b.risk.total_cmp(&a.risk)));
    }
    let worth = |call: &Call| call.stops.iter().map(|stop| stop.risk).sum::<f64>() / f64::from(call.minutes.max(1));
    let first = |call: &Call| call.stops.iter().map(|stop| (stop.because, stop.condition)).min();
    let urgent = |call: &Call| first(call).filter(|(because, _)| *because == Because::Urgent).map(|(_, c)| c);
    calls.sort_by(|a, b| {
        // Urgent ones first, the worst condition before others; then by what a minute is worth.
        let key = |call: &Call| urgent(call).map_or((1, Condition::Steady), |condition| (0, condition));
        key(a).cmp(&key(b)).then(worth(b).total_cmp(&worth(a))).then(a.site.id.cmp(&b.site.id))
    });
    let parts = sum(&calls);
    let taken: usize = calls.iter().map(|call| call.stops.len()).sum();
    // A unit that is shut for the season waits for nothing.
    let open = lines.iter().filter(|line| line.row.condition != Condition::Closed).count();
    Round { today, rules, days: fill(calls, rules.day_minutes), parts, waiting: open.saturating_sub(taken) }
}

fn stop(row: &UnitRow, today: Date, (next, after_next): (Date, Date)) -> Option<Stop> {
    let (due, to_do) = row.first_due().unzip();
    let crossing = row.assessment.as_deref().map(|said| said.forecast.crossing).unwrap_or_default();
    let short_risk = risk(&crossing, today, next);
    let because = match row.condition {
        Condition::Dark | Condition::Short | Condition::Silent => Because::Urgent,
        Condition::Closed => return None,
        _ if due.is_some_and(|due| due <= next) || short_risk >= RISK_TO_GO => Because::Due,
        _ if due.is_some_and(|due| due <= after_next) => Because::Joined,
        _ => return None,
    };
    let urgent_risk = if matches!(row.condition, Condition::Dark | Condition::Short) { 1.0 } else { short_risk };
    Some(Stop {
        unit: row.unit.clone(),
        name: row.name.clone(),
        condition: row.condition,
        because,
        due,
        to_do,
        risk: urgent_risk,
        says: row.assessment.as_deref().map_or_else(String::new, |said| said.verdict.says.clone()),
        bring: bring(row, today),
    })
}

/// Fills days in order: a call goes to the first day with room that is not before an urgent one's.
fn fill(calls: Vec<Call>, day_minutes: u32) -> Vec<RoundDay> {
    let mut days: Vec<RoundDay> = Vec::new();
    for call in calls {
        let fits = |day: &&mut RoundDay| day.minutes.saturating_add(call.minutes) <= day_minutes;
        match days.iter_mut().find(fits) {
            Some(day) => {
                day.minutes += call.minutes;
                day.calls.push(call);
            }
            None => {
                days.push(RoundDay { minutes: call.minutes, over: call.minutes > day_minutes, calls: vec![call] });
            }
        }
    }
    days
}

fn sum(calls: &[Call]) -> Vec<VanPart> {
    let mut names: Vec<(String, Vec<f64>)> = Vec::new();
    for part in calls.iter().flat_map(|call| &call.stops).flat_map(|stop| &stop.bring) {
        match names.iter_mut().find(|(name, _)| *name == part.part) {
            Some((_, chances)) => chances.push(part.probability),
            None => names.push((part.part.clone(), vec![part.probability])),
        }
    }
    let mut parts: Vec<VanPart> = names
        .into_iter()
        .map(|(part, chances)| VanPart { part, expected: chances.iter().sum(), load: suffices(&chances) })
        .collect();
    parts.sort_by(|a, b| b.expected.total_cmp(&a.expected));
    parts
}

/// The least number of a part that is enough with at least 90 %, the units being independent.
fn suffices(chances: &[f64]) -> usize {
    let mut exactly = vec![1.0];
    for p in chances {
        let mut next = vec![0.0; exactly.len() + 1];
        for (n, chance) in exactly.iter().enumerate() {
            next[n] += chance * (1.0 - p);
            next[n + 1] += chance * p;
        }
        exactly = next;
    }
    let mut within = 0.0;
    exactly
        .iter()
        .position(|chance| {
            within += chance;
            within >= 0.9
        })
        .unwrap_or(chances.len())
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::domain::{Assessment, UnitSpec};
    use crate::query::Live;

    fn today() -> Date {
        jiff::civil::date(2026, 8, 14)
    }

    fn line(id: &str, condition: Condition, clean_in_days: i64, travel: u32) -> FleetLine {
        let mut said: Assessment =
            serde_json::from_str(include_str!("../../fixtures/assessment/contract.json")).unwrap();
        let day = |days: i64| Some(today().saturating_add(jiff::Span::new().days(days)));
        said.forecast.clean_by = day(clean_in_days);
        said.forecast.lamp_by = None;
        said.forecast.crossing =
            Crossing { p10: day(clean_in_days), p50: day(clean_in_days + 20), p90: day(clean_in_days + 40) };
        let spec = UnitSpec::new(id.parse().unwrap(), 14.0);
        let site = SiteCard { id: spec.id.site().to_owned(), travel_minutes: Some(travel), ..SiteCard::default() };
        let row = UnitRow::new(&spec, Live { condition, reading: None }, Some(said.into()));
        FleetLine { site, row, course: Vec::new() }
    }

    #[test]
    fn other_figures_leave_the_rest_of_the_usual_ones() {
        let usual = RoundRules { day_minutes: 300, visit_minutes: 40, travel_minutes: 20, interval_days: 7 };
        let other = OtherRules { visit_minutes: Some(90), interval_days: Some(0), ..OtherRules::default() };
        assert_eq!(other.over(usual), RoundRules { visit_minutes: 90, interval_days: 1, ..usual });
    }

    #[test]
    fn risk_follows_the_quantiles() {
        let day = |d| jiff::civil::date(2026, 9, d);
        let crossing = Crossing { p10: Some(day(10)), p50: Some(day(20)), p90: Some(day(30)) };
        let risk = |date| (risk(&crossing, jiff::civil::date(2026, 9, 1), date) * 100.0).round();
        assert_eq!(
            [risk(day(10)), risk(day(15)), risk(day(20)), risk(day(25)), risk(day(30))],
            [10., 30., 50., 70., 90.]
        );
        assert_eq!(super::risk(&Crossing::default(), day(1), day(9)), 0.0);
    }

    #[test]
    fn nothing_short_or_dark_is_left_out_and_days_keep_their_hours() {
        let mut lines =
            vec![line("far/dark", Condition::Dark, 400, 350), line("near/short", Condition::Short, 400, 15)];
        lines.extend((0..12).map(|n| line(&format!("site-{n}/a"), Condition::Due, n, 30)));
        lines.push(line("site-3/b", Condition::Fading, 20, 30));
        lines.push(line("wait/a", Condition::Fading, 20, 30));
        lines.push(line("shut/a", Condition::Closed, 1, 30));
        let round = plan(&lines, RoundRules::default(), today());
        let all: Vec<_> = round.days.iter().flat_map(|day| &day.calls).collect();
        assert_eq!(
            (all[0].site.id.as_str(), round.days[0].over),
            ("far", true),
            "the dark one first, on a day of its own"
        );
        let units: usize = all.iter().map(|call| call.stops.len()).sum();
        assert_eq!((units, round.waiting), (2 + 12 + 1, 1), "the second unit of site-3 joins; one waits, one is shut");
        assert!(round.days.iter().all(|day| day.over == (day.minutes > 480) && (!day.over || day.calls.len() == 1)));
        assert_eq!(round.days[1].calls[0].site.id, "near");
        let due = all.iter().flat_map(|call| &call.stops).filter(|stop| stop.because == Because::Due);
        assert!(due.clone().count() == 12 && due.clone().all(|stop| stop.to_do == Some(ServiceAction::SleeveCleaned)));
    }

    #[test]
    fn enough_parts_for_nine_trips_of_ten() {
        // Binomial with n = 4, p = 0.5: P(X <= 3) = 15/16, P(X <= 2) = 11/16, by hand.
        assert_eq!(suffices(&[0.5; 4]), 3);
        assert_eq!((suffices(&[0.05]), suffices(&[0.2]), suffices(&[])), (0, 1, 0));
    }
}
