//! What readings of the last days say about sensor, filters and flow sensor: signs that no assessment carries.

use serde::{Deserialize, Serialize};

use crate::domain::time::{DAY, MINUTE};
use crate::domain::{Channel, DaySummary, Reading, ServiceAction, ServiceEntry, Timestamp, UnitSpec};

/// Days at each end of a filter's life over which flow and pressure are compared.
pub const WINDOW_DAYS: i64 = 14;
/// Readings this near a reference check show what the duty sensor read then, milliseconds.
pub const CHECK_WITHIN: i64 = 90 * MINUTE;
/// Share of the readings of the last two days that a stuck sensor or broken wiring spoils, from which it counts.
const SPOILT_SHARE: f64 = 0.25;
/// A filter is worn when the peak flow has fallen to this share of what it was when the filter was new, or the pressure
/// across it has risen to this many times (common practice: "when flow drops"; the figures are our choice). The second
/// of each pair is where it is no sign any more.
const FLOW_FELL: (f64, f64) = (0.75, 0.80);
/// See [`FLOW_FELL`].
const PRESSURE_ROSE: (f64, f64) = (1.6, 1.4);
/// Pressure differences under this are noise, kPa.
const PRESSURE_LEAST_KPA: f64 = 10.0;
/// Readings with flow needed for a peak.
const FLOW_READINGS_LEAST: usize = 20;
/// A flow sensor that shows nothing for this many days although it used to is stuck, or nobody is there: it is asked.
const FLOW_STUCK_DAYS: i64 = 5;

/// The signs.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Signs {
    /// Duty sensor over reference sensor at the last check.
    pub reference_ratio: Option<f64>,
    /// Reading of the last days over the reading when everything was new.
    pub share_of_new: Option<f64>,
    /// The sensor has repeated one value for much of the last two days.
    pub stuck: bool,
    /// The sensor's current was out of its range for much of the last two days.
    pub wiring: bool,
    /// Peak flow now over peak flow when the filter was new.
    pub flow_share: Option<f64>,
    /// Pressure across the filters now over when they were new.
    pub pressure_ratio: Option<f64>,
    /// The flow sensor repeats one value other than zero.
    pub flow_stuck: bool,
}

impl Signs {
    /// Parts that these signs call for, in words.
    pub fn worn(&self) -> Vec<String> {
        let mut worn = Vec::new();
        if let Some(share) = self.flow_share.filter(|share| *share < FLOW_FELL.0) {
            worn.push(format!(
                "pre-filters: the peak flow has fallen by {:.0} % since they were new",
                100.0 * (1.0 - share)
            ));
        }
        if let Some(ratio) = self.pressure_ratio.filter(|ratio| *ratio > PRESSURE_ROSE.0) {
            worn.push(format!(
                "pre-filters: the pressure across them is {ratio:.1} times what it was when they were new"
            ));
        }
        if self.flow_stuck {
            worn.push("flow sensor: it has shown one and the same flow for days; its paddle may be stuck".to_owned());
        }
        worn
    }

    /// Whether a sign stands between its two thresholds.
    pub fn is_between(&self) -> bool {
        self.flow_share.is_some_and(|share| share < FLOW_FELL.1)
            || self.pressure_ratio.is_some_and(|ratio| ratio > PRESSURE_ROSE.1)
    }
}

/// The spans of readings that [`look`] wants: those after the filters were new, and the latest, each `(from, to)`; and
/// the span of the last reference check.
pub fn spans(log: &[ServiceEntry], first: Timestamp, now: Timestamp) -> [(Timestamp, Timestamp); 3] {
    let filters = [ServiceAction::SedimentFilterReplaced, ServiceAction::CarbonFilterReplaced];
    let new = log.iter().rfind(|e| e.at <= now && filters.contains(&e.action)).map_or(first, |e| e.at);
    let check =
        last_check(log, now).map_or((now, now), |e| (e.at.plus_millis(-CHECK_WITHIN), e.at.plus_millis(CHECK_WITHIN)));
    [(new, new.plus_millis(WINDOW_DAYS * DAY)), (now.plus_millis(-WINDOW_DAYS * DAY), now), check]
}

fn last_check(log: &[ServiceEntry], now: Timestamp) -> Option<&ServiceEntry> {
    log.iter().rfind(|entry| entry.at <= now && entry.action == ServiceAction::ReferenceCheck)
}

/// Reads the signs from the readings of the three [`spans`] and the last days.
pub fn look(
    spec: &UnitSpec,
    log: &[ServiceEntry],
    readings: [&[Reading]; 3],
    days: &[DaySummary],
    now: Timestamp,
) -> Signs {
    let [new, recent, check] = readings;
    let last = &days[days.len().saturating_sub(2)..];
    let total: u32 = last.iter().map(|day| day.readings).sum();
    let spoilt = |count: fn(&DaySummary) -> u32| {
        let count: u32 = last.iter().map(count).sum();
        total > 0 && f64::from(count) >= SPOILT_SHARE * f64::from(total)
    };
    let apart = match (new.last(), recent.first()) {
        (Some(new), Some(recent)) => recent.at > new.at,
        _ => false,
    };
    let compare = |of: fn(&[Reading]) -> Option<f64>| {
        apart.then(|| Some(of(recent)? / of(new)?)).flatten().filter(|ratio| ratio.is_finite())
    };
    Signs {
        reference_ratio: reference_ratio(log, check, now),
        share_of_new: share_of_new(spec, days),
        stuck: spoilt(|day| day.set_aside.stuck),
        wiring: spoilt(|day| day.set_aside.out_of_range),
        flow_share: compare(peak_flow),
        pressure_ratio: compare(pressure_drop),
        flow_stuck: flow_stuck(recent, now),
    }
}

