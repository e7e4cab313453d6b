//! Scores only what the searches find (steps nobody logged, doubtful log entries, episodes), without fitting the model:
//! `--found`; with `--worst` every claim that is false and every truth that was missed is printed, with `--list`
//! everything that was found.

use std::time::Instant;

use fadeline::analysis::{episodes, steps, water};
use fadeline::domain::{ServiceAction, ServiceEntry, Timestamp};
use fadeline::scenario::Kind;
use fadeline::scenario::plan::{Service, Work};
use fadeline::scenario::truth::{TrueEpisode, Unlogged};
use fadeline::scenario::water::Shift;
use jiff::civil::Date;

use super::score::{mean, middle};
use super::unit::Unit;

/// A gain under this is not asked of the search, ln.
const LEAST_GAIN: f64 = 0.01;
/// The depth from which episodes are asked for, percent.
const LEAST_DEPTH: f64 = 3.0;

/// A lasting change of measured water is asked for so many days after the first reading, and before the last.
const WATER_KNOWN: (f64, f64) = (28.0, 55.0);

/// Found of a number of truths, and right of a number of claims.
#[derive(Clone, Copy, Default)]
struct Hits {
    found: usize,
    truths: usize,
    right: usize,
    claims: usize,
}

impl Hits {
    fn text(&self) -> String {
        format!(
            "recall {:.3} ({} of {}), precision {:.3} ({} of {})",
            self.found as f64 / self.truths.max(1) as f64,
            self.found,
            self.truths,
            self.right as f64 / self.claims.max(1) as f64,
            self.right,
            self.claims
        )
    }
}

/// What was found in the units of a kind.
#[derive(Default)]
pub struct Found {
    units: usize,
    cleanings: Hits,
    up: Hits,
    down: Hits,
    /// Lasting changes of the water on units that measure it.
    water: Hits,
    without_false: usize,
    episodes: Hits,
    snaps: Hits,
    flags: Hits,
    took: [Vec<f64>; 2],
}

impl Found {
    /// Searches and scores one unit.
    pub fn score(&mut self, unit: &Unit, worst: bool, list: bool) {
        let (spec, c) = (&unit.plan.papers, &unit.constants);
        let begun = Instant::now();
        let found = steps::find(&unit.days, &unit.log, spec, &c.steps);
        self.took[0].push(begun.elapsed().as_secs_f64() * 1e3);
        let logged = unit.log.iter().map(|entry| entry.at.date_in(&spec.zone));
        let resets: Vec<Date> =
            logged.chain(found.snapped.iter().map(|s| s.used)).chain(found.steps.iter().map(|s| s.date)).collect();
        let begun = Instant::now();
        let dips = episodes::find(&unit.days, &resets, spec, &c.episodes);
        self.took[1].push(begun.elapsed().as_secs_f64() * 1e3);
        self.units += 1;
        if list {
            println!("{} {found:?} {dips:?}", unit.seed);
        }
        self.steps(unit, &found.steps, worst);
        self.water(unit, worst);
        self.log(unit, &found, worst);
        self.dips(unit, &dips, worst);
    }

    fn steps(&mut self, unit: &Unit, said: &[steps::Step], worst: bool) {
        let zone = &unit.plan.papers.zone;
        let real = unit.truth.unlogged();
        let mut false_here = 0;
        for step in said {
            let right = real.iter().any(|t| is_near(step.date, t.date, t.days) && t.ln_size * step.ln_size > 0.0);
            let hits = if step.ln_size > 0.0 { &mut self.up } else { &mut self.down };
            hits.claims += 1;
            hits.right += usize::from(right);
            false_here += usize::from(!right);
            if worst && !right {
                println!("{} false {step:?}", unit.seed);
            }
        }
        self.without_false += usize::from(false_here == 0);
        // Work beside something that was logged is not asked of the search: the entry explains the step.
        let beside = |day: Date| unit.log.iter().any(|e| (e.at.date_in(zone) - day).get_days().abs() <= 1);
        for truth in real.iter().filter(|t| t.ln_size.abs() > LEAST_GAIN && !(t.days == 0 && beside(t.date))) {
            let hit = said.iter().any(|s| is_near(s.date, truth.date, truth.days) && truth.ln_size * s.ln_size > 0.0);
            let hits = if truth.ln_size > 0.0 { &mut self.up } else { &mut self.down };
            hits.truths += 1;
            hits.found += usize::from(hit);
            if worst && !hit {
                println!("{} missed {truth:?}", unit.seed);
            }
        }
        // One that stands in the log a few days off is the log's matter: see `log`.
        let misdated = |s: &Service| {
            let apart = |entry: &ServiceEntry| entry.at.days_since(s.at).abs();
            s.logged.as_ref().is_some_and(|entry| apart(entry) <= unit.constants.steps.misdated_days as f64 + 1.0)
        };
        let cleanings = unit.truth.services.iter().filter(|s| {
            !misdated(s)
                && matches!(s.work, Work::CleanSleeve { .. } | Work::NewSleeve)
                && unit.plan.to.days_since(s.at) > 3.0
                && is_unlogged(&real, s.at.date_in(zone))
                && !beside(s.at.date_in(zone))
        });
        for service in cleanings {
            let date = service.at.date_in(zone);
            self.cleanings.truths += 1;
            self.cleanings.found += usize::from(said.iter().any(|s| s.ln_size > 0.0 && is_near(s.date, date, 0)));
        }
        self.cleanings.right = self.up.right;
        self.cleanings.claims = self.up.claims;
    }

