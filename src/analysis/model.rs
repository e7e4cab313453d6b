//! From a course and the readings of its events to draws of everything that is not known.
//!
//! 1. Daily values that an event or an episode mixes are left out; a day's noise comes from day-to-day differences.
//! 2. Under wide priors the noise is chosen roughly, and days far from the fit lose weight (Student-t by reweighting).
//! 3. Noise grid x readings of the events x structures are weighed by evidence ([`super::structures`]).
//! 4. The best of them are fitted through linfa-linear and drawn from in proportion to their weight.

use std::ops::Range;

use ndarray::{Array1, Array2, Axis};
use rand::{Rng, RngExt};
use rand_distr::StandardNormal;

use super::constants::{Belief, ModelConstants};
use super::course::{Course, median, quantile_sorted};
use super::design::{Design, Standing};
use super::evidence::Evidence;
use super::fit::{self, Priors};
use super::posterior::Sampler;
use super::rows::{Regressors, Rows};
use super::structures::{Setting, Structure};
use super::term::{Share, Term};
use super::whiten::{Wander, Whitener};

/// Passes of reweighting; the weights have settled to a per cent after two.
const REWEIGHTINGS: usize = 2;
/// Noise grid points within this of the best under wide priors are kept, nats.
const NOISE_WINDOW: f64 = 3.5;
/// And at most this many.
const MOST_NOISES: usize = 3;
/// A structure this many nats behind the best adds nothing to any sum.
const HOPELESS: f64 = 18.0;

/// How many times sooner or later than usual the patches of one interval may cover the sleeve.
const MOST_UNLIKE: f64 = 2.5;

/// One point of the noise grid.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Noise {
    /// The slow wandering.
    pub wander: Wander,
    /// Variance of a day of usual precision, ln squared.
    pub day_variance: f64,
}

/// One way to read the events, with its design.
#[derive(Clone, Debug)]
pub struct Variant<'a> {
    /// The regressors under it.
    pub design: Design<'a>,
    /// ln of its weight beforehand.
    pub ln_weight: f64,
}

/// A combination of reading, noise and structure, and how likely it is.
#[derive(Clone, Copy, Debug)]
pub struct Component {
    /// Which variant.
    pub variant: usize,
    /// Which noise.
    pub noise: Noise,
    /// Which structure.
    pub structure: Structure,
    /// ln of the structure's weight beforehand.
    ln_prior: f64,
    /// Which rows it was weighed on.
    rows: usize,
    /// Probability.
    pub weight: f64,
}

/// One draw of everything unknown.
#[derive(Clone, Debug)]
pub struct Draw {
    /// Which variant its coefficients belong to.
    pub variant: usize,
    /// The structure.
    pub structure: Structure,
    /// The noise.
    pub noise: Noise,
    /// Coefficients, in the order of the variant's terms.
    pub theta: Vec<f64>,
    /// The slow wandering on the day "now".
    pub wandering: f64,
}

/// What is known about a unit after the fit.
#[derive(Clone, Debug)]
pub struct Fitted<'a> {
    /// The readings of the events.
    pub variants: Vec<Variant<'a>>,
    /// The mixture, heaviest first.
    pub components: Vec<Component>,
    /// Equally likely draws from it.
    pub draws: Vec<Draw>,
    /// ln of light that the level is counted from.
    pub centre: f64,
    /// How clearly the readings themselves change between resets: the slope that all stretches share, each with a level
    /// of its own, over its standard error. Negative: they fall.
    pub slope_score: f64,
}

/// Daily values that go into the fit.
#[derive(Clone, Debug)]
pub struct Observed {
    /// Day numbers.
    pub days: Vec<i32>,
    /// ln light less the centre.
    pub y: Array1<f64>,
    /// Relative precision about 1.
    pub precision: Vec<f64>,
    /// Variance from rounding.
    pub rounding: f64,
    /// Reference checks: day and ln of duty over reference, the loss of sensor and window measured directly.
    pub checks: Vec<(i32, f64)>,
}

