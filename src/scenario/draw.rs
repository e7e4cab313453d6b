//! Units drawn at random: every kind the analysis must cope with. The ranges are invented, around the figures of the
//! trade where there are any (lamp about 20 % in 18,000 h; sensors little, a few much; deposits 0 to 30 % in 100 days).

use std::fmt;

use jiff::tz::TimeZone;
use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution, StandardNormal};

use super::physics::{self, Growth, Lamp};
use super::plan::{Channels, Deposit, Fault, FaultKind, Optics, Sensor, Service, UnitPlan, Usage, Window, Work};
use super::truth::{HORIZON_DAYS, MEAN_DAYS, Truth};
use super::use_pattern::UsePattern;
use super::water::{Shift, Snowmelt, Storm, Water};
use crate::domain::time::{DAY, HOUR, MINUTE};
use crate::domain::{IntensityUnit, ServiceAction, ServiceEntry, Timestamp, UnitId, UnitSpec, WaterSource};

const PLAN_STREAM: u64 = 3;

/// What is at work in a drawn unit.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum Kind {
    /// Everything at its usual rate; 70 % of the cleanings are logged.
    Usual,
    /// False and mis-dated entries, dirty windows, whole percents, seasonal closing, shifts, knocked sensors.
    Hard,
    /// Nothing wrong: every cause stays under 1.5 %.
    Healthy,
    /// Only the lamp ages.
    LampOnly,
    /// Only the window gets dirty or the sensor drifts, and fast.
    SensorOnly,
    /// Only the water changes.
    WaterOnly,
    /// A cleaning every few weeks.
    FastFouling,
    /// Fouls towards a limit above the set point.
    NeverCrosses,
    /// A usual unit that had been in use for years when its readings began, with papers as people write them: when it
    /// was fitted and what it read then, and nothing of what was done since.
    TakenOver,
}

impl Kind {
    /// Every kind.
    pub const ALL: [Self; 9] = [
        Self::Usual,
        Self::Hard,
        Self::Healthy,
        Self::LampOnly,
        Self::SensorOnly,
        Self::WaterOnly,
        Self::FastFouling,
        Self::NeverCrosses,
        Self::TakenOver,
    ];

    /// Its name in ids and tables.
    pub fn name(self) -> &'static str {
        match self {
            Self::Usual => "usual",
            Self::Hard => "hard",
            Self::Healthy => "healthy",
            Self::LampOnly => "lamp-only",
            Self::SensorOnly => "sensor-only",
            Self::WaterOnly => "water-only",
            Self::FastFouling => "fast-fouling",
            Self::NeverCrosses => "never-crosses",
            Self::TakenOver => "taken-over",
        }
    }
}

impl fmt::Display for Kind {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.pad(self.name())
    }
}

/// A unit of a kind. The same kind and seed give the same plan.
pub fn random_plan(kind: Kind, seed: u64) -> UnitPlan {
    let mut dice = Dice::new(kind, seed);
    let mut plan = blank(&mut dice, kind, seed);
    match kind {
        Kind::Usual => usual(&mut dice, &mut plan),
        Kind::Hard => hard(&mut dice, &mut plan),
        Kind::Healthy => {}
        Kind::LampOnly => {
            plan.lamp.life_loss = dice.normal(0.3, 0.06).max(0.15);
            plan.lamp_hours = dice.uniform(100.0, 6_000.0);
            change_lamps(&mut dice, &mut plan, 0.0);
        }
        Kind::SensorOnly => sensor_only(&mut dice, &mut plan),
        Kind::WaterOnly => {
            surface_water(&mut dice, &mut plan, 1.0);
            shifts(&mut dice, &mut plan, 1, 3);
        }
        Kind::FastFouling => {
            ordinary(&mut dice, &mut plan);
            plan.deposit.rate = dice.uniform(0.004, 0.02);
            plan.deposit.induction_days = dice.uniform(0.5, 3.0);
            let every = dice.uniform(12.0, 32.0);
            clean(&mut dice, &mut plan, every);
        }
        Kind::NeverCrosses => {
            ordinary(&mut dice, &mut plan);
            plan.lamp.life_loss = dice.uniform(0.05, 0.12);
            plan.deposit.growth = Growth::Asymptotic(dice.uniform(0.10, 0.25));
            plan.deposit.rate = dice.uniform(0.002, 0.006);
        }
        Kind::TakenOver => {
            ordinary(&mut dice, &mut plan);
            let every = dice.uniform(60.0, 160.0);
            life_before(&mut dice, &mut plan, every);
            clean(&mut dice, &mut plan, every);
            change_lamps(&mut dice, &mut plan, 0.6);
            swap_sensor(&mut dice, &mut plan, 0.15);
        }
    }
    breakdowns(&mut dice, &mut plan, if kind == Kind::Hard { 2.0 } else { 1.0 });
    plan.services.sort_by_key(|service| service.at);
    write_log(&mut dice, &mut plan, if kind == Kind::Hard { HARD_LOG } else { USUAL_LOG });
    papers(&mut dice, &mut plan, kind);
    plan
}

