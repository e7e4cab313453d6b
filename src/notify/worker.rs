//! Sends what waits, beside the daemon, and keeps it on disk until its channel has taken it.

use std::sync::Arc;
use std::time::Duration;

use http::{HeaderName, HeaderValue, Method, header};
use tokio::sync::{mpsc, watch};
use tokio::task::spawn_blocking;
use tokio::time::{Instant, sleep, sleep_until};

use super::queue::{Queue, Waiting};
use super::settings::{Channel, Endpoint, Heartbeat, NotifySettings};
use super::{http as client, mail, message};
use crate::clock;
use crate::engine::Notice;
use crate::store::Store;

/// The name under which the queue is kept.
const QUEUE_KEY: &str = "notices";
/// While nothing is due the queue is looked at this often all the same: the clock may have been set.
const LOOK_EVERY: Duration = Duration::from_secs(60);

/// What the worker shares with the daemon.
#[derive(Debug)]
pub struct Worker {
    /// Where notices are handed over. Unbounded, but the queue behind it is bounded.
    pub notices: mpsc::UnboundedSender<Notice>,
    /// How many wait.
    pub waiting: watch::Receiver<usize>,
    /// Whether all is well, for the heartbeat.
    pub healthy: watch::Sender<bool>,
}

/// Starts the worker; it ends when the daemon drops its end.
pub fn start(settings: NotifySettings, store: Arc<Store>) -> Worker {
    let (notices, arriving) = mpsc::unbounded_channel();
    let (count, waiting) = watch::channel(0);
    let (healthy, is_healthy) = watch::channel(false);
    if let Some(heartbeat) = settings.heartbeat.clone() {
        tokio::spawn(beats(heartbeat, is_healthy));
    }
    let channels = named_apart(settings.channels);
    tokio::spawn(Sender { channels, store, count, queue: Queue::default() }.run(arriving));
    Worker { notices, waiting, healthy }
}

/// Channels with names of their own: two of one host are told apart by their place.
fn named_apart(channels: Vec<Channel>) -> Vec<(String, Channel)> {
    let mut named: Vec<(String, Channel)> = Vec::new();
    for channel in channels {
        let name = channel.name();
        let same = named.iter().filter(|(other, _)| *other == name || other.starts_with(&format!("{name} ("))).count();
        named.push((if same == 0 { name } else { format!("{name} ({})", same + 1) }, channel));
    }
    named
}

struct Sender {
    channels: Vec<(String, Channel)>,
    store: Arc<Store>,
    count: watch::Sender<usize>,
    queue: Queue,
}

impl Sender {
    async fn run(mut self, mut arriving: mpsc::UnboundedReceiver<Notice>) {
        let names: Vec<String> = self.channels.iter().map(|(name, _)| name.clone()).collect();
        self.restore(&names).await;
        loop {
            let due = self.queue.next().map_or(LOOK_EVERY, |next| {
                Duration::from_millis(u64::try_from(next.millis_since(clock::now())).unwrap_or(0)).min(LOOK_EVERY)
            });
            tokio::select! {
                notice = arriving.recv() => match notice {
                    Some(notice) => self.take(&notice, &names).await,
                    None => return,
                },
                () = sleep_until(Instant::now() + due) => {}
            }
            while let Ok(notice) = arriving.try_recv() {
                self.take(&notice, &names).await;
            }
            if let Some(waiting) = self.queue.due(clock::now()).cloned() {
                self.attempt(waiting).await;
            }
        }
    }

    async fn restore(&mut self, names: &[String]) {
        let store = Arc::clone(&self.store);
        let kept = spawn_blocking(move || store.kept(QUEUE_KEY)).await;
        if let Ok(Ok(Some(bytes))) = kept {
            match serde_json::from_slice(&bytes) {
                Ok(queue) => self.queue = queue,
                Err(error) => tracing::warn!("notices that waited cannot be read and are left out: {error}"),
            }
        }
        self.queue.keep_only(names);
        self.count.send_replace(self.queue.len());
    }

    async fn take(&mut self, notice: &Notice, names: &[String]) {
        for gone in self.queue.put(notice, names, clock::now()) {
            tracing::warn!(
                channel = gone.channel,
                "too many notices wait: {} is dropped",
                message::title(&gone.notice)
            );
        }
        self.keep().await;
    }

    async fn attempt(&mut self, waiting: Waiting) {
        let Some((_, channel)) = self.channels.iter().find(|(name, _)| *name == waiting.channel) else {
            self.queue.done(waiting.id);
            return;
        };
        let id = format!("{}-{}", waiting.since.as_millis(), waiting.id);
        match send(channel, &waiting.notice, &id).await {
            Ok(()) => self.queue.done(waiting.id),
            Err(error) => {
                tracing::warn!(channel = waiting.channel, tries = waiting.tries + 1, "a notice was not taken: {error}");
                if let Some(gone) = self.queue.failed(waiting.id, clock::now()) {
                    tracing::error!(channel = gone.channel, "given up: {}", message::title(&gone.notice));
                }
            }
        }
        self.keep().await;
    }

