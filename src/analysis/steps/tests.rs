use jiff::civil::date;
use proptest::prelude::*;
use rand::SeedableRng;
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution, Normal};

use super::*;
use crate::analysis::quarters::days_between;
use crate::domain::{LnSummary, ServiceAction, SetAside, Timestamp};

const ORIGIN: Date = date(2025, 1, 1);

fn spec() -> UnitSpec {
    UnitSpec::new("heron-bight/boathouse".parse().unwrap(), 14.0)
}

fn summary(median: f64, count: u32) -> LnSummary {
    LnSummary { median, spread: 0.005, count }
}

/// Days from [`ORIGIN`] on of a unit that reads every ten minutes: `ln` gives its course by days since then, to which
/// noise of .2 % in each quarter is added. On the days in `off` the lamp was off for half an hour.
fn course(n: usize, off: &[usize], seed: u64, ln: impl Fn(f64) -> f64) -> Vec<DaySummary> {
    let mut rng = ChaCha8Rng::seed_from_u64(seed);
    let noise = Normal::new(0.0, 0.002).unwrap();
    (0..n)
        .map(|d| {
            let quarters: Vec<f64> =
                (0..4).map(|q| ln(d as f64 + (f64::from(q) + 0.5) / 4.0) + noise.sample(&mut rng)).collect();
            let mean = quarters.iter().sum::<f64>() / 4.0;
            let lamp_off = if off.contains(&d) { 3 } else { 0 };
            DaySummary {
                intensity: Some(summary(mean, 144)),
                quarters: std::array::from_fn(|q| Some(summary(quarters[q], 36))),
                readings: 144,
                set_aside: SetAside { lamp_off, ..SetAside::default() },
                ..DaySummary::empty(day(d))
            }
        })
        .collect()
}

fn day(d: usize) -> Date {
    ORIGIN.checked_add(jiff::Span::new().days(d as i64)).unwrap()
}

/// The entry of a day, an hour after noon.
fn entry(d: usize, action: ServiceAction) -> ServiceEntry {
    ServiceEntry::new(Timestamp::day_start(day(d), &spec().zone).plus_millis(13 * 3_600_000), action)
}

fn search(days: &[DaySummary], log: &[ServiceEntry]) -> StepsFound {
    find(days, log, &spec(), &StepConstants::default())
}

/// A sleeve that fouls by .1 % a day and is cleaned at noon of day 100 and of day 190.
fn fouling(t: f64) -> f64 {
    let since = [190.5, 100.5, 0.0].into_iter().find(|cleaned| t >= *cleaned).unwrap_or(0.0);
    3.0 - 0.000_3 * t - 0.001 * (t - since)
}

#[test]
fn a_cleaning_nobody_logged() {
    let days = course(260, &[100, 190], 1, fouling);
    let found = search(&days, &[entry(100, ServiceAction::SleeveCleaned)]);
    assert_eq!(found.steps.len(), 1, "{found:?}");
    let step = found.steps[0];
    assert_eq!((step.date, step.lamp_off, step.lamp_reset, step.slow), (day(191), Some(true), false, false));
    assert!((step.ln_size - 0.090).abs() < 0.005, "{step:?}");
    assert!(step.z > 5.0);
    assert!(found.snapped.is_empty() && found.no_recovery.is_empty(), "{found:?}");
}

/// The transmittance of the days from 117 on of a storm that the unit measures.
const STORMY: [f64; 7] = [88.0, 78.0, 68.0, 70.0, 76.0, 82.0, 88.0];

/// While the measured water moves a lot its quarters are left out: the step stands on the day the lamp was off.
#[test]
fn a_cleaning_in_a_storm() {
    let transmittance = |d: i64| usize::try_from(d - 117).ok().and_then(|i| STORMY.get(i).copied()).unwrap_or(92.0);
    let absorbance = |d: i64| -(transmittance(d) / 100.0).log10();
    // From noon to noon in straight lines, over 2.5 cm (Beer-Lambert).
    let water = |t: f64| {
        let noon = (t - 0.5).floor();
        let (before, after) = (absorbance(noon as i64), absorbance(noon as i64 + 1));
        std::f64::consts::LN_10 * 2.5 * (before + (after - before) * (t - 0.5 - noon))
    };
    let fouled = |t: f64| 0.002 * if t < 119.4 { t } else { t - 119.4 };
    let mut days = course(240, &[119], 4, |t| 3.0 - fouled(t) - water(t));
    for (d, day) in days.iter_mut().enumerate() {
        day.transmittance = Some(transmittance(d as i64));
    }
    let found = search(&days, &[]);
    assert_eq!(found.steps.len(), 1, "{found:?}");
    let step = found.steps[0];
    assert_eq!((step.date, step.lamp_off), (day(120), Some(true)), "{step:?}");
    assert!((step.ln_size - 0.239).abs() < 0.02, "{step:?}");
}

