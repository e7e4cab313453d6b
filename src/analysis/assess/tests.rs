//! Assessments of courses made by hand: a generator of its own, no simulator.

use super::*;
use crate::analysis::tuning;
use crate::domain::{LnSummary, Reading};
use jiff::civil::date;

fn spec() -> UnitSpec {
    let mut spec = UnitSpec::new("heron-bight/boathouse".parse().unwrap(), 14.0);
    spec.reference = Some(24.0);
    spec.lamp.installed = Some("2025-05-01T00:00:00Z".parse().unwrap());
    spec.lamp.hours_at_start = Some(200.0);
    spec.sleeve.cleaned = Some("2025-05-08T00:00:00Z".parse().unwrap());
    spec.sensor.installed = spec.lamp.installed;
    spec
}

const START: Date = date(2025, 5, 9);

/// Days with ln(intensity) = ln 24 - loss(day), and a little noise that repeats itself.
fn days(count: i32, loss: impl Fn(i32) -> f64) -> Vec<DaySummary> {
    let noise = |day: i32| 0.002 * (f64::from(day) * 12.9898).sin();
    (0..count)
        .map(|day| {
            let median = 24f64.ln() - loss(day) + noise(day);
            let light = LnSummary { median, spread: 0.004, count: 144 };
            let quarter = LnSummary { count: 36, ..light };
            DaySummary {
                intensity: Some(light),
                quarters: [Some(quarter); 4],
                lowest: Some(median.exp() * 0.99),
                lamp_hours: Some(200.0 + 24.0 * f64::from(day)),
                lamp_on_share: Some(1.0),
                readings: 144,
                ..DaySummary::empty(START.saturating_add(jiff::Span::new().days(day)))
            }
        })
        .collect()
}

fn lamp(day: i32) -> f64 {
    0.223 * (f64::from(day) * 24.0 + 100.0) / 18_000.0
}

/// A sleeve that loses `rate` a day and is cleaned every 60 days.
fn sleeve(day: i32, rate: f64) -> f64 {
    rate * f64::from(day % 60) + 0.05 * 60.0 * rate * f64::from(day / 60)
}

/// Work at the end of the day before `day`.
fn done_before(day: i32, action: ServiceAction) -> ServiceEntry {
    let date = START.saturating_add(jiff::Span::new().days(day));
    ServiceEntry::new(Timestamp::day_start(date, &jiff::tz::TimeZone::UTC).plus_millis(-1), action)
}

fn cleanings(days: i32) -> Vec<ServiceEntry> {
    let cleaned = |k: i32| done_before(60 * k, ServiceAction::SleeveCleaned);
    (1..=days / 60).filter(|k| k * 60 < days).map(cleaned).collect()
}

fn ask(spec: &UnitSpec, days: &[DaySummary], log: &[ServiceEntry], as_of: Timestamp) -> Assessment {
    let intensity = days.last().and_then(|d| d.intensity).map_or(20.0, |light| light.median.exp());
    let latest = Some(Reading::new(as_of.plus_millis(-60_000)).with(Channel::Intensity, intensity));
    let history = History { spec, days, log, latest, cadence_millis: Some(600_000), neighbours: None };
    assess(&history, as_of, &Constants::default())
}

fn at_end(days: &[DaySummary]) -> Timestamp {
    days.last()
        .map_or_else(
            || Timestamp::from_secs(1_750_000_000),
            |day| Timestamp::day_bounds(day.date, &jiff::tz::TimeZone::UTC).1,
        )
        .plus_millis(6 * crate::domain::time::HOUR)
}

/// Every number is finite: JSON has no NaN, serde_json writes it as null, so the round trip would differ.
fn sound(found: &Assessment) {
    let text = serde_json::to_string(found).unwrap();
    let back: Assessment = serde_json::from_str(&text).unwrap_or_else(|e| panic!("{e}: {text}"));
    assert_eq!(&back, found);
}

