//! Scores the assessment on simulated units of every kind, and prints one row of figures for each.
//!
//! `cargo run --release --example evaluate -- [--kinds usual,hard] [--seeds 0..100] [--cache DIR] [--worst] [--found]`
//! Single-threaded. The same seeds give the same units.

#![expect(clippy::print_stdout, reason = "figures on standard output are what this command is for")]

mod found;

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};
use std::time::{Duration, Instant};

use fadeline::analysis::{Constants, History, assess, rollup};
use fadeline::domain::time::{DAY, MINUTE};
use fadeline::domain::{Assessment, Cause, DaySummary, ServiceAction, Timestamp, VerdictCause};
use fadeline::scenario::plan::UnitPlan;
use fadeline::scenario::{self, Kind, Truth, random_plan};
use jiff::civil::Date;

/// How far ahead crossings are scored, days, and how far a day may be off to count for one.
const HORIZONS: [(i32, i32); 3] = [(15, 2), (30, 3), (60, 5)];
/// Days scored of a unit for each horizon at most.
const EACH: usize = 2;

fn main() {
    let args: Vec<String> = std::env::args().collect();
    let value = |name: &str| args.iter().position(|a| a == name).and_then(|i| args.get(i + 1)).cloned();
    let kinds = value("--kinds").map_or(Kind::ALL.to_vec(), |names| {
        Kind::ALL.into_iter().filter(|k| names.split(',').any(|n| n == k.name())).collect()
    });
    let seeds = value("--seeds").unwrap_or_else(|| "0..20".to_owned());
    let (from, to) = seeds.split_once("..").expect("--seeds FROM..TO");
    let seeds = from.parse::<u64>().expect("a number")..to.parse::<u64>().expect("a number");
    let cache = value("--cache").map(PathBuf::from);
    let worst = args.iter().any(|a| a == "--worst");
    let only_found = args.iter().any(|a| a == "--found");
    for kind in kinds {
        let mut score = Score::default();
        let mut found = found::Found::default();
        for seed in seeds.clone() {
            let unit = Unit::new(kind, seed, cache.as_deref());
            if only_found {
                found.score(&unit, worst, args.iter().any(|a| a == "--list"));
                continue;
            }
            if let Some(date) = value("--date") {
                let date: Date = date.parse().expect("a date");
                let as_of = Timestamp::day_start(date, &unit.plan.papers.zone).plus_millis(DAY + 10 * MINUTE);
                unit.tell(&unit.assess(as_of).0, date, unit.truth.crossing_from(date));
                continue;
            }
            if args.iter().any(|a| a == "--show") {
                println!("{:#?}", unit.plan.papers);
                for service in &unit.plan.services {
                    println!(
                        "{} {} logged {:?}",
                        service.at,
                        service.work.action(),
                        service.logged.as_ref().map(|l| (l.action, l.at))
                    );
                }
                println!("{:?} {:?}", unit.plan.false_entries, unit.plan.water.shifts);
                for day in unit.truth.days.iter().step_by(30) {
                    let seen = unit.days.iter().find(|d| d.date == day.date);
                    println!(
                        "{} {:.3?} {:.2} {:?} h {:?} on {:?}",
                        day.date,
                        day.losses,
                        day.intensity,
                        seen.and_then(|d| d.intensity).map(|l| l.median.exp()),
                        seen.and_then(|d| d.lamp_hours),
                        seen.and_then(|d| d.lamp_on_share)
                    );
                }
            }
            unit.score(&mut score, worst);
        }
        if only_found {
            found.print(kind);
        } else {
            score.print(kind);
        }
    }
}

/// A simulated unit in days.
struct Unit {
    plan: UnitPlan,
    seed: u64,
    days: Vec<DaySummary>,
    log: Vec<fadeline::domain::ServiceEntry>,
    truth: Truth,
    constants: Constants,
}

