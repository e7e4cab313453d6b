//! A unit in its surroundings: the days it lives through, what happens to it, and its state as time passes.

use jiff::civil::Date;
use rand::SeedableRng;
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution, StandardNormal};
use serde::{Deserialize, Serialize};

use super::physics::{self, Lamp};
use super::plan::{FaultKind, UnitPlan, Work};
use crate::domain::time::{DAY, HOUR, MINUTE};
use crate::domain::{IntensityUnit, Timestamp};

/// How far beyond the end of a history the surroundings are known, days: for "if nobody does anything".
pub const AHEAD_DAYS: i64 = 400;
/// Days in a year.
pub const YEAR_DAYS: f64 = 365.25;
/// A visit: the power is off from this long before the work to this long after.
pub const VISIT_HALF_MILLIS: i64 = 15 * MINUTE;
/// Standing share at which a deposit grows at its stated rate.
const USUAL_STANDING: f64 = 0.8;
/// Day-to-day wandering of the water's temperature as a share of its yearly swing, and how long it lasts, days.
const TEMPERATURE_WANDER: (f64, f64) = (0.08, 6.0);
/// Streams of random numbers of one seed.
const SURROUNDINGS_STREAM: u64 = 1;

/// Losses by cause, ln, each against the unit's first reference; positive: light lost.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Losses {
    /// Deposit on the sleeve, with what cleanings could not remove.
    pub sleeve: f64,
    /// The lamp, since its 100th hour; a later lamp with its weaker or stronger start.
    pub lamp: f64,
    /// Dirt on the sensor's window.
    pub window: f64,
    /// The sensor itself, with a later sensor's own start.
    pub drift: f64,
    /// Water against the unit's usual water: season, wandering and lasting shifts, without passing episodes.
    pub water: f64,
    /// Storms and snowmelt. Not part of the course.
    pub episode: f64,
    /// Temperature of the lamp's wall against its yearly mean. Not a cause; part of the course.
    pub temperature: f64,
}

impl Losses {
    /// All of the course: everything but passing episodes.
    pub fn course(&self) -> f64 {
        self.sleeve + self.lamp + self.window + self.drift + self.water + self.temperature
    }

    /// Sensor and window together, as the contract's `sensor-drift` has them.
    pub fn sensor(&self) -> f64 {
        self.window + self.drift
    }

    pub(super) fn add_scaled(&mut self, other: &Self, by: f64) {
        self.sleeve += by * other.sleeve;
        self.lamp += by * other.lamp;
        self.window += by * other.window;
        self.drift += by * other.drift;
        self.water += by * other.water;
        self.episode += by * other.episode;
        self.temperature += by * other.temperature;
    }
}

/// One day of the surroundings.
#[derive(Clone, Copy, Debug)]
pub(super) struct Surroundings {
    pub date: Date,
    pub start: Timestamp,
    pub year_day: f64,
    /// Water that comes in, C.
    pub water_c: f64,
    /// Share of the day in which the water stands.
    pub standing: f64,
    pub occupied: bool,
    /// Wandering of the absorbance at the start of the day, per cm.
    wander: f64,
    /// Days of exposure of the sleeve in one day of burning.
    exposure: f64,
}

#[derive(Clone, Copy, Debug)]
enum Change {
    Work(Work),
    Off(bool),
    Outage(bool),
    LampOut(bool),
    Stuck(bool),
    Jump(f64),
}

/// A plan with its surroundings worked out.
#[derive(Clone, Debug)]
pub(super) struct World {
    pub plan: UnitPlan,
    days: Vec<Surroundings>,
    changes: Vec<(Timestamp, Change)>,
    /// Intensity when everything is new, in the unit of the papers.
    pub new_intensity: f64,
    usual_cold: f64,
}

