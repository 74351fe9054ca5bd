//! (being written)

pub mod wall_loss;
