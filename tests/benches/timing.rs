//! Medians of repeated runs.

use std::hint::black_box;
use std::time::{Duration, Instant};

/// How long one sample of a short piece of work lasts at least.
const SAMPLE: Duration = Duration::from_millis(15);
/// Samples of each.
const SAMPLES: usize = 15;

/// The middle value. Not empty, no NaN.
pub fn median(mut values: Vec<f64>) -> f64 {
    values.sort_by(f64::total_cmp);
    values[values.len() / 2]
}

/// Seconds that `work` takes, once.
pub fn once<T>(work: impl FnOnce() -> T) -> (T, f64) {
    let begun = Instant::now();
    let made = work();
    (made, begun.elapsed().as_secs_f64())
}

/// Median seconds of two pieces of short work, sampled in turn so that both meet the same disturbances.
pub fn pair<A, B>(mut one: impl FnMut() -> A, mut other: impl FnMut() -> B) -> (f64, f64) {
    let (times_one, times_other) = (times(&mut one), times(&mut other));
    let samples = (0..SAMPLES).map(|_| (sample(&mut one, times_one), sample(&mut other, times_other)));
    let (one, other) = samples.unzip();
    (median(one), median(other))
}

/// How often it must run to last [`SAMPLE`].
fn times<T>(work: &mut impl FnMut() -> T) -> u32 {
    let mut times = 1;
    while sample(work, times) * f64::from(times) < SAMPLE.as_secs_f64() {
        times *= 2;
    }
    times
}

fn sample<T>(work: &mut impl FnMut() -> T, times: u32) -> f64 {
    let begun = Instant::now();
    for _ in 0..times {
        black_box(work());
    }
    begun.elapsed().as_secs_f64() / f64::from(times)
}
