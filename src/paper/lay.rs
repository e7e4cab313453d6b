//! Breaks a paper into pages of A4.
//!
//! Every block becomes [`Piece`]s that no page break divides; these are stacked. Sizes are in points.

use std::collections::BTreeSet;
use std::fmt::Write as _;

use super::block::{Block, Cell, Paper, Table};
use super::font::{FAMILY, STAND_IN, Weight, lines, missing, printed, width};
use super::line::Set;

/// A4.
pub const PAGE: (f64, f64) = (595.28, 841.89);
const SIDE: f64 = 42.0;
const TOP: f64 = 36.0;
const BOTTOM: f64 = 54.0;
/// Between two columns.
const GUTTER: f64 = 18.0;
const TEXT: f64 = 9.0;
const SMALL: f64 = 7.5;
const HEADING: f64 = 10.5;
const TITLE: f64 = 16.0;
const GREY: &str = "#444";

/// Something that no page break divides.
struct Piece {
    height: f64,
    /// Drawn from its own upper left corner.
    svg: String,
    /// Whether the next piece must be on the same page.
    keep: bool,
    /// The head of the table it belongs to.
    head: Option<usize>,
    /// Whether it starts a page.
    breaks: bool,
}

impl Piece {
    fn new(height: f64, svg: String) -> Self {
        Self { height, svg, keep: false, head: None, breaks: false }
    }
}

struct Setter {
    scale: f64,
}

impl Setter {
    fn set(&self, size: f64, weight: Weight, colour: &'static str) -> Set {
        Set { size: size * self.scale, weight, colour }
    }

    fn text(&self) -> Set {
        self.set(TEXT, Weight::Plain, "#000")
    }

    fn small(&self) -> Set {
        self.set(SMALL, Weight::Plain, GREY)
    }

    fn pieces(&self, blocks: &[Block], room: f64) -> Vec<Piece> {
        let mut pieces = Vec::new();
        for block in blocks {
            self.block(block, room, &mut pieces);
        }
        pieces
    }

    fn block(&self, block: &Block, room: f64, pieces: &mut Vec<Piece>) {
        match block {
            Block::Title { text, mark, under } => pieces.push(self.title(text, mark, under, room)),
            Block::Heading(text) => {
                let mut svg = String::new();
                let high = self.set(HEADING, Weight::Bold, "#000").fill(text, (0.0, 7.0 * self.scale), room, &mut svg);
                pieces.push(Piece { keep: true, ..Piece::new(high + 9.0 * self.scale, svg) });
            }
            Block::Text(text) => {
                let set = self.text();
                for line in lines(text, set.size, set.weight, room) {
                    let mut svg = String::new();
                    set.draw(&line, (0.0, set.foot()), "start", &mut svg);
                    pieces.push(Piece::new(set.step(), svg));
                }
                pieces.push(Piece::new(3.0 * self.scale, String::new()));
            }
            Block::Small(text) => {
                let mut svg = String::new();
                let high = self.small().fill(text, (0.0, 0.0), room, &mut svg);
                pieces.push(Piece::new(high + 3.0 * self.scale, svg));
            }
            Block::Said(text) => {
                let mut svg = String::new();
                let high = self.set(TEXT + 1.0, Weight::Plain, "#000").fill(text, (10.0, 2.0), room - 10.0, &mut svg);
                let _ = write!(svg, "<rect x=\"0\" y=\"2\" width=\"3\" height=\"{high:.2}\" fill=\"#000\"/>");
                pieces.push(Piece::new(high + 7.0 * self.scale, svg));
            }
            Block::Facts(facts) => pieces.push(self.facts(facts, room)),
            Block::Table(table) => self.table(table, room, pieces),
            Block::Boxes(boxes) => {
                pieces.extend(boxes.iter().map(|text| self.tick(text, room)));
                pieces.push(Piece::new(4.0 * self.scale, String::new()));
            }
            Block::Picture { svg, shape } => {
                let high = room / shape.max(0.1);
                let placed = svg.replacen(
                    "<svg ",
                    &format!("<svg x=\"0\" y=\"0\" width=\"{room:.2}\" height=\"{high:.2}\" "),
                    1,
                );
                pieces.push(Piece::new(high + 4.0, placed));
            }
            Block::Side(left, right) => pieces.push(self.side(left, right, room)),
            Block::Sign => pieces.push(self.sign(room)),
            Block::Break => pieces.push(Piece { breaks: true, ..Piece::new(0.0, String::new()) }),
        }
    }