    fn water(&mut self, unit: &Unit, worst: bool) {
        let (plan, c) = (&unit.plan, &unit.constants);
        if !plan.channels.transmittance {
            return;
        }
        let said = water::find(&unit.days, plan.papers.sensor.path_cm.unwrap_or(c.model.path_cm.mean), &c.water);
        let near = |said: Date, shift: &Shift| {
            is_near(said, shift.at.date_in(&plan.papers.zone), shift.days.ceil() as i64 + 3)
        };
        self.water.claims += said.len();
        for change in &said {
            let right = plan.water.shifts.iter().any(|shift| near(change.date, shift));
            self.water.right += usize::from(right);
            if worst && !right {
                println!("{} false {change:?}", unit.seed);
            }
        }
        let known = |shift: &&Shift| {
            unit.truth.shift_loss(shift).abs() >= c.water.least_change
                && shift.at.days_since(plan.from) >= WATER_KNOWN.0
                && plan.to.days_since(shift.at) >= WATER_KNOWN.1
        };
        for shift in plan.water.shifts.iter().filter(known) {
            let hit = said.iter().any(|change| near(change.date, shift));
            self.water.truths += 1;
            self.water.found += usize::from(hit);
            if worst && !hit {
                println!("{} missed {shift:?}", unit.seed);
            }
        }
    }

    /// Entries written down for another day, and entries of cleanings that never were.
    fn log(&mut self, unit: &Unit, found: &steps::StepsFound, worst: bool) {
        let zone = &unit.plan.papers.zone;
        let true_day = |place: usize| -> Option<Date> {
            let entry = &unit.log[place];
            let written = |s: &&Service| s.logged.as_ref() == Some(entry);
            unit.truth.services.iter().find(written).map(|s| s.at.date_in(zone))
        };
        for snap in &found.snapped {
            let right = true_day(snap.entry).is_some_and(|day| (day - snap.used).get_days().abs() <= 1);
            self.snaps.claims += 1;
            self.snaps.right += usize::from(right);
            if worst && !right {
                println!("{} false {snap:?} {} {:?}", unit.seed, unit.log[snap.entry].at, true_day(snap.entry));
            }
        }
        let is_false = |place: usize| unit.plan.false_entries.contains(&unit.log[place]);
        for place in &found.no_recovery {
            self.flags.claims += 1;
            self.flags.right += usize::from(is_false(*place) || !gains(unit, true_day(*place)));
        }
        for (place, entry) in unit.log.iter().enumerate() {
            if is_false(place) {
                self.flags.truths += 1;
                self.flags.found += usize::from(found.no_recovery.contains(&place));
            }
            let Some(day) = true_day(place).filter(|_| entry.action == ServiceAction::SleeveCleaned) else { continue };
            let apart = (entry.at.date_in(zone) - day).get_days().abs();
            if (2..=14).contains(&apart) && gains(unit, Some(day)) {
                self.snaps.truths += 1;
                let right = found.snapped.iter().any(|s| s.entry == place && (s.used - day).get_days().abs() <= 1);
                self.snaps.found += usize::from(right);
            }
        }
    }

    fn dips(&mut self, unit: &Unit, said: &[fadeline::domain::assessment::Episode], worst: bool) {
        let overlap = |from: Timestamp, to: Timestamp, t: &TrueEpisode| from <= t.to && t.from <= to;
        for dip in said {
            let right = unit.truth.episodes.iter().any(|t| overlap(dip.from, dip.to, t));
            self.episodes.claims += 1;
            self.episodes.right += usize::from(right);
            if worst && !right {
                println!("{} false {dip:?}", unit.seed);
            }
        }
        for truth in unit.truth.episodes.iter().filter(|t| t.depth_percent >= LEAST_DEPTH && unit.saw(t)) {
            let hit = said.iter().any(|dip| overlap(dip.from, dip.to, truth));
            self.episodes.truths += 1;
            self.episodes.found += usize::from(hit);
            if worst && !hit {
                println!("{} missed {truth:?}", unit.seed);
            }
        }
    }

    /// Prints the figures.
    pub fn print(&mut self, kind: Kind) {
        println!("== {kind}: {} units, {} of them without a false step", self.units, self.without_false);
        println!("  unlogged cleanings: {}", self.cleanings.text());
        println!("  unlogged steps up: {}", self.up.text());
        println!("  unlogged steps down: {}", self.down.text());
        println!("  lasting changes of measured water: {}", self.water.text());
        println!("  episodes of {LEAST_DEPTH} %: {}", self.episodes.text());
        println!("  cleanings logged 2 to 14 days off, moved to their day: {}", self.snaps.text());
        println!("  cleanings that never were, flagged: {}", self.flags.text());
        for (what, took) in ["steps", "episodes"].iter().zip(&mut self.took) {
            took.sort_by(f64::total_cmp);
            println!("  {what}: mean {:.1} ms, median {:.1} ms", mean(took), middle(took));
        }
    }
}

/// Whether the light rose by something worth finding.
fn gains(unit: &Unit, day: Option<Date>) -> bool {
    let zone = &unit.plan.papers.zone;
    let Some(service) = day.and_then(|day| unit.truth.services.iter().find(|s| s.at.date_in(zone) == day)) else {
        return false;
    };
    let course = |minutes: i64| unit.truth.losses_at(service.at.plus_millis(minutes * 60_000)).course();
    course(-1) - course(1) > LEAST_GAIN
}

/// Whether a change of this day that is worth finding stands in no log.
fn is_unlogged(real: &[Unlogged], day: Date) -> bool {
    real.iter().any(|t| t.date == day && t.days == 0 && t.ln_size > LEAST_GAIN)
}

/// Whether a claim lies within two days before and three days after what took `days` from `truth` on.
fn is_near(said: Date, truth: Date, days: i64) -> bool {
    (-2..=days + 3).contains(&i64::from((said - truth).get_days()))
}
