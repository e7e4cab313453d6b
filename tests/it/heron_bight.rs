//! What the analysis says of the demo's fleet is what its stories say.

use fadeline::analysis::{Constants, History, assess, rollup};
use fadeline::domain::time::{DAY, MINUTE};
use fadeline::domain::{Assessment, Channel, Reading, Timestamp};
use fadeline::report::fleet::{FleetRow, Look, table};
use fadeline::scenario::heron_bight::{Resident, fleet};

fn said(unit: &Resident, now: Timestamp) -> Assessment {
    let constants = Constants::default();
    let readings: Vec<Reading> = unit.history.iter().flat_map(|(_, readings)| readings.iter().copied()).collect();
    let days = rollup::summarise(&readings, &unit.spec, &unit.log, &constants.rollup);
    let history = History {
        spec: &unit.spec,
        days: &days,
        log: &unit.log,
        latest: readings.last().copied(),
        cadence_millis: Some(10 * MINUTE),
        neighbours: None,
    };
    assess(&history, now, &constants)
}

fn complaints(unit: &Resident, said: &Assessment, now: Timestamp) -> Vec<String> {
    let expects = &unit.expects;
    let mut all = Vec::new();
    let mut hold = |holds: bool, text: String| {
        if !holds {
            all.push(format!("{}: {text}", unit.spec.id));
        }
    };
    hold(expects.conditions.contains(&said.condition), format!("condition {}", said.condition));
    hold(
        expects.causes.contains(&said.verdict.cause),
        format!("verdict {}: {}", said.verdict.cause, said.verdict.says),
    );
    let p50 = said.forecast.crossing.p50;
    hold(expects.crosses.is_none_or(|c| c == p50.is_some()), format!("crossing {:?}", said.forecast.crossing));
    let today = now.date_in(&unit.spec.zone);
    match expects.unlogged_days_ago {
        Some(days) => {
            let near = |date: jiff::civil::Date| (i64::from((today - date).get_days()) - days).abs() <= 4;
            hold(said.unlogged.iter().any(|step| near(step.at)), format!("unlogged {:?}", said.unlogged));
        }
        None => hold(said.unlogged.is_empty(), format!("unlogged {:?}", said.unlogged)),
    }
    if let Some(days) = expects.episode_days_ago {
        let about = |at: Timestamp| (now.days_since(at) - days as f64).abs() <= 4.0;
        let seen = said.episodes.iter().any(|e| e.recovered && about(e.from) && now.days_since(e.to) < 14.0);
        hold(seen, format!("episodes {:?}", said.episodes));
    }
    all
}

#[test]
fn the_analysis_tells_the_stories() {
    let mut wrong = Vec::new();
    for now in [
        "2026-11-20T15:07:30Z",
        "2026-11-25T10:00:00Z",
        "2026-12-14T02:00:00Z",
        "2027-01-20T12:00:00Z",
        "2027-02-28T04:59:00Z",
        "2027-04-01T06:00:00Z",
        "2027-05-11T20:00:00Z",
        "2027-07-04T17:00:00Z",
        "2027-09-09T09:00:00Z",
        "2027-10-30T23:00:00Z",
    ] {
        let now: Timestamp = now.parse().unwrap();
        let units = fleet(now);
        let mut rows = Vec::new();
        for unit in &units {
            let said = said(unit, now);
            wrong.extend(complaints(unit, &said, now));
            let latest = unit.history.last().and_then(|(_, readings)| readings.last().copied());
            rows.push(FleetRow {
                id: unit.spec.id.clone(),
                name: unit.spec.name.clone(),
                zone: unit.spec.zone.clone(),
                condition: said.condition,
                intensity: latest.filter(|r| now.millis_since(r.at) < DAY).and_then(|r| r.get(Channel::Intensity)),
                unit: unit.spec.sensor.unit,
                set_point: unit.spec.set_point,
                assessment: Some(said.into()),
            });
        }
        // Shown only when the test fails.
        println!("{}", table(&rows, Look { columns: 100, colour: false }, now));
    }
    assert!(wrong.is_empty(), "{}", wrong.join("\n"));
}

/// What a wipe brings back sends nobody with a lamp or another sensor; the light's own date stands. Common practice, no
/// source: the window is wiped before a part is bought.
#[test]
fn a_dirty_window_makes_no_part_due() {
    for now in ["2026-11-25T10:00:00Z", "2027-05-11T20:00:00Z"] {
        let now: Timestamp = now.parse().unwrap();
        let unit = fleet(now).into_iter().find(|unit| unit.spec.id.unit() == "wash-house").unwrap();
        let said = said(&unit, now);
        let today = now.date_in(&unit.spec.zone);
        let days = |date: jiff::civil::Date| (date - today).get_days();
        let forecast = &said.forecast;
        assert!(forecast.crossing.p50.is_some_and(|date| (30..100).contains(&days(date))), "{forecast:?}");
        for part in [forecast.lamp_by, forecast.sensor_by] {
            assert!(part.is_none_or(|date| days(date) > 150), "{forecast:?}");
        }
        assert_eq!(forecast.clean_by, None);
    }
}
