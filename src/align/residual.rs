//! Residuals between measured and simulated responses, and their derivatives.
//!
//! At each frequency the residual is the complex logarithm of measured over simulated: level (nepers) and phase
//! (radians) in one. A microphone adds a gain and a delay, and where neither a reference channel nor the
//! deconvolution tells the clocks apart, a drift:
//!
//! ```text
//! r = ln(M/S) − g + jωτ + jω·t_f·δ      t_f = L·ln(f/f_start), the time at which f was played
//! ```
//!
//! A cabinet warmer than stated changes every simulated value at once: the simulation takes the fitted temperature. Its
//! derivative is that at the stated one where they are near, so that a thermometer's error costs no more evaluations, and
//! a difference quotient elsewhere, where resonances have moved past their own widths.
//!
//! Real and imaginary parts are two series over ln f with the same noise variance, |error|²/(2|M|²), raised where
//! the grid is finer than the resolution of the measurement, so that neighbours which share their noise do not
//! count twice.

use super::unknowns::Unknown;
use crate::design::captures::CaptureSet;
use crate::design::path::Parameter;
use crate::design::{AirConditions, Design};
use crate::measure::{Observation, Response};
use crate::model::network::Network;
use crate::model::{ModelError, Observed};
use num_complex::Complex64;
use std::f64::consts::{PI, TAU};

/// Smallest standard deviation of a residual part, nepers: 0.0009 dB, below which no bench is trusted.
const FLOOR: f64 = 1e-4;

/// How the model's own error grows with frequency, over its size at the bottom: 1 + (f/200 Hz)². Plane waves, lumped
/// corners and openings all err with (k·width)²; the widths of bass channels make that matter above 200 Hz. The
/// discrepancy is stationary in the residuals divided by this.
#[must_use]
pub fn growth(frequency_hz: f64) -> f64 {
    1.0 + (frequency_hz / 200.0).powi(2)
}

/// A measured response made ready for comparing.
#[derive(Debug, Clone)]
pub struct Series {
    /// What of the network.
    pub observed: Observed,
    /// Index in the list of responses.
    pub response: usize,
    /// Positions on the common grid.
    pub place: Vec<usize>,
    /// ln f.
    pub x: Vec<f64>,
    /// Measured values.
    pub measured: Vec<Complex64>,
    /// Noise variance of each part of the residual, over the square of [`growth`].
    pub variance: Vec<f64>,
    /// Nuisance terms: index of the coordinate, by kind.
    pub nuisance: Vec<(Nuisance, usize)>,
    /// Whether the phase was measured.
    pub has_phase: bool,
    /// Drive voltage, V RMS.
    pub drive_v: f64,
    /// Resistance between that voltage and the terminals where it is not the design's, Ω.
    pub ahead_ohm: Option<f64>,
    /// Duration constant L of the sweep, s, and its start, Hz, for the drift term.
    pub sweep: Option<(f64, f64)>,
    /// Change of the logarithm of the simulated value per kelvin, at the stated temperature.
    pub per_kelvin: Vec<Complex64>,
}

/// A term that the measurement adds.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Nuisance {
    /// ln of the gain.
    Gain,
    /// Delay, in units of 0.1 ms.
    Delay,
    /// Clock drift, in units of 10 ppm.
    Drift,
    /// Air in the cabinet warmer than stated, K; one for all series.
    Temperature,
}

/// The bench, as far as the model has to know it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Bench {
    /// Air as stated.
    pub air: AirConditions,
    /// Standard uncertainty of its temperature, K.
    pub temperature_sd_k: f64,
    /// L in s and start in Hz of the sweep, where a response without reference channel needs the drift term.
    pub sweep: Option<(f64, f64)>,
}

impl Bench {
    /// The bench of a capture set; `air` is the design's.
    #[must_use]
    pub fn of(set: &CaptureSet, air: AirConditions) -> Self {
        Self {
            air: set.air(air),
            temperature_sd_k: if set.temperature_c.is_some() {
                STATED_TEMPERATURE_SD_K
            } else {
                UNSTATED_TEMPERATURE_SD_K
            },
            sweep: set
                .sweep
                .map(|s| (s.duration_s / (s.stop_hz / s.start_hz).ln(), s.start_hz)),
        }
    }
}

