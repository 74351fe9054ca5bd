//! What the numbers of a production line say: limits, inspection, log, control chart, capability, gauge study.

pub mod archive;
pub mod archive_flac;
pub mod capability;
pub mod chart;
pub mod entry;
pub mod gauge;
pub mod ledger;
pub mod tolerance;
