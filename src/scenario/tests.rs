//! The simulator against itself by other routes, and against the figures of the trade.

use super::plan::{FaultKind, Work};
use super::truth::MEAN_DAYS;
use super::*;
use crate::domain::time::{DAY, HOUR, MINUTE};
use crate::domain::{Cause, Channel, IntensityUnit, VerdictCause};

fn life(kind: Kind, seed: u64, step: i64) -> (UnitPlan, Simulated) {
    let plan = random_plan(kind, seed);
    let sim = simulate(&plan, plan.from, plan.to, step);
    (plan, sim)
}

fn median(mut values: Vec<f64>) -> f64 {
    values.sort_by(f64::total_cmp);
    values[values.len() / 2]
}

#[test]
fn the_same_seed_is_the_same_unit() {
    let (plan, sim) = life(Kind::Hard, 3, HOUR);
    let (again, sim_again) = life(Kind::Hard, 3, HOUR);
    assert!(plan == again && sim.readings == sim_again.readings && sim.log == sim_again.log);
    assert_ne!(plan, random_plan(Kind::Hard, 4));
    assert_ne!(plan, random_plan(Kind::Usual, 3));
}

/// What the sensor shows in a day is the course of the truth, apart from noise, episodes and faults.
#[test]
fn readings_follow_the_course() {
    for kind in Kind::ALL {
        let (plan, sim) = life(kind, 11, HOUR);
        let mut readings = sim.readings.iter().peekable();
        let mut judged = 0;
        for day in &sim.truth.days {
            let (start, end) = Timestamp::day_bounds(day.date, &plan.papers.zone);
            let mut today = Vec::new();
            while let Some(reading) = readings.next_if(|r| r.at < end) {
                today.push(reading.get(Channel::Intensity).unwrap());
            }
            let touched = |from: Timestamp, to: Timestamp| from < end && to > start;
            let faulty = plan.faults.iter().any(|f| f.kind != FaultKind::Outage && touched(f.from, f.to));
            let served = plan.services.iter().any(|s| touched(s.at, s.at));
            if today.len() < 20 || faulty || served || day.losses.episode > 0.001 || day.losses.lamp < -0.01 {
                continue;
            }
            judged += 1;
            let off = (median(today) / day.intensity).ln().abs();
            // Noise of a day at most 0.4 %, the lamp's wall by flow at most 1 %, a step of the sensor.
            assert!(off < 0.015 + 0.5 * plan.sensor.step / day.intensity, "{kind} {} {off}", day.date);
        }
        assert!(judged > 100, "{kind} {judged}");
    }
}

/// The crossing by another route: a unit to whom nobody comes after the day, lived through day by day.
#[test]
fn a_crossing_is_that_of_a_unit_left_alone() {
    let mut found = 0;
    for (kind, seed) in
        [(Kind::Usual, 1), (Kind::Usual, 2), (Kind::FastFouling, 5), (Kind::Hard, 1), (Kind::SensorOnly, 4)]
    {
        let (plan, sim) = life(kind, seed, DAY);
        for i in [40, 151, sim.truth.days.len() - 2] {
            let date = sim.truth.days[i].date;
            let (_, end) = Timestamp::day_bounds(date, &plan.papers.zone);
            let mut alone = plan.clone();
            alone.services.retain(|s| s.at < end);
            alone.faults.clear();
            alone.faults.extend(plan.faults.iter().filter(|f| f.to < end));
            alone.water.shifts.retain(|s| s.at <= end);
            let lived = truth(&alone, alone.from, end.plus_millis(300 * DAY));
            let under = |w: &&[truth::TruthDay]| {
                w.iter().map(|d| d.intensity).sum::<f64>() / w.len() as f64 <= plan.papers.set_point
            };
            let first = lived.days[i + 1 - MEAN_DAYS..].windows(MEAN_DAYS).find(under).map(|w| w[MEAN_DAYS - 1].date);
            assert_eq!(
                sim.truth.crossing_within(date, 290),
                first.filter(|d| (*d - date).get_days() <= 290),
                "{kind} {date}"
            );
            found += u32::from(first.is_some());
        }
    }
    assert!(found >= 8, "{found} crossings to compare");
}

