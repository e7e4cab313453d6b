//! Readings, service logs and unit files on disk, in the formats of the contract.