fn share(found: &Assessment, cause: crate::domain::Cause) -> &crate::domain::assessment::CauseLoss {
    found.loss.as_ref().unwrap().causes.iter().find(|c| c.cause == cause).unwrap()
}

#[test]
fn a_fouling_sleeve_is_named_dated_and_undone_by_cleaning() {
    let days = days(350, |day| lamp(day) + sleeve(day, 0.004));
    let found = ask(&spec(), &days, &cleanings(350), at_end(&days));
    sound(&found);
    assert_eq!(found.verdict.cause, VerdictCause::SleeveFouling, "{}", found.verdict.says);
    let sleeve_loss = causes::percent(sleeve(349, 0.004));
    let said = share(&found, crate::domain::Cause::SleeveFouling);
    assert!((said.percent - sleeve_loss).abs() < 3.0, "{said:?} for {sleeve_loss}");
    let rate = said.rate_percent_per_day.unwrap();
    assert!((0.2..0.5).contains(&rate), "{rate} % a day for 0.4 % of what is left");
    // ln(24 / 14) = 0.539; on the last day lamp and sleeve have taken 0.105 + 0.256, and take 0.0043 a day.
    let left = (found.forecast.crossing.p50.unwrap() - days[349].date).get_days();
    assert!((30..55).contains(&left), "{left} days, want about 42");
    assert!(found.forecast.clean_by.unwrap() <= found.forecast.crossing.p50.unwrap());
    let after = found.forecast.after_cleaning.unwrap();
    assert!(after.enough && after.intensity > days[349].intensity.unwrap().median.exp() * 1.1);
}

#[test]
fn nothing_wrong_is_none() {
    let days = days(300, |_| 0.002);
    let found = ask(&spec(), &days, &[], at_end(&days));
    sound(&found);
    assert_eq!(found.verdict.cause, VerdictCause::None, "{}", found.verdict.says);
    assert_eq!(found.forecast.crossing, Default::default());
    assert_eq!(found.condition, Condition::Steady);
}

/// Sixty flat days a quarter below the reference: no reading shows a fall, so nothing is known of what came before them.
#[test]
fn a_deficit_from_before_the_first_reading_is_nobodys() {
    let flat = days(60, |_| 0.29);
    let mut bare = UnitSpec::new("heron-bight/boathouse".parse().unwrap(), 16.0);
    bare.reference = Some(24.0);
    let no_hours: Vec<DaySummary> = flat.iter().map(|day| DaySummary { lamp_hours: None, ..day.clone() }).collect();
    let found = ask(&bare, &no_hours, &[], at_end(&flat));
    sound(&found);
    assert_eq!(found.verdict.cause, VerdictCause::Unsettled, "{}", found.verdict.says);
    assert!(found.verdict.says.contains("before the first reading"), "{}", found.verdict.says);
    assert_eq!(found.verdict.settle_with.map(|s| s.action), Some(ServiceAction::SleeveCleaned));
    assert_eq!((found.forecast.clean_by, found.forecast.crossing.p50), (None, None));
    // Papers by which everything was new and clean a day before rule the sleeve out.
    let found = ask(&spec(), &flat, &[], at_end(&flat));
    assert_eq!(found.verdict.cause, VerdictCause::Unexplained, "{}", found.verdict.says);
    assert!(found.verdict.says.contains("before the first reading"), "{}", found.verdict.says);
    assert_eq!((found.forecast.clean_by, found.forecast.crossing.p50), (None, None));
}

/// The same deficit with the papers to explain it: not cleaned for a year at a rate that the readings show.
#[test]
fn a_deficit_that_the_papers_explain_is_the_sleeves() {
    let mut spec = spec();
    spec.sleeve.cleaned = Some("2024-05-08T00:00:00Z".parse().unwrap());
    let days = days(90, |day| lamp(day) + 0.0008 * f64::from(day + 366));
    let found = ask(&spec, &days, &[], at_end(&days));
    assert_eq!(found.verdict.cause, VerdictCause::SleeveFouling, "{}", found.verdict.says);
    assert!(found.verdict.says.contains("since it was last clean on 8 May 2024"), "{}", found.verdict.says);
}

