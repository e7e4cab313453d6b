//! The monthly record of a site: what the readings of each unit say, without a verdict. Not a regulatory form.

use jiff::civil::Date;
use jiff::tz::TimeZone;
use serde::{Deserialize, Serialize};

use crate::analysis::condition::{DARK_SHARE_OF_SET_POINT, log_state};
use crate::domain::time::{DAY, HOUR, MINUTE};
use crate::domain::{Channel, Reading, ServiceAction, ServiceEntry, Timestamp, UnitSpec};

/// A value stands for the time until the next one of its channel, but for no longer than this; what is longer is a gap (our choice).
pub const HOLDS_AT_MOST: i64 = HOUR;
/// A duty sensor may read at most so many times what a reference sensor reads: practice of sensor checks in the
/// ultraviolet guidance for drinking water (calibration ratio 1.2; from memory).
pub const RATIO_LIMIT: f64 = 1.2;

/// One day of a unit.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct MonthDay {
    /// Which.
    pub date: Date,
    /// Least reading.
    pub lowest: Option<f64>,
    /// 5th percentile of the time.
    pub p5: Option<f64>,
    /// Hours at or under the set point.
    pub hours_short: f64,
    /// Hours without light: the lamp known to be off, or none at the sensor.
    pub hours_off: f64,
    /// Hours that readings stand for.
    pub hours_known: f64,
    /// Hours of the day that have passed.
    pub hours: f64,
    /// Volume that flowed, litres, where flow is measured.
    pub litres: Option<f64>,
    /// Of these at or under the set point.
    pub litres_short: Option<f64>,
}

impl MonthDay {
    /// Hours at or under the set point, `None` on a day without readings: nothing is known of it then.
    pub fn hours_short_known(&self) -> Option<f64> {
        (self.hours_known > 0.0).then_some(self.hours_short)
    }
}

/// A time without light.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Outage {
    /// Its begin, or that of the month.
    pub from: Timestamp,
    /// Its end as far as readings tell, or that of the month.
    pub to: Timestamp,
    /// Whether it began before the month.
    pub before: bool,
    /// Whether it has not ended by the end of the month, or by now.
    pub after: bool,
    /// How it is known.
    pub sign: OutageSign,
    /// What the logbook has for its begin or end.
    pub during: Option<OutageDuring>,
}

impl Outage {
    /// How long it lasted within the month, hours.
    pub fn hours(&self) -> f64 {
        hours(self.to.millis_since(self.from))
    }
}

/// A time without a reading of the light.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Gap {
    /// Its begin, or that of the month.
    pub from: Timestamp,
    /// Its end, or that of the month.
    pub to: Timestamp,
    /// Whether it began before the month.
    pub before: bool,
    /// Whether it has not ended by the end of the month, or by now.
    pub after: bool,
    /// What the logbook has for its begin or end.
    pub during: Option<OutageDuring>,
}

impl Gap {
    /// How long it lasted within the month, hours.
    pub fn hours(&self) -> f64 {
        hours(self.to.millis_since(self.from))
    }
}

/// How an [`Outage`] is known.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum OutageSign {
    /// The lamp said that it was off.
    LampOff,
    /// There was no light at the sensor.
    NoLight,
}

/// What was going on at the time of an [`Outage`] or a [`Gap`].
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum OutageDuring {
    /// Somebody worked on the unit.
    Visit,
    /// The unit was shut for the season.
    Closed,
}

/// A comparison with a reference sensor.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct SensorCheck {
    /// When.
    pub at: Timestamp,
    /// What the reference sensor read.
    pub reference: f64,
    /// What the duty sensor read then; `None` if there was no reading within an hour.
    pub duty: Option<f64>,
    /// Duty / reference.
    pub ratio: Option<f64>,
    /// Whether the ratio is at most [`RATIO_LIMIT`].
    pub within: Option<bool>,
}

