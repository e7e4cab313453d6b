//! The sensor's window: it gets dirty while water stands before it, and a wipe leaves a little of the dirt on it.

/// One reset of the window.
#[derive(Clone, Copy, Debug, PartialEq)]
struct Reset {
    /// Its first day after.
    day: i32,
    /// Exposure before that day, days.
    exposed: f64,
    /// Whether it was wiped, not new.
    wiped: bool,
    /// Dirt that is expected to be left, in days of exposure.
    left: f64,
}

/// The dirt on the window, counted in days of exposure.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct SensorWindow {
    at_start: f64,
    resets: Vec<Reset>,
}

impl SensorWindow {
    /// `wiped` and `new` are the first days after a wipe and with another sensor; `at_start` is the dirt at the first
    /// reading, days; a wipe leaves `left_share` of the dirt; `exposed` gives the days of exposure before a day.
    pub fn new((wiped, new): (&[i32], &[i32]), at_start: f64, left_share: f64, exposed: impl Fn(i32) -> f64) -> Self {
        let mut days: Vec<i32> = wiped.iter().chain(new).copied().collect();
        days.sort_unstable();
        days.dedup();
        let mut window = Self { at_start, resets: Vec::with_capacity(days.len()) };
        for day in days {
            let (exposed, wiped) = (exposed(day), !new.contains(&day));
            // The list ends before this reset, so this is the dirt that it found.
            let left = if wiped { left_share * window.dirt(day, exposed) } else { 0.0 };
            window.resets.push(Reset { day, exposed, wiped, left });
        }
        window
    }

    /// The dirt on `day`, before which the window was exposed for `exposed` days in all.
    pub fn dirt(&self, day: i32, exposed: f64) -> f64 {
        self.last_reset(day).map_or(exposed + self.at_start, |place| {
            let reset = self.resets[place];
            exposed - reset.exposed + reset.left
        })
    }

    /// The wipe that the window of `day` was wiped by last: its place among the resets.
    pub fn last_wipe(&self, day: i32) -> Option<usize> {
        self.last_reset(day).filter(|place| self.resets[*place].wiped)
    }

    /// The places of all wipes among the resets.
    pub fn wipes(&self) -> impl Iterator<Item = usize> {
        (0..self.resets.len()).filter(|place| self.resets[*place].wiped)
    }

    /// The first days after its resets, ascending.
    pub fn resets(&self) -> impl Iterator<Item = i32> {
        self.resets.iter().map(|reset| reset.day)
    }

    /// The place of the last reset before `day` was over.
    pub fn last_reset(&self, day: i32) -> Option<usize> {
        self.resets.partition_point(|reset| reset.day <= day).checked_sub(1)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// By hand, a tenth left by each wipe: 100 days of dirt leave 10, and 60 more with them 7.
    #[test]
    fn wipes_leave_a_share() {
        let window = SensorWindow::new((&[80, 140], &[200]), 20.0, 0.1, f64::from);
        let dirt = |day: i32| window.dirt(day, f64::from(day));
        let wants = [(79, 99.0), (80, 10.0), (139, 69.0), (140, 7.0), (199, 66.0), (200, 0.0), (230, 30.0)];
        for (day, want) in wants {
            assert!((dirt(day) - want).abs() < 1e-9, "day {day}: {}", dirt(day));
        }
        assert_eq!([79, 80, 199, 200].map(|day| window.last_wipe(day)), [None, Some(0), Some(1), None]);
        assert_eq!(window.wipes().collect::<Vec<_>>(), [0, 1]);
        // Another sensor on the day of a wipe has a new window.
        let both = SensorWindow::new((&[80], &[80]), 0.0, 0.1, f64::from);
        assert!(both.dirt(80, 80.0).abs() < 1e-9 && both.wipes().next().is_none());
    }
}
