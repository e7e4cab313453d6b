//! The local interface (HTTP over a Unix socket, server and client), and the API and the pages over TCP.
//!
//! The routes of `/api/v1` and their JSON are in [`route`], used by both ends, so that they cannot disagree.

pub mod access;
pub mod api;
pub mod bulk;
pub mod bulk_client;
pub mod client;
pub mod gate;
pub mod listener;
pub mod openapi;
pub mod pages;
mod papers;
pub mod problem;
pub mod route;
pub mod server;
pub mod socket;
pub mod tls;
mod trip;

use tokio::sync::oneshot;

use crate::query::{Answer, Query, Scope};

/// A question on its way to whoever owns the data, and where the answer goes. Dropping `reply` tells the asker that the
/// daemon is stopping.
#[derive(Debug)]
pub struct Ask {
    /// The question.
    pub query: Query,
    /// The sites it may speak of.
    pub scope: Scope,
    /// Where the answer goes.
    pub reply: oneshot::Sender<Answer>,
}

/// Something has changed at a unit.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Change {
    /// Which unit.
    pub unit: crate::domain::UnitId,
    /// `reading`, `assessment`, `condition`, `alert` or `logbook`.
    pub what: &'static str,
}

/// The greatest body a request or an answer to the command line may have. A year of days is about 150 kB.
pub const REQUEST_BYTES_MAX: usize = 64 * 1024;
/// See [`REQUEST_BYTES_MAX`].
pub const ANSWER_BYTES_MAX: usize = 64 * 1024 * 1024;