#[test]
fn no_crossing_is_dated_above_an_asymptote() {
    // 20 % in the end, set point at 58 % of the reference: never.
    let days = days(400, |day| 0.22 * (1.0 - (-f64::from(day) / 50.0).exp()));
    let found = ask(&spec(), &days, &[], at_end(&days));
    sound(&found);
    assert_eq!(found.forecast.crossing.p50, None);
}

#[test]
fn later_rows_change_nothing() {
    let all = days(350, |day| lamp(day) + sleeve(day, 0.003));
    let log = cleanings(350);
    let as_of: Timestamp = "2025-12-03T10:00:00Z".parse().unwrap();
    let today = as_of.date_in(&jiff::tz::TimeZone::UTC);
    let known: Vec<DaySummary> = all.iter().filter(|d| d.date <= today).cloned().collect();
    let logged: Vec<_> = log.iter().filter(|e| e.at <= as_of).cloned().collect();
    let latest = Some(Reading::new(as_of.plus_millis(-60_000)).with(Channel::Intensity, 20.0));
    let spec = spec();
    let ask = |days: &[DaySummary], log: &[_]| {
        let history = History { spec: &spec, days, log, latest, cadence_millis: Some(600_000), neighbours: None };
        serde_json::to_string(&assess(&history, as_of, &Constants::default())).unwrap()
    };
    let want = ask(&known, &logged);
    assert_eq!(ask(&all, &log), want, "to the last digit");
    assert_eq!(ask(&all, &log), want, "and again");
}

#[test]
fn a_day_that_has_begun_does_not_count() {
    let mut all = days(100, |day| lamp(day) + sleeve(day, 0.003));
    let as_of = Timestamp::day_start(all[99].date, &jiff::tz::TimeZone::UTC).plus_millis(crate::domain::time::HOUR);
    let before = ask(&spec(), &all[..99], &[], as_of);
    if let Some(light) = &mut all[99].intensity {
        light.median -= 1.0;
    }
    let with = ask(&spec(), &all, &[], as_of);
    assert_eq!(with.loss, before.loss);
    assert_eq!(with.forecast, before.forecast);
}

#[test]
fn too_little_says_what_is_missing() {
    for count in [0, 1, 4, 13] {
        let days = days(count, lamp);
        let found = ask(&spec(), &days, &[], at_end(&days));
        sound(&found);
        assert_eq!((found.loss.as_ref(), found.verdict.cause), (None, VerdictCause::Unsettled));
        let unit = if count == 1 { "day" } else { "days" };
        assert_eq!(found.verdict.says, format!("Learning: {count} {unit} of usable readings, needs 14."));
        assert_eq!(found.condition, Condition::Learning);
    }
}

#[test]
fn odd_histories_have_sound_answers() {
    let constant: Vec<DaySummary> = days(60, |_| 0.0)
        .into_iter()
        .map(|mut day| {
            day.intensity = Some(LnSummary { median: 3.0, spread: 0.0, count: 1 });
            day
        })
        .collect();
    let mut gap = days(60, lamp);
    gap.extend(days(500, lamp).split_off(460));
    let backwards: Vec<DaySummary> = days(80, lamp)
        .into_iter()
        .enumerate()
        .map(|(i, mut day)| {
            day.lamp_hours = Some(1e6 - 500.0 * i as f64);
            day.water_temperature = Some(10.0);
            day.transmittance = Some(if i % 2 == 0 { 0.0 } else { 100.0 });
            day
        })
        .collect();
    let wild = days(90, |day| if day % 2 == 0 { -600.0 } else { 600.0 });
    let tiny = days(30, |_| 80.0);
    for (name, days) in [("constant", constant), ("gap", gap), ("backwards", backwards), ("wild", wild), ("tiny", tiny)]
    {
        for log in [Vec::new(), cleanings(400)] {
            for percent in [false, true] {
                let mut spec = spec();
                if percent {
                    spec.sensor.unit = crate::domain::IntensityUnit::Percent;
                    spec.reference = None;
                }
                println!("{name} {percent}");
                sound(&ask(&spec, &days, &log, at_end(&days)));
            }
        }
    }
    let mut odd = spec();
    odd.set_point = 1e9;
    odd.lamp.rated_hours = 0.0;
    odd.reference = Some(-1.0);
    let days = days(60, lamp);
    let found = ask(&odd, &days, &[], at_end(&days));
    sound(&found);
    assert_eq!(found.condition, Condition::Dark, "far under a set point of 1e9");
}

