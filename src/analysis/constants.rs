//! Every number the analysis leans on, in one place: meaning, unit, range, source.
//!
//! A unit's papers or profile may set any of them otherwise ([`super::tuning`]); the defaults are for a small
//! low-pressure unit on untreated water.
//! "trial" names the design trial on simulated units that came before this code; a value from it is a starting point,
//! not a fact of the trade.

use serde::{Deserialize, Serialize};

use super::episodes::EpisodeConstants;
use super::growth::Growth;
use super::readings::LogConstants;
use super::rollup::RollupConstants;
use super::steps::StepConstants;
use super::water::WaterConstants;
use crate::domain::UnitSpec;

/// All constants of the analysis.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Constants {
    /// The model of fading.
    pub model: ModelConstants,
    /// Forecast, verdict and dates.
    pub forecast: ForecastConstants,
    /// Readings to days.
    pub rollup: RollupConstants,
    /// How the service log is read.
    pub log: LogConstants,
    /// The search for steps.
    pub steps: StepConstants,
    /// The search for episodes.
    pub episodes: EpisodeConstants,
    /// The search for lasting changes of the measured water.
    pub water: WaterConstants,
}

/// A normal prior.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Belief {
    /// Mean.
    pub mean: f64,
    /// Standard deviation, 0 or more; 0 fixes the value.
    pub sd: f64,
}

impl Belief {
    /// A normal prior with this mean and standard deviation.
    pub const fn new(mean: f64, sd: f64) -> Self {
        Self { mean, sd }
    }
}

/// A normal prior that holds under one of several hypotheses, and how likely that hypothesis is beforehand.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Hypothesis {
    /// Probability beforehand, above 0; the weights of a list need not add up to 1.
    pub weight: f64,
    /// What it says about the coefficient.
    #[serde(flatten)]
    pub belief: Belief,
}

const fn hypothesis(weight: f64, mean: f64, sd: f64) -> Hypothesis {
    Hypothesis { weight, belief: Belief::new(mean, sd) }
}

/// What is believed of the age of parts at the first reading, where nobody says what it is. By judgement: parts are
/// replaced at the ends of their lives, the lamp every two years, sleeve and sensor every five (common practice).
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct UnknownAges {
    /// The lamp's, share of its rated hours.
    pub lamp: Belief,
    /// The sensor's, years: mean and spread.
    pub sensor_years: Belief,
    /// Days that the sleeve has been in use; 0: so few that what cleanings have left does not count.
    pub sleeve_days: f64,
    /// Days that the sensor's window may have got dirty, at most; 0: so few that it does not count.
    pub window_days: f64,
}

impl UnknownAges {
    const fn new(lamp: (f64, f64), sensor_years: (f64, f64), days: f64) -> Self {
        let (lamp, sensor_years) = (Belief::new(lamp.0, lamp.1), Belief::new(sensor_years.0, sensor_years.1));
        Self { lamp, sensor_years, sleeve_days: days, window_days: days }
    }
}

impl ModelConstants {
    /// What is believed of ages that nobody knows, for this unit.
    pub fn ages(&self, spec: &UnitSpec) -> &UnknownAges {
        if spec.has_papers() { &self.unknown_ages } else { &self.ages_without_papers }
    }
}

