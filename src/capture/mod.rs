//! Live capture: two streams at once on a sound card, real (feature `live`) or virtual.

pub mod background;
pub mod card;
#[cfg(feature = "live")]
pub mod cpal_card;
pub mod growing_wav;
pub mod guide;
#[cfg(feature = "live")]
mod hush;
pub mod judge;
pub mod level;
pub mod listen;
#[cfg(feature = "live")]
pub mod ports;
pub mod safety;
pub mod stream;
pub mod take;
pub mod virtual_card;
pub mod wiring;