#[test]
fn under_the_set_point_treatment_is_not_assured() {
    let days = days(100, |day| 0.006 * f64::from(day));
    let found = ask(&spec(), &days, &[], at_end(&days));
    assert_eq!(found.condition, Condition::Short);
    assert!(found.cautions[0].starts_with("Treatment is not assured"));
    assert!(found.cautions.iter().all(|c| !c.contains("safe")));
}

/// The past as it was made: a sleeve of .12 % a day cleaned every 60 days, beside a lamp of known slope.
#[test]
fn the_past_is_traced_back() {
    let rate = 0.0012;
    let days = days(300, |day| lamp(day) + sleeve(day, rate));
    let (spec, log) = (spec(), cleanings(300));
    let as_of = at_end(&days);
    let history = History { spec: &spec, days: &days, log: &log, latest: None, cadence_millis: None, neighbours: None };
    let traced = retrace(&history, as_of, &Constants::default());
    assert_eq!(traced.first().map(|day| day.date), Some(START));
    assert!(traced.windows(2).all(|pair| pair[0].date < pair[1].date));
    for day in &traced[..traced.len() - 1] {
        let number = (day.date - START).get_days();
        if number % 60 < 2 {
            continue;
        }
        let made = 24.0 * (-(lamp(number) + sleeve(number, rate))).exp();
        assert!((day.intensity / made - 1.0).abs() < 0.01, "{}: {} {made}", day.date, day.intensity);
        let total: f64 = day.lost.each().iter().sum();
        assert!((0.0..100.0).contains(&total) && day.lost.each().iter().all(|points| *points >= 0.0), "{day:?}");
    }
    let before = traced.iter().rfind(|day| (day.date - START).get_days() == 239).unwrap();
    let after = traced.iter().rfind(|day| (day.date - START).get_days() == 242).unwrap();
    assert!(before.lost.sleeve - after.lost.sleeve > 4.0, "a cleaning takes the coat off: {before:?} {after:?}");
    assert_eq!(retrace(&history, Timestamp::day_start(START, &spec.zone), &Constants::default()), []);
}

/// A step down of a tenth that nobody explains, with the water measured before and after it: 95 % over 1 cm is an
/// absorbance of 0.02228, 91 % one of 0.04096, so 2.5 cm of it cost ln 10 x 2.5 x 0.01868 = 0.1075 (Beer-Lambert).
#[test]
fn a_measured_water_tells_whose_a_lasting_shift_is() {
    let days = days(300, |day| lamp(day) * 0.1 + if day < 200 { 0.0 } else { 0.1075 });
    let at = |day: i32| {
        let date = START.saturating_add(jiff::Span::new().days(day));
        Timestamp::day_start(date, &jiff::tz::TimeZone::UTC).plus_millis(crate::domain::time::HOUR)
    };
    let measured = |day: i32, value: f64| {
        let entry = ServiceEntry::new(at(day), ServiceAction::TransmittanceMeasured);
        ServiceEntry { value: Some(value), ..entry }
    };
    let mut spec = spec();
    spec.sensor.path_cm = Some(2.5);
    let ask = |log: &[_]| ask(&spec, &days, log, at_end(&days));
    let changed = ask(&[measured(150, 95.0), measured(230, 91.0)]);
    assert_eq!(changed.verdict.cause, VerdictCause::WaterQuality, "{}", changed.verdict.says);
    assert!(changed.verdict.probability.unwrap() > 0.85, "{:?}", changed.verdict);
    let same = ask(&[measured(150, 95.0), measured(230, 95.0)]);
    // Nothing was replaced, so the lamp is not ruled out.
    assert_eq!(same.verdict.cause, VerdictCause::LampOrSensor, "{}", same.verdict.says);
    let unmeasured = ask(&[]);
    let sure = |found: &Assessment| found.verdict.probability.unwrap();
    assert!(sure(&unmeasured) < sure(&changed), "{:?}", unmeasured.verdict);
}

