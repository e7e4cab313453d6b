use super::*;
use crate::alert::OrderKind;
use crate::alert::quiet::Quiet;
use crate::domain::time::{DAY, HOUR, MINUTE};
use crate::domain::{Assessment, Reading, ServiceEntry};
use crate::engine::{Event, Restored};

const NOON: &str = "2026-08-14T12:00:00Z";

fn id(unit: &str) -> UnitId {
    UnitId::new("heron-bight", unit).unwrap()
}

fn noon() -> Timestamp {
    NOON.parse().unwrap()
}

/// Readings every ten minutes up to `until`.
fn readings(until: Timestamp, count: i64, intensity: f64) -> Vec<Reading> {
    let reading = |i: i64| Reading::new(until.plus_millis(-i * 10 * MINUTE)).with(Channel::Intensity, intensity);
    (0..count).rev().map(reading).collect()
}

fn engine_with(units: &[&str], rules: Rules, restored: impl Fn() -> Restored) -> Engine {
    let units = units.iter().map(|unit| (UnitSpec::new(id(unit), 14.0), restored()));
    let mut engine = Engine::new(units, rules, noon());
    engine.handle(Event::SayAll, noon());
    engine
}

fn rules() -> Rules {
    Rules { lead_days: 14, quiet: Quiet::default() }
}

fn engine(units: &[&str]) -> Engine {
    engine_with(units, rules(), || Restored { readings: readings(noon(), 6, 21.0), ..Restored::default() })
}

fn stored(unit: &str, at: Timestamp, intensity: f64) -> Event {
    Event::Stored { unit: id(unit), readings: readings(at, 1, intensity) }
}

/// `unit: what kind` of everything people are told.
fn told(effects: &[Effect]) -> Vec<String> {
    let mut all = Vec::new();
    for effect in effects {
        if let Effect::Notify(notice) = effect {
            all.extend(
                notice
                    .items
                    .iter()
                    .map(|item| format!("{}: {:?} {}", item.unit.as_deref().unwrap_or("*"), item.what, item.kind)),
            );
        }
    }
    all
}

fn assessed(unit: &str, as_of: Timestamp, change: impl FnOnce(&mut Assessment)) -> Event {
    let mut assessment: Assessment =
        serde_json::from_str(include_str!("../../fixtures/assessment/contract.json")).unwrap();
    assessment.as_of = as_of;
    (assessment.unlogged, assessment.episodes, assessment.parts) = (Vec::new(), Vec::new(), Vec::new());
    change(&mut assessment);
    Event::Assessed { unit: id(unit), assessment: Box::new(assessment), signs: Box::default() }
}

#[test]
fn treatment_is_told_at_once_and_its_end_after_a_day_and_six_hours() {
    let mut engine = engine(&["boathouse"]);
    let low = noon().plus_millis(10 * MINUTE);
    assert_eq!(told(&engine.handle(stored("boathouse", low, 13.9), low)), ["boathouse: Raised treatment-not-assured"]);
    let mut ends = Vec::new();
    for i in 2..200 {
        let now = noon().plus_millis(i * 10 * MINUTE);
        for line in told(&engine.handle(stored("boathouse", now, 20.0), now)) {
            ends.push((line, now));
        }
    }
    assert_eq!(
        ends,
        [("boathouse: Cleared treatment-not-assured".to_owned(), noon().plus_millis(DAY + 6 * HOUR + 20 * MINUTE))]
    );
}

#[test]
fn a_lamp_that_has_just_come_on_may_warm_up() {
    let mut engine = engine(&["boathouse"]);
    let at = |minutes: i64| noon().plus_millis(minutes * MINUTE);
    let mut lines = Vec::new();
    let course = [(30, 0.0), (60, 8.0), (90, 8.0)];
    for (minute, light) in course {
        lines.extend(told(&engine.handle(stored("boathouse", at(minute), light), at(minute))));
        lines.extend(told(&engine.handle(Event::Tick, at(minute + 20))));
    }
    let raised = ["boathouse: Raised no-light", "boathouse: Raised treatment-not-assured"];
    assert_eq!(lines, raised, "the first low reading is warm-up, the second is not");
}

#[test]
fn a_silent_gateway_is_one_alert_and_holds_those_of_its_units() {
    let mut engine = engine(&["boathouse", "sauna", "bakery"]);
    let mut lines = Vec::new();
    // The three stop at slightly different times.
    let last = [("boathouse", 0), ("sauna", 3), ("bakery", 7)];
    for (unit, minute) in last {
        let now = noon().plus_millis(minute * MINUTE);
        lines.extend(told(&engine.handle(stored(unit, now, 21.0), now)));
    }
    for minute in 8..600 {
        lines.extend(told(&engine.handle(Event::Tick, noon().plus_millis(minute * MINUTE))));
    }
    assert_eq!(lines, ["*: Raised site-silent"]);
    lines.clear();
    // Two come back; the third does not.
    for minute in (600..1400).step_by(10) {
        let now = noon().plus_millis(minute * MINUTE);
        for unit in ["boathouse", "sauna"] {
            lines.extend(told(&engine.handle(stored(unit, now, 21.0), now)));
        }
        lines.extend(told(&engine.handle(Event::Tick, now)));
    }
    assert_eq!(lines, ["*: Cleared site-silent", "bakery: Raised no-readings"]);
}

