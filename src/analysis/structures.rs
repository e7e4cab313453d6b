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

use ndarray::{Array1, Array2, Axis};
use statrs::function::erf::erfc;

use super::Neighbours;
use super::cholesky::{Factor, dot};
use super::constants::{Belief, ModelConstants};
use super::design::{Design, Growth, Term};
use super::fit::Priors;
use super::whiten::Whitener;

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
            Term::PermanentAtStart if rate > 0.0 => m.permanent_at_start,
            Term::PermanentAtStart => Belief::new(0.0, 0.0),
            Term::InitialDeposit if rate > 0.0 => {
                let mean = rate * design.grown_in(m.initial_days.mean);
                Belief::new(mean, rate * design.grown_in(m.initial_days.sd) + m.initial_floor)
            }
            Term::InitialDeposit => Belief::new(0.0, 0.0),
            Term::BeforeStart if s.before == Before::Unknown => m.unknown_before.belief,
            Term::OldCoat if s.before == Before::OldCoat => m.old_coat.belief,
            Term::BeforeStart | Term::OldCoat => Belief::new(0.0, 0.0),
            Term::LampSlope => m.lamp[s.lamp].belief,
            Term::LampAtStart => Belief::new(0.0, m.lamp_age.sd * m.lamp[0].belief.mean),
            Term::SensorAtStart => Belief::new(0.0, m.sensor_age_years.sd * m.drift[s.drift].belief.mean),
            Term::LampStep(_) => m.lamp_step,
            Term::LampSlopeChange(_) => m.lamp_slope_change,
            Term::LampCurve => m.lamp_curve,
            Term::BurnIn => m.burn_in,
            Term::Window => m.window[s.window].belief,
            Term::Drift => m.drift[s.drift].belief,
            Term::SensorStep(_) => m.sensor_step,
            Term::EarlierDrift(_) => m.earlier_drift,
            Term::WindowLeft(_) => Belief::new(0.0, m.window_left_sd),
            Term::Shift(_) => m.shift,
            Term::Temperature => m.temperature,
            Term::Absorbance => {
                let path = self.path_cm.map_or(m.path_cm, |path| Belief::new(path, m.path_known_sd_cm));
                let share = m.path_share;
                Belief::new(path.mean * share.mean, (path.sd * share.mean).hypot(path.mean * share.sd))
            }
            Term::UsualWater => {
                let path = self.path_cm.unwrap_or(m.path_cm.mean);
                Belief::new(0.0, std::f64::consts::LN_10 * path * design.usual_water_sd(m.unseen_water_sd))
            }
            Term::RateSine | Term::RateCosine => Belief::new(0.0, m.rate_season * rate),
            Term::SeasonSine | Term::SeasonCosine => on(s.season, m.season_sd),
        }
    }
}

/// Rows of unit variance and their moments.
#[derive(Clone, Debug)]
pub struct Rows {
    /// Whitened regressors.
    pub x: Array2<f64>,
    /// Whitened ln light less its centre.
    pub y: Array1<f64>,
    /// The filter's state at the last observation, of each column.
    pub x_end: Array1<f64>,
    /// The same of y.
    pub y_end: f64,
    /// Variance of the wandering after the last observation.
    pub end_variance: f64,
    /// X'X.
    gram: Array2<f64>,
    /// X'y.
    xty: Array1<f64>,
    /// y'y.
    yty: f64,
    /// ln det of the noise's covariance.
    ln_det: f64,
}

impl Rows {
    /// Whitens a design and a course; `extra` are further rows of unit variance (regressors, target).
    pub fn new(white: &Whitener, x: &Array2<f64>, y: &Array1<f64>, extra: &[(Vec<f64>, f64)]) -> Self {
        let (mut rows, x_end) = white.rows(x.view());
        let (target, y_end) = white.series(y.view());
        let mut target = target.to_vec();
        for (row, value) in extra {
            // The shape is that of the design by construction.
            if rows.push_row(Array1::from(row.clone()).view()).is_ok() {
                target.push(*value);
            }
        }
        let target = Array1::from(target);
        Self {
            gram: gram(&rows),
            xty: rows.t().dot(&target),
            yty: target.dot(&target),
            ln_det: white.ln_det,
            end_variance: white.end_variance(),
            x: rows,
            y: target,
            x_end,
            y_end,
        }
    }

