//! Runs a virtual unit on a voltage and keeps what the captures need.

use super::RehearseError;
use super::air::Air;
use super::ear::Ear;
use super::unit::{Grid, Unit, larger};
use crate::design::{Design, Probe};

/// A signal on the grid of the simulation: sample m lies at (m + offset)·dt.
#[derive(Debug, Clone)]
pub(super) struct Series {
    /// Samples.
    pub sample: Vec<f64>,
    /// Offset of the first sample, steps.
    pub offset: f64,
}

/// What one run gives.
#[derive(Debug, Clone)]
pub(super) struct Run {
    /// Steps per second.
    pub rate_hz: f64,
    /// Voltage ahead of the source resistance, V.
    pub source: Series,
    /// Voltage at the terminals, V.
    pub terminal: Series,
    /// Current, A.
    pub current: Series,
    /// Pressure at each wanted probe, Pa.
    pub pressure: Vec<Series>,
}

/// Choices of a run.
pub(super) struct Plan<'a> {
    /// Air.
    pub air: &'a Air,
    /// Numerical choices.
    pub grid: Grid,
    /// Resistance between the voltage and the terminals, Ω.
    pub source_ohm: f64,
    /// Probes to listen at.
    pub probes: &'a [&'a Probe],
    /// Stops early once everything has decayed to this fraction of its largest value (0: never).
    pub quiet: f64,
}

/// A sound pressure that no unit reaches, Pa: a hundred atmospheres.
pub(super) const LARGEST_PA: f64 = 1e7;

/// Runs `voltage(t)` for `steps` steps from rest.
pub(super) fn run(
    design: &Design,
    plan: &Plan<'_>,
    steps: usize,
    voltage: impl Fn(f64) -> f64,
) -> Result<Run, RehearseError> {
    let mut unit = Unit::new(design, plan.air, plan.grid, plan.source_ohm)?;
    let ears = plan
        .probes
        .iter()
        .map(|probe| Ear::new(design, probe, &mut unit, plan.air))
        .collect::<Result<Vec<_>, _>>()?;
    let mut source = Vec::with_capacity(steps);
    let mut terminal = Vec::with_capacity(steps);
    let mut current = Vec::with_capacity(steps);
    let mut heard: Vec<Vec<f64>> = vec![Vec::with_capacity(steps); ears.len()];
    let (mut largest, mut recent) = (0.0f64, 0.0f64);
    // Looks at the whole unit this often; a block of 1/8 s holds several periods of anything in the band.
    let block = (plan.grid.rate_hz / 8.0) as usize;
    for n in 0..steps {
        let e = voltage((n as f64 + 0.5) * unit.step_s());
        let step = unit.step(e);
        source.push(e);
        terminal.push(step.terminal_v);
        current.push(step.current_a);
        for (ear, kept) in ears.iter().zip(&mut heard) {
            kept.push(ear.pressure_pa(&unit));
        }
        if n % 16 == 0 {
            recent = larger(recent, unit.largest_pa());
        }
        if n % block == block - 1 || n + 1 == steps {
            if !(recent < LARGEST_PA && step.current_a.is_finite()) {
                return Err(RehearseError::Unstable {
                    at_s: n as f64 * unit.step_s(),
                });
            }
            largest = largest.max(recent);
            if recent < plan.quiet * largest && step.current_a.abs() < plan.quiet {
                break;
            }
            recent = 0.0;
        }
    }
    let pressure = ears
        .iter()
        .zip(heard)
        .map(|(ear, sample)| Series {
            sample,
            offset: ear.offset(),
        })
        .collect();
    let half = |sample| Series {
        sample,
        offset: 0.5,
    };
    Ok(Run {
        rate_hz: plan.grid.rate_hz,
        source: half(source),
        terminal: half(terminal),
        current: half(current),
        pressure,
    })
}
