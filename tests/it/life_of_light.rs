//! The whole lives of the alerts that follow from the course of the light over weeks: in the real binary, with a real
//! broker, on simulated units whose truth is known, while a turned clock lets the days pass.

use fadeline::alert::{Kind, Level, Standing};
use fadeline::domain::time::{DAY, HOUR};
use fadeline::domain::{Channel, ServiceAction, ServiceEntry, Timestamp, UnitId};
use fadeline::scenario::plan::{Service, UnitPlan, Work};
use fadeline::scenario::water::{Shift, Storm};
use fadeline::scenario::{self, export, heron_bight};
use jiff::tz::TimeZone;
use serde_json::json;

use super::world::{Fed, World};

/// Shortly after a midnight, when the day before is closed.
const START: &str = "2026-06-10T04:41:00Z";
const HISTORY_DAYS: i64 = 150;
const DAYS: i64 = 17;
/// Units that send every two hours are silent only after twelve.
const STEP: i64 = 2 * HOUR;

fn start() -> Timestamp {
    START.parse().unwrap()
}

/// `hour` o'clock of the day `days` after the start's.
fn at(days: i64, hour: f64) -> Timestamp {
    let zone = TimeZone::get(heron_bight::ZONE).unwrap();
    let midnight = Timestamp::day_start(start().date_in(&zone), &zone);
    midnight.plus_millis(days * DAY + (hour * HOUR as f64) as i64)
}

/// The story of a unit of the invented fleet as it ends at `ends`, told of a unit at a site of its own, and changed.
fn plan(site: &str, story: &str, ends: Timestamp, change: impl FnOnce(&mut UnitPlan)) -> UnitPlan {
    let resident = heron_bight::fleet(ends).into_iter().find(|resident| resident.spec.id.unit() == story).unwrap();
    let mut plan = resident.plan;
    plan.papers.id = UnitId::new(site, "unit").unwrap();
    plan.faults.clear();
    plan.channels.transmittance = false;
    change(&mut plan);
    plan
}

fn plans() -> Vec<UnitPlan> {
    let cleaning = Work::CleanSleeve { left: 0.04, pace: 1.0 };
    let lamp = heron_bight::effect_of(ServiceAction::LampReplaced).unwrap();
    vec![
        plan("due", "kingfisher", start(), |plan| plan.services.push(Service::unlogged(at(1, 10.0), cleaning))),
        // Its lamp brings it down within the next days.
        plan("lamp", "loon", start().plus_millis(-60 * DAY), |plan| {
            plan.services.push(Service::unlogged(at(3, 10.0), lamp));
        }),
        plan("storm", "heron-house", start(), |plan| {
            let storm = |at, turbidity, organics, slowness| Storm { at, turbidity, organics, slowness };
            plan.water.storms = vec![storm(at(1, 6.0), 1.5, 0.01, 1.5), storm(at(2, 6.0), 10.0, 0.04, 1.0)];
        }),
        plan("water", "heron-house", start(), |plan| {
            plan.water.shifts.push(Shift { at: at(-14, 6.0), days: 0.3, absorbance: 0.02 });
        }),
        plan("slow-water", "heron-house", start(), |plan| {
            plan.water.shifts.push(Shift { at: at(-40, 6.0), days: 4.0, absorbance: 0.02 });
        }),
        // Its own meter shows the change, which is in no step of the light.
        plan("metered-water", "heron-house", start(), |plan| {
            plan.channels.transmittance = true;
            plan.water.shifts.push(Shift { at: at(-55, 6.0), days: 0.3, absorbance: 0.02 });
        }),
        plan("step", "boathouse", start(), |plan| plan.services.push(Service::unlogged(at(-4, 10.0), cleaning))),
        plan("doubt", "boathouse", start(), |plan| {
            plan.false_entries.push(ServiceEntry::new(at(-6, 10.0), ServiceAction::SleeveCleaned));
        }),
    ]
}

fn lived(plan: &mut UnitPlan) -> Fed {
    let from = start().plus_millis(-HISTORY_DAYS * DAY);
    let simulated = scenario::simulate(plan, from, start().plus_millis(DAYS * DAY), STEP);
    plan.papers.lamp.hours_at_start = simulated.readings.iter().find_map(|reading| reading.get(Channel::LampHours));
    Fed::new(plan.papers.id.clone(), simulated.readings, simulated.log)
}

