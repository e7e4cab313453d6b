//! `[broker]`: one elsewhere, or the one inside the daemon.

use std::net::SocketAddr;
use std::path::PathBuf;
use std::time::Duration;

use super::checked::Context;
use super::mistake::{At, Place};
use super::raw;
use super::secret::{password, warn_if_open};
use super::table::{Field, did_you_mean};
use super::value::Bytes;
use crate::mqtt::settings::{Broker, BrokerSettings, EmbeddedSettings, Login, Protocol, Tls};

/// The client id unless another is set.
const CLIENT_ID: &str = "fadeline";
/// The longest client id: every broker of MQTT 3.1.1 takes 23 bytes, the usual ones far more (from memory).
const CLIENT_ID_MAX_BYTES: usize = 128;
/// Ports of MQTT without and with TLS, as registered (from memory).
const PORT: u16 = 1883;
const PORT_TLS: u16 = 8883;
const SECOND: Duration = Duration::from_secs(1);
const DAY: Duration = Duration::from_secs(86_400);
/// How long the broker keeps our queue: long enough for a long weekend and a broken machine, short enough that a
/// queue nobody will fetch goes away.
const SESSION_EXPIRY: Duration = Duration::from_secs(7 * 86_400);
const KEEP_ALIVE: Duration = Duration::from_secs(30);
/// A day of ten-minute readings is a pack of about 20 kB; a gateway with a backlog sends larger ones. Above it an MQTT 5
/// broker drops a message without a word, so it is far more than what is decoded: that is refused, counted and logged.
const MAX_PACKET: u64 = 16 << 20;

/// Checks `[broker]`.
pub(super) fn check(raw: &Field<raw::Broker>, context: &mut Context<'_>) -> Option<Broker> {
    let Some(raw) = raw.given() else {
        if raw.is_absent() {
            let remedy = "add [broker] with url = \"mqtt://HOST:1883\", or with embedded = true";
            context.out.mistake(&context.top(), "[broker] is missing", remedy);
        }
        return None;
    };
    if raw.embedded.value() == Some(true) { embedded(raw, context) } else { remote(raw, context) }
}

fn remote(raw: &raw::Broker, context: &mut Context<'_>) -> Option<Broker> {
    for (key, place) in [("listen", place(&raw.listen)), ("listen_311", place(&raw.listen_311))] {
        if let Some(place) = place {
            let remedy = format!("take {key} out, or write embedded = true instead of url");
            context.out.mistake(place, "only the embedded broker listens", remedy);
        }
    }
    if let Some(login) = raw.login.all().first() {
        let remedy = "write user and password_file in [broker], or embedded = true instead of url";
        context.out.mistake(&login.place, "logins are for the embedded broker", remedy);
    }
    if raw.url.is_absent() {
        let remedy = "add url = \"mqtt://HOST:1883\", or embedded = true";
        context.out.mistake(&raw.place, "url is missing", remedy);
    }
    let url = raw.url.given().and_then(|url| parse_url(url, context));
    let protocol = protocol(raw, context);
    let tls = tls(raw, url.as_ref(), context);
    let login = login(raw, context);
    if let (Some(url), Some(_)) = (&url, &login)
        && !url.tls
        && !is_loopback(&url.host)
    {
        let remedy = "write mqtts:// if the broker has TLS";
        context.out.warn(
            place(&raw.url).unwrap_or(&raw.place),
            "the password crosses the network in clear text",
            remedy,
        );
    }
    let client_id = client_id(raw, url.as_ref(), context);
    let session_expiry = session_expiry(raw, protocol, context);
    let keep_alive = context.within(&raw.keep_alive, 5 * SECOND, 65_535 * SECOND, "5 s", "18 h").unwrap_or(KEEP_ALIVE);
    let max_packet = context.within(&raw.max_packet, Bytes(16 << 10), Bytes(64 << 20), "16 KiB", "64 MiB");
    let max_packet = usize::try_from(max_packet.map_or(MAX_PACKET, |bytes| bytes.0)).unwrap_or(usize::MAX);
    let Url { host, port, .. } = url?;
    Some(Broker::Remote(BrokerSettings {
        host,
        port,
        protocol,
        tls,
        login,
        client_id,
        session_expiry,
        keep_alive,
        max_packet,
    }))
}

