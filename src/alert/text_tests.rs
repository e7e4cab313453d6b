use super::*;
use crate::alert::Signs;
use crate::domain::assessment::LogDoubt;
use crate::domain::time::{DAY, HOUR, MINUTE};
use crate::domain::{Assessment, Reading, ServiceAction, ServiceEntry, UnitSpec};

pub(crate) struct Case {
    pub spec: UnitSpec,
    pub assessment: Assessment,
    pub latest: Reading,
    pub signs: Signs,
    pub now: Timestamp,
}

impl Case {
    pub fn new() -> Self {
        let assessment: Assessment =
            serde_json::from_str(include_str!("../../fixtures/assessment/contract.json")).unwrap();
        let mut assessment = assessment;
        let now = assessment.as_of;
        let yesterday = now.plus_millis(-DAY).date_in(&jiff::tz::TimeZone::UTC);
        assessment.unlogged[0].at = yesterday;
        assessment.unlogged.push(assessment.unlogged[0].clone());
        assessment.unlogged[1].likely = Likely::WaterChanged;
        assessment.log_doubts = vec![LogDoubt {
            action: ServiceAction::SleeveCleaned,
            at: now.plus_millis(-DAY),
            used: None,
            says: "the light did not rise".to_owned(),
        }];
        let spec = UnitSpec::new("heron-bight/boathouse".parse().unwrap(), 14.0);
        let latest = Reading::new(now).with(Channel::Intensity, 13.0);
        Self { spec, assessment, latest, signs: Signs::default(), now }
    }

    pub fn evidence(&self) -> Evidence<'_> {
        Evidence {
            now: self.now,
            spec: &self.spec,
            latest: Some(&self.latest),
            heard: Some(self.latest.at),
            listening_since: self.latest.at,
            unheard_since: self.latest.at,
            silent_after: HOUR,
            dark_below: 0.7,
            lit_at: None,
            site_late: false,
            assessment: Some(&self.assessment),
            signs: &self.signs,
            log: &[],
            lead_days: 14,
            not_enough_lives: false,
        }
    }
}

#[test]
fn texts_promise_nothing_and_say_all_four_things() {
    let case = Case::new();
    for kind in Kind::ALL {
        let text = text(*kind, &case.evidence());
        for part in [&text.says, &text.sure, &text.first, &text.caution] {
            assert!(!part.is_empty(), "{kind}: {text:?}");
        }
        let all = format!("{} {} {} {}", text.says, text.sure, text.first, text.caution);
        for word in ["is safe", "unsafe", "log credit", "  ", ": .", ": ,"] {
            assert!(!all.contains(word), "{kind}: {all}");
        }
    }
}

#[test]
fn the_treatment_alert_names_a_fallback_and_the_set_point() {
    let case = Case::new();
    let text = text(Kind::TreatmentNotAssured, &case.evidence());
    assert!(text.says.contains("treatment is not assured") && text.says.contains("14 mW/cm2"), "{}", text.says);
    assert!(text.first.contains("boiled as your health authority advises, or other safe water"), "{}", text.first);
}

#[test]
fn no_light_is_told_apart_by_what_the_node_still_sends() {
    let mut case = Case::new();
    case.latest.set(Channel::Intensity, 0.0);
    let sure = |case: &Case| text(Kind::NoLight, &case.evidence()).sure;
    assert!(sure(&case).contains("cannot be told apart"));
    case.latest.set(Channel::LampOn, 1.0);
    assert!(sure(&case).contains("says that the lamp has power"));
    case.latest.set(Channel::LampOn, 0.0);
    assert!(sure(&case).contains("the lamp has no power") && sure(&case).contains("not a power cut"));
}

#[test]
fn what_is_better_already_is_not_told_as_if_it_were_not() {
    let mut case = Case::new();
    case.latest.set(Channel::Intensity, 21.0);
    for kind in [Kind::NoLight, Kind::TreatmentNotAssured, Kind::NoReadings] {
        let text = text(kind, &case.evidence());
        assert!(text.says.contains(" again") && text.sure.contains("The alert ends when"), "{kind}: {text:?}");
        assert!(!text.says.contains("not assured"), "{kind}: {text:?}");
        if kind.is_urgent() {
            assert!(text.first.contains("boiled") && text.caution.contains("treatment is not assured"), "{text:?}");
        }
    }
}

#[test]
fn a_default_life_is_called_one() {
    let mut case = Case::new();
    case.assessment.parts[0].due = Some(case.now.plus_millis(5 * DAY).date_in(&case.spec.zone));
    case.assessment.parts[0].limit = "18000 h or 2 years (common practice; the papers of the unit win)".to_owned();
    let said = text(Kind::PartLimit, &case.evidence());
    assert!(said.sure.contains("default of ours: the unit's papers win"), "{}", said.sure);
    case.assessment.parts[0].limit = "9000 h".to_owned();
    assert!(!text(Kind::PartLimit, &case.evidence()).sure.contains("default"));
}

#[test]
fn durations_are_read_as_people_say_them() {
    assert_eq!((duration(30 * MINUTE), duration(6 * HOUR)), ("30 min".to_owned(), "6 h".to_owned()));
}

#[test]
fn the_last_day_is_tomorrow() {
    let mut case = Case::new();
    let says = |case: &Case| text(Kind::CleaningDue, &case.evidence()).says;
    let day = |case: &Case, days: i64| Some(case.now.plus_millis(days * DAY).date_in(&case.spec.zone));
    case.assessment.forecast.clean_by = day(&case, 2);
    assert!(says(&case).ends_with(", in 2 days"), "{}", says(&case));
    case.assessment.forecast.clean_by = day(&case, 1);
    assert!(says(&case).ends_with(", tomorrow"), "{}", says(&case));
    case.assessment.forecast.clean_by = day(&case, 0);
    assert!(says(&case).starts_with("clean the sleeve now"), "{}", says(&case));
}

/// A change of the water that took days is found only after five weeks.
#[test]
fn the_water_is_asked_about_for_longer_and_an_answer_ends_the_asking() {
    let mut case = Case::new();
    let ago = |case: &Case, days: i64| case.now.plus_millis(-days * DAY).date_in(&case.spec.zone);
    (case.assessment.unlogged[0].at, case.assessment.unlogged[1].at) = (ago(&case, 40), ago(&case, 40));
    let asked = |case: &Case, log: &[ServiceEntry]| {
        let evidence = Evidence { log, ..case.evidence() };
        (evidence.steps(false).count(), evidence.steps(true).count())
    };
    assert_eq!(asked(&case, &[]), (0, 1));
    case.assessment.unlogged[0].at = ago(&case, 20);
    assert_eq!(asked(&case, &[]), (1, 1));
    let entry = |days: i64, action| [ServiceEntry::new(case.now.plus_millis(-days * DAY), action)];
    assert_eq!(asked(&case, &entry(30, ServiceAction::Note)), (1, 1), "a note about something else");
    assert_eq!(asked(&case, &entry(41, ServiceAction::Note)), (1, 0));
    assert_eq!(asked(&case, &entry(19, ServiceAction::Note)), (0, 1));
    assert_eq!(asked(&case, &entry(2, ServiceAction::TransmittanceMeasured)), (1, 0));
    assert_eq!(asked(&case, &entry(50, ServiceAction::TransmittanceMeasured)), (1, 1), "measured before");
    assert_eq!(asked(&case, &entry(40, ServiceAction::CarbonFilterReplaced)), (1, 0));
}