/// Random numbers of one plan.
struct Dice(ChaCha8Rng);

impl Dice {
    fn new(kind: Kind, seed: u64) -> Self {
        let mut rng = ChaCha8Rng::seed_from_u64(seed);
        rng.set_stream(PLAN_STREAM + 16 * kind as u64);
        Self(rng)
    }

    fn uniform(&mut self, low: f64, high: f64) -> f64 {
        low + (high - low) * self.0.random::<f64>()
    }

    fn normal(&mut self, mean: f64, sd: f64) -> f64 {
        let z: f64 = StandardNormal.sample(&mut self.0);
        mean + sd * z
    }

    /// Log-normal with its median.
    fn around(&mut self, median: f64, sigma: f64) -> f64 {
        median * self.normal(0.0, sigma).exp()
    }

    fn chance(&mut self, p: f64) -> bool {
        self.0.random::<f64>() < p
    }

    fn whole(&mut self, low: u32, high: u32) -> u32 {
        self.0.random_range(low..=high)
    }

    fn pick<T: Copy>(&mut self, from: &[T]) -> T {
        from[self.0.random_range(0..from.len())]
    }

    /// Instants of a Poisson process, about `per_year`, in order.
    fn instants(&mut self, from: Timestamp, to: Timestamp, per_year: f64) -> Vec<Timestamp> {
        let (mut at, mut all) = (from, Vec::new());
        if per_year <= 0.0 {
            return all;
        }
        loop {
            let days = -self.uniform(1e-12, 1.0).ln() * 365.25 / per_year;
            at = at.plus_millis((days * DAY as f64) as i64);
            if at >= to {
                return all;
            }
            all.push(at);
        }
    }

    /// An hour of work on the day `days` after `from`.
    fn visit(&mut self, from: Timestamp, days: f64) -> Timestamp {
        let midnight = from.plus_millis(days.floor() as i64 * DAY);
        midnight.plus_millis((self.uniform(8.0, 17.0) * 60.0) as i64 * MINUTE)
    }
}

