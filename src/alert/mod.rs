//! Which alerts a unit has. PURE: values in, alerts out.
//!
//! One alert per unit and kind, updated in place. The texts say what is known, what to do first, and the caution that
//! belongs to it; none of them says that water is safe or unsafe.

use serde::Serialize;

use crate::domain::{Assessment, Condition, Timestamp, UnitSpec, VerdictCause};

/// The value of [`Alert::schema`].
pub const ALERT_SCHEMA: &str = "fadeline.alert.v1";

/// What an alert is about.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Kind {
    /// The reading is at or under the set point.
    TreatmentNotAssured,
    /// No light reaches the sensor.
    NoLight,
    /// Readings have stopped.
    NoReadings,
    /// The service date is inside the lead time.
    ServiceDue,
}

impl Kind {
    /// Every kind, the most urgent first.
    pub const ALL: [Self; 4] = [Self::NoLight, Self::TreatmentNotAssured, Self::NoReadings, Self::ServiceDue];

    /// The last level of the alert's topic.
    pub fn name(self) -> &'static str {
        match self {
            Self::TreatmentNotAssured => "treatment-not-assured",
            Self::NoLight => "no-light",
            Self::NoReadings => "no-readings",
            Self::ServiceDue => "service-due",
        }
    }
}

/// A raised alert, as published.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct Alert {
    /// Always [`ALERT_SCHEMA`].
    pub schema: &'static str,
    /// Which unit.
    pub site: String,
    /// Which unit.
    pub unit: String,
    /// What it is about.
    pub kind: Kind,
    /// Since when.
    pub since: Timestamp,
    /// What is known.
    pub says: String,
    /// What to do first.
    pub first: String,
    /// What to beware of.
    pub caution: String,
}

/// The kind of alert that belongs to a condition, if any. A visit and a closed season hold every alert.
pub fn kind_of(condition: Condition) -> Option<Kind> {
    match condition {
        Condition::Dark => Some(Kind::NoLight),
        Condition::Short => Some(Kind::TreatmentNotAssured),
        Condition::Silent => Some(Kind::NoReadings),
        Condition::Due => Some(Kind::ServiceDue),
        Condition::Fading | Condition::Learning | Condition::Steady | Condition::InService | Condition::Closed => None,
    }
}

const FALLBACK: &str = "until it is put right use water treated another way, such as boiled as your health authority \
                        advises, or other safe water";
const BEFORE_OPENING: &str = "before you open the unit: power off, water off and pressure released, lamp cooled; no \
                              ultraviolet light on eyes or skin; a broken lamp holds mercury";

/// The alert of `kind` for a unit, with texts from its papers and its latest assessment.
pub fn alert(kind: Kind, spec: &UnitSpec, assessment: Option<&Assessment>, since: Timestamp) -> Alert {
    let unit = spec.sensor.unit.symbol();
    let set_point = spec.set_point;
    let (says, first, caution) = match kind {
        Kind::NoLight => (
            "no light reaches the sensor: treatment is not assured".to_owned(),
            format!("check power, fuse and lamp, then the sensor and its plug; {FALLBACK}"),
            BEFORE_OPENING.to_owned(),
        ),
        Kind::TreatmentNotAssured => (
            format!("the reading is at or under the set point of {set_point} {unit}: treatment is not assured"),
            match assessment.map(|a| a.verdict.says.as_str()) {
                Some(why) if !why.is_empty() => format!("{FALLBACK}; {why}"),
                _ => FALLBACK.to_owned(),
            },
            format!(
                "the unit's papers, local codes and the health authority say what must happen now; {BEFORE_OPENING}"
            ),
        ),
        Kind::NoReadings => (
            "readings have stopped: nothing is known about the light since then".to_owned(),
            "check that the unit has power and that its gateway is online; the unit's own alarm still counts"
                .to_owned(),
            "silence is no proof that the lamp is lit".to_owned(),
        ),
        Kind::ServiceDue => (
            assessment.map_or_else(|| "service is due".to_owned(), service_due_says),
            assessment
                .and_then(|a| a.verdict.settle_with.as_ref())
                .map_or_else(|| "plan the visit".to_owned(), |s| format!("start with {}: {}", s.action, s.says)),
            BEFORE_OPENING.to_owned(),
        ),
    };
    let (site, unit) = (spec.id.site().to_owned(), spec.id.unit().to_owned());
    Alert { schema: ALERT_SCHEMA, site, unit, kind, since, says, first, caution }
}

