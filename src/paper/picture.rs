//! The chart of a unit as a picture that stands alone: with its own style, a heading and a legend.

use std::fmt::Write as _;

use jiff::tz::TimeZone;
use svg2pdf::usvg::Transform;

use super::font::{Weight, escape, tree, width};
use super::{PaperError, clip};
use crate::page::chart::{Chart, HEIGHT, WIDTH};
use crate::page::frame::{measure, name};
use crate::query::dossier::Dossier;
use crate::query::series::Series;
use crate::report::words;

/// Width of the picture, pixels, for one of its own units.
const PIXELS: f32 = 2.0;
/// Letters of the legend.
const SIZE: f64 = 13.0;
const STEP: f64 = 19.0;
const HEAD: f64 = 34.0;
/// Service actions that are written out; the picture would grow without end.
const ACTIONS: usize = 24;

/// The style of the chart's classes on white. Every line differs by its dashes too, every area by its pattern or edge, so
/// that nothing is lost without colours. `ink`: course; `set`: set point and what is asked.
fn style(ink: &str, set: &str) -> String {
    format!(
        "<style>.trend text{{fill:#333;font-size:13px}}.trend .label{{fill:#000;paint-order:stroke;stroke:#fff;stroke-width:3px}}\
         .grid{{stroke:#ccc;stroke-width:1;fill:none}}.course{{stroke:{ink};stroke-width:1.8;fill:none;stroke-linejoin:round}}\
         .band{{fill:{ink};fill-opacity:.16}}.fitted{{stroke:#000;stroke-width:1.2;stroke-dasharray:1 3;fill:none}}\
         .setpoint{{stroke:{set};stroke-width:1.8;stroke-dasharray:9 5;fill:none}}.fan{{fill:{ink};fill-opacity:.12;stroke:{ink};stroke-width:.6}}\
         .middle{{stroke:{ink};stroke-width:1.6;stroke-dasharray:2 4;fill:none}}.crossing{{fill:{set}}}.latest{{fill:#fff;stroke:{ink};stroke-width:1.8}}\
         .action{{stroke:#555;stroke-width:1;fill:none}}.unlogged{{stroke:{set};stroke-width:1.4;stroke-dasharray:1 3;fill:none}}\
         .episode{{fill:url(#cloud)}}.hatch{{stroke:#555;stroke-width:1;fill:none}}</style>"
    )
}

const INK: (&str, &str) = ("#0b5f7a", "#b2451e");

/// The chart alone, for paper: black on white, the element with its own style.
pub fn for_paper(chart: &Chart<'_>) -> String {
    bare(chart, &style("#000", "#000"))
}

/// The page's chart as an SVG element that needs no page.
fn bare(chart: &Chart<'_>, style: &str) -> String {
    let svg = chart.svg().replacen("<svg ", "<svg xmlns=\"http://www.w3.org/2000/svg\" ", 1);
    let start = svg.find('>').map_or(0, |at| at + 1);
    format!("{}{style}{}", &svg[..start], &svg[start..])
}

/// What a chart of a unit shows.
pub fn chart<'a>(dossier: &'a Dossier, series: &'a Series, zone: &'a TimeZone) -> Chart<'a> {
    let row = &dossier.row;
    Chart {
        series,
        set_point: row.set_point,
        unit: measure(&row.intensity_unit),
        said: row.assessment.as_deref(),
        past: &[],
        log: &dossier.trend.log,
        zone,
        forecast: !words::needs_light(row.condition),
        now: row.reading.as_ref(),
    }
}

/// The picture as SVG, with name, chart and legend.
pub fn svg(dossier: &Dossier, chart: &Chart<'_>) -> String {
    let row = &dossier.row;
    let as_of = row.reading.as_ref().map(|reading| words::instant(reading.at, chart.zone));
    let said = match as_of {
        Some(at) => format!("{}/{}, data as of {at}", row.site, row.unit),
        None => format!("{}/{}, no data yet", row.site, row.unit),
    };
    let (legend, foot) = legend(chart);
    let high = HEAD + HEIGHT + foot + 8.0;
    let placed = format!("<svg x=\"0\" y=\"{HEAD}\" width=\"{WIDTH}\" height=\"{HEIGHT}\" ");
    let body = bare(chart, &style(INK.0, INK.1)).replacen("<svg ", &placed, 1);
    format!(
        "<svg xmlns=\"http://www.w3.org/2000/svg\" width=\"{WIDTH}\" height=\"{high}\" viewBox=\"0 0 {WIDTH} {high}\" \
         font-family=\"'DejaVu Sans',sans-serif\" font-size=\"{SIZE}\">\
         <rect width=\"{WIDTH}\" height=\"{high}\" fill=\"#fff\"/>\
         <text x=\"8\" y=\"22\" font-size=\"16\" font-weight=\"bold\">{}</text>\
         <text x=\"{}\" y=\"22\" fill=\"#333\" text-anchor=\"end\">{}</text>{body}{legend}</svg>",
        escape(&clip(&name(row), 60)),
        WIDTH - 12.0,
        escape(&said)
    )
}