impl World {
    /// Surroundings from `plan.from` to [`AHEAD_DAYS`] after `to`.
    pub fn new(plan: &UnitPlan, to: Timestamp) -> Self {
        let optics = plan.optics;
        let mw = optics.wall_intensity * physics::radial(optics.sleeve_cm, optics.path_cm, plan.water.usual());
        let new_intensity = match plan.papers.sensor.unit {
            IntensityUnit::MilliwattPerCm2 => mw,
            IntensityUnit::Percent => 100.0 * mw / plan.sensor.full_scale,
        };
        let usual_c = plan.water.mean_c + plan.usage.standing_rise_c * USUAL_STANDING;
        Self {
            days: surroundings(plan, to),
            changes: changes(plan),
            new_intensity,
            usual_cold: physics::cold_loss(usual_c, plan.wall_warmer_c, plan.cold_curvature),
            plan: plan.clone(),
        }
    }

    fn index(&self, at: Timestamp) -> usize {
        let first = self.days[0].start;
        let guess = at.millis_since(first).max(0) / DAY;
        let mut i = usize::try_from(guess).unwrap_or(0).min(self.days.len() - 1);
        while i > 0 && self.days[i].start > at {
            i -= 1;
        }
        while self.days.get(i + 1).is_some_and(|next| next.start <= at) {
            i += 1;
        }
        i
    }

    pub fn day(&self, at: Timestamp) -> &Surroundings {
        &self.days[self.index(at)]
    }

    pub fn days(&self) -> &[Surroundings] {
        &self.days
    }

    /// Lasting absorbance against the usual, per cm; shifts that begin after `known` left out.
    pub fn lasting_absorbance(&self, at: Timestamp, known: Timestamp) -> f64 {
        let i = self.index(at);
        let day = &self.days[i];
        let share = (at.days_since(day.start)).clamp(0.0, 1.0);
        let next = self.days.get(i + 1).map_or(day.wander, |next| next.wander);
        self.plan.water.lasting(at, day.year_day + share, known) + day.wander + share * (next - day.wander)
    }

    /// Loss of the lamp's output by the temperature of the water at the lamp, against the usual, ln.
    pub fn temperature_loss(&self, chamber_c: f64) -> f64 {
        physics::cold_loss(chamber_c, self.plan.wall_warmer_c, self.plan.cold_curvature) - self.usual_cold
    }

    /// The state at `plan.from`.
    pub fn start(&self) -> State {
        let plan = &self.plan;
        State {
            at: plan.from,
            lamp: plan.lamp,
            hours: plan.lamp_hours,
            counter: plan.lamp_hours,
            starts: 1,
            lit_since: plan.from.plus_millis(-DAY),
            off: 0,
            outage: 0,
            lamp_out: 0,
            stuck: 0,
            closed: false,
            exposure: plan.deposit.days_at_start,
            pace: 1.0,
            permanent: plan.deposit.permanent,
            window: plan.window.at_start,
            drift: plan.sensor.at_start,
            drift_per_year: plan.sensor.drift_per_year,
            jumps: 0.0,
            next_change: 0,
        }
    }
}

fn surroundings(plan: &UnitPlan, to: Timestamp) -> Vec<Surroundings> {
    let mut rng = ChaCha8Rng::seed_from_u64(plan.seed);
    rng.set_stream(SURROUNDINGS_STREAM);
    let mut normal = || -> f64 { StandardNormal.sample(&mut rng) };
    let (water, zone, deposit) = (&plan.water, &plan.papers.zone, &plan.deposit);
    let keep = (-1.0 / water.wander_days.max(0.1)).exp();
    let keep_c = (-1.0 / TEMPERATURE_WANDER.1).exp();
    let (mut wander, mut warmth) = (normal(), normal());
    let mut date = plan.from.date_in(zone);
    let end = to.plus_millis(AHEAD_DAYS * DAY);
    let mut days = Vec::new();
    loop {
        let start = Timestamp::day_start(date, zone);
        if start > end && !days.is_empty() {
            return days;
        }
        let year_day = f64::from(date.day_of_year());
        let water_c = (water.temperature(year_day) + warmth * TEMPERATURE_WANDER.0 * water.season_c).max(0.5);
        let standing = plan.usage.pattern.standing_share(date);
        let exposure = (deposit.per_c * (water_c - water.mean_c)).exp()
            * (1.0 + deposit.per_standing * (standing - USUAL_STANDING)).max(0.0);
        days.push(Surroundings {
            date,
            start,
            year_day,
            water_c,
            standing,
            occupied: plan.usage.pattern.occupied(date),
            wander: wander * water.wander_sd,
            exposure,
        });
        wander = keep * wander + (1.0 - keep * keep).sqrt() * normal();
        warmth = keep_c * warmth + (1.0 - keep_c * keep_c).sqrt() * normal();
        let Ok(next) = date.tomorrow() else { return days };
        date = next;
    }
}