impl Observed {
    /// The days of `course` for which `leave_out` does not hold.
    pub fn new(course: &Course, centre: f64, checks: Vec<(i32, f64)>, leave_out: impl Fn(i32) -> bool) -> Self {
        let kept: Vec<usize> = (0..course.days.len()).filter(|i| !leave_out(course.days[*i])).collect();
        let mut precision: Vec<f64> = kept.iter().map(|i| course.precision[*i]).collect();
        let usual = median(&mut precision.clone()).max(1e-3);
        precision.iter_mut().for_each(|p| *p /= usual);
        Self {
            days: kept.iter().map(|i| course.days[*i]).collect(),
            y: kept.iter().map(|i| course.ln[*i] - centre).collect(),
            precision,
            rounding: course.rounding_variance,
            checks,
        }
    }

    /// Half the variance of the difference of neighbouring days, by two robust measures: the median absolute deviation
    /// and, for sensors whose median hardly moves, the range of the middle 80 %.
    fn half_difference_variance(&self, floor: f64) -> f64 {
        let pairs = self.days.windows(2).zip(self.y.windows(2));
        let mut steps: Vec<f64> = pairs.filter(|(d, _)| d[1] - d[0] <= 2).map(|(_, y)| y[1] - y[0]).collect();
        let middle = median(&mut steps);
        let range = quantile_sorted(&steps, 0.9) - quantile_sorted(&steps, 0.1);
        let mut away: Vec<f64> = steps.iter().map(|s| (s - middle).abs()).collect();
        let scale = 0.5 * (1.4826 * median(&mut away) + range / 2.563);
        (scale * scale / 2.0).max(floor * floor)
    }

    /// Variance of each day.
    fn variances(&self, noise: &Noise, weights: &[f64]) -> Vec<f64> {
        let own = |(p, w): (&f64, &f64)| noise.day_variance / (p * w) + self.rounding;
        self.precision.iter().zip(weights).map(own).collect()
    }
}

/// The whole fit under the readings in `variants`; `None` where the numbers do not allow one (which the callers treat
/// as too little data).
pub fn fit<'a>(
    problems: Vec<Problem<'_, 'a>>,
    (noises, weights): (&[Noise], &[f64]),
    setting: &Setting<'_>,
    centre: f64,
    rng: &mut impl Rng,
) -> Option<Fitted<'a>> {
    let (mut components, compressed) = weigh(&problems, (noises, weights), setting);
    keep_the_heavy(&mut components, setting.model);
    let draws = draw(&problems, (&components, &compressed), setting, rng)?;
    let slope_score = problems.first().zip(noises.first()).map_or(0.0, |(p, noise)| p.slope_score(noise, weights));
    let looking_ahead = |v: Variant<'a>| Variant { design: v.design.looking_ahead(), ..v };
    let variants = problems.into_iter().map(|problem| looking_ahead(problem.variant)).collect();
    Some(Fitted { variants, components, draws, centre, slope_score })
}

/// The noises worth carrying on, best first: from `start` up and down the grid of spreads, for every memory, as long
/// as the evidence grows. Wide beliefs let a fit explain with wild coefficients what is noise under sober ones, so the
/// first choice is too small where the model fits badly.
pub fn likely_noises(
    problem: &Problem<'_, '_>,
    (start, weights): (&Noise, &[f64]),
    rates: &[usize],
    setting: &Setting<'_>,
) -> Vec<Noise> {
    let model = setting.model;
    let half = problem.observed.half_difference_variance(model.day_sd_floor);
    let mut weighed: Vec<(f64, Noise)> = Vec::new();
    for tau in &model.wander_tau_days {
        let noise = |place: usize| grid_noise(Wander { sd: model.wander_sd[place], tau_days: *tau }, half, model);
        let near = |place: &usize| (model.wander_sd[*place] - start.wander.sd).abs();
        let Some(from) = (0..model.wander_sd.len()).min_by(|a, b| near(a).total_cmp(&near(b))) else { continue };
        let ln = |place: usize| evidence(problem, (&noise(place), weights), rates, setting);
        let seen = climb((from, model.wander_sd.len()), |place| ln(place).unwrap_or(f64::NEG_INFINITY));
        weighed.extend(seen.into_iter().map(|(ln, place)| (ln, noise(place))));
    }
    weighed.retain(|(ln, _)| ln.is_finite());
    weighed.sort_by(|a, b| b.0.total_cmp(&a.0));
    let top = weighed.first().map_or(0.0, |(ln, _)| *ln);
    weighed.iter().filter(|(ln, _)| top - ln < NOISE_WINDOW).take(MOST_NOISES).map(|(_, noise)| *noise).collect()
}