    fn title(&self, text: &str, mark: &str, under: &str, room: f64) -> Piece {
        let mut svg = String::new();
        let set = self.set(TEXT + 1.0, Weight::Bold, "#000");
        let framed = if mark.is_empty() { 0.0 } else { width(mark, set.size, set.weight) + 14.0 };
        if framed > 0.0 {
            let x = room - framed;
            let _ = write!(
                svg,
                "<rect x=\"{x:.2}\" y=\"2\" width=\"{framed:.2}\" height=\"{:.2}\" fill=\"none\" stroke=\"#000\" stroke-width=\"1.2\"/>",
                set.size * 1.7
            );
            set.draw(mark, (room - framed / 2.0, 2.0 + set.size * 1.2), "middle", &mut svg);
        }
        let heading = self.set(TITLE, Weight::Bold, "#000");
        let mut y = heading.fill(text, (0.0, 0.0), room - framed - 8.0, &mut svg);
        y += self.set(TEXT, Weight::Plain, GREY).fill(under, (0.0, y + 1.0), room, &mut svg) + 3.0;
        let _ = write!(svg, "<path d=\"M0 {y:.2}H{room:.2}\" stroke=\"#000\" stroke-width=\"1.2\"/>");
        Piece::new(y + 6.0 * self.scale, svg)
    }

    /// Name over value, as many beside each other as there is room for.
    fn facts(&self, facts: &[(String, String)], room: f64) -> Piece {
        let mut svg = String::new();
        let (name, value) = (self.small(), self.set(TEXT + 1.0, Weight::Bold, "#000"));
        let row = name.step() + value.step() + 4.0 * self.scale;
        let (mut x, mut y) = (0.0, 0.0);
        for (label, says) in facts {
            let wide = width(label, name.size, name.weight).max(width(says, value.size, value.weight));
            if x > 0.0 && x + wide > room {
                (x, y) = (0.0, y + row);
            }
            name.draw(label, (x, y + name.foot()), "start", &mut svg);
            value.draw(says, (x, y + name.step() + value.foot()), "start", &mut svg);
            x += wide + 16.0;
        }
        Piece::new(y + row + 2.0, svg)
    }

    fn table(&self, table: &Table, room: f64, pieces: &mut Vec<Piece>) {
        let all: f64 = table.columns.iter().map(|column| column.share).sum();
        let mut from = 0.0;
        let places: Vec<(f64, f64, bool)> = table
            .columns
            .iter()
            .map(|column| {
                let wide = room * column.share / all.max(1e-9);
                // Numbers end well before the words of the next column.
                let place = (from, wide - if column.right { 10.0 } else { 6.0 }, column.right);
                from += wide;
                place
            })
            .collect();
        let heads: Vec<Cell> = table.columns.iter().map(|column| Cell::from(column.head.clone())).collect();
        let first = pieces.len();
        let head = self.row(&heads, &places, self.set(SMALL, Weight::Bold, GREY), (room, 0.8));
        pieces.push(Piece { keep: true, ..head });
        for cells in &table.rows {
            let row = self.row(cells, &places, self.set(TEXT - 0.5, Weight::Plain, "#000"), (room, 0.3));
            pieces.push(Piece { head: Some(first), ..row });
        }
        pieces.push(Piece::new(4.0 * self.scale, String::new()));
    }

    fn row(&self, cells: &[Cell], places: &[(f64, f64, bool)], set: Set, (room, line): (f64, f64)) -> Piece {
        let mut svg = String::new();
        let mut high = set.step();
        for (cell, (x, wide, right)) in cells.iter().zip(places) {
            let mut y = 1.5;
            if *right {
                for text in lines(&cell.text, set.size, set.weight, *wide) {
                    set.draw(&text, (x + wide, y + set.foot()), "end", &mut svg);
                    y += set.step();
                }
            } else {
                y += set.fill(&cell.text, (*x, y), *wide, &mut svg);
                y += self.small().fill(&cell.under, (*x, y), *wide, &mut svg);
            }
            high = high.max(y);
        }
        high += 1.0;
        let _ = write!(svg, "<path d=\"M0 {high:.2}H{room:.2}\" stroke=\"{GREY}\" stroke-width=\"{line}\"/>");
        Piece::new(high + 0.5, svg)
    }

    fn tick(&self, text: &str, room: f64) -> Piece {
        let mut svg = String::new();
        let set = self.text();
        self.set(TEXT + 1.0, Weight::Plain, "#000").draw("☐", (0.0, set.foot() + 1.0), "start", &mut svg);
        let high = set.fill(text, (14.0, 1.0), room - 14.0, &mut svg);
        Piece::new(high + 2.0, svg)
    }

    fn side(&self, left: &[Block], right: &[Block], room: f64) -> Piece {
        let wide = (room - GUTTER) / 2.0;
        let mut svg = String::new();
        let mut high: f64 = 0.0;
        for (blocks, x) in [(left, 0.0), (right, wide + GUTTER)] {
            let mut y = 0.0;
            for piece in self.pieces(blocks, wide) {
                let _ = write!(svg, "<g transform=\"translate({x:.2} {y:.2})\">{}</g>", piece.svg);
                y += piece.height;
            }
            high = high.max(y);
        }
        Piece::new(high, svg)
    }