/// One unit's month.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct UnitMonth {
    /// The unit's id within the site.
    pub unit: String,
    /// A name for people, if the owner gave one.
    pub name: Option<String>,
    /// `mW/cm2` or `percent`.
    pub intensity_unit: String,
    /// Intensity at or under which treatment is not assured.
    pub set_point: f64,
    /// Every day of the month that has begun.
    pub days: Vec<MonthDay>,
    /// Times without light, ascending.
    #[serde(default)]
    pub outages: Vec<Outage>,
    /// Times without a reading of the light, ascending; together the hours without readings of the days.
    #[serde(default)]
    pub gaps: Vec<Gap>,
    /// Comparisons with a reference sensor.
    pub checks: Vec<SensorCheck>,
    /// The service log of the month.
    pub log: Vec<ServiceEntry>,
}

/// Sums of a unit's month.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct MonthTotals {
    /// Hours that readings stand for.
    pub hours_known: f64,
    /// Hours at or under the set point.
    pub hours_short: f64,
    /// Hours without light: the lamp known to be off, or none at the sensor.
    pub hours_off: f64,
    /// Hours without a reading.
    pub hours_gap: f64,
    /// Share of the known time, 0 to 1.
    pub share_short: f64,
    /// Share of the volume, 0 to 1, where flow is measured.
    pub volume_short: Option<f64>,
}

impl UnitMonth {
    /// The sums.
    pub fn totals(&self) -> MonthTotals {
        let sum = |of: fn(&MonthDay) -> f64| self.days.iter().map(of).sum::<f64>();
        let hours_known = sum(|day| day.hours_known);
        let hours_short = sum(|day| day.hours_short);
        let litres = sum(|day| day.litres.unwrap_or(0.0));
        MonthTotals {
            hours_known,
            hours_short,
            hours_off: sum(|day| day.hours_off),
            hours_gap: (sum(|day| day.hours) - hours_known).max(0.0),
            share_short: if hours_known > 0.0 { hours_short / hours_known } else { 0.0 },
            volume_short: (litres > 0.0).then(|| sum(|day| day.litres_short.unwrap_or(0.0)) / litres),
        }
    }
}

/// A site's month.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct MonthRecord {
    /// The site's id.
    pub site: String,
    /// A name for people, if the owner gave one.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub name: Option<String>,
    /// `2026-08`.
    pub month: String,
    /// Its units, by id.
    pub units: Vec<UnitMonth>,
}

/// First day of a month written `2026-08`, and of the next.
pub fn bounds(month: &str) -> Option<(Date, Date)> {
    let (year, number) = month.split_once('-')?;
    if year.len() != 4 || number.len() != 2 {
        return None;
    }
    let first = Date::new(year.parse().ok()?, number.parse().ok()?, 1).ok()?;
    Some((first, first.checked_add(jiff::Span::new().months(1)).ok()?))
}

/// What a month of readings says. `readings`: ascending, from [`HOLDS_AT_MOST`] before the first day on.
pub fn unit_month(
    spec: &UnitSpec,
    (first, end): (Date, Date),
    readings: &[Reading],
    log: &[ServiceEntry],
    now: Timestamp,
) -> UnitMonth {
    let today = now.date_in(&spec.zone);
    let dates = std::iter::successors(Some(first), |date| date.tomorrow().ok()).take_while(|d| *d < end && *d <= today);
    let held = held(readings, spec.set_point, now);
    let start = Timestamp::day_start(first, &spec.zone);
    let span = (start, Timestamp::day_start(end, &spec.zone).min(now).max(start));
    let (outages, gaps) = (outages(&held, span, log), gaps(&held, span, log));
    let within = |entry: &&ServiceEntry| (first..end).contains(&entry.at.date_in(&spec.zone));
    let log: Vec<ServiceEntry> = log.iter().filter(within).cloned().collect();
    let checks = log.iter().filter(|e| e.action == ServiceAction::ReferenceCheck);
    UnitMonth {
        unit: spec.id.unit().to_owned(),
        name: spec.name.clone(),
        intensity_unit: spec.sensor.unit.symbol().to_owned(),
        set_point: spec.set_point,
        days: dates.map(|date| day(date, &spec.zone, spec.set_point, &held, now)).collect(),
        outages,
        gaps,
        checks: checks.filter_map(|entry| check(entry, readings)).collect(),
        log,
    }
}