/// The value of the places of a grid of so many: from the one to start at up and down, as long as it grows.
fn climb((start, count): (usize, usize), value: impl Fn(usize) -> f64) -> Vec<(f64, usize)> {
    let mut seen = vec![(value(start), start)];
    for up in [true, false] {
        let (mut last, mut place) = seen[0];
        while let Some(next) = if up { place.checked_add(1) } else { place.checked_sub(1) }.filter(|next| *next < count)
        {
            let here = value(next);
            seen.push((here, next));
            if here < last {
                break;
            }
            (last, place) = (here, next);
        }
    }
    seen
}

/// The weight of a value whose error has this `square` where `variance` is usual: least squares with such weights,
/// repeated until they settle, is the likeliest fit under Student-t errors of `nu` degrees of freedom.
pub fn student_weight(nu: f64, square: f64, variance: f64) -> f64 {
    (nu + 1.0) / (nu + square / variance)
}

/// A point of the noise grid: what the wandering does not explain of the day-to-day differences is the day's own.
fn grid_noise(wander: Wander, half_difference_variance: f64, model: &ModelConstants) -> Noise {
    let part = wander.sd.powi(2) * (1.0 - wander.correlation(1.0));
    let left = (half_difference_variance - part).max(0.15 * half_difference_variance);
    Noise { wander, day_variance: left.max(model.day_sd_floor.powi(2)) }
}

/// The rates of fouling (by their place in the constants) that matter for telling readings apart: none, the best and
/// its neighbours.
pub fn likely_rates(problem: &Problem<'_, '_>, noise: (&Noise, &[f64]), setting: &Setting<'_>) -> Vec<usize> {
    let all: Vec<usize> = (0..setting.model.rates.len()).collect();
    let (_, rows) = problem.rows(noise.0, noise.1);
    let candidates = setting.usual_structures(&problem.variant.design, &all);
    let found = weigh_structures(problem, &rows, &candidates, setting);
    let best = found.iter().max_by(|a, b| a.2.total_cmp(&b.2)).map_or(0, |(structure, ..)| structure.rate);
    all.into_iter().filter(|rate| *rate == 0 || rate.abs_diff(best) <= 2).collect()
}

/// The log evidence of one reading of the events under one noise and `rates`, over the structures that matter for
/// telling readings apart: all windows, lamp and sensor as usual.
pub fn evidence(
    problem: &Problem<'_, '_>,
    (noise, weights): (&Noise, &[f64]),
    rates: &[usize],
    setting: &Setting<'_>,
) -> Option<f64> {
    let (_, rows) = problem.rows(noise, weights);
    evidence_of(problem, &rows, rates, setting)
}

fn evidence_of(problem: &Problem<'_, '_>, rows: &Rows, rates: &[usize], setting: &Setting<'_>) -> Option<f64> {
    let candidates = setting.usual_structures(&problem.variant.design, rates);
    let found = weigh_structures(problem, rows, &candidates, setting);
    let best = found.iter().map(|(_, _, ln)| *ln).fold(f64::NEG_INFINITY, f64::max);
    let sum: f64 = found.iter().map(|(_, _, ln)| (ln - best).exp()).sum();
    (best.is_finite()).then(|| best + sum.ln())
}

/// The problem with patches that cover the sleeve in each interval as its own rate says: they take one over the rate,
/// which the fit with the same days for all intervals gives well enough. Unchanged where the growth knows no patches.
pub fn with_own_covers<'p, 'a>(
    problem: Problem<'p, 'a>,
    (noise, weights): (&Noise, &[f64]),
    rates: &[usize],
    setting: &Setting<'_>,
) -> Problem<'p, 'a> {
    let usual = problem.variant.design.growth.cover_days;
    if usual.is_infinite() {
        return problem;
    }
    let design = &problem.variant.design;
    let own_covers = || {
        let (_, rows) = problem.rows(noise, weights);
        let candidates = setting.usual_structures(design, rates);
        let found = weigh_structures(&problem, &rows, &candidates, setting);
        let (best, ..) = found.iter().max_by(|a, b| a.2.total_cmp(&b.2))?;
        let theta = rows.mean(&setting.priors(design, best))?;
        let rate = theta[design.terms.iter().position(|term| *term == Term::Rate)?];
        let own = design.terms.iter().zip(&theta).filter(|(term, _)| matches!(term, Term::IntervalRate(_)));
        let (least, most) = (usual / MOST_UNLIKE, usual * MOST_UNLIKE);
        Some(own.map(|(_, own)| (100.0 / (rate + own).max(1e-3)).clamp(least, most)).collect::<Vec<f64>>())
    };
    let covers = own_covers().unwrap_or_default();
    let Variant { design, ln_weight } = problem.variant;
    Problem::new(Variant { design: design.with_covers(covers), ln_weight }, problem.observed, setting.model)
}

