//! The simulation: elements, the nodal network, what is observed, and derivatives.

pub mod driver;
pub mod duct;
pub mod facts;
pub mod limits;
pub mod lumped;
pub mod monte_carlo;
pub mod near_field;
pub mod network;
pub mod openings;
pub mod plate;
pub mod porous;
pub mod predict;
pub mod radiation;
pub mod symmetric;
pub mod tone;
pub mod wall_loss;
pub mod weather;
pub mod wide_loss;

/// What is observed of a network.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Observed {
    /// Impedance at the driver's terminals, Ω.
    Impedance,
    /// Pressure at `design.probes[i]`, Pa per volt at the amplifier.
    Probe(usize),
}

/// A design that cannot be simulated.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum ModelError {
    /// A probe stands near an opening that the design does not have.
    #[error("probe {probe}: stands near «{opening}», which is no opening of the design")]
    NoOpening {
        /// Probe.
        probe: String,
        /// Opening.
        opening: String,
    },
    /// The network has no finite solution.
    #[error(
        "the design has no finite solution at {frequency_hz:.3} Hz: a channel is too narrow or too lossy for its length (check gap_m, area_m2, loss_factor, lining), or the driver's two sides meet with no air volume anywhere"
    )]
    NotFinite {
        /// Frequency, Hz.
        frequency_hz: f64,
    },
}