proptest::proptest! {
    #![proptest_config(proptest::test_runner::Config::with_cases(24))]

    /// Days whose values are nothing but noise: no cause, no date.
    #[test]
    fn noise_has_neither_cause_nor_date(seed in 0u64..1_000_000, sd in 0.3..1.5f64, count in 20i32..400) {
        use rand::RngExt;
        let mut rng = ChaCha8Rng::seed_from_u64(seed);
        let noise: Vec<f64> = (0..count).map(|_| rng.sample::<f64, _>(rand_distr::StandardNormal) * sd).collect();
        let days = days(count, |day| noise[day as usize]);
        let mut bare = UnitSpec::new("heron-bight/boathouse".parse().unwrap(), 4.0);
        for reference in [None, Some(24.0)] {
            bare.reference = reference;
            let found = ask(&bare, &days, &[], at_end(&days));
            sound(&found);
            let cause = found.verdict.cause;
            proptest::prop_assert!(
                matches!(cause, VerdictCause::None | VerdictCause::Unsettled), "{cause} {:?}", found.verdict
            );
            proptest::prop_assert_eq!((found.forecast.clean_by, found.forecast.crossing.p50), (None, None));
        }
    }
}

/// A lamp whose hours nobody counts: three days off in the first ten of its life.
#[test]
fn lamp_hours_are_counted_from_the_first_day_on() {
    let mut spec = spec();
    spec.lamp.hours_at_start = Some(1_000.0);
    let mut days = days(10, |_| 0.0);
    for (i, day) in days.iter_mut().enumerate() {
        day.lamp_hours = None;
        day.lamp_on_share = Some(if i >= 7 { 0.0 } else { 1.0 });
    }
    let found = ask(&spec, &days, &[], at_end(&days));
    assert_eq!(found.condition, Condition::Learning);
    let lamp = found.parts.iter().find(|part| part.part == "lamp").unwrap();
    // Days 1 to 6 burnt; the day under way counts like the usual one, 7 of 10.
    assert_eq!(lamp.age_hours, Some((1_000.0f64 + 6.0 * 24.0 + 0.7 * 24.0).round()), "{lamp:?}");
    // A lamp that nobody knows the age of has no hours, however long it was watched; one changed since has.
    let mut unknown = spec.clone();
    (unknown.lamp.hours_at_start, unknown.lamp.installed) = (None, None);
    let hours = |log: &[ServiceEntry]| {
        let found = ask(&unknown, &days, log, at_end(&days));
        found.parts.into_iter().find(|part| part.part == "lamp").unwrap().age_hours
    };
    assert_eq!(hours(&[]), None);
    let fitted = START.saturating_add(jiff::Span::new().days(4));
    let at = Timestamp::day_start(fitted, &jiff::tz::TimeZone::UTC).plus_millis(9 * crate::domain::time::HOUR);
    let log = [ServiceEntry::new(at, ServiceAction::LampReplaced)];
    assert_eq!(hours(&log), Some((24.0f64 + 0.7 * 24.0).round()), "one whole day since, and the day under way");
}