/// Standard uncertainty of a stated temperature, K: a thermometer in the room, and a cabinet that follows it slowly
/// («common practice, no published source»).
pub const STATED_TEMPERATURE_SD_K: f64 = 0.7;
/// The same where nobody read a thermometer: rooms have 16 to 28 °C.
pub const UNSTATED_TEMPERATURE_SD_K: f64 = 3.0;
/// Step of the temperature for its derivative, K.
const STEP_K: f64 = 0.5;
/// Up to this many kelvins from the stated temperature its derivative there serves: the speed of sound, and with it every
/// resonance, differs by 0.26 %, less than the width of one with a Q factor of 100.
const NEAR_K: f64 = 1.5;
/// How far from the stated temperature the fitted one may go, K: farther than any thermometer was misread.
pub const MOST_K: f64 = 25.0;

/// Seconds per unit of the delay coordinate.
pub const DELAY_UNIT_S: f64 = 1e-4;
/// Ratio per unit of the drift coordinate.
pub const DRIFT_UNIT: f64 = 1e-5;

/// Everything that is compared.
#[derive(Debug, Clone)]
pub struct Comparison {
    /// Common grid, Hz.
    pub frequency_hz: Vec<f64>,
    /// One per response.
    pub series: Vec<Series>,
    /// Prior standard deviation of each nuisance coordinate (infinite: flat).
    pub nuisance_sd: Vec<f64>,
    /// What each nuisance coordinate is: (series, kind).
    pub nuisance_of: Vec<(usize, Nuisance)>,
    base: Design,
    air: AirConditions,
}

/// Residuals and derivatives at one point, both divided by [`growth`].
#[derive(Debug, Clone)]
pub struct Evaluated {
    /// `[series][part][frequency]`, part 0 level, 1 phase.
    pub residual: Vec<[Vec<f64>; 2]>,
    /// `[series][part][coordinate][frequency]`; empty where no derivatives were asked for.
    pub jacobian: Vec<[Vec<Vec<f64>>; 2]>,
    /// Simulated values `[series][frequency]`, without the nuisance terms.
    pub simulated: Vec<Vec<Complex64>>,
}

/// Values of one series on the common grid, and their derivatives.
type Simulated = (Vec<Complex64>, Vec<Vec<Complex64>>);