    /// The moments left when the first `nuisance` terms are integrated out under their priors.
    pub fn reduce(&self, nuisance: usize, priors: &Priors) -> Option<Reduced> {
        let main = self.gram.nrows() - nuisance;
        let (mean, sd) = (&priors.mean, &priors.sd);
        let mut c = self.xty.clone();
        let mut yty = self.yty;
        for (j, m) in mean.iter().enumerate().take(nuisance).filter(|(_, m)| **m != 0.0) {
            // yty - 2 m'b + m'G m, one term at a time: c holds b - G m so far.
            yty -= m * (2.0 * c[j] - self.gram[(j, j)] * m);
            c.scaled_add(-m, &self.gram.row(j));
        }
        let factor = Factor::new(nuisance, |i, j| sd[i] * self.gram[(i, j)] * sd[j] + if i == j { 1.0 } else { 0.0 })?;
        let mut columns: Vec<Vec<f64>> = (nuisance..nuisance + main)
            .map(|column| (0..nuisance).map(|i| sd[i] * self.gram[(i, column)]).collect())
            .collect();
        columns.push((0..nuisance).map(|i| sd[i] * c[i]).collect());
        columns.iter_mut().for_each(|column| factor.forward(column));
        let last = &columns[main];
        let misfit = yty - dot(last, last) + factor.ln_det() + self.ln_det;
        let mut reduced = Reduced { size: main, gram: [[0.0; MAIN_MOST]; MAIN_MOST], xty: [0.0; MAIN_MOST], misfit };
        for i in 0..main {
            *reduced.xty.get_mut(i)? = c[nuisance + i] - dot(&columns[i], last);
            for j in 0..=i {
                let entry = self.gram[(nuisance + i, nuisance + j)] - dot(&columns[i], &columns[j]);
                (reduced.gram[i][j], reduced.gram[j][i]) = (entry, entry);
            }
        }
        Some(reduced)
    }

    /// As many rows as there are columns that fit like these under any prior: R with R'R = X'X, and the y for which
    /// R'y is X'y. A column that depends on those before it adds nothing, and has a row of zeros.
    pub fn compress(&self) -> (Array2<f64>, Array1<f64>) {
        let size = self.gram.nrows();
        // L = R', row by row.
        let mut lower = vec![vec![0.0; size]; size];
        let mut y = vec![0.0; size];
        for i in 0..size {
            let (done, now) = lower.split_at_mut(i);
            let now = &mut now[0];
            for (j, other) in done.iter().enumerate().filter(|(j, other)| other[*j] > 0.0) {
                now[j] = (self.gram[(i, j)] - dot(&now[..j], &other[..j])) / other[j];
            }
            let pivot = self.gram[(i, i)] - dot(&now[..i], &now[..i]);
            // Less is what rounding leaves of nothing.
            if pivot > 1e-12 * self.gram[(i, i)] {
                now[i] = pivot.sqrt();
                y[i] = (self.xty[i] - dot(&now[..i], &y[..i])) / now[i];
            }
        }
        (Array2::from_shape_fn((size, size), |(i, j)| lower[j][i]), Array1::from(y))
    }

    /// The posterior mean under a prior, by the moments: for reweighting, where the last digits do not matter.
    pub fn mean(&self, priors: &Priors) -> Option<Array1<f64>> {
        let (m, s) = (Array1::from(priors.mean.clone()), Array1::from(priors.sd.clone()));
        let factor = Factor::new(m.len(), |i, j| s[i] * self.gram[(i, j)] * s[j] + if i == j { 1.0 } else { 0.0 })?;
        let mut u = (&s * &(&self.xty - &self.gram.dot(&m))).to_vec();
        factor.forward(&mut u);
        factor.backward(&mut u);
        Some(m + s * Array1::from(u))
    }
}

/// Rows taken together for the Gram matrix, about the length of an interval between cleanings.
const STRETCH_ROWS: usize = 48;
/// A whitened column that stays under this throughout a stretch is taken for 0 there: an interval's own rate once it is
/// over. Added up over any history this is far below the 1 of the prior.
const NEGLIGIBLE: f64 = 1e-6;

/// Raises each of `most` to the size of its value.
fn widen<'v>(most: &mut [f64], values: impl Iterator<Item = &'v f64>) {
    for (most, value) in most.iter_mut().zip(values) {
        let size = value.abs();
        // Not `max`, which minds what is not a number and takes three times as long.
        *most = if size > *most { size } else { *most };
    }
}

/// X'X, stretch by stretch, each with only the columns that are at work in it: most regressors belong to one interval,
/// lamp or sensor.
fn gram(rows: &Array2<f64>) -> Array2<f64> {
    let columns = rows.ncols();
    let mut sum = Array2::zeros((columns, columns));
    for stretch in rows.axis_chunks_iter(Axis(0), STRETCH_ROWS) {
        let mut most = vec![0.0f64; columns];
        for row in stretch.rows() {
            match row.to_slice() {
                // Plain slices, which the compiler turns into vector instructions.
                Some(row) => widen(&mut most, row.iter()),
                None => widen(&mut most, row.iter()),
            }
        }
        let active: Vec<usize> = (0..columns).filter(|c| most[*c] > NEGLIGIBLE).collect();
        let part = stretch.select(Axis(1), &active);
        let product = part.t().dot(&part);
        for (from, to) in product.rows().into_iter().zip(&active) {
            let mut sums = sum.row_mut(*to);
            from.iter().zip(&active).for_each(|(value, column)| sums[*column] += value);
        }
    }
    sum
}

