//! Lasting changes of the water that the unit's own meter of transmittance shows.
//!
//! What is measured is taken out of the light before steps are sought in it, so these are in none of them. Storms only
//! ever darken the water and pass, so dips narrower than four weeks are filled first, by a grey closing as in the search
//! for steps. On each day the weeks before it are then held against the weeks after a gap in which a change may take its
//! days. Both sides share one slope (Theil and Sen: the median of all slopes within a side), because seasons go on
//! through a change; the contrast is the difference of the sides' medians about that slope.
//!
//! Most days see no change, so the contrasts of all days of the unit say how large one is by chance on this water (a
//! placebo test): a change must be a multiple of that, and of how its own weeks scatter; and all but one week of a side
//! must lie near the others, because a thaw comes and goes. Its day is that to which the days around it bear witness.

use std::f64::consts::LN_10;
use std::ops::Range;

use jiff::civil::Date;
use serde::{Deserialize, Serialize};

use super::closing::closing;
use super::course::days_between;
use super::quarters::robust_sd;
use super::window::median;
use crate::domain::DaySummary;

/// Days in a block.
const WEEK: i32 = 7;
/// Blocks before and after.
const WEEKS: (i32, i32) = (7, 6);
/// Days of a block on which the meter must have read.
const LEAST_DAYS: usize = 3;
/// Blocks of a side that must be known.
const LEAST_WEEKS: usize = 3;
/// A week further than this from its side's level, as a share of the change, strays.
const STRAYS: f64 = 0.3;
/// Weeks of a side that may: a long storm.
const MAY_STRAY: usize = 1;
/// Candidates within this share of the best are the same change, seen from the days beside it.
const SAME_CHANGE: f64 = 0.9;
/// The longest history looked at, days: a bound on memory, far beyond any unit's life.
const LONGEST_DAYS: i32 = 40 * 366;

/// The constants of the search for changes of the water.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct WaterConstants {
    /// Dips narrower than this are filled; days, 3 to 60. Tuned: on simulated units with a meter, seeds 500 to 599, where
    /// a narrower one takes two storms in a row for a change.
    pub dip_days: usize,
    /// The least change, as ln of the light it costs; .005 to .2. Ours: a little more than a passing episode worth an
    /// alert.
    pub least_change: f64,
    /// How many standard deviations of the contrasts of all days it must be; 2 to 10. Tuned on the same units.
    pub placebo_sds: f64,
    /// How many standard deviations of its own weeks; 2 to 10. Tuned on the same units.
    pub sds: f64,
    /// How long it may take, days, 1 to 10. Ours: a change of source or treatment has worked through by then.
    pub takes_days: i32,
}

impl Default for WaterConstants {
    fn default() -> Self {
        Self { dip_days: 29, least_change: 0.04, placebo_sds: 4.0, sds: 5.0, takes_days: 5 }
    }
}

/// A lasting change of the water.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct WaterChange {
    /// The first day after it, in the site's zone; of a slow one a day in its midst.
    pub date: Date,
    /// What it does to ln(intensity); negative: less light.
    pub ln_size: f64,
}

/// Searches `days` (in order) for lasting changes; `path_cm` is the water that the light crosses. Empty without a meter.
/// A change shows once it has lasted seven weeks. Oldest first.
pub fn find(days: &[DaySummary], path_cm: f64, c: &WaterConstants) -> Vec<WaterChange> {
    let light =
        |day: &DaySummary| day.transmittance.filter(|t| *t > 0.1).map(|t| path_cm * LN_10 * (t / 100.0).log10());
    let measured: Vec<(Date, f64)> = days.iter().filter_map(|day| Some((day.date, light(day)?))).collect();
    let Some(&(last, _)) = measured.last() else { return Vec::new() };
    let kept = measured.partition_point(|(date, _)| days_between(*date, last) > LONGEST_DAYS);
    let origin = measured[kept].0;
    let place = |date: Date| usize::try_from(days_between(origin, date)).unwrap_or(0);
    let mut by_day = vec![None; place(last) + 1];
    measured[kept..].iter().for_each(|(date, value)| by_day[place(*date)] = Some(*value));
    let calm: Vec<Option<f64>> = (0..by_day.len()).map(|day| calm_day(&by_day, day)).collect();
    let filled = closing(&calm, c.dip_days);
    let weeks: Vec<Option<f64>> = (0..filled.len()).map(|day| week(&filled, day)).collect();
    let contrasts: Vec<Contrast> =
        (0..).take(weeks.len()).filter_map(|day| Contrast::new(&weeks, day, c.takes_days)).collect();
    let by_chance = robust_sd(&mut contrasts.iter().map(|contrast| contrast.size).collect::<Vec<_>>()).unwrap_or(0.0);
    let changes = contrasts.into_iter().filter(|contrast| contrast.is_change(by_chance, c)).collect();
    let date = |day: i32| origin.saturating_add(jiff::Span::new().days(day));
    apart(changes).iter().map(|run| WaterChange { date: date(run.day(&calm)), ln_size: run.best.size }).collect()
}

