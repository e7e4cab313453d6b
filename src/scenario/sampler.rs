//! The instruments: what the sensor and the other channels report of a unit at an instant.

use std::sync::Arc;

use rand::SeedableRng;
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution, StandardNormal};

use super::physics;
use super::plan::{UnitPlan, Work};
use super::use_pattern::{SLOT_MILLIS, slot_chance};
use super::world::{State, World};
use crate::domain::time::{HOUR, MINUTE};
use crate::domain::{Channel, Reading, Timestamp};

const NOISE_STREAM: u64 = 2;
/// Time in which the chamber takes the temperature of the water that flows, or warms up when it stands, min.
const CHAMBER_MINUTES: f64 = 20.0;
/// Noise of a transmittance meter, % over 1 cm, and its step.
const TRANSMITTANCE_NOISE: (f64, f64) = (0.12, 0.1);

/// Readings of one unit, asked for in order of time at any cadence.
#[derive(Clone, Debug)]
pub struct Sampler {
    world: Arc<World>,
    state: State,
    rng: ChaCha8Rng,
    slow: f64,
    chamber_c: f64,
    last_at: Timestamp,
    last_value: f64,
}

impl Sampler {
    /// A sampler at `plan.from`, for readings up to about `to`.
    pub fn new(plan: &UnitPlan, to: Timestamp) -> Self {
        Self::of(Arc::new(World::new(plan, to)))
    }

    pub(super) fn of(world: Arc<World>) -> Self {
        let mut rng = ChaCha8Rng::seed_from_u64(world.plan.seed);
        rng.set_stream(NOISE_STREAM);
        let state = world.start();
        let slow = StandardNormal.sample(&mut rng);
        let chamber_c = world.day(state.at).water_c + world.plan.usage.standing_rise_c;
        Self { slow, chamber_c, last_at: state.at, last_value: 0.0, state, rng, world }
    }

    /// What the unit reports at `at`, which lies after the last one asked for; `None` where nothing arrives.
    pub fn reading(&mut self, at: Timestamp) -> Option<Reading> {
        let world = Arc::clone(&self.world);
        self.state.advance(&world, at);
        let minutes = at.millis_since(self.last_at).max(0) as f64 / MINUTE as f64;
        self.last_at = at;
        let flow = self.flow(&world, at);
        self.settle(&world, minutes, flow > 0.0);
        let (slow, white) = self.noise(&world, minutes);
        if self.state.silent() {
            return None;
        }
        let losses = self.state.losses_at(&world, at, self.chamber_c);
        let light = if self.state.shines() {
            self.state.warmth(&world) * (-losses.course() - losses.episode + slow + white).exp()
        } else {
            0.001 * white.abs()
        };
        let step = world.plan.sensor.step;
        if !self.state.is_stuck() {
            self.last_value = to_step(world.new_intensity * light, step);
        }
        let reading = Reading::new(at).with(Channel::Intensity, self.last_value);
        Some(self.other_channels(&world, reading, flow))
    }

    /// Does something at the unit now: the readings to come show it.
    pub fn perform(&mut self, at: Timestamp, work: Work) {
        let world = Arc::clone(&self.world);
        self.state.perform(&world, at, work);
    }

    fn flow(&self, world: &World, at: Timestamp) -> f64 {
        let day = world.day(at);
        if !day.occupied || !self.state.powered() {
            return 0.0;
        }
        let slot = at.as_millis().div_euclid(SLOT_MILLIS);
        let hour = (at.millis_since(day.start) / HOUR).clamp(0, 23);
        if slot_chance(world.plan.seed, slot) >= world.plan.usage.pattern.drawn(hour) {
            return 0.0;
        }
        world.plan.usage.flow * (0.6 + 0.8 * slot_chance(world.plan.seed ^ 1, slot))
    }

    fn settle(&mut self, world: &World, minutes: f64, flowing: bool) {
        let incoming = world.day(self.last_at).water_c;
        let standing = self.state.powered() && !flowing;
        let target = incoming + if standing { world.plan.usage.standing_rise_c } else { 0.0 };
        self.chamber_c = target + (self.chamber_c - target) * (-minutes / CHAMBER_MINUTES).exp();
    }

    fn noise(&mut self, world: &World, minutes: f64) -> (f64, f64) {
        let sensor = &world.plan.sensor;
        let keep = (-minutes / sensor.slow_minutes.max(1e-3)).exp();
        self.slow = keep * self.slow + (1.0 - keep * keep).sqrt() * self.normal();
        let white = self.normal();
        (sensor.slow_sd * self.slow, sensor.white_sd * white)
    }

    fn normal(&mut self) -> f64 {
        StandardNormal.sample(&mut self.rng)
    }

    fn other_channels(&mut self, world: &World, mut reading: Reading, flow: f64) -> Reading {
        let (channels, at) = (world.plan.channels, reading.at);
        let (noise_1, noise_2) = (self.normal(), self.normal());
        if channels.flow {
            reading.set(Channel::Flow, to_step(flow, 0.1));
        }
        if channels.water_temperature {
            reading.set(Channel::WaterTemperature, to_step(self.chamber_c + 0.05 * noise_1, 0.1));
        }
        if channels.transmittance {
            let absorbance = world.plan.water.usual() + world.lasting_absorbance(at, at) + world.plan.water.passing(at);
            let value = physics::transmittance(absorbance) + TRANSMITTANCE_NOISE.0 * noise_2;
            reading.set(Channel::Transmittance, to_step(value.clamp(0.1, 100.0), TRANSMITTANCE_NOISE.1));
        }
        if channels.turbidity {
            let value = world.plan.water.turbidity(at) * (1.0 + 0.05 * noise_1) + 0.02 * noise_2;
            reading.set(Channel::Turbidity, to_step(value.max(0.0), 0.01));
        }
        if channels.lamp_hours {
            reading.set(Channel::LampHours, self.state.counter.floor());
        }
        if channels.lamp_on {
            reading.set(Channel::LampOn, if self.state.powered() { 1.0 } else { 0.0 });
        }
        if channels.lamp_starts {
            reading.set(Channel::LampStarts, f64::from(self.state.starts));
        }
        reading
    }
}

/// The nearest multiple of `step`, without the tail of binary fractions in text.
fn to_step(value: f64, step: f64) -> f64 {
    let per_unit = (1.0 / step).round();
    if step < 1.0 { (value * per_unit).round() / per_unit } else { (value / step).round() * step }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn steps() {
        assert!((to_step(21.437, 0.01) - 21.44).abs() < 1e-12);
        assert!((to_step(21.437, 0.1) - 21.4).abs() < 1e-12);
        assert!((to_step(78.6, 1.0) - 79.0).abs() < 1e-12);
        assert_eq!(to_step(0.1 + 0.2, 0.1).to_string(), "0.3");
    }
}
