//! The rest of `/api/v1`: readings, episodes, fleet, round, months, as JSON or CSV; events as they happen.

use std::convert::Infallible;

use axum::extract::rejection::QueryRejection;
use axum::extract::{Path, Query as Args, State};
use axum::http::{HeaderValue, StatusCode, header};
use axum::response::sse::{Event, KeepAlive, Sse};
use axum::response::{IntoResponse, Response};
use axum::routing::get;
use axum::{Extension, Router};
use serde::{Deserialize, Serialize};
use tokio::sync::broadcast::{self, error::RecvError};

use super::access::Caller;
use super::problem::Problem;
use super::server::{Asks, about, answer, ask, respond};
use super::{Change, openapi, route};
use crate::alert::Live;
use crate::domain::{Channel, Timestamp, UnitId};
use crate::query::round::OtherRules;
use crate::query::series::{POINTS_DEFAULT, Resolution, Span};
use crate::query::{Answer, Query};
use crate::report::trend::TrendDay;
use crate::report::{month, tables, trend};

/// Points one request may have at most.
const POINTS_MAX: usize = 50_000;

/// What a request for readings may say.
#[derive(Debug, Default, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct ReadingsArgs {
    from: Option<Timestamp>,
    to: Option<Timestamp>,
    resolution: Option<Resolution>,
    points: Option<usize>,
    channel: Option<String>,
    format: Option<Format>,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq, Deserialize)]
#[serde(rename_all = "kebab-case")]
enum Format {
    Json,
    Csv,
}

/// In which form a table is wanted.
#[derive(Debug, Default, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Form {
    format: Option<Format>,
}

/// What a request for the next trip may say: see [`OtherRules`].
#[derive(Debug, Default, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct RoundArgs {
    day_minutes: Option<u32>,
    visit_minutes: Option<u32>,
    travel_minutes: Option<u32>,
    interval_days: Option<u32>,
    format: Option<Format>,
}

/// The routes.
pub fn routes() -> Router<Asks> {
    Router::new()
        .route(route::READINGS, get(readings))
        .route(route::EPISODES, get(episodes))
        .route(route::COURSE, get(course))
        .route(route::DOSSIER, get(dossier))
        .route(route::FLEET, get(fleet))
        .route(route::ROUND, get(round))
        .route(route::MONTH, get(month_record))
        .route(
            route::OPENAPI,
            get(async || ([(header::CONTENT_TYPE, "application/json")], openapi::document().to_string())),
        )
}

fn bad(says: impl Into<String>) -> Response {
    Problem::new(StatusCode::BAD_REQUEST, says).into_response()
}

async fn readings(
    State(asks): State<Asks>,
    Extension(who): Extension<Caller>,
    Path((site, unit)): Path<(String, String)>,
    args: Result<Args<ReadingsArgs>, QueryRejection>,
) -> Response {
    let args = match args {
        Ok(Args(args)) => args,
        Err(rejection) => return bad(rejection.body_text()),
    };
    let span = match span(&args) {
        Ok(span) => span,
        Err(says) => return bad(says),
    };
    let unit = match UnitId::new(&site, &unit) {
        Ok(unit) => unit,
        Err(e) => return Problem::new(StatusCode::NOT_FOUND, e.to_string()).into_response(),
    };
    match answer(&asks, &who, Query::Readings { unit, span }).await {
        Ok(Answer::Readings(series)) if args.format == Some(Format::Csv) => {
            let head = ["time", series.channel.as_str(), "low", "high", "readings"].map(str::to_owned);
            let rows = series.points.iter().map(|p| {
                [p.at.to_string(), p.value.to_string(), p.low.to_string(), p.high.to_string(), p.count.to_string()]
            });
            csv(head, rows)
        }
        Ok(answer) => respond(answer),
        Err(response) => *response,
    }
}

fn span(args: &ReadingsArgs) -> Result<Span, String> {
    let channel = match &args.channel {
        Some(name) => name.parse::<Channel>().map_err(|e| e.to_string())?,
        None => Channel::Intensity,
    };
    let most = if args.format == Some(Format::Csv) { POINTS_MAX } else { POINTS_DEFAULT };
    let points = args.points.unwrap_or(most);
    if !(1..=POINTS_MAX).contains(&points) {
        return Err(format!("points {points} is outside 1 to {POINTS_MAX}"));
    }
    Ok(Span { from: args.from, to: args.to, resolution: args.resolution, points, channel })
}

