//! Validation by band and the result of a verification.

pub mod result;
