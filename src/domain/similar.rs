//! "did you mean": the known word nearest to a mistyped one.

/// The candidate most like `text`, if one is like enough to be worth suggesting (Jaro-Winkler over 0.8: a swapped,
/// missing or wrong letter or two; common practice, no source).
pub fn nearest<'a>(text: &str, candidates: impl IntoIterator<Item = &'a str>) -> Option<&'a str> {
    const LIKE_ENOUGH: f64 = 0.8;
    let text = text.to_lowercase().replace([' ', '_'], "-");
    candidates
        .into_iter()
        .map(|candidate| (strsim::jaro_winkler(&text, &candidate.replace('_', "-")), candidate))
        .filter(|(likeness, _)| *likeness > LIKE_ENOUGH)
        .max_by(|a, b| a.0.total_cmp(&b.0))
        .map(|(_, candidate)| candidate)
}

/// The end of an error text: `; did you mean ...?`, or nothing.
pub fn did_you_mean<'a>(text: &str, candidates: impl IntoIterator<Item = &'a str>) -> String {
    nearest(text, candidates).map_or_else(String::new, |candidate| format!("; did you mean `{candidate}`?"))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn near_words_are_found_and_far_ones_are_not() {
        let words = ["intensity", "flow", "water_temperature", "lamp_hours"];
        for (text, want) in [
            ("intensty", Some("intensity")),
            ("Intensity", Some("intensity")),
            ("lamp hours", Some("lamp_hours")),
            ("water-temp", Some("water_temperature")),
            ("colour", None),
            ("", None),
        ] {
            assert_eq!(nearest(text, words), want, "{text}");
        }
    }
}