/// A stretch of time and what stands in it.
struct Held {
    from: Timestamp,
    to: Timestamp,
    intensity: Option<f64>,
    off: Option<OutageSign>,
    flow: Option<f64>,
    /// Whether the intensity was read at `from`, and does not only stand since earlier.
    read: bool,
}

/// A value of a channel and until when it stands.
#[derive(Clone, Copy)]
struct Standing {
    value: f64,
    until: Timestamp,
}

/// Each channel stands until its own next value: light and flow may come in messages of their own.
fn held(readings: &[Reading], set_point: f64, now: Timestamp) -> Vec<Held> {
    const CHANNELS: [Channel; 3] = [Channel::Intensity, Channel::LampOn, Channel::Flow];
    let mut last: [Option<Standing>; 3] = [None; 3];
    let mut pieces = Vec::with_capacity(readings.len());
    for (i, reading) in readings.iter().enumerate() {
        for (channel, standing) in CHANNELS.into_iter().zip(&mut last) {
            let until = reading.at.plus_millis(HOLDS_AT_MOST);
            *standing = reading.get(channel).map(|value| Standing { value, until }).or(*standing);
        }
        let end = readings.get(i + 1).map_or(now, |next| next.at);
        let mut from = reading.at;
        while from < end {
            let stands = last.map(|standing| standing.filter(|standing| standing.until > from));
            let Some(to) = stands.iter().flatten().map(|standing| standing.until.min(end)).min() else { break };
            let [intensity, on, flow] = stands.map(|standing| standing.map(|standing| standing.value));
            let read = from == reading.at && reading.get(Channel::Intensity).is_some();
            let dark = intensity.is_some_and(|light| light <= DARK_SHARE_OF_SET_POINT * set_point);
            let off = if on.is_some_and(|on| on < 0.5) {
                Some(OutageSign::LampOff)
            } else {
                dark.then_some(OutageSign::NoLight)
            };
            pieces.push(Held { from, to, intensity, off, flow, read });
            from = to;
        }
    }
    pieces
}

fn day(date: Date, zone: &TimeZone, set_point: f64, held: &[Held], now: Timestamp) -> MonthDay {
    let (start, end) = Timestamp::day_bounds(date, zone);
    let end = end.min(now).max(start);
    let first = held.partition_point(|h| h.to <= start);
    let mut weights: Vec<(f64, f64)> = Vec::new();
    let mut day = MonthDay {
        date,
        lowest: None,
        p5: None,
        hours_short: 0.0,
        hours_off: 0.0,
        hours_known: 0.0,
        hours: hours(end.millis_since(start)),
        litres: None,
        litres_short: None,
    };
    for piece in held[first..].iter().take_while(|piece| piece.from < end) {
        let millis = piece.to.min(end).millis_since(piece.from.max(start)).max(0);
        // A lamp that is off may send no light at all.
        day.hours_off += if piece.off.is_some() { hours(millis) } else { 0.0 };
        let Some(intensity) = piece.intensity else { continue };
        let short = intensity <= set_point;
        day.hours_known += hours(millis);
        day.hours_short += if short { hours(millis) } else { 0.0 };
        if let Some(flow) = piece.flow {
            let litres = flow.max(0.0) * millis as f64 / MINUTE as f64;
            *day.litres.get_or_insert(0.0) += litres;
            *day.litres_short.get_or_insert(0.0) += if short { litres } else { 0.0 };
        }
        if piece.read && piece.from >= start {
            day.lowest = Some(day.lowest.map_or(intensity, |low: f64| low.min(intensity)));
        }
        weights.push((intensity, millis as f64));
    }
    day.p5 = weighted_quantile(&mut weights, 0.05);
    day
}

