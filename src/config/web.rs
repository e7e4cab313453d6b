//! The pages and the API over TCP, and the planner's figures for the round.

use std::net::{Ipv4Addr, SocketAddr};

use super::checked::Context;
use super::{RoundSettings, WebSettings, raw};

/// Where the pages are unless another address is set.
const PORT: u16 = 8480;
/// The planner's figures unless he sets his own (our choice): eight hours, an hour at a unit, three quarters of an hour of
/// travel each way, a trip every fortnight.
const ROUND: RoundSettings =
    RoundSettings { day_minutes: 480, visit_minutes: 60, travel_minutes: 45, interval_days: 14 };

/// Where to serve pages; `None` if that is off.
pub(super) fn check(raw: &raw::File, context: &mut Context<'_>) -> Option<WebSettings> {
    let loopback = SocketAddr::from((Ipv4Addr::LOCALHOST, PORT));
    let Some(web) = raw.web.given() else {
        return Some(WebSettings {
            listen: loopback,
            written: false,
            access_file: None,
            tls: None,
            trusted_proxies: Vec::new(),
        });
    };
    let listen = match web.listen.given() {
        Some(at) if at.value == "off" => return None,
        Some(at) => at.value.parse::<SocketAddr>().ok().or_else(|| {
            let remedy = format!("write \"127.0.0.1:{PORT}\", \"0.0.0.0:{PORT}\" for all, or \"off\"");
            context.out.mistake(&at.place, "not an address with a port", remedy);
            None
        })?,
        None => loopback,
    };
    let access_file = web.access_file.given().map(|at| context.beside(&at.value));
    if let (Some(at), None) = (web.listen.given(), &access_file)
        && !listen.ip().is_loopback()
    {
        let says = "anybody who reaches this address could read and change everything";
        let remedy = "add access_file = \"access.toml\" (see `fadeline access --help`), or listen on 127.0.0.1";
        context.out.mistake(&at.place, says, remedy);
    }
    let mut trusted_proxies = Vec::new();
    for at in web.trusted_proxies.given().iter().flat_map(|texts| &texts.0) {
        match at.value.parse() {
            Ok(address) => trusted_proxies.push(address),
            Err(_) => context.out.mistake(&at.place, "not an IP address", "write one such as \"127.0.0.1\""),
        }
    }
    let tls = match (web.certificate.given(), web.key.given()) {
        (Some(certificate), Some(key)) => Some((context.beside(&certificate.value), context.beside(&key.value))),
        (Some(at), None) => {
            context.out.mistake(&at.place, "a certificate without its key", "add key = \"key.pem\"");
            None
        }
        (None, Some(at)) => {
            context.out.mistake(&at.place, "a key without its certificate", "add certificate = \"cert.pem\"");
            None
        }
        (None, None) => None,
    };
    Some(WebSettings { listen, written: web.listen.given().is_some(), access_file, tls, trusted_proxies })
}

/// The planner's figures.
pub(super) fn round(raw: &raw::File, context: &mut Context<'_>) -> RoundSettings {
    let Some(round) = raw.round.given() else { return ROUND };
    let mut whole = |field, low: i64, high: i64, default: u32| {
        let given = context.within(field, low, high, &low.to_string(), &high.to_string());
        given.and_then(|value| u32::try_from(value).ok()).unwrap_or(default)
    };
    RoundSettings {
        day_minutes: whole(&round.day_minutes, 60, 1_440, ROUND.day_minutes),
        visit_minutes: whole(&round.visit_minutes, 5, 1_440, ROUND.visit_minutes),
        travel_minutes: whole(&round.travel_minutes, 0, 1_440, ROUND.travel_minutes),
        interval_days: whole(&round.interval_days, 1, 365, ROUND.interval_days),
    }
}
