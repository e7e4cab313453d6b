//! Tables, charts and sentences for people. PURE: values in, text out.

pub mod fleet;