/// The model of fading. Losses are in natural logarithms of light.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct ModelConstants {
    /// Days with eligible readings before anything is said, days; 7 to 60. Project's rule ("needs 14").
    pub least_days: usize,
    /// Level: standard deviation about the first readings where no reference is known, ln; above 0.3 it is free.
    pub level_sd: f64,
    /// Level: standard deviation about the reference reading from the papers, ln; 0.005 to 0.1. Common practice: a
    /// reference is read once, on one day.
    pub reference_sd: f64,
    /// Loss of a lamp over its rated hours under each hypothesis. Usual: 20 % over 18,000 h (trial; published lamps
    /// lose 20 % in 4,000 to 10,000 h, Malley 2020); weak: a lamp near its end early; hardly: one that holds.
    pub lamp: Vec<Hypothesis>,
    /// Curvature h (h - 0.6) of the lamp's loss, h in rated lives; from the trial.
    pub lamp_curve: Belief,
    /// Extra light of a lamp at 0 h, gone with [`Self::burn_in_hours`]; from the trial (EPA: first 100 h no reference).
    pub burn_in: Belief,
    /// Time constant of the burn-in, h; 20 to 200. From the trial.
    pub burn_in_hours: f64,
    /// Burning hours at which a lamp counts as new, h. EPA 815-R-06-007, from memory.
    pub lamp_new_hours: f64,
    /// How much a later lamp may start above or below the first, ln.
    pub lamp_step: Belief,
    /// How much a later lamp's loss over its rated hours may differ from the first's, ln.
    pub lamp_slope_change: Belief,
    /// Rates of fouling, ln per 100 days, with their weights beforehand. The first must be 0: no fouling. A grid in
    /// about equal ratios, so that how much intervals differ can go with the rate.
    pub rates: Vec<(f64, f64)>,
    /// How many times likelier than usual a sleeve that does not foul is where people have worked at the unit over half
    /// a year or more and never cleaned it. By judgement: people clean what gets dirty.
    pub never_cleaned: f64,
    /// Spread of the unit's mean rate about the level of its grid point, share of that level.
    pub rate_spread: f64,
    /// Spread of an interval's rate about the unit's, share; 0.1 to 0.6. From the trial.
    pub interval_spread: f64,
    /// Yearly course of the rate, share: heat drives fouling (Nessim and Gehr 2006). Size by judgement.
    pub rate_season: f64,
    /// Curvature of the deposit's growth, share of the rate. From the trial.
    pub curve_spread: f64,
    /// Weight beforehand of curved growth against growth in proportion to time.
    pub curve_weight: f64,
    /// Kinds of growth tried, each with its weight beforehand. Near linear after an induction time is usual, falling or
    /// asymptotic growth is seen too (Kern and Seaton 1959; both from memory); patches instead of a film make the light
    /// itself fall in proportion to time. The grid is ours.
    pub growths: Vec<(Growth, f64)>,
    /// How well the days in which patches cover the sleeve must agree with the rate at the start (each is one over the
    /// other), ln; about the spacing of their grid.
    pub cover_spread: f64,
    /// Share of an interval's loss that a cleaning leaves behind, and its spread; from the trial.
    pub left_behind: Belief,
    /// By how much a unit's cleanings, all of them, may leave a greater or smaller share than usual: water, acid and hand
    /// differ. By judgement.
    pub left_behind_unit: f64,
    /// Further spread of what a cleaning leaves, ln.
    pub left_behind_floor: f64,
    /// Exposure of the sleeve at the first reading where nobody says when it was last cleaned, days: growth over that
    /// time is the deposit already there. By judgement: half an interval between cleanings, and as much spread.
    pub initial_days: Belief,
    /// Further spread of that deposit, ln.
    pub initial_floor: f64,
    /// A loss of unknown cause that the first reading already shows against the reference: a reference from another day,
    /// sensor or water, or a sleeve that no cleaning gets clear. Its weight against none; by judgement.
    pub unknown_before: Hypothesis,
    /// An old coat at the first reading where nobody says when the sleeve was last cleaned. Its weight against none; by
    /// judgement.
    pub old_coat: Hypothesis,
    /// Permanent loss of a sleeve in use that was not new at the first reading, ln. Wiped sleeves keep a film (WER 77(4)
    /// 2005); size by judgement.
    pub permanent_at_start: Belief,
    /// Where the sleeve's age at the first reading is known, its cleanings have left the share of [`Self::left_behind`] of
    /// all that has grown since; no more than this is expected of them, ln, 0.1 to 0.3, for a sleeve that stays cloudy is
    /// replaced (common practice).
    pub most_left_at_start: f64,
    /// Spread of it, share; 0.3 to 1. By judgement.
    pub left_at_start_spread: f64,
    /// Drift of the sensor, ln per year, under each hypothesis; the first must be none. Silicon carbide photodiodes
    /// hardly drift (Prasai 2013), what is behind and before them does; weights from the trial and by judgement.
    pub drift: Vec<Hypothesis>,
    /// Drift of a sensor that was replaced, ln per year: one that drifts fast is replaced sooner than others. Each sensor
    /// has its own drift. By judgement.
    pub earlier_drift: Belief,
    /// Dirt on the sensor's window, ln per 100 days, under each hypothesis; the first must be none. By judgement.
    pub window: Vec<Hypothesis>,
    /// Days of dirt on the window of a sensor that was not new at the first reading, where nobody says when it was last
    /// wiped; half its age at most. By judgement.
    pub initial_window_days: Belief,
    /// How old the parts are at the first reading where nobody says how old they are, of a unit with papers.
    pub unknown_ages: UnknownAges,
    /// The same of a unit of which nothing at all is written down: it may have been in use for years.
    pub ages_without_papers: UnknownAges,
    /// A sleeve or a sensor that was new no longer than this before the first reading has not been cleaned since, days;
    /// 1 to 200. By judgement.
    pub young_part_days: f64,
    /// How much more or less than the share of [`Self::left_behind`] a wipe of the sensor's window leaves on it, ln; 0.002 to
    /// 0.02. By judgement: a tenth of the dirt of most windows.
    pub window_left_sd: f64,
    /// How much another sensor may read above or below the first, ln. From the trial.
    pub sensor_step: Belief,
    /// A lasting step of the light whose cause is not known, ln.
    pub shift: Belief,
    /// Water between sleeve and sensor that the light crosses, cm, where the papers do not say. From the trial.
    pub path_cm: Belief,
    /// Spread of the path about what the papers say, cm: geometry is radial and reflections count (Bolton 2000).
    pub path_known_sd_cm: f64,
    /// How far the water of a year may be from that of the part of it that was measured, absorbance per cm; 0 to 0.02. By
    /// judgement.
    pub unseen_water_sd: f64,
    /// Light per degree of water temperature, ln per kelvin. From the trial; to be learnt per unit (Schmalwieser 2022).
    pub temperature: Belief,
    /// Amplitude of a yearly course, ln, where temperature or transmittance is not measured. From the trial.
    pub season_sd: f64,
    /// Weight beforehand of a yearly course against none.
    pub season_weight: f64,
    /// Standard deviations of the slow wandering tried, ln, ascending. From the trial.
    pub wander_sd: Vec<f64>,
    /// Memories of the slow wandering tried, days. The first is the trial's.
    pub wander_tau_days: Vec<f64>,
    /// Least standard deviation of a day's value, ln; 0.0002 to 0.002. Rounding and electronics.
    pub day_sd_floor: f64,
    /// Readings in a day at which its median counts half; common sense.
    pub half_weight_readings: f64,
    /// Degrees of freedom of the Student distribution of a day's error; 3 to 10. From the trial.
    pub student_nu: f64,
    /// Share of days on which temperature or transmittance must be measured to be used; 0.3 to 1.
    pub covariate_coverage: f64,
    /// Standard deviation of a reference check against truth, ln: the reference sensor's own uncertainty. By judgement
    /// after EPA 815-R-06-007's tolerance of 20 % for a duty sensor, from memory.
    pub reference_check_sd: f64,
    /// Intervals that have a rate of their own at most; older ones are put together with their neighbours, which costs
    /// accuracy: intervals differ, and what a shared rate does not fit is taken for noise. 14 to 80.
    pub most_own_rates: usize,
    /// Cleanings of which each has left something of its own behind, at most; older ones left their group's mean. 4 to 16.
    pub most_own_left: usize,
    /// Structures whose weight is under this share of the best's are not carried on; 1e-4 to 1e-2.
    pub least_weight: f64,
    /// Structures carried on at most; 8 to 64.
    pub most_components: usize,
    /// Draws from the posterior; 200 to 4000. More are steadier and slower in proportion.
    pub draws: usize,
    /// Steps of the Gibbs sampler on bounded coefficients before the first draw is used, and between draws.
    pub gibbs: (usize, usize),
}