impl Unit {
    fn new(kind: Kind, seed: u64, cache: Option<&Path>) -> Self {
        let plan = random_plan(kind, seed);
        let constants = Constants::default();
        let log = scenario::log(&plan, plan.to);
        let file = cache.map(|dir| dir.join(format!("{kind}-{seed}.json")));
        let known = file.as_ref().and_then(|f| std::fs::read(f).ok()).and_then(|b| serde_json::from_slice(&b).ok());
        let days = known.unwrap_or_else(|| {
            let sim = scenario::simulate(&plan, plan.from, plan.to, 10 * MINUTE);
            let days = rollup::summarise(&sim.readings, &plan.papers, &log, &constants.rollup);
            if let Some(file) = &file {
                std::fs::write(file, serde_json::to_vec(&days).expect("days are plain")).expect("cache is writable");
            }
            days
        });
        let truth = scenario::truth(&plan, plan.from, plan.to);
        Self { plan, seed, days, log, truth, constants }
    }

    fn assess(&self, as_of: Timestamp) -> (Assessment, Duration) {
        let history = History {
            spec: &self.plan.papers,
            days: &self.days,
            log: &self.log,
            latest: None,
            cadence_millis: Some(10 * MINUTE),
            neighbours: None,
        };
        let begun = Instant::now();
        let found = assess(&history, as_of, &self.constants);
        (found, begun.elapsed())
    }

    /// Days to score: some for each horizon, and three along the history.
    fn moments(&self) -> Vec<(Date, Option<usize>)> {
        let count = self.truth.days.len();
        let mut found: Vec<(Date, Option<usize>)> = Vec::new();
        let mut have = [0; HORIZONS.len()];
        // A fixed stride that no period of the calendar divides, from the end back.
        for back in (1..count.saturating_sub(60)).step_by(9) {
            let day = &self.truth.days[count - 1 - back];
            if day.closed {
                continue;
            }
            let Some(crossing) = self.truth.crossing_within(day.date, 70) else { continue };
            let away = (crossing - day.date).get_days();
            for (place, (horizon, off)) in HORIZONS.iter().enumerate() {
                if have[place] < EACH && (away - horizon).abs() <= *off {
                    have[place] += 1;
                    found.push((day.date, Some(place)));
                }
            }
        }
        for share in [0.5, 0.75, 0.99] {
            let day = &self.truth.days[((count - 1) as f64 * share) as usize];
            if !day.closed {
                found.push((day.date, None));
            }
        }
        found
    }

    fn score(&self, score: &mut Score, worst: bool) {
        for (date, horizon) in self.moments() {
            let as_of = Timestamp::day_start(date, &self.plan.papers.zone).plus_millis(DAY + 10 * MINUTE);
            let (found, took) = self.assess(as_of);
            score.took.push(took.as_secs_f64() * 1e3);
            score.causes(&found, &self.truth, date);
            let crossing = self.truth.crossing_from(date);
            score.crossing(&found, date, crossing, horizon);
            if worst {
                self.tell(&found, date, crossing);
            }
            if horizon.is_none() {
                score.verdict(&found, &self.truth, date);
            }
        }
        let (found, _) = self.assess(self.plan.to);
        score.steps(&found, &self.plan);
        score.episodes(&found, &self.truth);
    }

    fn tell(&self, found: &Assessment, date: Date, crossing: Option<Date>) {
        let truth = self.truth.day(date).expect("a day of the history").losses;
        let away = |day: Option<Date>| day.map_or(999, |day| (day - date).get_days());
        let percent = |loss: f64| scenario::truth::percent(loss);
        let causes: Vec<String> = found
            .loss
            .iter()
            .flat_map(|l| &l.causes)
            .filter(|c| c.cause != Cause::Unexplained)
            .map(|c| format!("{:.1}[{:.1},{:.1}]/{:.1}", c.percent, c.low, c.high, percent(truth.of(c.cause))))
            .collect();
        println!(
            "{} {} {date} cross {}/{}/{} true {} | {} | {} {:.2} true {} | unl {} | {}",
            self.plan.papers.id,
            self.seed,
            away(found.forecast.crossing.p10),
            away(found.forecast.crossing.p50),
            away(found.forecast.crossing.p90),
            away(crossing),
            causes.join(" "),
            found.verdict.cause,
            found.verdict.probability.unwrap_or(0.0),
            truth.leading(),
            found
                .unlogged
                .iter()
                .map(|u| format!(
                    "{}{:+.1}{}",
                    u.at,
                    u.gain_percent.or(u.loss_percent.map(|l| -l)).unwrap_or(0.0),
                    u.likely
                ))
                .collect::<Vec<_>>()
                .join(","),
            found.verdict.says,
        );
    }
}