/// Dates further than this behind the first are for another visit.
const SAME_VISIT_DAYS: i32 = 60;

fn service_due_says(assessment: &Assessment) -> String {
    let forecast = &assessment.forecast;
    let cleaning_helps = !matches!(
        assessment.verdict.cause,
        VerdictCause::LampAgeing | VerdictCause::SensorDrift | VerdictCause::LampOrSensor
    );
    let dates = [
        ("clean", forecast.clean_by.filter(|_| cleaning_helps)),
        ("lamp", forecast.lamp_by),
        ("sensor", forecast.sensor_by),
    ];
    let mut dates: Vec<_> = dates.into_iter().filter_map(|(what, date)| Some((date?, what))).collect();
    dates.sort_unstable();
    let first = dates.first().map(|(date, _)| *date);
    dates.retain(|(date, _)| first.is_some_and(|first| (*date - first).get_days() <= SAME_VISIT_DAYS));
    let dates: Vec<String> = dates.into_iter().map(|(date, what)| format!("{what} by {date}")).collect();
    let dates = match forecast.crossing.p10 {
        Some(short) if dates.is_empty() => format!("too little light from {short} on"),
        _ if dates.is_empty() => "service is due".to_owned(),
        _ => dates.join(", "),
    };
    format!("{dates}; {}", assessment.verdict.says)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn texts_promise_nothing() {
        let spec = UnitSpec::new("heron-bight/boathouse".parse().unwrap(), 14.0);
        for kind in Kind::ALL {
            let alert = alert(kind, &spec, None, Timestamp::default());
            let text = format!("{} {} {}", alert.says, alert.first, alert.caution);
            assert!(!text.contains("is safe") && !text.contains("unsafe") && !text.contains("log"), "{text}");
            assert_eq!(serde_json::to_value(kind).unwrap(), kind.name());
        }
        let short = alert(Kind::TreatmentNotAssured, &spec, None, Timestamp::default());
        assert!(short.says.contains("treatment is not assured") && short.says.contains("14 mW/cm2"));
        assert!(short.first.contains("health authority"), "the safe fallback is named");
    }

    #[test]
    fn a_due_service_names_the_dates_of_this_visit_only() {
        let text = include_str!("../../fixtures/assessment/contract.json");
        let mut said: Assessment = serde_json::from_str(text).unwrap();
        let date = |text: &str| Some(text.parse().unwrap());
        let ahead = &mut said.forecast;
        (ahead.clean_by, ahead.lamp_by, ahead.sensor_by) = (date("2026-10-01"), date("2026-09-08"), date("2030-07-05"));
        assert!(service_due_says(&said).starts_with("lamp by 2026-09-08, clean by 2026-10-01; "));
        said.verdict.cause = VerdictCause::LampAgeing;
        assert!(service_due_says(&said).starts_with("lamp by 2026-09-08; "), "cleaning does not help a lamp");
        (said.forecast.lamp_by, said.forecast.sensor_by, said.forecast.crossing.p10) = (None, None, date("2026-10-01"));
        assert!(service_due_says(&said).starts_with("too little light from 2026-10-01 on; "));
    }

    #[test]
    fn visits_and_closed_seasons_hold_alerts() {
        assert_eq!(kind_of(Condition::InService), None);
        assert_eq!(kind_of(Condition::Closed), None);
        assert_eq!(kind_of(Condition::Short), Some(Kind::TreatmentNotAssured));
    }
}