impl Default for ModelConstants {
    fn default() -> Self {
        Self {
            least_days: 14,
            level_sd: 0.5,
            reference_sd: 0.015,
            lamp: vec![hypothesis(0.65, 0.223, 0.055), hypothesis(0.15, 0.40, 0.20), hypothesis(0.20, 0.02, 0.03)],
            lamp_curve: Belief::new(0.0, 0.05),
            burn_in: Belief::new(0.04, 0.015),
            burn_in_hours: 40.0,
            lamp_new_hours: 100.0,
            lamp_step: Belief::new(0.0, 0.025),
            lamp_slope_change: Belief::new(0.0, 0.03),
            rates: usual_rates(),
            never_cleaned: 3.0,
            rate_spread: 0.25,
            interval_spread: 0.3,
            rate_season: 0.12,
            curve_spread: 0.6,
            curve_weight: 0.25,
            growths: usual_growths(),
            cover_spread: 0.4,
            left_behind: Belief::new(0.05, 0.04),
            left_behind_unit: 0.02,
            left_behind_floor: 0.0005,
            initial_days: Belief::new(35.0, 45.0),
            initial_floor: 0.005,
            unknown_before: hypothesis(0.04, 0.15, 0.12),
            old_coat: hypothesis(0.04, 0.15, 0.12),
            permanent_at_start: Belief::new(0.01, 0.01),
            most_left_at_start: 0.15,
            left_at_start_spread: 0.7,
            drift: usual_drifts(),
            earlier_drift: Belief::new(0.03, 0.08),
            window: vec![hypothesis(0.75, 0.0, 0.0), hypothesis(0.17, 0.02, 0.02), hypothesis(0.08, 0.08, 0.06)],
            initial_window_days: Belief::new(250.0, 250.0),
            unknown_ages: UnknownAges::new((0.25, 0.2), (0.75, 0.5), 0.0),
            ages_without_papers: UnknownAges::new((0.45, 0.3), (3.0, 2.0), 1_000.0),
            young_part_days: 30.0,
            window_left_sd: 0.006,
            sensor_step: Belief::new(0.0, 0.01),
            shift: Belief::new(0.0, 0.1),
            path_cm: Belief::new(2.5, 1.0),
            path_known_sd_cm: 0.6,
            unseen_water_sd: 0.005,
            temperature: Belief::new(0.003, 0.002),
            season_sd: 0.03,
            season_weight: 0.5,
            wander_sd: vec![0.002, 0.004, 0.008, 0.015, 0.027, 0.05],
            wander_tau_days: vec![12.0, 40.0],
            day_sd_floor: 0.0005,
            half_weight_readings: 6.0,
            student_nu: 4.0,
            covariate_coverage: 0.6,
            reference_check_sd: 0.03,
            most_own_rates: 60,
            most_own_left: 8,
            least_weight: 2e-3,
            most_components: 32,
            draws: 400,
            gibbs: (20, 2),
        }
    }
}

