//! What the numbers of a production line say: control chart, capability, gauge study.
//!
//! Figures only, without files and commands.

pub mod capability;
pub mod chart;
pub mod gauge;
pub mod tolerance;
