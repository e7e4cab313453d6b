//! A year of simulated units through the engine in event time: what people are told, beside what is true.

use std::collections::{BTreeMap, HashMap};

use fadeline::alert::{Book, Kind as Alert, Signs, What};
use fadeline::analysis::{Constants, History, assess, rollup};
use fadeline::domain::time::{DAY, HOUR, MINUTE};
use fadeline::domain::{Assessment, Channel, DaySummary, Reading, ServiceEntry, Timestamp, UnitSpec};
use fadeline::engine::{Effect, Engine, Event, Restored, Rules};
use fadeline::scenario::plan::{FaultKind, Service, UnitPlan};

use fadeline::scenario::{self, Kind, Truth, VISIT_HALF_MILLIS as VISIT_HALF, random_plan};
use jiff::civil::Date;

/// Readings come this often.
const STEP: i64 = 30 * MINUTE;
/// An assessment that the engine asks for is made anew this often, and after each entry in the log; in between the
/// last one stands. A year of daily ones of a hundred units would take hours.
const ANEW_AFTER: i64 = 3 * DAY;
/// A reading may lie this many standard deviations of the sensor's noise, and half its step, under the light without
/// noise: once in a year of half-hourly readings (one in 17,520 of a normal distribution is 3.9 or more under its mean).
/// It is what the sensor reads all the same, and at or under the set point counts at once; a treatment alert with more
/// light than that is not true. Those beyond the first number are counted, as the doing of noise.
const NOISE_SDS: (f64, f64) = (3.0, 3.9);
/// A step of the sensor that is none.
const FINEST_STEP: f64 = 1e-6;
/// The longest warm-up of a simulated lamp: five of its time constants of at most 120 s.
const WARM_UP: i64 = 10 * MINUTE;

/// The same alert again this soon after its end is flapping: of what is read off the latest readings, and of what
/// assessments say.
fn flaps_within(kind: Alert) -> i64 {
    match kind {
        Alert::NoLight | Alert::TreatmentNotAssured | Alert::NoReadings => 6 * HOUR,
        _ => 2 * DAY,
    }
}

/// A crossing that was not to be seen this many days ahead came suddenly.
const SEEN_AHEAD_DAYS: i64 = 15;

/// What happened to one unit in a year.
#[derive(Default)]
pub struct Year {
    /// News: kind, what, when.
    pub news: Vec<(Alert, What, Timestamp)>,
    /// Treatment alerts that were not true: when, and the light over the set point.
    pub untrue: Vec<(Timestamp, f64)>,
    /// Treatment alerts by a reading that rare noise had lowered.
    pub by_noise: usize,
    /// Treatment alerts of a lamp that had just got its power back, as the truth has it: true, but soon over.
    pub just_lit: usize,
    /// Why there was no light, as the truth has it, with how many alerts.
    pub dark: BTreeMap<&'static str, usize>,
    /// Pairs of an end and a new start of the same alert soon after.
    pub flaps: Vec<(Alert, Timestamp)>,
    /// Days from a cleaning alert to the true crossing, had nobody done anything.
    pub leads: Vec<i32>,
    /// Cleaning alerts after which the light would not have crossed within a year.
    pub needless: usize,
    /// Crossings that could be foreseen, and those of them without a cleaning alert before.
    pub crossings: usize,
    pub missed: Vec<Date>,
    /// Crossings that nobody could foresee.
    pub sudden: usize,
}

/// A simulated unit with its year.
pub struct Unit {
    spec: UnitSpec,
    readings: Vec<Reading>,
    days: Vec<DaySummary>,
    log: Vec<ServiceEntry>,
    truth: Truth,
    plan: UnitPlan,
    /// What a sensor without noise, steps or a frozen value would have read.
    light: Vec<Reading>,
    /// That is at most this many times what the sensor reads: but for a few readings in a thousand, but for one in a year.
    reads_low: (f64, f64),
    from: Timestamp,
    to: Timestamp,
    constants: Constants,
    assessments: HashMap<(Timestamp, usize), Assessment>,
}