/// The unit's meter sees the water change for good; the light is taken for what it is, and the change is asked about.
#[test]
fn a_change_that_the_meter_shows_is_the_waters() {
    let shift = |day: i32| if day >= 250 { 0.008 } else { 0.0 };
    let loss = |day: i32| std::f64::consts::LN_10 * 3.0 * shift(day);
    let mut days = days(330, |day| lamp(day) + sleeve(day, 0.002) + loss(day));
    for (i, day) in (0..).zip(&mut days) {
        let absorbance = 0.04 + shift(i) + 0.000_3 * (f64::from(i) * 3.7).sin();
        day.transmittance = Some((1_000.0 * 10f64.powf(-absorbance)).round() / 10.0);
    }
    let mut spec = spec();
    spec.sensor.path_cm = Some(3.0);
    let found = ask(&spec, &days, &cleanings(330), at_end(&days));
    sound(&found);
    let asked: Vec<_> = found.unlogged.iter().map(|step| (step.kind, step.likely)).collect();
    assert_eq!(asked, [(StepKind::StepDown, Likely::WaterChanged)], "{:?}", found.unlogged);
    let step = &found.unlogged[0];
    let want = causes::percent(loss(300));
    assert!((step.loss_percent.unwrap() - want).abs() < 0.6, "{step:?}, want {want}");
    assert!((step.at - START).get_days().abs_diff(250) <= 2, "{step:?}");
}

/// The meter sees nothing: then it is the sensor that was knocked.
#[test]
fn a_step_down_that_the_meter_does_not_show_is_the_sensors() {
    let mut days = days(330, |day| lamp(day) + sleeve(day, 0.001) + if day >= 260 { 0.08 } else { 0.0 });
    let unmetered = ask(&spec(), &days, &cleanings(330), at_end(&days));
    for (i, day) in (0..).zip(&mut days) {
        day.transmittance = Some(((91.0 + 0.1 * (f64::from(i) * 3.7).sin()) * 10.0).round() / 10.0);
    }
    let metered = ask(&spec(), &days, &cleanings(330), at_end(&days));
    let likely = |found: &Assessment| found.unlogged.iter().map(|step| step.likely).collect::<Vec<_>>();
    assert_eq!((likely(&unmetered), likely(&metered)), (vec![Likely::WaterChanged], vec![Likely::SensorChanged]));
}

/// A cabin closed over the winter: what is on the sleeve stays there, and from the opening on it goes on as before.
#[test]
fn just_opened_a_cabin_fouls_as_before_it_was_closed() {
    let (closes, opens, now) = (160, 330, 338);
    let used = |day: i32| if day < opens { day.min(closes) } else { closes + day - opens };
    let lit = |day: i32| !(closes..opens).contains(&day);
    let mut days = days(now, |day| 0.223 * (f64::from(used(day)) * 24.0 + 100.0) / 18_000.0 + sleeve(used(day), 0.004));
    days.retain(|summary| lit((summary.date - START).get_days()));
    for (place, summary) in days.iter_mut().enumerate() {
        summary.lamp_hours = Some(200.0 + 24.0 * place as f64);
    }
    let at =
        |day: i32| Timestamp::day_start(START.saturating_add(jiff::Span::new().days(day)), &jiff::tz::TimeZone::UTC);
    let mut log = cleanings(closes);
    log.push(ServiceEntry::new(at(closes), ServiceAction::Closed));
    log.push(ServiceEntry::new(at(opens), ServiceAction::Opened));
    let found = ask(&spec(), &days, &log, at_end(&days));
    sound(&found);
    // ln(24 / 14) = 0.539; lamp and sleeve have taken 0.218 on the last day, 168 days in use, and take 0.0043 a day.
    let last = used(now - 1);
    let lost = 0.223 * (f64::from(last) * 24.0 + 100.0) / 18_000.0 + sleeve(last, 0.004);
    let want = ((24f64 / 14.0).ln() - lost) / (0.004 + 0.223 * 24.0 / 18_000.0);
    let left = f64::from((found.forecast.crossing.p50.unwrap() - days[days.len() - 1].date).get_days());
    assert!((left / want - 1.0).abs() < 0.35, "{left} days, want about {want:.0}");
}