fn changes(plan: &UnitPlan) -> Vec<(Timestamp, Change)> {
    let mut changes = Vec::new();
    for service in &plan.services {
        changes.push((service.at, Change::Work(service.work)));
        if !matches!(service.work, Work::Close | Work::Open) {
            changes.push((service.at.plus_millis(-VISIT_HALF_MILLIS), Change::Off(true)));
            changes.push((service.at.plus_millis(VISIT_HALF_MILLIS), Change::Off(false)));
        }
    }
    for fault in &plan.faults {
        let both: fn(bool) -> Change = match fault.kind {
            FaultKind::PowerCut => Change::Off,
            FaultKind::Outage => Change::Outage,
            FaultKind::LampOut => Change::LampOut,
            FaultKind::Stuck => Change::Stuck,
            FaultKind::Jump(lower) => {
                changes.push((fault.from, Change::Jump(lower)));
                continue;
            }
        };
        changes.extend([(fault.from, both(true)), (fault.to, both(false))]);
    }
    changes.sort_by_key(|(at, _)| *at);
    changes
}

/// What has become of the unit by an instant.
#[derive(Clone, Debug)]
pub(super) struct State {
    pub at: Timestamp,
    lamp: Lamp,
    hours: f64,
    pub counter: f64,
    pub starts: u32,
    pub lit_since: Timestamp,
    off: u32,
    outage: u32,
    lamp_out: u32,
    stuck: u32,
    pub closed: bool,
    /// Days of exposure since the sleeve was last clean.
    exposure: f64,
    /// How fast it fouls since then, times the stated rate.
    pace: f64,
    permanent: f64,
    window: f64,
    drift: f64,
    drift_per_year: f64,
    jumps: f64,
    next_change: usize,
}

impl State {
    pub fn powered(&self) -> bool {
        self.off == 0 && !self.closed
    }

    pub fn shines(&self) -> bool {
        self.powered() && self.lamp_out == 0
    }

    pub fn silent(&self) -> bool {
        self.outage > 0 || self.closed
    }

    pub fn is_stuck(&self) -> bool {
        self.stuck > 0
    }

    /// Lets time pass to `until`, with everything that happens by then (inclusive). Going back is ignored.
    pub fn advance(&mut self, world: &World, until: Timestamp) {
        while let Some((at, change)) = world.changes.get(self.next_change).filter(|(at, _)| *at <= until) {
            self.pass(world, *at, self.powered());
            self.apply(world, *at, *change);
            self.next_change += 1;
        }
        self.pass(world, until, self.powered());
    }

    /// Lets time pass to `until` with nobody doing anything and nothing happening; a closed unit stays closed.
    pub fn drift_on(&mut self, world: &World, until: Timestamp) {
        self.pass(world, until, !self.closed);
    }

    /// Lets time pass to `at` and does `work` then, which no plan foresaw.
    pub fn perform(&mut self, world: &World, at: Timestamp, work: Work) {
        self.advance(world, at);
        self.apply(world, at, Change::Work(work));
    }