fn usual_drifts() -> Vec<Hypothesis> {
    vec![
        hypothesis(0.30, 0.0, 0.004),
        hypothesis(0.45, 0.026, 0.015),
        hypothesis(0.15, 0.085, 0.03),
        hypothesis(0.10, 0.25, 0.12),
    ]
}

fn usual_rates() -> Vec<(f64, f64)> {
    vec![
        (0.0, 0.15),
        (0.012, 0.05),
        (0.025, 0.07),
        (0.05, 0.11),
        (0.08, 0.13),
        (0.13, 0.13),
        (0.2, 0.11),
        (0.32, 0.09),
        (0.5, 0.06),
        (0.8, 0.05),
        (1.25, 0.03),
        (2.0, 0.02),
    ]
}

fn usual_growths() -> Vec<(Growth, f64)> {
    let film = |delay_days: f64, end_days: f64| Growth { delay_days, end_days, ..Growth::STEADY };
    let patches = |delay_days: f64, cover_days: f64| Growth { delay_days, cover_days, ..Growth::STEADY };
    let endless = f64::INFINITY;
    let mut growths = vec![
        (film(0.0, endless), 0.18),
        (film(10.0, endless), 0.32),
        (film(0.0, 60.0), 0.04),
        (film(10.0, 25.0), 0.04),
        (film(10.0, 60.0), 0.06),
        (film(10.0, 150.0), 0.06),
    ];
    let covers = [25.0, 45.0, 80.0, 140.0, 250.0];
    growths.extend(covers.map(|days| (patches(0.0, days), 0.1 / covers.len() as f64)));
    growths.extend(covers.map(|days| (patches(10.0, days), 0.2 / covers.len() as f64)));
    growths
}

