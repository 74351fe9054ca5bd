//! Sweeps, deconvolution, windows, bands and WAV files.

pub mod bands;
pub mod grid;
