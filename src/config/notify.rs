//! `[notify]`: the channels by which people are told.

use std::path::PathBuf;
use std::time::Duration;

use super::checked::Context;
use super::mistake::At;
use super::raw;
use super::secret::password;
use super::table::Field;
use crate::mqtt::settings::Login;
use crate::notify::settings::{Channel, Endpoint, Heartbeat, MailSecurity, MailSettings, NotifySettings};

/// The header that carries the title unless another is set.
const TITLE_HEADER: &str = "Title";
const HEARTBEAT_EVERY: Duration = Duration::from_secs(300);
const SECOND: Duration = Duration::from_secs(1);
/// The most channels: each is a message more for one thing to do.
const CHANNELS_MAX: usize = 20;
/// The usual ports, as registered (from memory).
const HTTP: u16 = 80;
const HTTPS: u16 = 443;
const SMTP: u16 = 25;
const SUBMISSION: u16 = 587;
const SUBMISSIONS: u16 = 465;

/// Checks `[notify]`.
pub(super) fn check(raw: &Field<raw::Notify>, context: &mut Context<'_>) -> NotifySettings {
    let Some(raw) = raw.given() else { return NotifySettings::default() };
    let mut channels = Vec::new();
    for hook in raw.webhook.all() {
        let url = context.required(&hook.url, &hook.place, "url", "\"https://example.org/hook\"");
        let secret = password(&hook.password_file, &hook.password_env, context);
        if hook.password_file.is_absent() && hook.password_env.is_absent() {
            let says = "nobody can tell whether a message is ours without a signature";
            context.out.warn(&hook.place, says, "add password_file: the key of the signature");
        }
        let endpoint = url.and_then(|url| endpoint(&url, &hook.ca_file, context));
        channels.extend(endpoint.map(|endpoint| Channel::Webhook { endpoint, secret }));
    }
    for push in raw.push.all() {
        let url = context.required(&push.url, &push.place, "url", "\"https://push.example.org/topic\"");
        let token = password(&push.password_file, &push.password_env, context);
        let title_header = header(&push.title_header, context);
        let endpoint = url.and_then(|url| endpoint(&url, &push.ca_file, context));
        channels.extend(endpoint.map(|endpoint| Channel::Push { endpoint, title_header, token }));
    }
    channels.extend(raw.mail.all().iter().filter_map(|raw| mail(raw, context)).map(Channel::Mail));
    if channels.len() > CHANNELS_MAX {
        context.out.mistake(
            &raw.place,
            format!("{} channels", channels.len()),
            format!("write at most {CHANNELS_MAX}"),
        );
    }
    let every = context.within(&raw.heartbeat_every, 30 * SECOND, 86_400 * SECOND, "30 s", "24 h");
    let heartbeat = raw.heartbeat.given().and_then(|url| endpoint(url, &Field::Absent, context));
    let every = every.unwrap_or(HEARTBEAT_EVERY);
    NotifySettings { channels, heartbeat: heartbeat.map(|endpoint| Heartbeat { endpoint, every }) }
}

fn header(field: &Field<At<String>>, context: &mut Context<'_>) -> String {
    let Some(at) = field.given() else { return TITLE_HEADER.to_owned() };
    if at.value.parse::<http::HeaderName>().is_err() {
        context.out.mistake(&at.place, "not the name of a header", "write one such as \"Title\"");
    }
    at.value.clone()
}

