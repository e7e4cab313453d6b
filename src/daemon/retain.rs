//! Retention: what is older than it is to be kept goes, a little at a time, beside everything else.

use std::sync::Arc;
use std::time::Duration;

use tokio::task::spawn_blocking;
use tokio::time::sleep;

use crate::clock;
use crate::store::settings::Keep;
use crate::store::{Store, Trimmed};

/// At most this many unit-days go in one step, so that the intake never waits long.
const DAYS_PER_STEP: usize = 64;
/// How long until the next step while there is more to give up.
const NEXT_STEP: Duration = Duration::from_millis(250);
/// How long until it is looked again when there is not.
const LOOK_EVERY: Duration = Duration::from_secs(600);
/// The start has other work.
const FIRST_LOOK: Duration = Duration::from_secs(5);

/// Runs until it is aborted.
pub async fn run(store: Arc<Store>, keep: Keep) {
    let mut wait = FIRST_LOOK;
    let mut sum = Trimmed::default();
    loop {
        sleep(wait).await;
        let store = Arc::clone(&store);
        let step = spawn_blocking(move || store.trim(&keep, clock::now(), DAYS_PER_STEP)).await;
        wait = match step {
            Ok(Ok(trimmed)) => {
                let Trimmed { raw, hours, days, more } = trimmed;
                sum = Trimmed { raw: sum.raw + raw, hours: sum.hours + hours, days: sum.days + days, more };
                if more { NEXT_STEP } else { LOOK_EVERY }
            }
            Ok(Err(error)) => {
                tracing::warn!("what is too old to keep stays for now: {error}");
                LOOK_EVERY
            }
            Err(panicked) => {
                tracing::error!(%panicked, "what is too old to keep stays");
                return;
            }
        };
        let Trimmed { raw, hours, days, more } = sum;
        if !more && raw + hours + days > 0 {
            tracing::info!(raw, hours, days, "unit-days older than they are to be kept were given up");
            sum = Trimmed::default();
        }
    }
}