/// Cloudy times and steps that nobody logged.
#[derive(Serialize)]
struct Episodes {
    episodes: Vec<crate::domain::assessment::Episode>,
    unlogged: Vec<crate::domain::assessment::UnloggedStep>,
}

async fn episodes(
    State(asks): State<Asks>,
    Extension(who): Extension<Caller>,
    Path((site, unit)): Path<(String, String)>,
    form: Result<Args<Form>, QueryRejection>,
) -> Response {
    let form = match form {
        Ok(Args(form)) => form,
        Err(rejection) => return bad(rejection.body_text()),
    };
    let unit = match UnitId::new(&site, &unit) {
        Ok(unit) => unit,
        Err(e) => return Problem::new(StatusCode::NOT_FOUND, e.to_string()).into_response(),
    };
    match answer(&asks, &who, Query::Assessment { unit }).await {
        Ok(Answer::Assessment(said)) if form.format == Some(Format::Csv) => {
            let rows = said.episodes.iter().map(tables::episode).chain(said.unlogged.iter().map(tables::step));
            csv(tables::EPISODES.map(str::to_owned), rows)
        }
        Ok(Answer::Assessment(said)) => {
            axum::Json(Episodes { episodes: said.episodes.clone(), unlogged: said.unlogged.clone() }).into_response()
        }
        Ok(other) => respond(other),
        Err(response) => *response,
    }
}

async fn course(
    State(asks): State<Asks>,
    Extension(who): Extension<Caller>,
    Path(unit): Path<(String, String)>,
) -> Response {
    about(&asks, &who, &unit, |unit| Query::Course { unit }).await
}

async fn dossier(
    State(asks): State<Asks>,
    Extension(who): Extension<Caller>,
    Path(unit): Path<(String, String)>,
) -> Response {
    about(&asks, &who, &unit, |unit| Query::Dossier { unit }).await
}

async fn fleet(State(asks): State<Asks>, Extension(who): Extension<Caller>) -> Response {
    ask(&asks, &who, Query::Fleet).await
}

async fn round(
    State(asks): State<Asks>,
    Extension(who): Extension<Caller>,
    args: Result<Args<RoundArgs>, QueryRejection>,
) -> Response {
    match args {
        Ok(Args(RoundArgs { day_minutes, visit_minutes, travel_minutes, interval_days, format })) => {
            let rules = OtherRules { day_minutes, visit_minutes, travel_minutes, interval_days };
            table(&asks, &who, Ok(Args(Form { format })), Query::Round { rules }).await
        }
        Err(rejection) => bad(rejection.body_text()),
    }
}

async fn month_record(
    State(asks): State<Asks>,
    Extension(who): Extension<Caller>,
    Path((site, month)): Path<(String, String)>,
    form: Result<Args<Form>, QueryRejection>,
) -> Response {
    table(&asks, &who, form, Query::Month { site, month }).await
}

/// The answer to a question as JSON, or as CSV where that was asked for.
pub async fn table(asks: &Asks, who: &Caller, form: Result<Args<Form>, QueryRejection>, query: Query) -> Response {
    let form = match form {
        Ok(Args(form)) => form,
        Err(rejection) => return bad(rejection.body_text()),
    };
    let answer = match answer(asks, who, query).await {
        Ok(answer) => answer,
        Err(response) => return *response,
    };
    if form.format != Some(Format::Csv) {
        return respond(answer);
    }
    match answer {
        Answer::Alerts(alerts) => csv(ALERTS.map(str::to_owned), alerts.iter().map(alert)),
        Answer::Round(round) => csv(tables::ROUND.map(str::to_owned), tables::round(&round)),
        Answer::Units(rows) => csv(tables::UNITS.map(str::to_owned), rows.iter().map(tables::unit)),
        Answer::Logbook(entries) => csv(tables::ENTRIES.map(str::to_owned), entries.iter().map(tables::entry)),
        Answer::Trend(trend) => {
            let days = trend.days.iter().map(|day| trend::csv_row(&TrendDay::from(day)));
            csv(trend::CSV_HEADER.map(str::to_owned), days)
        }
        Answer::Month(record) => {
            let rows = record.units.iter().flat_map(|unit| unit.days.iter().map(|day| month::csv_row(unit, day)));
            csv(month::CSV_HEADER.map(str::to_owned), rows)
        }
        other => respond(other),
    }
}

