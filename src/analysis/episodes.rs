//! Passing clouding of the water: dips of the light that return without service.
//!
//! On the course in quarter days, with logged and found steps taken out, the grey closing (see [`super::steps`]) is
//! the course without its dips. What lies deeper under it than the noise and the least depth, and comes back by
//! itself, is an episode; one that has not come back by the last reading is unfinished.

mod pace;

use std::ops::Range;

use jiff::civil::Date;
use serde::{Deserialize, Serialize};

use super::contrast::Windows;
use super::level::{Edge, Level};
use super::quarters::{PER_DAY, Quarters};
use crate::domain::assessment::Episode;
use crate::domain::{Cause, DaySummary, UnitSpec};

/// The constants of the search for episodes.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct EpisodeConstants {
    /// The least depth; ln, .01 to .3. Under 3 % fewer than half of what is found is real (a trial on simulated units).
    pub least_depth: f64,
    /// But at least this many standard deviations of a quarter; 2 to 10. Ours: one false alarm in years.
    pub least_sds: f64,
    /// The same between resets that lie close together, where what is left of the pace looks like a dip; 2 to 10. Tuned.
    pub least_sds_own_pace: f64,
    /// An episode begins and ends where it is this share of its deepest; 0 to 1. Ours.
    pub edge_share: f64,
    /// But not under this many standard deviations; 0 to 5. Ours: under it, noise would stretch it.
    pub edge_sds: f64,
    /// Dips narrower than this are filled by the closing; days, 3 to 60. Storms are over by then (the same trial).
    pub longest_days: usize,
    /// Dips closer together than this are one; quarters, 0 to 8. Ours: half a day.
    pub join_quarters: usize,
    /// What the slow part of the noise keeps from one day to the next; 0 to 1. As in the search for steps.
    pub keeps_per_day: f64,
    /// What has not come back must be deeper than so many times what a coat in patches explains, which takes the same
    /// amount of light each day, while its logarithm falls ever faster; 1 to 3. Ours: coats are not quite even.
    pub coats_speed_up: f64,
    /// Between resets no further apart than this the course is held to fall at its own pace; days, 20 to 120. Ours: in
    /// longer intervals the pace of the weeks around says as much.
    pub own_pace_days: usize,
}

impl Default for EpisodeConstants {
    fn default() -> Self {
        Self {
            least_depth: 0.03,
            least_sds: 3.5,
            least_sds_own_pace: 4.5,
            edge_share: 0.15,
            edge_sds: 1.5,
            longest_days: 17,
            join_quarters: 2,
            keeps_per_day: 0.85,
            coats_speed_up: 2.0,
            own_pace_days: 60,
        }
    }
}

/// Searches `days` (in order) for episodes. `resets` are the days of all work known to have moved the light, logged
/// or found, in any order: the day of the work or the first day wholly after it.
pub fn find(days: &[DaySummary], resets: &[Date], spec: &UnitSpec, c: &EpisodeConstants) -> Vec<Episode> {
    // Measured transmittance is what an episode shows in; it must not be taken out beforehand.
    let quarters = Quarters::with_water(days);
    let mut level = Level::new(&quarters.ln, c.keeps_per_day);
    let resets = take_out_resets(&mut level, &quarters, resets);
    let short = pace::take_out(&mut level, &resets, c);
    let under = level.under_closing(c.longest_days, true);
    let last = under.iter().rposition(Option::is_some).unwrap_or(0);
    runs(&under, &level, &short, c)
        .into_iter()
        .filter_map(|run| {
            let unfinished = run.last + 1 >= last;
            let near = |at: &usize| run.last.abs_diff(*at) <= PER_DAY && run.deepest.abs_diff(*at) <= PER_DAY;
            let served = resets.iter().any(near) && !unfinished;
            let room = if unfinished {
                let sped_up = sped_up(&quarters.ln, &resets, run.first, run.last);
                (level.noise.fall_unknown * c.longest_days as f64).max(c.coats_speed_up * sped_up)
            } else {
                0.0
            };
            (!served && run.depth >= c.least_depth + room).then(|| Episode {
                kind: Cause::WaterQuality,
                from: quarters.start_of(run.first, spec),
                to: quarters.start_of(run.last + 1, spec).plus_millis(-1),
                depth_percent: -100.0 * (-run.depth).exp_m1(),
                recovered: !unfinished,
            })
        })
        .collect()
}

