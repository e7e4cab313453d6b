//! The benchmarks: `cargo bench`.

fn main() {}
