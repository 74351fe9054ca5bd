//! x
pub mod chi_squared;
pub mod random_effects;
