use jiff::civil::date;

use super::*;
use crate::domain::assessment::{
    ASSESSMENT_SCHEMA, CauseLoss, Crossing, Episode, Forecast, LatestReading, ReadingCounts, Share, UnloggedStep,
    Verdict,
};
use crate::domain::{LnSummary, ServiceAction};

const ORIGIN: Date = date(2025, 1, 1);
/// The day on which the hand-made unit crosses its set point of 14.
const CROSSES: usize = 200;

fn spec() -> UnitSpec {
    UnitSpec::new("heron-bight/boathouse".parse().unwrap(), 14.0)
}

fn day(d: usize) -> Date {
    ORIGIN.checked_add(jiff::Span::new().days(d as i64)).unwrap()
}

fn noon(date: Date) -> Timestamp {
    Timestamp::day_start(date, &spec().zone).plus_millis(12 * 3_600_000)
}

/// Intensity of day `d`: falls in a straight line, its mean over seven days reaching 14 on day [`CROSSES`].
fn intensity(d: usize) -> f64 {
    14.0 + 0.04 * (CROSSES as f64 - 3.0 - d as f64)
}

fn course(n: usize) -> (Vec<DaySummary>, Vec<Reading>) {
    let days = (0..n)
        .map(|d| DaySummary {
            intensity: Some(LnSummary { median: intensity(d).ln(), spread: 0.0, count: 1 }),
            readings: 1,
            ..DaySummary::empty(day(d))
        })
        .collect();
    let readings = (0..n).map(|d| Reading::new(noon(day(d))).with(Channel::Intensity, intensity(d))).collect();
    (days, readings)
}

/// An assessment that says nothing but these dates.
fn saying(as_of: Timestamp, reading: f64, dates: [Option<Date>; 3]) -> Assessment {
    Assessment {
        schema: ASSESSMENT_SCHEMA.to_owned(),
        site: "heron-bight".to_owned(),
        unit: "boathouse".to_owned(),
        as_of,
        condition: Condition::Fading,
        reading: Some(LatestReading {
            intensity: reading,
            unit: "mW/cm2".to_owned(),
            at: as_of,
            percent_of_reference: None,
        }),
        loss: None,
        verdict: Verdict {
            cause: VerdictCause::SleeveFouling,
            probability: Some(0.9),
            says: String::new(),
            settle_with: None,
        },
        forecast: Forecast {
            set_point: 14.0,
            crossing: Crossing { p10: dates[0], p50: dates[1], p90: dates[2] },
            clean_by: None,
            lamp_by: None,
            sensor_by: None,
            after_cleaning: None,
        },
        episodes: Vec::new(),
        unlogged: Vec::new(),
        log_doubts: Vec::new(),
        parts: Vec::new(),
        readings: ReadingCounts::default(),
        cautions: Vec::new(),
    }
}