/// The same as PNG, twice as many pixels as the SVG has units.
///
/// # Errors
/// [`PaperError`], only by a bug.
pub fn png(svg: &str) -> Result<Vec<u8>, PaperError> {
    let tree = tree(svg)?;
    let pixels = |length: f32| (length * PIXELS).ceil() as u32;
    let mut canvas = resvg::tiny_skia::Pixmap::new(pixels(tree.size().width()), pixels(tree.size().height()))
        .ok_or_else(|| PaperError::Draw("the picture has no size".to_owned()))?;
    resvg::render(&tree, Transform::from_scale(PIXELS, PIXELS), &mut canvas.as_mut());
    canvas.encode_png().map_err(|e| PaperError::Draw(e.to_string()))
}

/// A sample of each line and area with its word, the actions by number, the words that stand under every paper; and
/// the height of it all.
fn legend(chart: &Chart<'_>) -> (String, f64) {
    let shown = |any: bool, class: &'static str, word: &'static str| any.then_some((class, word));
    let said = chart.said;
    let samples = [
        shown(true, "course", "light (median)"),
        shown(true, "band", "lowest to highest"),
        shown(!chart.past.is_empty(), "fitted", "what the causes explain"),
        shown(true, "setpoint", "set point"),
        shown(chart.crossing().is_some(), "fan", "8 of 10 courses to come"),
        shown(said.is_some_and(|s| !s.episodes.is_empty()), "episode", "cloudy water"),
        shown(said.is_some_and(|s| !s.unlogged.is_empty()), "unlogged", "a step nobody logged"),
    ];
    let mut svg = String::new();
    let mut flow = Flow { x: 12.0, y: HEAD + HEIGHT + STEP };
    for (class, word) in samples.into_iter().flatten() {
        let (x, y) = flow.place(34.0 + text_width(word));
        let sample = if matches!(class, "band" | "fan" | "episode") {
            format!("M{x:.1} {0:.1}h26v10h-26Z", y - 10.0)
        } else {
            format!("M{x:.1} {0:.1}h26", y - 4.5)
        };
        let _ = write!(
            svg,
            "<path class=\"{class}\" d=\"{sample}\"/><text x=\"{:.1}\" y=\"{y:.1}\">{word}</text>",
            x + 32.0
        );
    }
    flow.line();
    let marked = chart.marked();
    for mark in marked.iter().take(ACTIONS) {
        let text =
            format!("{} {} {}", mark.number, mark.entry.at.date_in(chart.zone), words::plain(mark.entry.action.name()));
        let (x, y) = flow.place(text_width(&text));
        let _ = write!(svg, "<text x=\"{x:.1}\" y=\"{y:.1}\">{}</text>", escape(&text));
    }
    if marked.len() > ACTIONS {
        let text = format!("and {} more in the logbook", marked.len() - ACTIONS);
        let (x, y) = flow.place(text_width(&text));
        let _ = write!(svg, "<text x=\"{x:.1}\" y=\"{y:.1}\">{text}</text>");
    }
    flow.line();
    let _ = write!(
        svg,
        "<text x=\"12\" y=\"{:.1}\" fill=\"#333\">Under the set point treatment is not assured.</text>",
        flow.y
    );
    (svg, flow.y - HEAD - HEIGHT)
}

/// As the usual face of the family has them, which is a ninth wider than the condensed one.
fn text_width(text: &str) -> f64 {
    width(text, SIZE, Weight::Plain) / 0.9
}

/// Puts things in rows.
struct Flow {
    x: f64,
    y: f64,
}

impl Flow {
    fn place(&mut self, wide: f64) -> (f64, f64) {
        if self.x + wide > WIDTH - 12.0 {
            self.line();
        }
        let place = (self.x, self.y);
        self.x += wide + 22.0;
        place
    }

    fn line(&mut self) {
        if self.x > 12.0 {
            (self.x, self.y) = (12.0, self.y + STEP);
        }
    }
}
