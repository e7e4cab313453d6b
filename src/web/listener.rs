//! The TCP listener: few connections at once, and none that dawdles.

use std::future::Future;
use std::io;
use std::net::SocketAddr;
use std::sync::Arc;
use std::time::Duration;

use axum::{Extension, Router};
use hyper::server::conn::http1;
use hyper_util::rt::{TokioIo, TokioTimer};
use hyper_util::server::graceful::GracefulShutdown;
use hyper_util::service::TowerToHyperService;
use tokio::io::{AsyncRead, AsyncWrite};
use tokio::net::{TcpListener, TcpSocket};
use tokio::sync::Semaphore;
use tokio::time::{sleep, timeout};

use tokio_rustls::TlsAcceptor;

use super::gate::Connection;
use super::server::CLOSE_WITHIN;

/// Connections at once; more wait in the system's queue.
const CONNECTIONS_MAX: usize = 256;
/// How long the head of a request may take.
const HEAD_WITHIN: Duration = Duration::from_secs(10);
/// Bytes of a request's head.
const HEAD_BYTES_MAX: usize = 32 * 1024;

/// Listens on `address`.
///
/// # Errors
/// The system refuses.
pub fn bind(address: SocketAddr) -> io::Result<TcpListener> {
    let socket = if address.is_ipv4() { TcpSocket::new_v4() } else { TcpSocket::new_v6() }?;
    socket.set_reuseaddr(true)?;
    socket.bind(address)?;
    socket.listen(256)
}

/// HTTP over a stream.
fn http<S>(stream: S, routes: Router) -> http1::Connection<TokioIo<S>, TowerToHyperService<Router>>
where
    S: AsyncRead + AsyncWrite + Unpin + 'static,
{
    let mut http = http1::Builder::new();
    http.timer(TokioTimer::new()).header_read_timeout(HEAD_WITHIN).max_buf_size(HEAD_BYTES_MAX);
    http.serve_connection(TokioIo::new(stream), TowerToHyperService::new(routes))
}

/// Serves until `stop` completes.
pub async fn serve(
    listener: TcpListener,
    tls: Option<TlsAcceptor>,
    routes: Router,
    stop: impl Future<Output = ()> + Send,
) {
    tokio::pin!(stop);
    let graceful = GracefulShutdown::new();
    let room = Arc::new(Semaphore::new(CONNECTIONS_MAX));
    loop {
        let accepted = tokio::select! {
            () = &mut stop => break,
            accepted = async { (Arc::clone(&room).acquire_owned().await, listener.accept().await) } => accepted,
        };
        let (permit, Ok((stream, from))) = accepted else {
            // Out of descriptors: give others time to end.
            sleep(Duration::from_millis(50)).await;
            continue;
        };
        let connection = Connection { from, secure: tls.is_some() };
        let routes = routes.clone().layer(Extension(connection));
        let (tls, watcher) = (tls.clone(), graceful.watcher());
        tokio::spawn(async move {
            let ended = match tls {
                None => watcher.watch(http(stream, routes)).await.map_err(|error| error.to_string()),
                Some(tls) => match timeout(HEAD_WITHIN, tls.accept(stream)).await {
                    Ok(Ok(stream)) => watcher.watch(http(stream, routes)).await.map_err(|error| error.to_string()),
                    Ok(Err(error)) => Err(error.to_string()),
                    Err(_) => Err("the handshake took too long".to_owned()),
                },
            };
            if let Err(error) = ended {
                tracing::debug!(%from, "a connection ended: {error}");
            }
            drop(permit);
        });
    }
    drop(listener);
    let _late = timeout(CLOSE_WITHIN, graceful.shutdown()).await;
}
