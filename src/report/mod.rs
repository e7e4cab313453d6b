//! Tables, charts and sentences for people. PURE: values in, text out.

pub mod chart;
pub mod fleet;
pub mod grade;
pub mod logbook;
pub mod month;
pub mod round;
pub mod sheet;
pub mod study;
pub mod style;
pub mod tables;
pub mod trend;
pub mod words;

pub use style::Style;
