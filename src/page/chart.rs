//! The trend of a unit as SVG, with what it means drawn into it.

use std::fmt::Write as _;

use jiff::civil::Date;
use jiff::tz::TimeZone;

use super::calendar::time_ticks;
use crate::domain::assessment::{Crossing, LatestReading};
use crate::domain::time::DAY;
use crate::domain::{Assessment, FittedDay, ServiceAction, ServiceEntry, Timestamp};
use crate::query::series::Series;

/// Width of the view box.
pub const WIDTH: f64 = 960.0;
/// Height of the view box.
pub const HEIGHT: f64 = 360.0;
pub(super) const LEFT: f64 = 52.0;
pub(super) const RIGHT: f64 = 12.0;
pub(super) const TOP: f64 = 30.0;
pub(super) const BOTTOM: f64 = 44.0;
/// A latest reading that is off the last day's by more than this share of it is named.
const OFF_COURSE: f64 = 0.05;

/// Room that the words at a crossing take left of it and above it.
const WORDS: (f64, f64) = (190.0, 30.0);

/// What a chart shows.
#[derive(Clone, Copy, Debug)]
pub struct Chart<'a> {
    /// The readings.
    pub series: &'a Series,
    /// Intensity at or under which treatment is not assured.
    pub set_point: f64,
    /// `mW/cm²` or `%`.
    pub unit: &'a str,
    /// What is said, for forecast, episodes and steps.
    pub said: Option<&'a Assessment>,
    /// The days behind as the fit explains them.
    pub past: &'a [FittedDay],
    /// The service log.
    pub log: &'a [ServiceEntry],
    /// The site's zone.
    pub zone: &'a TimeZone,
    /// Whether the forecast is drawn: days to come make room for it.
    pub forecast: bool,
    /// The latest reading, where the chart reaches to it: by days the last hours do not show.
    pub now: Option<&'a LatestReading>,
}

/// A service action in the chart: its number and what it was.
#[derive(Clone, Debug, PartialEq)]
pub struct Marked<'a> {
    /// The number beside its line.
    pub number: usize,
    /// The entry.
    pub entry: &'a ServiceEntry,
}

struct Plane {
    from: f64,
    to: f64,
    low: f64,
    high: f64,
}

impl Plane {
    fn x(&self, at: Timestamp) -> f64 {
        LEFT + (at.as_millis() as f64 - self.from) / (self.to - self.from).max(1.0) * (WIDTH - LEFT - RIGHT)
    }

    fn y(&self, value: f64) -> f64 {
        TOP + (self.high - value) / (self.high - self.low).max(1e-9) * (HEIGHT - TOP - BOTTOM)
    }

    fn inside(&self, at: Timestamp) -> bool {
        (self.from..=self.to).contains(&(at.as_millis() as f64))
    }
}

