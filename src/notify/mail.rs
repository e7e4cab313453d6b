//! Mail over SMTP. Blocking: runs off the async threads.

use std::time::Duration;

use lettre::message::header::ContentType;
use lettre::transport::smtp::authentication::Credentials;
use lettre::transport::smtp::client::{Certificate, CertificateStore, Tls, TlsParameters};
use lettre::{Message, SmtpTransport, Transport};

use super::settings::{MailSecurity, MailSettings};

/// How long a server may take for one step.
const WITHIN: Duration = Duration::from_secs(20);

/// Sends one mail.
///
/// # Errors
/// A fragment for the log, without secrets.
pub fn send(settings: &MailSettings, title: &str, text: &str, id: &str) -> Result<(), String> {
    let address = |text: &str| text.parse().map_err(|error| format!("`{text}` is no address: {error}"));
    let mut mail = Message::builder()
        .from(address(&settings.from)?)
        .subject(title)
        .message_id(Some(format!("<{id}@fadeline>")))
        .header(ContentType::TEXT_PLAIN);
    for to in &settings.to {
        mail = mail.to(address(to)?);
    }
    let mail = mail.body(text.to_owned()).map_err(|error| error.to_string())?;
    transport(settings)?.send(&mail).map(drop).map_err(|error| fault(settings, &error))
}

fn fault(settings: &MailSettings, error: &lettre::transport::smtp::Error) -> String {
    let (host, port, text) = (&settings.host, settings.port, error.to_string());
    let untrusted = settings.security != MailSecurity::Clear && text.contains("certificate");
    let remedy = if untrusted { "; if the server is right, name its authority as ca_file" } else { "" };
    format!("{host}:{port}: {text}{remedy}")
}

fn transport(settings: &MailSettings) -> Result<SmtpTransport, String> {
    let tls = match settings.security {
        MailSecurity::Clear => Tls::None,
        MailSecurity::Tls => Tls::Wrapper(parameters(settings)?),
        MailSecurity::StartTls => Tls::Required(parameters(settings)?),
    };
    let mut builder =
        SmtpTransport::builder_dangerous(&settings.host).port(settings.port).tls(tls).timeout(Some(WITHIN));
    if let Some(login) = &settings.login {
        builder = builder.credentials(Credentials::new(login.user.clone(), login.password.reveal().to_owned()));
    }
    Ok(builder.build())
}

fn parameters(settings: &MailSettings) -> Result<TlsParameters, String> {
    let mut builder = TlsParameters::builder(settings.host.clone());
    if let Some(path) = &settings.ca_file {
        let pem = std::fs::read(path).map_err(|error| format!("{} cannot be read: {error}", path.display()))?;
        let authority = Certificate::from_pem(&pem).map_err(|error| format!("{}: {error}", path.display()))?;
        builder = builder.certificate_store(CertificateStore::None).add_root_certificate(authority);
    }
    builder.build_rustls().map_err(|error| error.to_string())
}