/// The same about one unit.
pub async fn table_about(
    asks: &Asks,
    who: &Caller,
    (site, unit): &(String, String),
    form: Result<Args<Form>, QueryRejection>,
    query: impl FnOnce(UnitId) -> Query,
) -> Response {
    match UnitId::new(site, unit) {
        Ok(unit) => table(asks, who, form, query(unit)).await,
        Err(e) => Problem::new(StatusCode::NOT_FOUND, e.to_string()).into_response(),
    }
}

/// The header of [`alert()`].
const ALERTS: [&str; 8] = ["site", "unit", "kind", "level", "state", "since", "says", "first"];

/// A live alert; one of a whole site has no unit.
fn alert(live: &Live) -> [String; 8] {
    let word = |value: serde_json::Result<serde_json::Value>| {
        value.ok().and_then(|value| value.as_str().map(str::to_owned)).unwrap_or_default()
    };
    match live {
        Live::Unit(alert) => [
            alert.site.clone(),
            alert.unit.clone(),
            alert.kind.name().to_owned(),
            alert.level.name().to_owned(),
            word(serde_json::to_value(alert.state)),
            alert.since.to_string(),
            alert.says.clone(),
            alert.first.clone(),
        ],
        Live::Site(alert) => [
            alert.site.clone(),
            String::new(),
            alert.kind.clone(),
            alert.level.name().to_owned(),
            word(serde_json::to_value(alert.state)),
            alert.since.to_string(),
            alert.says.clone(),
            alert.first.clone(),
        ],
    }
}

fn csv<const N: usize>(head: [String; N], rows: impl Iterator<Item = [String; N]>) -> Response {
    let mut writer = csv::Writer::from_writer(Vec::new());
    let written = std::iter::once(head).chain(rows).try_for_each(|row| writer.write_record(row));
    match (written, writer.into_inner()) {
        (Ok(()), Ok(text)) => {
            ([(header::CONTENT_TYPE, HeaderValue::from_static("text/csv; charset=utf-8"))], text).into_response()
        }
        _ => Problem::new(StatusCode::INTERNAL_SERVER_ERROR, "the table could not be written").into_response(),
    }
}

/// What changes, as server-sent events; only of sites that the asker may see.
pub async fn events(State(changes): State<broadcast::Sender<Change>>, Extension(who): Extension<Caller>) -> Response {
    let stream = futures_util::stream::unfold((changes.subscribe(), who), async |(mut changes, who)| {
        loop {
            match changes.recv().await {
                Ok(Change { unit, what }) if who.scope.allows(unit.site()) => {
                    let event = Event::default().event(what).data(unit.as_str());
                    return Some((Ok::<_, Infallible>(event), (changes, who)));
                }
                Ok(_) => {}
                // A slow reader is told to look at everything.
                Err(RecvError::Lagged(_)) => {
                    return Some((Ok(Event::default().event("missed").data("")), (changes, who)));
                }
                Err(RecvError::Closed) => return None,
            }
        }
    });
    Sse::new(stream).keep_alive(KeepAlive::default()).into_response()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn an_alert_of_a_site_has_no_unit() {
        let silent = serde_json::json!({
            "schema": "fadeline.alert.v1", "site": "heron-bight", "kind": "site-silent", "level": "warning",
            "state": "raised", "since": "2026-08-14T06:00:00Z", "says": "no unit is heard", "sure": "", "first": "look",
            "caution": ""
        });
        let live: Live = serde_json::from_value(silent).unwrap();
        assert_eq!(alert(&live)[..6].join(","), "heron-bight,,site-silent,warning,raised,2026-08-14T06:00:00Z");
    }
}