/// By how much the log evidence gains, nats, when losses from before the first reading are weighed too.
pub fn gain_of_before(problem: &Problem<'_, '_>, noise: (&Noise, &[f64]), setting: &Setting<'_>) -> Option<f64> {
    let rates: Vec<usize> = (0..setting.model.rates.len()).collect();
    let (_, rows) = problem.rows(noise.0, noise.1);
    let ln = |before: bool| evidence_of(problem, &rows, &rates, &Setting { before, ..*setting });
    Some(ln(true)? - ln(false)?)
}

/// One variant with its regressors written out for the days observed.
#[derive(Clone, Debug)]
pub struct Problem<'p, 'a> {
    variant: Variant<'a>,
    observed: &'p Observed,
    x: Regressors,
    extra: Vec<(Vec<f64>, f64)>,
    bounded: Vec<bool>,
}

impl<'p, 'a> Problem<'p, 'a> {
    /// Writes the regressors of `variant` out.
    pub fn new(variant: Variant<'a>, observed: &'p Observed, model: &ModelConstants) -> Self {
        let design = &variant.design;
        let sd = model.reference_check_sd;
        let check = |(day, ratio): &(i32, f64)| {
            let only_sensor = |(value, term): (f64, &Term)| {
                if term.share() == Share::Sensor { value / sd } else { 0.0 }
            };
            (design.row(*day).into_iter().zip(&design.terms).map(only_sensor).collect(), ratio / sd)
        };
        let standing: Vec<Standing> = observed.days.iter().map(|day| design.standing(*day)).collect();
        let at_work = |days: Range<usize>| design.at_work(&standing[days.start], &standing[days.end - 1]);
        let value = |day: usize, term: usize| design.value(design.terms[term], &standing[day]);
        Self {
            observed,
            x: Regressors::new((standing.len(), design.terms.len()), at_work, value),
            extra: observed.checks.iter().map(check).collect(),
            bounded: design.terms.iter().map(|term| term.at_least_zero()).collect(),
            variant,
        }
    }

    fn rows(&self, noise: &Noise, weights: &[f64]) -> (Whitener, Rows) {
        let variances = self.observed.variances(noise, weights);
        let white = Whitener::new(&self.observed.days, &variances, noise.wander);
        let rows = Rows::new(&white, &self.x, &self.observed.y, &self.extra);
        (white, rows)
    }

    /// See [`Fitted::slope_score`].
    fn slope_score(&self, noise: &Noise, weights: &[f64]) -> f64 {
        let observed = self.observed;
        let resets = self.variant.design.resets();
        let stretch = |day: i32| resets.partition_point(|reset| *reset <= day);
        let variances = observed.variances(noise, weights);
        let (mut times, mut light, mut from) = (Vec::new(), Vec::new(), 0);
        for days in observed.days.chunk_by(|a, b| stretch(*a) == stretch(*b)) {
            let part = from..from + days.len();
            from = part.end;
            let white = Whitener::new(days, &variances[part.clone()], noise.wander);
            let series = |values: Array1<f64>| white.series(values.view()).0;
            let one = series(Array1::ones(days.len()));
            let time = series(days.iter().map(|day| f64::from(*day - days[0])).collect());
            let y = series(observed.y.iter().copied().skip(part.start).take(days.len()).collect());
            // Less the stretch's level, what is left has the slope of a fit with a column for each level (Frisch and Waugh
            // 1933, from memory).
            let less_level = |of: Array1<f64>| &of - one.dot(&of) / one.dot(&one) * &one;
            times.extend(less_level(time));
            light.extend(less_level(y));
        }
        let times = Array1::from(times).insert_axis(Axis(1));
        let slope = fit::least_squares(times.view(), Array1::from(light).view(), None);
        slope.map_or(0.0, |fit| fit.params[0] / fit.unit_covariance[(0, 0)].sqrt())
    }

