//! The life of every part with a limit.

use jiff::civil::Date;

use super::course::days_between;
use crate::domain::assessment::PartLife;
use crate::domain::unit::{LAMP_LIFE_HOURS, LAMP_LIFE_YEARS, SENSOR_LIFE_YEARS, SLEEVE_LIFE_YEARS};
use crate::domain::{ServiceAction, ServiceEntry, Timestamp, UnitSpec};

/// Common practice, no source: pre-filters are changed at least yearly.
const FILTER_LIFE_YEARS: f64 = 1.0;
/// Common practice, no source: a flow sensor is calibrated every 2 years.
const FLOW_CALIBRATION_YEARS: f64 = 2.0;
/// Days in a year of the calendar.
const YEAR_DAYS: f64 = 365.25;

/// The life of every part at `as_of`. `hours` are the present lamp's, if known, and `pace` is the share of the time it
/// burns. Filters and flow sensor appear once the log knows them.
pub fn parts(spec: &UnitSpec, log: &[ServiceEntry], as_of: Timestamp, hours: Option<f64>, pace: f64) -> Vec<PartLife> {
    let today = as_of.date_in(&spec.zone);
    let date = |at: Timestamp| at.date_in(&spec.zone);
    let last = |actions: &[ServiceAction]| {
        log.iter().rfind(|e| e.at <= as_of && actions.contains(&e.action)).map(|e| date(e.at))
    };
    let fitted = |actions: &[ServiceAction], papers: Option<Timestamp>| last(actions).or(papers.map(date));
    let yearly = |part: &str, since: Option<Date>, years: f64, what: &str| PartLife {
        part: part.to_owned(),
        age_days: since.map(|since| i64::from(days_between(since, today))),
        age_hours: None,
        limit: format!("{what} (common practice; the papers of the unit win)"),
        due: since.map(|since| years_after(since, years)),
    };
    let mut parts = vec![
        lamp(spec, fitted(&[ServiceAction::LampReplaced], spec.lamp.installed), today, hours, pace),
        yearly(
            "sleeve",
            fitted(&[ServiceAction::SleeveReplaced], spec.sleeve.installed),
            SLEEVE_LIFE_YEARS,
            "5 years, or when it stays cloudy after cleaning",
        ),
        yearly("sensor", fitted(&[ServiceAction::SensorReplaced], spec.sensor.installed), SENSOR_LIFE_YEARS, "5 years"),
    ];
    let filters = [
        ("sediment-filter", ServiceAction::SedimentFilterReplaced),
        ("carbon-filter", ServiceAction::CarbonFilterReplaced),
    ];
    for (part, action) in filters {
        parts.extend(
            last(&[action]).map(|since| yearly(part, Some(since), FILTER_LIFE_YEARS, "1 year, or when the flow drops")),
        );
    }
    let flow = [ServiceAction::FlowSensorCalibrated, ServiceAction::FlowSensorReplaced];
    parts.extend(
        last(&flow)
            .map(|since| yearly("flow-sensor", Some(since), FLOW_CALIBRATION_YEARS, "calibration every 2 years")),
    );
    parts
}

fn lamp(spec: &UnitSpec, since: Option<Date>, today: Date, hours: Option<f64>, pace: f64) -> PartLife {
    let rated = spec.lamp.rated_hours;
    let by_years = since.map(|since| years_after(since, LAMP_LIFE_YEARS));
    let by_hours = hours.map(|hours| after(today, (rated - hours) / (24.0 * pace.clamp(0.05, 1.0))));
    let usual = (rated - LAMP_LIFE_HOURS).abs() < 1.0;
    let source = if usual {
        "common practice; the papers of the unit win"
    } else {
        "hours from the unit's papers, years common practice"
    };
    PartLife {
        part: "lamp".to_owned(),
        age_days: since.map(|since| i64::from(days_between(since, today))),
        age_hours: hours.map(f64::round),
        limit: format!("{rated:.0} h or 2 years, whichever comes first ({source})"),
        due: by_years.into_iter().chain(by_hours).min(),
    }
}

/// `years` on: whole ones by the calendar, the rest in days.
fn years_after(date: Date, years: f64) -> Date {
    let whole = years.floor().clamp(0.0, 1_000.0) as i32;
    after(date.saturating_add(jiff::Span::new().years(whole)), (years - f64::from(whole)) * YEAR_DAYS)
}

fn after(date: Date, days: f64) -> Date {
    date.saturating_add(jiff::Span::new().days((days.ceil() as i32).clamp(-100_000, 100_000)))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_earlier_limit_is_due() {
        let mut spec = UnitSpec::new("heron-bight/boathouse".parse().unwrap(), 14.0);
        let at = |text: &str| text.parse::<Timestamp>().unwrap();
        spec.lamp.installed = Some(at("2025-05-01T00:00:00Z"));
        spec.sensor.installed = spec.lamp.installed;
        let now = at("2026-08-14T06:00:00Z");
        let log = [
            ServiceEntry::new(at("2026-01-10T09:00:00Z"), ServiceAction::SedimentFilterReplaced),
            ServiceEntry::new(at("2027-01-10T09:00:00Z"), ServiceAction::LampReplaced),
        ];
        let found = parts(&spec, &log, now, Some(11_280.0), 1.0);
        let names: Vec<&str> = found.iter().map(|p| p.part.as_str()).collect();
        assert_eq!(names, ["lamp", "sleeve", "sensor", "sediment-filter"]);
        assert_eq!(found[0].age_days, Some(470), "the lamp of next year does not count yet");
        assert_eq!(found[0].due.unwrap().to_string(), "2027-05-01", "2 years come before 18,000 h, 280 days off");
        assert_eq!((found[1].age_days, found[1].due), (None, None));
        assert_eq!(found[3].due.unwrap().to_string(), "2027-01-10");
        let worn = parts(&spec, &log, now, Some(17_760.0), 1.0);
        assert_eq!(worn[0].due.unwrap().to_string(), "2026-08-24", "240 h are ten days");
        spec.lamp.rated_hours = 9_000.0;
        assert!(parts(&spec, &log, now, None, 1.0)[0].limit.starts_with("9000 h or 2 years"));
    }
}