/// A unit in which nothing wears, in steady water.
fn blank(dice: &mut Dice, kind: Kind, seed: u64) -> UnitPlan {
    // 2022-06-01T00:00:00Z, and up to two years later.
    let from = Timestamp::from_secs(1_654_041_600).plus_millis(i64::from(dice.whole(0, 730)) * DAY);
    let days = dice.uniform(365.0, 1_095.0);
    let id = UnitId::new("drawn", &format!("{kind}-{seed}"));
    let id = id.unwrap_or_else(|_| unreachable!("kinds and numbers are valid ids"));
    let mut spec = UnitSpec::new(id, 1.0);
    let zone = dice.pick(&["Europe/Vienna", "America/Toronto", "America/Vancouver", "UTC"]);
    spec.zone = TimeZone::get(zone).unwrap_or(TimeZone::UTC);
    spec.water = Some(WaterSource::BedrockWell);
    UnitPlan {
        papers: spec,
        from,
        to: from.plus_millis(days as i64 * DAY),
        seed,
        optics: Optics {
            sleeve_cm: dice.uniform(1.1, 1.6),
            path_cm: dice.uniform(1.5, 4.0),
            wall_intensity: dice.uniform(60.0, 140.0),
        },
        lamp: Lamp {
            burn_in: dice.uniform(0.01, 0.04),
            burn_in_hours: dice.uniform(20.0, 35.0),
            life_loss: dice.uniform(0.0, 0.005),
            shape: dice.uniform(0.85, 1.1),
            weaker: 0.0,
        },
        lamp_hours: dice.uniform(800.0, 3_000.0),
        wall_warmer_c: dice.uniform(11.0, 17.0),
        cold_curvature: dice.uniform(0.000_12, 0.000_28),
        warm_up_secs: dice.uniform(30.0, 120.0),
        deposit: Deposit {
            growth: Growth::Exponential,
            rate: 0.0,
            induction_days: dice.uniform(4.0, 20.0),
            per_c: dice.uniform(0.01, 0.04),
            per_standing: dice.uniform(0.0, 1.0),
            days_at_start: 0.0,
            permanent: 0.0,
        },
        window: Window { per_year: 0.0, at_start: 0.0 },
        sensor: Sensor {
            drift_per_year: dice.uniform(0.0, 0.003),
            at_start: 0.0,
            slow_sd: dice.uniform(0.003, 0.008),
            slow_minutes: dice.uniform(20.0, 120.0),
            white_sd: dice.uniform(0.002, 0.006),
            step: dice.pick(&[0.01, 0.1]),
            full_scale: 1.0,
        },
        water: bedrock(dice),
        usage: Usage {
            pattern: dice.pick(&[UsePattern::Household, UsePattern::Household, UsePattern::WeekendCabin]),
            flow: dice.uniform(6.0, 25.0),
            standing_rise_c: dice.uniform(1.0, 5.0),
        },
        services: Vec::new(),
        false_entries: Vec::new(),
        faults: Vec::new(),
        channels: Channels {
            flow: dice.chance(0.5),
            water_temperature: dice.chance(0.6),
            transmittance: dice.chance(0.5),
            turbidity: dice.chance(0.25),
            lamp_hours: dice.chance(0.6),
            lamp_on: dice.chance(0.5),
            lamp_starts: dice.chance(0.2),
        },
    }
}

fn bedrock(dice: &mut Dice) -> Water {
    Water {
        usual_transmittance: dice.uniform(90.0, 97.0),
        season: dice.uniform(0.0, 0.000_3),
        wander_sd: dice.uniform(0.000_1, 0.000_4),
        wander_days: dice.uniform(4.0, 15.0),
        usual_turbidity: dice.uniform(0.05, 0.3),
        mean_c: dice.uniform(7.0, 11.0),
        season_c: dice.uniform(0.5, 2.5),
        storms: Vec::new(),
        snowmelts: Vec::new(),
        shifts: Vec::new(),
    }
}

/// Lake, stream or spring water, `restless` times as lively as usual.
fn surface_water(dice: &mut Dice, plan: &mut UnitPlan, restless: f64) {
    let source = dice.pick(&[WaterSource::Lake, WaterSource::River, WaterSource::Spring, WaterSource::ShallowWell]);
    plan.papers.water = Some(source);
    let lively = restless * if matches!(source, WaterSource::Lake | WaterSource::River) { 1.0 } else { 0.5 };
    // Given as loss at the sensor in ln, and turned into absorbance over this unit's path.
    let path = plan.optics.path_cm;
    let absorbance = |loss: f64| loss / physics::water_loss(1.0, path);
    plan.water = Water {
        usual_transmittance: dice.uniform(82.0, 95.0),
        season: absorbance(lively * dice.uniform(0.0, 0.02)),
        wander_sd: absorbance(lively * dice.uniform(0.003, 0.012)),
        wander_days: dice.uniform(3.0, 12.0),
        usual_turbidity: dice.uniform(0.1, 0.9),
        mean_c: dice.uniform(8.0, 12.0),
        season_c: dice.uniform(2.0, 8.0),
        ..bedrock(dice)
    };
    let slowness = if source == WaterSource::Lake { 2.5 } else { 1.0 };
    for at in dice.instants(plan.from, plan.to, 6.0 * lively) {
        let organics = absorbance(dice.around(0.07, 0.6).min(0.5));
        let slowness = slowness * dice.uniform(0.7, 1.4);
        plan.water.storms.push(Storm { at, turbidity: dice.around(3.0, 0.7), organics, slowness });
    }
    if dice.chance(0.4) {
        for year in 2022..=2028 {
            let day = jiff::civil::date(year, 4, 1);
            let at = Timestamp::day_start(day, &TimeZone::UTC).plus_millis((dice.normal(0.0, 8.0) * DAY as f64) as i64);
            let thaw =
                Snowmelt { at, days: dice.uniform(18.0, 40.0), organics: absorbance(lively * dice.uniform(0.02, 0.1)) };
            if at > plan.from && at < plan.to {
                plan.water.snowmelts.push(thaw);
            }
        }
    }
}

