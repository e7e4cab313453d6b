//! MQTT topic filters: which are well formed, which topics two of them share.
//!
//! Rules from MQTT 5.0, section 4.7 (from memory): `+` stands for one level, `#` for any number of last levels, the
//! parent included; a filter that starts with a wildcard does not match topics that start with `$`.

/// The longest filter or topic, bytes (MQTT 5.0, section 1.5.4: a text has a two-byte length).
pub(super) const TOPIC_MAX_BYTES: usize = 65_535;

/// What is wrong with a filter, if anything: fragment and remedy.
pub(super) fn fault(filter: &str) -> Option<(String, String)> {
    let say = |says: &str, remedy: &str| Some((says.to_owned(), remedy.to_owned()));
    if filter.is_empty() {
        return say("an empty topic", "write one such as \"cabins/+/uv\"");
    }
    if filter.len() > TOPIC_MAX_BYTES {
        return say("longer than a topic can be", "write a shorter one");
    }
    if filter.starts_with("$share/") {
        return say("a shared subscription has no order and no retained messages", "write the topic alone");
    }
    if filter.starts_with('$') {
        return say("topics that start with $ belong to the broker", "write another topic");
    }
    let levels: Vec<&str> = filter.split('/').collect();
    let last = levels.len() - 1;
    for (i, level) in levels.iter().enumerate() {
        if level.contains('#') && (*level != "#" || i != last) {
            return say("# must be the whole last level", "write it once at the end, after a /");
        }
        if level.contains('+') && *level != "+" {
            return say("+ must be a whole level", "write it between two /");
        }
    }
    None
}

/// Whether some topic matches both filters.
pub(super) fn overlap(a: &str, b: &str) -> bool {
    let (mut a, mut b) = (a.split('/'), b.split('/'));
    loop {
        match (a.next(), b.next()) {
            (None, None) | (Some("#"), _) | (_, Some("#")) => return true,
            (Some(x), Some(y)) if x == y || x == "+" || y == "+" => {}
            _ => return false,
        }
    }
}

/// Whether every topic that matches `narrow` matches `wide` too.
pub(super) fn covers(wide: &str, narrow: &str) -> bool {
    let (mut wide, mut narrow) = (wide.split('/'), narrow.split('/'));
    loop {
        match (wide.next(), narrow.next()) {
            (Some("#"), _) | (None, None) => return true,
            (_, Some("#")) => return false,
            (Some("+"), Some(_)) => {}
            (Some(x), Some(y)) if x == y => {}
            _ => return false,
        }
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    /// A topic against a filter, straight from the standard's words.
    fn matches(filter: &[&str], topic: &[&str]) -> bool {
        match (filter, topic) {
            (["#"], _) => true,
            ([], []) => true,
            (["+", filter @ ..], [_, topic @ ..]) => matches(filter, topic),
            ([f, filter @ ..], [t, topic @ ..]) => f == t && matches(filter, topic),
            _ => false,
        }
    }

    #[test]
    fn well_formed_or_not() {
        for good in ["a", "a/b", "+", "#", "a/+/b", "a/#", "/a", "a//b", "+/+/#"] {
            assert_eq!(fault(good), None, "{good}");
        }
        for bad in ["", "a/#/b", "a#", "a+", "+a/b", "$SYS/#", "$share/g/a", &"x".repeat(TOPIC_MAX_BYTES + 1)] {
            assert!(fault(bad).is_some(), "{bad}");
        }
    }

    /// Filters and topics of up to three levels over a small alphabet: all topics that could tell two filters apart.
    fn topics() -> Vec<Vec<&'static str>> {
        let names = ["a", "b", "c"];
        let mut all: Vec<Vec<&'static str>> = vec![vec![]];
        let mut last = all.clone();
        for _ in 0..4 {
            last = last.iter().flat_map(|t| names.map(|n| [t.clone(), vec![n]].concat())).collect();
            all.extend(last.clone());
        }
        all.retain(|topic| !topic.is_empty());
        all
    }

    fn filter() -> impl Strategy<Value = String> {
        let level = prop_oneof![Just("a"), Just("b"), Just("+")];
        (prop::collection::vec(level, 1..4), any::<bool>())
            .prop_map(|(levels, open)| levels.join("/") + if open { "/#" } else { "" })
    }

    proptest! {
        #[test]
        fn overlap_and_cover_agree_with_trying_every_topic(a in filter(), b in filter()) {
            let (x, y): (Vec<_>, Vec<_>) = (a.split('/').collect(), b.split('/').collect());
            let topics = topics();
            let both = topics.iter().any(|t| matches(&x, t) && matches(&y, t));
            prop_assert_eq!(overlap(&a, &b), both, "{} {}", a, b);
            let all = topics.iter().filter(|t| matches(&y, t)).all(|t| matches(&x, t));
            prop_assert_eq!(covers(&a, &b), all, "{} {}", a, b);
        }
    }
}
