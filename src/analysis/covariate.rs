//! A measured quantity that goes with the light: the absorbance of the water, its temperature.
//!
//! A day's value = slow course + wandering + the meter's noise. The slow course is a running median, which storms and
//! thaws hardly move. How much of the distance from it is still there some days later tells the wandering (a first-order
//! autoregression, as the light's own) from the noise, which is another each day: the autocovariance of distances k days
//! apart is c(k) = s^2 phi^k from k = 1 on, and c(0) is more by the variance of the noise. The value that the light is held against is the mean of course and
//! wandering given all days, so that noise does not thin out the slope on it (errors of Berkson's kind).

use super::course::{median, quantile_sorted};
use super::whiten::{Wander, Whitener};
use super::window::SortedWindow;

/// Measured days that show what is usual, days: a season.
const USUAL_DAYS: usize = 90;
/// Measured days that show how far from it values go in a year.
const YEAR_DAYS: usize = 365;
/// Measured days on either side in the slow course.
const SLOW_DAYS: usize = 45;
/// Over how many days what is unusual passes, days. By judgement, from the lengths of storms.
const PASSING_DAYS: f64 = 10.0;
/// Days over which the memory of the wandering is looked for.
const LAGS: usize = 6;
/// What lies further from the slow course than this many standard deviations counts as so far: a storm.
const STORM_SDS: f64 = 3.0;
/// Least and greatest correlation of the wandering from one day to the next.
const CORRELATION: (f64, f64) = (0.5, 0.97);
/// Days of a week.
const WEEK_DAYS: usize = 7;
/// Days of a month, and how many days later a value is held against its median.
const MONTH_DAYS: usize = 30;
const AHEAD_DAYS: usize = 20;
/// How much further values to come lie from what is expected than the wandering has them, where too little is known.
const AHEAD_LEAST: f64 = 1.5;
/// Share of a normal distribution within one standard deviation.
const ONE_SD: f64 = 0.683;

/// One value for each calendar day from day 0 to the day of the assessment.
#[derive(Clone, Debug, PartialEq)]
pub struct Covariate {
    /// What the light is held against on each day; a day that was not measured carries the last one on.
    values: Vec<f64>,
    /// The slow course of them.
    slow: Vec<f64>,
    /// Usual value: the median of the first measured days, because the reference is the light on that water.
    usual: f64,
    /// How far the days of the first year lie from it: about one standard deviation.
    pub usual_sd: f64,
    /// How much of a year is behind that, 0 to 1.
    pub usual_share: f64,
    /// The last measured day's own value.
    latest: f64,
    /// Where it goes on from.
    start: f64,
    /// Where the slow course is now, and where it was over the last season.
    level: f64,
    season: f64,
    /// How values to come wander about what is expected of them.
    pub wander: Wander,
}

/// What was measured: day numbers, ascending, each with its value, and the day of the assessment.
struct Measured {
    days: Vec<i32>,
    values: Vec<f64>,
    today: i32,
}

impl Measured {
    fn new(measured: &[(i32, f64)], today: i32) -> Self {
        let (days, values) = measured.iter().copied().unzip();
        Self { days, values, today }
    }

    /// The median of the last so many measured days.
    fn recent(&self, count: usize) -> f64 {
        median(&mut self.values[self.values.len().saturating_sub(count)..].to_vec())
    }

    /// `known`, one for each measured day, for each calendar day.
    fn each_day(&self, known: &[f64]) -> Vec<f64> {
        let at = |day: i32| known[self.days.partition_point(|measured| *measured <= day).saturating_sub(1)];
        (0..=self.today).map(at).collect()
    }

    /// A covariate that takes these `values` for each calendar day.
    fn covariate(&self, values: Vec<f64>, slow: Vec<f64>, (start, level): (f64, f64), wander: Wander) -> Covariate {
        let usual = median(&mut self.values[..self.values.len().min(USUAL_DAYS)].to_vec());
        let year = &self.days[..self.days.len().min(YEAR_DAYS)];
        let at = |day: &i32| usize::try_from(*day).ok().and_then(|day| values.get(day));
        let mut off: Vec<f64> = year.iter().filter_map(at).map(|value| (value - usual).abs()).collect();
        off.sort_by(f64::total_cmp);
        Covariate {
            usual,
            usual_sd: quantile_sorted(&off, ONE_SD),
            usual_share: (year.len() as f64 / YEAR_DAYS as f64).min(1.0),
            latest: self.recent(1),
            start,
            level,
            season: self.recent(USUAL_DAYS),
            wander,
            values,
            slow,
        }
    }
}