impl Comparison {
    /// Prepares the responses. Frequencies outside a response's usable band are left out, and a clipped capture as a whole, unless
    /// all are: it shows another cabinet.
    #[must_use]
    pub fn new(design: &Design, bench: Bench, responses: &[Response]) -> Self {
        let Bench { air, sweep, .. } = bench;
        let index = |f: f64| (48.0 * (f / 1000.0).log2()).round() as i64;
        let some_whole = responses.iter().any(|r| !r.take.clipped);
        let usable = |r: &Response| -> Vec<usize> {
            if r.take.clipped && some_whole {
                Vec::new()
            } else {
                usable(r).collect()
            }
        };
        let mut lattice: Vec<i64> = Vec::new();
        for r in responses {
            lattice.extend(usable(r).into_iter().map(|i| index(r.frequency_hz[i])));
        }
        lattice.sort_unstable();
        lattice.dedup();
        let frequency_hz: Vec<f64> = lattice
            .iter()
            .map(|&n| 1000.0 * 2f64.powf(n as f64 / 48.0))
            .collect();
        let mut series = Vec::new();
        let mut nuisance_sd = Vec::new();
        let mut nuisance_of = Vec::new();
        for (n, r) in responses.iter().enumerate() {
            let observed = match &r.observation {
                Observation::Impedance => Observed::Impedance,
                Observation::Pressure { probe } => {
                    match design.probes.iter().position(|p| p.name == *probe) {
                        Some(i) => Observed::Probe(i),
                        None => continue,
                    }
                }
            };
            let mut s = Series {
                observed,
                response: n,
                place: Vec::new(),
                x: Vec::new(),
                measured: Vec::new(),
                variance: Vec::new(),
                nuisance: Vec::new(),
                has_phase: r.has_phase,
                drive_v: r.drive_v.unwrap_or(design.drive.voltage_v),
                ahead_ohm: r.ahead_ohm,
                sweep,
                per_kelvin: Vec::new(),
            };
            for i in usable(r) {
                let f = r.frequency_hz[i];
                let Ok(place) = lattice.binary_search(&index(f)) else {
                    continue;
                };
                let spacing = f * (2f64.powf(1.0 / 48.0) - 1.0);
                let shared = (r.resolution_hz / spacing).max(1.0);
                let relative = r.noise_rms[i] / r.value[i].norm();
                s.place.push(place);
                s.x.push(f.ln());
                s.measured.push(r.value[i]);
                let noise = (0.5 * relative * relative).max(FLOOR * FLOOR) * shared;
                s.variance.push(noise / growth(f).powi(2));
            }
            let mut add = |kind, sd: f64| {
                s.nuisance.push((kind, nuisance_sd.len()));
                nuisance_sd.push(sd);
                nuisance_of.push((series.len(), kind));
            };
            add(
                Nuisance::Gain,
                if r.absolute {
                    r.calibration_relative.max(1e-4)
                } else {
                    f64::INFINITY
                },
            );
            if matches!(r.observation, Observation::Pressure { .. }) {
                // A reference channel fixes time zero; what is left is a few millimetres of microphone position.
                add(
                    Nuisance::Delay,
                    if r.timed {
                        2e-5 / DELAY_UNIT_S
                    } else {
                        f64::INFINITY
                    },
                );
                if !r.timed && sweep.is_some() {
                    let sd_ppm = r.take.drift_sd_ppm.unwrap_or(100.0);
                    add(Nuisance::Drift, sd_ppm * 1e-6 / DRIFT_UNIT);
                }
            }
            series.push(s);
        }
        let mut comparison = Self {
            frequency_hz,
            series,
            nuisance_sd,
            nuisance_of,
            base: design.clone(),
            air,
        };
        comparison.add_temperature(bench.temperature_sd_k);
        comparison
    }

    /// The same responses compared with another arrangement of the cabinet.
    #[must_use]
    pub fn with_base(&self, design: &Design) -> Self {
        Self {
            base: design.clone(),
            ..self.clone()
        }
    }

    /// How much warmer than stated the air is at a point, K; within [`MOST_K`].
    #[must_use]
    pub fn warmer_k(&self, nuisance: &[f64]) -> f64 {
        self.nuisance_of
            .iter()
            .position(|n| n.1 == Nuisance::Temperature)
            .map_or(0.0, |n| nuisance[n].clamp(-MOST_K, MOST_K))
    }

    /// The stated air, so much warmer.
    #[must_use]
    pub fn warmed(&self, by_k: f64) -> AirConditions {
        AirConditions {
            temperature_c: self.air.temperature_c + by_k,
            ..self.air
        }
    }

    /// The term of the air's temperature, with its derivative at the stated one. Where the design cannot be simulated there is none, and
    /// [`Self::evaluate`] says why.
    fn add_temperature(&mut self, sd_k: f64) {
        if sd_k.is_nan() || sd_k <= 0.0 {
            return;
        }
        let at = |step: f64| self.simulate(&self.base, &self.warmed(step));
        let (Ok(cold), Ok(warm)) = (at(-STEP_K), at(STEP_K)) else {
            return;
        };
        let index = self.nuisance_sd.len();
        self.nuisance_sd.push(sd_k);
        self.nuisance_of.push((0, Nuisance::Temperature));
        for (s, (cold, warm)) in self.series.iter_mut().zip(cold.into_iter().zip(warm)) {
            s.per_kelvin = warm
                .iter()
                .zip(&cold)
                .map(|(w, c)| (w / c).ln() / (2.0 * STEP_K))
                .collect();
            s.nuisance.push((Nuisance::Temperature, index));
        }
    }

