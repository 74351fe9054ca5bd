//! (being written)

pub mod radiation;
pub mod wall_loss;