fn shifts(dice: &mut Dice, plan: &mut UnitPlan, least: u32, most: u32) {
    for _ in 0..dice.whole(least, most) {
        let days = dice.uniform(40.0, plan.to.days_since(plan.from) - 20.0);
        let at = plan.from.plus_millis((days * DAY as f64) as i64);
        let loss = dice.uniform(0.04, 0.14) * if dice.chance(0.7) { 1.0 } else { -1.0 };
        let absorbance = loss / physics::water_loss(1.0, plan.optics.path_cm);
        plan.water.shifts.push(Shift { at, days: dice.uniform(0.2, 5.0), absorbance });
    }
    plan.water.shifts.sort_by_key(|shift| shift.at);
}

/// Lamp, sleeve, window and sensor at their usual rates, on any water; no services yet.
fn ordinary(dice: &mut Dice, plan: &mut UnitPlan) {
    plan.lamp.life_loss = dice.normal(0.223, 0.045).max(0.08);
    plan.lamp.burn_in_hours = dice.uniform(25.0, 90.0);
    plan.lamp_hours = dice.uniform(150.0, 11_000.0);
    let limit = dice.uniform(0.25, 0.8);
    plan.deposit.growth = dice.pick(&[
        Growth::Linear,
        Growth::Linear,
        Growth::Exponential,
        Growth::Exponential,
        Growth::Asymptotic(limit),
    ]);
    plan.deposit.rate = dice.around(0.001, 0.6).clamp(0.000_2, 0.004);
    plan.deposit.days_at_start = dice.uniform(0.0, 60.0);
    plan.deposit.permanent = dice.uniform(0.0, 0.03);
    plan.window = Window { per_year: dice.around(0.008, 0.5), at_start: dice.uniform(0.0, 0.01) };
    plan.sensor.drift_per_year =
        if dice.chance(0.12) { dice.normal(0.085, 0.025).max(0.04) } else { dice.normal(0.026, 0.012).max(0.0) };
    plan.sensor.at_start = plan.sensor.drift_per_year * dice.uniform(0.0, 1.5);
    if dice.chance(0.75) {
        surface_water(dice, plan, 1.0);
    }
}

fn usual(dice: &mut Dice, plan: &mut UnitPlan) {
    ordinary(dice, plan);
    let every = dice.uniform(60.0, 160.0);
    clean(dice, plan, every);
    change_lamps(dice, plan, 0.6);
    swap_sensor(dice, plan, 0.15);
    if dice.chance(0.1) {
        percent_only(dice, plan);
    }
}

fn hard(dice: &mut Dice, plan: &mut UnitPlan) {
    ordinary(dice, plan);
    plan.deposit.rate = dice.around(0.0012, 0.9).clamp(0.0, 0.008);
    if dice.chance(0.3) {
        plan.window.per_year = dice.uniform(0.06, 0.35);
    }
    if dice.chance(0.25) {
        shifts(dice, plan, 1, 2);
    }
    let every = dice.uniform(35.0, 200.0);
    clean(dice, plan, every);
    change_lamps(dice, plan, 0.6);
    swap_sensor(dice, plan, 0.25);
    if dice.chance(0.4) {
        percent_only(dice, plan);
    }
    if dice.chance(0.35) {
        close_winters(dice, plan);
    }
    if dice.chance(0.15) {
        let days = dice.uniform(60.0, plan.to.days_since(plan.from) - 30.0);
        let at = plan.from.plus_millis((days * DAY as f64) as i64);
        let jump = FaultKind::Jump(dice.uniform(0.04, 0.12));
        plan.faults.push(Fault { kind: jump, from: at, to: at });
    }
    for at in dice.instants(plan.from, plan.to, 1.0) {
        let to = at.plus_millis((dice.uniform(0.3, 4.0) * DAY as f64) as i64);
        plan.faults.push(Fault { kind: FaultKind::Stuck, from: at, to });
    }
}