/// Takes every reset's step out; returns their quarters.
fn take_out_resets(level: &mut Level, quarters: &Quarters, resets: &[Date]) -> Vec<usize> {
    let mut places: Vec<usize> = Vec::new();
    for reset in resets {
        let Ok(day) = usize::try_from(quarters.day_of(*reset)) else { continue };
        // The work was on this day or the one before.
        let first = (day * PER_DAY).saturating_sub(PER_DAY);
        let best = (first..(first + 2 * PER_DAY).min(level.values.len()))
            .filter_map(|at| level.contrast(&level.values, at, Windows::new(1, level.noise.window)))
            .max_by(|a, b| a.z.abs().total_cmp(&b.z.abs()));
        let Some(best) = best else { continue };
        let at = level.placed(&best);
        if places.iter().all(|p| p.abs_diff(at) > PER_DAY) {
            level.take_out(&Edge { at, ..best });
            places.push(at);
        }
    }
    places
}

/// Days before a dip that tell how the light fell until then.
const BEFORE_DAYS: usize = 30;
/// Share of the light at the begin that is left at least, however long it goes on falling.
const LEAST_LEFT: f64 = 0.02;

/// How much deeper in its logarithm the light of quarter `last` lies, where it has gone on falling by the same amount each
/// day since `first`, than where it has by the same share.
fn sped_up(ln: &[Option<f64>], resets: &[usize], first: usize, last: usize) -> f64 {
    let reset = resets.iter().filter(|at| **at < first).max().map_or(0, |at| at + PER_DAY);
    let from = reset.max(first.saturating_sub(BEFORE_DAYS * PER_DAY));
    let before = pace::by_day(ln.get(from..first).unwrap_or_default());
    let light: Vec<(f64, f64)> = before.iter().map(|(t, ln)| (*t, ln.exp())).collect();
    let (Some(share), Some(amount)) = (pace::theil_sen(&before), pace::theil_sen(&light)) else { return 0.0 };
    let Some((_, now)) = light.last() else { return 0.0 };
    let quarters = (last - first) as f64;
    let left = (1.0 + amount * quarters / now).max(LEAST_LEFT);
    (share * quarters - left.ln()).max(0.0)
}

/// A dip from its first to its last quarter.
struct Run {
    first: usize,
    last: usize,
    deepest: usize,
    depth: f64,
}

/// Dips that are deep enough; `short` are the intervals whose own pace was taken out.
fn runs(under: &[Option<f64>], level: &Level, short: &[Range<usize>], c: &EpisodeConstants) -> Vec<Run> {
    let sd = level.noise.sd();
    let low = c.edge_sds * sd;
    let mut found: Vec<Run> = Vec::new();
    for (t, value) in under.iter().enumerate() {
        let Some(value) = value.filter(|v| *v > low) else { continue };
        match found.last_mut() {
            Some(run) if t - run.last <= c.join_quarters + 1 => {
                run.last = t;
                if value > run.depth {
                    (run.deepest, run.depth) = (t, value);
                }
            }
            _ => found.push(Run { first: t, last: t, deepest: t, depth: value }),
        }
    }
    found.retain(|run| {
        let own_pace = short.iter().any(|span| span.contains(&run.deepest));
        let sds = if own_pace { c.least_sds_own_pace } else { c.least_sds };
        run.depth >= c.least_depth.max(sds * sd)
    });
    for run in &mut found {
        let edge = c.edge_share * run.depth;
        let deep = |t: &usize| under[*t].is_some_and(|u| u >= edge);
        let (first, last) = (run.first, run.last);
        run.first = (first..=last).find(deep).unwrap_or(first);
        run.last = (first..=last).rev().find(deep).unwrap_or(last);
    }
    found
}

#[cfg(test)]
mod tests;
