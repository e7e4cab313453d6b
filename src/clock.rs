//! The only place that reads the clock. Everything that decides takes `now` as an argument.

use crate::domain::Timestamp;

/// The time of day.
#[expect(clippy::disallowed_methods, reason = "this is the one place the ban in clippy.toml points to")]
pub fn now() -> Timestamp {
    jiff::Timestamp::now().into()
}