fn sensor_only(dice: &mut Dice, plan: &mut UnitPlan) {
    if dice.chance(0.5) {
        plan.window.per_year = dice.uniform(0.1, 0.4);
        for days in visits(dice, plan, 260.0) {
            let at = dice.visit(plan.from, days);
            let left = dice.uniform(0.0, 0.15);
            plan.services.push(Service::logged(at, Work::WipeWindow { left }));
        }
    } else {
        plan.sensor.drift_per_year = dice.uniform(0.08, 0.3);
        swap_sensor(dice, plan, 0.5);
    }
}

/// Days after `plan.from` of visits about every `every` days.
fn visits(dice: &mut Dice, plan: &UnitPlan, every: f64) -> Vec<f64> {
    let (mut day, mut all) = (dice.uniform(0.2, 1.0) * every, Vec::new());
    while day < plan.to.days_since(plan.from) - 3.0 {
        all.push(day);
        day += dice.around(every, 0.2);
    }
    all
}

fn cleaning(dice: &mut Dice) -> Work {
    Work::CleanSleeve { left: dice.normal(0.05, 0.04).clamp(0.0, 0.3), pace: dice.around(1.0, 0.22) }
}

fn clean(dice: &mut Dice, plan: &mut UnitPlan, every: f64) {
    for days in visits(dice, plan, every) {
        let at = dice.visit(plan.from, days);
        let work = cleaning(dice);
        plan.services.push(Service::logged(at, work));
        if dice.chance(0.25) {
            let wipe = Work::WipeWindow { left: dice.uniform(0.0, 0.2) };
            plan.services.push(Service::logged(at.plus_millis(40 * MINUTE), wipe));
        }
    }
}

/// New lamps before the rated life is over; with `with_cleaning` probability the sleeve is cleaned on the way.
fn change_lamps(dice: &mut Dice, plan: &mut UnitPlan, with_cleaning: f64) {
    let mut day = (dice.uniform(14_500.0, 18_500.0) - plan.lamp_hours) / 24.0;
    while day < plan.to.days_since(plan.from) - 5.0 {
        let at = dice.visit(plan.from, day.max(5.0));
        if dice.chance(with_cleaning) {
            let work = cleaning(dice);
            plan.services.push(Service::logged(at.plus_millis(-20 * MINUTE), work));
        }
        let lamp = Lamp {
            life_loss: (plan.lamp.life_loss * dice.normal(1.0, 0.1)).max(0.0),
            weaker: dice.normal(0.0, 0.02),
            ..plan.lamp
        };
        plan.services.push(Service::logged(at, Work::NewLamp { lamp, counter_reset: dice.chance(0.9) }));
        day += dice.uniform(14_500.0, 18_500.0) / 24.0;
    }
}

fn swap_sensor(dice: &mut Dice, plan: &mut UnitPlan, chance: f64) {
    if dice.chance(chance) {
        let at = {
            let days = dice.uniform(60.0, plan.to.days_since(plan.from) - 60.0);
            dice.visit(plan.from, days)
        };
        let drift_per_year = dice.normal(0.026, 0.012).max(0.0);
        plan.services.push(Service::logged(at, Work::NewSensor { lower: dice.normal(0.0, 0.01), drift_per_year }));
    }
}

fn percent_only(dice: &mut Dice, plan: &mut UnitPlan) {
    let optics = plan.optics;
    let new = optics.wall_intensity * physics::radial(optics.sleeve_cm, optics.path_cm, plan.water.usual());
    plan.papers.sensor.unit = IntensityUnit::Percent;
    plan.sensor.step = 1.0;
    plan.sensor.full_scale = new / dice.uniform(0.9, 1.0);
}

