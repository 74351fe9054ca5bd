//! The virtual unit: integrates a design in the time domain and writes the captures that a real bench would.
//!
//! It shares the design's types with the frequency-domain model and nothing else, so that a fit to its captures is
//! not a fit to itself. Ducts are stepped on a staggered grid (`line`), everything lumped by the implicit midpoint
//! rule (`branch`, `drivers`) in one junction system (`unit`); openings radiate through passive ladders
//! (`radiation`) and hear each other with delay (`coupling`); microphones are filters on the openings' volume
//! velocities (`probe`). [`live`] is the same unit as a stream.

pub mod air;
mod branch;
mod coupling;
mod driver;
mod drivers;
mod ear;
mod fit;
mod line;
pub mod live;
mod noise;
mod plate;
mod porous;
mod probe;
mod radiation;
pub mod random;
mod record;
mod relaxation;
mod resample;
mod response;
mod run;
pub mod settings;
pub mod sweep;
mod unit;
pub mod write;

pub use record::{Recording, Rehearsed, RehearsedCapture, SENSITIVITY_V_PER_PA, Wanted, simulate};
pub use response::{Response, frequency_response, response_in};

/// Why a design cannot be rehearsed.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum RehearseError {
    /// A probe is wanted that the design does not have.
    #[error(
        "the design has no probe '{probe}'; it has: impedance{}",
        listed(known)
    )]
    Probe {
        /// As wanted.
        probe: String,
        /// The design's probes.
        known: Vec<String>,
    },
    /// The sweep cannot be played.
    #[error("the sweep's {what} is {value}; expected {range}")]
    Sweep {
        /// Which number.
        what: &'static str,
        /// As wanted.
        value: f64,
        /// Allowed.
        range: String,
    },
    /// A probe stands at an opening that the design does not have.
    #[error("probe '{probe}' is near opening '{opening}', which the design does not have")]
    Opening {
        /// Probe.
        probe: String,
        /// Opening.
        opening: String,
    },
    /// A probe stands in a junction that no element names.
    #[error(
        "probe '{probe}' is inside junction '{junction}', which no element of the design names"
    )]
    Junction {
        /// Probe.
        probe: String,
        /// Junction.
        junction: String,
    },
    /// The stated moving mass is smaller than the air load that it is said to hold.
    #[error(
        "the driver's moving mass of {mass_kg:.4} kg includes a free-air load that is {load_kg:.4} kg for its area; \
         give a larger mass, or the mass without air load as mmd_kg"
    )]
    Mass {
        /// Stated, kg.
        mass_kg: f64,
        /// Air load, kg.
        load_kg: f64,
    },
    /// The simulation grew without bound.
    #[error(
        "the simulation of this design grew without bound after {at_s:.2} s; openings that lie nearer to each other \
         (or to a wall or floor) than their own size cannot be simulated: merge them or move them apart"
    )]
    Unstable {
        /// Time, s.
        at_s: f64,
    },
}

fn listed(names: &[String]) -> String {
    names.iter().map(|name| format!(", {name}")).collect()
}

impl From<driver::NoMass> for RehearseError {
    fn from(error: driver::NoMass) -> Self {
        Self::Mass {
            mass_kg: error.mass_kg,
            load_kg: error.load_kg,
        }
    }
}

/// Steps per second for a highest frequency: 32 per period, at least 16 kHz.
pub(crate) fn rate_hz(high_hz: f64) -> f64 {
    (32.0 * high_hz).max(16_000.0)
}
