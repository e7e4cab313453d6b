//! What to bring to a unit, each part with the probability that it will be needed.
//!
//! The rule is stated, not fitted (our choice, no source): a part whose life ends within [`SOON_DAYS`] is needed with
//! 0.9; otherwise the verdict's probability decides how much of a chance its cause gives the part; the rest is the
//! chance that something breaks or does not come clean on the way.

use jiff::civil::Date;
use serde::{Deserialize, Serialize};

use super::UnitRow;
use crate::domain::{Condition, VerdictCause};

/// A part that is due within so many days is changed on this visit.
pub const SOON_DAYS: i32 = 45;

/// A part for the van.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Bring {
    /// Such as `lamp`.
    pub part: String,
    /// That it will be needed, 0 to 1.
    pub probability: f64,
    /// Why.
    pub why: String,
}

/// What to bring to a unit, the likeliest first.
pub fn bring(row: &UnitRow, today: Date) -> Vec<Bring> {
    let Some(said) = &row.assessment else {
        let why = "nothing is known of the unit yet".to_owned();
        return vec![Bring { part: "lamp".to_owned(), probability: 0.1, why }];
    };
    let p = said.verdict.probability.unwrap_or(0.5);
    let is = |cause| said.verdict.cause == cause;
    let cause = |cause, share: f64| if is(cause) { p * share } else { 0.0 };
    let soon = |date: Option<Date>| date.is_some_and(|date| (date - today).get_days() <= SOON_DAYS);
    let part_due = |part: &str| said.parts.iter().find(|life| life.part == part).and_then(|life| life.due);
    let dark = row.condition == Condition::Dark;
    let fouled = is(VerdictCause::SleeveFouling);
    let mut list = Vec::new();
    let mut add = |part: &str, chances: &[(f64, &str)]| {
        let best = chances.iter().max_by(|a, b| a.0.total_cmp(&b.0));
        if let Some((probability, why)) = best.filter(|(probability, _)| *probability >= 0.005) {
            let probability = (probability.clamp(0.01, 0.95) * 100.0).round() / 100.0;
            list.push(Bring { part: part.to_owned(), probability, why: (*why).to_owned() });
        }
    };
    let due = |is_due: bool| if is_due { 0.9 } else { 0.0 };
    // Where lamp or sensor is blamed, the date of the next cleaning is not what the visit is for.
    let not_dirt = is(VerdictCause::LampAgeing) || is(VerdictCause::SensorDrift) || is(VerdictCause::LampOrSensor);
    let clean_soon = !not_dirt && soon(said.forecast.clean_by);
    let lamp_due = soon(said.forecast.lamp_by) || soon(part_due("lamp"));
    add(
        "lamp",
        &[
            (due(lamp_due), "its life ends soon"),
            (cause(VerdictCause::LampAgeing, 0.9), "the lamp is blamed"),
            (cause(VerdictCause::LampOrSensor, 0.5), "lamp or sensor, which of them is open"),
            (if dark { 0.6 } else { 0.0 }, "there is no light"),
            (0.05, "a spare: lamps break"),
        ],
    );
    add(
        "sensor",
        &[
            (due(soon(said.forecast.sensor_by) || soon(part_due("sensor"))), "its life ends soon"),
            (cause(VerdictCause::SensorDrift, 0.5), "the sensor or its window is blamed; wiping often suffices"),
            (cause(VerdictCause::LampOrSensor, 0.3), "lamp or sensor, which of them is open"),
            (if dark { 0.15 } else { 0.02 }, "a spare"),
        ],
    );
    let not_enough = said.forecast.after_cleaning.is_some_and(|after| !after.enough);
    add(
        "sleeve",
        &[
            (due(soon(part_due("sleeve"))), "its life ends soon"),
            (if fouled && not_enough { 0.5 } else { 0.0 }, "cleaning alone may not be enough"),
            (cause(VerdictCause::SleeveFouling, 0.12), "in case it does not come clear"),
            (0.05, "a spare: sleeves break"),
        ],
    );
    let opened = fouled || clean_soon || soon(part_due("sleeve"));
    add("O-rings", &[(if opened { 0.8 } else { 0.3 }, "whenever the sleeve comes out")]);
    add(
        "descaler, soft cloth, gloves, goggles",
        &[
            (cause(VerdictCause::SleeveFouling, 1.0), "the sleeve is blamed"),
            (cause(VerdictCause::SensorDrift, 0.9), "the sensor's window is wiped first"),
            (cause(VerdictCause::LampOrSensor, 0.6), "the sensor's window is wiped first"),
            (due(clean_soon), "cleaning is due"),
            (0.3, "the sleeve is looked at anyway"),
        ],
    );
    for part in ["sediment-filter", "carbon-filter", "flow-sensor"] {
        add(part, &[(due(soon(part_due(part))), "its life ends soon")]);
    }
    add("fuse", &[(if dark { 0.3 } else { 0.0 }, "there is no light")]);
    list.sort_by(|a, b| b.probability.total_cmp(&a.probability));
    list
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::domain::{Assessment, UnitSpec};
    use crate::query::Live;

    #[test]
    fn the_blamed_part_comes_first_and_nothing_is_certain() {
        let mut said: Assessment =
            serde_json::from_str(include_str!("../../fixtures/assessment/contract.json")).unwrap();
        let spec = UnitSpec::new("heron-bight/boathouse".parse().unwrap(), 14.0);
        let mut list = |cause| {
            said.verdict.cause = cause;
            let live = Live { condition: said.condition, reading: None };
            bring(&UnitRow::new(&spec, live, Some(said.clone().into())), jiff::civil::date(2026, 8, 14))
        };
        assert!(list(VerdictCause::SleeveFouling)[0].part.starts_with("descaler"));
        assert_eq!(list(VerdictCause::LampAgeing)[0].part, "lamp");
        let for_a_window = &list(VerdictCause::SensorDrift)[0];
        assert!(for_a_window.part.contains("soft cloth") && for_a_window.why.contains("window"), "{for_a_window:?}");
        for part in list(VerdictCause::LampOrSensor) {
            assert!((0.01..=0.95).contains(&part.probability), "{part:?}");
        }
    }
}
