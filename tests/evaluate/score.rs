//! What was said against what was true, in figures.

use std::collections::BTreeMap;
use std::time::Duration;

use fadeline::domain::assessment::{Episode, Likely};
use fadeline::domain::{Assessment, Cause, ServiceAction, Timestamp, VerdictCause};
use fadeline::scenario::plan::Service;
use fadeline::scenario::truth::{Losses, TrueEpisode, percent};
use fadeline::scenario::{Kind, Truth};
use jiff::civil::Date;

use super::unit::Unit;

/// How far ahead crossings are scored, days, and how far a day may be off to count for one.
pub const HORIZONS: [(i32, i32); 3] = [(15, 2), (30, 3), (60, 5)];
/// A claim from this probability on is a sure one.
const SURE: f64 = 0.8;
/// A step and its truth may lie this far apart, days.
const STEP_DAYS: i32 = 2;
/// Days over which the steepness of a fall is taken.
const STEEP_DAYS: usize = 15;

/// One crossing foretold.
struct Dated {
    /// Days.
    error: f64,
    /// Whether the 80 % interval held it.
    inside: bool,
    /// Fall of the true course over the next days, ln.
    fall: f64,
}

/// What was claimed of one unit at any of its scored days.
#[derive(Default)]
struct Claims {
    named: bool,
    dated: bool,
    sure: usize,
    sure_right: usize,
    sure_sleeve_or_lamp: bool,
    sure_pair: bool,
    false_step: bool,
}

/// Figures of a kind.
#[derive(Default)]
pub struct Score {
    took: Vec<f64>,
    dated: [Vec<Dated>; HORIZONS.len()],
    never_dated: (usize, usize),
    loss: BTreeMap<&'static str, (Vec<f64>, usize, f64)>,
    verdicts: usize,
    right: usize,
    /// Verdicts where something had been done by then: how many, how many right.
    served: (usize, usize),
    claims: BTreeMap<String, usize>,
    /// Claims by tenths of their probability: how many, how many right, sum of the probabilities.
    bins: BTreeMap<usize, (usize, usize, f64)>,
    units: Vec<Claims>,
    cleanings: (usize, usize, usize),
    false_cleanings: usize,
    dips: (usize, usize, usize),
}

impl Score {
    /// Scores what was said of one unit: on some days, and at the end.
    pub fn unit(&mut self, unit: &Unit, days: &[(Date, Option<usize>, Assessment, Duration)], end: &Assessment) {
        let mut claims = Claims::default();
        for (date, horizon, found, took) in days {
            self.took.push(took.as_secs_f64() * 1e3);
            self.causes(found, &unit.lost(*date));
            self.crossing(found, &unit.truth, *date, *horizon);
            if horizon.is_none() {
                claims.dated |= found.forecast.crossing.p50.is_some();
                self.verdict(found, unit, *date, &mut claims);
            }
        }
        self.steps(end, unit, &mut claims);
        self.episodes(end, unit);
        self.units.push(claims);
    }

    fn crossing(&mut self, found: &Assessment, truth: &Truth, date: Date, horizon: Option<usize>) {
        let crossing = truth.crossing_from(date);
        let away = |day: Option<Date>| day.map_or(366.0, |day| f64::from((day - date).get_days()));
        let quantiles = found.forecast.crossing;
        if let (Some(place), Some(_)) = (horizon, crossing) {
            let want = away(crossing);
            let ahead = truth.course_from(date, STEEP_DAYS);
            self.dated[place].push(Dated {
                error: (away(quantiles.p50) - want).abs(),
                inside: away(quantiles.p10) <= want + 0.5 && want - 0.5 <= away(quantiles.p90),
                fall: ahead.first().zip(ahead.last()).map_or(0.0, |(from, to)| (from / to).ln()),
            });
        }
        if crossing.is_none() && horizon.is_none() {
            self.never_dated.0 += usize::from(quantiles.p50.is_some());
            self.never_dated.1 += 1;
        }
    }