fn graded(assess: &dyn Fn(&History<'_>, Timestamp) -> Assessment) -> Scores {
    let (days, readings) = course(197);
    let spec = spec();
    let subject =
        Subject { spec: &spec, readings: &readings, days: &days, log: &[], cadence_millis: None, neighbours: None };
    let truth = |_: Timestamp| TrueLosses { leading: Some(Cause::SleeveFouling), ..TrueLosses::default() };
    let reality = Reality {
        crossing: |_: Date| Outcome::Crossed(day(CROSSES)),
        losses: Some(&truth),
        unlogged: None,
        episodes: None,
    };
    let c = HindcastConstants::default();
    grade_fleet(&[grade_unit(&subject, &reality, assess, &c)], &c)
}

/// Says that it crosses `late` days too late, give or take `spread`.
fn forecaster(late: i64, spread: i64) -> impl Fn(&History<'_>, Timestamp) -> Assessment {
    move |history, as_of| {
        let at = |days: i64| Some(day((CROSSES as i64 + late + days) as usize));
        let reading = history.latest.and_then(|r| r.get(Channel::Intensity)).unwrap();
        saying(as_of, reading, [at(-spread), at(0), at(spread)])
    }
}

#[test]
fn a_perfect_forecaster() {
    let scores = graded(&forecaster(0, 0));
    // The last day is the 196th, then every seventh day before it, not before the 60th: 196, 189, ... 63.
    assert_eq!(scores.assessments, 20);
    for ahead in &scores.dates.ahead {
        assert_eq!(ahead.count, 1, "{ahead:?}");
        assert_eq!((ahead.mean_error, ahead.crps, ahead.interval_score), (Some(0.0), Some(0.0), Some(0.0)));
        assert_eq!(ahead.coverage, Some(1.0));
    }
    let dates = &scores.dates;
    assert_eq!((dates.runs, dates.alpha_lambda, dates.relative_accuracy), (1, Some(1.0), Some(1.0)));
    assert_eq!(dates.prognostic_horizon_days, Some((CROSSES - 63) as f64));
    let verdict = scores.verdict.unwrap();
    assert_eq!((verdict.settled, verdict.right, verdict.sure_right), (20, Some(1.0), Some(1.0)));
    assert!((verdict.brier.unwrap() - 0.01).abs() < 1e-12);
}

#[test]
fn a_late_and_sure_forecaster() {
    let scores = graded(&forecaster(5, 3));
    for ahead in &scores.dates.ahead {
        assert_eq!((ahead.mean_error, ahead.bias, ahead.coverage), (Some(5.0), Some(5.0), Some(0.0)));
        // 6 wide, 2 days off the near end: 6 + 10 x 2.
        assert!((ahead.interval_score.unwrap() - 26.0).abs() < 1e-9);
        // The 10 % date lies 2 days late: .9 x 2.
        assert!((ahead.pinball_p10.unwrap() - 1.8).abs() < 1e-9);
    }
    assert_eq!(scores.dates.prognostic_horizon_days, Some((CROSSES - 63) as f64), "within a week from the first");
    // Half-way, 68 or 69 days are left; 5 is under a fifth of that.
    assert_eq!(scores.dates.alpha_lambda, Some(1.0));
}

#[test]
fn no_date_counts_as_the_horizon_and_covers_what_lies_beyond_its_low_end() {
    let scores = graded(&|_, as_of| saying(as_of, 20.0, [Some(day(150)), None, None]));
    let ahead = &scores.dates.ahead[0];
    assert_eq!((ahead.without_date, ahead.coverage), (1, Some(1.0)));
    assert!(ahead.mean_error.unwrap() > 300.0);
    let scores = graded(&|_, as_of| saying(as_of, 20.0, [None; 3]));
    assert_eq!(scores.dates.ahead[0].coverage, Some(0.0), "no low end: it was said not to come");
    assert_eq!(scores.dates.prognostic_horizon_days, Some(0.0));
}

#[test]
fn nothing_later_is_shown() {
    let spec = spec();
    let (days, readings) = course(150);
    let log: Vec<ServiceEntry> = (0..150).map(|d| ServiceEntry::new(noon(day(d)), ServiceAction::Note)).collect();
    let subject =
        Subject { spec: &spec, readings: &readings, days: &days, log: &log, cadence_millis: None, neighbours: None };
    let reality = Reality { crossing: |_: Date| Outcome::Unknown, losses: None, unlogged: None, episodes: None };
    let assess = |history: &History<'_>, as_of: Timestamp| {
        let date = as_of.date_in(&history.spec.zone).yesterday().unwrap();
        assert_eq!(history.days.last().unwrap().date, date);
        assert_eq!((history.log.last().unwrap().at, history.latest.unwrap().at), (noon(date), noon(date)));
        saying(as_of, 20.0, [None; 3])
    };
    let c = HindcastConstants::default();
    let scores = grade_fleet(&[grade_unit(&subject, &reality, &assess, &c)], &c);
    assert!(scores.assessments > 10 && scores.verdict.is_none() && scores.unlogged.is_none());
}

