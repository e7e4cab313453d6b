//! A window that slides over a course and always knows its median.

use super::rollup::mid_median;

/// Up to this many values are sorted for their median; of more, the middle is selected.
const SORTED_UP_TO: usize = 32;

/// Values in order. Few at a time: an insertion moves those behind it.
#[derive(Debug, Default)]
pub(crate) struct SortedWindow(Vec<f64>);

impl SortedWindow {
    /// Adds a value.
    pub fn insert(&mut self, value: f64) {
        let place = self.0.partition_point(|v| v.total_cmp(&value).is_lt());
        self.0.insert(place, value);
    }

    /// Takes out a value that was added.
    pub fn remove(&mut self, value: f64) {
        let place = self.0.partition_point(|v| v.total_cmp(&value).is_lt());
        if place < self.0.len() {
            self.0.remove(place);
        }
    }

    /// How many there are.
    pub fn len(&self) -> usize {
        self.0.len()
    }

    /// The median of the mid-distribution; `None` of none.
    pub fn median(&self) -> Option<f64> {
        mid_median(&self.0)
    }
}

/// Median of the mid-distribution, reordering in place; `None` of none.
pub(crate) fn median(values: &mut [f64]) -> Option<f64> {
    if values.len() <= SORTED_UP_TO {
        values.sort_unstable_by(f64::total_cmp);
        return mid_median(values);
    }
    let count = values.len();
    let (below, middle, above) = values.select_nth_unstable_by(count / 2, f64::total_cmp);
    let (value, below, above) = (*middle, &*below, &*above);
    let tied = |side: &[f64], value: f64| side.iter().filter(|v| **v == value).count();
    let (under, half) = (below.len() - tied(below, value), count as f64 / 2.0);
    let ties = 1 + (below.len() - under) + tied(above, value);
    let rank = under as f64 + ties as f64 / 2.0;
    // The neighbour among distinct values on the side of one half; see `mid_median`.
    let other = if rank >= half {
        below.iter().copied().filter(|v| *v < value).max_by(f64::total_cmp)
    } else {
        above.iter().copied().filter(|v| *v > value).min_by(f64::total_cmp)
    };
    let Some(other) = other else { return Some(value) };
    Some(if rank >= half {
        let other_rank = under as f64 - tied(below, other) as f64 / 2.0;
        other + (value - other) * (half - other_rank) / (rank - other_rank)
    } else {
        let other_rank = (under + ties) as f64 + tied(above, other) as f64 / 2.0;
        value + (other - value) * (half - rank) / (other_rank - rank)
    })
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    proptest! {
        /// Against sorting, on values with many ties and with few.
        #[test]
        fn selecting_gives_the_median_of_sorting(
            mut values in prop::collection::vec((-9_i32..9).prop_map(|v| f64::from(v) / 3.0), 0..200),
            fine in any::<bool>(),
        ) {
            if fine {
                values.iter_mut().enumerate().for_each(|(i, v)| *v += (i as f64 * 0.618).fract());
            }
            let mut sorted = values.clone();
            sorted.sort_by(f64::total_cmp);
            prop_assert_eq!(median(&mut values), mid_median(&sorted));
        }

        #[test]
        fn a_window_knows_what_is_in_it(values in prop::collection::vec(-5.0_f64..5.0, 1..60), width in 1_usize..9) {
            let mut window = SortedWindow::default();
            for (i, value) in values.iter().enumerate() {
                window.insert(*value);
                if i >= width {
                    window.remove(values[i - width]);
                }
                let mut inside = values[(i + 1).saturating_sub(width)..=i].to_vec();
                prop_assert_eq!(window.len(), inside.len());
                prop_assert_eq!(window.median(), median(&mut inside));
            }
        }
    }
}
