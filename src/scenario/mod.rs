//! The simulator behind the demo and the tests: its own physics, which the analysis may not know. PURE.
//!
//! [`random_plan`] draws a unit of a [`Kind`]; [`simulate`] lets it live and returns what an owner would have (papers,
//! readings, service log) beside the [`Truth`]. Everything follows from the plan and its seed.

pub mod draw;
pub mod export;
pub mod heron_bight;
pub mod physics;
pub mod plan;
pub mod sampler;
pub mod truth;
pub mod use_pattern;
pub mod water;
mod world;

use std::sync::Arc;

pub use draw::{Kind, random_plan};
pub use plan::UnitPlan;
pub use sampler::Sampler;
pub use truth::Truth;
pub use world::{Losses, VISIT_HALF_MILLIS};

use crate::domain::{Reading, ServiceEntry, Timestamp, UnitSpec};
use world::World;

/// What an owner would have of a unit, and the truth about it.
#[derive(Clone, Debug)]
pub struct Simulated {
    /// The papers.
    pub spec: UnitSpec,
    /// The readings, oldest first.
    pub readings: Vec<Reading>,
    /// The service log, oldest first.
    pub log: Vec<ServiceEntry>,
    /// What really happened.
    pub truth: Truth,
}

/// The life of a unit from `from` (at or after `plan.from`) until just before `to`, a reading every `step_millis`
/// (at least 1 s).
pub fn simulate(plan: &UnitPlan, from: Timestamp, to: Timestamp, step_millis: i64) -> Simulated {
    let world = Arc::new(World::new(plan, to));
    let from = from.max(plan.from);
    let step = step_millis.max(crate::domain::time::SECOND);
    let mut sampler = Sampler::of(Arc::clone(&world));
    let count = to.millis_since(from).max(0) / step;
    let readings = (0..count).filter_map(|i| sampler.reading(from.plus_millis(i * step))).collect();
    Simulated { spec: plan.papers.clone(), readings, log: log(plan, to), truth: Truth::of(world, from, to) }
}

/// The truth alone: for tuning runs that need no readings.
pub fn truth(plan: &UnitPlan, from: Timestamp, to: Timestamp) -> Truth {
    Truth::of(Arc::new(World::new(plan, to)), from.max(plan.from), to)
}

/// The service log as people wrote it by `to`, oldest first.
pub fn log(plan: &UnitPlan, to: Timestamp) -> Vec<ServiceEntry> {
    let written = plan.services.iter().filter(|s| s.at <= to).filter_map(|s| s.logged.clone());
    let mut log: Vec<_> = written.chain(plan.false_entries.iter().cloned()).filter(|e| e.at <= to).collect();
    log.sort_by_key(|entry| entry.at);
    log
}

#[cfg(test)]
mod tests;