/// A storm holds the light under the set point for some days: the crossing is that of the course without it.
#[test]
fn a_storm_is_not_in_the_week_that_crosses() {
    let storm = |day: i32| if day >= 346 { 0.25 * 0.7f64.powi(day - 346) } else { 0.0 };
    let fouled = |day: i32| lamp(day) + sleeve(day, 0.0055);
    let clear = days(350, fouled);
    let stormy = days(350, |day| fouled(day) + storm(day));
    let with = |days: &[DaySummary]| ask(&spec(), days, &cleanings(350), at_end(days));
    let (calm, wild) = (with(&clear), with(&stormy));
    assert_eq!(wild.episodes.len(), 1, "{:?}", wild.episodes);
    let left = |found: &Assessment| (found.forecast.crossing.p50.unwrap() - clear[349].date).get_days();
    let week = stormy[343..].iter().filter_map(|day| day.intensity).map(|light| light.median.exp()).sum::<f64>() / 7.0;
    assert!(week < 14.7, "the week with the storm is near the set point: {week}");
    assert!((left(&calm) - left(&wild)).abs() <= 5, "{} without, {} with the storm", left(&calm), left(&wild));
}

/// A sensor that drifts fast is replaced by one that hardly does: nobody has cleaned a sleeve on the way.
#[test]
fn each_sensor_has_its_own_drift() {
    let years = |days: i32| f64::from(days) / 365.25;
    let drift = |day: i32| if day < 350 { 0.22 * years(day + 8) } else { 0.03 * years(day - 350) };
    let days = days(650, |day| lamp(day) + drift(day));
    let log = [done_before(350, ServiceAction::SensorReplaced)];
    let found = ask(&spec(), &days, &log, at_end(&days));
    sound(&found);
    assert_eq!(found.verdict.cause, VerdictCause::LampAgeing, "{}", found.verdict.says);
    assert!(found.log_doubts.is_empty(), "{:?}", found.log_doubts);
    let sleeve = share(&found, crate::domain::Cause::SleeveFouling);
    assert!(sleeve.percent < 1.0, "{sleeve:?}");
    let sensor = share(&found, crate::domain::Cause::SensorDrift);
    assert!((sensor.percent - causes::percent(drift(649))).abs() < 2.0, "{sensor:?}");
}

/// A window that gets dirty, and keeps an eighth of the dirt when it is wiped: nobody has cleaned a sleeve on the way.
#[test]
fn a_wiped_window_is_not_quite_clean() {
    let dirt = |day: i32| {
        let (rate, left) = (0.001, 0.125);
        let first = left * 220.0 * rate;
        match day {
            ..220 => rate * f64::from(day),
            220..440 => first + rate * f64::from(day - 220),
            _ => left * (first + 220.0 * rate) + rate * f64::from(day - 440),
        }
    };
    let days = days(640, |day| lamp(day) + dirt(day));
    let log = [220, 440].map(|day| done_before(day, ServiceAction::SensorCleaned));
    let found = ask(&spec(), &days, &log, at_end(&days));
    sound(&found);
    assert!(found.log_doubts.is_empty(), "{:?}", found.log_doubts);
    let sleeve = share(&found, crate::domain::Cause::SleeveFouling);
    assert!(sleeve.percent < 1.5, "{sleeve:?}");
}