fn close_winters(dice: &mut Dice, plan: &mut UnitPlan) {
    for year in 2021..=2027 {
        let autumn = Timestamp::day_start(jiff::civil::date(year, 10, 15), &TimeZone::UTC);
        let spring = Timestamp::day_start(jiff::civil::date(year + 1, 4, 20), &TimeZone::UTC);
        let close = {
            let days = dice.uniform(0.0, 25.0);
            dice.visit(autumn, days)
        };
        let open = {
            let days = dice.uniform(0.0, 25.0);
            dice.visit(spring, days)
        };
        if close > plan.from && open.plus_millis(30 * DAY) < plan.to {
            // Nobody works at a unit that is shut.
            plan.services.retain(|s| !(close.plus_millis(-HOUR)..open.plus_millis(HOUR)).contains(&s.at));
            plan.services.push(Service::logged(close, Work::Close));
            plan.services.push(Service::logged(open, Work::Open));
        }
    }
}

fn breakdowns(dice: &mut Dice, plan: &mut UnitPlan, often: f64) {
    for (kind, per_year, hours) in [(FaultKind::PowerCut, 5.0, 1.5), (FaultKind::Outage, 5.0, 10.0)] {
        for from in dice.instants(plan.from, plan.to, often * per_year) {
            let lasts = dice.around(hours, 1.0).min(15.0 * 24.0);
            plan.faults.push(Fault { kind, from, to: from.plus_millis((lasts * HOUR as f64) as i64) });
        }
    }
}

/// How people keep a log.
#[derive(Clone, Copy)]
struct LogHabits {
    cleanings_logged: f64,
    others_logged: f64,
    misdated: f64,
    false_per_year: f64,
}

const USUAL_LOG: LogHabits =
    LogHabits { cleanings_logged: 0.7, others_logged: 1.0, misdated: 0.0, false_per_year: 0.0 };
const HARD_LOG: LogHabits =
    LogHabits { cleanings_logged: 0.65, others_logged: 0.9, misdated: 0.2, false_per_year: 0.4 };

fn write_log(dice: &mut Dice, plan: &mut UnitPlan, habits: LogHabits) {
    let (from, to) = (plan.from, plan.to);
    for service in &mut plan.services {
        let seasonal = matches!(service.work, Work::Close | Work::Open);
        let cleaning = matches!(service.work, Work::CleanSleeve { .. });
        let share = if cleaning { habits.cleanings_logged } else { habits.others_logged };
        let keep = dice.chance(share);
        let days = if dice.chance(habits.misdated) { dice.normal(0.0, 6.0) } else { 0.0 };
        let minutes = dice.normal(10.0, 30.0) + days * 1_440.0;
        match &mut service.logged {
            Some(_) if !keep && !seasonal => service.logged = None,
            Some(entry) if !seasonal => {
                entry.at = entry.at.plus_millis(minutes as i64 * MINUTE).clamp(from, to);
            }
            _ => {}
        }
    }
    for at in dice.instants(from, to, habits.false_per_year) {
        plan.false_entries.push(ServiceEntry::new(at, ServiceAction::SleeveCleaned));
    }
}

/// What was done in the years before the readings began, and the papers that are left of it: when the unit was fitted, and
/// perhaps when the present lamp was.
fn life_before(dice: &mut Dice, plan: &mut UnitPlan, every: f64) {
    let years = dice.uniform(0.7, 8.0);
    let days = 365.25 * years;
    let before = |days: f64| plan.from.plus_millis((-days * DAY as f64) as i64);
    // Somebody who fits a gateway may clean the sleeve on the way; else the last cleaning was some time ago, or never.
    let neglected = if dice.chance(0.15) { 4.0 } else { 1.0 };
    let since = dice.uniform(0.0, neglected * every).min(days);
    plan.deposit.days_at_start = if dice.chance(0.4) { 0.0 } else { since };
    // A sleeve that stays cloudy is replaced, by many every five years (common practice).
    let sleeve_days = if years > 5.0 && dice.chance(0.6) { 365.25 * dice.uniform(0.0, 5.0) } else { days };
    plan.deposit.days_at_start = plan.deposit.days_at_start.min(sleeve_days);
    plan.deposit.permanent = 0.05 * plan.deposit.rate * sleeve_days * dice.uniform(0.3, 1.5);
    plan.window.at_start = plan.window.per_year * dice.uniform(0.0, years.min(3.0));
    let lamp_days = 0.95 * days;
    let first_lamp = 24.0 * lamp_days < 17_000.0;
    plan.lamp_hours = if first_lamp { 24.0 * lamp_days } else { dice.uniform(200.0, 16_000.0) };
    let lamp_fitted = before(plan.lamp_hours / 24.0 / 0.95);
    plan.lamp.weaker = if first_lamp { 0.0 } else { dice.normal(0.0, 0.02) };
    let sensor_years = if dice.chance(0.2) { dice.uniform(0.0, years) } else { years };
    plan.sensor.at_start = plan.sensor.drift_per_year * sensor_years;
    // Of some units nothing is left.
    if dice.chance(0.2) {
        return;
    }
    plan.papers.sleeve.installed = Some(before(sleeve_days));
    plan.papers.sensor.installed = Some(before(365.25 * sensor_years));
    if first_lamp || dice.chance(0.7) {
        plan.papers.lamp.installed = Some(lamp_fitted);
    }
    if dice.chance(0.4) {
        plan.papers.lamp.hours_at_start = Some((plan.lamp_hours / 10.0).round() * 10.0);
    }
}

