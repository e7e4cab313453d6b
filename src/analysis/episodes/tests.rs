use jiff::civil::date;
use jiff::tz::TimeZone;
use rand::SeedableRng;
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution, Normal};

use super::*;
use crate::analysis::rollup;
use crate::domain::{Channel, LnSummary, Reading, Timestamp};

const ORIGIN: Date = date(2025, 1, 1);

fn spec() -> UnitSpec {
    UnitSpec::new("heron-bight/boathouse".parse().unwrap(), 14.0)
}

fn day(d: usize) -> Date {
    ORIGIN.checked_add(jiff::Span::new().days(d as i64)).unwrap()
}

/// Days from [`ORIGIN`] on: `ln` by days since then, with noise of .2 % in each quarter.
fn course(n: usize, seed: u64, ln: impl Fn(f64) -> f64) -> Vec<DaySummary> {
    let mut rng = ChaCha8Rng::seed_from_u64(seed);
    let noise = Normal::new(0.0, 0.002).unwrap();
    (0..n)
        .map(|d| {
            let quarters: Vec<f64> =
                (0..4).map(|q| ln(d as f64 + (f64::from(q) + 0.5) / 4.0) + noise.sample(&mut rng)).collect();
            let of = |median: f64, count: u32| LnSummary { median, spread: 0.005, count };
            DaySummary {
                intensity: Some(of(quarters.iter().sum::<f64>() / 4.0, 144)),
                quarters: std::array::from_fn(|q| Some(of(quarters[q], 36))),
                readings: 144,
                ..DaySummary::empty(day(d))
            }
        })
        .collect()
}

fn search(days: &[DaySummary], resets: &[Date]) -> Vec<Episode> {
    find(days, resets, &spec(), &EpisodeConstants::default())
}

/// Down over half a day, back within days.
fn storm(t: f64, at: f64, depth: f64) -> f64 {
    if t < at { 0.0 } else { -depth * ((t - at) / 0.5).min(1.0) * (-(t - at - 0.5).max(0.0) / 1.5).exp() }
}

fn at(d: f64) -> Timestamp {
    Timestamp::day_start(ORIGIN, &spec().zone).plus_millis((d * 86_400_000.0) as i64)
}

#[test]
fn storms_are_dated_and_sized() {
    let days = course(300, 1, |t| 3.0 - 0.000_7 * t + storm(t, 60.25, 0.08) + storm(t, 180.0, 0.3));
    let found = search(&days, &[]);
    assert_eq!(found.len(), 2, "{found:?}");
    // The deepest quarter begins when the storm has reached its depth: exp(-1/12) of it is left in its middle.
    for (episode, (begins, depth)) in found.iter().zip([(60.25, 7.1), (180.0, 24.1)]) {
        assert!(episode.recovered && episode.kind == Cause::WaterQuality);
        assert!(episode.from.days_since(at(begins)).abs() <= 0.5, "{episode:?}");
        // Back within 15 % of the depth after .5 + 1.5 ln(1/.15) = 3.3 days.
        assert!((episode.to.days_since(at(begins)) - 3.3).abs() < 1.0, "{episode:?}");
        // Noise of a quarter .2 %, of the closing about it another .2.
        assert!((episode.depth_percent - depth).abs() < 1.0, "{episode:?}");
    }
}

#[test]
fn what_is_shallow_or_slow_or_served_is_none() {
    let none = |ln: &dyn Fn(f64) -> f64, resets: &[Date]| {
        for seed in 0..10 {
            let found = search(&course(300, seed, ln), resets);
            assert!(found.is_empty(), "seed {seed}: {found:?}");
        }
    };
    none(&|t| 3.0 - 0.000_7 * t, &[]);
    none(&|t| 3.0 - 0.000_7 * t + storm(t, 100.0, 0.02), &[]);
    none(&|t| 3.0 + 0.03 * (t / 58.0).sin(), &[]);
    // Fouled within six days and cleaned on the seventh: it did not come back by itself.
    let served = |t: f64| 3.0 - 0.000_7 * t - if (150.0..157.5).contains(&t) { 0.02 * (t - 150.0) } else { 0.0 };
    none(&served, &[day(157)]);
}

#[test]
fn a_cleaning_beside_a_storm_hides_nothing() {
    let days = course(300, 3, |t| {
        let since = if t >= 150.5 { t - 150.5 } else { t };
        3.0 - 0.001 * since + storm(t, 120.0, 0.1) + storm(t, 170.0, 0.1)
    });
    let found = search(&days, &[day(150)]);
    assert_eq!(found.len(), 2, "{found:?}");
    assert!(found.iter().all(|e| (e.depth_percent - 8.8).abs() < 1.0), "{found:?}");
}

