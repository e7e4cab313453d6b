//! Questions about the fleet and their answers, the same with and without a running daemon.