    /// Values of a design for every series, each on its own grid.
    ///
    /// # Errors
    /// [`ModelError`] if the design cannot be simulated.
    pub fn simulate(
        &self,
        design: &Design,
        air: &AirConditions,
    ) -> Result<Vec<Vec<Complex64>>, ModelError> {
        let network = Network::new(design, air)?;
        let mut list: Vec<Option<Vec<Complex64>>> = vec![None; self.series.len()];
        for n in 0..self.series.len() {
            if list[n].is_some() {
                continue;
            }
            let first = &self.series[n];
            let together: Vec<usize> = (n..self.series.len())
                .filter(|&m| {
                    let s = &self.series[m];
                    list[m].is_none()
                        && (!network.is_nonlinear() || s.same_level(first))
                        && s.place == first.place
                })
                .collect();
            let f: Vec<f64> = first.place.iter().map(|&i| self.frequency_hz[i]).collect();
            let observed: Vec<Observed> =
                together.iter().map(|&m| self.series[m].observed).collect();
            let jig = match first.ahead_ohm.filter(|_| network.is_nonlinear()) {
                Some(ohm) => Some(behind(design, ohm, air)?),
                None => None,
            };
            let network = jig.as_ref().unwrap_or(&network);
            let values = network.respond(&f, &observed, first.drive_v);
            for (m, value) in together.into_iter().zip(values) {
                list[m] = Some(value);
            }
        }
        Ok(list.into_iter().map(Option::unwrap_or_default).collect())
    }

    /// Name of a nuisance coordinate: `capture.LABEL.level` and the like.
    #[must_use]
    pub fn nuisance_path(&self, n: usize) -> String {
        let (series, kind) = self.nuisance_of[n];
        let word = match kind {
            Nuisance::Gain => "level",
            Nuisance::Delay => "delay",
            Nuisance::Drift => "drift",
            Nuisance::Temperature => return "air.temperature".to_string(),
        };
        format!("capture.{}.{word}", self.label(series))
    }

    /// `impedance` or the probe's name.
    #[must_use]
    pub fn label(&self, series: usize) -> &str {
        match self.series[series].observed {
            Observed::Probe(i) => &self.base.probes[i].name,
            _ => "impedance",
        }
    }

    /// Number of nuisance coordinates.
    #[must_use]
    pub fn nuisances(&self) -> usize {
        self.nuisance_sd.len()
    }

    /// The design at a point.
    #[must_use]
    pub fn design_at(&self, unknowns: &[&Unknown], theta: &[f64]) -> Design {
        let mut design = self.base.clone();
        for (unknown, &t) in unknowns.iter().zip(theta) {
            unknown.apply(&mut design, t);
        }
        design
    }

