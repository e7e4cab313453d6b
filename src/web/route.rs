//! The addresses of `/api/v1` and what travels under them.

use axum::http::Method;
use serde::{Deserialize, Serialize};

use crate::alert::Live;
use crate::domain::{FittedDay, ServiceEntry, UnitId};
use crate::query::dossier::FleetLine;
use crate::query::round::OtherRules;
use crate::query::series::Span;
use crate::query::{Answer, OrderQuery, Query, Refusal, UnitRow, UnknownUnit};

/// Every unit.
pub const UNITS: &str = "/api/v1/units";
/// Units in no config.
pub const UNKNOWN: &str = "/api/v1/unknown";
/// What is said about one unit.
pub const ASSESSMENT: &str = "/api/v1/units/{site}/{unit}/assessment";
/// Its service history; posting records an action.
pub const LOGBOOK: &str = "/api/v1/units/{site}/{unit}/logbook";
/// Its days.
pub const TREND: &str = "/api/v1/units/{site}/{unit}/trend";

/// Every live alert.
pub const ALERTS: &str = "/api/v1/alerts";
/// Orders about the alerts of a unit (`_site`: of the whole site), of one kind or of `all`.
pub const ORDER: &str = "/api/v1/alerts/{site}/{unit}/{kind}";

/// A list of live alerts.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Alerts {
    /// The most urgent first.
    pub alerts: Vec<Live>,
}

/// What became of an order.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Ordered {
    /// How many alerts it touched.
    pub alerts: usize,
}

/// A part of its history, for a chart.
pub const READINGS: &str = "/api/v1/units/{site}/{unit}/readings";
/// Cloudy times and steps that nobody logged.
pub const EPISODES: &str = "/api/v1/units/{site}/{unit}/episodes";
/// The days behind as the fit explains them: the fitted light, and what each cause cost.
pub const COURSE: &str = "/api/v1/units/{site}/{unit}/course";
/// Everything known of it.
pub const DOSSIER: &str = "/api/v1/units/{site}/{unit}/dossier";
/// Every unit with its recent course.
pub const FLEET: &str = "/api/v1/fleet";
/// The next trip.
pub const ROUND: &str = "/api/v1/round";
/// The monthly record of a site.
pub const MONTH: &str = "/api/v1/months/{site}/{month}";
/// What changes, as server-sent events.
pub const EVENTS: &str = "/api/v1/events";
/// The description of all this.
pub const OPENAPI: &str = "/api/v1/openapi.json";

/// The days behind as the fit explains them.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Course {
    /// Ascending.
    pub days: Vec<FittedDay>,
}

/// Every unit with its recent course.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Fleet {
    /// Worst first.
    pub units: Vec<FleetLine>,
}

/// A list of units, in an object so that it can grow.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Units {
    /// Worst first.
    pub units: Vec<UnitRow>,
}

/// A list of units in no config.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Unknown {
    /// By id.
    pub unknown: Vec<UnknownUnit>,
}

/// A service history.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Logbook {
    /// Ascending by time.
    pub entries: Vec<ServiceEntry>,
}

/// How a query is asked: method, address, body.
#[derive(Clone, Debug, PartialEq)]
pub struct Request {
    /// `GET`, or `POST` to record.
    pub method: Method,
    /// The address, without host.
    pub path: String,
    /// JSON, or nothing.
    pub body: Vec<u8>,
}

/// The request that asks `query`.
pub fn request(query: &Query) -> Result<Request, serde_json::Error> {
    let get = |path: String| Request { method: Method::GET, path, body: Vec::new() };
    Ok(match query {
        Query::Units => get(UNITS.to_owned()),
        Query::Unknown => get(UNKNOWN.to_owned()),
        Query::Assessment { unit } => get(fill(ASSESSMENT, unit)),
        Query::Logbook { unit } => get(fill(LOGBOOK, unit)),
        Query::Trend { unit } => get(fill(TREND, unit)),
        Query::Alerts => get(ALERTS.to_owned()),
        Query::Order(OrderQuery { site, unit, kind, order }) => {
            let path = ORDER.replace("{site}", site).replace("{unit}", unit).replace("{kind}", kind);
            Request { method: Method::POST, path, body: serde_json::to_vec(order)? }
        }
        Query::Readings { unit, span } => get(format!("{}?{}", fill(READINGS, unit), span_query(span))),
        Query::Course { unit } => get(fill(COURSE, unit)),
        Query::Dossier { unit } => get(fill(DOSSIER, unit)),
        Query::Fleet => get(FLEET.to_owned()),
        Query::Round { rules } => get(format!("{ROUND}{}", rules_query(rules))),
        Query::Month { site, month } => get(MONTH.replace("{site}", &plain(site)).replace("{month}", &plain(month))),
        Query::Log { unit, entry } => {
            Request { method: Method::POST, path: fill(LOGBOOK, unit), body: serde_json::to_vec(entry)? }
        }
    })
}

/// Only what needs no percent-encoding: anything else names nothing that exists.
fn plain(text: &str) -> String {
    text.chars().filter(|c| c.is_ascii_alphanumeric() || *c == '-').collect()
}

fn span_query(span: &Span) -> String {
    let mut parts = vec![format!("points={}&channel={}", span.points, span.channel.name())];
    parts.extend(span.from.map(|from| format!("from={from}")));
    parts.extend(span.to.map(|to| format!("to={to}")));
    parts.extend(span.resolution.map(|resolution| format!("resolution={}", resolution.name())));
    parts.join("&")
}

