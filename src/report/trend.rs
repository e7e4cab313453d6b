//! The days of a unit: a chart with the latest days under it, rows for CSV, objects for JSON.

use jiff::civil::Date;
use jiff::tz::TimeZone;
use serde::Serialize;

use crate::domain::assessment::{Episode, UnloggedStep};
use crate::domain::{DaySummary, ServiceEntry};

use super::chart::Chart;
use super::style::{Style, Tone};

/// The table under the chart has so many of the latest days.
const DAYS_LISTED: usize = 10;

/// One day in plain numbers, intensities in the unit's own measure.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct TrendDay {
    /// Which day, in the site's zone.
    pub date: Date,
    /// Median of the eligible readings.
    pub intensity: Option<f64>,
    /// Least eligible reading.
    pub lowest: Option<f64>,
    /// Median flow while water flowed, L/min.
    pub flow: Option<f64>,
    /// Median water temperature, C.
    pub water_temperature: Option<f64>,
    /// Median transmittance, %.
    pub transmittance: Option<f64>,
    /// Median turbidity, NTU.
    pub turbidity: Option<f64>,
    /// Last lamp-hour count of the day, h.
    pub lamp_hours: Option<f64>,
    /// Readings in all.
    pub readings: u32,
    /// Readings set aside.
    pub set_aside: u32,
}

impl From<&DaySummary> for TrendDay {
    fn from(day: &DaySummary) -> Self {
        Self {
            date: day.date,
            intensity: day.intensity.map(|summary| rounded(summary.median.exp())),
            lowest: day.lowest,
            flow: day.flow,
            water_temperature: day.water_temperature,
            transmittance: day.transmittance,
            turbidity: day.turbidity,
            lamp_hours: day.lamp_hours,
            readings: day.readings,
            set_aside: day.set_aside.total(),
        }
    }
}

/// Six significant digits: more than a sensor has, and no tail of digits from the logarithm.
fn rounded(value: f64) -> f64 {
    format!("{value:.5e}").parse().unwrap_or(value)
}

/// The names of [`csv_row`]'s cells.
pub const CSV_HEADER: [&str; 10] = [
    "date",
    "intensity",
    "lowest",
    "flow",
    "water_temperature",
    "transmittance",
    "turbidity",
    "lamp_hours",
    "readings",
    "set_aside",
];

/// A day as cells; empty where not measured.
pub fn csv_row(day: &TrendDay) -> [String; 10] {
    let cell = |value: Option<f64>| value.map_or_else(String::new, |value| value.to_string());
    [
        day.date.to_string(),
        cell(day.intensity),
        cell(day.lowest),
        cell(day.flow),
        cell(day.water_temperature),
        cell(day.transmittance),
        cell(day.turbidity),
        cell(day.lamp_hours),
        day.readings.to_string(),
        day.set_aside.to_string(),
    ]
}

/// What a trend page is made of.
#[derive(Clone, Copy, Debug)]
pub struct TrendPage<'a> {
    /// The site's id.
    pub site: &'a str,
    /// The unit's id within the site.
    pub unit: &'a str,
    /// `mW/cm2` or `percent`.
    pub intensity_unit: &'a str,
    /// Intensity at or under which treatment is not assured.
    pub set_point: f64,
    /// Ascending.
    pub days: &'a [DaySummary],
    /// The service log.
    pub log: &'a [ServiceEntry],
    /// Steps nobody logged.
    pub unlogged: &'a [UnloggedStep],
    /// Cloudy times.
    pub episodes: &'a [Episode],
    /// The site's zone.
    pub zone: &'a TimeZone,
}

impl TrendPage<'_> {
    /// The chart and the latest days.
    pub fn render(&self, style: Style) -> String {
        let title = style.paint(Tone::Strong, &format!("{}/{}", self.site, self.unit));
        if self.days.is_empty() {
            return format!("{title}: no readings yet\n");
        }
        let chart = Chart {
            days: self.days,
            log: self.log,
            unlogged: self.unlogged,
            episodes: self.episodes,
            set_point: self.set_point,
            unit: self.intensity_unit,
            zone: self.zone,
        };
        let mut out = format!("{title}\n{}\n", chart.render(style));
        out += &format!(
            "{:<12}{:>10}{:>10}{:>10}{:>10}{:>11}\n",
            "day", "median", "lowest", "flow", "water C", "readings"
        );
        for day in &self.days[self.days.len().saturating_sub(DAYS_LISTED)..] {
            out += &self.line(&day.into(), style);
        }
        out
    }

    fn line(&self, day: &TrendDay, style: Style) -> String {
        let cell = |value: Option<f64>| value.map_or_else(|| "-".to_owned(), |value| format!("{value:.1}"));
        let short = day.intensity.is_some_and(|intensity| intensity <= self.set_point);
        let line = format!(
            "{:<12}{:>10}{:>10}{:>10}{:>10}{:>11}",
            day.date.to_string(),
            cell(day.intensity),
            cell(day.lowest),
            cell(day.flow),
            cell(day.water_temperature),
            day.readings
        );
        let note = if short { "  at or under the set point" } else { "" };
        format!("{line}{}\n", style.paint(Tone::Alarm, note))
    }
}