fn embedded(raw: &raw::Broker, context: &mut Context<'_>) -> Option<Broker> {
    refuse_remote_keys(raw, context);
    let listen_v5 = match raw.listen.given() {
        Some(listen) => address(listen, context),
        None => Some(SocketAddr::from(([127, 0, 0, 1], PORT))),
    };
    let listen_v311 = raw.listen_311.given().and_then(|listen| address(listen, context));
    if let (Some(v5), Some(v311)) = (listen_v5, listen_v311)
        && v5.port() == v311.port()
        && v5.port() != 0
    {
        let spot = place(&raw.listen_311).unwrap_or(&raw.place);
        let says = "MQTT 5 and MQTT 3.1.1 cannot share a port here";
        context.out.mistake(spot, says, format!("take another port, such as {}", v5.port().wrapping_add(1)));
    }
    let mut logins: Vec<Login> = Vec::new();
    for entry in raw.login.all() {
        let user = context.required(&entry.user, &entry.place, "user", "\"gateway\"");
        let password = password(&entry.password_file, &entry.password_env, context);
        if password.is_none() && entry.password_file.is_absent() && entry.password_env.is_absent() {
            context.out.mistake(&entry.place, "a login without a password", PASSWORD_REMEDY);
        }
        let (Some(user), Some(password)) = (user, password) else { continue };
        if logins.iter().any(|login| login.user == user.value) {
            context.out.mistake(&user.place, "this user has a login already", "write each user once");
        }
        logins.push(Login { user: user.value, password });
    }
    for (listen, written) in [(listen_v5, &raw.listen), (listen_v311, &raw.listen_311)] {
        if let (Some(listen), Some(at)) = (listen, written.given())
            && !listen.ip().is_loopback()
        {
            if raw.login.is_absent() {
                let remedy = "add a [[broker.login]] with user and password_file, or listen on 127.0.0.1";
                context.out.mistake(&at.place, "anyone on the network could send readings", remedy);
            } else {
                let remedy = "use it in a network you trust, or mosquitto with TLS";
                context.out.warn(&at.place, "passwords cross the network in clear text", remedy);
            }
        }
    }
    Some(Broker::Embedded(EmbeddedSettings { listen_v5: listen_v5?, listen_v311, logins }))
}

/// Keys that mean nothing to the embedded broker.
fn refuse_remote_keys(raw: &raw::Broker, context: &mut Context<'_>) {
    let keys = [
        place(&raw.url),
        place(&raw.protocol),
        place(&raw.client_id),
        place(&raw.user),
        place(&raw.password_file),
        place(&raw.password_env),
        place(&raw.ca_file),
        place(&raw.client_certificate),
        place(&raw.client_key),
        place(&raw.session_expiry),
        place(&raw.keep_alive),
        place(&raw.max_packet),
    ];
    for key in keys.into_iter().flatten() {
        let remedy = if key.key.ends_with("user") || key.key.contains("password") {
            "move it to a [[broker.login]]"
        } else {
            "take one of the two out"
        };
        context.out.mistake(key, "has no meaning with embedded = true", remedy);
    }
}

fn place<T>(field: &Field<At<T>>) -> Option<&Place> {
    field.given().map(|at| &at.place)
}

struct Url {
    host: String,
    port: u16,
    tls: bool,
}