impl<'a> Chart<'a> {
    /// The service actions within the chart, numbered.
    pub fn marked(&self) -> Vec<Marked<'a>> {
        let shown = |entry: &&ServiceEntry| {
            entry.at >= self.series.from && entry.at <= self.series.to && !matches!(entry.action, ServiceAction::Note)
        };
        self.log.iter().filter(shown).enumerate().map(|(i, entry)| Marked { number: i + 1, entry }).collect()
    }

    /// When the light crosses the set point; nothing where it is under it already, or where no forecast is wanted.
    pub fn crossing(&self) -> Option<Crossing> {
        let crossing = self.said.filter(|_| self.forecast)?.forecast.crossing;
        let over = self.series.points.last()?.value > self.set_point;
        (over && crossing.p10.is_some()).then_some(crossing)
    }

    /// The picture.
    pub fn svg(&self) -> String {
        let plane = self.plane();
        let mut svg = format!(
            "<svg class=\"trend\" viewBox=\"0 0 {WIDTH} {HEIGHT}\" role=\"img\" aria-labelledby=\"trend-title trend-desc\" \
             data-from=\"{}\" data-to=\"{}\" data-left=\"{LEFT}\" data-right=\"{}\"><title id=\"trend-title\">Light over time</title>\
             <desc id=\"trend-desc\">{}</desc><defs><pattern id=\"cloud\" width=\"6\" height=\"6\" patternUnits=\"userSpaceOnUse\">\
             <path class=\"hatch\" d=\"M0 6L6 0\"/></pattern></defs>",
            plane.from as i64,
            plane.to as i64,
            WIDTH - RIGHT,
            self.describe()
        );
        self.axes(&plane, &mut svg);
        self.episodes(&plane, &mut svg);
        self.fan(&plane, &mut svg);
        self.set_line(&plane, &mut svg);
        self.course(&plane, &mut svg);
        self.fitted(&plane, &mut svg);
        self.marks(&plane, &mut svg);
        self.latest(&plane, &mut svg);
        svg.push_str("</svg>");
        svg
    }

    fn describe(&self) -> String {
        match (self.series.points.first(), self.series.points.last()) {
            (Some(first), Some(last)) => format!(
                "From {:.1} on {} to {:.1} {} on {}; set point {}. The table below has every value.",
                first.value,
                first.at.date_in(self.zone),
                last.value,
                self.unit,
                last.at.date_in(self.zone),
                self.set_point
            ),
            _ => "No readings in this span.".to_owned(),
        }
    }

    fn plane(&self) -> Plane {
        let points = &self.series.points;
        let now = || self.now.iter().map(|reading| reading.intensity);
        let low = points.iter().map(|p| p.low).chain(now()).fold(self.set_point, f64::min);
        let high = points.iter().map(|p| p.high).chain(now()).fold(self.set_point, f64::max);
        let margin = 0.08 * (high - low).max(0.05 * high.abs()).max(1e-6);
        let span = self.series.to.millis_since(self.series.from) as f64;
        let from = self.series.from.as_millis() as f64;
        let to = self.series.to.as_millis() as f64;
        // The forecast gets up to as much room as the past has.
        let ahead = self.forecast_end().map_or(0.0, |end| (end.as_millis() as f64 - to).clamp(0.0, span));
        Plane { from, to: to + ahead, low: (low - margin).max(0.0f64.min(low)), high: high + margin }
    }

    fn forecast_end(&self) -> Option<Timestamp> {
        let crossing = self.crossing()?;
        let open = crossing.p90.is_none();
        let last = crossing.p90.or(crossing.p50).or(crossing.p10)?;
        // A fan without an end is seen to go on.
        Some(self.start(last).plus_millis(if open { 60 * DAY } else { 2 * DAY }))
    }

    fn start(&self, date: Date) -> Timestamp {
        Timestamp::day_start(date, self.zone)
    }

    fn axes(&self, plane: &Plane, svg: &mut String) {
        for value in ticks(plane.low, plane.high, 5) {
            let y = plane.y(value);
            let _ = write!(
                svg,
                "<path class=\"grid\" d=\"M{LEFT} {y:.1}H{:.0}\"/><text class=\"tick amount\" x=\"{:.0}\" y=\"{:.1}\" text-anchor=\"end\">{}</text>",
                WIDTH - RIGHT,
                LEFT - 6.0,
                y + 4.0,
                short(value)
            );
        }
        let _ = write!(svg, "<text class=\"tick measure\" x=\"4\" y=\"14\">{}</text>", self.unit);
        time_ticks((plane.from, plane.to), (HEIGHT - BOTTOM + 18.0, self.zone), svg);
    }

    fn set_line(&self, plane: &Plane, svg: &mut String) {
        let y = plane.y(self.set_point);
        let _ = write!(
            svg,
            "<path class=\"setpoint\" d=\"M{LEFT} {y:.1}H{:.0}\"/><text class=\"label setlabel\" x=\"{:.0}\" y=\"{:.1}\">set point {}</text>",
            WIDTH - RIGHT,
            LEFT + 6.0,
            y + 15.0,
            short(self.set_point)
        );
    }

    fn course(&self, plane: &Plane, svg: &mut String) {
        // A hole of more than three usual steps is drawn as one.
        let mut gaps: Vec<i64> = self.series.points.windows(2).map(|w| w[1].at.millis_since(w[0].at)).collect();
        gaps.sort_unstable();
        let usual = gaps.get(gaps.len() / 2).copied().unwrap_or(DAY);
        for run in self.series.points.chunk_by(|a, b| b.at.millis_since(a.at) <= 3 * usual) {
            let mut band = String::new();
            let mut line = String::new();
            for (i, point) in run.iter().enumerate() {
                let (x, letter) = (plane.x(point.at), if i == 0 { 'M' } else { 'L' });
                let _ = write!(line, "{letter}{x:.1} {:.1}", plane.y(point.value));
                let _ = write!(band, "{letter}{x:.1} {:.1}", plane.y(point.high));
            }
            for point in run.iter().rev() {
                let _ = write!(band, "L{:.1} {:.1}", plane.x(point.at), plane.y(point.low));
            }
            if run.iter().any(|point| point.low < point.high) {
                let _ = write!(svg, "<path class=\"band\" d=\"{band}Z\"/>");
            }
            let _ = write!(svg, "<path class=\"course\" d=\"{line}\"/>");
        }
    }

    /// The course that the causes explain, beside what was read.
    fn fitted(&self, plane: &Plane, svg: &mut String) {
        let mut line = String::new();
        for day in self.past {
            let at = self.start(day.date);
            if at < self.series.from || at > self.series.to {
                continue;
            }
            let y = plane.y(day.intensity).clamp(TOP, HEIGHT - BOTTOM);
            let _ = write!(line, "{}{:.1} {y:.1}", if line.is_empty() { 'M' } else { 'L' }, plane.x(at));
        }
        if !line.is_empty() {
            let _ = write!(svg, "<path class=\"fitted\" d=\"{line}\"/>");
        }
    }

    fn fan(&self, plane: &Plane, svg: &mut String) {
        let Some((crossing, last)) = self.crossing().zip(self.series.points.last()) else { return };
        let set = plane.y(self.set_point);
        let edge = WIDTH - RIGHT;
        let (x, y) = (plane.x(last.at), plane.y(last.value));
        // Where a line to a late crossing leaves the picture; what should have crossed by now crosses now.
        let until = |date: Option<Date>| {
            let target = date.map_or(f64::INFINITY, |date| plane.x(self.start(date)).max(x));
            if target > edge { (edge, y + (set - y) * (edge - x) / (target - x).max(1.0)) } else { (target, set) }
        };
        let (early, late) = (until(crossing.p10), until(crossing.p90));
        // Between an early crossing and a late one outside the picture lies its corner.
        let corner = if early.0 < edge && late.1 < set { format!("L{edge:.1} {set:.1}") } else { String::new() };
        let _ = write!(
            svg,
            "<path class=\"fan\" d=\"M{x:.1} {y:.1}L{:.1} {:.1}{corner}L{:.1} {:.1}Z\"/>",
            early.0, early.1, late.0, late.1
        );
        if let Some(date) = crossing.p50 {
            let (mx, my) = until(Some(date));
            // The words stand left of the crossing, where there is room for them.
            let (at, anchor) = if mx < LEFT + 350.0 { (mx, "start") } else { (mx.min(edge - 2.0), "end") };
            // Under the set point where the course comes down to it from just above them.
            let near = mx - x < WORDS.0 && (0.0..WORDS.1).contains(&(my - y));
            let base = my + if near { 16.0 } else { -10.0 };
            let _ = write!(
                svg,
                "<path class=\"middle\" d=\"M{x:.1} {y:.1}L{mx:.1} {my:.1}\"/><circle class=\"crossing\" cx=\"{mx:.1}\" cy=\"{my:.1}\" r=\"4\"/>\
                 <text class=\"label\" x=\"{at:.1}\" y=\"{base:.1}\" text-anchor=\"{anchor}\">crossing about {date}</text>"
            );
        }
    }

    /// A ring at the latest reading, with a word where it lies off the course.
    fn latest(&self, plane: &Plane, svg: &mut String) {
        let Some(now) = self.now.filter(|reading| plane.inside(reading.at)) else { return };
        let (x, y) = (plane.x(now.at), plane.y(now.intensity));
        let _ = write!(svg, "<circle class=\"latest\" cx=\"{x:.1}\" cy=\"{y:.1}\" r=\"4\"/>");
        let course = self.series.points.last().map_or(f64::INFINITY, |point| point.value);
        if (now.intensity - course).abs() > OFF_COURSE * course.abs() {
            let _ = write!(
                svg,
                "<text class=\"label\" x=\"{:.1}\" y=\"{:.1}\" text-anchor=\"end\">now {:.1}</text>",
                x - 9.0,
                y + 4.0,
                now.intensity
            );
        }
    }

    fn episodes(&self, plane: &Plane, svg: &mut String) {
        for episode in self.said.map_or(&[][..], |said| &said.episodes) {
            if episode.to < self.series.from || episode.from > self.series.to {
                continue;
            }
            let (from, to) = (plane.x(episode.from).max(LEFT), plane.x(episode.to).min(WIDTH - RIGHT));
            // A late one has no room for its words on the right.
            let (at, anchor) = if from > WIDTH * 0.8 { (to, "end") } else { (from, "start") };
            let _ = write!(
                svg,
                "<rect class=\"episode\" x=\"{from:.1}\" y=\"{TOP}\" width=\"{:.1}\" height=\"{:.1}\"/>\
                 <text class=\"label\" x=\"{at:.1}\" y=\"{:.1}\" text-anchor=\"{anchor}\">cloudy water</text>",
                (to - from).max(3.0),
                HEIGHT - TOP - BOTTOM,
                HEIGHT - BOTTOM - 6.0
            );
        }
    }

    fn marks(&self, plane: &Plane, svg: &mut String) {
        let mut free = f64::MIN;
        for mark in self.marked() {
            let x = plane.x(mark.entry.at);
            let _ = write!(svg, "<path class=\"action\" d=\"M{x:.1} {TOP}V{:.0}\"/>", HEIGHT - BOTTOM);
            // A number that would lie on the one before it is left out; the list has them all.
            if x >= free {
                let _ = write!(
                    svg,
                    "<text class=\"label\" x=\"{x:.1}\" y=\"{:.0}\" text-anchor=\"middle\">{}</text>",
                    TOP - 6.0,
                    mark.number
                );
                free = x + 18.0;
            }
        }
        for step in self.said.map_or(&[][..], |said| &said.unlogged) {
            let at = self.start(step.at);
            if !plane.inside(at) {
                continue;
            }
            let x = plane.x(at);
            let _ = write!(
                svg,
                "<path class=\"unlogged\" d=\"M{x:.1} {TOP}V{:.0}\"/><text class=\"label ask\" x=\"{x:.1}\" y=\"{:.0}\" text-anchor=\"middle\">?</text>",
                HEIGHT - BOTTOM,
                TOP - 6.0
            );
        }
    }
}