    async fn keep(&self) {
        self.count.send_replace(self.queue.len());
        let bytes = if self.queue.is_empty() { Ok(Vec::new()) } else { serde_json::to_vec(&self.queue) };
        let store = Arc::clone(&self.store);
        let kept = match bytes {
            Ok(bytes) => spawn_blocking(move || store.keep(QUEUE_KEY, &bytes).map_err(|e| e.to_string())).await,
            Err(error) => Ok(Err(error.to_string())),
        };
        if let Ok(Err(error)) = kept {
            tracing::error!("notices that wait cannot be kept over a restart: {error}");
        }
    }
}

/// Sends one notice through one channel. `id` is the same at every try.
///
/// # Errors
/// A fragment for the log, without secrets.
pub async fn send(channel: &Channel, notice: &Notice, id: &str) -> Result<(), String> {
    match channel {
        Channel::Webhook { endpoint, secret } => {
            let body = message::json(notice);
            let mut headers = vec![(header::CONTENT_TYPE, HeaderValue::from_static("application/json"))];
            headers.push(named(message::ID_HEADER, id)?);
            if let Some(secret) = secret {
                headers.push(named(message::SIGNATURE_HEADER, &message::signature(secret.reveal(), &body))?);
            }
            client::send(endpoint, Method::POST, &headers, body).await.map_err(|error| error.to_string())
        }
        Channel::Push { endpoint, title_header, token } => {
            let mut headers = vec![
                (header::CONTENT_TYPE, HeaderValue::from_static("text/plain; charset=utf-8")),
                named(title_header, &ascii(&message::title(notice)))?,
                named(message::ID_HEADER, id)?,
            ];
            if let Some(token) = token {
                headers.push(named(header::AUTHORIZATION.as_str(), &format!("Bearer {}", token.reveal()))?);
            }
            let body = message::text(notice).into_bytes();
            client::send(endpoint, Method::POST, &headers, body).await.map_err(|error| error.to_string())
        }
        Channel::Mail(settings) => {
            let (settings, id) = (settings.clone(), id.to_owned());
            let (title, text) = (message::title(notice), message::text(notice));
            let sent = spawn_blocking(move || mail::send(&settings, &title, &text, &id)).await;
            sent.map_err(|panicked| panicked.to_string())?
        }
    }
}

/// Asks for the heartbeat's URL once.
///
/// # Errors
/// A fragment for the log.
pub async fn beat(endpoint: &Endpoint) -> Result<(), String> {
    client::send(endpoint, Method::GET, &[], Vec::new()).await.map_err(|error| error.to_string())
}

/// Beats as long as all is well: whoever listens at the other end misses us when it is not.
async fn beats(heartbeat: Heartbeat, mut healthy: watch::Receiver<bool>) {
    loop {
        if healthy.wait_for(|healthy| *healthy).await.is_err() {
            return;
        }
        if let Err(error) = beat(&heartbeat.endpoint).await {
            tracing::warn!("the heartbeat was not taken: {error}");
        }
        sleep(heartbeat.every).await;
    }
}

fn named(name: &str, value: &str) -> Result<(HeaderName, HeaderValue), String> {
    let name = name.parse::<HeaderName>().map_err(|error| error.to_string())?;
    let mut value = HeaderValue::from_str(value).map_err(|_| format!("{name} has characters that no header takes"))?;
    value.set_sensitive(name == header::AUTHORIZATION);
    Ok((name, value))
}

/// Headers are ASCII; names of places are not always.
fn ascii(text: &str) -> String {
    text.chars().map(|c| if c.is_ascii() && !c.is_ascii_control() { c } else { '?' }).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn channels_of_one_host_are_told_apart() {
        let endpoint = Endpoint { tls: false, host: "h".into(), port: 1, path: "/".into(), ca_file: None };
        let hook = Channel::Webhook { endpoint, secret: None };
        let names: Vec<String> = named_apart(vec![hook.clone(), hook.clone(), hook]).into_iter().map(|n| n.0).collect();
        assert_eq!(names, ["webhook h", "webhook h (2)", "webhook h (3)"]);
    }

    #[test]
    fn a_title_fits_a_header() {
        assert_eq!(ascii("Bergh\u{fc}tte\n"), "Bergh?tte?");
        assert!(named("Title", &ascii("x\u{7}")).is_ok() && named("no header", "x").is_err());
    }
}
