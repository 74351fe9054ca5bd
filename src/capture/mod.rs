//! Live capture: two streams at once on a sound card, real (feature `live`) or virtual.

pub mod background;
pub mod card;
pub mod guide;
pub mod judge;
pub mod level;
#[cfg(feature = "live")]
pub mod ports;
pub mod safety;
pub mod virtual_card;
pub mod wiring;
