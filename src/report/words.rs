//! Figures and names as people read them.

use jiff::civil::Date;
use jiff::tz::TimeZone;

use crate::domain::assessment::{Cause, Condition, Crossing, VerdictCause};
use crate::domain::{ServiceAction, Timestamp};

use super::style::Tone;

/// An instant in the site's zone: `2026-08-14 08:00 CEST`.
pub fn instant(at: Timestamp, zone: &TimeZone) -> String {
    let local = at.to_jiff().to_zoned_datetime(zone.clone());
    let name = zone.to_offset_info(at.to_jiff()).abbreviation().to_owned();
    format!("{} {name}", local.datetime().strftime("%Y-%m-%d %H:%M"))
}

/// Beyond this many days a distance is given in years.
const FAR_DAYS: i32 = 730;

/// `in 12 days`, `today`, `3 days ago`.
pub fn how_far(date: Date, today: Date) -> String {
    match (date - today).get_days() {
        0 => "today".to_owned(),
        1 => "tomorrow".to_owned(),
        -1 => "yesterday".to_owned(),
        days if days > FAR_DAYS => format!("in {:.1} years", f64::from(days) / 365.25),
        days if days > 0 => format!("in {days} days"),
        days => format!("{} days ago", days.unsigned_abs()),
    }
}

/// `kebab-case` as words.
pub fn plain(name: &str) -> String {
    name.replace('-', " ")
}

/// `sediment-filter` as words; `O-rings` is one already.
pub fn part(name: &str) -> String {
    let code = name.chars().all(|c| c.is_ascii_lowercase() || c == '-');
    if code { plain(name) } else { name.to_owned() }
}

/// A service action as something still to be done.
pub fn to_do(action: ServiceAction) -> String {
    match action {
        ServiceAction::SleeveCleaned => "clean the sleeve",
        ServiceAction::SleeveReplaced => "fit a new sleeve",
        ServiceAction::LampReplaced => "fit a new lamp",
        ServiceAction::SensorCleaned => "wipe the sensor's window",
        ServiceAction::SensorReplaced => "fit another sensor",
        ServiceAction::ReferenceCheck => "compare with a reference sensor",
        ServiceAction::TransmittanceMeasured => "measure the water's transmittance",
        other => return plain(other.name()),
    }
    .to_owned()
}

/// A cause as people say it.
pub fn cause(cause: Cause) -> &'static str {
    match cause {
        Cause::SleeveFouling => "dirt on the sleeve",
        Cause::LampAgeing => "age of the lamp",
        Cause::SensorDrift => "sensor or its window",
        Cause::LampOrSensor => "lamp and sensor together",
        Cause::WaterQuality => "the water",
        Cause::Unexplained => "not explained",
    }
}

/// A verdict's cause as people say it.
pub fn verdict(cause_or_none: VerdictCause) -> &'static str {
    match cause_or_none {
        VerdictCause::SleeveFouling => cause(Cause::SleeveFouling),
        VerdictCause::LampAgeing => cause(Cause::LampAgeing),
        VerdictCause::SensorDrift => cause(Cause::SensorDrift),
        VerdictCause::LampOrSensor => "lamp or sensor, which of them is open",
        VerdictCause::WaterQuality => cause(Cause::WaterQuality),
        VerdictCause::Unexplained => cause(Cause::Unexplained),
        VerdictCause::None => "nothing wrong",
        VerdictCause::Unsettled => "not settled",
    }
}

/// What a condition means.
pub fn condition(condition: Condition) -> &'static str {
    match condition {
        Condition::Dark => "no light at the sensor: treatment is not assured",
        Condition::Short => "at or under the set point: treatment is not assured",
        Condition::Silent => "no readings arrive: nobody knows how much light there is",
        Condition::Due => "service is due soon",
        Condition::Fading => "the light is falling, the date is further off",
        Condition::Learning => "not enough data yet for an opinion",
        Condition::Steady => "nothing to do",
        Condition::InService => "somebody is working on it",
        Condition::Closed => "shut for the season",
    }
}

/// Whether the light is at or under the set point now, or out: no later day counts then.
pub fn needs_light(condition: Condition) -> bool {
    matches!(condition, Condition::Dark | Condition::Short)
}

/// From when to when the light falls under the set point if nobody comes; `None` where no such day is in sight.
pub fn going_short(condition: Condition, crossing: &Crossing) -> Option<String> {
    if needs_light(condition) {
        return Some("now".to_owned());
    }
    let p10 = crossing.p10?;
    Some(match crossing.p90 {
        Some(p90) if p90 == p10 => format!("about {p10}"),
        Some(p90) => format!("{p10} to {p90}"),
        None => format!("{p10} to beyond a year"),
    })
}

/// How a condition is coloured.
pub fn tone(condition: Condition) -> Tone {
    match condition {
        Condition::Dark | Condition::Short | Condition::Silent => Tone::Alarm,
        Condition::Due | Condition::Fading => Tone::Heed,
        Condition::Steady => Tone::Calm,
        Condition::Learning | Condition::InService | Condition::Closed => Tone::Faint,
    }
}

/// A probability as a whole per cent, never 0 or 100: nobody is that sure.
pub fn probability(p: f64) -> String {
    format!("{:.0} %", (p * 100.0).clamp(1.0, 99.0))
}

/// With one decimal, and no minus before nothing.
pub fn tenths(value: f64) -> String {
    let text = format!("{value:.1}");
    if text == "-0.0" { "0.0".to_owned() } else { text }
}

/// `1 day`, `2 days`; a negative number as it is.
pub fn days(n: i64) -> String {
    if n == 1 { "1 day".to_owned() } else { format!("{n} days") }
}

/// `1 unit`, `2 units`.
pub fn count(n: u64, word: &str) -> String {
    if n == 1 { format!("1 {word}") } else { format!("{n} {word}s") }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn instants_are_in_the_sites_zone() {
        let zone = TimeZone::get("Europe/Vienna").unwrap();
        assert_eq!(instant("2026-08-14T06:00:00Z".parse().unwrap(), &zone), "2026-08-14 08:00 CEST");
        assert_eq!(instant("2026-08-14T06:00:00Z".parse().unwrap(), &TimeZone::UTC), "2026-08-14 06:00 UTC");
    }

    #[test]
    fn who_is_short_is_short_now() {
        let day = |day| Some(jiff::civil::date(2026, 8, day));
        let crossing = Crossing { p10: day(3), p50: day(9), p90: None };
        let told = |condition| going_short(condition, &crossing).unwrap();
        assert_eq!([told(Condition::Dark), told(Condition::Fading)], ["now", "2026-08-03 to beyond a year"]);
        let soon = Crossing { p90: day(3), ..crossing };
        assert_eq!(going_short(Condition::Due, &soon).unwrap(), "about 2026-08-03");
        assert_eq!(going_short(Condition::Steady, &Crossing::default()), None);
    }

    #[test]
    fn distances_and_certainty() {
        let today = jiff::civil::date(2026, 8, 14);
        let far = |day| how_far(jiff::civil::date(2026, 8, day), today);
        assert_eq!(
            [far(14), far(15), far(26), far(13), far(1)],
            ["today", "tomorrow", "in 12 days", "yesterday", "13 days ago"]
        );
        assert_eq!(
            (probability(1.0), probability(0.0), probability(0.936)),
            ("99 %".into(), "1 %".into(), "94 %".into())
        );
    }
}