#[test]
fn a_unit_that_is_silent_alone_is_its_own_alert() {
    let mut engine = engine(&["boathouse", "sauna"]);
    let mut lines = Vec::new();
    for minute in (10..900).step_by(10) {
        let now = noon().plus_millis(minute * MINUTE);
        lines.extend(told(&engine.handle(stored("sauna", now, 21.0), now)));
        lines.extend(told(&engine.handle(Event::Tick, now)));
    }
    assert_eq!(lines, ["boathouse: Raised no-readings"]);
}

#[test]
fn a_start_replays_nothing_and_loses_nothing() {
    let mut engine = engine(&["boathouse"]);
    let low = noon().plus_millis(10 * MINUTE);
    let effects = engine.handle(stored("boathouse", low, 10.0), low);
    let kept = effects.iter().rev().find_map(|effect| match effect {
        Effect::Keep { book, .. } => Some((**book).clone()),
        _ => None,
    });
    let book = kept.expect("an alert is kept");
    let later = low.plus_millis(5 * MINUTE);
    let restored = Restored { readings: readings(low, 6, 10.0), book, ..Restored::default() };
    let mut again = Engine::new([(UnitSpec::new(id("boathouse"), 14.0), restored)], rules(), later);
    let effects = again.handle(Event::SayAll, later);
    assert_eq!(told(&effects), Vec::<String>::new(), "nobody is told twice");
    let since = effects.iter().find_map(|effect| match effect {
        Effect::Say { statement: Statement::Alert(Kind::TreatmentNotAssured, Some(alert)), .. } => Some(alert.since),
        _ => None,
    });
    assert_eq!(since, Some(low), "it is still there, since then");
    for minute in 1..20 {
        assert_eq!(told(&again.handle(Event::Tick, later.plus_millis(minute * MINUTE))), Vec::<String>::new());
    }
}

#[test]
fn visits_and_closing_hold_alerts() {
    let mut engine = engine(&["boathouse"]);
    let at = |minutes: i64| noon().plus_millis(minutes * MINUTE);
    let visit = vec![ServiceEntry::new(at(5), ServiceAction::VisitStarted)];
    engine.handle(Event::Serviced { unit: id("boathouse"), log: visit.clone() }, at(5));
    assert!(told(&engine.handle(stored("boathouse", at(10), 0.0), at(10))).is_empty());
    assert!(told(&engine.handle(stored("boathouse", at(20), 9.0), at(20))).is_empty());
    let mut log = visit;
    log.push(ServiceEntry::new(at(25), ServiceAction::VisitEnded));
    engine.handle(stored("boathouse", at(24), 22.0), at(24));
    let effects = engine.handle(Event::Serviced { unit: id("boathouse"), log: log.clone() }, at(25));
    assert!(told(&effects).is_empty(), "{:?}", told(&effects));
    log.push(ServiceEntry::new(at(30), ServiceAction::Closed));
    engine.handle(Event::Serviced { unit: id("boathouse"), log: log.clone() }, at(30));
    for day in 1..100 {
        assert!(told(&engine.handle(Event::Tick, noon().plus_millis(day * DAY))).is_empty());
    }
    let opened = noon().plus_millis(100 * DAY);
    log.push(ServiceEntry::new(opened, ServiceAction::Opened));
    engine.handle(Event::Serviced { unit: id("boathouse"), log }, opened);
    assert!(told(&engine.handle(Event::Tick, opened.plus_millis(30 * MINUTE))).is_empty(), "silence counts from now");
    assert!(told(&engine.handle(Event::Tick, opened.plus_millis(2 * HOUR))).is_empty(), "it may come back");
    let lines = told(&engine.handle(Event::Tick, opened.plus_millis(14 * HOUR)));
    assert_eq!(lines, ["boathouse: Raised no-readings"]);
}