#[test]
fn steps_and_episodes_are_matched_and_timed() {
    let spec = spec();
    let (days, readings) = course(197);
    let subject =
        Subject { spec: &spec, readings: &readings, days: &days, log: &[], cadence_millis: None, neighbours: None };
    let step = |d: usize, ln_size: f64| TrueStep { date: day(d), days: 0, ln_size };
    let reality = Reality {
        crossing: |_: Date| Outcome::Never,
        losses: None,
        unlogged: Some(vec![step(100, 0.1), step(120, -0.1), step(130, 0.1), step(140, 0.001)]),
        episodes: Some(vec![(noon(day(70)), noon(day(75)), 8.0), (noon(day(90)), noon(day(92)), 2.0)]),
    };
    let up = |d: usize| UnloggedStep {
        kind: StepKind::StepUp,
        at: day(d),
        gain_percent: Some(10.0),
        loss_percent: None,
        likely: crate::domain::assessment::Likely::SleeveCleaned,
    };
    let assess = |_: &History<'_>, as_of: Timestamp| {
        let mut said = saying(as_of, 20.0, [None, Some(day(250)), None]);
        let known = |d: usize| noon(day(d)) < as_of;
        said.unlogged.extend([101, 119, 160].into_iter().filter(|d| known(*d + 10)).map(up));
        said.episodes.extend(known(80).then(|| Episode {
            kind: Cause::WaterQuality,
            from: noon(day(71)),
            to: noon(day(74)),
            depth_percent: 7.0,
            recovered: true,
        }));
        said
    };
    let c = HindcastConstants::default();
    let scores = grade_fleet(&[grade_unit(&subject, &reality, &assess, &c)], &c);
    let steps = scores.unlogged.clone().unwrap();
    assert_eq!(
        (steps.claims, steps.right, steps.truths, steps.found),
        (3, 1, 3, 1),
        "up is not down; tiny is not asked"
    );
    // Reported from noon of day 111 on; the assessments come at the end of days 105, 112, ...
    assert_eq!(steps.delay_days, Some(12.0));
    let episodes = scores.episodes.clone().unwrap();
    assert_eq!((episodes.claims, episodes.right, episodes.truths, episodes.found), (1, 1, 1, 1));
    assert_eq!(
        (scores.dates.never, scores.dates.never_dated),
        (20, 19),
        "day 250 lies within half the horizon from day 68 on: all but that of day 63"
    );
    let text = scores.to_string();
    assert!(text.contains("unlogged steps: 1 of 3 reported are real (33 %), 1 of 3 found (33 %)"), "{text}");
    let json = serde_json::to_value(&scores).unwrap();
    assert_eq!(json["episodes"]["recall"], 1.0);
    assert_eq!(json["dates"]["ahead"][2]["days"], 60);
}

#[test]
fn losses_are_compared_in_points() {
    let truth = |_: Timestamp| TrueLosses {
        by_cause: [0.1, 0.05, 0.0, 0.05, 0.0, 0.0],
        total: 0.15,
        leading: Some(Cause::SleeveFouling),
    };
    let spec = spec();
    let (days, readings) = course(70);
    let subject =
        Subject { spec: &spec, readings: &readings, days: &days, log: &[], cadence_millis: None, neighbours: None };
    let reality =
        Reality { crossing: |_: Date| Outcome::Unknown, losses: Some(&truth), unlogged: None, episodes: None };
    let assess = |_: &History<'_>, as_of: Timestamp| {
        let mut said = saying(as_of, 20.0, [None; 3]);
        let sleeve =
            CauseLoss { cause: Cause::SleeveFouling, percent: 11.0, low: 10.0, high: 12.0, rate_percent_per_day: None };
        let total = Share { percent: 14.0, low: 13.8, high: 14.2 };
        said.loss = Some(Loss { since: as_of, total, causes: vec![sleeve] });
        said
    };
    let c = HindcastConstants::default();
    let scores = grade_fleet(&[grade_unit(&subject, &reality, &assess, &c)], &c);
    // 100 (1 - exp(-.1)) = 9.5163; 100 (1 - exp(-.15)) = 13.9292.
    let [sleeve, total] = &scores.causes[..] else { panic!("{:?}", scores.causes) };
    assert!((sleeve.mean_error.unwrap() - 1.4837).abs() < 1e-4 && sleeve.coverage == Some(0.0));
    assert!((total.mean_error.unwrap() - 0.0708).abs() < 1e-4 && total.coverage == Some(1.0));
}