impl Covariate {
    /// Of what the light follows from day to day; see the head of the file. `None` of nothing measured.
    pub fn by_days(measured: &[(i32, f64)], today: i32) -> Option<Self> {
        let all = Measured::new(measured, today);
        let raw = &all.values;
        let slow = running_median(raw);
        let away: Vec<f64> = raw.iter().zip(&slow).map(|(value, slow)| value - slow).collect();
        // A storm is neither wandering nor noise: what is beyond them stays as it was read.
        let mild = mild(&away);
        let (wander, noise) = tell_apart(&all.days, &mild);
        let smooth = Whitener::new(&all.days, &vec![noise; raw.len()], wander).smooth(&mild);
        let clear = raw.iter().zip(mild).zip(smooth);
        let clear: Vec<f64> = clear.map(|((raw, mild), (wandering, _))| raw + wandering - mild).collect();
        let lately = all.recent(WEEK_DAYS);
        let sd = sd_ahead(raw, &clear, &slow).unwrap_or(AHEAD_LEAST * wander.sd).max(wander.sd);
        let level = all.recent(MONTH_DAYS);
        // What lies far from the last week and the last month is a storm, which passes.
        let last = *clear.last()?;
        let near = if (last - lately).abs() < (last - level).abs() { lately } else { level };
        let start = near + (last - near).clamp(-2.0 * sd, 2.0 * sd);
        Some(all.covariate(all.each_day(&clear), all.each_day(&slow), (start, level), Wander { sd, ..wander }))
    }

    /// Of what tells something of the light only over weeks, by a running mean of a fortnight. `None` of nothing
    /// measured.
    pub fn by_fortnights(measured: &[(i32, f64)], today: i32) -> Option<Self> {
        let all = Measured::new(measured, today);
        if all.values.is_empty() {
            return None;
        }
        let values = all.each_day(&all.values);
        let mean = |place: usize| {
            let near = &values[place.saturating_sub(WEEK_DAYS)..(place + WEEK_DAYS + 1).min(values.len())];
            near.iter().sum::<f64>() / near.len() as f64
        };
        let values: Vec<f64> = (0..values.len()).map(mean).collect();
        let lately = all.recent(WEEK_DAYS);
        let steady = Wander { sd: 0.0, tau_days: PASSING_DAYS };
        Some(all.covariate(values.clone(), values, (lately, lately), steady))
    }

    /// The value of a day, past or to come, against what is usual.
    pub fn at(&self, day: i32) -> f64 {
        let today = self.values.len() as i32 - 1;
        let known = usize::try_from(day).ok().filter(|_| day < today);
        let value = known.map_or_else(
            || {
                // Passing clouding passes; what has lasted for a season stays.
                let ahead = f64::from(day - today).max(0.0);
                let expected = self.year_before(day, today).unwrap_or(self.season);
                let now = self.year_before(today, today).unwrap_or(self.season);
                expected + (self.start - now) * (-ahead / self.wander.tau_days).exp()
            },
            |day| self.values[day],
        );
        value - self.usual
    }

    /// By how much the last measured day is above where it goes on from: a storm.
    pub fn passing(&self) -> f64 {
        self.latest - self.start
    }

    /// The value a year before a day to come, as far as it is known, moved to the present level.
    fn year_before(&self, day: i32, today: i32) -> Option<f64> {
        let past = |day: i32| usize::try_from(day).ok().and_then(|d| self.slow.get(d).copied());
        Some(self.level + past(day - 365)? - past(today - 366)?)
    }
}

/// The median of each value and those around it.
fn running_median(values: &[f64]) -> Vec<f64> {
    let mut window = SortedWindow::default();
    values.iter().take(SLOW_DAYS).for_each(|value| window.insert(*value));
    let middle = |place: usize| {
        values.get(place + SLOW_DAYS).into_iter().for_each(|value| window.insert(*value));
        place.checked_sub(SLOW_DAYS + 1).into_iter().for_each(|gone| window.remove(values[gone]));
        window.median().unwrap_or(values[place])
    };
    (0..values.len()).map(middle).collect()
}

