//! Sweeps, deconvolution, windows, bands and WAV files.

pub mod grid;