fn parse_url(url: &At<String>, context: &mut Context<'_>) -> Option<Url> {
    let mut refuse = |says: &str, remedy: String| {
        context.out.mistake(&url.place, says, remedy);
        None
    };
    if url.value.contains('@') {
        return refuse("a user or password does not belong in the url", "write user and password_file".to_owned());
    }
    let Some((scheme, rest)) = url.value.split_once("://") else {
        return refuse("no scheme", format!("write mqtt://{}, or mqtts:// for TLS", url.value));
    };
    let tls = match scheme.to_lowercase().as_str() {
        "mqtt" => false,
        "mqtts" => true,
        "tcp" => return refuse("unknown scheme", "write mqtt://".to_owned()),
        "ssl" | "tls" => return refuse("unknown scheme", "write mqtts://".to_owned()),
        "ws" | "wss" => {
            return refuse("MQTT over web sockets is not spoken here", "write mqtt:// or mqtts://".to_owned());
        }
        other => {
            let near = did_you_mean(other, ["mqtt", "mqtts"]);
            return refuse("unknown scheme", near.unwrap_or_else(|| "write mqtt:// or mqtts://".to_owned()));
        }
    };
    if rest.trim_end_matches('/').contains(['/', '?', '#']) {
        return refuse("a broker's url ends after the port", format!("write {scheme}://HOST:PORT"));
    }
    let Ok(authority) = rest.trim_end_matches('/').parse::<http::uri::Authority>() else {
        return refuse("not a host and port", format!("write {scheme}://HOST:PORT"));
    };
    let port = match authority.port() {
        None if rest.contains(':') && !rest.ends_with(']') => None,
        None => Some(if tls { PORT_TLS } else { PORT }),
        Some(port) => Some(port.as_u16()).filter(|port| *port != 0),
    };
    let Some(port) = port else { return refuse("not a port", "write one from 1 to 65535".to_owned()) };
    let host = authority.host().trim_start_matches('[').trim_end_matches(']').to_owned();
    if host.is_empty() {
        return refuse("no host", format!("write {scheme}://HOST:{port}"));
    }
    if tls && port == PORT || !tls && port == PORT_TLS {
        let (says, remedy) = match tls {
            true => ("TLS on the usual port without TLS", "check the port: 8883 is usual for mqtts"),
            false => ("no TLS on the usual port of TLS", "write mqtts:// if the broker has TLS there"),
        };
        context.out.warn(&url.place, says, remedy);
    }
    Some(Url { host, port, tls })
}

fn is_loopback(host: &str) -> bool {
    host == "localhost" || host.parse::<std::net::IpAddr>().is_ok_and(|address| address.is_loopback())
}

fn protocol(raw: &raw::Broker, context: &mut Context<'_>) -> Protocol {
    let Some(protocol) = raw.protocol.given() else { return Protocol::V5 };
    match protocol.value.as_str() {
        "5" | "5.0" => Protocol::V5,
        "3.1.1" => Protocol::V311,
        _ => {
            context.out.mistake(&protocol.place, "not a version that is spoken here", "write \"5\" or \"3.1.1\"");
            Protocol::V5
        }
    }
}

fn client_id(raw: &raw::Broker, url: Option<&Url>, context: &mut Context<'_>) -> String {
    let Some(id) = raw.client_id.given() else {
        if url.is_some_and(|url| !is_loopback(&url.host)) {
            let says =
                format!("client_id is not set: two daemons on one broker as `{CLIENT_ID}` would put each other out");
            context.out.warn(&raw.place, says, "write client_id = \"fadeline-PLACE\" and never change it");
        }
        return CLIENT_ID.to_owned();
    };
    if id.value.is_empty() || id.value.len() > CLIENT_ID_MAX_BYTES {
        let says = format!("has {} bytes", id.value.len());
        context.out.mistake(&id.place, says, format!("write 1 to {CLIENT_ID_MAX_BYTES}"));
    }
    id.value.clone()
}

fn session_expiry(raw: &raw::Broker, protocol: Protocol, context: &mut Context<'_>) -> Duration {
    let Some(at) = raw.session_expiry.given() else { return SESSION_EXPIRY };
    let Some(expiry) = context.within(&raw.session_expiry, 60 * SECOND, 365 * DAY, "1 min", "365 days") else {
        return SESSION_EXPIRY;
    };
    if protocol == Protocol::V311 {
        let remedy = "set persistent_client_expiration in the broker, or write protocol = \"5\"";
        context.out.warn(&at.place, "MQTT 3.1.1 has no session expiry: the broker decides", remedy);
    } else if expiry < 3_600 * SECOND {
        let says = "readings are lost if this daemon is away for longer";
        context.out.warn(&at.place, says, "write a few days, such as \"7 days\"");
    } else if expiry > 31 * DAY {
        let says = "the broker would keep a queue that long for a daemon that never returns";
        context.out.warn(&at.place, says, "write a week or two, such as \"7 days\"");
    }
    expiry
}