    fn sign(&self, room: f64) -> Piece {
        let mut svg = String::new();
        let set = self.text();
        let y = 34.0;
        for (label, x, to) in [("Read and signed:", 0.0, room * 0.6), ("Date:", room * 0.64, room)] {
            set.draw(label, (x, y), "start", &mut svg);
            let from = x + width(label, set.size, set.weight) + 4.0;
            let _ = write!(svg, "<path d=\"M{from:.2} {:.2}H{to:.2}\" stroke=\"#000\" stroke-width=\".6\"/>", y + 1.5);
        }
        Piece::new(y + 8.0, svg)
    }
}

/// Letters that are named where the fonts lack more.
const MISSING_NAMED: usize = 8;

/// What is said of letters that cannot be printed; `None` where all can.
fn lacking(pieces: &[Piece]) -> Option<String> {
    let letters: BTreeSet<char> = pieces.iter().flat_map(|piece| missing(&piece.svg)).collect();
    let named: Vec<String> = letters.iter().take(MISSING_NAMED).map(|c| format!("U+{:04X}", u32::from(*c))).collect();
    let more = letters.len() - named.len();
    let more = if more > 0 { format!(" and {more} more") } else { String::new() };
    (!named.is_empty()).then(|| {
        format!(
            "{STAND_IN} stands for a letter that is not in this paper's font ({}{more}). The pages on a screen show it.",
            named.join(" ")
        )
    })
}

/// The pages, each an SVG of [`PAGE`] points.
pub fn pages(paper: &Paper) -> Vec<String> {
    let setter = Setter { scale: paper.scale };
    let room = PAGE.0 - 2.0 * SIDE;
    let mut pieces = setter.pieces(&paper.blocks, room);
    if let Some(says) = lacking(&pieces) {
        setter.block(&Block::Small(says), room, &mut pieces);
    }
    let end = PAGE.1 - BOTTOM;
    let mut pages = vec![String::new()];
    let mut y = TOP;
    for (i, piece) in pieces.iter().enumerate() {
        // A heading goes where the first line after it goes.
        let mut needed = piece.height;
        for (held, next) in pieces[i..].iter().zip(&pieces[i + 1..]) {
            if !held.keep {
                break;
            }
            needed += next.height;
        }
        let full = y + needed > end && y > TOP;
        if full || (piece.breaks && y > TOP) {
            pages.push(String::new());
            y = TOP;
            if let Some(head) = piece.head.and_then(|head| pieces.get(head)) {
                y = placed(head, y, &mut pages);
            }
        }
        y = placed(piece, y, &mut pages);
    }
    let count = pages.len();
    pages.iter().enumerate().map(|(i, body)| printed(&page(body, paper, (i + 1, count)))).collect()
}

fn placed(piece: &Piece, y: f64, pages: &mut [String]) -> f64 {
    if let Some(page) = pages.last_mut().filter(|_| !piece.svg.is_empty()) {
        let _ = write!(page, "<g transform=\"translate({SIDE} {y:.2})\">{}</g>", piece.svg);
    }
    y + piece.height
}

fn page(body: &str, paper: &Paper, (number, count): (usize, usize)) -> String {
    let set = Set { size: 7.0, weight: Weight::Plain, colour: GREY };
    let mut foot = String::new();
    let mut y = PAGE.1 - BOTTOM + 16.0;
    let _ = write!(foot, "<path d=\"M{SIDE} {y:.2}H{:.2}\" stroke=\"{GREY}\" stroke-width=\".4\"/>", PAGE.0 - SIDE);
    y += 10.0;
    set.draw(&format!("{number} of {count}"), (PAGE.0 - SIDE, y), "end", &mut foot);
    for line in &paper.foot {
        set.draw(line, (SIDE, y), "start", &mut foot);
        y += set.step();
    }
    format!(
        "<svg xmlns=\"http://www.w3.org/2000/svg\" width=\"{0}\" height=\"{1}\" viewBox=\"0 0 {0} {1}\" \
         font-family=\"{FAMILY}\" font-stretch=\"condensed\">{body}{foot}</svg>",
        PAGE.0, PAGE.1
    )
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::paper::block::Column;

    #[test]
    fn the_head_of_a_long_table_stands_on_every_page() {
        let rows = (0..200).map(|i| vec![Cell::from(format!("row {i}"))]).collect();
        let table = Table { columns: vec![Column::words("HEAD", 1.0)], rows };
        let blocks = vec![Block::Heading("Long".to_owned()), Block::Table(table), Block::Sign];
        let pages = pages(&Paper { title: String::new(), foot: vec!["foot".to_owned()], scale: 1.0, blocks });
        assert!(pages.len() > 2);
        for (i, page) in pages.iter().enumerate() {
            assert!(page.contains(">HEAD<") && page.contains(&format!(">{} of {}<", i + 1, pages.len())), "{page}");
        }
        let all = pages.concat();
        assert!((0..200).all(|i| all.contains(&format!(">row {i}<"))), "no row is lost");
    }
}
