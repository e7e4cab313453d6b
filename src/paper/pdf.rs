//! Binds pages into a PDF: text stays text, the fonts go in with the letters that are used.

use std::collections::HashMap;

use pdf_writer::{Content, Finish, Name, Pdf, Rect, Ref, TextStr};
use svg2pdf::{ConversionOptions, to_chunk};

use super::PaperError;
use super::block::Paper;
use super::font::tree;
use super::lay::{PAGE, pages};

/// The whole file.
///
/// # Errors
/// [`PaperError`], only by a bug.
pub fn pdf(paper: &Paper) -> Result<Vec<u8>, PaperError> {
    let mut next = Ref::new(1);
    let (catalog, list, info) = (next.bump(), next.bump(), next.bump());
    let mut pdf = Pdf::new();
    let mut leaves = Vec::new();
    for svg in pages(paper) {
        let drawn = to_chunk(&tree(&svg)?, ConversionOptions::default());
        let (chunk, root) = drawn.map_err(|e| PaperError::Draw(e.to_string()))?;
        let mut numbers = HashMap::new();
        let chunk = chunk.renumber(|old| *numbers.entry(old).or_insert_with(|| next.bump()));
        let root = *numbers.get(&root).ok_or_else(|| PaperError::Draw("an empty page".to_owned()))?;
        let (leaf, content) = (next.bump(), next.bump());
        leaf_of(&mut pdf, (leaf, list), content, root);
        pdf.extend(&chunk);
        leaves.push(leaf);
    }
    pdf.catalog(catalog).pages(list).lang(TextStr("en"));
    pdf.pages(list).count(i32::try_from(leaves.len()).unwrap_or(i32::MAX)).kids(leaves);
    pdf.document_info(info).title(TextStr(&paper.title)).producer(TextStr("Fadeline"));
    Ok(pdf.finish())
}

/// A page that shows the drawing `root`, which is one point wide and high.
fn leaf_of(pdf: &mut Pdf, (leaf, list): (Ref, Ref), content: Ref, root: Ref) {
    let (wide, high) = (PAGE.0 as f32, PAGE.1 as f32);
    let mut page = pdf.page(leaf);
    page.media_box(Rect::new(0.0, 0.0, wide, high)).parent(list).contents(content);
    page.resources().x_objects().pair(Name(b"P"), root);
    page.finish();
    let mut drawing = Content::new();
    drawing.transform([wide, 0.0, 0.0, high, 0.0, 0.0]).x_object(Name(b"P"));
    pdf.stream(content, &drawing.finish());
}