    /// A first choice of noise and the Student weights of the days, under wide beliefs.
    pub fn first_noise(&self, setting: &Setting<'_>) -> Option<(Noise, Vec<f64>)> {
        let model = setting.model;
        let half = self.observed.half_difference_variance(model.day_sd_floor);
        let wander =
            |place: usize| Some(Wander { sd: *model.wander_sd.get(place)?, tau_days: *model.wander_tau_days.first()? });
        let noise = |place: usize| Some(grid_noise(wander(place)?, half, model));
        let priors = setting.wide_priors(&self.variant.design);
        let mut weights = vec![1.0; self.observed.days.len()];
        let ln = |place: usize| self.ln_under(&noise(place)?, &weights, &priors).filter(|ln| ln.is_finite());
        let count = model.wander_sd.len();
        let seen = climb((count / 2, count), |place| ln(place).unwrap_or(f64::NEG_INFINITY));
        let (_, best) = seen.into_iter().filter(|(ln, _)| ln.is_finite()).max_by(|a, b| a.0.total_cmp(&b.0))?;
        let best = noise(best)?;
        for _ in 0..REWEIGHTINGS {
            weights = self.student_weights((&best, &weights), &priors, model.student_nu)?;
        }
        Some((best, weights))
    }

    /// The log evidence of a noise under one set of priors, bounds left out.
    fn ln_under(&self, noise: &Noise, weights: &[f64], priors: &Priors) -> Option<f64> {
        let nuisance = self.variant.design.nuisance;
        let free = vec![false; self.bounded.len() - nuisance];
        let beliefs = priors.mean.iter().zip(&priors.sd).skip(nuisance).map(|(mean, sd)| Belief::new(*mean, *sd));
        let (_, rows) = self.rows(noise, weights);
        Evidence::new(&rows.reduce(nuisance, priors)?, &free).ln(beliefs, f64::NEG_INFINITY)
    }

    /// [`student_weight`] of every day, from the expected square of its own error.
    fn student_weights(&self, (noise, weights): (&Noise, &[f64]), priors: &Priors, nu: f64) -> Option<Vec<f64>> {
        let (white, rows) = self.rows(noise, weights);
        let theta = rows.mean(priors)?;
        let residuals = (&self.observed.y - &self.x.times(&theta)).to_vec();
        let smooth = white.smooth(&residuals);
        let weight = |((residual, (z, variance)), precision): ((&f64, &(f64, f64)), &f64)| {
            let square = (residual - z).powi(2) + variance;
            student_weight(nu, square, noise.day_variance / precision + self.observed.rounding)
        };
        Some(residuals.iter().zip(&smooth).zip(&self.observed.precision).map(weight).collect())
    }
}

/// All components with their log weights (not yet normalised) in `weight`, and the rows they rest on.
fn weigh(
    problems: &[Problem<'_, '_>],
    (noises, weights): (&[Noise], &[f64]),
    setting: &Setting<'_>,
) -> (Vec<Component>, Vec<Compressed>) {
    let mut all: Vec<Component> = Vec::new();
    let mut compressed = Vec::new();
    let mut candidates: Vec<Vec<(Structure, f64)>> =
        problems.iter().map(|problem| setting.structures(&problem.variant.design)).collect();
    for (turn, noise) in noises.iter().enumerate() {
        for (place, problem) in problems.iter().enumerate().filter(|(place, _)| !candidates[*place].is_empty()) {
            let (_, rows) = problem.rows(noise, weights);
            let found = weigh_structures(problem, &rows, &candidates[place], setting);
            all.extend(found.into_iter().map(|(structure, ln_prior, ln)| Component {
                variant: place,
                noise: *noise,
                structure,
                ln_prior,
                rows: compressed.len(),
                weight: ln + problem.variant.ln_weight,
            }));
            compressed.push(Compressed::new(&rows));
        }
        if turn == 0 {
            // What is out of the race under the best noise is not weighed under the others.
            let best = all.iter().map(|c| c.weight).fold(f64::NEG_INFINITY, f64::max);
            let floor = best + setting.model.least_weight.ln() - 1.0;
            candidates.iter_mut().for_each(Vec::clear);
            for c in all.iter().filter(|c| c.weight > floor) {
                candidates[c.variant].push((c.structure, c.ln_prior));
            }
        }
    }
    (all, compressed)
}