impl Unit {
    /// A unit of a kind: its last year is watched, what was before is its history.
    pub fn new(kind: Kind, seed: u64) -> Self {
        let plan = random_plan(kind, seed);
        let constants = Constants::default();
        let sim = scenario::simulate(&plan, plan.from, plan.to, STEP);
        let days = rollup::summarise(&sim.readings, &sim.spec, &sim.log, &constants.rollup);
        let from = plan.to.plus_millis(-365 * DAY).max(plan.from.plus_millis(30 * DAY));
        let noise = plan.sensor.white_sd.hypot(plan.sensor.slow_sd);
        let low = |sds: f64| (sds * noise).exp() + 0.5 * plan.sensor.step / sim.spec.set_point;
        let reads_low = (low(NOISE_SDS.0), low(NOISE_SDS.1));
        let mut exact = plan.clone();
        (exact.sensor.white_sd, exact.sensor.slow_sd, exact.sensor.step) = (0.0, 0.0, FINEST_STEP);
        exact.faults.retain(|fault| fault.kind != FaultKind::Stuck);
        let light = scenario::simulate(&exact, plan.from, plan.to, STEP).readings;
        Self {
            light,
            reads_low,
            spec: sim.spec,
            readings: sim.readings,
            days,
            log: sim.log,
            truth: sim.truth,
            from,
            to: plan.to,
            plan,
            constants,
            assessments: HashMap::new(),
        }
    }

    fn assess(&mut self, at: Timestamp, entries: usize) -> Assessment {
        if let Some(known) = self.assessments.get(&(at, entries)) {
            return known.clone();
        }
        let latest = self.readings[..self.readings.partition_point(|r| r.at <= at)].last().copied();
        let history = History {
            spec: &self.spec,
            days: &self.days,
            log: &self.log,
            latest,
            cadence_millis: Some(STEP),
            neighbours: None,
        };
        let found = assess(&history, at, &self.constants);
        self.assessments.insert((at, entries), found.clone());
        found
    }

    /// An engine that has said everything, and what it wants done.
    fn engine(&self, now: Timestamp, book: Book, assessment: Option<Assessment>) -> (Engine, Vec<Effect>) {
        let known = &self.readings[..self.readings.partition_point(|r| r.at < now)];
        let restored = Restored {
            log: self.log_at(now).to_vec(),
            readings: known[known.len().saturating_sub(48)..].to_vec(),
            assessment,
            book,
            ..Restored::default()
        };
        let mut engine = Engine::new([(self.spec.clone(), restored)], Rules { lead_days: 14, ..Rules::default() }, now);
        let effects = engine.handle(Event::SayAll, now);
        (engine, effects)
    }

    fn log_at(&self, now: Timestamp) -> &[ServiceEntry] {
        &self.log[..self.log.partition_point(|entry| entry.at <= now)]
    }

    /// Lives the year; `restart` in the middle of it, with nothing but what is kept.
    pub fn live(&mut self, restart: bool) -> Vec<(Alert, What, Timestamp)> {
        let mut now = self.from;
        let first = self.assess(now, usize::MAX);
        let (last, kept) = (Some(first.clone()), Some(first.clone()));
        let mut run = Run { last, kept, book: Book::default(), news: Vec::new() };
        let (mut engine, effects) = self.engine(now, Book::default(), Some(first));
        let middle = self.from.plus_millis(self.to.millis_since(self.from) / 2);
        let mut entries = self.log_at(now).len();
        let mut next = self.readings.partition_point(|r| r.at < now);
        let mut restarted = !restart;
        run.hear(self, effects, &mut engine, now, entries);
        while now < self.to {
            now = now.plus_millis(10 * MINUTE);
            if !restarted && now >= middle {
                restarted = true;
                let (again, effects) = self.engine(now, run.book.clone(), run.kept.clone());
                engine = again;
                run.hear(self, effects, &mut engine, now, entries);
            }
            let due = self.readings.partition_point(|r| r.at <= now);
            if due > next {
                let readings = self.readings[next..due].to_vec();
                let event = Event::Stored { unit: self.spec.id.clone(), readings };
                run.hear(self, engine.handle(event, now), &mut engine, now, entries);
                next = due;
            }
            if self.log_at(now).len() > entries {
                entries = self.log_at(now).len();
                run.last = None;
                let event = Event::Serviced { unit: self.spec.id.clone(), log: self.log_at(now).to_vec() };
                run.hear(self, engine.handle(event, now), &mut engine, now, entries);
            }
            run.hear(self, engine.handle(Event::Tick, now), &mut engine, now, entries);
        }
        run.news
    }

