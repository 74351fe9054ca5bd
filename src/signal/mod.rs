//! Sweeps, deconvolution, windows, bands and WAV files.

pub mod bands;
pub mod coherence;
pub mod continuity;
pub mod decimate;
pub mod deconvolve;
pub mod grid;
pub mod impedance;
pub mod residue;
pub mod sweep;
pub mod wav;
pub mod weighting;