/// What the papers say of the parts of a unit that was new, or well kept, when its readings began.
fn papers_of_parts(dice: &mut Dice, plan: &mut UnitPlan) {
    let before = |days: f64| plan.from.plus_millis((-days * DAY as f64) as i64);
    if dice.chance(0.7) {
        plan.papers.lamp.hours_at_start = Some((plan.lamp_hours / 10.0).round() * 10.0);
    }
    if dice.chance(0.6) {
        plan.papers.lamp.installed = Some(before(plan.lamp_hours / 24.0));
    }
    if dice.chance(0.5) {
        plan.papers.sleeve.cleaned = Some(before(plan.deposit.days_at_start));
    }
}

fn papers(dice: &mut Dice, plan: &mut UnitPlan, kind: Kind) {
    // Those of a unit that was taken over are written with its life before.
    if kind != Kind::TakenOver {
        papers_of_parts(dice, plan);
    }
    if dice.chance(0.5) {
        plan.papers.sensor.path_cm = Some((plan.optics.path_cm * 10.0).round() / 10.0);
    }
    let truth = super::truth(plan, plan.from, plan.to);
    let lost = kind == Kind::TakenOver && plan.papers.sleeve.installed.is_none();
    if dice.chance(0.7) && !lost {
        let misread = if kind == Kind::TakenOver { 0.02 } else { 0.008 };
        plan.papers.reference = Some(truth.new_intensity * dice.normal(1.0, misread));
    }
    plan.papers.set_point = set_point(dice, plan, &truth, kind);
}

/// Worst days of a history on which a well-kept unit may still be under its set point, share.
const SHORT_SHARE: f64 = 0.03;

fn set_point(dice: &mut Dice, plan: &UnitPlan, truth: &Truth, kind: Kind) -> f64 {
    let ahead = match kind {
        Kind::Usual | Kind::Hard | Kind::TakenOver | Kind::LampOnly | Kind::SensorOnly => Some(dice.uniform(5.0, 75.0)),
        Kind::FastFouling => Some(dice.uniform(3.0, 40.0)),
        Kind::Healthy | Kind::WaterOnly | Kind::NeverCrosses => None,
    };
    let last = truth.days.last().map(|day| day.date);
    let course = last.map(|last| truth.course_from(last, HORIZON_DAYS as usize)).unwrap_or_default();
    let mut lived: Vec<f64> = truth.days.iter().filter(|day| !day.closed).map(|day| day.intensity).collect();
    lived.sort_by(f64::total_cmp);
    let worst = lived.get((SHORT_SHARE * lived.len() as f64) as usize).copied().unwrap_or(truth.new_intensity);
    let wanted = match ahead {
        Some(days) => {
            let end = course.iter().skip(days as usize).take(MEAN_DAYS);
            (end.sum::<f64>() / MEAN_DAYS as f64).min(worst)
        }
        None => course.into_iter().fold(worst, f64::min).min(0.65 * truth.new_intensity) * 0.92,
    };
    let step: f64 = if plan.papers.sensor.unit == IntensityUnit::Percent { 1.0 } else { 0.1 };
    ((wanted / step).round() * step).max(step)
}
