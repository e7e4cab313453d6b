//! A simulated unit in days, and the days of it that are scored.

use std::path::Path;
use std::time::{Duration, Instant};

use fadeline::analysis::{Constants, History, assess, retrace, rollup};
use fadeline::domain::time::{DAY, MINUTE};
use fadeline::domain::{Assessment, Cause, DaySummary, FittedDay, ServiceEntry, Timestamp};
use fadeline::scenario::plan::UnitPlan;
use fadeline::scenario::truth::{Losses, TrueEpisode};
use fadeline::scenario::{self, Kind, Truth, random_plan};
use jiff::civil::Date;

use super::oracle::Oracle;
use super::score::HORIZONS;

/// Days scored of a unit for each horizon at most.
const EACH: usize = 2;

/// A simulated unit in days.
pub struct Unit {
    pub plan: UnitPlan,
    pub seed: u64,
    pub truth: Truth,
    pub days: Vec<DaySummary>,
    pub log: Vec<ServiceEntry>,
    pub constants: Constants,
}

impl Unit {
    /// The unit of a kind and seed, its days from `cache` where they are there already.
    pub fn new(kind: Kind, seed: u64, cache: Option<&Path>, oracles: &[Oracle]) -> Self {
        let mut plan = random_plan(kind, seed);
        let mut constants = Constants::default();
        let mut log = scenario::log(&plan, plan.to);
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
        oracles.iter().for_each(|oracle| oracle.tell(&mut plan, &truth, &mut log, &mut constants));
        Self { plan, seed, truth, days, log, constants }
    }

    /// Whether there are readings on at least half of the days of an episode: not in a closed season.
    pub fn saw(&self, episode: &TrueEpisode) -> bool {
        let zone = &self.plan.papers.zone;
        let (from, to) = (episode.from.date_in(zone), episode.to.date_in(zone));
        let seen = self.days.iter().filter(|d| (from..=to).contains(&d.date) && d.intensity.is_some()).count();
        2 * seen as i64 > i64::from((to - from).get_days())
    }

    /// The assessment at an instant and how long it took.
    pub fn assess(&self, as_of: Timestamp) -> (Assessment, Duration) {
        let begun = Instant::now();
        let found = assess(&self.history(), as_of, &self.constants);
        (found, begun.elapsed())
    }

    /// The days before it as the fit explains them.
    pub fn retrace(&self, as_of: Timestamp) -> Vec<FittedDay> {
        retrace(&self.history(), as_of, &self.constants)
    }

    fn history(&self) -> History<'_> {
        History {
            spec: &self.plan.papers,
            days: &self.days,
            log: &self.log,
            latest: None,
            cadence_millis: Some(10 * MINUTE),
            neighbours: None,
        }
    }

    /// Shortly after the end of `date`.
    pub fn after(&self, date: Date) -> Timestamp {
        Timestamp::day_start(date, &self.plan.papers.zone).plus_millis(DAY + 10 * MINUTE)
    }

    /// What was lost by then: a service of that day counts.
    pub fn lost(&self, date: Date) -> Losses {
        self.truth.losses_at(self.after(date))
    }

    /// Days to score: some for each horizon, and three along the history.
    pub fn moments(&self) -> Vec<(Date, Option<usize>)> {
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

    /// Papers, services and a day in thirty, for people.
    pub fn show(&self) {
        println!("{:#?}", self.plan.papers);
        for service in &self.plan.services {
            let logged = service.logged.as_ref().map(|l| (l.action, l.at));
            println!("{} {} logged {logged:?}", service.at, service.work.action());
        }
        println!("{:?} {:?}", self.plan.false_entries, self.plan.water.shifts);
        for day in self.truth.days.iter().step_by(30) {
            let seen = self.days.iter().find(|d| d.date == day.date);
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

    /// One line for people: what was said of `date` and what was true.
    pub fn tell(&self, found: &Assessment, date: Date) {
        let truth = self.lost(date);
        let away = |day: Option<Date>| day.map_or(999, |day| (day - date).get_days());
        let percent = |loss: f64| scenario::truth::percent(loss);
        let causes: Vec<String> = found
            .loss
            .iter()
            .flat_map(|l| &l.causes)
            .filter(|c| c.cause != Cause::Unexplained)
            .map(|c| format!("{:.1}[{:.1},{:.1}]/{:.1}", c.percent, c.low, c.high, percent(truth.of(c.cause))))
            .collect();
        let gain = |u: &fadeline::domain::assessment::UnloggedStep| {
            u.gain_percent.or(u.loss_percent.map(|l| -l)).unwrap_or(0.0)
        };
        let steps: Vec<String> =
            found.unlogged.iter().map(|u| format!("{}{:+.1}{}", u.at, gain(u), u.likely)).collect();
        println!(
            "{} {} {date} cross {}/{}/{} true {} | {} | {} {:.2} true {} | unl {} | {}",
            self.plan.papers.id,
            self.seed,
            away(found.forecast.crossing.p10),
            away(found.forecast.crossing.p50),
            away(found.forecast.crossing.p90),
            away(self.truth.crossing_from(date)),
            causes.join(" "),
            found.verdict.cause,
            found.verdict.probability.unwrap_or(0.0),
            truth.leading(),
            steps.join(","),
            found.verdict.says,
        );
    }

    /// What was said and true of `date`, one comma-separated row for each cause and one for the crossing.
    pub fn rows(&self, found: &Assessment, date: Date, horizon: Option<usize>) {
        let papers = &self.plan.papers;
        let head = format!("{},{date},{}", papers.id, horizon.map_or(0, |place| HORIZONS[place].0));
        let lost = self.lost(date);
        for cause in found.loss.iter().flat_map(|l| &l.causes) {
            let want = scenario::truth::percent(lost.of(cause.cause));
            println!("{head},{},{:.3},{:.3},{:.3},{want:.3}", cause.cause, cause.percent, cause.low, cause.high);
        }
        let away = |day: Option<Date>| day.map_or(999, |day| (day - date).get_days());
        let crossing = found.forecast.crossing;
        let (low, middle, high) = (away(crossing.p10), away(crossing.p50), away(crossing.p90));
        println!("{head},crossing,{middle},{low},{high},{}", away(self.truth.crossing_from(date)));
        let probability = found.verdict.probability.unwrap_or(0.0);
        println!("{head},verdict,{},{probability:.3},,{}", found.verdict.cause, lost.leading());
        println!(
            "{head},papers,reference {} fitted {} cleaned {} lamp {} counter {} transmittance {} temperature {} log {},,,{} days",
            papers.reference.is_some(),
            papers.sleeve.installed.is_some(),
            papers.sleeve.cleaned.is_some(),
            papers.lamp.hours_at_start.is_some() || papers.lamp.installed.is_some(),
            self.plan.channels.lamp_hours,
            self.plan.channels.transmittance,
            self.plan.channels.water_temperature,
            self.log.iter().filter(|entry| entry.at < self.after(date)).count(),
            (date - self.truth.days[0].date).get_days(),
        );
    }
}
