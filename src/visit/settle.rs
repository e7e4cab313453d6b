//! When a reading has settled after a step.

use crate::domain::Timestamp;
use crate::domain::time::{HOUR, MINUTE, SECOND};
use crate::query::dossier::Sample;

/// A low-pressure lamp that was dark is waited for this long (common practice, no source).
pub const WARM_UP: i64 = 5 * MINUTE;
/// Without darkness the hand at the sensor is waited out.
pub const HANDS_OFF: i64 = MINUTE;
/// Readings that must agree.
pub const AGREE_COUNT: usize = 4;
/// They must span at least this.
pub const AGREE_SPAN: i64 = 30 * SECOND;
/// Greatest less least of them, percent of their median (our choice: about the spread of a good sensor at rest).
pub const AGREE_PERCENT: f64 = 2.0;
/// Light under this share of what it was before counts as none.
const DARK_SHARE: f64 = 0.05;

/// How the reading goes after a step.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Watch {
    /// No reading has come since.
    Waiting,
    /// No light yet.
    Dark,
    /// The lamp warms up until then.
    WarmingUp {
        /// When it is warm.
        until: Timestamp,
    },
    /// Readings do not agree yet.
    Moving {
        /// The latest.
        latest: f64,
        /// Greatest less least of the last few, percent.
        spread: f64,
    },
    /// They agree.
    Settled {
        /// Their median.
        level: f64,
        /// Since when.
        at: Timestamp,
    },
}

impl Watch {
    /// The level, once settled.
    pub fn level(&self) -> Option<f64> {
        match self {
            Self::Settled { level, .. } => Some(*level),
            _ => None,
        }
    }

    /// In words.
    pub fn says(&self) -> String {
        match self {
            Self::Waiting => "no reading has come since".to_owned(),
            Self::Dark => "no light yet".to_owned(),
            Self::WarmingUp { .. } => format!("the lamp is warming up ({} min)", WARM_UP / MINUTE),
            Self::Moving { latest, spread } => {
                format!("the reading is {latest:.2} and still moves ({spread:.1} % between the last readings)")
            }
            Self::Settled { level, .. } => format!("settled at {level:.2}"),
        }
    }
}

/// The settled light of the last hour before a visit; of the two hours before it, if there was none.
pub fn level_before(samples: &[Sample], start: Timestamp) -> Option<f64> {
    [HOUR, 2 * HOUR].into_iter().find_map(|window| {
        let within = |s: &&Sample| s.at < start && start.millis_since(s.at) <= window && s.lamp_on != Some(false);
        median(samples.iter().filter(within).map(|s| s.intensity).filter(|i| *i > 0.0).collect())
    })
}

/// How the reading goes between a step at `from` and the next one at `to`.
pub fn watch(samples: &[Sample], from: Timestamp, to: Timestamp, before: Option<f64>) -> Watch {
    let least = before.map_or(0.0, |before| DARK_SHARE * before);
    let lit = |s: &Sample| s.intensity > least && s.lamp_on != Some(false);
    let since: Vec<&Sample> = samples.iter().filter(|s| s.at > from && s.at < to).collect();
    let Some(last) = since.last() else { return Watch::Waiting };
    if !lit(last) {
        return Watch::Dark;
    }
    let dark = since.iter().rposition(|s| !lit(s));
    let run = &since[dark.map_or(0, |dark| dark + 1)..];
    let wait = if dark.is_some() { WARM_UP } else { HANDS_OFF };
    let ready = run.first().map_or(from, |first| if dark.is_some() { first.at } else { from }).plus_millis(wait);
    let warm: Vec<&&Sample> = run.iter().filter(|s| s.at >= ready).collect();
    if warm.is_empty() {
        return Watch::WarmingUp { until: ready };
    }
    // The last few readings, and as many more as it takes to span the least time.
    let spans = |n: usize| last.at.millis_since(warm[warm.len() - n].at) >= AGREE_SPAN;
    let count = (AGREE_COUNT..=warm.len()).find(|n| spans(*n));
    let tail: Vec<f64> = warm[warm.len() - count.unwrap_or(warm.len())..].iter().map(|s| s.intensity).collect();
    let middle = median(tail.clone()).unwrap_or(last.intensity);
    let (least, most) = tail.iter().fold((f64::MAX, f64::MIN), |(low, high), v| (low.min(*v), high.max(*v)));
    let spread = 100.0 * (most - least) / middle.max(1e-9);
    if count.is_some() && spread <= AGREE_PERCENT {
        Watch::Settled { level: middle, at: last.at }
    } else {
        Watch::Moving { latest: last.intensity, spread }
    }
}

fn median(mut values: Vec<f64>) -> Option<f64> {
    values.sort_by(f64::total_cmp);
    values.get(values.len() / 2).copied()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn course(values: &[f64]) -> Vec<Sample> {
        let at = |i: usize| Timestamp::from_secs(20 * (i as i64 + 1));
        values.iter().enumerate().map(|(i, v)| Sample { at: at(i), intensity: *v, lamp_on: None }).collect()
    }

    #[test]
    fn warm_up_is_waited_out_and_movement_is_not_called_settled() {
        let zero = Timestamp::default();
        let see = |values: &[f64]| watch(&course(values), zero, Timestamp::MAX, Some(10.0));
        assert_eq!(see(&[]), Watch::Waiting);
        assert_eq!(see(&[10.0, 0.0, 0.1]), Watch::Dark);
        assert!(matches!(see(&[0.0, 5.0, 8.0, 9.0]), Watch::WarmingUp { .. }));
        let mut long = vec![0.0];
        long.extend([11.0; 15]);
        assert!(matches!(see(&long), Watch::WarmingUp { .. }), "15 x 20 s are not 5 min after the first light");
        long.extend([11.0; 4]);
        assert_eq!(see(&long).level(), Some(11.0));
        let rising: Vec<f64> = (0..30).map(|i| 10.0 + 0.2 * f64::from(i)).collect();
        assert!(matches!(see(&rising), Watch::Moving { .. }));
    }
}