#[test]
fn single_causes_stay_single() {
    for seed in 0..12 {
        let healthy = life(Kind::Healthy, seed, DAY).1.truth;
        assert!(healthy.days.iter().all(|d| d.losses.leading() == VerdictCause::None), "healthy {seed}");
        assert_eq!(healthy.crossing_from(healthy.days[30].date), None);
        for (kind, own) in [
            (Kind::LampOnly, Cause::LampAgeing),
            (Kind::SensorOnly, Cause::SensorDrift),
            (Kind::WaterOnly, Cause::WaterQuality),
        ] {
            let truth = life(kind, seed, DAY).1.truth;
            let last = truth.days.last().unwrap();
            for other in [Cause::SleeveFouling, Cause::LampAgeing, Cause::SensorDrift, Cause::WaterQuality] {
                assert!(other == own || last.losses.of(other) < 0.015, "{kind} {seed} {other} {:?}", last.losses);
            }
        }
        let bounded = life(Kind::NeverCrosses, seed, DAY).1.truth;
        for day in bounded.days.iter().step_by(50).chain(bounded.days.last()) {
            assert_eq!(bounded.crossing_from(day.date), None, "never-crosses {seed} {}", day.date);
        }
    }
}

/// Crossings 15, 30 and 60 days ahead can be judged in nearly every usual unit, and few days are short.
#[test]
fn usual_units_have_crossings_to_judge() {
    let (mut logged, mut cleanings) = (0, 0);
    for seed in 0..30 {
        let (plan, sim) = life(Kind::Usual, seed, DAY);
        let truth = &sim.truth;
        let years = plan.to.days_since(plan.from) / 365.0;
        assert!((0.99..=3.01).contains(&years));
        let ahead: Vec<i32> = truth.days[60..]
            .iter()
            .step_by(3)
            .filter_map(|day| truth.crossing_within(day.date, 90).map(|c| (c - day.date).get_days()))
            .collect();
        assert!(ahead.iter().any(|d| (1..=90).contains(d)), "unit {seed} never comes near");
        let short = truth.days.iter().filter(|d| d.intensity <= plan.papers.set_point).count();
        assert!(short as f64 <= 0.06 * truth.days.len() as f64, "unit {seed} short on {short} days");
        let cleaned = plan.services.iter().filter(|s| matches!(s.work, Work::CleanSleeve { .. }));
        cleanings += cleaned.clone().count();
        logged += cleaned.filter(|s| s.logged.is_some()).count();
    }
    // 70 % with a standard error of about 3 points.
    let share = logged as f64 / cleanings as f64;
    assert!((0.60..0.80).contains(&share), "{logged} of {cleanings}");
}

#[test]
fn a_cleaning_brings_back_all_but_the_permanent_part() {
    let mut plan = random_plan(Kind::Healthy, 2);
    plan.deposit.rate = 0.002;
    plan.deposit.induction_days = 0.0;
    (plan.deposit.per_c, plan.deposit.per_standing) = (0.0, 0.0);
    let at = plan.from.plus_millis(100 * DAY);
    plan.services = vec![plan::Service::unlogged(at, Work::CleanSleeve { left: 0.05, pace: 1.0 })];
    let truth = truth(&plan, plan.from, plan.to);
    let before = truth.losses_at(at.plus_millis(-HOUR)).sleeve;
    let after = truth.losses_at(at.plus_millis(HOUR)).sleeve;
    assert!((before - 0.2).abs() < 0.002, "100 days of 0.2 %: {before}");
    assert!((after - 0.05 * before).abs() < 0.001, "{after}");
    assert!(log(&plan, plan.to).is_empty(), "nobody wrote it down");
}

#[test]
fn days_and_instants_agree() {
    let (_, sim) = life(Kind::Usual, 7, DAY);
    for day in sim.truth.days.windows(2).skip(50).step_by(97) {
        let noon = Timestamp::day_start(day[0].date, &sim.spec.zone).plus_millis(12 * HOUR);
        let now = sim.truth.losses_at(noon);
        if (day[1].losses.sleeve - day[0].losses.sleeve).abs() < 0.01 {
            assert!((now.course() - day[0].losses.course()).abs() < 0.004, "{}", day[0].date);
        }
    }
}

#[test]
fn a_power_cut_a_warm_up_and_a_new_lamp_show() {
    let mut plan = random_plan(Kind::Healthy, 1);
    plan.channels = plan::Channels { lamp_on: true, lamp_hours: true, lamp_starts: true, ..Default::default() };
    plan.faults = vec![plan::Fault {
        kind: FaultKind::PowerCut,
        from: plan.from.plus_millis(10 * HOUR),
        to: plan.from.plus_millis(12 * HOUR),
    }];
    let at = plan.from.plus_millis(20 * HOUR);
    plan.services = vec![plan::Service::logged(at, Work::NewLamp { lamp: plan.lamp, counter_reset: true })];
    let sim = simulate(&plan, plan.from, plan.from.plus_millis(30 * HOUR), MINUTE / 4);
    let show = |hours: f64, channel| {
        let at = plan.from.plus_millis((hours * HOUR as f64) as i64);
        sim.readings.iter().find(|r| r.at >= at).and_then(|r| r.get(channel)).unwrap()
    };
    let full = show(9.0, Channel::Intensity);
    assert!(show(11.0, Channel::Intensity) < 0.01 * full && show(11.0, Channel::LampOn) == 0.0);
    assert!(show(12.003, Channel::Intensity) < 0.8 * full, "still warming up");
    // Low-pressure lamps take 1 to 2 minutes, longer in cold water (EPA 815-R-06-007, from memory).
    assert!(show(12.17, Channel::Intensity) > 0.97 * full);
    assert!((show(19.0, Channel::LampStarts) - show(9.0, Channel::LampStarts) - 1.0).abs() < 1e-9);
    let burnt = show(19.0, Channel::LampHours) - show(9.0, Channel::LampHours);
    assert!((burnt - 8.0).abs() < 1.01, "ten hours less two without power: {burnt}");
    assert!(show(29.0, Channel::LampHours) < 10.0);
    assert!(show(29.0, Channel::Intensity) > 1.005 * full, "a new lamp before its burn-in");
}

