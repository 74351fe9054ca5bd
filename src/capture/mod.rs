//! Live capture: two streams at once on a sound card, real (feature `live`) or virtual.

pub mod card;
#[cfg(feature = "live")]
pub mod ports;
