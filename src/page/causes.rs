//! What each cause cost over time, stacked, as SVG.

use std::fmt::Write as _;

use jiff::tz::TimeZone;

use super::calendar::time_ticks;
use super::chart::{BOTTOM, LEFT, RIGHT, TOP, WIDTH, short, ticks};
use crate::domain::{FittedDay, Timestamp};

const HEIGHT: f64 = 260.0;
/// The causes from the bottom up: class of the area, what it is called.
pub const CAUSES: [(&str, &str); 5] = [
    ("c-sleeve", "sleeve"),
    ("c-lamp", "lamp"),
    ("c-sensor", "sensor and window"),
    ("c-water", "water"),
    ("c-open", "before the first reading"),
];
/// A cause that never cost this many points is not told in the legend.
const WORTH_TELLING: f64 = 0.5;

/// Points of light lost, day by day.
#[derive(Clone, Copy, Debug)]
pub struct Stack<'a> {
    /// The days, ascending.
    pub days: &'a [FittedDay],
    /// The site's zone.
    pub zone: &'a TimeZone,
}

impl Stack<'_> {
    /// The causes that cost something, from the bottom up: class and name.
    pub fn shown(&self) -> Vec<(&'static str, &'static str)> {
        let most = |cause: usize| self.days.iter().map(|day| day.lost.each()[cause]).fold(0.0, f64::max);
        let told = CAUSES.iter().enumerate().filter(|(cause, _)| most(*cause) >= WORTH_TELLING);
        told.map(|(_, named)| *named).collect()
    }

    /// The picture; `None` where there is nothing to show.
    pub fn svg(&self) -> Option<String> {
        let (first, last) = (self.days.first()?, self.days.last()?);
        let start = |day: &FittedDay| Timestamp::day_start(day.date, self.zone);
        let (from, to) = (start(first).as_millis() as f64, start(last).as_millis() as f64);
        let most = self.days.iter().map(|day| day.lost.each().iter().sum()).fold(1.0, f64::max) * 1.06;
        let x = |day: &FittedDay| {
            LEFT + (start(day).as_millis() as f64 - from) / (to - from).max(1.0) * (WIDTH - LEFT - RIGHT)
        };
        let y = |points: f64| TOP + (most - points) / most * (HEIGHT - TOP - BOTTOM);
        let mut svg = format!(
            "<svg class=\"trend stack\" viewBox=\"0 0 {WIDTH} {HEIGHT}\" role=\"img\" aria-labelledby=\"stack-title stack-desc\">\
             <title id=\"stack-title\">Light lost to each cause over time</title><desc id=\"stack-desc\">{}</desc>{PATTERNS}",
            describe(last)
        );
        for value in ticks(0.0, most, 4) {
            let _ = write!(
                svg,
                "<path class=\"grid\" d=\"M{LEFT} {0:.1}H{1:.0}\"/><text class=\"tick amount\" x=\"{2:.0}\" y=\"{3:.1}\" text-anchor=\"end\">{4}</text>",
                y(value),
                WIDTH - RIGHT,
                LEFT - 6.0,
                y(value) + 4.0,
                short(value)
            );
        }
        svg.push_str("<text class=\"tick measure\" x=\"4\" y=\"14\">points of light</text>");
        time_ticks((from, to), (HEIGHT - BOTTOM + 18.0, self.zone), &mut svg);
        let mut below = vec![0.0; self.days.len()];
        for (cause, (class, _)) in CAUSES.iter().enumerate() {
            let above: Vec<f64> =
                self.days.iter().zip(&below).map(|(day, under)| under + day.lost.each()[cause]).collect();
            let mut area = String::new();
            for (place, (day, top)) in self.days.iter().zip(&above).enumerate() {
                let _ = write!(area, "{}{:.1} {:.1}", if place == 0 { 'M' } else { 'L' }, x(day), y(*top));
            }
            for (day, under) in self.days.iter().zip(&below).rev() {
                let _ = write!(area, "L{:.1} {:.1}", x(day), y(*under));
            }
            // Colour first, the hatching over it.
            let _ = write!(
                svg,
                "<path id=\"s-{class}\" class=\"area\" d=\"{area}Z\"/><use href=\"#s-{class}\" class=\"{class}\"/>\
                 <use href=\"#s-{class}\" class=\"{class}-lines\"/>"
            );
            below = above;
        }
        svg.push_str("</svg>");
        Some(svg)
    }
}

/// Hatchings, so that the areas can be told apart without colour.
const PATTERNS: &str = "<defs>\
    <pattern id=\"p-lamp\" width=\"7\" height=\"7\" patternUnits=\"userSpaceOnUse\"><path class=\"hatch\" d=\"M0 7L7 0\"/></pattern>\
    <pattern id=\"p-sensor\" width=\"6\" height=\"6\" patternUnits=\"userSpaceOnUse\"><circle class=\"dot\" cx=\"2\" cy=\"2\" r=\"1\"/></pattern>\
    <pattern id=\"p-water\" width=\"12\" height=\"6\" patternUnits=\"userSpaceOnUse\"><path class=\"hatch\" d=\"M0 3H12\"/></pattern>\
    <pattern id=\"p-open\" width=\"7\" height=\"7\" patternUnits=\"userSpaceOnUse\"><path class=\"hatch\" d=\"M0 0L7 7M0 7L7 0\"/></pattern></defs>";

fn describe(last: &FittedDay) -> String {
    let mut parts: Vec<(f64, &str)> = last.lost.each().into_iter().zip(CAUSES.map(|(_, name)| name)).collect();
    parts.sort_by(|a, b| b.0.total_cmp(&a.0));
    let told: Vec<String> = parts.iter().map(|(points, name)| format!("{name} {points:.1}")).collect();
    format!("On {}: {} points of the light when new.", last.date, told.join(", "))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::domain::LostPoints;

    fn days(count: i32, lost: impl Fn(i32) -> LostPoints) -> Vec<FittedDay> {
        let date = |day| jiff::civil::date(2026, 1, 1).saturating_add(jiff::Span::new().days(day));
        (0..count).map(|day| FittedDay { date: date(day), intensity: 20.0, lost: lost(day) }).collect()
    }

    #[test]
    fn what_costs_nothing_is_not_told() {
        let days = days(9, |day| LostPoints { sleeve: f64::from(day), lamp: 0.2, ..LostPoints::default() });
        let stack = Stack { days: &days, zone: &TimeZone::UTC };
        assert_eq!(stack.shown(), [("c-sleeve", "sleeve")]);
        assert!(stack.svg().unwrap().contains("On 2026-01-09: sleeve 8.0, lamp 0.2"));
    }

    #[test]
    fn odd_pasts_stay_inside_the_picture() {
        for (count, points) in [(0, 0.0), (1, 3.0), (2, 0.0), (400, 99.0)] {
            let days =
                days(count, |_| LostPoints { sleeve: points / 2.0, water: points / 2.0, ..LostPoints::default() });
            let svg = Stack { days: &days, zone: &TimeZone::UTC }.svg();
            assert_eq!(svg.is_none(), count == 0);
            assert!(svg.is_none_or(|svg| !svg.contains("NaN") && !svg.contains("-1.") && svg.len() < 150_000));
        }
    }
}
