//! Lines of text as SVG. Sizes are in points.

use std::fmt::Write as _;

use super::font::{Weight, escape, lines};

/// How a line looks.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Set {
    /// Points.
    pub size: f64,
    /// Which face.
    pub weight: Weight,
    /// As SVG names it.
    pub colour: &'static str,
}

impl Set {
    /// Between the feet of two lines.
    pub fn step(self) -> f64 {
        1.3 * self.size
    }

    /// Where the first line's foot is under the upper edge.
    pub fn foot(self) -> f64 {
        0.95 * self.size
    }

    /// One line; `anchor`: `start`, `middle` or `end`.
    pub fn draw(self, text: &str, (x, y): (f64, f64), anchor: &str, svg: &mut String) {
        let weight = if self.weight == Weight::Bold { "bold" } else { "normal" };
        let _ = write!(
            svg,
            "<text x=\"{x:.2}\" y=\"{y:.2}\" font-size=\"{:.2}\" font-weight=\"{weight}\" fill=\"{}\" text-anchor=\"{anchor}\">{}</text>",
            self.size,
            self.colour,
            escape(text)
        );
    }

    /// Lines of a text in a column from `x` on; the height they take.
    pub fn fill(self, text: &str, (x, y): (f64, f64), room: f64, svg: &mut String) -> f64 {
        let broken = lines(text, self.size, self.weight, room);
        for (i, line) in broken.iter().enumerate() {
            self.draw(line, (x, y + self.foot() + i as f64 * self.step()), "start", svg);
        }
        broken.len() as f64 * self.step()
    }
}
