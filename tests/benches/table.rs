//! The one table: what was measured, against what, and the ratio.

use std::fmt;

/// One line of the table.
#[derive(Clone, Debug)]
pub struct Row {
    what: String,
    value: f64,
    unit: &'static str,
    against: Option<(String, f64)>,
    goal: Option<&'static str>,
}

impl Row {
    /// `value` in `unit`, compared with nothing.
    pub fn new(what: impl Into<String>, value: f64, unit: &'static str) -> Self {
        Self { what: what.into(), value, unit, against: None, goal: None }
    }

    /// What was measured beside it in the same unit.
    pub fn against(self, what: impl Into<String>, value: f64) -> Self {
        Self { against: Some((what.into(), value)), ..self }
    }

    /// What the ratio should be.
    pub fn goal(self, goal: &'static str) -> Self {
        Self { goal: Some(goal), ..self }
    }
}

/// Three significant digits, thousands apart.
fn number(value: f64) -> String {
    let decimals = match value.abs() {
        v if v >= 99.95 => 0,
        v if v >= 9.995 => 1,
        v if v >= 0.9995 => 2,
        _ => 3,
    };
    let plain = format!("{value:.decimals$}");
    let (whole, fraction) = plain.split_once('.').map_or((plain.as_str(), None), |(w, f)| (w, Some(f)));
    let first = whole.len() % 3;
    let groups = (first > 0).then(|| &whole[..first]).into_iter().map(str::to_owned);
    let rest = whole.as_bytes()[first..].chunks(3).map(|chunk| String::from_utf8_lossy(chunk).into_owned());
    let whole = groups.chain(rest).collect::<Vec<_>>().join(",");
    fraction.map_or(whole.clone(), |fraction| format!("{whole}.{fraction}"))
}

/// A line of the table; wide, for a file or a wide terminal.
impl fmt::Display for Row {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "  {:<58} {:>10} {}", self.what, number(self.value), self.unit)?;
        if let Some((what, value)) = &self.against {
            let indent = 11_usize.saturating_sub(self.unit.len());
            write!(f, "{:indent$} {:>10}  {what:<36} {:>7}", "", number(*value), number(self.value / value))?;
        }
        if let Some(goal) = self.goal {
            write!(f, "  (goal {goal})")?;
        }
        Ok(())
    }
}

/// The line over the columns.
pub fn head() -> String {
    format!("  {:<58} {:>10} {:<11} {:>10}  {:<36} {:>7}", "what", "Fadeline", "unit", "other", "which is", "ratio")
}