fn tls(raw: &raw::Broker, url: Option<&Url>, context: &mut Context<'_>) -> Option<Tls> {
    let uses_tls = url.is_none_or(|url| url.tls);
    for key in [place(&raw.ca_file), place(&raw.client_certificate), place(&raw.client_key)].into_iter().flatten() {
        if !uses_tls {
            context.out.mistake(key, "needs TLS", "write mqtts:// in the url, or take this out");
        }
    }
    let ca_file = raw.ca_file.given().and_then(|file| pem(file, "CERTIFICATE", context));
    let certificate = raw.client_certificate.given().and_then(|file| pem(file, "CERTIFICATE", context));
    let key = raw.client_key.given().and_then(|file| pem(file, "PRIVATE KEY", context));
    if let (Some(file), Some(path)) = (raw.client_key.given(), &key) {
        warn_if_open(&file.place, path, context);
    }
    match (place(&raw.client_certificate), place(&raw.client_key)) {
        (Some(at), None) if raw.client_key.is_absent() => {
            context.out.mistake(at, "a certificate without its key", "add client_key = \"FILE\"");
        }
        (None, Some(at)) if raw.client_certificate.is_absent() => {
            context.out.mistake(at, "a key without its certificate", "add client_certificate = \"FILE\"");
        }
        _ => {}
    }
    url.filter(|url| url.tls).map(|_| Tls { ca_file, client: certificate.zip(key) })
}

/// The path of a PEM file that can be read and holds what it should.
fn pem(file: &At<String>, holds: &str, context: &mut Context<'_>) -> Option<PathBuf> {
    let path = context.beside(&file.value);
    match context.env.read(&path) {
        Err(error) => {
            let says = format!("{} cannot be read: {error}", path.display());
            context.out.mistake(&file.place, says, "check its name and permissions");
            None
        }
        Ok(text) if !(text.contains("-----BEGIN") && text.contains(&format!("{holds}-----"))) => {
            context.out.mistake(&file.place, format!("holds no {holds} in PEM form"), "name a .pem file");
            None
        }
        Ok(_) => Some(path),
    }
}

const PASSWORD_REMEDY: &str = "add password_file = \"FILE\" or password_env = \"NAME\"";

fn login(raw: &raw::Broker, context: &mut Context<'_>) -> Option<Login> {
    let given = [place(&raw.password_file), place(&raw.password_env)].into_iter().flatten().next().cloned();
    let password = password(&raw.password_file, &raw.password_env, context);
    match (raw.user.given(), given) {
        (Some(user), _) if user.value.is_empty() => {
            context.out.mistake(&user.place, "an empty user", "write a name, or take it out");
        }
        (Some(user), None) if raw.password_file.is_absent() && raw.password_env.is_absent() => {
            context.out.mistake(&user.place, "a user without a password", PASSWORD_REMEDY);
        }
        (None, Some(place)) if raw.user.is_absent() => {
            context.out.mistake(&place, "a password without a user", "add user = \"NAME\"");
        }
        _ => {}
    }
    Some(Login { user: raw.user.value()?, password: password? })
}

/// An address to listen on.
fn address(listen: &At<String>, context: &mut Context<'_>) -> Option<SocketAddr> {
    let address = listen.value.parse().ok();
    if address.is_none() {
        let port = listen.value.rsplit(':').next().and_then(|port| port.parse::<u16>().ok()).unwrap_or(PORT);
        let says = "not an address and a port";
        context.out.mistake(&listen.place, says, format!("write \"127.0.0.1:{port}\", or \"0.0.0.0:{port}\" for all"));
    }
    address
}