/// The times without light within the span: pieces that follow each other are one, and what the lamp said counts more
/// than what the sensor saw.
fn outages(held: &[Held], (start, end): (Timestamp, Timestamp), log: &[ServiceEntry]) -> Vec<Outage> {
    let mut found: Vec<Outage> = Vec::new();
    for piece in held {
        let Some(sign) = piece.off else { continue };
        match found.last_mut().filter(|last| last.to == piece.from) {
            Some(last) => {
                last.to = piece.to;
                last.sign = if last.sign == OutageSign::LampOff { last.sign } else { sign };
            }
            None => {
                found.push(Outage { from: piece.from, to: piece.to, before: false, after: false, sign, during: None });
            }
        }
    }
    found.retain(|outage| outage.to > start && outage.from < end);
    for outage in &mut found {
        outage.during = [outage.from, outage.to].into_iter().find_map(|at| during(log, at));
        (outage.before, outage.after) = (outage.from < start, outage.to >= end);
        (outage.from, outage.to) = (outage.from.max(start), outage.to.min(end));
    }
    found
}

/// The times within the span for which no intensity stands.
fn gaps(held: &[Held], (start, end): (Timestamp, Timestamp), log: &[ServiceEntry]) -> Vec<Gap> {
    let mut found = Vec::new();
    let mut known_to = start;
    let known = held.iter().filter(|piece| piece.intensity.is_some() && piece.to > start && piece.from < end);
    for (from, to) in known.map(|piece| (piece.from, piece.to)).chain([(end, end)]) {
        if from > known_to {
            let during = [known_to, from].into_iter().find_map(|at| during(log, at));
            found.push(Gap { from: known_to, to: from, before: known_to == start, after: from == end, during });
        }
        known_to = known_to.max(to);
    }
    found
}

fn during(log: &[ServiceEntry], at: Timestamp) -> Option<OutageDuring> {
    let state = log_state(log, at);
    let visit = state.visit_since.map(|_| OutageDuring::Visit);
    visit.or(state.closed_since.map(|_| OutageDuring::Closed))
}

fn hours(millis: i64) -> f64 {
    millis as f64 / HOUR as f64
}

/// The value that a share `q` of the weight does not exceed.
fn weighted_quantile(weights: &mut [(f64, f64)], q: f64) -> Option<f64> {
    weights.sort_by(|a, b| a.0.total_cmp(&b.0));
    let all: f64 = weights.iter().map(|(_, weight)| weight).sum();
    let mut sum = 0.0;
    let found = weights.iter().find(|(_, weight)| {
        sum += weight;
        sum >= q * all
    });
    found.or(weights.last()).map(|(value, _)| *value)
}

fn check(entry: &ServiceEntry, readings: &[Reading]) -> Option<SensorCheck> {
    let reference = entry.value?;
    let distance = |reading: &&Reading| reading.at.millis_since(entry.at).abs();
    let near = readings.iter().filter(|reading| reading.get(Channel::Intensity).is_some()).min_by_key(distance);
    let duty = near.filter(|reading| distance(reading) <= HOUR).and_then(|reading| reading.get(Channel::Intensity));
    let ratio = duty.filter(|_| reference > 0.0).map(|duty| duty / reference);
    let within = ratio.map(|ratio| ratio <= RATIO_LIMIT);
    Some(SensorCheck { at: entry.at, reference, duty, ratio, within })
}