/// Median of a day and those beside it: one odd day is no water.
fn calm_day(by_day: &[Option<f64>], day: usize) -> Option<f64> {
    let near = &by_day[day.saturating_sub(1)..(day + 2).min(by_day.len())];
    median(&mut near.iter().flatten().copied().collect::<Vec<_>>())
}

/// Median of the week from `day` on.
fn week(by_day: &[Option<f64>], day: usize) -> Option<f64> {
    let mut known: Vec<f64> = by_day.get(day..day + WEEK as usize)?.iter().flatten().copied().collect();
    if known.len() < LEAST_DAYS { None } else { median(&mut known) }
}

/// What the weeks up to a day and those after the gap that begins with it say of each other.
#[derive(Clone, Debug)]
struct Contrast {
    /// The first day of the gap, counted from the origin.
    day: i32,
    /// The slope of both sides, ln a day.
    slope: f64,
    /// Levels before and after, at `day`.
    levels: (f64, f64),
    /// The difference of the levels.
    size: f64,
    /// How far each week lies off its side's level.
    off: (Vec<f64>, Vec<f64>),
}

impl Contrast {
    /// `None` where too few weeks are known, or those beside the gap are not: then nobody knows when it was.
    fn new(weeks: &[Option<f64>], day: i32, gap: i32) -> Option<Self> {
        let side = |first: i32, count: i32| -> Vec<(f64, f64)> {
            let starts = (0..count).map(|week| first + WEEK * week);
            let known = starts.filter_map(|start| Some((start, (*weeks.get(usize::try_from(start).ok()?)?)?)));
            known.map(|(start, value)| (f64::from(start - day), value)).collect()
        };
        let (before, after) = (side(day - WEEK * WEEKS.0, WEEKS.0), side(day + gap, WEEKS.1));
        let is_known = before.len() >= LEAST_WEEKS
            && after.len() >= LEAST_WEEKS
            && before.last()?.0 >= f64::from(-WEEK)
            && after.first()?.0 <= f64::from(gap)
            && after.last()?.0 >= f64::from(gap + WEEK * (WEEKS.1 - 1));
        if !is_known {
            return None;
        }
        let slope = median(&mut slopes(&before).chain(slopes(&after)).collect::<Vec<_>>())?;
        let level = |side: &[(f64, f64)]| median(&mut side.iter().map(|(x, y)| y - slope * x).collect::<Vec<_>>());
        let levels = (level(&before)?, level(&after)?);
        let off = |side: &[(f64, f64)], level: f64| -> Vec<f64> {
            side.iter().map(|(x, y)| (y - slope * x - level).abs()).collect()
        };
        let off = (off(&before, levels.0), off(&after, levels.1));
        Some(Self { day, slope, levels, size: levels.1 - levels.0, off })
    }

    fn is_change(&self, by_chance: f64, c: &WaterConstants) -> bool {
        let size = self.size.abs();
        let (before, after) = &self.off;
        let own = robust_sd(&mut before.iter().chain(after).copied().collect::<Vec<_>>()).unwrap_or(0.0);
        let stands_out = size >= c.least_change.max(c.placebo_sds * by_chance).max(c.sds * own);
        let strays = |off: &f64| *off >= STRAYS * size;
        let is_one_level = |off: &[f64]| off.iter().filter(|off| strays(off)).count() <= MAY_STRAY;
        // A week that strays at the far end is no long storm: the level goes elsewhere.
        let ends_hold = !before.first().is_some_and(strays) && !after.last().is_some_and(strays);
        stands_out && ends_hold && is_one_level(before) && is_one_level(after)
    }
}

/// Slopes of all pairs.
fn slopes(side: &[(f64, f64)]) -> impl Iterator<Item = f64> {
    side.iter()
        .enumerate()
        .flat_map(|(i, &(x, y))| side[i + 1..].iter().map(move |later| (later.1 - y) / (later.0 - x)))
}

/// One change, seen from several days.
struct Run {
    /// The largest.
    best: Contrast,
    /// The first and the last day on which it is nearly as large.
    days: (i32, i32),
}

impl Run {
    /// The day from which on the days (before dips were filled) lie nearer to the level after than to that before.
    fn day(&self, calm: &[Option<f64>]) -> i32 {
        let Contrast { day, slope, levels, .. } = self.best;
        let (first, last) = (self.days.0 - WEEK, self.days.1 + 2 * WEEK);
        let around = |range: Range<i32>, level: f64| -> f64 {
            let known = range.filter_map(|d| Some((d, (*calm.get(usize::try_from(d).ok()?)?)?)));
            known.map(|(d, value)| (value - level - slope * f64::from(d - day)).abs()).sum()
        };
        let misfit = |at: i32| around(first..at, levels.0) + around(at..last, levels.1);
        (first..last).min_by(|a, b| misfit(*a).total_cmp(&misfit(*b))).unwrap_or(day)
    }
}

