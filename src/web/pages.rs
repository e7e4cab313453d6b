//! The pages' routes: questions are asked, values become HTML, forms become entries of the logbook.

use std::sync::Arc;

use axum::body::Bytes;
use axum::extract::rejection::QueryRejection;
use axum::extract::{Path, Query as Args, State};
use axum::http::{HeaderMap, HeaderValue, StatusCode, Uri, header};
use axum::response::{Html, IntoResponse, Redirect, Response};
use axum::routing::{get, post};
use axum::{Extension, Form, Router};
use jiff::civil::DateTime;
use jiff::tz::TimeZone;
use serde::Deserialize;
use tokio::sync::{Semaphore, broadcast, mpsc};

use super::access::{Caller, LoginError, Role};
use super::api;
use super::gate::{COOKIE, Gate, Peer, session_id, wants_page};
use super::problem::Problem;
use super::server::{Asks, answer, open_router};
use super::trip::{Rules, RulesForm, round_values};
use super::{Ask, Change, route};
use crate::clock;
use crate::domain::time::{DAY, MINUTE};
use crate::domain::{ServiceAction, ServiceEntry, Timestamp, UnitId};
use crate::page::fleet::Filter;
use crate::page::{self, Frame, frame::trouble};
use crate::query::dossier::Dossier;
use crate::query::month::MonthRecord;
use crate::query::series::{Resolution, Series, Span};
use crate::query::{Answer, Query, RefusalKind};
use crate::report;
use crate::visit::{self, PASSED, Visit};

/// Days in the chart of a unit unless others are asked for.
const CHART_DAYS: i64 = 365;
/// Passwords checked at once: each takes 19 MB for some tens of milliseconds.
const LOGINS_AT_ONCE: usize = 2;

struct Doors {
    gate: Arc<Gate>,
    logins: Semaphore,
}

/// API and pages for the TCP listener, behind the gate.
pub fn site(asks: mpsc::Sender<Ask>, changes: broadcast::Sender<Change>, gate: Gate, bulk: Router) -> Router {
    let gate = Arc::new(gate);
    let doors = Arc::new(Doors { gate: Arc::clone(&gate), logins: Semaphore::new(LOGINS_AT_ONCE) });
    let pages = Router::new()
        .route("/", get(fleet))
        .route("/units/{site}/{unit}", get(unit))
        .route("/units/{site}/{unit}/log", post(log))
        .route("/units/{site}/{unit}/visit", get(visit_page).post(visit_step))
        .route("/units/{site}/{unit}/visit/live", get(visit_live))
        .route("/units/{site}/{unit}/sheet", get(sheet))
        .route("/round", get(round))
        .route("/round.ics", get(round_calendar))
        .route("/months/{site}/{month}", get(month))
        .with_state(Arc::new(asks.clone()));
    let papers = super::papers::routes(Arc::new(asks.clone()));
    let doors =
        Router::new().route("/login", get(login_page).post(login)).route("/logout", post(logout)).with_state(doors);
    let assets = Router::new()
        .route("/assets/style.css", get(async || asset("text/css; charset=utf-8", page::STYLE)))
        .route("/assets/page.js", get(async || asset("text/javascript; charset=utf-8", page::SCRIPT)))
        .route("/assets/icon.svg", get(async || asset("image/svg+xml", ICON)))
        .route("/health", get(async || "ok"));
    let events = Router::new().route(route::EVENTS, get(api::events)).with_state(changes);
    open_router(asks)
        .merge(pages)
        .merge(papers)
        .merge(doors)
        .merge(assets)
        .merge(events)
        .merge(bulk)
        .fallback(nowhere)
        .layer(axum::extract::DefaultBodyLimit::max(super::REQUEST_BYTES_MAX))
        .layer(axum::middleware::from_fn_with_state(gate, super::gate::pass))
}

const ICON: &str = "<svg xmlns=\"http://www.w3.org/2000/svg\" viewBox=\"0 0 32 32\"><rect width=\"32\" height=\"32\" rx=\"6\" fill=\"#0b5f7a\"/>\
                    <path d=\"M4 8C14 8 18 22 28 24\" stroke=\"#fff\" stroke-width=\"3\" fill=\"none\"/>\
                    <path d=\"M4 26H28\" stroke=\"#ffb48f\" stroke-width=\"2\" stroke-dasharray=\"4 3\"/></svg>";

