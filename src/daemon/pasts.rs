//! Days and fitted pasts of the units that somebody looks at: to read a year of days from the disk takes tens of
//! milliseconds and so does a fit, and most units are never looked at.

use std::collections::VecDeque;
use std::sync::{Arc, Mutex, PoisonError};

use super::courses::Courses;
use crate::analysis::{self, Constants, History, Neighbours};
use crate::domain::service::effective;
use crate::domain::{DaySummary, FittedDay, Timestamp, UnitSpec};
use crate::store::{Store, StoreError};

/// Units whose past is kept for the next look; each has some hundreds of kilobytes.
const KEPT_MAX: usize = 32;

/// What a past was worked out from: it holds as long as this is the same, for days change with an assessment only.
#[derive(Clone, Debug, PartialEq)]
struct Basis {
    spec: UnitSpec,
    as_of: Timestamp,
}

/// What is kept, the last looked at first.
type Kept<T> = Mutex<VecDeque<(Basis, Arc<Vec<T>>)>>;

/// What somebody looked at lately.
#[derive(Debug, Default)]
pub struct Pasts {
    /// The last weeks of every unit.
    pub courses: Courses,
    days: Kept<DaySummary>,
    fitted: Kept<FittedDay>,
}

impl Pasts {
    /// The past of a unit as its assessment of `as_of` explains it. Blocking.
    pub fn fitted(
        &self,
        store: &Store,
        spec: &UnitSpec,
        as_of: Timestamp,
        neighbours: Option<Neighbours>,
        constants: &Constants,
    ) -> Result<Arc<Vec<FittedDay>>, StoreError> {
        known(&self.fitted, spec, as_of, || {
            let log = effective(&store.logbook(&spec.id)?);
            let days = self.days(store, spec, as_of)?;
            let history = History { spec, days: &days, log: &log, latest: None, cadence_millis: None, neighbours };
            Ok(analysis::retrace(&history, as_of, constants))
        })
    }

    /// The kept days of a unit as its assessment of `as_of` left them. Blocking.
    pub fn days(&self, store: &Store, spec: &UnitSpec, as_of: Timestamp) -> Result<Arc<Vec<DaySummary>>, StoreError> {
        known(&self.days, spec, as_of, || store.days(&spec.id, None, None))
    }
}

/// What is kept of the unit, or else made now and kept.
fn known<T>(
    kept: &Kept<T>,
    spec: &UnitSpec,
    as_of: Timestamp,
    make: impl FnOnce() -> Result<Vec<T>, StoreError>,
) -> Result<Arc<Vec<T>>, StoreError> {
    // What is kept is whole even if somebody panicked beside it.
    let lock = || kept.lock().unwrap_or_else(PoisonError::into_inner);
    let basis = Basis { spec: spec.clone(), as_of };
    let known = lock().iter().find(|(of, _)| *of == basis).map(|(_, past)| Arc::clone(past));
    if let Some(past) = known {
        return Ok(past);
    }
    let past = Arc::new(make()?);
    let mut kept = lock();
    kept.retain(|(of, _)| of.spec.id != spec.id);
    kept.truncate(KEPT_MAX - 1);
    kept.push_front((basis, Arc::clone(&past)));
    Ok(past)
}
