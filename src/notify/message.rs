//! A notice as a title, a text and JSON; the signature of a webhook. PURE.

use crate::alert::{Level, What};
use crate::domain::Timestamp;
use crate::engine::{Item, NOTICE_SCHEMA, Notice};

/// The header that carries the signature: `sha256=` and the HMAC-SHA256 of the body in lower-case hex.
pub const SIGNATURE_HEADER: &str = "X-Fadeline-Signature";
/// The header that carries the notice's own id: the same at every try, so that a receiver can drop repeats.
pub const ID_HEADER: &str = "X-Fadeline-Id";

/// One line for the subject of a mail or the title of a push.
pub fn title(notice: &Notice) -> String {
    match &notice.items[..] {
        [item] => format!("{}{}: {}", word(item.what), item.title, place(notice, item)),
        items => format!("Fadeline, {}: {} news", notice.site, items.len()),
    }
}

fn word(what: What) -> &'static str {
    match what {
        What::Raised => "",
        What::Escalated => "Worse: ",
        What::Still => "Still: ",
        What::Cleared => "Over: ",
    }
}

fn place(notice: &Notice, item: &Item) -> String {
    match (&item.name, &item.unit) {
        (Some(name), _) => format!("{name}, {}", notice.site),
        (None, Some(unit)) => format!("{}/{unit}", notice.site),
        (None, None) => notice.site.clone(),
    }
}

/// The text of a mail or a push.
pub fn text(notice: &Notice) -> String {
    let mut out = String::new();
    for item in &notice.items {
        out += &format!("{}{}: {}\n", word(item.what), item.title, place(notice, item));
        out += &format!("{}\n", item.says);
        if item.what != What::Cleared {
            out += &format!("{}\nFirst: {}\nCaution: {}\n", item.sure, item.first, item.caution);
        }
        out.push('\n');
    }
    out += "Fadeline advises. It never replaces the unit's own alarm, and it never says that water is safe.\n";
    out
}

/// The body of a webhook.
pub fn json(notice: &Notice) -> Vec<u8> {
    // These types have string keys and no failing parts, so that writing them cannot fail.
    serde_json::to_vec(notice).unwrap_or_default()
}

/// The signature of a body under a key.
pub fn signature(key: &str, body: &[u8]) -> String {
    let key = ring::hmac::Key::new(ring::hmac::HMAC_SHA256, key.as_bytes());
    let hex: String = ring::hmac::sign(&key, body).as_ref().iter().map(|byte| format!("{byte:02x}")).collect();
    format!("sha256={hex}")
}

/// A notice that says that it is a test.
pub fn test(now: Timestamp) -> Notice {
    let item = Item {
        what: What::Raised,
        at: now,
        kind: "test".to_owned(),
        title: "Test message".to_owned(),
        level: Level::Notice,
        unit: None,
        name: None,
        says: "this is a test of the channel; nothing has happened".to_owned(),
        sure: "It was asked for with `fadeline alert-test`.".to_owned(),
        first: "Nothing is to be done.".to_owned(),
        caution: "A channel that works today may not tomorrow: use the heartbeat too.".to_owned(),
    };
    Notice { schema: NOTICE_SCHEMA.to_owned(), at: now, site: "fadeline".to_owned(), digest: false, items: vec![item] }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// RFC 4231, test case 2 (from memory).
    #[test]
    fn the_signature_is_the_standards() {
        assert_eq!(
            signature("Jefe", b"what do ya want for nothing?"),
            "sha256=5bdcc146bf60754e6a042426089575c75a003f089d2739839dec58b964ec3843"
        );
    }

    #[test]
    fn one_item_is_the_title_and_many_are_counted() {
        let mut notice = test(Timestamp::from_secs(1_800_000_000));
        assert_eq!(title(&notice), "Test message: fadeline");
        notice.items.push(Item { what: What::Cleared, unit: Some("boathouse".into()), ..notice.items[0].clone() });
        assert_eq!(title(&notice), "Fadeline, fadeline: 2 news");
        let text = text(&notice);
        assert!(text.contains("Over: Test message: fadeline/boathouse"), "{text}");
        assert_eq!(text.matches("First: ").count(), 1, "what is over needs no advice");
        assert!(text.ends_with("never says that water is safe.\n"));
    }
}