#[test]
fn wrong_dates_and_cleanings_that_never_were() {
    let days = course(260, &[100, 190], 2, fouling);
    let log = [
        entry(40, ServiceAction::SleeveCleaned),
        entry(94, ServiceAction::SleeveCleaned),
        entry(191, ServiceAction::SleeveCleaned),
    ];
    let found = search(&days, &log);
    assert!(found.steps.is_empty(), "{found:?}");
    assert_eq!(found.snapped, [Snap { entry: 1, used: day(100) }, Snap { entry: 2, used: day(190) }]);
    assert_eq!(found.no_recovery, [0]);
}

#[test]
fn a_step_with_a_counter_reset_is_a_lamp() {
    let mut days = course(200, &[120], 3, |t| 3.0 - 0.000_7 * t + if t > 120.4 { 0.1 } else { 0.0 });
    for (d, day) in days.iter_mut().enumerate() {
        day.lamp_hours = Some(if d < 120 { 9_000.0 + 24.0 * d as f64 } else { 24.0 * (d as f64 - 120.0) });
    }
    let found = search(&days, &[]);
    assert_eq!(found.steps.iter().map(|s| (s.date, s.lamp_reset)).collect::<Vec<_>>(), [(day(121), true)]);
}

/// Nothing but the water is measured in the last days.
#[test]
fn water_measured_after_the_last_light() {
    let mut days = course(120, &[], 8, |t| 3.0 - 0.000_7 * t);
    for (d, day) in days.iter_mut().enumerate() {
        (day.transmittance, day.water_temperature) = (Some(90.0), Some(8.0));
        if d >= 115 {
            (day.intensity, day.quarters) = (None, [None; 4]);
        }
    }
    assert_eq!(search(&days, &[]), StepsFound::default());
}

/// A storm: down within hours, back over a week.
fn storm(t: f64, at: f64, depth: f64) -> f64 {
    if t < at { 0.0 } else { -depth * (1.0 - (-(t - at) / 0.2).exp()) * (-(t - at) / 2.5).exp() }
}

#[test]
fn storms_and_seasons_are_no_steps() {
    for seed in 0..20 {
        let days = course(400, &[], seed, |t| {
            3.0 - 0.000_6 * t
                + 0.02 * (t / 58.0).sin()
                + storm(t, 60.3, 0.12)
                + storm(t, 200.0, 0.3)
                + storm(t, 206.0, 0.1)
        });
        let found = search(&days, &[]);
        assert!(found.steps.is_empty(), "seed {seed}: {found:?}");
    }
}

#[test]
fn a_knock_is_a_step_down_once_it_has_stayed() {
    let knocked = |t: f64| 3.0 - 0.000_6 * t - if t > 150.6 { 0.06 } else { 0.0 };
    let all = course(200, &[], 5, knocked);
    let found = search(&all, &[]);
    assert_eq!(found.steps.len(), 1, "{found:?}");
    let step = found.steps[0];
    assert!(days_between(day(151), step.date).abs() <= 1 && (step.ln_size + 0.06).abs() < 0.005, "{step:?}");
    let early = search(&all[..156], &[]);
    assert!(early.steps.is_empty(), "five days on it may still be a cloud: {early:?}");
}

/// Sharp and for longer than a sharp step must stay; but a storm may be over by the time of the cleaning.
#[test]
fn a_fall_that_soon_ends_in_a_rise_is_no_step_down() {
    let course_of = |rise: f64| move |t: f64| 3.0 - 0.000_6 * t - if (150.6..rise).contains(&t) { 0.06 } else { 0.0 };
    let downs = |rise: f64, off: usize| {
        let found = search(&course(260, &[off], 5, course_of(rise)), &[]);
        found.steps.iter().filter(|step| step.ln_size < 0.0).count()
    };
    assert_eq!((downs(170.5, 170), downs(215.5, 215)), (0, 1));
}