fn rules_query(rules: &OtherRules) -> String {
    let given = [
        ("day_minutes", rules.day_minutes),
        ("visit_minutes", rules.visit_minutes),
        ("travel_minutes", rules.travel_minutes),
        ("interval_days", rules.interval_days),
    ];
    let parts: Vec<String> = given.iter().filter_map(|(key, value)| Some(format!("{key}={}", (*value)?))).collect();
    if parts.is_empty() { String::new() } else { format!("?{}", parts.join("&")) }
}

/// Ids need no percent-encoding: they are `[a-z0-9-]`.
fn fill(template: &str, unit: &UnitId) -> String {
    template.replace("{site}", unit.site()).replace("{unit}", unit.unit())
}

/// About how many bytes a piece of a long answer has.
const PIECE_BYTES: usize = 64 << 10;

/// JSON in pieces.
pub type Pieces = Box<dyn Iterator<Item = Result<Vec<u8>, serde_json::Error>> + Send>;

/// The JSON of an answer, made piece by piece as it is sent: a fleet's is tens of megabytes at once.
///
/// # Errors
/// A refusal has no JSON here, it is a [`super::problem::Problem`].
pub fn to_json(answer: Answer) -> Result<Pieces, Refusal> {
    Ok(match answer {
        Answer::Units(units) => listed("units", units),
        Answer::Unknown(unknown) => listed("unknown", unknown),
        Answer::Assessment(assessment) => whole(&assessment),
        Answer::Logbook(entries) => listed("entries", entries),
        Answer::Trend(trend) => whole(&trend),
        Answer::Logged(logged) => whole(&logged),
        Answer::Alerts(alerts) => listed("alerts", alerts),
        Answer::Ordered(alerts) => whole(&Ordered { alerts }),
        Answer::Readings(series) => whole(&series),
        Answer::Course(days) => listed("days", days),
        Answer::Dossier(dossier) => whole(&dossier),
        Answer::Fleet(units) => listed("units", units),
        Answer::Round(round) => whole(&round),
        Answer::Month(month) => whole(&month),
        Answer::Refused(refusal) => return Err(refusal),
    })
}

fn whole(value: &impl Serialize) -> Pieces {
    Box::new(std::iter::once(serde_json::to_vec(value)))
}

/// An object with one list in it.
fn listed<T: Serialize + Send + 'static>(name: &'static str, items: Vec<T>) -> Pieces {
    Box::new(List { piece: format!("{{\"{name}\":[").into_bytes(), items: Some(items.into_iter()), first: true })
}

struct List<T> {
    /// What is written and not handed over yet.
    piece: Vec<u8>,
    /// What is to come; `None`: the list is closed.
    items: Option<std::vec::IntoIter<T>>,
    first: bool,
}

impl<T: Serialize> Iterator for List<T> {
    type Item = Result<Vec<u8>, serde_json::Error>;

    fn next(&mut self) -> Option<Self::Item> {
        let items = self.items.as_mut()?;
        for item in items {
            if !std::mem::take(&mut self.first) {
                self.piece.push(b',');
            }
            if let Err(error) = serde_json::to_writer(&mut self.piece, &item) {
                return Some(Err(error));
            }
            if self.piece.len() >= PIECE_BYTES {
                return Some(Ok(std::mem::take(&mut self.piece)));
            }
        }
        self.items = None;
        self.piece.extend_from_slice(b"]}");
        Some(Ok(std::mem::take(&mut self.piece)))
    }
}

/// The answer to `query` whose JSON is `body`.
pub fn from_json(query: &Query, body: &[u8]) -> Result<Answer, serde_json::Error> {
    Ok(match query {
        Query::Units => Answer::Units(serde_json::from_slice::<Units>(body)?.units),
        Query::Unknown => Answer::Unknown(serde_json::from_slice::<Unknown>(body)?.unknown),
        Query::Assessment { .. } => Answer::Assessment(serde_json::from_slice(body)?),
        Query::Logbook { .. } => Answer::Logbook(serde_json::from_slice::<Logbook>(body)?.entries),
        Query::Trend { .. } => Answer::Trend(serde_json::from_slice(body)?),
        Query::Readings { .. } => Answer::Readings(serde_json::from_slice(body)?),
        Query::Course { .. } => Answer::Course(serde_json::from_slice::<Course>(body)?.days),
        Query::Dossier { .. } => Answer::Dossier(serde_json::from_slice(body)?),
        Query::Fleet => Answer::Fleet(serde_json::from_slice::<Fleet>(body)?.units),
        Query::Round { .. } => Answer::Round(serde_json::from_slice(body)?),
        Query::Month { .. } => Answer::Month(serde_json::from_slice(body)?),
        Query::Log { .. } => Answer::Logged(serde_json::from_slice(body)?),
        Query::Alerts => Answer::Alerts(serde_json::from_slice::<Alerts>(body)?.alerts),
        Query::Order(_) => Answer::Ordered(serde_json::from_slice::<Ordered>(body)?.alerts),
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::domain::Timestamp;

    /// A long list is the same JSON in pieces as at once.
    #[test]
    fn a_list_in_pieces_is_the_list() {
        for count in [0, 1, 2, 5_000] {
            let unknown: Vec<UnknownUnit> = (0..count)
                .map(|n| UnknownUnit {
                    unit: UnitId::new("heron-bight", &format!("unit-{n}")).unwrap(),
                    readings: n,
                    last: Timestamp::from_secs(n as i64),
                })
                .collect();
            let pieces: Vec<Vec<u8>> =
                to_json(Answer::Unknown(unknown.clone())).unwrap().collect::<Result<_, _>>().unwrap();
            assert_eq!(pieces.len() > 1, count > 1_000);
            assert!(pieces.iter().all(|piece| piece.len() < PIECE_BYTES + 200));
            assert_eq!(pieces.concat(), serde_json::to_vec(&Unknown { unknown }).unwrap());
        }
    }
}
