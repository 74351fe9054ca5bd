//! Live capture: two streams at once on a sound card, real (feature `live`) or virtual.

pub mod card;
pub mod guide;
pub mod judge;
pub mod wiring;
#[cfg(feature = "live")]
pub mod ports;
pub mod safety;
pub mod virtual_card;