fn asset(kind: &'static str, text: &'static str) -> Response {
    ([(header::CONTENT_TYPE, HeaderValue::from_static(kind))], text).into_response()
}

fn frame(who: &Caller) -> Frame {
    Frame {
        now: clock::now(),
        csrf: who.csrf.clone().unwrap_or_default(),
        who: who.name.clone(),
        may_record: who.role >= Role::Service,
        alone: false,
    }
}

/// Something else than the answer that was asked for: as a page.
pub(super) fn instead(who: &Caller, other: Result<Answer, Box<Response>>) -> Response {
    let (status, says) = match other {
        Ok(Answer::Refused(refusal)) => {
            let status = match refusal.kind {
                RefusalKind::NoSuchUnit | RefusalKind::NothingYet => StatusCode::NOT_FOUND,
                RefusalKind::BadEntry | RefusalKind::BadSpan => StatusCode::UNPROCESSABLE_ENTITY,
                RefusalKind::Store => StatusCode::INTERNAL_SERVER_ERROR,
            };
            (status, refusal.says)
        }
        Ok(_) => (StatusCode::INTERNAL_SERVER_ERROR, "the answer is to another question; this is a bug".to_owned()),
        Err(response) => (response.status(), "the daemon cannot answer now; try again in a moment".to_owned()),
    };
    bad_page(who, status, &says)
}

pub(super) fn bad_page(who: &Caller, status: StatusCode, says: &str) -> Response {
    (status, Html(trouble(&frame(who), "This did not work", says, "/"))).into_response()
}

/// Why what stands in an address cannot be read, without what the library puts before it.
pub(super) fn unread(rejection: &QueryRejection) -> String {
    let says = rejection.body_text();
    let reason = says.strip_prefix("Failed to deserialize query string: ").unwrap_or(&says);
    format!("the address cannot be read: {reason}")
}

/// An address that leads nowhere: a page for people, a problem for programs.
async fn nowhere(Extension(who): Extension<Caller>, address: Uri, headers: HeaderMap) -> Response {
    if wants_page(address.path(), &headers) {
        return bad_page(&who, StatusCode::NOT_FOUND, "there is no such page");
    }
    Problem::new(StatusCode::NOT_FOUND, "no such address; the API is under /api/v1").into_response()
}

fn unit_id(who: &Caller, (site, unit): &(String, String)) -> Result<UnitId, Box<Response>> {
    UnitId::new(site, unit).map_err(|e| Box::new(bad_page(who, StatusCode::NOT_FOUND, &e.to_string())))
}

async fn fleet(
    State(asks): State<Asks>,
    Extension(who): Extension<Caller>,
    filter: Result<Args<FilterArgs>, QueryRejection>,
) -> Response {
    let filter = match filter {
        Ok(Args(filter)) => filter,
        Err(rejection) => return bad_page(&who, StatusCode::BAD_REQUEST, &unread(&rejection)),
    };
    match answer(&asks, &who, Query::Fleet).await {
        Ok(Answer::Fleet(lines)) => {
            let FilterArgs { site, tag, cause } = filter;
            Html(page::fleet::page(&frame(&who), &lines, &Filter { site, tag, cause })).into_response()
        }
        other => instead(&who, other),
    }
}

#[derive(Debug, Default, Deserialize)]
#[serde(default)]
struct FilterArgs {
    site: String,
    tag: String,
    cause: String,
}

#[derive(Debug, Default, Deserialize)]
struct ChartArgs {
    days: Option<i64>,
    from: Option<Timestamp>,
    to: Option<Timestamp>,
    resolution: Option<Resolution>,
}

async fn get_dossier(asks: &Asks, who: &Caller, unit: &UnitId) -> Result<Box<Dossier>, Box<Response>> {
    match answer(asks, who, Query::Dossier { unit: unit.clone() }).await {
        Ok(Answer::Dossier(dossier)) => Ok(dossier),
        other => Err(Box::new(instead(who, other))),
    }
}