/// Figures of a kind.
#[derive(Default)]
struct Score {
    took: Vec<f64>,
    errors: [Vec<f64>; HORIZONS.len()],
    inside: [Vec<f64>; HORIZONS.len()],
    never_dated: (usize, usize),
    loss: BTreeMap<&'static str, (Vec<f64>, Vec<f64>, f64)>,
    verdicts: usize,
    right: usize,
    sure: usize,
    sure_right: usize,
    named_half: usize,
    claims: BTreeMap<String, usize>,
    bins: BTreeMap<usize, (usize, usize, f64)>,
    cleanings: (usize, usize, usize),
    false_steps: usize,
    dips: (usize, usize, usize),
}

impl Score {
    fn crossing(&mut self, found: &Assessment, date: Date, truth: Option<Date>, horizon: Option<usize>) {
        let away = |day: Option<Date>| day.map_or(366.0, |day| f64::from((day - date).get_days()));
        let quantiles = found.forecast.crossing;
        if let (Some(place), Some(_)) = (horizon, truth) {
            let want = away(truth);
            self.errors[place].push((away(quantiles.p50) - want).abs());
            let inside = away(quantiles.p10) <= want + 0.5 && want - 0.5 <= away(quantiles.p90);
            self.inside[place].push(f64::from(u8::from(inside)));
        }
        if truth.is_none() && horizon.is_none() {
            self.never_dated.0 += usize::from(quantiles.p50.is_some());
            self.never_dated.1 += 1;
        }
    }

    fn causes(&mut self, found: &Assessment, truth: &Truth, date: Date) {
        let Some(loss) = &found.loss else { return };
        let Some(day) = truth.day(date) else { return };
        let percent = |loss: f64| scenario::truth::percent(loss);
        for cause in &loss.causes {
            if cause.cause == Cause::Unexplained {
                continue;
            }
            let want = percent(day.losses.of(cause.cause));
            let entry = self.loss.entry(cause.cause.name()).or_default();
            entry.2 += cause.percent - want;
            entry.0.push((cause.percent - want).abs());
            entry.1.push(f64::from(u8::from((cause.low..=cause.high).contains(&want))));
        }
        let l = day.losses;
        let sum: f64 = [Cause::SleeveFouling, Cause::LampOrSensor, Cause::WaterQuality].iter().map(|c| l.of(*c)).sum();
        let entry = self.loss.entry("total").or_default();
        entry.0.push((loss.total.percent - percent(sum)).abs());
        entry.1.push(f64::from(u8::from((loss.total.low..=loss.total.high).contains(&percent(sum)))));
    }

    fn verdict(&mut self, found: &Assessment, truth: &Truth, date: Date) {
        let Some(day) = truth.day(date) else { return };
        let leading = day.losses.leading();
        let said = found.verdict.cause;
        let pair = [VerdictCause::LampAgeing, VerdictCause::SensorDrift];
        let right = said == leading || (said == VerdictCause::LampOrSensor && pair.contains(&leading));
        let probability = found.verdict.probability.unwrap_or(0.0);
        self.verdicts += 1;
        self.right += usize::from(right);
        *self.claims.entry(format!("{said}")).or_default() += 1;
        if said == VerdictCause::Unsettled {
            return;
        }
        if said != VerdictCause::None && probability >= 0.5 {
            self.named_half += 1;
        }
        let bin = self.bins.entry((probability * 10.0).min(9.0) as usize).or_default();
        *bin = (bin.0 + 1, bin.1 + usize::from(right), bin.2 + probability);
        if probability >= 0.8 && said != VerdictCause::None {
            self.sure += 1;
            self.sure_right += usize::from(right);
        }
    }