    /// Residuals (and derivatives) for the coordinates `theta` of `unknowns` followed by `nuisance`.
    ///
    /// # Errors
    /// [`ModelError`] if the design cannot be simulated.
    pub fn evaluate(
        &self,
        unknowns: &[&Unknown],
        theta: &[f64],
        nuisance: &[f64],
        slopes: bool,
    ) -> Result<Evaluated, ModelError> {
        let design = self.design_at(unknowns, theta);
        let warmer_k = self.warmer_k(nuisance);
        let air = self.warmed(warmer_k);
        let network = Network::new(&design, &air)?;
        let parameters: Vec<Parameter> = if slopes {
            unknowns
                .iter()
                .flat_map(|u| u.members.iter().copied())
                .collect()
        } else {
            Vec::new()
        };
        let nonlinear = network.is_nonlinear();
        let mut out = Evaluated {
            residual: Vec::new(),
            jacobian: Vec::new(),
            simulated: Vec::new(),
        };
        let mut done: Vec<Option<Simulated>> = vec![None; self.series.len()];
        for n in 0..self.series.len() {
            if done[n].is_some() {
                continue;
            }
            // One pass serves all observations, unless the level matters.
            let together: Vec<usize> = (n..self.series.len())
                .filter(|&m| {
                    done[m].is_none() && (!nonlinear || self.series[m].same_level(&self.series[n]))
                })
                .collect();
            let observed: Vec<Observed> =
                together.iter().map(|&m| self.series[m].observed).collect();
            let drive = self.series[n].drive_v;
            let jig = match self.series[n].ahead_ohm.filter(|_| nonlinear) {
                Some(ohm) => Some(behind(&design, ohm, &air)?),
                None => None,
            };
            let network = jig.as_ref().unwrap_or(&network);
            let (values, slopes) = if slopes {
                let all =
                    network.respond_with_slopes(&self.frequency_hz, &observed, &parameters, drive);
                (all.value, all.slope)
            } else {
                let value = network.respond(&self.frequency_hz, &observed, drive);
                (value, vec![Vec::new(); observed.len()])
            };
            for ((m, value), slope) in together.into_iter().zip(values).zip(slopes) {
                done[m] = Some((value, slope));
            }
        }
        let far = slopes && warmer_k.abs() > NEAR_K;
        let warm = if far {
            Some(self.simulate(&design, &self.warmed(warmer_k + STEP_K))?)
        } else {
            None
        };
        for (n, (s, pair)) in self.series.iter().zip(done).enumerate() {
            let (value, slope) = pair.unwrap_or_default();
            if let Some(&at) = s.place.iter().find(|&&at| !value[at].is_finite()) {
                let frequency_hz = self.frequency_hz[at];
                return Err(ModelError::NotFinite { frequency_hz });
            }
            let mut level = Vec::with_capacity(s.x.len());
            let mut phase = Vec::with_capacity(s.x.len());
            let mut simulated = Vec::with_capacity(s.x.len());
            for (i, &at) in s.place.iter().enumerate() {
                let (mut dl, mut dp) = (0.0, 0.0);
                for &(kind, index) in &s.nuisance {
                    // The simulated value has the temperature in it.
                    if kind != Nuisance::Temperature {
                        let (l, p) = s.effect(kind, i, self.frequency_hz[at]);
                        dl += l * nuisance[index];
                        dp += p * nuisance[index];
                    }
                }
                let ratio = s.measured[i] / value[at];
                let grown = growth(self.frequency_hz[at]);
                level.push((ratio.norm().max(1e-300).ln() - dl) / grown);
                phase.push(if s.has_phase {
                    wrap(ratio.arg() - dp) / grown
                } else {
                    0.0
                });
                simulated.push(value[at]);
            }
            out.residual.push([level, phase]);
            out.simulated.push(simulated);
            if slopes {
                let per_kelvin: Option<Vec<Complex64>> = warm.as_ref().map(|warm| {
                    let here = out.simulated[n].iter().zip(&warm[n]);
                    here.map(|(v, w)| (w / v).ln() / STEP_K).collect()
                });
                let columns = self.columns(
                    (s, per_kelvin.as_deref().unwrap_or(&s.per_kelvin)),
                    unknowns,
                    &design,
                    &value,
                    &slope,
                );
                out.jacobian.push(columns);
            }
        }
        Ok(out)
    }

    /// Largest change of any level, nepers, when a coordinate changes by `step`; by its derivative at `at`.
    #[must_use]
    pub fn level_change(&self, at: &Evaluated, coordinate: usize, step: f64) -> f64 {
        let mut most = 0.0_f64;
        for (parts, series) in at.jacobian.iter().zip(&self.series) {
            for (slope, &place) in parts[0][coordinate].iter().zip(&series.place) {
                most = most.max((slope * step).abs() * growth(self.frequency_hz[place]));
            }
        }
        most
    }

    fn columns(
        &self,
        (s, per_kelvin): (&Series, &[Complex64]),
        unknowns: &[&Unknown],
        design: &Design,
        value: &[Complex64],
        slope: &[Vec<Complex64>],
    ) -> [Vec<Vec<f64>>; 2] {
        let count = unknowns.len() + self.nuisances();
        let mut level = Vec::with_capacity(count);
        let mut phase = Vec::with_capacity(count);
        let mut first = 0;
        for unknown in unknowns {
            let scale: Vec<f64> = unknown
                .members
                .iter()
                .map(|&p| if unknown.log { design.value(p) } else { 1.0 })
                .collect();
            let mut l = Vec::with_capacity(s.x.len());
            let mut p = Vec::with_capacity(s.x.len());
            for &at in &s.place {
                let sum: Complex64 = scale
                    .iter()
                    .enumerate()
                    .map(|(m, k)| slope[first + m][at] * *k)
                    .sum();
                let d = sum / (value[at] * growth(self.frequency_hz[at]));
                l.push(-d.re);
                p.push(if s.has_phase { -d.im } else { 0.0 });
            }
            level.push(l);
            phase.push(p);
            first += unknown.members.len();
        }
        for index in 0..self.nuisances() {
            let mut l = vec![0.0; s.x.len()];
            let mut p = vec![0.0; s.x.len()];
            if let Some(&(kind, _)) = s.nuisance.iter().find(|&&(_, i)| i == index) {
                for (i, &at) in s.place.iter().enumerate() {
                    let (dl, dp) = match kind {
                        Nuisance::Temperature => (per_kelvin[i].re, per_kelvin[i].im),
                        _ => s.effect(kind, i, self.frequency_hz[at]),
                    };
                    let grown = growth(self.frequency_hz[at]);
                    l[i] = -dl / grown;
                    p[i] = if s.has_phase { -dp / grown } else { 0.0 };
                }
            }
            level.push(l);
            phase.push(p);
        }
        [level, phase]
    }
}