async fn get_series(asks: &Asks, who: &Caller, unit: &UnitId, span: Span) -> Result<Box<Series>, Box<Response>> {
    match answer(asks, who, Query::Readings { unit: unit.clone(), span }).await {
        Ok(Answer::Readings(series)) => Ok(series),
        other => Err(Box::new(instead(who, other))),
    }
}

/// Where a chart of some days up to `to` begins: one that is not full yet with the first reading.
fn begin(dossier: &Dossier, to: Timestamp, days: i64) -> Timestamp {
    let zone = page::frame::zone_of(&dossier.row);
    let first = dossier.trend.days.first().map(|day| Timestamp::day_start(day.date, &zone));
    to.plus_millis(-days * DAY).max(first.unwrap_or(Timestamp::MIN)).min(to.plus_millis(-DAY))
}

async fn unit(
    State(asks): State<Asks>,
    Extension(who): Extension<Caller>,
    Path(unit): Path<(String, String)>,
    args: Result<Args<ChartArgs>, QueryRejection>,
) -> Response {
    let made = async {
        let Args(args) = args.map_err(|e| Box::new(bad_page(&who, StatusCode::BAD_REQUEST, &unread(&e))))?;
        let unit = unit_id(&who, &unit)?;
        let dossier = get_dossier(&asks, &who, &unit).await?;
        let latest = dossier.row.reading.as_ref().map_or_else(clock::now, |reading| reading.at);
        let to = args.to.unwrap_or(latest.plus_millis(1));
        let days = args.days.unwrap_or(CHART_DAYS).clamp(1, 20_000);
        let from = args.from.unwrap_or_else(|| begin(&dossier, to, days));
        let span = Span { from: Some(from), to: Some(to), resolution: args.resolution, ..Span::default() };
        let series = get_series(&asks, &who, &unit, span).await?;
        let past = match answer(&asks, &who, Query::Course { unit }).await {
            Ok(Answer::Course(days)) => days,
            other => return Err(Box::new(instead(&who, other))),
        };
        Ok::<_, Box<Response>>(
            Html(page::unit::page(&frame(&who), &dossier, &series, &past, to >= latest)).into_response(),
        )
    };
    made.await.unwrap_or_else(|response| *response)
}

/// A unit and its last year.
pub(super) async fn sheet_values(
    asks: &Asks,
    who: &Caller,
    unit: &(String, String),
) -> Result<(Box<Dossier>, Box<Series>), Box<Response>> {
    let unit = unit_id(who, unit)?;
    let dossier = get_dossier(asks, who, &unit).await?;
    let series = get_series(asks, who, &unit, dossier.last_year(clock::now())).await?;
    Ok((dossier, series))
}

async fn sheet(
    State(asks): State<Asks>,
    Extension(who): Extension<Caller>,
    Path(unit): Path<(String, String)>,
) -> Response {
    match sheet_values(&asks, &who, &unit).await {
        Ok((dossier, series)) => Html(page::sheet::page(&frame(&who), &dossier, &series)).into_response(),
        Err(response) => *response,
    }
}

async fn round(State(asks): State<Asks>, Extension(who): Extension<Caller>, rules: Rules) -> Response {
    match round_values(&asks, &who, rules).await {
        Ok(round) => Html(page::round::page(&frame(&who), &round)).into_response(),
        Err(response) => *response,
    }
}

async fn round_calendar(State(asks): State<Asks>, Extension(who): Extension<Caller>) -> Response {
    match round_values(&asks, &who, Ok(Args(RulesForm::default()))).await {
        Ok(round) => {
            let text = report::round::calendar(&round, clock::now());
            ([(header::CONTENT_TYPE, HeaderValue::from_static("text/calendar; charset=utf-8"))], text).into_response()
        }
        Err(response) => *response,
    }
}