#[test]
fn an_episode_under_way_is_unfinished() {
    let days = course(203, 4, |t| 3.0 - 0.000_7 * t + storm(t, 201.0, 0.1));
    let found = search(&days, &[]);
    assert_eq!(found.len(), 1, "{found:?}");
    assert!(!found[0].recovered && found[0].to.days_since(at(203.0)).abs() < 0.01, "{found:?}");
}

/// Patches that let no light through take the same amount of it each day: by the end half of what is left within a few
/// days. That is no clouding, whatever day one looks; a storm on top of it is.
#[test]
fn a_coat_that_closes_is_no_storm() {
    let coat = |t: f64| 3.0 + (1.0 - t / 110.0).ln();
    for n in 40..104 {
        let found = search(&course(n, 8, coat), &[]);
        assert!(found.is_empty(), "{n} days: {found:?}");
    }
    let found = search(&course(72, 8, |t| coat(t) + storm(t, 70.0, 0.2)), &[]);
    assert!(found.len() == 1 && !found[0].recovered, "{found:?}");
}

/// A sleeve that loses .6 to 1.4 % a day from the third day on, cleaned every twenty days, and two storms of 8 %.
#[test]
fn storms_between_cleanings_every_few_weeks() {
    let fouling = |t: f64| {
        let (interval, since) = ((t / 20.0).floor(), t % 20.0);
        let pace = 0.006 + 0.008 * (interval * 0.618).fract();
        -pace * (since - 3.0).max(0.0)
    };
    let cleanings: Vec<Date> = (1..20).map(|k| day(20 * k)).collect();
    let days = course(400, 7, |t| 3.0 + fouling(t) + storm(t, 86.0, 0.08) + storm(t, 247.0, 0.08));
    let found = search(&days, &cleanings);
    let begin: Vec<f64> = found.iter().map(|episode| episode.from.days_since(at(0.0))).collect();
    assert_eq!(found.len(), 2, "{begin:?}");
    assert!((begin[0] - 86.0).abs() <= 1.0 && (begin[1] - 247.0).abs() <= 1.0, "{begin:?}");
}

/// Nothing after the last reading changes what was said of episodes that were over by then.
#[test]
fn the_past_stays() {
    let ln = |t: f64| 3.0 - 0.000_7 * t + storm(t, 60.0, 0.1) + storm(t, 120.0, 0.2) + storm(t, 200.0, 0.15);
    let all = course(300, 5, ln);
    let whole = search(&all, &[]);
    let early = search(&all[..160], &[]);
    assert_eq!((whole.len(), early.len()), (3, 2));
    for (a, b) in whole.iter().zip(&early) {
        assert!((a.depth_percent - b.depth_percent).abs() < 0.5 && a.from.days_since(b.from).abs() <= 0.5);
    }
}

#[test]
fn little_or_no_data_is_no_finding() {
    assert!(search(&[], &[ORIGIN]).is_empty());
    for n in 1..6 {
        assert!(search(&course(n, 6, |_| 3.0), &[ORIGIN]).is_empty());
    }
}

/// Hourly flow through a pipeline branch, with three runs of low values (the `WaterFlow` data of the package river,
/// documentation of `river.datasets.WaterFlow`): read as if it were light, they are the three episodes, and nothing
/// else is one. The clocks change within the second week.
#[test]
fn the_low_runs_of_a_water_main() {
    let text = include_str!("../../../fixtures/water-flow/water-flow.csv");
    let readings: Vec<Reading> = text
        .lines()
        .skip(1)
        .map(|line| {
            let (time, flow) = line.split_once(',').unwrap();
            Reading::new(time.parse().unwrap()).with(Channel::Intensity, flow.parse().unwrap())
        })
        .collect();
    let spec = UnitSpec { zone: TimeZone::get("Europe/Rome").unwrap(), ..spec() };
    let days = rollup::summarise(&readings, &spec, &[], &rollup::RollupConstants::default());
    let found = find(&days, &[], &spec, &EpisodeConstants::default());
    let dates: Vec<(Date, Date)> =
        found.iter().map(|e| (e.from.date_in(&spec.zone), e.to.date_in(&spec.zone))).collect();
    assert_eq!(
        dates,
        [
            (date(2022, 3, 24), date(2022, 3, 24)),
            (date(2022, 3, 29), date(2022, 3, 29)),
            (date(2022, 4, 27), date(2022, 4, 28)),
        ],
        "{found:?}"
    );
    assert!(found.iter().all(|e| e.recovered && e.depth_percent > 50.0), "{found:?}");
}
