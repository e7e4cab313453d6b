use jiff::civil::date;
use proptest::prelude::*;
use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution, Normal};

use super::*;
use crate::domain::time::DAY;

fn spec(zone: &str) -> UnitSpec {
    UnitSpec { zone: TimeZone::get(zone).unwrap(), ..UnitSpec::new("heron-bight/boathouse".parse().unwrap(), 14.0) }
}

fn at(text: &str) -> Timestamp {
    text.parse().unwrap()
}

/// Readings every ten minutes from midnight UTC of 2026-06-01, one for each intensity.
fn every_ten_minutes(intensities: impl IntoIterator<Item = f64>) -> Vec<Reading> {
    let start = at("2026-06-01T00:00:00Z");
    intensities
        .into_iter()
        .enumerate()
        .map(|(i, v)| Reading::new(start.plus_millis(i as i64 * 10 * MINUTE)).with(Channel::Intensity, v))
        .collect()
}

/// A quiet unit: 21 mW/cm2 with half a per cent of noise, to a hundredth.
fn quiet(n: usize, seed: u64) -> Vec<f64> {
    let mut rng = ChaCha8Rng::seed_from_u64(seed);
    let noise = Normal::new(21.0, 0.1).unwrap();
    (0..n).map(|_| (noise.sample(&mut rng) * 100.0_f64).round() / 100.0).collect()
}

fn days(readings: &[Reading], log: &[ServiceEntry]) -> Vec<DaySummary> {
    summarise(readings, &spec("UTC"), log, &RollupConstants::default())
}

fn only_day(readings: &[Reading], log: &[ServiceEntry]) -> DaySummary {
    let days = days(readings, log);
    assert_eq!(days.len(), 1);
    days[0].clone()
}

#[test]
fn an_ordinary_day() {
    let readings = every_ten_minutes((0..144).map(|i| 20.0 + f64::from(i) / 100.0));
    let day = only_day(&readings, &[]);
    let intensity = day.intensity.unwrap();
    assert_eq!((day.date, intensity.count, day.readings, day.set_aside.total()), (date(2026, 6, 1), 144, 144, 0));
    assert!((intensity.median - 20.715_f64.ln()).abs() < 1e-12);
    assert!((day.quarters[3].unwrap().median - 21.255_f64.ln()).abs() < 1e-12);
    assert_eq!(day.quarters.map(|q| q.unwrap().count), [36; 4]);
    assert_eq!(day.lowest, Some(20.0));
}

/// Rule of the European Union: 2026-03-29 has 23 hours and its first quarter 5; 2026-10-25 has 25 and its first 7.
#[test]
fn both_clock_changes() {
    for (day, first_quarter, hours) in [(date(2026, 3, 29), 5, 23), (date(2026, 10, 25), 7, 25)] {
        let spec = spec("Europe/Vienna");
        let start = Timestamp::day_start(day.yesterday().unwrap(), &spec.zone);
        let readings: Vec<Reading> = (0..72)
            .map(|h| Reading::new(start.plus_millis(h * HOUR)).with(Channel::Intensity, 20.0 + h as f64 / 100.0))
            .collect();
        let days = summarise(&readings, &spec, &[], &RollupConstants::default());
        assert_eq!((days[1].date, days[1].readings), (day, hours));
        assert_eq!((days[0].readings, days[2].readings), (24, 24 - hours.saturating_sub(24)));
        assert_eq!(days[1].quarters.map(|q| q.unwrap().count), [first_quarter, 6, 6, 6]);
    }
}

#[test]
fn a_whole_number_sensor_is_read_finer_than_its_step() {
    let mut rng = ChaCha8Rng::seed_from_u64(1);
    let noise = Normal::new(0.0, 0.5).unwrap();
    let mut errors = Vec::new();
    for step in 0..40 {
        let truth = 77.0 + f64::from(step) / 20.0;
        let day = only_day(&every_ten_minutes((0..144).map(|_| (truth + noise.sample(&mut rng)).round())), &[]);
        assert_eq!(day.set_aside.total(), 0);
        errors.push((day.intensity.unwrap().median.exp() - truth).abs());
    }
    // The standard error of a mean of 144 values with noise sqrt(.5^2 + 1/12) is .048; a plain median errs by .25.
    let mean = errors.iter().sum::<f64>() / errors.len() as f64;
    assert!(mean < 0.07, "mean error {mean} of a step");
    assert!(errors.iter().all(|e| *e < 0.25), "{errors:?}");
}