/// How far a day's value is from what was expected of it some weeks before: one standard deviation.
fn sd_ahead(raw: &[f64], clear: &[f64], slow: &[f64]) -> Option<f64> {
    let mut window = SortedWindow::default();
    let (mut plain, mut seasonal) = (Vec::new(), Vec::new());
    for (place, value) in raw.iter().enumerate() {
        window.insert(*value);
        let Some(gone) = place.checked_sub(MONTH_DAYS) else { continue };
        window.remove(raw[gone]);
        if let (Some(month), Some(then)) = (window.median(), clear.get(place + AHEAD_DAYS)) {
            plain.push((then - month).abs());
            if let Some(before) = place.checked_sub(YEAR_DAYS) {
                seasonal.push((then - month - slow[before + AHEAD_DAYS] + slow[before]).abs());
            }
        }
    }
    let mut off = if seasonal.len() > MONTH_DAYS { seasonal } else { plain };
    off.sort_by(f64::total_cmp);
    (off.len() > MONTH_DAYS).then(|| quantile_sorted(&off, ONE_SD))
}

/// Distances from the slow course without what storms add.
fn mild(away: &[f64]) -> Vec<f64> {
    let mut sizes: Vec<f64> = away.iter().map(|away| away.abs()).collect();
    sizes.sort_by(f64::total_cmp);
    let most = STORM_SDS * quantile_sorted(&sizes, ONE_SD);
    away.iter().map(|away| away.clamp(-most, most)).collect()
}

/// The wandering in distances from the slow course, and the variance of the noise.
fn tell_apart(days: &[i32], mild: &[f64]) -> (Wander, f64) {
    let covariance = |lag: usize| {
        let pairs = (lag..mild.len()).filter(|i| days[*i] - days[*i - lag] == lag as i32);
        let (sum, count) = pairs.fold((0.0, 0.0), |(sum, count), i| (sum + mild[i] * mild[i - lag], count + 1.0));
        sum / f64::max(count, 1.0)
    };
    let all: Vec<f64> = (0..=LAGS).map(covariance).collect();
    let (near, far): (f64, f64) = (all[1..LAGS].iter().sum(), all[2..].iter().sum());
    let variance = all[0].max(f64::MIN_POSITIVE);
    if near <= 0.0 || all[1] <= 0.0 {
        return (Wander { sd: 0.0, tau_days: PASSING_DAYS }, variance);
    }
    let correlation = (far / near).clamp(CORRELATION.0, CORRELATION.1);
    let wandering = (all[1] / correlation).min(variance);
    // A filter needs some noise.
    let noise = (variance - wandering).max(1e-6 * variance);
    (Wander { sd: wandering.sqrt(), tau_days: -1.0 / correlation.ln() }, noise)
}

#[cfg(test)]
mod tests {
    use rand::{RngExt, SeedableRng};
    use rand_chacha::ChaCha8Rng;
    use rand_distr::StandardNormal;

    use super::*;

    /// Wandering of a spread and memory, and the same read by a meter with noise.
    fn wandering(wander: Wander, noise: f64, days: usize) -> (Vec<f64>, Vec<(i32, f64)>) {
        let mut rng = ChaCha8Rng::seed_from_u64(7);
        let mut normal = || -> f64 { rng.sample(StandardNormal) };
        let keep = wander.correlation(1.0);
        let mut z = wander.sd * normal();
        let truth: Vec<f64> = (0..days)
            .map(|_| {
                z = keep * z + wander.sd * (1.0 - keep * keep).sqrt() * normal();
                0.05 + z
            })
            .collect();
        let read = truth.iter().enumerate().map(|(day, value)| (day as i32, value + noise * normal())).collect();
        (truth, read)
    }

    fn rms(values: impl Iterator<Item = f64> + Clone) -> f64 {
        (values.clone().map(|v| v * v).sum::<f64>() / values.count() as f64).sqrt()
    }

