//! The simulator behind the demo and the tests: its own physics, which the analysis may not know. PURE.