/// One run for each change: of changes whose weeks overlap the largest counts.
fn apart(mut candidates: Vec<Contrast>) -> Vec<Run> {
    let mut found: Vec<Run> = Vec::new();
    while let Some(best) = candidates.iter().max_by(|a, b| a.size.abs().total_cmp(&b.size.abs())).cloned() {
        let reach = best.day - WEEK * WEEKS.1..=best.day + WEEK * WEEKS.1;
        let same = |other: &&Contrast| {
            reach.contains(&other.day) && other.size * best.size.signum() >= SAME_CHANGE * best.size.abs()
        };
        let days: Vec<i32> = candidates.iter().filter(same).map(|other| other.day).collect();
        let days = (days[0], days[days.len() - 1]);
        candidates.retain(|other| !reach.contains(&other.day));
        found.push(Run { best, days });
    }
    found.sort_by_key(|run| run.best.day);
    found
}

#[cfg(test)]
mod tests {
    use jiff::civil::date;
    use rand::SeedableRng;
    use rand_chacha::ChaCha8Rng;
    use rand_distr::{Distribution, Normal};

    use super::*;

    const ORIGIN: Date = date(2025, 1, 1);

    fn day(d: i32) -> Date {
        ORIGIN.saturating_add(jiff::Span::new().days(d))
    }

    /// Days on which a meter reads `transmittance` of the day, with noise of .1 % and steps of .1 %.
    fn metered(count: i32, seed: u64, transmittance: impl Fn(f64) -> f64) -> Vec<DaySummary> {
        let mut rng = ChaCha8Rng::seed_from_u64(seed);
        let noise = Normal::new(0.0, 0.1).unwrap();
        (0..count)
            .map(|d| DaySummary {
                transmittance: Some(((transmittance(f64::from(d)) + noise.sample(&mut rng)) * 10.0).round() / 10.0),
                readings: 144,
                ..DaySummary::empty(day(d))
            })
            .collect()
    }

    fn search(days: &[DaySummary]) -> Vec<WaterChange> {
        find(days, 3.0, &WaterConstants::default())
    }

    /// A storm that loses `depth` of transmittance within a day and gives it back over ten.
    fn storm(t: f64, at: f64, depth: f64) -> f64 {
        if t < at { 0.0 } else { -depth * (-(t - at) / 4.0).exp() }
    }

    fn season(t: f64) -> f64 {
        1.5 * (std::f64::consts::TAU * t / 365.25).sin()
    }

    /// Sizes by Beer-Lambert: from 92 % to 89 % over 3 cm is 3 ln(.89 / .92) = -.0995; from 92 % to 94 %, .0645.
    #[test]
    fn a_change_that_stays_is_found_dated_and_sized() {
        for (to, ln_size) in [(89.0, -0.0995), (94.0, 0.0645)] {
            for (takes, seed) in [(0.5, 1), (4.0, 2)] {
                let days = metered(300, seed, |t| 92.0 + (to - 92.0) * ((t - 180.0) / takes).clamp(0.0, 1.0));
                let found = search(&days);
                assert_eq!(found.len(), 1, "{to} {takes}: {found:?}");
                assert!((found[0].ln_size - ln_size).abs() < 0.005, "{found:?}, want {ln_size}");
                assert!((found[0].date - day(181)).get_days().abs() <= 3, "{found:?}");
                assert_eq!(search(&days[..210]), [], "a month on it may still be a thaw");
                assert_eq!(search(&days[..232]).len(), 1, "known after seven weeks");
            }
        }
    }

    #[test]
    fn a_change_is_found_among_storms_and_seasons_and_gaps() {
        for seed in 0..20 {
            let mut days = metered(400, seed, |t| {
                90.0 + season(t) + storm(t, 150.3, 6.0) + storm(t, 221.0, 4.0) - if t > 200.0 { 2.0 } else { 0.0 }
            });
            days.drain(185..191);
            let found = search(&days);
            assert_eq!(found.len(), 1, "seed {seed}: {found:?}");
            // 3 x 2 / 90 = .067
            assert!((found[0].ln_size + 0.067).abs() < 0.02, "seed {seed}: {found:?}");
            assert!((found[0].date - day(201)).get_days().abs() <= 6, "seed {seed}: {found:?}");
        }
    }

    #[test]
    fn seasons_storms_and_thaws_are_no_lasting_change() {
        for seed in 0..20 {
            let days = metered(700, seed, |t| {
                let thaw = (std::f64::consts::PI * ((t - 300.0) / 28.0).clamp(0.0, 1.0)).sin().powi(2);
                90.0 + season(t) + storm(t, 60.3, 8.0) + storm(t, 200.0, 12.0) + storm(t, 206.0, 5.0) - 3.0 * thaw
            });
            assert_eq!(search(&days), [], "seed {seed}");
        }
        assert_eq!(search(&[]), []);
    }
}