#[test]
fn mid_median_by_hand() {
    let median = |values: &[f64]| mid_median(values).unwrap();
    assert_eq!(mid_median(&[]), None);
    assert_eq!(median(&[3.0]), 3.0);
    assert_eq!(median(&[1.0, 2.0]), 1.5);
    assert_eq!(median(&[1.0, 2.0, 9.0]), 2.0);
    assert_eq!(median(&[1.0, 2.0, 4.0, 9.0]), 3.0);
    assert_eq!(median(&[5.0; 7]), 5.0);
    // Three quarters at 78, one at 79: halfway between the mid-ranks 3/8 and 7/8 lies a quarter above 78.
    assert_eq!(median(&[78.0, 78.0, 78.0, 79.0]), 78.25);
    assert_eq!(median(&[78.0, 79.0, 79.0, 79.0, 80.0]), 79.0);
}

#[test]
fn lamp_starts_of_every_kind_are_warm_up() {
    let c = RollupConstants::default();
    let base = every_ten_minutes(quiet(144, 2));
    let with = |channel: Channel, value: fn(usize) -> f64| {
        let readings: Vec<Reading> = base.iter().enumerate().map(|(i, r)| r.with(channel, value(i))).collect();
        only_day(&readings, &[]).set_aside
    };
    let off = with(Channel::LampOn, |i| if (60..63).contains(&i) { 0.0 } else { 1.0 });
    assert_eq!((off.lamp_off, off.warm_up), (3, 2), "{:?}", c.warm_up_minutes);
    assert_eq!(with(Channel::LampStarts, |i| if i < 60 { 7.0 } else { 8.0 }).warm_up, 2);
    let mut dark = base.clone();
    dark[60..63].iter_mut().for_each(|r| r.set(Channel::Intensity, 0.05));
    let dark = only_day(&dark, &[]).set_aside;
    assert_eq!((dark.dark, dark.warm_up), (3, 2));
    let gap: Vec<Reading> = base[..60].iter().chain(&base[70..]).copied().collect();
    assert_eq!(only_day(&gap, &[]).set_aside.warm_up, 2);
    let lost: Vec<Reading> = base[..60].iter().chain(&base[62..]).copied().collect();
    assert_eq!(only_day(&lost, &[]).set_aside.warm_up, 0, "two lost messages are no restart");
}

#[test]
fn visits_and_closed_seasons() {
    let entry = |time, action| ServiceEntry::new(at(time), action);
    let readings = every_ten_minutes(quiet(2 * 144, 3));
    let visit = [
        entry("2026-06-01T09:00:00Z", ServiceAction::VisitStarted),
        entry("2026-06-01T10:00:00Z", ServiceAction::SleeveCleaned),
        entry("2026-06-01T11:00:00Z", ServiceAction::VisitEnded),
    ];
    assert_eq!(days(&readings, &visit)[0].set_aside.visit, 12);
    let found = days(&readings, &visit[..1]);
    assert_eq!(found[0].set_aside.visit + found[1].set_aside.visit, 73, "a visit nobody ended lasts twelve hours");
    let closed = [
        entry("2026-06-01T12:00:00Z", ServiceAction::Closed),
        entry("2026-06-02T18:00:00Z", ServiceAction::Opened),
        entry("2026-06-02T23:00:00Z", ServiceAction::Closed),
    ];
    let found = days(&readings, &closed);
    assert_eq!((found[0].set_aside.closed, found[1].set_aside.closed), (72, 108 + 6));
    // The rule and the condition must say the same at every reading.
    for log in [&visit[..], &visit[..1], &closed[..]] {
        let away = Away::from_log(log);
        for reading in &readings {
            let state = super::super::condition::log_state(log, reading.at);
            assert_eq!(inside(&away.visits, reading.at), state.visit_since.is_some(), "{}", reading.at);
            assert_eq!(inside(&away.closed, reading.at), state.closed_since.is_some(), "{}", reading.at);
        }
    }
}

#[test]
fn electrically_out_of_range_and_dark() {
    let mut readings = every_ten_minutes(quiet(144, 4));
    readings[10].set(Channel::Intensity, -5.0);
    readings[20] = Reading::new(readings[20].at).with(Channel::LoopCurrent, 3.5);
    readings[30].set(Channel::LoopCurrent, 21.5);
    readings[31].set(Channel::LoopCurrent, 12.0);
    readings[40].set(Channel::Intensity, -0.01);
    readings[41].set(Channel::LampOn, 0.0);
    let day = only_day(&readings, &[]);
    assert_eq!((day.set_aside.out_of_range, day.set_aside.dark, day.set_aside.lamp_off), (3, 1, 1));
    assert_eq!(day.lamp_on_share, Some(0.0));
}

