//! The pages: HTML and SVG from values. PURE: no clock, no I/O; every page works without scripts.

mod calendar;
pub mod causes;
pub mod chart;
pub mod fleet;
pub mod frame;
pub mod login;
pub mod month;
pub mod round;
pub mod sheet;
pub mod unit;
pub mod visit;

pub use frame::Frame;

/// The one style sheet.
pub const STYLE: &str = include_str!("assets/style.css");
/// The one script; nothing needs it.
pub const SCRIPT: &str = include_str!("assets/page.js");