    /// The year with its truth.
    pub fn year(&mut self) -> Year {
        let news = self.live(false);
        let mut year = Year { news, ..Year::default() };
        let mut ended: BTreeMap<Alert, Timestamp> = BTreeMap::new();
        for (kind, what, at) in year.news.clone() {
            if what == What::Cleared {
                ended.insert(kind, at);
            }
            if what != What::Raised {
                continue;
            }
            if ended.get(&kind).is_some_and(|end| at.millis_since(*end) < flaps_within(kind)) {
                year.flaps.push((kind, at));
            }
            match kind {
                Alert::TreatmentNotAssured => {
                    let light = self.light_at(at);
                    if self.is_just_lit(at) {
                        year.just_lit += 1;
                    } else if light > self.reads_low.1 * self.spec.set_point {
                        year.untrue.push((at, light / self.spec.set_point));
                    } else if light > self.reads_low.0 * self.spec.set_point {
                        year.by_noise += 1;
                    }
                }
                Alert::NoLight => *year.dark.entry(self.why_dark(at)).or_default() += 1,
                Alert::CleaningDue | Alert::CleaningNotEnough => self.judge_date(&mut year, kind, at),
                _ => {}
            }
        }
        self.judge_crossings(&mut year);
        year
    }

    /// The light of the reading that an alert of this moment is about.
    fn light_at(&self, at: Timestamp) -> f64 {
        let known = &self.light[..self.light.partition_point(|reading| reading.at <= at)];
        known.last().and_then(|reading| reading.get(Channel::Intensity)).unwrap_or(0.0)
    }

    /// Whether the power came back so shortly before that the lamp was still warming up.
    fn is_just_lit(&self, at: Timestamp) -> bool {
        let cuts = self.plan.faults.iter().filter(|fault| fault.kind == FaultKind::PowerCut).map(|fault| fault.to);
        let visits = self.plan.services.iter().map(|service| service.at.plus_millis(VISIT_HALF));
        cuts.chain(visits).any(|back| (0..WARM_UP).contains(&at.millis_since(back)))
    }