/// A site's month and its zone.
pub(super) async fn month_values(
    asks: &Asks,
    who: &Caller,
    (site, month): (String, String),
) -> Result<(Box<MonthRecord>, TimeZone), Box<Response>> {
    let zone = match answer(asks, who, Query::Units).await {
        Ok(Answer::Units(rows)) => rows.iter().find(|row| row.site == site).map_or(TimeZone::UTC, page::frame::zone_of),
        other => return Err(Box::new(instead(who, other))),
    };
    match answer(asks, who, Query::Month { site, month }).await {
        Ok(Answer::Month(record)) => Ok((record, zone)),
        other => Err(Box::new(instead(who, other))),
    }
}

async fn month(
    State(asks): State<Asks>,
    Extension(who): Extension<Caller>,
    Path(which): Path<(String, String)>,
) -> Response {
    match month_values(&asks, &who, which).await {
        Ok((record, zone)) => Html(page::month::page(&frame(&who), &record, &zone)).into_response(),
        Err(response) => *response,
    }
}

#[derive(Debug, Default, Deserialize)]
#[serde(default)]
struct EntryForm {
    csrf: String,
    #[serde(rename = "do")]
    deed: String,
    action: String,
    at: String,
    made: String,
    value: String,
    by: String,
    note: String,
    /// How often the step had been done when the form was made.
    seen: Option<usize>,
}

impl EntryForm {
    fn read(who: &Caller, body: &Bytes) -> Result<Self, Box<Response>> {
        let refuse = |status, says: &str| Box::new(bad_page(who, status, says));
        let form = Self::parse(body).ok_or_else(|| refuse(StatusCode::BAD_REQUEST, "the form cannot be read"))?;
        if who.csrf.as_ref().is_some_and(|csrf| *csrf != form.csrf) {
            return Err(refuse(
                StatusCode::FORBIDDEN,
                "the form is from another session; open the page again and send it once more",
            ));
        }
        Ok(form)
    }

    /// A form's body is written like the query of an address.
    fn parse(body: &Bytes) -> Option<Self> {
        let address = format!("/?{}", std::str::from_utf8(body).ok()?).parse().ok()?;
        Args::<Self>::try_from_uri(&address).ok().map(|Args(form)| form)
    }

    /// When it was done: as written, else when the button was pressed, else when the form was made.
    fn time(&self, zone: &TimeZone) -> Result<Timestamp, String> {
        let text = if self.at.trim().is_empty() { self.made.trim() } else { self.at.trim() };
        if text.is_empty() {
            return Ok(clock::now());
        }
        if let Ok(at) = text.parse::<Timestamp>() {
            return Ok(at);
        }
        let local = text.parse::<DateTime>().ok().and_then(|time| time.to_zoned_datetime(zone.clone()).ok());
        local
            .map(|zoned| zoned.timestamp().into())
            .ok_or_else(|| format!("`{text}` is not a time; write it like 2026-08-14T15:30"))
    }

    fn entry(&self, at: Timestamp, action: ServiceAction, note: Option<String>) -> Result<ServiceEntry, String> {
        let text = |text: &str| Some(text.trim().replace('\r', "")).filter(|text| !text.is_empty());
        let value = match self.value.trim() {
            "" => None,
            number => Some(number.replace(',', ".").parse().map_err(|_| format!("`{number}` is not a number"))?),
        };
        Ok(ServiceEntry {
            value,
            by: text(&self.by),
            note: note.or_else(|| text(&self.note)),
            ..ServiceEntry::new(at, action)
        })
    }
}

async fn record(asks: &Asks, who: &Caller, unit: &UnitId, entry: ServiceEntry) -> Result<(), Box<Response>> {
    let entry = ServiceEntry { by: entry.by.or_else(|| who.name.clone()), ..entry };
    match answer(asks, who, Query::Log { unit: unit.clone(), entry }).await {
        Ok(Answer::Logged(_)) => Ok(()),
        other => Err(Box::new(instead(who, other))),
    }
}