/// Main terms at most: those of [`Design`] that differ between structures. So the thousands of solves of one study need
/// no memory of their own.
const MAIN_MOST: usize = 10;

/// Moments of the main terms with the nuisance terms integrated out.
#[derive(Clone, Debug)]
pub struct Reduced {
    size: usize,
    gram: [[f64; MAIN_MOST]; MAIN_MOST],
    xty: [f64; MAIN_MOST],
    misfit: f64,
}

impl Reduced {
    /// The log evidence (less a constant of the data) under priors of the main terms; `bounded` says which of them
    /// cannot be negative.
    pub fn ln_evidence(&self, priors: &MainPriors, bounded: &[bool]) -> Option<f64> {
        let (mean, sd) = (&priors.mean, &priors.sd);
        let (mut gm, mut at_mean) = ([0.0; MAIN_MOST], 0.0);
        for i in 0..self.size {
            gm[i] = dot(&self.gram[i][..self.size], &mean[..self.size]);
            at_mean += mean[i] * (gm[i] - 2.0 * self.xty[i]);
        }
        // Terms fixed at a value take no part in the solve.
        let (mut free, mut count) = ([0; MAIN_MOST], 0);
        for i in (0..self.size).filter(|i| sd[*i] > 0.0) {
            free[count] = i;
            count += 1;
        }
        let free = &free[..count];
        // L with L L' = I + S G S, row by row; then L^-1 of the right side and of each unit vector.
        let mut factor = [[0.0; MAIN_MOST]; MAIN_MOST];
        let mut explained = 0.0;
        // A product of at most ten pivots, none of which comes near 1e30.
        let mut det = 1.0;
        let mut white = [0.0; MAIN_MOST];
        for (i, place) in free.iter().enumerate() {
            let (done, now) = factor.split_at_mut(i);
            let now = &mut now[0];
            for (j, other) in done.iter().enumerate() {
                let entry = sd[*place] * self.gram[*place][free[j]] * sd[free[j]];
                now[j] = (entry - dot(&now[..j], &other[..j])) / other[j];
            }
            let pivot = sd[*place] * self.gram[*place][*place] * sd[*place] + 1.0 - dot(&now[..i], &now[..i]);
            if !(pivot > 0.0 && pivot.is_finite()) {
                return None;
            }
            now[i] = pivot.sqrt();
            det *= pivot;
            white[i] = (sd[*place] * (self.xty[*place] - gm[*place]) - dot(&now[..i], &white[..i])) / now[i];
            explained += white[i] * white[i];
        }
        let mut ln = -0.5 * (self.misfit + at_mean - explained);
        // Their product: one logarithm for all.
        let mut positive = 1.0;
        for (k, place) in free.iter().enumerate().filter(|(_, place)| bounded[**place]) {
            // Column k of L^-1: its square is the variance after, its product with the right side the mean after.
            let mut unit = [0.0; MAIN_MOST];
            let (mut variance, mut u) = (0.0, 0.0);
            for i in k..count {
                let right = if i == k { 1.0 } else { 0.0 };
                unit[i] = (right - dot(&factor[i][k..i], &unit[k..i])) / factor[i][i];
                variance += unit[i] * unit[i];
                u += unit[i] * white[i];
            }
            let after = (mean[*place] + sd[*place] * u) / (sd[*place] * variance.sqrt());
            ln -= priors.ln_positive[*place];
            if after < LEAST_FACTOR {
                ln += ln_normal_cdf(after);
            } else {
                positive *= normal_cdf(after);
            }
        }
        Some(ln + positive.ln() - 0.5 * det.ln())
    }
}

/// The priors of the main terms; one structure after the other differs from the last in few of them.
#[derive(Clone, Copy, Debug, Default)]
pub struct MainPriors {
    mean: [f64; MAIN_MOST],
    sd: [f64; MAIN_MOST],
    /// ln of the probability that the term is not negative.
    ln_positive: [f64; MAIN_MOST],
}

impl MainPriors {
    /// Independent normal priors, at most ten; `None` for more.
    pub fn new(beliefs: impl IntoIterator<Item = Belief>) -> Option<Self> {
        let mut priors = Self::default();
        priors.change(beliefs).then_some(priors)
    }

