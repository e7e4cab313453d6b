//! Which source a topic belongs to.

use crate::domain::intake::Source;

/// Whether `topic` matches an MQTT topic filter with `+` and a last `#`. A wildcard at the start does not match topics
/// that begin with `$` (MQTT 5, section 4.7.2).
pub fn matches(filter: &str, topic: &str) -> bool {
    if topic.starts_with('$') && filter.starts_with(['+', '#']) {
        return false;
    }
    let mut levels = topic.split('/');
    for part in filter.split('/') {
        match (part, levels.next()) {
            // `a/#` matches `a` itself, too.
            ("#", _) => return true,
            ("+", Some(_)) => {}
            (part, Some(level)) if part == level => {}
            _ => return false,
        }
    }
    levels.next().is_none()
}

/// The first source whose filter matches `topic`.
pub fn find_source<'a>(sources: &'a [Source], topic: &str) -> Option<&'a Source> {
    sources.iter().find(|source| matches(&source.filter, topic))
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The examples of MQTT 5.0, section 4.7.1, from memory.
    #[test]
    fn filters() {
        let yes = [
            ("sport/tennis/player1/#", "sport/tennis/player1"),
            ("sport/tennis/player1/#", "sport/tennis/player1/score/wimbledon"),
            ("sport/#", "sport"),
            ("#", "a/b"),
            ("sport/tennis/+", "sport/tennis/player1"),
            ("sport/+", "sport/"),
            ("+/+", "/finance"),
            ("/+", "/finance"),
            ("$SYS/#", "$SYS/broker"),
            ("a/b", "a/b"),
        ];
        for (filter, topic) in yes {
            assert!(matches(filter, topic), "{filter} {topic}");
        }
        let no = [
            ("sport/tennis/+", "sport/tennis/player1/ranking"),
            ("sport/+", "sport"),
            ("+", "/finance"),
            ("#", "$SYS/broker"),
            ("+/monitor/Clients", "$SYS/monitor/Clients"),
            ("a/b", "a/b/c"),
            ("a/b/c", "a/b"),
            ("a/B", "a/b"),
        ];
        for (filter, topic) in no {
            assert!(!matches(filter, topic), "{filter} {topic}");
        }
    }

    #[test]
    fn the_first_source_wins() {
        let named = |filter: &str| Source { filter: filter.to_owned(), ..Source::contract("x") };
        let sources = [named("a/+/c"), named("a/#"), named("b")];
        assert_eq!(find_source(&sources, "a/b/c").map(|s| s.filter.as_str()), Some("a/+/c"));
        assert_eq!(find_source(&sources, "a/b").map(|s| s.filter.as_str()), Some("a/#"));
        assert_eq!(find_source(&sources, "c"), None);
    }
}
