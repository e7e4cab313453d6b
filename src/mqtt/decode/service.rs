//! Service actions that arrive as messages.

use serde_json::{Map, Value as Json};

use crate::domain::service::EntryError;
use crate::domain::{Corrected, ServiceAction, ServiceEntry, Timestamp};
use crate::senml::JsonError;

use super::collect::rfc3339;
use super::refusal::{quoted, shorten};
use super::{Refusal, text_of};

/// The members of a service message.
const MEMBERS: [&str; 6] = ["action", "time", "value", "by", "note", "corrects"];
/// How alike a misspelt word must be to be suggested (Jaro-Winkler).
const ALIKE: f64 = 0.8;

/// Why a service message was not recorded. The text is the answer to its sender.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
pub enum ServiceRefusal {
    /// The payload cannot be read, or the time in it.
    #[error(transparent)]
    Payload(Refusal),
    /// A member that does not exist.
    #[error("`{name}` is not part of a service message{hint}: it has {}", MEMBERS.join(", "))]
    UnknownMember {
        /// The name, shortened.
        name: String,
        /// "; did you mean …?" or nothing.
        hint: String,
    },
    /// No action.
    #[error("no `action`: send {{\"action\": \"sleeve-cleaned\"}} or another service action")]
    NoAction,
    /// An action that does not exist.
    #[error("`{name}` is not a service action{hint}: use one of {}", action_names())]
    UnknownAction {
        /// The name, shortened.
        name: String,
        /// "; did you mean …?" or nothing.
        hint: String,
    },
    /// A member of the wrong kind.
    #[error("`{member}` is {found}: send {wanted}")]
    WrongKind {
        /// Which member.
        member: &'static str,
        /// What was found, shortened.
        found: String,
        /// What belongs there.
        wanted: &'static str,
    },
    /// The entry cannot be recorded.
    #[error(transparent)]
    Entry(#[from] EntryError),
}

fn action_names() -> String {
    ServiceAction::ALL.map(ServiceAction::name).join(", ")
}

fn hint<'a>(word: &str, known: impl Iterator<Item = &'a str>) -> String {
    known
        .map(|name| (strsim::jaro_winkler(word, name), name))
        .filter(|(alike, _)| *alike >= ALIKE)
        .max_by(|a, b| a.0.total_cmp(&b.0))
        .map_or_else(String::new, |(_, name)| format!("; did you mean `{name}`?"))
}

/// Reads a service message `{"action":…,"time":…,"value":…,"by":…,"note":…}` that arrived at `received`; only the action
/// is required. Without a time the action was done now, which a `retained` message cannot claim.
///
/// # Errors
/// See [`ServiceRefusal`]; the text is meant for the sender.
pub fn decode_service(payload: &[u8], received: Timestamp, retained: bool) -> Result<ServiceEntry, ServiceRefusal> {
    let text = text_of(payload).map_err(ServiceRefusal::Payload)?;
    let json: Json = serde_json::from_str(text)
        .map_err(|error| ServiceRefusal::Payload(Refusal::json(JsonError::new(&error, text), text)))?;
    let Json::Object(members) = json else {
        return Err(ServiceRefusal::Payload(Refusal::NotAnObject { found: quoted(text) }));
    };
    if let Some(name) = members.keys().find(|name| !MEMBERS.contains(&name.as_str())) {
        let hint = hint(name, MEMBERS.into_iter());
        return Err(ServiceRefusal::UnknownMember { name: shorten(name), hint });
    }
    let name = text_member(&members, "action")?.ok_or(ServiceRefusal::NoAction)?;
    let action = name.parse::<ServiceAction>().map_err(|_| ServiceRefusal::UnknownAction {
        name: shorten(&name),
        hint: hint(&name, ServiceAction::ALL.map(ServiceAction::name).into_iter()),
    })?;
    let at = match text_member(&members, "time")? {
        Some(text) => rfc3339(&text, "`time`").map_err(ServiceRefusal::Payload)?,
        None if retained => {
            return Err(ServiceRefusal::Payload(Refusal::NoTime { place: "the service message".to_owned() }));
        }
        None => received,
    };
    let value = match members.get("value") {
        None | Some(Json::Null) => None,
        Some(Json::Number(value)) => value.as_f64(),
        Some(other) => return Err(wrong_kind("value", other, "a number")),
    };
    let entry = ServiceEntry {
        at,
        action,
        value,
        by: text_member(&members, "by")?,
        note: text_member(&members, "note")?,
        corrects: corrected(&members)?,
        recorded: Some(received),
    };
    entry.check(received)?;
    Ok(entry)
}