#[test]
fn dry_only_where_two_things_say_so() {
    let base = every_ten_minutes(quiet(144, 5));
    let dry = |change: &dyn Fn(usize, &mut Reading)| {
        let mut readings = base.clone();
        readings.iter_mut().enumerate().for_each(|(i, r)| change(i, r));
        only_day(&readings, &[]).set_aside.dry
    };
    let drained = |i: usize, r: &mut Reading| {
        r.set(Channel::Flow, if i < 100 { 6.0 } else { 0.0 });
        r.set(Channel::PressureOut, if i < 100 { 210.0 } else { 1.0 });
    };
    assert_eq!(dry(&drained), 44);
    assert_eq!(dry(&|_, r| r.set(Channel::PressureOut, 0.0)), 0, "a dead gauge alone proves nothing");
    let dead_gauge = |i: usize, r: &mut Reading| {
        r.set(Channel::Flow, if i.is_multiple_of(2) { 6.0 } else { 0.0 });
        r.set(Channel::PressureOut, 0.0);
    };
    assert_eq!(dry(&dead_gauge), 0, "water flowed at no pressure: the gauge lies");
    assert_eq!(dry(&|i, r| r.set(Channel::WaterTemperature, if i < 5 { 66.0 } else { 12.0 })), 5);
    assert_eq!(dry(&|i, r| r.set(Channel::WaterTemperature, if i < 5 { 85.0 } else { 12.0 })), 0, "a failed probe");
}

#[test]
fn stuck_by_what_the_other_values_show() {
    let mut values = quiet(2 * 144, 6);
    values[200..].fill(21.04);
    let found = days(&every_ten_minutes(values), &[]);
    assert_eq!((found[0].set_aside.stuck, found[1].set_aside.stuck), (0, 88));
    // Nothing but one value: convicted by its digits alone, or not at all.
    assert_eq!(days(&every_ten_minutes([21.04; 500]), &[])[2].set_aside.stuck, 144);
    assert_eq!(days(&every_ten_minutes([78.0; 500]), &[])[2].set_aside.stuck, 0);
}

/// A percent sensor that dithers at the edge of a step and then rests in its middle for ten days is not stuck.
#[test]
fn a_coarse_sensor_may_rest() {
    let mut rng = ChaCha8Rng::seed_from_u64(7);
    let noise = Normal::new(0.0, 0.05).unwrap();
    let fall_per_reading = 1.0 / (10.0 * 144.0);
    let values = (0..30 * 144).map(|i| (80.5 - f64::from(i) * fall_per_reading + noise.sample(&mut rng)).round());
    let found = days(&every_ten_minutes(values), &[]);
    assert!(found.iter().all(|d| d.set_aside.total() == 0 && d.intensity.is_some()));
    assert!(found.windows(2).filter(|w| w[0].intensity.unwrap().median == w[1].intensity.unwrap().median).count() > 5);
}

#[test]
fn outliers_go_and_an_episode_stays() {
    let mut values = quiet(144, 8);
    values[30] = 12.0;
    values[31] = 35.0;
    values[70] = 19.0;
    // A dip of five hours and a step at the end of the day.
    values[80..110].iter_mut().enumerate().for_each(|(i, v)| *v *= 1.0 - 0.01 * (15.0 - (i as f64 - 15.0).abs()));
    values[130..].iter_mut().for_each(|v| *v *= 1.2);
    let day = only_day(&every_ten_minutes(values), &[]);
    assert_eq!(day.set_aside.outlier, 3);
    assert!(day.lowest.unwrap() < 18.5, "the bottom of the dip is kept: {:?}", day.lowest);
}

#[test]
fn the_hour_counter_falls_once_and_a_glitch_is_none() {
    let base = every_ten_minutes(quiet(2 * 144, 9));
    let fell = |hours: &dyn Fn(usize) -> f64| {
        let readings: Vec<Reading> =
            base.iter().enumerate().map(|(i, r)| r.with(Channel::LampHours, hours(i))).collect();
        days(&readings, &[]).iter().map(|d| d.lamp_hours_fell).collect::<Vec<_>>()
    };
    assert_eq!(fell(&|i| 9_000.0 + i as f64 / 6.0), [None, None]);
    let reset = fell(&|i| if i < 144 { 9_000.0 } else { i as f64 - 144.0 });
    assert_eq!(reset, [None, Some(9_000.0)], "also between the days");
    assert_eq!(fell(&|i| if i == 50 { 0.0 } else { 9_000.0 + i as f64 }), [None, None]);
}

#[test]
fn a_day_without_readings_says_so() {
    let spec = spec("UTC");
    let day = summarise_day(date(2026, 6, 1), &[], &spec, &[], &RollupConstants::default());
    assert_eq!((day.readings, day.intensity, day.lowest), (0, None, None));
}

