//! Frequency response of the virtual unit, from a short pulse and its Fourier integral.

use super::air::Air;
use super::run::{Plan, Run, Series, run};
use super::unit::Grid;
use super::{RehearseError, rate_hz};
use crate::design::{Design, Probe};
use num_complex::Complex64;
use std::f64::consts::TAU;

/// Longest decay that is waited for, s.
const LONGEST_S: f64 = 12.0;

/// Linear response of a virtual unit.
#[derive(Debug, Clone)]
pub struct Response {
    /// Frequencies, Hz.
    pub frequency_hz: Vec<f64>,
    /// Impedance at the terminals, Ω.
    pub impedance_ohm: Vec<Complex64>,
    /// Pressure at each probe of the design over the amplifier's voltage, Pa/V.
    pub pressure_pa_per_v: Vec<Vec<Complex64>>,
}

/// Response of a design at the given frequencies (0.5 Hz to 1 kHz), without any nonlinearity.
///
/// # Errors
/// [`RehearseError`] where the design names what it does not have, or the simulation fails.
pub fn frequency_response(
    design: &Design,
    frequency_hz: &[f64],
) -> Result<Response, RehearseError> {
    response_in(design, &Air::new(design.air), frequency_hz, 1.0)
}

/// The same with given air and the time step divided by `finer`.
///
/// # Errors
/// As [`frequency_response`].
pub fn response_in(
    design: &Design,
    air: &Air,
    frequency_hz: &[f64],
    finer: f64,
) -> Result<Response, RehearseError> {
    let low_hz = frequency_hz.iter().fold(5.0f64, |a, &f| a.min(f)).max(0.5);
    let high_hz = frequency_hz
        .iter()
        .fold(500.0f64, |a, &f| a.max(f))
        .min(4000.0);
    let rate = rate_hz(high_hz) * finer;
    let probes: Vec<&Probe> = design.probes.iter().collect();
    let plan = Plan {
        air,
        grid: Grid {
            rate_hz: rate,
            low_hz,
            high_hz,
            nonlinear: 0.0,
            quadratic: false,
        },
        source_ohm: design.drive.source_ohm,
        probes: &probes,
        quiet: 1e-9,
    };
    // Derivative of a Gaussian: no constant part, and nothing far above twice the highest frequency.
    let width_s = 0.55 / high_hz;
    let centre_s = 5.0 * width_s;
    let run = run(design, &plan, (LONGEST_S * rate) as usize, |t| {
        let x = (t - centre_s) / width_s * std::f64::consts::SQRT_2 * 2.0;
        x * (-0.5 * x * x).exp()
    })?;
    let list = std::iter::once(&run.terminal)
        .chain(std::iter::once(&run.current))
        .chain(&run.pressure);
    let spectrum: Vec<Vec<Complex64>> = list.map(|s| spectrum(&run, s, frequency_hz)).collect();
    let source = self::spectrum(&run, &run.source, frequency_hz);
    let divide = |a: &[Complex64], b: &[Complex64]| a.iter().zip(b).map(|(a, b)| a / b).collect();
    Ok(Response {
        frequency_hz: frequency_hz.to_vec(),
        impedance_ohm: divide(&spectrum[0], &spectrum[1]),
        pressure_pa_per_v: spectrum[2..].iter().map(|p| divide(p, &source)).collect(),
    })
}

fn spectrum(run: &Run, series: &Series, frequency_hz: &[f64]) -> Vec<Complex64> {
    frequency_hz
        .iter()
        .map(|&hz| {
            let turn = Complex64::from_polar(1.0, -TAU * hz / run.rate_hz);
            let start = Complex64::from_polar(1.0, -TAU * hz / run.rate_hz * series.offset);
            // Horner from the end: one multiplication per sample, no drift of the phasor.
            let sum = series
                .sample
                .iter()
                .rev()
                .fold(Complex64::new(0.0, 0.0), |sum, x| sum * turn + x);
            sum * start
        })
        .collect()
}
