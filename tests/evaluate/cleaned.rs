//! Scores the reading to expect after a cleaning: `--cleaned`. The day before every cleaning, whether or not it got into
//! the log, what a cleaning was said to bring is held against the readings of the day after it. With `--worst` every
//! one is printed.

use fadeline::scenario::Kind;
use fadeline::scenario::plan::{Service, Work};
use jiff::civil::Date;

use super::score::{mean, middle};
use super::unit::Unit;

/// Expected and read, of the cleanings of a kind.
#[derive(Default)]
pub struct Cleaned {
    /// ln of expected over read.
    errors: Vec<f64>,
    inside: usize,
    /// Said to be enough: how many, and how many were.
    enough: (usize, usize),
    /// Said to be perhaps not enough, likewise.
    doubted: (usize, usize),
}

impl Cleaned {
    /// Scores one unit.
    pub fn score(&mut self, unit: &Unit, worst: bool) {
        let zone = &unit.plan.papers.zone;
        let services = &unit.truth.services;
        let alone = |at: usize, day: Date| {
            let near = |s: &Service| (s.at.date_in(zone) - day).get_days().abs() <= 1;
            services.iter().enumerate().all(|(place, s)| place == at || !near(s))
        };
        // An episode takes light on one side only.
        let clear = |day: Date| {
            let covers = |from: Date, to: Date| (from..=to).contains(&day);
            unit.truth.episodes.iter().all(|e| !covers(e.from.date_in(zone), e.to.date_in(zone)))
        };
        let read = |day: Date| unit.days.iter().find(|d| d.date == day)?.intensity.map(|light| light.median.exp());
        for (place, service) in services.iter().enumerate() {
            let day = service.at.date_in(zone);
            let (Ok(before), Ok(after)) = (day.yesterday(), day.tomorrow()) else { continue };
            let sleeve_only = matches!(service.work, Work::CleanSleeve { .. }) && alone(place, day);
            if !sleeve_only || !clear(before) || !clear(after) || read(before).is_none() {
                continue;
            }
            let found = unit.assess(unit.after(before)).0;
            let Some((said, read)) = found.forecast.after_cleaning.zip(read(after)) else { continue };
            self.errors.push((said.intensity / read).ln());
            self.inside += usize::from((said.low..=said.high).contains(&read));
            let of = if said.enough { &mut self.enough } else { &mut self.doubted };
            *of = (of.0 + 1, of.1 + usize::from(read > unit.plan.papers.set_point));
            if worst {
                println!(
                    "{} {day} said {:.2} ({:.2} to {:.2}) read {read:.2}, set point {:.2}",
                    unit.plan.papers.id, said.intensity, said.low, said.high, unit.plan.papers.set_point
                );
            }
        }
    }

    /// Prints the figures.
    pub fn print(&self, kind: Kind) {
        let percent = |ln: f64| 100.0 * ln.exp_m1();
        let mut sizes: Vec<f64> = self.errors.iter().map(|ln| percent(*ln).abs()).collect();
        sizes.sort_by(f64::total_cmp);
        println!(
            "== {kind}: {} cleanings; expected less read: median {:.1} %, mean {:.1} %, bias {:.1} %; inside {:.0} %",
            sizes.len(),
            middle(&sizes),
            mean(&sizes),
            percent(mean(&self.errors)),
            100.0 * self.inside as f64 / sizes.len().max(1) as f64
        );
        let held = |(all, held): (usize, usize)| format!("{held} of {all} above the set point after it");
        println!("  said to be enough: {}; perhaps not: {}", held(self.enough), held(self.doubted));
    }
}