    fn steps(&mut self, found: &Assessment, plan: &UnitPlan) {
        let near = |at: Date, other: Timestamp| (at - other.date_in(&plan.papers.zone)).get_days().abs() <= 2;
        let unlogged = |service: &&scenario::plan::Service| {
            let action = service.work.action();
            service.logged.is_none()
                && matches!(action, ServiceAction::SleeveCleaned | ServiceAction::SleeveReplaced)
                && service.at < plan.to
        };
        let said: Vec<Date> = found
            .unlogged
            .iter()
            .filter(|s| s.likely == fadeline::domain::assessment::Likely::SleeveCleaned)
            .map(|s| s.at)
            .collect();
        for service in plan.services.iter().filter(unlogged) {
            self.cleanings.1 += 1;
            self.cleanings.0 += usize::from(said.iter().any(|at| near(*at, service.at)));
        }
        self.cleanings.2 += said.len();
        self.false_steps += said.iter().filter(|at| !plan.services.iter().any(|s| near(**at, s.at))).count();
    }

    fn episodes(&mut self, found: &Assessment, truth: &Truth) {
        let overlaps = |a: &fadeline::domain::assessment::Episode, b: &scenario::truth::TrueEpisode| {
            a.from <= b.to && b.from <= a.to
        };
        let deep: Vec<_> = truth.episodes.iter().filter(|e| e.depth_percent >= 3.0).collect();
        self.dips.1 += deep.len();
        self.dips.0 += deep.iter().filter(|t| found.episodes.iter().any(|f| overlaps(f, t))).count();
        let said: Vec<_> = found.episodes.iter().filter(|e| e.depth_percent >= 3.0).collect();
        self.dips.2 += said.iter().filter(|f| !truth.episodes.iter().any(|t| overlaps(f, t))).count();
    }

    fn print(&mut self, kind: Kind) {
        println!("== {kind}");
        for (place, (horizon, _)) in HORIZONS.iter().enumerate() {
            let errors = &mut self.errors[place];
            errors.sort_by(f64::total_cmp);
            println!(
                "  crossing {horizon} d: n {} mean {:.1} median {:.1} inside {:.0} %",
                errors.len(),
                mean(errors),
                middle(errors),
                100.0 * mean(&self.inside[place])
            );
        }
        println!("  dated where never: {} of {}", self.never_dated.0, self.never_dated.1);
        for (cause, (errors, inside, bias)) in &mut self.loss {
            errors.sort_by(f64::total_cmp);
            println!(
                "  {cause}: median {:.2} mean {:.2} bias {:.2} inside {:.0} %",
                middle(errors),
                mean(errors),
                *bias / errors.len().max(1) as f64,
                100.0 * mean(inside)
            );
        }
        println!(
            "  verdicts {}: right {}; sure {} right {}; cause at 0.5 or more {}; {:?}",
            self.verdicts, self.right, self.sure, self.sure_right, self.named_half, self.claims
        );
        for (bin, (n, right, sum)) in &self.bins {
            println!(
                "    said 0.{bin}: {n} times, mean {:.2}, right {:.2}",
                sum / *n as f64,
                *right as f64 / *n as f64
            );
        }
        println!(
            "  unlogged cleanings: found {} of {}, said {} ({} at no service); episodes: found {} of {}, {} false",
            self.cleanings.0,
            self.cleanings.1,
            self.cleanings.2,
            self.false_steps,
            self.dips.0,
            self.dips.1,
            self.dips.2
        );
        self.took.sort_by(f64::total_cmp);
        println!("  time: median {:.1} ms, most {:.1} ms", middle(&self.took), self.took.last().unwrap_or(&0.0));
    }
}

fn mean(values: &[f64]) -> f64 {
    values.iter().sum::<f64>() / values.len().max(1) as f64
}

fn middle(sorted: &[f64]) -> f64 {
    sorted.get(sorted.len() / 2).copied().unwrap_or(f64::NAN)
}