impl Series {
    /// Whether both were taken at one level at the terminals, within 0.2 %: a resistor rises by less than that.
    #[must_use]
    pub fn same_level(&self, other: &Self) -> bool {
        (self.drive_v / other.drive_v - 1.0).abs() < 2e-3 && self.ahead_ohm == other.ahead_ohm
    }

    /// What one unit of a nuisance adds to ln M at point `i`: (level, phase).
    #[must_use]
    pub fn effect(&self, kind: Nuisance, i: usize, frequency_hz: f64) -> (f64, f64) {
        match kind {
            Nuisance::Temperature => (self.per_kelvin[i].re, self.per_kelvin[i].im),
            Nuisance::Gain => (1.0, 0.0),
            Nuisance::Delay => (0.0, -TAU * frequency_hz * DELAY_UNIT_S),
            Nuisance::Drift => {
                let (l, start) = self.sweep.unwrap_or((0.0, 1.0));
                (
                    0.0,
                    -TAU * frequency_hz * l * (frequency_hz / start).ln() * DRIFT_UNIT,
                )
            }
        }
    }

    /// Delay (s) that makes measured and simulated agree best, for a start: the largest |Σ w·e^{jφ}|.
    #[must_use]
    pub fn coarse_delay_s(&self, frequency_hz: &[f64], simulated: &[Complex64]) -> f64 {
        let score = |tau: f64| {
            let sum: Complex64 = self
                .place
                .iter()
                .enumerate()
                .map(|(i, &at)| {
                    let ratio = self.measured[i] / simulated[i];
                    // Linear-frequency weight: a delay shows at the top of the band.
                    ratio / ratio.norm().max(1e-300)
                        * Complex64::from_polar(frequency_hz[at], TAU * frequency_hz[at] * tau)
                })
                .sum();
            sum.norm()
        };
        let mut best = (f64::NEG_INFINITY, 0.0);
        for n in -800..=800 {
            let tau = f64::from(n) * 1e-4;
            let s = score(tau);
            if s > best.0 {
                best = (s, tau);
            }
        }
        for n in -20..=20 {
            let tau = best.1 + f64::from(n) * 5e-6;
            let s = score(tau);
            if s > best.0 {
                best = (s, tau);
            }
        }
        best.1
    }
}

fn usable(r: &Response) -> impl Iterator<Item = usize> + '_ {
    let [low, high] = r.take.usable_hz;
    (0..r.frequency_hz.len()).filter(move |&i| {
        let f = r.frequency_hz[i];
        f >= low * 0.9999 && f <= high * 1.0001 && r.value[i].norm() > 0.0 && r.value[i].is_finite()
    })
}

/// Angle in (−π, π].
#[must_use]
pub fn wrap(angle: f64) -> f64 {
    angle - TAU * ((angle + PI) / TAU - 1e-15).floor()
}

/// The network of a design behind a jig: what it shows at its terminals does not depend on the resistance ahead of them,
/// but the level there does.
///
/// # Errors
/// [`ModelError`] if the design cannot be simulated.
pub fn behind(design: &Design, ahead_ohm: f64, air: &AirConditions) -> Result<Network, ModelError> {
    let mut jig = design.clone();
    jig.drive.source_ohm = ahead_ohm;
    Network::new(&jig, air)
}