    /// Why there is no light at `at`, or in the reading before it.
    fn why_dark(&self, at: Timestamp) -> &'static str {
        let touches = |from: Timestamp, to: Timestamp| at >= from && at <= to.plus_millis(STEP);
        let fault = |kind| self.plan.faults.iter().any(|fault| fault.kind == kind && touches(fault.from, fault.to));
        let visit =
            |service: &Service| touches(service.at.plus_millis(-VISIT_HALF), service.at.plus_millis(VISIT_HALF));
        if fault(FaultKind::LampOut) {
            "the lamp gave no light"
        } else if fault(FaultKind::PowerCut) {
            "a power cut"
        } else if self.plan.services.iter().any(visit) {
            "work at the unit that nobody had announced"
        } else {
            "nothing known"
        }
    }

    fn judge_date(&self, year: &mut Year, kind: Alert, at: Timestamp) {
        let date = at.date_in(&self.spec.zone);
        // The second alert for one and the same thing: the first one counts.
        let cleaning = [Alert::CleaningDue, Alert::CleaningNotEnough];
        let earlier = year.news.iter().any(|(other, what, before)| {
            cleaning.contains(other)
                && *other != kind
                && *what == What::Raised
                && *before <= at
                && at.millis_since(*before) < 30 * DAY
        });
        if earlier {
            return;
        }
        match self.truth.crossing_within(date, 365) {
            Some(crossing) => year.leads.push((crossing - date).get_days()),
            None => year.needless += 1,
        }
    }

    fn judge_crossings(&self, year: &mut Year) {
        let set_point = self.spec.set_point;
        let open: Vec<_> = self.truth.days.iter().filter(|day| !day.closed).collect();
        let mean = |i: usize| open[i - 6..=i].iter().map(|d| d.intensity).sum::<f64>() / 7.0;
        let start = self.from.plus_millis(20 * DAY).date_in(&self.spec.zone);
        for (i, day) in open.iter().enumerate().skip(7) {
            let date = day.date;
            if date < start || mean(i) > set_point || mean(i - 1) <= set_point {
                continue;
            }
            let ahead = date.saturating_sub(jiff::Span::new().days(SEEN_AHEAD_DAYS));
            if self.truth.crossing_within(ahead, 2 * SEEN_AHEAD_DAYS).is_none() {
                year.sudden += 1;
                continue;
            }
            year.crossings += 1;
            let mut lives = [false; 2];
            let mut alerted = false;
            for (kind, what, at) in &year.news {
                let Some(which) = [Alert::CleaningDue, Alert::CleaningNotEnough].iter().position(|k| k == kind) else {
                    continue;
                };
                if at.date_in(&self.spec.zone) > date {
                    break;
                }
                lives[which] = *what != What::Cleared;
                alerted = lives.contains(&true);
            }
            if !alerted {
                year.missed.push(date);
            }
        }
    }
}

/// An assessment as one of `now`: what was going on is taken to go on until a new one is made.
fn carried_on(mut assessment: Assessment, now: Timestamp) -> Assessment {
    let later = now.millis_since(assessment.as_of);
    for episode in assessment.episodes.iter_mut().filter(|episode| !episode.recovered) {
        episode.to = episode.to.plus_millis(later);
    }
    assessment.as_of = now;
    assessment
}

/// One run of a year.
struct Run {
    /// The last that was made.
    last: Option<Assessment>,
    /// The last that was handed over, as the store has it.
    kept: Option<Assessment>,
    book: Book,
    news: Vec<(Alert, What, Timestamp)>,
}

impl Run {
    fn hear(&mut self, unit: &mut Unit, effects: Vec<Effect>, engine: &mut Engine, now: Timestamp, entries: usize) {
        // An assessment takes its time: what is told is told before it.
        let (later, at_once): (Vec<Effect>, Vec<Effect>) =
            effects.into_iter().partition(|effect| matches!(effect, Effect::Assess { .. }));
        for effect in at_once.into_iter().chain(later) {
            match effect {
                Effect::Assess { unit: id } => {
                    let assessment = match &self.last {
                        Some(last) if now.millis_since(last.as_of) < ANEW_AFTER => last.clone(),
                        _ => unit.assess(now, entries),
                    };
                    self.last = Some(assessment.clone());
                    let assessment = Box::new(carried_on(assessment, now));
                    self.kept = Some((*assessment).clone());
                    let event = Event::Assessed { unit: id, assessment, signs: Box::new(Signs::default()) };
                    let more = engine.handle(event, now);
                    self.hear(unit, more, engine, now, entries);
                }
                Effect::Keep { book, .. } => self.book = *book,
                Effect::Notify(notice) => {
                    for item in notice.items {
                        let kind = item.kind.parse().expect("units stand alone in their sites");
                        self.news.push((kind, item.what, item.at));
                    }
                }
                _ => {}
            }
        }
    }
}

/// The middle of some numbers.
pub fn median(mut numbers: Vec<i32>) -> Option<i32> {
    numbers.sort_unstable();
    numbers.get(numbers.len() / 2).copied()
}