    /// Spread, memory and noise against those the series was drawn with. The running median takes part of the memory
    /// away, so it comes out too short.
    #[test]
    fn wandering_is_told_from_noise() {
        let drawn = Wander { sd: 0.003, tau_days: 6.0 };
        for noise in [0.0003, 0.002] {
            let (truth, read) = wandering(drawn, noise, 1_500);
            let (days, raw): (Vec<i32>, Vec<f64>) = read.iter().copied().unzip();
            let slow = running_median(&raw);
            let away: Vec<f64> = raw.iter().zip(&slow).map(|(value, slow)| value - slow).collect();
            let (found, variance) = tell_apart(&days, &mild(&away));
            assert!((0.8..1.2).contains(&(found.sd / drawn.sd)), "{found:?}");
            assert!((3.0..8.0).contains(&found.tau_days), "{found:?}");
            assert!(variance.sqrt() < 1.4 * noise + 0.0006, "{} for {noise}", variance.sqrt());

            let covariate = Covariate::by_days(&read, 1_500).unwrap();
            let off = |day: usize| covariate.at(day as i32) + covariate.usual - truth[day];
            let cleared = rms((0..1_500).map(off));
            assert!(cleared < 1.02 * noise.min(0.6 * drawn.sd), "{cleared} with a noise of {noise}");
        }
    }

    /// Of steady water a poor meter's noise is all there is: it goes nearly all.
    #[test]
    fn noise_of_a_meter_on_steady_water_is_no_water() {
        let (truth, read) = wandering(Wander { sd: 0.0, tau_days: 5.0 }, 0.004, 600);
        let covariate = Covariate::by_days(&read, 600).unwrap();
        let off = rms((0..600).map(|day| covariate.at(day as i32) + covariate.usual - truth[day]));
        assert!(off < 0.001, "{off}");
        assert!(covariate.wander.sd < 0.002, "{:?}", covariate.wander);
    }

    /// By hand: a storm of the last two days passes, a change that has lasted for a season stays, and so does a season that
    /// a year has shown.
    #[test]
    fn what_is_expected_of_days_to_come() {
        let days = |value: &dyn Fn(i32) -> f64, count: i32| -> Vec<(i32, f64)> {
            let jitter = |day: i32| 0.0004 * (f64::from(day) * 2.4).sin();
            (0..count).map(|day| (day, value(day) + jitter(day))).collect()
        };
        let storm = Covariate::by_days(&days(&|day| if day >= 198 { 0.2 } else { 0.05 }, 200), 200).unwrap();
        assert!(storm.at(199) > 0.1 && storm.at(200) < 0.01 && storm.at(230).abs() < 0.002, "{storm:?}");
        assert!(storm.passing() > 0.1);
        let change = Covariate::by_days(&days(&|day| if day >= 100 { 0.08 } else { 0.05 }, 200), 200).unwrap();
        assert!((change.at(99) - 0.0).abs() < 0.002 && (change.at(100) - 0.03).abs() < 0.002, "{change:?}");
        assert!((change.at(230) - 0.03).abs() < 0.002);
        let yearly = |day: i32| 0.05 + 0.01 * (std::f64::consts::TAU * f64::from(day) / 365.0).sin();
        for year in [
            Covariate::by_days(&days(&yearly, 800), 800).unwrap(),
            Covariate::by_fortnights(&days(&yearly, 800), 800).unwrap(),
        ] {
            let want = yearly(860) - year.usual;
            assert!((year.at(860) - want).abs() < 0.003, "{} for {want}", year.at(860));
        }
    }

    /// Against the medians of the same neighbours, each sorted by itself.
    #[test]
    fn the_running_median_is_one() {
        let (_, read) = wandering(Wander { sd: 0.003, tau_days: 4.0 }, 0.001, 150);
        let values: Vec<f64> = read.iter().map(|(_, value)| *value).collect();
        for (place, found) in running_median(&values).into_iter().enumerate() {
            let near = &values[place.saturating_sub(SLOW_DAYS)..(place + SLOW_DAYS + 1).min(values.len())];
            assert!((found - median(&mut near.to_vec())).abs() < 1e-12, "{place}");
        }
    }

    #[test]
    fn little_is_known_of_a_few_days() {
        assert_eq!(Covariate::by_days(&[], 10), None);
        assert_eq!(Covariate::by_fortnights(&[], 10), None);
        for count in 1..20 {
            let few: Vec<(i32, f64)> = (0..count).map(|day| (2 * day, 0.05)).collect();
            let covariate = Covariate::by_days(&few, 2 * count).unwrap();
            assert!((0..400).all(|day| covariate.at(day).abs() < 1e-12), "{covariate:?}");
        }
    }
}
