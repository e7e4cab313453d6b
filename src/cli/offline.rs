//! The data without a daemon: the command opens the store itself.

use crate::config::Config;
use crate::domain::{Assessment, DaySummary, ServiceEntry, Timestamp, UnitId, UnitSpec};
use crate::query::{Live, Records, RecordsError, UnknownUnit};
use crate::store::{Store, StoreError};

use super::data::OpenError;

/// A store alone: no engine has looked at it.
#[derive(Debug)]
pub struct StoreAlone(Store);

/// Opens the store of `config`. A store that is not there is not made: a question must not leave an empty store behind.
pub fn open(config: &Config) -> Result<StoreAlone, OpenError> {
    let path = &config.store.path;
    if !path.exists() {
        let says = format!(
            "no daemon answers on {} and there is no store at {}; start one with `fadeline watch`",
            config.socket.display(),
            path.display()
        );
        return Err(OpenError::Missing(says));
    }
    Store::open(&config.store).map(StoreAlone).map_err(|e| match e {
        StoreError::Locked { .. } => OpenError::Locked(e.to_string()),
        e => OpenError::Failed(e.to_string()),
    })
}

fn text(error: StoreError) -> RecordsError {
    RecordsError(error.to_string())
}

impl Records for StoreAlone {
    fn live(&mut self, spec: &UnitSpec, _: Timestamp) -> Result<Live, RecordsError> {
        let assessment = self.assessment(spec)?;
        let condition = assessment.as_ref().map_or(crate::domain::Condition::Silent, |a| a.condition);
        Ok(Live { condition, reading: assessment.and_then(|a| a.reading) })
    }

    fn assessment(&mut self, spec: &UnitSpec) -> Result<Option<Assessment>, RecordsError> {
        self.0.assessment(&spec.id).map_err(text)
    }

    fn days(&mut self, spec: &UnitSpec) -> Result<Vec<DaySummary>, RecordsError> {
        self.0.days(&spec.id, None, None).map_err(text)
    }

    fn log(&mut self, unit: &UnitId) -> Result<Vec<ServiceEntry>, RecordsError> {
        self.0.logbook(unit).map_err(text)
    }

    fn record(&mut self, unit: &UnitId, entry: &ServiceEntry) -> Result<(), RecordsError> {
        self.0.log(unit, entry).map(|_| ()).map_err(text)
    }

    fn unknown(&mut self) -> Result<Vec<UnknownUnit>, RecordsError> {
        Ok(Vec::new())
    }
}