    fn causes(&mut self, found: &Assessment, truth: &Losses) {
        let Some(loss) = &found.loss else { return };
        let mut add = |name: &'static str, (said, low, high): (f64, f64, f64), want: f64| {
            let entry = self.loss.entry(name).or_default();
            entry.0.push((said - want).abs());
            entry.1 += usize::from((low..=high).contains(&want));
            entry.2 += said - want;
        };
        for cause in loss.causes.iter().filter(|cause| cause.cause != Cause::Unexplained) {
            add(cause.cause.name(), (cause.percent, cause.low, cause.high), percent(truth.of(cause.cause)));
        }
        let all = [Cause::SleeveFouling, Cause::LampOrSensor, Cause::WaterQuality];
        let sum: f64 = all.iter().map(|cause| truth.of(*cause)).sum();
        add("total", (loss.total.percent, loss.total.low, loss.total.high), percent(sum));
    }

    fn verdict(&mut self, found: &Assessment, unit: &Unit, date: Date, claims: &mut Claims) {
        let leading = unit.lost(date).leading();
        let said = found.verdict.cause;
        let pair = [VerdictCause::LampAgeing, VerdictCause::SensorDrift];
        let right = said == leading || (said == VerdictCause::LampOrSensor && pair.contains(&leading));
        let probability = found.verdict.probability.unwrap_or(0.0);
        self.verdicts += 1;
        self.right += usize::from(right);
        let until = unit.after(date);
        if unit.log.iter().any(|entry| entry.at < until) {
            self.served.0 += 1;
            self.served.1 += usize::from(right);
        }
        *self.claims.entry(format!("{said}")).or_default() += 1;
        if said == VerdictCause::Unsettled {
            return;
        }
        let bin = self.bins.entry((probability * 10.0).min(9.0) as usize).or_default();
        *bin = (bin.0 + 1, bin.1 + usize::from(right), bin.2 + probability);
        if said == VerdictCause::None {
            return;
        }
        claims.named |= probability >= 0.5;
        if probability >= SURE {
            claims.sure += 1;
            claims.sure_right += usize::from(right);
            claims.sure_sleeve_or_lamp |= [VerdictCause::SleeveFouling, VerdictCause::LampAgeing].contains(&said);
            claims.sure_pair |= said == VerdictCause::LampOrSensor;
        }
    }

    fn steps(&mut self, found: &Assessment, unit: &Unit, claims: &mut Claims) {
        let plan = &unit.plan;
        let apart = |at: Date, other: Timestamp| (at - other.date_in(&plan.papers.zone)).get_days();
        let near = |at: Date, other: Timestamp| apart(at, other).abs() <= STEP_DAYS;
        let unlogged = |service: &&Service| {
            let sleeve = [ServiceAction::SleeveCleaned, ServiceAction::SleeveReplaced];
            service.logged.is_none() && sleeve.contains(&service.work.action()) && service.at < plan.to
        };
        let cleaned = found.unlogged.iter().filter(|s| s.likely == Likely::SleeveCleaned);
        let said: Vec<Date> = cleaned.map(|s| s.at).collect();
        for service in plan.services.iter().filter(unlogged) {
            self.cleanings.1 += 1;
            self.cleanings.0 += usize::from(said.iter().any(|at| near(*at, service.at)));
        }
        let at_service = |at: Date| plan.services.iter().any(|s| near(at, s.at));
        self.cleanings.2 += said.len();
        self.false_cleanings += said.iter().filter(|at| !at_service(**at)).count();
        let changes = unit.truth.unlogged();
        let true_step = |at: Date| {
            let begins = |days: i64| i64::from(STEP_DAYS) + days;
            changes
                .iter()
                .any(|c| (-i64::from(STEP_DAYS)..=begins(c.days)).contains(&i64::from((at - c.date).get_days())))
        };
        claims.false_step = found.unlogged.iter().any(|s| !at_service(s.at) && !true_step(s.at));
    }

    fn episodes(&mut self, found: &Assessment, unit: &Unit) {
        let truth = &unit.truth;
        let overlaps = |a: &Episode, b: &TrueEpisode| a.from <= b.to && b.from <= a.to;
        let deep: Vec<_> = truth.episodes.iter().filter(|e| e.depth_percent >= 3.0 && unit.saw(e)).collect();
        self.dips.1 += deep.len();
        self.dips.0 += deep.iter().filter(|t| found.episodes.iter().any(|f| overlaps(f, t))).count();
        let said: Vec<_> = found.episodes.iter().filter(|e| e.depth_percent >= 3.0).collect();
        self.dips.2 += said.iter().filter(|f| !truth.episodes.iter().any(|t| overlaps(f, t))).count();
    }

    /// Prints all of it.
    pub fn print(&mut self, kind: Kind) {
        println!("== {kind}");
        self.print_dates();
        for (cause, (errors, inside, bias)) in &mut self.loss {
            errors.sort_by(f64::total_cmp);
            let count = errors.len().max(1) as f64;
            println!(
                "  {cause}: median {:.2} mean {:.2} bias {:.2} inside {:.0} %",
                middle(errors),
                mean(errors),
                *bias / count,
                100.0 * *inside as f64 / count
            );
        }
        self.print_claims();
        let (found, all, said) = self.cleanings;
        println!(
            "  unlogged cleanings: found {found} of {all}, said {said} ({} at no service); episodes: found {} of {}, {} false",
            self.false_cleanings, self.dips.0, self.dips.1, self.dips.2
        );
        self.took.sort_by(f64::total_cmp);
        println!("  time: median {:.1} ms, most {:.1} ms", middle(&self.took), self.took.last().unwrap_or(&0.0));
    }

    fn print_dates(&mut self) {
        for ((horizon, _), dated) in HORIZONS.iter().zip(&mut self.dated) {
            let mut errors: Vec<f64> = dated.iter().map(|d| d.error).collect();
            errors.sort_by(f64::total_cmp);
            dated.sort_by(|a, b| b.fall.total_cmp(&a.fall));
            let inside =
                |dated: &[Dated]| 100.0 * dated.iter().filter(|d| d.inside).count() as f64 / dated.len().max(1) as f64;
            println!(
                "  crossing {horizon} d: n {} mean {:.1} median {:.1} inside {:.0} %, in the steep third {:.0} %",
                errors.len(),
                mean(&errors),
                middle(&errors),
                inside(dated),
                inside(&dated[..dated.len() / 3])
            );
        }
        let (dated, all) = self.never_dated;
        println!("  dated where never: {dated} of {all}");
    }

    fn print_claims(&self) {
        let units = |which: fn(&Claims) -> bool| self.units.iter().filter(|claims| which(claims)).count();
        let sum = |which: fn(&Claims) -> usize| self.units.iter().map(which).sum::<usize>();
        let (sure, right) = (sum(|c| c.sure), sum(|c| c.sure_right));
        let (served, served_right) = self.served;
        println!(
            "  verdicts {}: right {}; of {served} with anything in the log {served_right}; sure {sure} right {right}; {:?}",
            self.verdicts, self.right, self.claims
        );
        for (bin, (n, right, said)) in &self.bins {
            let n_share = *n as f64;
            println!("    said 0.{bin}: {n} times, mean {:.2}, right {:.2}", said / n_share, *right as f64 / n_share);
        }
        println!(
            "  units {}: a cause at 0.5 or more {}, dated {}, sure of sleeve or lamp {}, of lamp-or-sensor {}, false step {}",
            self.units.len(),
            units(|c| c.named),
            units(|c| c.dated),
            units(|c| c.sure_sleeve_or_lamp),
            units(|c| c.sure_pair),
            units(|c| c.false_step)
        );
    }
}

pub fn mean(values: &[f64]) -> f64 {
    values.iter().sum::<f64>() / values.len().max(1) as f64
}

pub fn middle(sorted: &[f64]) -> f64 {
    sorted.get(sorted.len() / 2).copied().unwrap_or(f64::NAN)
}
