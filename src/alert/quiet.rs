//! When people may be told: quiet hours and a daily digest, on the site's clock.

use jiff::civil::Time;
use jiff::tz::TimeZone;

use super::Kind;
use crate::domain::Timestamp;

/// When people may be told of what can wait.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Quiet {
    /// From when until when nobody is told; may pass midnight.
    pub hours: Option<(Time, Time)>,
    /// What can wait is told once a day, at this time.
    pub digest: Option<Time>,
}

impl Quiet {
    /// Whether news of `kind` from `at` may be told at `now`. Urgent kinds always.
    pub fn may_tell(&self, kind: Kind, at: Timestamp, now: Timestamp, zone: &TimeZone) -> bool {
        if kind.is_urgent() {
            return true;
        }
        match self.digest {
            Some(digest) => last_time(digest, now, zone).is_some_and(|last| at < last),
            None => !self.is_quiet(now, zone),
        }
    }

    /// Whether it is quiet at `now`.
    pub fn is_quiet(&self, now: Timestamp, zone: &TimeZone) -> bool {
        let Some((from, until)) = self.hours else { return false };
        let time = now.to_jiff().to_zoned_datetime(zone.clone()).time();
        if from <= until { (from..until).contains(&time) } else { time >= from || time < until }
    }
}

/// The last instant at or before `now` at which the clocks of `zone` showed `time`.
fn last_time(time: Time, now: Timestamp, zone: &TimeZone) -> Option<Timestamp> {
    let today = now.date_in(zone);
    [Some(today), today.yesterday().ok()]
        .into_iter()
        .flatten()
        .filter_map(|date| date.to_datetime(time).to_zoned_datetime(zone.clone()).ok())
        .map(|zoned| Timestamp::from(zoned.timestamp()))
        .find(|at| *at <= now)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn at(text: &str) -> Timestamp {
        text.parse().unwrap()
    }

    #[test]
    fn quiet_hours_pass_midnight_on_the_sites_clock() {
        let zone = TimeZone::get("Europe/Vienna").unwrap();
        let quiet = Quiet { hours: Some((Time::constant(22, 0, 0, 0), Time::constant(7, 0, 0, 0))), digest: None };
        let may = |kind, now| quiet.may_tell(kind, at(now), at(now), &zone);
        assert!(may(Kind::CleaningDue, "2026-08-14T19:59:00Z"), "21:59 there");
        assert!(!may(Kind::CleaningDue, "2026-08-14T20:00:00Z"));
        assert!(!may(Kind::CleaningDue, "2026-08-15T04:59:00Z"));
        assert!(may(Kind::CleaningDue, "2026-08-15T05:00:00Z"));
        assert!(may(Kind::NoLight, "2026-08-14T23:00:00Z") && may(Kind::TreatmentNotAssured, "2026-08-14T23:00:00Z"));
    }

    #[test]
    fn a_digest_tells_once_what_came_before_it() {
        let zone = TimeZone::get("Europe/Vienna").unwrap();
        let quiet = Quiet { digest: Some(Time::constant(8, 0, 0, 0)), ..Quiet::default() };
        let may = |news, now| quiet.may_tell(Kind::CleaningDue, at(news), at(now), &zone);
        assert!(!may("2026-08-14T06:30:00Z", "2026-08-14T12:00:00Z"), "came after today's digest");
        assert!(!may("2026-08-14T06:30:00Z", "2026-08-15T05:59:00Z"));
        assert!(may("2026-08-14T06:30:00Z", "2026-08-15T06:00:00Z"));
    }
}
