//! Ctrl-C during long work: it ends between two steps, with nothing half done.

use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};

use super::{Exit, Failure, watch};

/// Whether somebody wants an end.
#[derive(Clone, Debug)]
pub struct Interrupt(Arc<AtomicBool>);

impl Interrupt {
    /// Listens for SIGINT and SIGTERM from now on. The second one ends the process at once.
    pub fn listen() -> Result<Self, Failure> {
        let failed =
            |error: std::io::Error| Failure::new(Exit::Failure, format!("signals cannot be received: {error}"));
        let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build().map_err(failed)?;
        let first = {
            let _inside = runtime.enter();
            watch::stop_signal()?
        };
        let wanted = Arc::new(AtomicBool::new(false));
        let seen = Arc::clone(&wanted);
        std::thread::spawn(move || {
            runtime.block_on(async move {
                first.await;
                seen.store(true, Ordering::Relaxed);
                match watch::stop_signal() {
                    Ok(second) => second.await,
                    Err(_) => std::future::pending().await,
                }
                // As a shell reports a program that Ctrl-C has ended.
                std::process::exit(130);
            });
        });
        Ok(Self(wanted))
    }

    /// An error that says `how` things stand, if an end is wanted.
    pub fn check(&self, how: &str) -> Result<(), Failure> {
        if self.0.load(Ordering::Relaxed) {
            return Err(Failure::new(Exit::Failure, format!("stopped; {how}")));
        }
        Ok(())
    }
}
