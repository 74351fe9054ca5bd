//! (being written)
pub mod dense;
pub mod discrepancy;
pub mod identify;
pub mod interval;
pub mod least_squares;
pub mod profile;
pub mod starts;
mod trust_region;
pub mod whiten;

#[cfg(test)]
mod chance;