#[test]
fn quiet_hours_hold_what_can_wait_and_the_digest_gathers_it() {
    let time = |text: &str| text.parse().unwrap();
    let due = |engine: &mut Engine, unit: &str, now: Timestamp| {
        let event =
            assessed(unit, now, |a| a.forecast.clean_by = Some(now.plus_millis(5 * DAY).date_in(&TimeZone::UTC)));
        told(&engine.handle(event, now))
    };
    let hours = Quiet { hours: Some((time("22:00"), time("07:00"))), digest: None };
    let restored = || Restored { readings: readings(noon(), 6, 21.0), ..Restored::default() };
    let mut engine = engine_with(&["boathouse"], Rules { quiet: hours, ..rules() }, restored);
    let night = "2026-08-14T23:00:00Z".parse::<Timestamp>().unwrap();
    engine.handle(stored("boathouse", night, 21.0), night);
    assert!(due(&mut engine, "boathouse", night).is_empty());
    let low = night.plus_millis(10 * MINUTE);
    let lines = told(&engine.handle(stored("boathouse", low, 10.0), low));
    assert_eq!(lines, ["boathouse: Raised treatment-not-assured"], "urgent at any hour");
    let morning = "2026-08-15T07:00:00Z".parse().unwrap();
    engine.handle(stored("boathouse", morning, 10.0), morning);
    let lines = told(&engine.handle(Event::Tick, morning));
    assert!(lines.is_empty(), "told with the reading already");

    let digest = Quiet { digest: Some(time("08:00")), hours: None };
    let mut engine = engine_with(&["boathouse", "sauna"], Rules { quiet: digest, ..rules() }, restored);
    assert!(due(&mut engine, "boathouse", noon()).is_empty() && due(&mut engine, "sauna", noon()).is_empty());
    let at_eight = "2026-08-15T08:00:00Z".parse().unwrap();
    for unit in ["boathouse", "sauna"] {
        engine.handle(
            stored(unit, "2026-08-15T07:59:00Z".parse().unwrap(), 21.0),
            "2026-08-15T07:59:00Z".parse().unwrap(),
        );
    }
    let effects = engine.handle(Event::Tick, at_eight);
    assert_eq!(told(&effects), ["boathouse: Raised cleaning-due", "sauna: Raised cleaning-due"]);
    assert_eq!(effects.iter().filter(|e| matches!(e, Effect::Notify(_))).count(), 1, "one message for the site");
}

#[test]
fn every_kind_of_the_assessment_has_its_alert() {
    let mut engine = engine(&["boathouse"]);
    let mut raised: Vec<String> = Vec::new();
    for day in 0..6 {
        let now = noon().plus_millis(day * DAY);
        let today = now.date_in(&TimeZone::UTC);
        raised.extend(told(&engine.handle(stored("boathouse", now, 21.0), now)));
        let event = assessed("boathouse", now, |a| {
            let contract: Assessment =
                serde_json::from_str(include_str!("../../fixtures/assessment/contract.json")).unwrap();
            a.parts = contract.parts;
            a.parts[0].due = Some(today);
            a.unlogged = contract.unlogged.clone();
            a.unlogged[0].at = today.yesterday().unwrap();
            a.unlogged.push(a.unlogged[0].clone());
            a.unlogged[1].likely = crate::domain::assessment::Likely::WaterChanged;
            a.log_doubts = vec![crate::domain::assessment::LogDoubt {
                action: ServiceAction::SleeveCleaned,
                at: now.plus_millis(-DAY),
                used: None,
                says: "the light did not rise".into(),
            }];
            a.episodes = contract.episodes.clone();
            a.episodes[0].recovered = false;
            a.episodes[0].to = now;
            a.forecast.crossing.p10 = Some(today);
            a.forecast.after_cleaning.as_mut().unwrap().enough = false;
        });
        raised.extend(told(&engine.handle(event, now)));
    }
    raised.sort();
    let kinds: Vec<&str> = raised.iter().filter_map(|line| line.strip_prefix("boathouse: Raised ")).collect();
    let want = ["cleaning-not-enough", "log-doubt", "part-limit", "unlogged-step", "water-changed", "water-episode"];
    assert_eq!(kinds, want, "{raised:?}");
}

#[test]
fn an_order_is_kept_and_said() {
    let mut engine = engine(&["boathouse"]);
    let low = noon().plus_millis(10 * MINUTE);
    engine.handle(stored("boathouse", low, 10.0), low);
    let order =
        Order { what: OrderKind::Acknowledge, by: Some("Ana".into()), note: Some("on my way".into()), until: None };
    let (count, effects) = engine.order(&id("boathouse"), None, &order, low).unwrap();
    assert_eq!(count, 1);
    let said = effects.iter().find_map(|effect| match effect {
        Effect::Say { statement: Statement::Alert(_, Some(alert)), .. } => {
            Some((alert.state, alert.acknowledged.clone()))
        }
        _ => None,
    });
    let (state, ack) = said.unwrap();
    assert_eq!((state, ack.unwrap().by.as_deref()), (Standing::Acknowledged, Some("Ana")));
    assert!(engine.order(&id("boathouse"), Some(Kind::NoLight), &order, low).is_err());
    let [Live::Unit(alert)] = &engine.alerts(low)[..] else { panic!() };
    assert_eq!(alert.kind, Kind::TreatmentNotAssured);
}