fn endpoint(at: &At<String>, ca_file: &Field<At<String>>, context: &mut Context<'_>) -> Option<Endpoint> {
    // The whole url may be a secret: only its line is shown.
    let place = super::mistake::Place { shown: super::mistake::Shown::Key, ..at.place.clone() };
    let url = at.value.parse::<http::Uri>().ok().filter(|url| url.host().is_some());
    let tls = match url.as_ref().and_then(|url| url.scheme_str()) {
        Some("https") => true,
        Some("http") => false,
        _ => {
            context.out.mistake(&place, "not a web address", "write https://HOST/PATH");
            return None;
        }
    };
    let url = url?;
    let host = url.host().unwrap_or_default().trim_matches(['[', ']']).to_owned();
    if url.authority().is_some_and(|authority| authority.as_str().contains('@')) {
        context.out.mistake(&place, "a user or password does not belong in the url", "write password_file");
        return None;
    }
    if !tls && !is_loopback(&host) {
        let says = "what is sent, with its token, crosses the network in clear text";
        context.out.warn(&place, says, "write https:// if the service has it");
    }
    let path = url.path_and_query().map_or_else(|| "/".to_owned(), ToString::to_string);
    let port = url.port_u16().unwrap_or(if tls { HTTPS } else { HTTP });
    Some(Endpoint { tls, host, port, path, ca_file: authority(ca_file, context) })
}

fn is_loopback(host: &str) -> bool {
    host == "localhost" || host.parse::<std::net::IpAddr>().is_ok_and(|address| address.is_loopback())
}

fn authority(field: &Field<At<String>>, context: &mut Context<'_>) -> Option<PathBuf> {
    let at = field.given()?;
    let path = context.beside(&at.value);
    match context.env.read(&path) {
        Ok(text) if text.contains("CERTIFICATE-----") => {}
        Ok(_) => context.out.mistake(&at.place, "holds no CERTIFICATE in PEM form", "name a .pem file"),
        Err(error) => {
            let says = format!("{} cannot be read: {error}", path.display());
            context.out.mistake(&at.place, says, "check its name and permissions");
        }
    }
    Some(path)
}

fn mail(raw: &raw::Mail, context: &mut Context<'_>) -> Option<MailSettings> {
    let url = context.required(&raw.url, &raw.place, "url", "\"smtps://mail.example.org\"");
    let from = context.required(&raw.from, &raw.place, "from", "\"fadeline@example.org\"");
    if raw.to.is_absent() {
        context.out.mistake(&raw.place, "to is missing", "add to = [\"you@example.org\"]");
    }
    let to = raw.to.given().map_or(&[][..], |to| &to.0);
    for at in to.iter().chain(&from) {
        let ok = at.value.split_once('@').is_some_and(|(name, host)| !name.is_empty() && !host.is_empty());
        if !ok || at.value.contains(['\n', '\r', ' ', '<', '>', ',']) {
            context.out.mistake(&at.place, "not a mail address", "write one such as \"ana@example.org\"");
        }
    }
    let password = password(&raw.password_file, &raw.password_env, context);
    if let (Some(user), None) = (raw.user.given(), &password)
        && raw.password_file.is_absent()
        && raw.password_env.is_absent()
    {
        context.out.mistake(&user.place, "a user without a password", "add password_file = \"FILE\"");
    }
    let login = raw.user.value().zip(password).map(|(user, password)| Login { user, password });
    let url = url?;
    let (scheme, rest) = url.value.split_once("://").unwrap_or(("", &url.value));
    let (security, usual) = match scheme {
        "smtps" => (MailSecurity::Tls, SUBMISSIONS),
        "smtp+starttls" => (MailSecurity::StartTls, SUBMISSION),
        "smtp" => (MailSecurity::Clear, SMTP),
        _ => {
            let remedy = "write smtps://HOST, smtp+starttls://HOST, or smtp://localhost";
            context.out.mistake(&url.place, "not a mail server", remedy);
            return None;
        }
    };
    let authority =
        rest.trim_end_matches('/').parse::<http::uri::Authority>().ok().filter(|a| !a.as_str().contains('@'));
    let Some(server) = authority else {
        context.out.mistake(&url.place, "not a host and port", format!("write {scheme}://HOST:PORT"));
        return None;
    };
    let host = server.host().to_owned();
    if security == MailSecurity::Clear && !is_loopback(&host) {
        context.out.mistake(&url.place, "mail in clear text across the network", "write smtps:// or smtp+starttls://");
    }
    let port = server.port_u16().unwrap_or(usual);
    let to = to.iter().map(|at| at.value.clone()).collect();
    let ca_file = self::authority(&raw.ca_file, context);
    Some(MailSettings { host, port, security, ca_file, login, from: from?.value, to })
}