#[test]
fn verdicts_that_hold() {
    let losses = |by_cause: [f64; 6], leading| TrueLosses { by_cause, total: 0.0, leading };
    // In the order of the contract: sleeve, lamp, sensor, lamp or sensor, water, unexplained.
    let sensor = losses([0.05, 0.04, 0.06, 0.1, 0.0, 0.0], Some(Cause::SensorDrift));
    assert!(sensor.bears_out(VerdictCause::SensorDrift) && sensor.bears_out(VerdictCause::LampOrSensor));
    assert!(!sensor.bears_out(VerdictCause::LampAgeing) && !sensor.bears_out(VerdictCause::None));
    let sleeve = losses([0.15, 0.04, 0.06, 0.1, 0.0, 0.0], Some(Cause::SleeveFouling));
    assert!(sleeve.bears_out(VerdictCause::SleeveFouling) && !sleeve.bears_out(VerdictCause::LampOrSensor));
    assert!(losses([0.0; 6], None).bears_out(VerdictCause::None));
    assert!(!losses([0.0; 6], None).bears_out(VerdictCause::LampOrSensor));
}

#[test]
fn what_readings_alone_show() {
    let (days, _) = course(260);
    let spec = spec();
    let observed = |from: usize, log: &[ServiceEntry], work: &[Date], episodes: &[Episode]| {
        observed_crossing(day(from), &days, log, work, episodes, &spec)
    };
    assert_eq!(observed(100, &[], &[], &[]), Outcome::Crossed(day(CROSSES)));
    assert_eq!(observed(230, &[], &[], &[]), Outcome::Crossed(day(230)), "it had crossed");
    let cleaned = [ServiceEntry::new(noon(day(150)), ServiceAction::SleeveCleaned)];
    assert_eq!(observed(100, &cleaned, &[], &[]), Outcome::NotBy(day(149)));
    assert_eq!(observed(160, &cleaned, &[], &[]), Outcome::Crossed(day(CROSSES)));
    assert_eq!(observed(100, &[], &[day(150)], &[]), Outcome::NotBy(day(149)));
    let note = [ServiceEntry::new(noon(day(150)), ServiceAction::Note)];
    assert_eq!(observed(100, &note, &[], &[]), Outcome::Crossed(day(CROSSES)));
    let cloud = Episode {
        kind: Cause::WaterQuality,
        from: noon(day(198)),
        to: noon(day(202)),
        depth_percent: 9.0,
        recovered: true,
    };
    // Days 198 to 202 left out: 203 is the first clear day, and its week has 197, 203 only; 4 days stand from 205 on.
    assert_eq!(observed(100, &[], &[], &[cloud]), Outcome::Crossed(day(206)));
    assert_eq!(observed(259, &[], &[day(260)], &[]), Outcome::Crossed(day(259)));
    assert_eq!(observed_crossing(day(300), &days, &[], &[], &[], &spec), Outcome::Unknown);
}

#[test]
fn a_real_unit_is_graded_by_its_readings() {
    let spec = spec();
    let (days, readings) = course(230);
    let subject =
        Subject { spec: &spec, readings: &readings, days: &days, log: &[], cadence_millis: None, neighbours: None };
    let c = HindcastConstants::default();
    let searches = (&StepConstants::default(), &EpisodeConstants::default());
    let scores = grade_fleet(&[grade_observed(&subject, searches, &forecaster(2, 3), &c)], &c);
    for ahead in &scores.dates.ahead {
        assert_eq!((ahead.count, ahead.bias, ahead.coverage), (1, Some(2.0), Some(1.0)), "{ahead:?}");
    }
    assert!(scores.verdict.is_none() && scores.causes.is_empty());
}
