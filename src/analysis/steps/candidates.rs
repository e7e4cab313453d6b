//! Where a step could be, kept up to date while steps are taken out.

use std::ops::Range;

use crate::analysis::level::Edge;

/// The candidates of a course, one for each quarter at most.
pub(super) struct Candidates {
    edges: Vec<Option<Edge>>,
    /// Those that were judged to be none.
    refused: Vec<bool>,
    /// Those that were used up.
    spent: Vec<bool>,
}

impl Candidates {
    /// None, in a course of `quarters`.
    pub fn new(quarters: usize) -> Self {
        Self { edges: vec![None; quarters], refused: vec![false; quarters], spent: vec![false; quarters] }
    }

    /// Adds one, in place of the one at its quarter.
    pub fn add(&mut self, edge: Edge) {
        if let Some(place) = self.edges.get_mut(edge.at) {
            *place = Some(edge);
        }
    }

    /// Forgets those of a range.
    pub fn clear(&mut self, range: Range<usize>) {
        let end = range.end.min(self.edges.len());
        self.edges[range.start.min(end)..end].fill(None);
    }

    /// What was refused in a range may be asked for again.
    pub fn reconsider(&mut self, range: Range<usize>) {
        let end = range.end.min(self.refused.len());
        self.refused[range.start.min(end)..end].fill(false);
    }

    /// Uses up the one at a quarter.
    pub fn spend(&mut self, at: usize) {
        self.spent[at] = true;
    }

    /// The clearest that `judge` makes a step of; of two equals the later. The clearer ones that it refuses are not
    /// asked for again until they are reconsidered.
    pub fn best(&mut self, mut judge: impl FnMut(usize) -> Option<Edge>) -> Option<Edge> {
        let free = |e: &&Edge| !self.refused[e.at] && !self.spent[e.at];
        let mut order: Vec<Edge> = self.edges.iter().flatten().filter(free).copied().collect();
        order.sort_unstable_by(|a, b| b.z.abs().total_cmp(&a.z.abs()).then(b.at.cmp(&a.at)));
        for edge in order {
            let judged = judge(edge.at);
            if judged.is_some() {
                return judged;
            }
            self.refused[edge.at] = true;
        }
        None
    }
}
