//! Fitted pasts, worked out when somebody looks: a fit takes tens of milliseconds, and most units are never looked at.

use std::collections::VecDeque;
use std::sync::{Arc, Mutex, PoisonError};

use crate::analysis::{self, Constants, History, Neighbours};
use crate::domain::service::effective;
use crate::domain::{FittedDay, Timestamp, UnitSpec};
use crate::store::{Store, StoreError};

/// Pasts that are kept for the next look; each has some tens of kilobytes.
const KEPT_MAX: usize = 32;

/// What a past was worked out from: it holds as long as this is the same.
#[derive(Clone, Debug, PartialEq)]
struct Basis {
    spec: UnitSpec,
    as_of: Timestamp,
}

/// The pasts that somebody looked at lately.
#[derive(Debug, Default)]
pub struct Pasts {
    kept: Mutex<VecDeque<(Basis, Arc<Vec<FittedDay>>)>>,
}

impl Pasts {
    /// The past of a unit as its assessment of `as_of` explains it. Blocking.
    pub fn of(
        &self,
        store: &Store,
        spec: &UnitSpec,
        as_of: Timestamp,
        neighbours: Option<Neighbours>,
        constants: &Constants,
    ) -> Result<Arc<Vec<FittedDay>>, StoreError> {
        let basis = Basis { spec: spec.clone(), as_of };
        let known = self.lock().iter().find(|(of, _)| *of == basis).map(|(_, past)| Arc::clone(past));
        if let Some(past) = known {
            return Ok(past);
        }
        let log = effective(&store.logbook(&spec.id)?);
        let days = store.days(&spec.id, None, None)?;
        let history = History { spec, days: &days, log: &log, latest: None, cadence_millis: None, neighbours };
        let past = Arc::new(analysis::retrace(&history, as_of, constants));
        let mut kept = self.lock();
        kept.retain(|(of, _)| of.spec.id != spec.id);
        kept.truncate(KEPT_MAX - 1);
        kept.push_front((basis, Arc::clone(&past)));
        Ok(past)
    }

    /// What is kept is whole even if somebody panicked beside it.
    fn lock(&self) -> std::sync::MutexGuard<'_, VecDeque<(Basis, Arc<Vec<FittedDay>>)>> {
        self.kept.lock().unwrap_or_else(PoisonError::into_inner)
    }
}
