//! What the numbers of a production line say: limits, inspection, log, control chart, capability, gauge study.

pub mod capability;
pub mod chart;
pub mod entry;
pub mod gauge;
pub mod guard;
pub mod inspect;
pub mod judge;
pub mod ledger;
pub mod limits;
pub mod rejudge;
pub mod residues;
pub mod tolerance;
pub mod unit;
