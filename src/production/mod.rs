//! What the numbers of a production line say: limits, inspection, log, control chart, capability, gauge study.

pub mod archive;
pub mod archive_flac;
pub mod capability;
pub mod change_point;
pub mod chart;
pub mod entry;
pub mod ewma;
pub mod gauge;
pub mod gauge_interval;
pub mod gauge_table;
pub mod guard;
pub mod inspect;
pub mod judge;
pub mod ledger;
pub mod limits;
pub mod lookback;
pub mod pareto;
pub mod rejudge;
pub mod residues;
pub mod run_length;
pub mod run_rules;
pub mod station_fit;
pub mod tolerance;
pub mod trend;
pub mod unit;
pub mod yields;