fn config(plans: &[UnitPlan]) -> String {
    let units = plans.iter().map(|plan| {
        let mut table = export::unit_toml(&plan.papers).parse::<toml::Table>().unwrap();
        table.remove("zone");
        toml::Value::Table(table)
    });
    toml::Table::from_iter([("unit".to_owned(), toml::Value::Array(units.collect()))]).to_string()
}

fn unit(site: &str) -> UnitId {
    UnitId::new(site, "unit").unwrap()
}

#[test]
fn what_weeks_of_light_tell_is_raised_answered_and_cleared() {
    let mut plans = plans();
    let fed = plans.iter_mut().map(lived).collect();
    let mut world = World::start(start(), heron_bight::ZONE, &config(&plans), fed);
    world.wait_assessed(start());
    a_cleaning_is_due_and_done(&mut world);
    let before = alerts_of_the_third_day(&mut world);
    world.restart();
    assert_eq!(alerts_retained(&world), before, "a restart changes nothing");
    a_silence_runs_out(&mut world);
    answers_of_the_fourth_day(&mut world);
    the_storm_passes(&mut world);
    told(&world);
}

fn a_cleaning_is_due_and_done(world: &mut World) {
    let due = unit("due");
    let alert = world.wait_alert(&due, Kind::CleaningDue, |_| true);
    assert_eq!((alert.level, alert.state), (Level::Notice, Standing::Raised));
    assert!(alert.says.starts_with("clean the sleeve by 2026-06-1") && alert.says.ends_with(" days"), "{}", alert.says);
    assert!(alert.sure.contains(" in 100.") && alert.sure.contains("one in ten"), "{}", alert.sure);
    assert!(alert.first.contains("log it") && alert.caution.contains("Gloves and goggles for acid"), "{alert:?}");
    let order = json!({"do": "acknowledge", "by": "Ana", "note": "on Thursday"});
    assert_eq!(world.order(&due, "cleaning-due", &order)["accepted"], true);
    world.wait_alert(&due, Kind::CleaningDue, |alert| alert.state == Standing::Acknowledged);
    world.close_day();
    let later = world.wait_alert(&due, Kind::CleaningDue, |now| now.says != alert.says);
    assert!(later.says.starts_with("clean the sleeve by 2026-06-1"), "{}", later.says);
    assert_eq!((later.since, later.state), (alert.since, Standing::Acknowledged), "updated in place");
    assert_eq!(later.acknowledged.unwrap().by.as_deref(), Some("Ana"));
    world.go_on(at(1, 11.0));
    world.log_action(&due, &json!({"action": "sleeve-cleaned", "time": at(1, 10.0).to_string(), "by": "Ana"}));
    world.close_day();
    world.wait_over(&due, Kind::CleaningDue);
}

/// What has to be seen for two days before it is told; returns what is retained then.
fn alerts_of_the_third_day(world: &mut World) -> Vec<(String, String)> {
    world.go_on(at(2, 2.0));
    let lamp = world.wait_alert(&unit("lamp"), Kind::CleaningNotEnough, |_| true);
    assert_eq!(lamp.level, Level::Warning);
    assert!(lamp.says.contains("needs a lamp; a cleaning would bring it to"), "{}", lamp.says);
    assert!(lamp.first.contains("a lamp in the bag") && lamp.caution.contains("mercury"), "{lamp:?}");
    let step = world.wait_alert(&unit("step"), Kind::UnloggedStep, |_| true);
    assert!(step.says.contains("on 2026-06-07, most likely sleeve-cleaned"), "{}", step.says);
    assert!(step.says.ends_with("What was done?") && step.first.contains("fadeline log step/unit"), "{step:?}");
    let doubt = world.wait_alert(&unit("doubt"), Kind::LogDoubt, |_| true);
    assert!(doubt.says.contains("sleeve-cleaned of 2026-06-04 10:00"), "{}", doubt.says);
    assert!(doubt.caution.contains("a finding, not a success"), "{}", doubt.caution);
    for (site, sure) in
        [("water", "looks alike"), ("slow-water", "looks alike"), ("metered-water", "measurement shows it")]
    {
        let water = world.wait_alert(&unit(site), Kind::WaterChanged, |_| true);
        assert!(water.sure.contains(sure), "{site}: {}", water.sure);
        assert!(water.says.contains("less light comes through, and it stays so"), "{}", water.says);
        assert!(water.caution.contains("as the health authority advises"), "{}", water.caution);
    }
    let storm = world.wait_alert(&unit("storm"), Kind::WaterEpisode, |_| true);
    assert_eq!(storm.level, Level::Notice, "{}", storm.says);
    assert!(storm.caution.contains("shields germs"), "{}", storm.caution);
    assert_eq!(world.order(&unit("storm"), "water-episode", &json!({"do": "acknowledge"}))["accepted"], true);
    world.wait_alert(&unit("storm"), Kind::WaterEpisode, |alert| alert.state == Standing::Acknowledged);
    alerts_retained(world)
}