/// The structures (ordered by rate) with their weight beforehand and their log weight after; those out of the race may
/// be left out.
fn weigh_structures(
    problem: &Problem<'_, '_>,
    rows: &Rows,
    candidates: &[(Structure, f64)],
    setting: &Setting<'_>,
) -> Vec<(Structure, f64, f64)> {
    let design = &problem.variant.design;
    let bounded = &problem.bounded[design.nuisance..];
    let mut found = Vec::with_capacity(candidates.len());
    let mut best = f64::NEG_INFINITY;
    for group in candidates.chunk_by(|a, b| a.0.rate == b.0.rate) {
        let priors = setting.priors(design, &group[0].0);
        let Some(reduced) = rows.reduce(design.nuisance, &priors) else { continue };
        let mut evidence = Evidence::new(&reduced, bounded);
        for (structure, ln_prior) in group {
            if let Some(ln) = evidence.ln(setting.main_beliefs(design, structure), best - HOPELESS - ln_prior) {
                best = best.max(ln + ln_prior);
                found.push((*structure, *ln_prior, ln + ln_prior));
            }
        }
    }
    found
}

/// Turns log weights into probabilities, drops the light and sorts.
fn keep_the_heavy(components: &mut Vec<Component>, model: &ModelConstants) {
    components.retain(|c| c.weight.is_finite());
    let best = components.iter().map(|c| c.weight).fold(f64::NEG_INFINITY, f64::max);
    components.retain(|c| c.weight > best + model.least_weight.ln());
    components.sort_by(|a, b| b.weight.total_cmp(&a.weight));
    components.truncate(model.most_components);
    components.iter_mut().for_each(|c| c.weight = (c.weight - best).exp());
    let sum: f64 = components.iter().map(|c| c.weight).sum();
    components.iter_mut().for_each(|c| c.weight /= sum);
}

/// What the rows of a variant under a noise say, in as few rows as can be.
struct Compressed {
    x: Array2<f64>,
    y: Array1<f64>,
    x_end: Array1<f64>,
    y_end: f64,
    end_variance: f64,
}

impl Compressed {
    fn new(rows: &Rows) -> Self {
        let (x, y) = rows.compress();
        Self { x, y, x_end: rows.x_end.clone(), y_end: rows.y_end, end_variance: rows.end_variance }
    }
}

/// Draws in proportion to the weights (systematically, so that no draw is lost to chance).
fn draw(
    problems: &[Problem<'_, '_>],
    (components, compressed): (&[Component], &[Compressed]),
    setting: &Setting<'_>,
    rng: &mut impl Rng,
) -> Option<Vec<Draw>> {
    let model = setting.model;
    let mut draws = Vec::with_capacity(model.draws);
    let mut reached = 0.0;
    for component in components {
        let problem = &problems[component.variant];
        let upto = |share: f64| (share * model.draws as f64 + 0.5).floor() as usize;
        let count = upto(reached + component.weight) - upto(reached);
        reached += component.weight;
        if count == 0 {
            continue;
        }
        let rows = compressed.get(component.rows)?;
        let priors = setting.priors(&problem.variant.design, &component.structure);
        let posterior = fit::posterior(rows.x.view(), rows.y.view(), &priors).ok()?;
        let mut sampler = Sampler::new(&posterior, &problem.bounded)?;
        sampler.run(model.gibbs.0, rng);
        let last = problem.observed.days.last().copied()?;
        let gap = f64::from((problem.variant.design.now - last).max(0));
        for _ in 0..count {
            sampler.run(model.gibbs.1, rng);
            let theta = sampler.draw(rng);
            let at_end = rows.y_end - rows.x_end.iter().zip(&theta).map(|(x, t)| x * t).sum::<f64>();
            let wandering = carry_on(at_end, rows.end_variance, component.noise.wander, gap, rng);
            let (variant, structure, noise) = (component.variant, component.structure, component.noise);
            draws.push(Draw { variant, structure, noise, theta, wandering });
        }
    }
    (!draws.is_empty()).then_some(draws)
}

/// A draw of the wandering `days` after its mean and variance were known.
fn carry_on(mean: f64, variance: f64, wander: Wander, days: f64, rng: &mut impl Rng) -> f64 {
    let decay = wander.correlation(days);
    let stationary = wander.sd.powi(2);
    let later = stationary + decay * decay * (variance - stationary);
    let noise: f64 = rng.sample(StandardNormal);
    decay * mean + later.max(0.0).sqrt() * noise
}
