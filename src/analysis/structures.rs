//! Hypotheses about a unit, weighed by exact evidence.
//!
//! Under one prior for everything a cause that behaves unusually is charged to its neighbour. So the unit is looked at
//! under a list of structures: how fast the sleeve fouls (a grid of rates that begins with "not at all") and with what
//! growth; a lamp that ages as usual, faster, or hardly; a sensor that drifts not, little, fast; a dirty window or
//! none; a yearly course or none; a loss from before the first reading or none; and how each doubtful event is read.
//! Each is another prior on one design.
//!
//! For rows of unit variance with Gram matrix G = X'X, b = X'y, and the prior N(m, S^2),
//!   -2 ln evidence = |y - X m|^2 - u' B^-1 u + ln det B + (ln det of the noise),
//!   B = I + S G S, u = S (b - G m).
//! Nuisance terms have the same prior under all structures of one rate; they are eliminated once (Schur complement), and
//! a structure then costs a solve of seven unknowns. Coefficients that cannot be negative have truncated priors; their
//! evidence is corrected by P(>= 0 | data) / P(>= 0 | prior) of each main term, as if they were independent.
//! The noise (wandering's spread and memory) is a grid, averaged over by the same evidence.

use std::ops::Range;

use super::Neighbours;
use super::constants::{Belief, ModelConstants};
use super::design::Design;
use super::fit::Priors;
use super::growth::Growth;
use super::normal::ln_normal_cdf;
use super::term::Term;

/// What the first reading already lacked against the reference, beyond what age explains.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Before {
    /// Nothing.
    Nothing,
    /// Something whose cause nobody knows.
    Unknown,
    /// An old coat, which the first cleaning takes off.
    OldCoat,
}

/// One combination of hypotheses, each by its place in the constants.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Structure {
    /// Rate of fouling.
    pub rate: usize,
    /// Lamp.
    pub lamp: usize,
    /// Drift of the sensor.
    pub drift: usize,
    /// Dirt on the window.
    pub window: usize,
    /// Whether the water has a yearly course.
    pub season: bool,
    /// Whether the deposit's growth is curved.
    pub curved: bool,
    /// What was lost before the first reading.
    pub before: Before,
}

/// Everything a prior depends on but the structure.
#[derive(Clone, Copy, Debug)]
pub struct Setting<'a> {
    /// Constants.
    pub model: &'a ModelConstants,
    /// Path from the papers, cm.
    pub path_cm: Option<f64>,
    /// Whether a reference reading is known.
    pub reference: bool,
    /// Whether losses from before the first reading are weighed; without, they are taken to be none.
    pub before: bool,
    /// Whether people have worked at the unit for long without ever cleaning the sleeve.
    pub never_cleaned: bool,
    /// What other units on the same water have shown.
    pub neighbours: Option<Neighbours>,
}