#[test]
fn closed_units_are_silent_and_stuck_sensors_repeat() {
    let mut plan = random_plan(Kind::Healthy, 6);
    plan.services = vec![
        plan::Service::logged(plan.from.plus_millis(5 * DAY), Work::Close),
        plan::Service::logged(plan.from.plus_millis(9 * DAY), Work::Open),
    ];
    let (from, to) = (plan.from.plus_millis(12 * DAY), plan.from.plus_millis(13 * DAY));
    plan.faults = vec![plan::Fault { kind: FaultKind::Stuck, from, to }];
    let sim = simulate(&plan, plan.from, plan.from.plus_millis(20 * DAY), 10 * MINUTE);
    let between = |from: i64, to: i64| {
        let (from, to) = (plan.from.plus_millis(from * DAY), plan.from.plus_millis(to * DAY));
        sim.readings.iter().filter(move |r| from < r.at && r.at < to).filter_map(|r| r.get(Channel::Intensity))
    };
    assert_eq!(between(5, 9).count(), 0);
    assert!(between(9, 12).count() > 400);
    let stuck: Vec<f64> = between(12, 13).collect();
    assert!(stuck.len() == 143 && stuck.iter().all(|v| v.total_cmp(&stuck[0]).is_eq()));
    assert!(sim.truth.days.iter().filter(|d| d.closed).count() >= 3);
}

#[test]
fn percent_sensors_report_whole_numbers_up_to_a_hundred() {
    let percents: Vec<Simulated> = (0..40)
        .map(|seed| random_plan(Kind::Hard, seed))
        .filter(|plan| plan.papers.sensor.unit == IntensityUnit::Percent)
        .map(|plan| simulate(&plan, plan.from, plan.from.plus_millis(20 * DAY), HOUR))
        .collect();
    assert!(percents.len() > 5);
    for reading in percents.iter().flat_map(|sim| &sim.readings) {
        let value = reading.get(Channel::Intensity).unwrap();
        assert!(value.fract() == 0.0 && (0.0..=110.0).contains(&value), "{value}");
    }
}

/// An episode takes light for hours to days and gives it back without anybody's doing.
#[test]
fn episodes_come_and_go() {
    let (plan, sim) = life(Kind::WaterOnly, 0, DAY);
    assert!(sim.truth.episodes.len() > 3);
    let path = plan.optics.path_cm;
    for episode in &sim.truth.episodes {
        let loss = |at| truth::percent(physics::water_loss(plan.water.passing(at), path));
        let hours = (episode.to.millis_since(episode.from)) / HOUR;
        let deepest = (0..=hours).map(|h| loss(episode.from.plus_millis(h * HOUR))).fold(0.0, f64::max);
        assert!((deepest - episode.depth_percent).abs() < 0.2 * deepest, "{deepest} {episode:?}");
        assert!((12..24 * 60).contains(&hours), "{episode:?}");
    }
}

/// What is known of a unit that was taken over: when parts were fitted, never that they were cleaned; of some, nothing.
#[test]
fn papers_of_units_taken_over_say_what_was_fitted() {
    let plans: Vec<_> = (0..60).map(|seed| random_plan(Kind::TakenOver, seed)).collect();
    let (with, without): (Vec<_>, Vec<_>) = plans.iter().partition(|plan| plan.papers.has_papers());
    assert!(with.len() > 40 && without.len() > 4, "{} with papers", with.len());
    for plan in with {
        let new = plan.papers.sleeve.installed.expect("when the sleeve was new");
        let used = plan.from.days_since(new);
        assert!((0.0..3_000.0).contains(&used) && plan.deposit.days_at_start <= used + 1.0, "{used}");
        assert!(plan.papers.sleeve.cleaned.is_none() && plan.papers.sensor.installed.is_some());
    }
    assert!(without.iter().all(|plan| plan.papers.reference.is_none()));
}