#[test]
fn water_that_changes_over_days_and_stays() {
    let days = course(200, &[], 6, |t| 3.0 - 0.000_6 * t - 0.08 * ((t - 100.0) / 3.0).clamp(0.0, 1.0));
    let found = search(&days, &[]);
    assert_eq!(found.steps.len(), 1, "{found:?}");
    let step = found.steps[0];
    assert!(days_between(day(101), step.date).abs() <= 3 && (step.ln_size + 0.08).abs() < 0.015, "{step:?}");
}

#[test]
fn little_or_no_data_is_no_finding() {
    assert_eq!(search(&[], &[]), StepsFound::default());
    let log = [entry(0, ServiceAction::SleeveCleaned), entry(900, ServiceAction::LampReplaced)];
    for n in 0..12 {
        assert!(search(&course(n, &[], 7, |_| 3.0), &log).steps.is_empty());
    }
}

/// Flow of the Nile at Aswan 1871 to 1970 (Cobb, "The problem of the Nile", Biometrika 1978; the `Nile` data of R): one
/// step down, first year after it 1899; 95 % interval of the last year before it the 25th to the 32nd (R package
/// strucchange, documentation of `confint.breakpointsfull`). The years stand for days here.
#[test]
fn the_nile_has_one_step_and_no_other() {
    let text = include_str!("../../../fixtures/nile/nile.csv");
    let flows: Vec<f64> = text.lines().skip(1).map(|l| l.split(',').nth(1).unwrap().trim().parse().unwrap()).collect();
    assert_eq!((flows.len(), flows.iter().sum::<f64>()), (100, 91_935.0), "the published data");
    let days: Vec<DaySummary> = flows
        .iter()
        .zip(course(100, &[], 0, |_| 0.0))
        .map(|(flow, day)| DaySummary {
            intensity: Some(summary(flow.ln(), 1)),
            quarters: [None; 4],
            readings: 1,
            ..day
        })
        .collect();
    let found = search(&days, &[]);
    assert_eq!(found.steps.len(), 1, "{found:?}");
    let step = found.steps[0];
    let last_before = days_between(ORIGIN, step.date);
    assert!((25..=32).contains(&last_before), "{last_before}");
    assert_eq!(last_before, 28, "1898");
    // Means 1097.75 and 849.972 on the two sides.
    assert!((step.ln_size - (849.972_f64 / 1_097.75).ln()).abs() < 0.06, "{step:?}");
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(24))]

    /// Another measure of intensity, another level: the same steps.
    #[test]
    fn the_level_does_not_matter(seed in any::<u64>(), up in -5.0..5.0_f64) {
        let a = search(&course(220, &[100, 190], seed, fouling), &[]);
        let b = search(&course(220, &[100, 190], seed, |t| fouling(t) + up), &[]);
        prop_assert_eq!(a.steps.len(), b.steps.len());
        for (a, b) in a.steps.iter().zip(&b.steps) {
            prop_assert_eq!(a.date, b.date);
            prop_assert!((a.ln_size - b.ln_size).abs() < 1e-9);
        }
    }

    /// Whatever the course, numbers stay numbers and steps stand in order at days within it.
    #[test]
    fn any_course_is_survived(courses in prop::collection::vec(prop::option::of(-3.0..12.0_f64), 1..120)) {
        let mut days = course(courses.len(), &[], 0, |_| 0.0);
        for (day, course) in days.iter_mut().zip(&courses) {
            day.intensity = course.map(|v| summary(v, 3));
            day.quarters = [course.map(|v| summary(v, 3)), None, None, None];
        }
        let log = [entry(3, ServiceAction::SleeveCleaned), entry(50, ServiceAction::SensorReplaced)];
        let found = search(&days, &log);
        prop_assert!(found.steps.iter().all(|s| s.ln_size.is_finite() && s.z.is_finite()));
        prop_assert!(found.steps.is_sorted_by_key(|s| s.date));
    }
}