    fn pass(&mut self, world: &World, until: Timestamp, lit: bool) {
        while self.at < until {
            let i = world.index(self.at);
            let day_end = world.days.get(i + 1).map_or(until, |next| next.start.min(until));
            let days = day_end.days_since(self.at);
            if lit {
                self.hours += 24.0 * days;
                self.counter += 24.0 * days;
                self.exposure += days * world.days[i].exposure;
                self.window += days * world.plan.window.per_year / YEAR_DAYS;
            }
            self.drift += days * self.drift_per_year / YEAR_DAYS;
            self.at = day_end;
        }
    }

    fn apply(&mut self, world: &World, at: Timestamp, change: Change) {
        let was_powered = self.powered();
        let count = |n: &mut u32, more: bool| *n = if more { *n + 1 } else { n.saturating_sub(1) };
        match change {
            Change::Work(work) => self.work(world, work),
            Change::Off(on) => count(&mut self.off, on),
            Change::Outage(on) => count(&mut self.outage, on),
            Change::LampOut(on) => count(&mut self.lamp_out, on),
            Change::Stuck(on) => count(&mut self.stuck, on),
            Change::Jump(lower) => self.jumps += lower,
        }
        if self.powered() && !was_powered {
            self.lit_since = at;
            self.starts += 1;
        }
    }

    fn work(&mut self, world: &World, work: Work) {
        match work {
            Work::CleanSleeve { left, pace } => {
                self.permanent += left * self.deposit_loss(world);
                self.exposure = 0.0;
                self.pace = pace;
            }
            Work::NewSleeve => {
                self.permanent = 0.0;
                self.exposure = 0.0;
            }
            Work::NewLamp { lamp, counter_reset } => {
                self.lamp = lamp;
                self.hours = 0.0;
                // A lamp that went out for good is gone; a later "until" of the fault finds nothing to end.
                self.lamp_out = 0;
                if counter_reset {
                    self.counter = 0.0;
                }
            }
            Work::WipeWindow { left } => self.window *= left,
            Work::NewSensor { lower, drift_per_year } => {
                self.window = 0.0;
                self.jumps = 0.0;
                self.drift = lower;
                self.drift_per_year = drift_per_year;
            }
            Work::Close => self.closed = true,
            Work::Open => self.closed = false,
        }
    }

    fn deposit_loss(&self, world: &World) -> f64 {
        let deposit = &world.plan.deposit;
        let grown = physics::after_induction(self.exposure, deposit.induction_days);
        deposit.growth.loss(deposit.rate * self.pace, grown)
    }

    /// Losses now, with the lamp's wall as usual for the day.
    pub fn losses(&self, world: &World, known: Timestamp) -> Losses {
        let day = world.day(self.at);
        let chamber_c = day.water_c + world.plan.usage.standing_rise_c * day.standing;
        self.losses_at(world, known, chamber_c)
    }

    /// Losses now, with `chamber_c` the temperature of the water at the lamp; water shifts after `known` left out.
    pub fn losses_at(&self, world: &World, known: Timestamp, chamber_c: f64) -> Losses {
        let path = world.plan.optics.path_cm;
        Losses {
            sleeve: self.permanent + self.deposit_loss(world),
            lamp: self.lamp.loss(self.hours),
            window: self.window,
            drift: self.drift + self.jumps,
            water: physics::water_loss(world.lasting_absorbance(self.at, known), path),
            episode: physics::water_loss(world.plan.water.passing(self.at), path),
            temperature: world.temperature_loss(chamber_c),
        }
    }

    /// Share of full output that has been reached since the lamp was last lit.
    pub fn warmth(&self, world: &World) -> f64 {
        let secs = self.at.millis_since(self.lit_since) as f64 / 1_000.0;
        if secs > 1.0 * HOUR as f64 / 1_000.0 {
            return 1.0;
        }
        1.0 - 0.8 * (-secs / world.plan.warm_up_secs.max(1.0)).exp()
    }
}