    /// Takes these priors; whether they are as few as can be.
    pub fn change(&mut self, beliefs: impl IntoIterator<Item = Belief>) -> bool {
        for (place, Belief { mean, sd }) in beliefs.into_iter().enumerate() {
            if place >= MAIN_MOST {
                return false;
            }
            if (self.mean[place], self.sd[place]) != (mean, sd) {
                (self.mean[place], self.sd[place]) = (mean, sd);
                self.ln_positive[place] = if sd > 0.0 { ln_normal_cdf(mean / sd) } else { 0.0 };
            }
        }
        true
    }
}

/// The mean of `count` values that are normal but cannot be negative.
fn mean_of(count: usize, one: Belief) -> Belief {
    let above = one.mean / one.sd.max(f64::MIN_POSITIVE);
    let hazard = (-0.5 * above * above - ln_normal_cdf(above)).exp() / std::f64::consts::TAU.sqrt();
    let variance = one.sd.powi(2) * (1.0 - above * hazard - hazard * hazard);
    Belief::new(one.mean + one.sd * hazard, (variance.max(0.0) / count as f64).sqrt())
}

/// From here on the distribution function is over 1e-19: ten such factors do not vanish in a product.
const LEAST_FACTOR: f64 = -9.0;

/// The standard normal distribution function.
fn normal_cdf(x: f64) -> f64 {
    // Beyond, 1 but for 1e-9, which moves no evidence.
    if x > 6.0 { 1.0 } else { 0.5 * erfc(-x * std::f64::consts::FRAC_1_SQRT_2) }
}

/// Its logarithm, far out too.
fn ln_normal_cdf(x: f64) -> f64 {
    if x < -30.0 {
        return -0.5 * x * x - (-x * std::f64::consts::TAU.sqrt()).ln();
    }
    normal_cdf(x).ln()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::analysis::fit;
    use crate::analysis::whiten::Wander;

    /// The short way to the evidence against the long way through linfa-linear.
    #[test]
    fn evidence_by_elimination_equals_the_full_fit() {
        let days: Vec<i32> = (0..40).collect();
        let white = Whitener::new(&days, &vec![1e-3; 40], Wander { sd: 0.02, tau_days: 9.0 });
        let x =
            Array2::from_shape_fn((40, 4), |(r, c)| ((r * (c + 1)) as f64 * 0.21).sin() + f64::from(u8::from(c == 1)));
        let y = Array1::from_iter((0..40).map(|r| 0.1 * (f64::from(r) * 0.4).cos() + 0.05));
        let rows = Rows::new(&white, &x, &y, &[(vec![0.0, 3.0, 0.0, 1.0], 0.2)]);
        let priors = Priors { mean: vec![0.1, -0.2, 0.05, 0.3], sd: vec![0.5, 0.1, 0.0, 0.4] };
        let full = fit::posterior(rows.x.view(), rows.y.view(), &priors).unwrap();
        let want = -0.5 * (full.misfit + white.ln_det);
        for nuisance in [0, 1, 2] {
            let reduced = rows.reduce(nuisance, &priors).unwrap();
            let main = MainPriors::new((nuisance..4).map(|i| Belief::new(priors.mean[i], priors.sd[i]))).unwrap();
            let have = reduced.ln_evidence(&main, &vec![false; 4 - nuisance]).unwrap();
            assert!((have - want).abs() < 1e-9 * want.abs(), "{nuisance}: {have} {want}");
        }
        let mean = rows.mean(&priors).unwrap();
        assert!((mean - &full.mean).iter().all(|d| d.abs() < 1e-9));
        let (x, y) = rows.compress();
        let short = fit::posterior(x.view(), y.view(), &priors).unwrap();
        assert!((short.mean - full.mean).iter().all(|d| d.abs() < 1e-9));
        assert!((short.covariance - full.covariance).iter().all(|d| d.abs() < 1e-9));
    }

    /// The half normal: mean sqrt(2 / pi), variance 1 - 2 / pi, both over any number of values.
    #[test]
    fn mean_of_values_that_cannot_be_negative() {
        let found = mean_of(4, Belief::new(0.0, 1.0));
        assert!((found.mean - 0.797_885).abs() < 1e-6 && (found.sd - 0.602_810 / 2.0).abs() < 1e-6, "{found:?}");
        let far = mean_of(9, Belief::new(20.0, 1.0));
        assert!((far.mean - 20.0).abs() < 1e-9 && (far.sd - 1.0 / 3.0).abs() < 1e-9, "{far:?}");
    }

    /// Values of the normal distribution function from any table.
    #[test]
    fn normal_cdf() {
        for (x, p) in [(0.0, 0.5), (1.0, 0.841_344_746), (-2.0, 0.022_750_132), (-5.0, 2.866_515_7e-7)] {
            assert!((ln_normal_cdf(x).exp() / p - 1.0).abs() < 1e-7, "{x}");
        }
        assert!((ln_normal_cdf(-31.0) - ln_normal_cdf(-29.9) + 33.53).abs() < 0.1, "the tail joins on");
    }
}