async fn log(
    State(asks): State<Asks>,
    Extension(who): Extension<Caller>,
    Path(unit): Path<(String, String)>,
    body: Bytes,
) -> Response {
    let made = async {
        let form = EntryForm::read(&who, &body)?;
        let unit = unit_id(&who, &unit)?;
        let dossier = get_dossier(&asks, &who, &unit).await?;
        let refuse = |says: String| Box::new(bad_page(&who, StatusCode::UNPROCESSABLE_ENTITY, &says));
        let action = form.action.parse().map_err(|e: crate::domain::service::UnknownAction| refuse(e.to_string()))?;
        let at = form.time(&page::frame::zone_of(&dossier.row)).map_err(refuse)?;
        record(&asks, &who, &unit, form.entry(at, action, None).map_err(refuse)?).await?;
        Ok::<_, Box<Response>>(Redirect::to(&format!("/units/{unit}#logbook")).into_response())
    };
    made.await.unwrap_or_else(|response| *response)
}

fn visit_of(dossier: &Dossier) -> Option<Visit> {
    let settle = dossier.row.assessment.as_deref().and_then(|said| said.verdict.settle_with.as_ref()).map(|s| s.action);
    visit::read(&dossier.trend.log, &dossier.recent, settle)
}

#[derive(Debug, Default, Deserialize)]
struct VisitArgs {
    again: Option<String>,
}

async fn visit_page(
    State(asks): State<Asks>,
    Extension(who): Extension<Caller>,
    Path(unit): Path<(String, String)>,
    Args(args): Args<VisitArgs>,
) -> Response {
    let made = async {
        let dossier = get_dossier(&asks, &who, &unit_id(&who, &unit)?).await?;
        let visit = visit_of(&dossier);
        // A visit that ended long ago is in the logbook; the page begins a new one.
        let old = visit.as_ref().and_then(|v| v.ended).is_some_and(|end| clock::now().millis_since(end) > DAY / 2);
        Ok::<_, Box<Response>>(
            Html(page::visit::page(&frame(&who), &dossier, visit.as_ref(), args.again.is_some() || old))
                .into_response(),
        )
    };
    made.await.unwrap_or_else(|response| *response)
}

async fn visit_live(
    State(asks): State<Asks>,
    Extension(who): Extension<Caller>,
    Path(unit): Path<(String, String)>,
) -> Response {
    let made = async {
        let dossier = get_dossier(&asks, &who, &unit_id(&who, &unit)?).await?;
        let text =
            visit_of(&dossier).map_or_else(String::new, |visit| page::visit::live(&dossier.row, &visit).into_string());
        Ok::<_, Box<Response>>(Html(text).into_response())
    };
    made.await.unwrap_or_else(|response| *response)
}

/// The same step pressed twice within a moment is one step; so is one that a colleague has recorded meanwhile.
fn known(dossier: &Dossier, open: Option<&Visit>, form: &EntryForm, (action, at): (ServiceAction, Timestamp)) -> bool {
    let counted = open.filter(|_| form.deed == "step").map(|visit| visit.count(action));
    let near = |e: &ServiceEntry| e.action == action && e.at.millis_since(at).abs() < MINUTE / 6;
    counted.zip(form.seen).is_some_and(|(counted, seen)| counted > seen)
        || action != ServiceAction::Note && dossier.trend.log.iter().any(near)
}

async fn visit_step(
    State(asks): State<Asks>,
    Extension(who): Extension<Caller>,
    Path(unit): Path<(String, String)>,
    body: Bytes,
) -> Response {
    let made = async {
        let form = EntryForm::read(&who, &body)?;
        let unit = unit_id(&who, &unit)?;
        let dossier = get_dossier(&asks, &who, &unit).await?;
        let refuse = |says: String| Box::new(bad_page(&who, StatusCode::UNPROCESSABLE_ENTITY, &says));
        let at = form.time(&page::frame::zone_of(&dossier.row)).map_err(refuse)?;
        let visit = visit_of(&dossier);
        let open = visit.as_ref().filter(|visit| visit.ended.is_none());
        let action = || form.action.parse::<ServiceAction>().map_err(|e| refuse(e.to_string()));
        let (action, note) = match form.deed.as_str() {
            // Two technicians at once, or a second press: the visit is under way already.
            "start" if open.is_some() => return Ok(Redirect::to(&format!("/units/{unit}/visit")).into_response()),
            "start" => {
                let expected = dossier.row.assessment.as_deref().map(visit::expectations).unwrap_or_default();
                (ServiceAction::VisitStarted, Some(visit::start_note(&expected)))
            }
            "step" => (action()?, None),
            "pass" => (ServiceAction::Note, Some(format!("{PASSED}{}", action()?))),
            "end" => match open {
                Some(visit) => {
                    let summary = visit.summary(&dossier.row.intensity_unit);
                    let note = form.note.trim().replace('\r', "");
                    (
                        ServiceAction::VisitEnded,
                        Some(if note.is_empty() { summary } else { format!("{summary}\n{note}") }),
                    )
                }
                None => return Ok(Redirect::to(&format!("/units/{unit}/visit")).into_response()),
            },
            other => return Err(refuse(format!("`{other}` is no step of a visit"))),
        };
        if !known(&dossier, open, &form, (action, at)) {
            record(&asks, &who, &unit, form.entry(at, action, note).map_err(refuse)?).await?;
        }
        Ok::<_, Box<Response>>(Redirect::to(&format!("/units/{unit}/visit")).into_response())
    };
    made.await.unwrap_or_else(|response| *response)
}