/// Duty over reference at the last check, unless the sensor was cleaned or changed since.
fn reference_ratio(log: &[ServiceEntry], around: &[Reading], now: Timestamp) -> Option<f64> {
    let check = last_check(log, now)?;
    let touched = [ServiceAction::SensorCleaned, ServiceAction::SensorReplaced];
    if log.iter().any(|entry| entry.at > check.at && entry.at <= now && touched.contains(&entry.action)) {
        return None;
    }
    let reference = check.value.filter(|value| *value > 0.0)?;
    let near = |reading: &&Reading| reading.get(Channel::Intensity).is_some();
    let duty = around.iter().filter(near).min_by_key(|reading| reading.at.millis_since(check.at).abs())?;
    duty.get(Channel::Intensity).map(|duty| duty / reference)
}

/// The median of the last three days with light over the reading when everything was new.
fn share_of_new(spec: &UnitSpec, days: &[DaySummary]) -> Option<f64> {
    let reference = spec.reference.filter(|reference| *reference > 0.0)?;
    let mut last: Vec<f64> =
        days.iter().rev().filter_map(|day| day.intensity).map(|ln| ln.median.exp()).take(3).collect();
    last.sort_by(f64::total_cmp);
    (last.len() == 3).then(|| last[1] / reference)
}

/// The 95th percentile of the flow while water flows, L/min.
fn peak_flow(readings: &[Reading]) -> Option<f64> {
    let mut flows: Vec<f64> = readings.iter().filter_map(|r| r.get(Channel::Flow)).filter(|flow| *flow > 0.1).collect();
    flows.sort_by(f64::total_cmp);
    (flows.len() >= FLOW_READINGS_LEAST).then(|| flows[flows.len() * 95 / 100])
}

/// The median pressure across the filters while water flows, kPa.
fn pressure_drop(readings: &[Reading]) -> Option<f64> {
    let drop = |r: &Reading| {
        let flowing = r.get(Channel::Flow).is_none_or(|flow| flow > 0.1);
        flowing.then(|| Some(r.get(Channel::PressureIn)? - r.get(Channel::PressureOut)?)).flatten()
    };
    let mut drops: Vec<f64> = readings.iter().filter_map(drop).collect();
    drops.sort_by(f64::total_cmp);
    (drops.len() >= FLOW_READINGS_LEAST).then(|| drops[drops.len() / 2].max(PRESSURE_LEAST_KPA))
}

/// One and the same flow, not zero, in every reading of the last days.
fn flow_stuck(recent: &[Reading], now: Timestamp) -> bool {
    let since = now.plus_millis(-FLOW_STUCK_DAYS * DAY);
    let flows: Vec<f64> = recent.iter().filter(|r| r.at >= since).filter_map(|r| r.get(Channel::Flow)).collect();
    let first = flows.first().copied().unwrap_or(0.0);
    flows.len() >= FLOW_READINGS_LEAST && first > 0.1 && flows.iter().all(|flow| (flow - first).abs() < 1e-9)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn at(text: &str) -> Timestamp {
        text.parse().unwrap()
    }

    fn flows(from: Timestamp, flow: impl Fn(i64) -> f64) -> Vec<Reading> {
        (0..600).map(|i| Reading::new(from.plus_millis(i * 30 * MINUTE)).with(Channel::Flow, flow(i))).collect()
    }

    #[test]
    fn a_falling_peak_flow_wears_the_filter() {
        let (then, now) = (at("2026-01-01T00:00:00Z"), at("2026-08-14T00:00:00Z"));
        let spec = UnitSpec::new("heron-bight/boathouse".parse().unwrap(), 14.0);
        let draw = |peak: f64| move |i: i64| if i % 7 == 0 { peak * (0.5 + (i % 50) as f64 / 100.0) } else { 0.0 };
        let new = flows(then, draw(20.0));
        let signs = |peak| {
            let recent = flows(now.plus_millis(-13 * DAY), draw(peak));
            look(&spec, &[], [&new, &recent, &[]], &[], now)
        };
        assert!(signs(19.0).worn().is_empty());
        assert!(signs(15.6).worn().is_empty() && signs(15.6).is_between());
        assert!(signs(12.0).worn()[0].contains("fallen by 40 %"), "{:?}", signs(12.0));
        let stuck = flows(now.plus_millis(-13 * DAY), |_| 7.0);
        assert!(look(&spec, &[], [&new, &stuck, &[]], &[], now).flow_stuck);
    }

    #[test]
    fn the_reference_ratio_counts_until_the_sensor_is_touched() {
        let (then, now) = (at("2026-08-10T10:00:00Z"), at("2026-08-14T00:00:00Z"));
        let check = ServiceEntry { value: Some(20.0), ..ServiceEntry::new(then, ServiceAction::ReferenceCheck) };
        let around = [Reading::new(then.plus_millis(MINUTE)).with(Channel::Intensity, 25.0)];
        let mut log = vec![check];
        assert_eq!(reference_ratio(&log, &around, now), Some(1.25));
        log.push(ServiceEntry::new(at("2026-08-11T10:00:00Z"), ServiceAction::SensorCleaned));
        assert_eq!(reference_ratio(&log, &around, now), None);
    }
}