/// Forecast, verdict and dates.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct ForecastConstants {
    /// How far ahead a date is given, days; 30 to 730. Contract: 365 by default.
    pub horizon_days: i32,
    /// Days whose mean must be at or under the set point, days. Contract.
    pub mean_days: usize,
    /// Risk of having crossed at which to clean, 0 to 1. Contract.
    pub clean_risk: f64,
    /// A date inside this many days is "due", days. Common practice: a fortnight to plan a trip.
    pub lead_days: u16,
    /// The current interval's own pace is carried on for its own age, but at least this long, days.
    pub own_pace_least_days: f64,
    /// And at most this long, days.
    pub own_pace_most_days: f64,
    /// How much the pace of fouling ahead may differ from the pace so far, share: heat and standing water drive it
    /// (Nessim and Gehr 2006) and both change. With [`Self::bend_spread`] sized by simulation: of the 80 % intervals of
    /// usual, hard and fast-fouling units (seeds 500 to 599) 79 to 89 % hold at every horizon.
    pub pace_spread: f64,
    /// How much the growth ahead may bend away from the form fitted, share for each e-fold by which the deposit's age
    /// grows: as if the power of time that it grows with were uncertain by this much. 0.1 to 0.3.
    pub bend_spread: f64,
    /// A deposit counts as at least this old there, days: the readings of the first days say little.
    pub least_age_days: f64,
    /// How likely a lasting shift of today is to pass, and the days over which that doubt and the shift itself fade.
    /// Long storms and thaws look like lasting shifts while they last (doi 10.1029/2009JG000989); sizes by judgement.
    pub shift_passes: (f64, f64),
    /// Losses under this do not count as a cause, ln. From the trial.
    pub small_loss: f64,
    /// A fall that no cause explains counts from this size, ln.
    pub unexplained_loss: f64,
    /// Probability from which the leading cause is named; 0.5 to 0.8.
    pub name_at: f64,
    /// Probability from which `lamp-or-sensor` is said where neither alone is named; 0.6 to 0.9.
    pub pair_at: f64,
    /// The same where work at the unit has told causes apart, so that not only beliefs beforehand speak; 0.5 to 0.9.
    pub pair_tested_at: f64,
    /// Probability of lamp, sensor or both from which a date to clean the sleeve is taken back: a date that comes for nothing
    /// costs a drive, one that does not come may cost more; 0.6 to 0.95.
    pub elsewhere_at: f64,
    /// Probability from which lamp or sensor is named alone; higher than for the sleeve, because between resets only
    /// beliefs beforehand tell the two apart; 0.7 to 0.95.
    pub name_lamp_or_sensor_at: f64,
    /// How often a cause was the one, against how likely the draws made it: a monotone line through these points, from
    /// 70 simulated units of every kind (seeds 100 to 129 and 5000 to 5039). Odd units are surer of themselves
    /// than they should be, because no list of structures holds everything.
    pub calibration: Vec<(f64, f64)>,
    /// Standard errors by which the readings must fall between resets before a date for a cleaning is given.
    pub fall_seen: f64,
    /// Nothing is said where the loss is under this many standard errors of a month's mean...
    pub noise_drowns: f64,
    /// ...and a day's value has at least this standard deviation, ln. A sound sensor's has 0.002 to 0.02.
    pub noisy_day: f64,
    /// A fit in which sleeve and lamp together are brighter than new by this much explains nothing: what was done does
    /// not stand in the log, or not so; ln, 0.05 to 0.3. By judgement: errors of a sound fit stay well under it.
    pub impossible_gain: f64,
    /// So does one in which the sensor reads too high by this much, ln, 0.2 to 1. By judgement: a duty sensor is within
    /// 20 % (EPA 815-R-06-007, from memory), one of another kind may be some way off.
    pub impossible_sensor_gain: f64,
    /// Least expected gain of information, nats, for an action to be proposed.
    pub worth_asking: f64,
}

impl Default for ForecastConstants {
    fn default() -> Self {
        Self {
            horizon_days: 365,
            mean_days: 7,
            clean_risk: 0.1,
            lead_days: 14,
            own_pace_least_days: 30.0,
            own_pace_most_days: 150.0,
            pace_spread: 0.05,
            bend_spread: 0.17,
            least_age_days: 10.0,
            shift_passes: (0.7, 30.0),
            small_loss: 0.015,
            unexplained_loss: 0.03,
            name_at: 0.6,
            pair_at: 0.68,
            elsewhere_at: 0.75,
            pair_tested_at: 0.6,
            name_lamp_or_sensor_at: 0.85,
            calibration: vec![
                (0.0, 0.0),
                (0.7, 0.7),
                (0.85, 0.77),
                (0.925, 0.84),
                (0.965, 0.93),
                (0.99, 0.965),
                (1.0, 0.98),
            ],
            fall_seen: 2.0,
            noise_drowns: 8.0,
            noisy_day: 0.05,
            impossible_gain: 0.12,
            impossible_sensor_gain: 0.4,
            worth_asking: 0.05,
        }
    }
}
