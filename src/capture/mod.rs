//! Live capture: two streams at once on a sound card, real (feature `live`) or virtual.

pub mod card;
#[cfg(feature = "live")]
pub mod cpal_card;
pub mod growing_wav;
pub mod guide;
pub mod judge;
pub mod listen;
#[cfg(feature = "live")]
pub mod ports;
pub mod stream;
pub mod take;