pub(super) fn ticks(low: f64, high: f64, about: usize) -> Vec<f64> {
    let rough = (high - low) / about as f64;
    if !rough.is_finite() || rough <= 0.0 {
        return vec![low];
    }
    let power = 10f64.powf(rough.log10().floor());
    let step = [1.0, 2.0, 5.0, 10.0].into_iter().map(|m| m * power).find(|step| *step >= rough).unwrap_or(10.0 * power);
    let first = (low / step).ceil() as i64;
    (first..first + 12).map(|i| i as f64 * step).take_while(|value| *value <= high).collect()
}

pub(super) fn short(value: f64) -> String {
    let text = format!("{value:.2}");
    text.trim_end_matches('0').trim_end_matches('.').to_owned()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::query::series::{Point, Resolution};

    fn series(values: &[f64]) -> Series {
        let at = |i: usize| Timestamp::from_secs(1_780_000_000 + 86_400 * i as i64);
        let points = values.iter().enumerate().map(|(i, v)| Point {
            at: at(i),
            value: *v,
            low: v - 0.5,
            high: v + 0.5,
            count: 9,
        });
        Series {
            site: "heron-bight".to_owned(),
            unit: "boathouse".to_owned(),
            channel: "intensity".to_owned(),
            measure: "mW/cm2".to_owned(),
            resolution: Resolution::Day,
            thinned: false,
            from: at(0),
            to: at(values.len()),
            points: points.collect(),
        }
    }

    #[test]
    fn a_year_is_small_and_odd_values_stay_inside() {
        let said: Assessment = serde_json::from_str(include_str!("../../fixtures/assessment/contract.json")).unwrap();
        for values in
            [(0..365).map(|i| 24.0 - 0.02 * f64::from(i)).collect(), vec![], vec![0.0], vec![1e9, -1e9], vec![14.0; 9]]
        {
            let values: Vec<f64> = values;
            let series = series(&values);
            let chart = Chart {
                series: &series,
                set_point: 14.0,
                unit: "mW/cm²",
                said: Some(&said),
                past: &[],
                log: &[],
                zone: &TimeZone::UTC,
                forecast: true,
                now: said.reading.as_ref(),
            };
            let svg = chart.svg();
            assert!(svg.len() < 150_000 && !svg.contains("NaN") && !svg.contains("inf"), "{values:?}");
        }
    }

    #[test]
    fn a_fan_without_an_end_is_open_at_the_edge_and_a_short_unit_has_none() {
        let mut said: Assessment =
            serde_json::from_str(include_str!("../../fixtures/assessment/contract.json")).unwrap();
        let values: Vec<f64> = (0..300).map(|i| 24.0 - 0.02 * f64::from(i)).collect();
        let series = series(&values);
        let day = |days: i64| Some(series.to.plus_millis(days * DAY).date_in(&TimeZone::UTC));
        said.forecast.crossing = Crossing { p10: day(40), p50: day(80), p90: None };
        let fan = |set_point: f64| {
            let chart = Chart {
                series: &series,
                set_point,
                unit: "mW/cm²",
                said: Some(&said),
                past: &[],
                log: &[],
                zone: &TimeZone::UTC,
                forecast: true,
                now: None,
            };
            let svg = chart.svg();
            let path = svg.split("class=\"fan\" d=\"").nth(1)?.split('"').next()?.to_owned();
            Some(path)
        };
        let path = fan(14.0).unwrap();
        let corners: Vec<(f64, f64)> = path
            .split(['M', 'L', 'Z'])
            .filter_map(|point| point.split_once(' '))
            .map(|(x, y)| (x.parse().unwrap(), y.parse().unwrap()))
            .collect();
        // From the last reading to the early crossing, along the set point, up the edge, back at the height of the reading.
        let edge = WIDTH - RIGHT;
        assert_eq!(corners.len(), 4, "{path}");
        assert_eq!((corners[1].1, corners[2].0, corners[3].0), (corners[2].1, edge, edge), "{path}");
        assert_eq!(corners[3].1, corners[0].1, "{path}");
        assert_eq!(fan(22.0), None);
    }

    #[test]
    fn ticks_are_round() {
        assert_eq!(ticks(13.2, 24.1, 5), [15.0, 20.0]);
        assert_eq!(ticks(0.0, 10.0, 5), [0.0, 2.0, 4.0, 6.0, 8.0, 10.0]);
    }
}
