//! The grey closing: a course without its narrow dips.

use std::collections::VecDeque;

/// Grey closing with a flat element of `width`: the greatest in each window, then the least of those. Missing values
/// are passed over; at the ends the window is cut. A value depends on those within `width` of it only.
pub(crate) fn closing(values: &[Option<f64>], width: usize) -> Vec<Option<f64>> {
    let half = width / 2;
    let dilated = extreme(values, half, |a, b| a > b);
    let closed = extreme(&dilated, half, |a, b| a < b);
    closed.into_iter().zip(values).map(|(closed, v)| v.and(closed)).collect()
}

/// The `better` of all values within `half` of each.
fn extreme(values: &[Option<f64>], half: usize, better: impl Fn(f64, f64) -> bool) -> Vec<Option<f64>> {
    let mut queue: VecDeque<(usize, f64)> = VecDeque::new();
    let (mut out, mut next) = (Vec::with_capacity(values.len()), 0);
    for t in 0..values.len() {
        while next < values.len() && next <= t + half {
            if let Some(v) = values[next] {
                while queue.back().is_some_and(|(_, old)| !better(*old, v)) {
                    queue.pop_back();
                }
                queue.push_back((next, v));
            }
            next += 1;
        }
        while queue.front().is_some_and(|(i, _)| i + half < t) {
            queue.pop_front();
        }
        out.push(queue.front().map(|(_, v)| *v));
    }
    out
}