/// A history with everything in it, at an uneven cadence.
fn messy(seed: u64, zone: &str, minutes: i64, n: usize) -> (UnitSpec, Vec<Reading>, Vec<ServiceEntry>) {
    let mut rng = ChaCha8Rng::seed_from_u64(seed);
    let mut now = at("2026-03-27T03:00:00Z");
    let (mut held, mut hours, mut log) = (0, 8_000.0, Vec::new());
    let mut value = 21.0_f64;
    let mut readings = Vec::new();
    for _ in 0..n {
        let jump = rng.random_range(0..200);
        now = now.plus_millis(rng.random_range(1..=2 * minutes * MINUTE) + if jump == 0 { 7 * HOUR } else { 0 });
        match jump {
            1 => log.push(ServiceEntry::new(now, ServiceAction::VisitStarted)),
            2 => log.push(ServiceEntry::new(now, ServiceAction::VisitEnded)),
            3 => held = 40,
            4 => hours = 0.0,
            _ => {}
        }
        held -= 1;
        if held <= 0 {
            value = (2_100.0 + rng.random_range(-15.0..15.0_f64)).round() / 100.0;
        }
        let intensity = match jump {
            5 => 0.0,
            6 => -3.0,
            7 => 11.0,
            _ => value,
        };
        hours += 0.2;
        let mut reading = Reading::new(now).with(Channel::Intensity, intensity).with(Channel::LampHours, hours);
        if rng.random_range(0..3) == 0 {
            reading.set(Channel::LampOn, f64::from(u8::from(jump != 8)));
            reading.set(Channel::Flow, rng.random_range(0.0..9.0));
        }
        readings.push(reading);
    }
    (UnitSpec { zone: TimeZone::get(zone).unwrap(), ..spec("UTC") }, readings, log)
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(48))]

    /// The daemon, which sees a day and its margin, and the study, which sees the history, must say the same.
    #[test]
    fn a_day_is_the_same_alone_and_in_its_history(
        seed in any::<u64>(),
        zone in prop::sample::select(vec!["UTC", "Europe/Vienna", "America/St_Johns", "Australia/Lord_Howe"]),
        minutes in 2_i64..40,
    ) {
        let (spec, readings, log) = messy(seed, zone, minutes, 700);
        let c = RollupConstants::default();
        let whole = summarise(&readings, &spec, &log, &c);
        prop_assert_eq!(whole.iter().map(|d| d.readings as usize).sum::<usize>(), readings.len());
        for day in &whole {
            let (start, end) = Timestamp::day_bounds(day.date, &spec.zone);
            let covered: Vec<Reading> = readings
                .iter()
                .filter(|r| r.at >= start.plus_millis(-MARGIN_BEFORE) && r.at < end.plus_millis(MARGIN_AFTER))
                .copied()
                .collect();
            prop_assert_eq!(&summarise_day(day.date, &covered, &spec, &log, &c), day);
            prop_assert_eq!(&summarise_day(day.date, &readings, &spec, &log, &c), day, "more does no harm");
        }
    }

    /// Ten times the light is ten times the light: everything set aside stays, the median moves by ln 10. Ten and not
    /// two: how finely a sensor resolves is read from the decimals of a value where it shows no other, and twice
    /// 21.05 has one decimal less.
    #[test]
    fn scale_does_not_matter(seed in any::<u64>()) {
        let (spec, readings, log) = messy(seed, "UTC", 10, 400);
        let tenfold: Vec<Reading> = readings
            .iter()
            .map(|r| r.with(Channel::Intensity, (1_000.0 * r.get(Channel::Intensity).unwrap()).round() / 100.0))
            .collect();
        let c = RollupConstants::default();
        let spec_tenfold = UnitSpec { set_point: 10.0 * spec.set_point, ..spec.clone() };
        for (a, b) in summarise(&readings, &spec, &log, &c).iter().zip(summarise(&tenfold, &spec_tenfold, &log, &c)) {
            prop_assert_eq!(a.set_aside, b.set_aside);
            let gain = b.intensity.map(|i| i.median).zip(a.intensity.map(|i| i.median)).map(|(b, a)| b - a);
            prop_assert!(gain.is_none_or(|g| (g - std::f64::consts::LN_10).abs() < 1e-12));
        }
    }

    /// No reading sequence makes a number that is none.
    #[test]
    fn numbers_stay_numbers(values in prop::collection::vec(-1_000.0..100_000.0_f64, 0..400)) {
        for day in days(&every_ten_minutes(values), &[]) {
            let summaries = day.quarters.iter().flatten().chain(day.intensity.as_ref());
            prop_assert!(summaries.into_iter().all(|s| s.median.is_finite() && s.spread >= 0.0 && s.count > 0));
        }
    }
}

/// A day is a day in every zone: `DAY` apart where no clock changes.
#[test]
fn quarters_are_six_hours() {
    let bounds = DayBounds::of(date(2026, 6, 1), &TimeZone::UTC);
    assert_eq!(bounds.end().millis_since(bounds.start()), DAY);
    assert!(bounds.at.windows(2).all(|w| w[1].millis_since(w[0]) == 6 * HOUR));
}