fn corrected(members: &Map<String, Json>) -> Result<Option<Corrected>, ServiceRefusal> {
    let wanted = "an object such as {\"time\": \"2026-08-14T06:00:00Z\", \"action\": \"sensor-cleaned\"}";
    match members.get("corrects") {
        None | Some(Json::Null) => Ok(None),
        Some(other) => match serde_json::from_value(other.clone()) {
            Ok(corrected) => Ok(Some(corrected)),
            Err(_) => Err(wrong_kind("corrects", other, wanted)),
        },
    }
}

fn wrong_kind(member: &'static str, found: &Json, wanted: &'static str) -> ServiceRefusal {
    ServiceRefusal::WrongKind { member, found: quoted(&found.to_string()), wanted }
}

fn text_member(members: &Map<String, Json>, member: &'static str) -> Result<Option<String>, ServiceRefusal> {
    match members.get(member) {
        None | Some(Json::Null) => Ok(None),
        Some(Json::String(text)) => Ok(Some(text.clone())),
        Some(other) => Err(wrong_kind(member, other, "a text")),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn now() -> Timestamp {
        "2026-08-14T06:00:00Z".parse().unwrap()
    }

    #[test]
    fn good_messages() {
        let entry = decode_service(br#"{"action":"sleeve-cleaned"}"#, now(), false).unwrap();
        assert_eq!((entry.at, entry.action, entry.recorded), (now(), ServiceAction::SleeveCleaned, Some(now())));
        let entry = decode_service(
            br#"{"action":"reference-check","time":"2026-08-13T20:00:00+02:00","value":22.5,"by":"Ana","note":null}"#,
            now(),
            true,
        )
        .unwrap();
        assert_eq!(entry.at, "2026-08-13T18:00:00Z".parse().unwrap());
        assert_eq!((entry.value, entry.by.as_deref(), entry.note), (Some(22.5), Some("Ana"), None));
    }

    #[test]
    fn bad_messages_say_what_to_do() {
        let cases = [
            ("", false, "the payload has no bytes"),
            ("sleeve-cleaned", false, "not JSON"),
            ("[]", false, "not an object"),
            ("{}", false, "no `action`"),
            (r#"{"action":"sleeve-clean"}"#, false, "did you mean `sleeve-cleaned`?"),
            (r#"{"action":"zzz"}"#, false, "is not a service action: use one of sleeve-cleaned, "),
            (r#"{"action":"note","nots":"x"}"#, false, "did you mean `note`?"),
            (r#"{"action":3}"#, false, "`action` is `3`: send a text"),
            (r#"{"action":"note","time":1700000000}"#, false, "`time` is `1700000000`: send a text"),
            (r#"{"action":"note","time":"2026-08-13T20:00:00"}"#, false, "without a valid zone"),
            (r#"{"action":"note","time":"yesterday"}"#, false, "send an RFC 3339 time"),
            (r#"{"action":"reference-check"}"#, false, "reference-check needs a value"),
            (r#"{"action":"reference-check","value":"22.5"}"#, false, "`value` is `\"22.5\"`: send a number"),
            (r#"{"action":"note","time":"2027-01-01T00:00:00Z"}"#, false, "in the future"),
            (r#"{"action":"sleeve-cleaned"}"#, true, "has no time of its own"),
        ];
        for (payload, retained, piece) in cases {
            let text = decode_service(payload.as_bytes(), now(), retained).unwrap_err().to_string();
            assert!(text.contains(piece), "{payload}: {text}");
        }
    }
}