impl Setting<'_> {
    /// All structures of a design with the logarithm of their weight beforehand, ordered by rate.
    pub fn structures(&self, design: &Design<'_>) -> Vec<(Structure, f64)> {
        let rates: Vec<usize> = (0..self.model.rates.len()).collect();
        self.structures_with(design, &rates, 0..self.model.lamp.len(), 0..self.model.drift.len())
    }

    /// Those with these rates (ascending), and lamp and sensor as usual: enough to tell readings, growths and noises
    /// apart.
    pub fn usual_structures(&self, design: &Design<'_>, rates: &[usize]) -> Vec<(Structure, f64)> {
        self.structures_with(design, rates, 0..1, 1..2)
    }

    fn structures_with(
        &self,
        design: &Design<'_>,
        rates: &[usize],
        lamps: Range<usize>,
        drifts: Range<usize>,
    ) -> Vec<(Structure, f64)> {
        let seasonal = design.terms.contains(&Term::SeasonSine);
        let steady = design.growth.is_endless();
        let befores = self.befores(design);
        let mut all = Vec::new();
        for rate in rates.iter().copied() {
            let curves: &[bool] = if rate > 0 && steady { &[false, true] } else { &[false] };
            let agrees = self.ln_agreement(rate, design.growth);
            let seasons: &[bool] = if seasonal { &[false, true] } else { &[false] };
            for lamp in lamps.clone() {
                for drift in drifts.clone() {
                    for window in 0..self.model.window.len() {
                        for season in seasons {
                            for curved in curves {
                                all.extend(befores.iter().map(|before| {
                                    let (season, curved, before) = (*season, *curved, *before);
                                    let s = Structure { rate, lamp, drift, window, season, curved, before };
                                    (s, self.ln_weight(&s, seasonal) + agrees)
                                }));
                            }
                        }
                    }
                }
            }
        }
        all
    }

    /// Patches cover the sleeve in days that are one over their rate: ln of how much likelier than usual this rate is
    /// where they cover it in the days of `growth`.
    pub fn ln_agreement(&self, rate: usize, growth: Growth) -> f64 {
        let rate = self.model.rates[rate].0;
        if growth.cover_days.is_infinite() || rate <= 0.0 {
            return 0.0;
        }
        let away = (rate * growth.cover_days / 100.0).ln() / self.model.cover_spread;
        let grid =
            self.model.growths.iter().filter(|(g, _)| g.cover_days.is_finite() && g.delay_days == growth.delay_days);
        let share = |days: f64| (-0.5 * ((rate * days / 100.0).ln() / self.model.cover_spread).powi(2)).exp();
        let (count, sum) = grid.fold((0.0, 0.0), |(count, sum), (g, _)| (count + 1.0, sum + share(g.cover_days)));
        -0.5 * away * away - (f64::max(sum, 0.05) / count).ln()
    }

    /// What can have been lost before the first reading, as far as it is weighed.
    fn befores(&self, design: &Design<'_>) -> Vec<Before> {
        let has = |term: Term| self.before && design.terms.contains(&term);
        let unknown = has(Term::BeforeStart).then_some(Before::Unknown);
        let coat = has(Term::OldCoat).then_some(Before::OldCoat);
        std::iter::once(Before::Nothing).chain(unknown).chain(coat).collect()
    }

    fn ln_weight(&self, s: &Structure, seasonal: bool) -> f64 {
        let m = self.model;
        let yes_no = |yes: bool, weight: f64| if yes { weight } else { 1.0 - weight };
        let mut weight =
            m.rates[s.rate].1 * m.lamp[s.lamp].weight * m.drift[s.drift].weight * m.window[s.window].weight;
        weight *= match s.before {
            Before::Nothing => 1.0,
            Before::Unknown => m.unknown_before.weight,
            Before::OldCoat => m.old_coat.weight,
        };
        if seasonal {
            weight *= yes_no(s.season, m.season_weight);
        }
        if s.rate > 0 {
            weight *= yes_no(s.curved, m.curve_weight);
        }
        if s.rate == 0 && self.never_cleaned {
            weight *= m.never_cleaned;
        }
        weight.ln() + self.neighbours.map_or(0.0, |n| self.ln_like_neighbours(m.rates[s.rate].0, n))
    }

    /// How well a rate goes with what other units on the same water have shown: their spread, widened for how few they
    /// are and for the width of a grid point; never under 1 in 20, because a unit may differ from all its neighbours.
    fn ln_like_neighbours(&self, rate: f64, n: Neighbours) -> f64 {
        let few = 1.0 + 1.0 / f64::from(n.units.max(1));
        let variance = few * n.rate_sd.powi(2) + (self.model.rate_spread * rate).powi(2) + (0.25 * n.rate_mean).powi(2);
        let away = (rate - n.rate_mean).powi(2) / (2.0 * variance.max(1e-8));
        (-away).exp().max(0.05).ln()
    }

    /// The prior of every term under a structure, for ln light less its centre.
    pub fn priors(&self, design: &Design<'_>, s: &Structure) -> Priors {
        let (mean, sd) = design.terms.iter().map(|term| self.belief(design, *term, s)).map(|b| (b.mean, b.sd)).unzip();
        Priors { mean, sd }
    }

    /// The same for the main terms only.
    pub fn main_beliefs(&self, design: &Design<'_>, s: &Structure) -> impl Iterator<Item = Belief> {
        design.terms[design.nuisance..].iter().map(|term| self.belief(design, *term, s))
    }

    /// Wide beliefs under which no cause is ruled out: for choosing the noise before the structures are weighed.
    pub fn wide_priors(&self, design: &Design<'_>) -> Priors {
        let usual = Structure {
            rate: self.model.rates.len() / 2,
            lamp: 0,
            drift: 1,
            window: 1,
            season: true,
            curved: true,
            before: Before::Unknown,
        };
        let wide = |term: Term| match term {
            Term::LampSlope => Belief::new(0.2, 0.2),
            Term::Rate => Belief::new(0.1, 0.3),
            Term::IntervalRate(_) | Term::Curve | Term::RateSine | Term::RateCosine => Belief::new(0.0, 0.1),
            Term::LeftBehind(_) => Belief::new(0.0, 0.03),
            Term::Window | Term::Drift => Belief::new(0.03, 0.08),
            _ => self.belief(design, term, &usual),
        };
        let (mean, sd) = design.terms.iter().map(|term| wide(*term)).map(|b| (b.mean, b.sd)).unzip();
        Priors { mean, sd }
    }

    fn belief(&self, design: &Design<'_>, term: Term, s: &Structure) -> Belief {
        let m = self.model;
        let rate = m.rates[s.rate].0;
        let on = |open: bool, sd: f64| Belief::new(0.0, if open { sd } else { 0.0 });
        match term {
            Term::Level => Belief::new(0.0, if self.reference { m.reference_sd } else { m.level_sd }),
            Term::Rate => Belief::new(rate, m.rate_spread * rate),
            Term::IntervalRate(_) => Belief::new(0.0, m.interval_spread * rate),
            Term::Curve => on(s.curved, m.curve_spread * rate),
            Term::LeftBehind(g) => {
                let (grown, count) = design.grown_before(g);
                let lost = rate * grown;
                let one = Belief::new(m.left_behind.mean * lost, m.left_behind.sd * lost + m.left_behind_floor);
                Belief::new(0.0, mean_of(count, one).sd.hypot(m.left_behind_unit * lost))
            }
            Term::PermanentAtStart if rate > 0.0 => {
                // Cleanings have left their share of all that has grown since the sleeve was new.
                let hundreds = design.sleeve_days / 100.0;
                let left = (m.left_behind.mean * rate * design.grown_in(100.0) * hundreds).min(m.most_left_at_start);
                let usual = m.permanent_at_start;
                Belief::new(usual.mean.max(left), usual.sd.hypot(m.left_at_start_spread * left))
            }
            Term::PermanentAtStart => Belief::new(0.0, 0.0),
            Term::InitialDeposit if rate > 0.0 => {
                // No more than has grown since the sleeve was new, and half of that where it may have been cleaned.
                let most = design.unknown_growth_days.map_or(f64::INFINITY, |days| 0.5 * days);
                let (mean, sd) = (m.initial_days.mean.min(most), m.initial_days.sd.min(most));
                Belief::new(rate * design.grown_in(mean), rate * design.grown_in(sd) + m.initial_floor)
            }
            Term::InitialDeposit => Belief::new(0.0, 0.0),
            Term::BeforeStart if s.before == Before::Unknown => m.unknown_before.belief,
            Term::OldCoat if s.before == Before::OldCoat => m.old_coat.belief,
            Term::BeforeStart | Term::OldCoat => Belief::new(0.0, 0.0),
            Term::LampSlope => m.lamp[s.lamp].belief,
            Term::LampAtStart => Belief::new(0.0, design.unknown_ages.lamp.sd * m.lamp[0].belief.mean),
            Term::SensorAtStart => Belief::new(0.0, design.unknown_ages.sensor_years.sd * m.drift[s.drift].belief.mean),
            Term::LampStep(_) => m.lamp_step,
            Term::LampSlopeChange(_) => m.lamp_slope_change,
            Term::LampCurve => m.lamp_curve,
            Term::BurnIn => m.burn_in,
            Term::WindowAtStart => {
                let most = design.unknown_window_days.map_or(0.0, |days| 0.5 * days);
                let days = (m.initial_window_days.mean.min(most), m.initial_window_days.sd.min(most));
                let rate = m.window[s.window].belief.mean / 100.0;
                Belief::new(rate * days.0, rate * days.1)
            }
            Term::Window => m.window[s.window].belief,
            Term::Drift => m.drift[s.drift].belief,
            Term::SensorStep(_) => m.sensor_step,
            Term::EarlierDrift(_) => m.earlier_drift,
            Term::WindowLeft(_) => Belief::new(0.0, m.window_left_sd),
            Term::Shift(_) => m.shift,
            Term::Temperature => m.temperature,
            Term::Absorbance => self.path_cm.map_or(m.path_cm, |path| Belief::new(path, m.path_known_sd_cm)),
            Term::UsualWater => {
                let path = self.path_cm.unwrap_or(m.path_cm.mean);
                Belief::new(0.0, std::f64::consts::LN_10 * path * design.usual_water_sd(m.unseen_water_sd))
            }
            Term::RateSine | Term::RateCosine => Belief::new(0.0, m.rate_season * rate),
            Term::SeasonSine | Term::SeasonCosine => on(s.season, m.season_sd),
        }
    }
}

/// The mean of `count` values that are normal but cannot be negative.
fn mean_of(count: usize, one: Belief) -> Belief {
    let above = one.mean / one.sd.max(f64::MIN_POSITIVE);
    let hazard = (-0.5 * above * above - ln_normal_cdf(above)).exp() / std::f64::consts::TAU.sqrt();
    let variance = one.sd.powi(2) * (1.0 - above * hazard - hazard * hazard);
    Belief::new(one.mean + one.sd * hazard, (variance.max(0.0) / count as f64).sqrt())
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The half normal: mean sqrt(2 / pi), variance 1 - 2 / pi, both over any number of values.
    #[test]
    fn mean_of_values_that_cannot_be_negative() {
        let found = mean_of(4, Belief::new(0.0, 1.0));
        assert!((found.mean - 0.797_885).abs() < 1e-6 && (found.sd - 0.602_810 / 2.0).abs() < 1e-6, "{found:?}");
        let far = mean_of(9, Belief::new(20.0, 1.0));
        assert!((far.mean - 20.0).abs() < 1e-9 && (far.sd - 1.0 / 3.0).abs() < 1e-9, "{far:?}");
    }
}