/// The readings a month needs: from a little before its first day to its end.
pub fn span(spec: &UnitSpec, (first, end): (Date, Date)) -> (Timestamp, Timestamp) {
    let start = Timestamp::day_start(first, &spec.zone).plus_millis(-HOLDS_AT_MOST);
    (start, Timestamp::day_start(end, &spec.zone).min(start.plus_millis(33 * DAY)))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn hours_and_volume_under_the_set_point() {
        let spec = UnitSpec::new("heron-bight/boathouse".parse().unwrap(), 14.0);
        let start: Timestamp = "2026-08-01T00:00:00Z".parse().unwrap();
        // A reading every 10 minutes: 20 until noon, 10 until 18 o'clock, then nothing; 5 L/min all the time.
        let reading = |i: i64| {
            let value = if i < 72 { 20.0 } else { 10.0 };
            Reading::new(start.plus_millis(i * 10 * MINUTE)).with(Channel::Intensity, value).with(Channel::Flow, 5.0)
        };
        let readings: Vec<Reading> = (0..108).map(reading).collect();
        let check = ServiceEntry {
            value: Some(15.0),
            ..ServiceEntry::new(start.plus_millis(6 * HOUR), ServiceAction::ReferenceCheck)
        };
        let now = "2026-08-03T00:00:00Z".parse().unwrap();
        let month = unit_month(&spec, bounds("2026-08").unwrap(), &readings, &[check], now);
        // The last reading, of 17:50, holds an hour: 12 h at 20, then 6 h 50 min at 10.
        let close = |a: f64, b: f64| (a - b).abs() < 1e-9;
        let day = &month.days[0];
        assert!(
            close(day.hours_known, 12.0 + 6.0 + 50.0 / 60.0) && close(day.hours_short, 6.0 + 50.0 / 60.0),
            "{day:?}"
        );
        assert_eq!((day.lowest, day.p5), (Some(10.0), Some(10.0)));
        assert!(close(day.litres.unwrap(), 5.0 * 60.0 * day.hours_known));
        let totals = month.totals();
        assert!(
            close(totals.hours_gap, 48.0 - day.hours_known) && close(totals.volume_short.unwrap(), totals.share_short)
        );
        // 20 / 15 = 1.33: over 1.2.
        assert_eq!(month.checks[0].within, Some(false));
        assert_eq!(month.days.len(), 3, "up to today");
    }

    #[test]
    fn channels_in_messages_of_their_own_stand_for_the_same_time() {
        let spec = UnitSpec::new("heron-bight/boathouse".parse().unwrap(), 14.0);
        let start: Timestamp = "2026-08-01T00:00:00Z".parse().unwrap();
        let now = "2026-08-03T00:00:00Z".parse().unwrap();
        // Light at 10 every 10 minutes for a day, flow of 5 L/min a minute after it each time, then nothing.
        let apart = |i: i64| {
            let at = start.plus_millis(i * 10 * MINUTE);
            [
                Reading::new(at).with(Channel::Intensity, 10.0),
                Reading::new(at.plus_millis(MINUTE)).with(Channel::Flow, 5.0).with(Channel::LampOn, 1.0),
            ]
        };
        let readings: Vec<Reading> = (0..144).flat_map(apart).collect();
        let month = unit_month(&spec, bounds("2026-08").unwrap(), &readings, &[], now);
        let close = |a: f64, b: f64| (a - b).abs() < 1e-9;
        let day = &month.days[0];
        assert!(close(day.hours_known, 24.0) && close(day.hours_short, 24.0), "{day:?}");
        // All but the first minute, when no flow was known.
        assert!(close(day.litres.unwrap(), 5.0 * 1_439.0) && day.litres == day.litres_short, "{day:?}");
        // The last light, of 23:50, stands for an hour; it was not read on the second day.
        let next = &month.days[1];
        assert!(close(next.hours_known, 50.0 / 60.0) && next.lowest.is_none(), "{next:?}");
    }

    #[test]
    fn a_lamp_that_is_off_is_an_outage_without_light_too() {
        let spec = UnitSpec::new("heron-bight/boathouse".parse().unwrap(), 14.0);
        let start: Timestamp = "2026-08-01T00:00:00Z".parse().unwrap();
        let off = |i: i64| Reading::new(start.plus_millis(i * 10 * MINUTE)).with(Channel::LampOn, 0.0);
        let readings: Vec<Reading> = (0..12).map(off).collect();
        let now = "2026-08-02T00:00:00Z".parse().unwrap();
        let month = unit_month(&spec, bounds("2026-08").unwrap(), &readings, &[], now);
        let day = &month.days[0];
        // The last, of 1:50, stands until 2:50.
        assert!((day.hours_off - (2.0 + 50.0 / 60.0)).abs() < 1e-9 && day.hours_known == 0.0, "{day:?}");
        assert_eq!(month.outages.len(), 1);
        assert!((month.outages[0].hours() - day.hours_off).abs() < 1e-9, "{:?}", month.outages);
    }

    #[test]
    fn outages_have_a_begin_and_an_end_within_the_month() {
        let spec = UnitSpec::new("heron-bight/boathouse".parse().unwrap(), 14.0);
        let start: Timestamp = "2026-08-01T00:00:00Z".parse().unwrap();
        let hour = |hours: i64| start.plus_millis(hours * HOUR);
        // By the half hour from the evening before: dark until 2 o'clock, off from 10 to 12, dark again from 20 o'clock.
        let reading = |half: i64| {
            let at = start.plus_millis(half * 30 * MINUTE);
            let dark = !(4..40).contains(&half);
            let off = (20..24).contains(&half);
            Reading::new(at)
                .with(Channel::Intensity, if dark || off { 0.2 } else { 20.0 })
                .with(Channel::LampOn, if off { 0.0 } else { 1.0 })
        };
        let readings: Vec<Reading> = (-2..48).map(reading).collect();
        let visit = ServiceEntry::new(hour(9), ServiceAction::VisitStarted);
        let left = ServiceEntry::new(hour(13), ServiceAction::VisitEnded);
        let month = unit_month(&spec, bounds("2026-08").unwrap(), &readings, &[visit, left], hour(24));
        let told: Vec<_> =
            month.outages.iter().map(|o| (o.from, o.to, (o.before, o.after), o.sign, o.during)).collect();
        let (off, none) = (OutageSign::LampOff, OutageSign::NoLight);
        assert_eq!(
            told,
            [
                (hour(0), hour(2), (true, false), none, None),
                (hour(10), hour(12), (false, false), off, Some(OutageDuring::Visit)),
                (hour(20), hour(24), (false, true), none, None),
            ]
        );
        // Their hours are those of the days.
        let sum: f64 = month.outages.iter().map(Outage::hours).sum();
        assert!((sum - month.totals().hours_off).abs() < 1e-9 && (sum - 8.0).abs() < 1e-9);
    }

    #[test]
    fn gaps_have_a_begin_and_an_end_and_the_hours_of_the_days() {
        let spec = UnitSpec::new("heron-bight/boathouse".parse().unwrap(), 14.0);
        let start: Timestamp = "2026-08-01T00:00:00Z".parse().unwrap();
        let hour = |hours: i64| start.plus_millis(hours * HOUR);
        // By the half hour from 3 o'clock: nothing from 10 to 15 o'clock, and nothing after 20 o'clock of the second day.
        let readings: Vec<Reading> = (6..88)
            .filter(|half| !(20..30).contains(half))
            .map(|half| Reading::new(start.plus_millis(half * 30 * MINUTE)).with(Channel::Intensity, 20.0))
            .collect();
        let closed = ServiceEntry::new(hour(44), ServiceAction::Closed);
        let month = unit_month(&spec, bounds("2026-08").unwrap(), &readings, &[closed], hour(60));
        let told: Vec<_> = month.gaps.iter().map(|g| (g.from, g.to, (g.before, g.after), g.during)).collect();
        // A reading stands for an hour at most, so the gaps after one begin an hour after it.
        let last = start.plus_millis(87 * 30 * MINUTE + HOUR);
        assert_eq!(
            told,
            [
                (hour(0), hour(3), (true, false), None),
                (start.plus_millis(19 * 30 * MINUTE + HOUR), hour(15), (false, false), None),
                (last, hour(60), (false, true), Some(OutageDuring::Closed)),
            ]
        );
        let sum: f64 = month.gaps.iter().map(Gap::hours).sum();
        assert!((sum - month.totals().hours_gap).abs() < 1e-9, "{sum} {:?}", month.totals());
        // A month without any reading is one gap.
        let none = unit_month(&spec, bounds("2026-08").unwrap(), &[], &[], hour(60));
        assert_eq!(none.gaps.len(), 1);
        assert!((none.gaps[0].hours() - 60.0).abs() < 1e-9);
    }

    #[test]
    fn months_are_written_one_way() {
        assert_eq!(bounds("2026-12").unwrap().1, jiff::civil::date(2027, 1, 1));
        for wrong in ["2026-13", "26-01", "2026-1", "2026", "2026-00", "x"] {
            assert!(bounds(wrong).is_none(), "{wrong}");
        }
    }
}