fn alerts_retained(world: &World) -> Vec<(String, String)> {
    let said = world.retained().into_iter().filter(|(topic, _)| topic.contains("/alert/"));
    said.map(|(topic, payload)| (topic, String::from_utf8(payload).unwrap())).collect()
}

fn a_silence_runs_out(world: &mut World) {
    let lamp = unit("lamp");
    let order = json!({"do": "silence", "until": at(2, 9.0).to_string()});
    assert_eq!(world.order(&lamp, "cleaning-not-enough", &order)["accepted"], true);
    world.wait_alert(&lamp, Kind::CleaningNotEnough, |alert| alert.silenced_until == Some(at(2, 9.0)));
    world.go_on(at(2, 9.5));
    world.wait_alert(&lamp, Kind::CleaningNotEnough, |alert| alert.state == Standing::Raised);
}

fn answers_of_the_fourth_day(world: &mut World) {
    world.close_day();
    let storm = world.wait_alert(&unit("storm"), Kind::WaterEpisode, |alert| alert.level == Level::Warning);
    assert_eq!((storm.state, storm.acknowledged), (Standing::Raised, None), "worse than what was acknowledged");
    world.go_on(at(3, 11.0));
    let day = |days: i64, hour: f64| at(days, hour).to_string();
    world.log_action(&unit("lamp"), &json!({"action": "lamp-replaced", "time": day(3, 10.0)}));
    world.log_action(&unit("water"), &json!({"action": "transmittance-measured", "value": 90.5}));
    let softener = json!({"action": "note", "time": day(-38, 12.0), "note": "new softener"});
    world.log_action(&unit("slow-water"), &softener);
    let well = json!({"action": "note", "time": day(-54, 12.0), "note": "another well"});
    world.log_action(&unit("metered-water"), &well);
    let corrects = json!({"time": day(-6, 10.0), "action": "sleeve-cleaned"});
    let note = json!({"action": "note", "note": "that was the boathouse", "corrects": corrects, "time": day(-6, 10.0)});
    world.log_action(&unit("doubt"), &note);
    world.command(&["log", "step/unit", "sleeve-cleaned", "--at", "2026-06-06T10:00", "--by", "Ines"]);
    world.wait_over(&unit("step"), Kind::UnloggedStep);
    world.wait_over(&unit("doubt"), Kind::LogDoubt);
    world.wait_over(&unit("water"), Kind::WaterChanged);
    world.wait_over(&unit("slow-water"), Kind::WaterChanged);
    world.wait_over(&unit("metered-water"), Kind::WaterChanged);
    world.close_day();
    world.wait_over(&unit("lamp"), Kind::CleaningNotEnough);
}

fn the_storm_passes(world: &mut World) {
    for _ in 4..11 {
        world.close_day();
    }
    world.go_on(at(11, 8.0));
    world.wait_over(&unit("storm"), Kind::WaterEpisode);
    world.go_on(at(14, 9.0));
}

/// One message for each thing to do.
fn told(world: &World) {
    let mut told = Vec::new();
    while !told.iter().any(|line| line == "storm/unit: cleared water-episode") {
        told.extend(world.next_told());
    }
    // The new lamp burns in, which is another story.
    told.retain(|line| !line.starts_with("lamp/unit") || line.ends_with("cleaning-not-enough"));
    told.sort();
    let want = [
        "doubt/unit: cleared log-doubt",
        "doubt/unit: raised log-doubt",
        "due/unit: cleared cleaning-due",
        "due/unit: raised cleaning-due",
        "lamp/unit: cleared cleaning-not-enough",
        "lamp/unit: raised cleaning-not-enough",
        "lamp/unit: still cleaning-not-enough",
        "metered-water/unit: cleared water-changed",
        "metered-water/unit: raised water-changed",
        "slow-water/unit: cleared water-changed",
        "slow-water/unit: raised water-changed",
        "step/unit: cleared unlogged-step",
        "step/unit: raised unlogged-step",
        "storm/unit: cleared water-episode",
        "storm/unit: raised water-episode",
        "water/unit: cleared water-changed",
        "water/unit: raised water-changed",
    ];
    assert_eq!(told, want);
}
