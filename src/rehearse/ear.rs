//! A microphone of a running unit: in a junction, or before the openings.

use super::RehearseError;
use super::air::Air;
use super::probe::{Medium, Microphone};
use super::unit::Unit;
use crate::design::{Design, Probe, ProbePlace};

/// Where a microphone hears.
#[derive(Debug, Clone)]
pub(super) enum Ear {
    /// The pressure of a junction.
    Junction(usize),
    /// The openings.
    Openings(Microphone),
}

impl Ear {
    /// At a probe of the design; the unit will remember as much as it needs.
    pub fn new(
        design: &Design,
        probe: &Probe,
        unit: &mut Unit,
        air: &Air,
    ) -> Result<Self, RehearseError> {
        let medium = Medium {
            air,
            step_s: unit.step_s(),
        };
        let microphone = match &probe.place {
            ProbePlace::Inside { junction } => {
                return unit.junction(junction).map(Self::Junction).ok_or_else(|| {
                    RehearseError::Junction {
                        probe: probe.name.clone(),
                        junction: junction.clone(),
                    }
                });
            }
            ProbePlace::Near {
                opening,
                distance_m,
            } => {
                let on = design.openings.iter().position(|o| o.name == *opening);
                let on = on.ok_or_else(|| RehearseError::Opening {
                    probe: probe.name.clone(),
                    opening: opening.clone(),
                })?;
                Microphone::near(design, on, *distance_m, medium)
            }
            ProbePlace::Point { position_m } => Microphone::point(design, *position_m, medium),
        };
        unit.remember(microphone.reach());
        Ok(Self::Openings(microphone))
    }

    /// Pressure after a step, Pa; it belongs to the time [`Self::offset`].
    pub fn pressure_pa(&self, unit: &Unit) -> f64 {
        match self {
            Self::Junction(j) => unit.pressure_pa(*j),
            Self::Openings(microphone) => microphone.pressure_pa(unit.flow()),
        }
    }

    /// Time of the pressure after step n less n·dt, steps.
    pub fn offset(&self) -> f64 {
        match self {
            Self::Junction(_) => 1.0,
            Self::Openings(microphone) => 0.5 - microphone.behind() as f64,
        }
    }
}