/// Two entries of cleanings that never were, and two cleanings between them that nobody wrote down: their steps are no
/// new lamps, and the coat is a coat.
#[test]
fn a_log_that_is_wrong_twice_is_read_anew() {
    let mut days = days(150, |day| lamp(day) + sleeve(day, 0.0015));
    for day in [59, 119] {
        days[day].set_aside.lamp_off = 3;
    }
    let log = [40, 100].map(|day| done_before(day, ServiceAction::SleeveCleaned));
    let found = ask(&spec(), &days, &log, at_end(&days));
    let steps: Vec<Likely> = found.unlogged.iter().map(|step| step.likely).collect();
    assert_eq!(steps, [Likely::SleeveCleaned; 2], "{found:?}");
    assert_eq!(found.verdict.cause, VerdictCause::SleeveFouling, "{}", found.verdict.says);
}

/// An entry of a cleaning at the end of a storm that passes in a week: the light rises, but no coat has gone. The entry is doubted, and
/// the doubt is told.
#[test]
fn the_end_of_a_storm_is_no_cleaning() {
    let storm = |day: i32| if (84..=90).contains(&day) { 0.014 * f64::from(91 - day) } else { 0.0 };
    let mut days = days(170, |day| lamp(day) + sleeve(day, 0.003) + storm(day));
    for day in [59, 119] {
        days[day].set_aside.lamp_off = 3;
    }
    let log = [60, 91, 120].map(|day| done_before(day, ServiceAction::SleeveCleaned));
    let found = ask(&spec(), &days, &log, at_end(&days));
    let doubted: Vec<Timestamp> = found.log_doubts.iter().map(|doubt| doubt.at).collect();
    assert_eq!(doubted, [log[1].at], "{:?} {:?} {:?}", found.log_doubts, found.episodes, found.unlogged);
    assert_eq!(found.log_doubts[0].says, "logged, no recovery seen");
}

/// A unit's own numbers are those of its assessment and of its chart.
#[test]
fn a_unit_has_its_own_numbers() {
    let course = days(40, |day| sleeve(day, 0.002) + lamp(day));
    let mut spec = spec();
    let asked = |spec: &UnitSpec| ask(spec, &course, &[], at_end(&course));
    assert!(asked(&spec).loss.is_some());
    spec.analysis = vec![("model.least_days".to_owned(), 50.0)];
    let own = asked(&spec);
    assert_eq!((own.loss, own.condition), (None, Condition::Learning), "{}", own.verdict.says);
}

/// Whatever is set within its bounds, an assessment comes out, with numbers in it.
#[test]
fn no_number_within_its_bounds_breaks_an_assessment() {
    let course = days(75, |day| sleeve(day, 0.002) + lamp(day));
    let mut spec = spec();
    for (path, low, high) in tuning::all_bounds() {
        for value in [low, high] {
            if tuning::check(&path, value).is_err() {
                continue;
            }
            spec.analysis = vec![(path.clone(), value)];
            sound(&ask(&spec, &course, &cleanings(75), at_end(&course)));
        }
    }
}

/// A sleeve five years old, of which each cleaning leaves a twentieth of the coat, with lamp and sensor lately new.
#[test]
fn a_film_that_cleanings_leave_is_named() {
    let mut spec = spec();
    (spec.sleeve.installed, spec.sleeve.cleaned) = (Some("2020-05-01T00:00:00Z".parse().unwrap()), None);
    let film = 0.05 * 0.002 * 1_800.0 * 0.6;
    let course = days(230, |day| film + lamp(day) + sleeve(day, 0.002));
    let found = ask(&spec, &course, &cleanings(230), at_end(&course));
    sound(&found);
    assert_eq!(found.verdict.cause, VerdictCause::SleeveFouling, "{}", found.verdict.says);
    assert!(found.verdict.says.contains("comes off only with a new sleeve"), "{}", found.verdict.says);
    let said = share(&found, crate::domain::Cause::SleeveFouling);
    let truth = causes::percent(film + sleeve(229, 0.002));
    assert!((said.low..=said.high).contains(&truth), "{said:?} for {truth}");
}
