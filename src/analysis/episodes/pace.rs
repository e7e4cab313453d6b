//! The pace of each interval between resets that lie close together.
//!
//! Where a sleeve is cleaned every few weeks, the usual fall of the weeks around an interval is that of its neighbours.
//! So a line of its own is taken out of each short interval, and after it what the intervals have in common by the time
//! since the reset: a coat that is slow to begin, or that grows faster and faster.

use std::ops::Range;

use super::EpisodeConstants;
use crate::analysis::level::Level;
use crate::analysis::quarters::{PER_DAY, robust_sd};
use crate::analysis::window::median;

/// Days that a line needs.
const LINE_LEAST_DAYS: usize = 6;
/// Rounds of leaving out what is under the line.
const ROUNDS: usize = 4;
/// Standard deviations under the line at which a day belongs to a dip.
const DIP_SDS: f64 = 2.0;
/// Intervals that a common course needs.
const LEAST_INTERVALS: usize = 5;

/// Takes the pace of the short intervals between `resets` out of a level, and measures its noise afresh. Returns those
/// intervals.
pub(super) fn take_out(level: &mut Level, resets: &[usize], c: &EpisodeConstants) -> Vec<Range<usize>> {
    let mut places = resets.to_vec();
    places.sort_unstable();
    let spans = places.windows(2).map(|pair| pair[0]..pair[1]);
    let short: Vec<Range<usize>> = spans.filter(|span| span.len() <= c.own_pace_days * PER_DAY).collect();
    for span in &short {
        let Some(slope) = upper_slope(&level.values[span.clone()]) else { continue };
        for (t, value) in level.values.iter_mut().enumerate().skip(span.start) {
            *value = value.map(|v| v - slope * (t.min(span.end) - span.start) as f64);
        }
    }
    take_out_common(level, &short);
    if !short.is_empty() {
        level.measure_noise(c.keeps_per_day);
    }
    short
}

/// The slope of a course without its dips, ln per quarter: the median of all slopes between two days (Theil, 1950; Sen,
/// 1968), again without the days far under the line.
fn upper_slope(values: &[Option<f64>]) -> Option<f64> {
    let mut days = by_day(values);
    let mut slope = theil_sen(&days)?;
    for _ in 0..ROUNDS {
        let mut heights: Vec<f64> = days.iter().map(|(t, v)| v - slope * t).collect();
        let middle = median(&mut heights)?;
        // Dips lie under the line: the noise is seen above it.
        let mut above: Vec<f64> = heights.iter().map(|h| h - middle).filter(|h| *h > 0.0).collect();
        let lowest = middle - DIP_SDS * robust_sd(&mut above)?;
        let kept: Vec<(f64, f64)> = days.iter().filter(|(t, v)| v - slope * t > lowest).copied().collect();
        if kept.len() < LINE_LEAST_DAYS || kept.len() == days.len() {
            break;
        }
        days = kept;
        slope = theil_sen(&days)?;
    }
    Some(slope)
}

/// The median of each day of a course, with its first quarter.
pub(super) fn by_day(values: &[Option<f64>]) -> Vec<(f64, f64)> {
    let day = |(d, quarters): (usize, &[Option<f64>])| {
        let mut known: Vec<f64> = quarters.iter().flatten().copied().collect();
        median(&mut known).map(|middle| ((d * PER_DAY) as f64, middle))
    };
    values.chunks(PER_DAY).enumerate().filter_map(day).collect()
}

/// The median of the slopes of all pairs; `None` of too few points.
pub(super) fn theil_sen(points: &[(f64, f64)]) -> Option<f64> {
    if points.len() < LINE_LEAST_DAYS {
        return None;
    }
    let pairs = points.iter().enumerate().flat_map(|(i, a)| points[i + 1..].iter().map(move |b| (a, b)));
    median(&mut pairs.map(|(a, b)| (b.1 - a.1) / (b.0 - a.0)).collect::<Vec<_>>())
}

/// Takes out of each interval the median of all by the time since their resets.
fn take_out_common(level: &mut Level, intervals: &[Range<usize>]) {
    let middles: Vec<Option<f64>> = intervals.iter().map(|span| level.median(span.clone())).collect();
    for since in 0..intervals.iter().map(Range::len).max().unwrap_or(0) {
        let reaching = || intervals.iter().zip(&middles).filter(move |(span, _)| since < span.len());
        let away = |(span, middle): (&Range<usize>, &Option<f64>)| Some(level.values[span.start + since]? - (*middle)?);
        let mut known: Vec<f64> = reaching().filter_map(away).collect();
        let Some(common) = median(&mut known).filter(|_| known.len() >= LEAST_INTERVALS) else { continue };
        for (span, _) in reaching() {
            let value = &mut level.values[span.start + since];
            *value = value.map(|v| v - common);
        }
    }
}