#[derive(Debug, Default, Deserialize)]
#[serde(default)]
struct LoginForm {
    name: String,
    password: String,
    to: String,
}

async fn login_page(Extension(who): Extension<Caller>, Args(form): Args<LoginForm>) -> Response {
    Html(page::login::page(&frame(&who), None, &inside(&form.to))).into_response()
}

/// Only an address of ours: nobody is sent elsewhere after a login.
fn inside(to: &str) -> String {
    let ours = to.starts_with('/') && !to.starts_with("//") && !to.contains(['\\', '\n', '\r', ':']);
    if ours { to.to_owned() } else { "/".to_owned() }
}

async fn login(
    State(doors): State<Arc<Doors>>,
    Extension(who): Extension<Caller>,
    Extension(peer): Extension<Peer>,
    Form(form): Form<LoginForm>,
) -> Response {
    let to = inside(&form.to);
    if doors.gate.access.is_none() {
        return Redirect::to(&to).into_response();
    }
    let Ok(_turn) = doors.logins.acquire().await else { return StatusCode::SERVICE_UNAVAILABLE.into_response() };
    let gate = Arc::clone(&doors.gate);
    let checked = tokio::task::spawn_blocking(move || {
        let access = gate.access.as_ref()?;
        Some(access.log_in(&form.name, &form.password, peer.address))
    });
    let (status, says) = match checked.await {
        Ok(Some(Ok(id))) => {
            let secure = if peer.secure { "; Secure" } else { "" };
            let cookie = format!("{COOKIE}={id}; Path=/; HttpOnly; SameSite=Strict{secure}");
            let mut response = Redirect::to(&to).into_response();
            if let Ok(cookie) = HeaderValue::from_str(&cookie) {
                response.headers_mut().insert(header::SET_COOKIE, cookie);
            }
            return response;
        }
        Ok(Some(Err(LoginError::Wrong))) => (StatusCode::UNAUTHORIZED, "Name or password is wrong.".to_owned()),
        Ok(Some(Err(LoginError::Wait(secs)))) => {
            (StatusCode::TOO_MANY_REQUESTS, format!("Too many wrong logins. Try again in {secs} s."))
        }
        _ => (StatusCode::INTERNAL_SERVER_ERROR, "The login does not work now.".to_owned()),
    };
    (status, Html(page::login::page(&frame(&who), Some(&says), &to))).into_response()
}

async fn logout(
    State(doors): State<Arc<Doors>>,
    Extension(who): Extension<Caller>,
    headers: HeaderMap,
    body: Bytes,
) -> Response {
    if let Err(response) = EntryForm::read(&who, &body) {
        return *response;
    }
    if let (Some(access), Some(id)) = (&doors.gate.access, session_id(&headers)) {
        access.log_out(&id);
    }
    let gone = HeaderValue::from_static("fadeline-session=; Path=/; HttpOnly; SameSite=Strict; Max-Age=0");
    ([(header::SET_COOKIE, gone)], Redirect::to("/login")).into_response()
}
