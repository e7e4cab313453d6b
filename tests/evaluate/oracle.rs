//! What the assessment would say if something unknown were told to it: how much of an error is whose.

use fadeline::analysis::Constants;
use fadeline::analysis::constants::{Belief, Hypothesis};
use fadeline::analysis::growth::Growth;
use fadeline::domain::ServiceEntry;
use fadeline::domain::time::DAY;
use fadeline::scenario::plan::{Service, UnitPlan};
use fadeline::scenario::{Truth, physics};

/// Something told.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Oracle {
    /// Everything that was done, at its time, and nothing else.
    Log,
    /// How the lamp ages.
    Lamp,
    /// How sensor and window fade, and since when.
    Sensor,
    /// What was on the sleeve at the first reading.
    Start,
    /// The light when new, exactly.
    Reference,
    /// How the deposit grows.
    Growth,
    /// Not told but mistold: the sensor drifts twice as fast beforehand as the constants say.
    SensorTwice,
}

impl Oracle {
    const ALL: [(&'static str, Self); 7] = [
        ("log", Self::Log),
        ("lamp", Self::Lamp),
        ("sensor", Self::Sensor),
        ("start", Self::Start),
        ("reference", Self::Reference),
        ("growth", Self::Growth),
        ("sensor-twice", Self::SensorTwice),
    ];

    /// Those named in a list with commas.
    pub fn named(list: &str) -> Vec<Self> {
        let one = |name: &str| Self::ALL.iter().find(|(known, _)| *known == name).map(|(_, oracle)| *oracle);
        list.split(',').map(|name| one(name).expect("an oracle of the list")).collect()
    }

    /// Tells it.
    pub fn tell(self, plan: &mut UnitPlan, truth: &Truth, log: &mut Vec<ServiceEntry>, constants: &mut Constants) {
        let before = |days: f64| plan.from.plus_millis((-days * DAY as f64) as i64);
        let sure = |mean: f64, sd: f64| vec![Hypothesis { weight: 1.0, belief: Belief::new(mean, sd) }];
        let model = &mut constants.model;
        match self {
            Self::Log => {
                let done = |service: &Service| ServiceEntry::new(service.at, service.work.action());
                *log = plan.services.iter().filter(|service| service.at < plan.to).map(done).collect();
            }
            Self::Lamp => {
                model.lamp = sure(plan.lamp.life_loss, 0.001);
                model.lamp_curve.sd = 0.005;
                model.lamp_step.sd = 0.02;
                plan.papers.lamp.hours_at_start = Some(plan.lamp_hours);
            }
            Self::Sensor => {
                let (sensor, window) = (plan.sensor, plan.window);
                // The first hypothesis must be none; it is given no chance.
                model.drift = sure(0.0, 0.0);
                model.drift[0].weight = 1e-9;
                model.drift.extend(sure(sensor.drift_per_year, 0.001));
                model.window = sure(window.per_year / 3.6525, 0.000_3);
                let years = |at_start: f64, per_year: f64| if per_year > 0.0 { at_start / per_year } else { 0.0 };
                plan.papers.sensor.installed = Some(before(365.25 * years(sensor.at_start, sensor.drift_per_year)));
                plan.papers.sensor.cleaned = Some(before(365.25 * years(window.at_start, window.per_year)));
            }
            Self::Start => {
                model.permanent_at_start = Belief::new(plan.deposit.permanent, 0.000_5);
                plan.papers.sleeve.cleaned = Some(before(plan.deposit.days_at_start));
            }
            Self::Reference => {
                plan.papers.reference = Some(truth.new_intensity);
                model.reference_sd = 0.002;
            }
            Self::Growth => {
                let end_days = match plan.deposit.growth {
                    physics::Growth::Asymptotic(limit) => limit / plan.deposit.rate.max(1e-6),
                    physics::Growth::Linear | physics::Growth::Exponential => f64::INFINITY,
                };
                let cover_days = match plan.deposit.growth {
                    physics::Growth::Linear => 1.0 / plan.deposit.rate.max(1e-6),
                    physics::Growth::Exponential | physics::Growth::Asymptotic(_) => f64::INFINITY,
                };
                model.growths = vec![(Growth { delay_days: plan.deposit.induction_days, end_days, cover_days }, 1.0)];
            }
            Self::SensorTwice => {
                model.drift.iter_mut().skip(1).for_each(|h| h.belief.mean *= 2.0);
            }
        }
    }
}
