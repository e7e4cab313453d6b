//! The things Fadeline talks about: units, readings, service actions, days, assessments.
//!
//! Plain values, checked when made. No I/O, no clock, no async. serde stands here only where a type *is* the
//! contract's wire form ([`Assessment`], [`ServiceEntry`]), so that a promise is defined once.

pub mod assessment;
pub mod columns;
pub mod day;
pub mod fitted;
pub mod hour;
pub mod id;
pub mod intake;
pub mod measure;
pub mod reading;
pub mod service;
pub mod similar;
pub mod time;
pub mod unit;

pub use assessment::{Assessment, Cause, Condition, VerdictCause};
pub use columns::Columns;
pub use day::{DaySummary, LnSummary, SetAside};
pub use fitted::{FittedDay, LostPoints};
pub use hour::{HourSummary, HourValues};
pub use id::{IdError, UnitId};
pub use measure::Measure;
pub use reading::{Channel, Reading};
pub use service::{Corrected, ServiceAction, ServiceEntry};
pub use time::Timestamp;
pub use unit::{IntensityUnit, UnitSpec, WaterSource};
