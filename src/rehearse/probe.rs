//! What a microphone hears: a filter on the openings' volume velocities, or a junction's pressure.
//!
//! ```text
//! near, round:      p = rho·c/S·[U(t − d/c) − U(t − √(d² + a²)/c)]
//! near, rectangle:  p = rho·c/S·[U(t − d/c) − mean over angles of U(t − √(d² + R²)/c)],  R: centre to edge
//! any other:        p = rho/(omega·r)·dU/dt(t − r/c),  r = √(Δ² + d²)
//! ```
//!
//! The piston forms are exact on the axis in an infinite baffle. Without flange they are halved and the static near field
//! of a pipe end is added: p = ½·(round form) + rho·a/S·χ(d/a)·dU/dt(t − d/c). Delays between samples are interpolated with six-point Lagrange
//! polynomials: error below 1e-5 at a thirtieth of the sample rate.
//!
//! References: Stepanishen 1971, JASA 49:841 (impulse response of the piston); Keele 1974, JAES 22:154.

use super::air::Air;
use super::coupling::{distance_m, distances_m, solid_angle, with_images};
use super::radiation::{gauss_16, radius_m};
use crate::design::{Design, Flange, Opening, OpeningShape, Space};

/// A filter that may look ahead: `Σ tap[k]·U[m − first − k]`.
#[derive(Debug, Clone, Default)]
struct Taps {
    first: i64,
    tap: Vec<f64>,
}

impl Taps {
    fn add(&mut self, lag: i64, value: f64) {
        if self.tap.is_empty() {
            self.first = lag;
        }
        if lag < self.first {
            let more = (self.first - lag) as usize;
            self.tap.splice(0..0, std::iter::repeat_n(0.0, more));
            self.first = lag;
        }
        let index = (lag - self.first) as usize;
        if index >= self.tap.len() {
            self.tap.resize(index + 1, 0.0);
        }
        self.tap[index] += value;
    }

    /// Adds `value·U(t − delay)`, delay in samples.
    fn add_delay(&mut self, delay: f64, value: f64) {
        let first = delay.floor() as i64 - 2;
        for k in 0..6 {
            self.add(
                first + k,
                value * lagrange(delay - first as f64, k as usize).0,
            );
        }
    }

    /// Adds `value·U'(t − delay)`, per sample.
    fn add_derivative(&mut self, delay: f64, value: f64) {
        let first = delay.floor() as i64 - 2;
        for k in 0..6 {
            // U(m − D) = Σ U(m − first − k)·L_k(D − first): time runs against D.
            self.add(
                first + k,
                -value * lagrange(delay - first as f64, k as usize).1,
            );
        }
    }

    /// Adds the filter's value at the sample `ahead` before the last one of `input`; nothing lies before its start.
    fn add_to(&self, sum: &mut f64, input: &[f64], ahead: i64) {
        let at = input.len() as i64 - 1 - ahead - self.first;
        for (k, tap) in self.tap.iter().enumerate() {
            let Ok(index) = usize::try_from(at - k as i64) else {
                break;
            };
            *sum += tap * input[index];
        }
    }
}

/// Six-point Lagrange polynomial k on 0…5 at x, and its derivative.
fn lagrange(x: f64, k: usize) -> (f64, f64) {
    let at = |skip: Option<usize>| -> f64 {
        (0..6)
            .filter(|&j| j != k && Some(j) != skip)
            .map(|j| x - j as f64)
            .product()
    };
    let below: f64 = (0..6)
        .filter(|&j| j != k)
        .map(|j| k as f64 - j as f64)
        .product();
    let slope: f64 = (0..6).filter(|&j| j != k).map(|j| at(Some(j))).sum();
    (at(None) / below, slope / below)
}

/// A microphone that hears the openings.
#[derive(Debug, Clone)]
pub(super) struct Microphone {
    taps: Vec<Taps>,
    /// Steps that it hears behind the openings: interpolated delays look that far ahead.
    behind: i64,
}

/// Sample period and air of a run.
#[derive(Debug, Clone, Copy)]
pub(super) struct Medium<'a> {
    /// Air.
    pub air: &'a Air,
    /// Time step, s.
    pub step_s: f64,
}

/// What the potential on the axis of a pipe end without flange has beyond half that of a flanged one, over the radius:
/// static solution of the pipe end (fit in `tests/reference/unflanged_axis.py`, 0.2 %), z in radii.
fn rim_potential(z: f64) -> f64 {
    let r2 = 1.0 + z * z;
    let r = r2.sqrt();
    0.5 * 0.612_701 / (r * (r + z)) - 0.170_779_97 / (r2 * r)
        + 0.206_315_5 * z / (r2 * r2 * r)
        + (0.073_215_89 - 0.112_583_37 * z) / (r2 * r2 * r2 * r)
}

impl Medium<'_> {
    fn add_monopole(self, taps: &mut Taps, distance_m: f64, space: Space) {
        let delay = distance_m / (self.air.sound_speed_m_per_s * self.step_s);
        let gain = self.air.density_kg_per_m3 / (solid_angle(space) * distance_m * self.step_s);
        taps.add_derivative(delay, gain);
    }

    fn add_piston(self, taps: &mut Taps, opening: &Opening, distance_m: f64) {
        let c = self.air.sound_speed_m_per_s;
        let open = opening.flange == Flange::None;
        let unit = if open { 0.5 } else { 1.0 } * self.air.density_kg_per_m3 * c / opening.area_m2;
        let samples = |r: f64| r / (c * self.step_s);
        taps.add_delay(samples(distance_m), unit);
        if open {
            let radius = radius_m(opening.area_m2);
            let gain = self.air.density_kg_per_m3 * radius / (opening.area_m2 * self.step_s);
            taps.add_derivative(
                samples(distance_m),
                gain * rim_potential(distance_m / radius),
            );
        }
        let shape = if open {
            OpeningShape::Round
        } else {
            opening.shape
        };
        match shape {
            OpeningShape::Round => {
                let edge = distance_m.hypot(radius_m(opening.area_m2));
                taps.add_delay(samples(edge), -unit);
            }
            OpeningShape::Rectangular { width_m, height_m } => {
                let (node, weight) = gauss_16();
                let corner = (height_m / width_m).atan();
                let quarter = std::f64::consts::FRAC_PI_2;
                for (from, to) in [(0.0, corner), (corner, quarter)] {
                    for (x, w) in node.iter().zip(&weight) {
                        let angle = from + (to - from) * x;
                        let reach = 0.5 * (width_m / angle.cos()).min(height_m / angle.sin());
                        let share = w * (to - from) / quarter;
                        taps.add_delay(samples(distance_m.hypot(reach)), -unit * share);
                    }
                }
            }
        }
    }
}

impl Microphone {
    /// On the axis of opening `on`.
    pub fn near(design: &Design, on: usize, distance_m: f64, medium: Medium<'_>) -> Self {
        let (openings, planes) = (&design.openings, design.planes());
        let taps = (0..openings.len())
            .map(|k| {
                let mut taps = Taps::default();
                if k == on {
                    medium.add_piston(&mut taps, &openings[k], distance_m);
                }
                for r in distances_m(on, k, openings, planes) {
                    medium.add_monopole(&mut taps, r.hypot(distance_m), design.space);
                }
                taps
            })
            .collect();
        Self::of(taps)
    }

    /// At a point; not nearer than a millimetre to any opening's centre.
    pub fn point(design: &Design, position_m: [f64; 3], medium: Medium<'_>) -> Self {
        let taps = design
            .openings
            .iter()
            .map(|opening| {
                let mut taps = Taps::default();
                for source_m in with_images(opening.position_m, design.planes()) {
                    let r = distance_m(position_m, source_m);
                    medium.add_monopole(&mut taps, r.max(1e-3), design.space);
                }
                taps
            })
            .collect();
        Self::of(taps)
    }

    fn of(taps: Vec<Taps>) -> Self {
        let behind = taps.iter().map(|t| -t.first).max().unwrap_or(0).max(0);
        Self { taps, behind }
    }

    /// Steps that it hears behind the openings.
    pub fn behind(&self) -> usize {
        self.behind as usize
    }

    /// How many steps of the openings' past it needs.
    pub fn reach(&self) -> usize {
        let ends = self.taps.iter().map(|t| t.first + t.tap.len() as i64);
        (ends.max().unwrap_or(0).max(0) + self.behind) as usize + 1
    }

    /// Pressure from the openings' volume velocities, at the time of their last step less [`Self::behind`] steps, Pa.
    pub fn pressure_pa(&self, flow: &[Vec<f64>]) -> f64 {
        let mut sum = 0.0;
        for (taps, flow) in self.taps.iter().zip(flow) {
            taps.add_to(&mut sum, flow, self.behind);
        }
        sum
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use num_complex::Complex64;

    #[test]
    fn delay_and_derivative_are_those_of_a_sine() {
        let w = std::f64::consts::TAU / 32.0;
        for delay in [0.0, 0.3, 2.71, 93.5] {
            let mut taps = Taps::default();
            taps.add_delay(delay, 1.0);
            let mut slope = Taps::default();
            slope.add_derivative(delay, 1.0);
            let at = |taps: &Taps| -> Complex64 {
                taps.tap
                    .iter()
                    .enumerate()
                    .map(|(k, t)| {
                        t * Complex64::from_polar(1.0, -w * (taps.first + k as i64) as f64)
                    })
                    .sum()
            };
            let wanted = Complex64::from_polar(1.0, -w * delay);
            // DERIVED: a pure delay; 2e-5: sixth-order remainder at a thirty-second of the rate.
            assert!((at(&taps) - wanted).norm() < 2e-5, "{delay}");
            let wanted = wanted * Complex64::new(0.0, w);
            assert!(
                (at(&slope) - wanted).norm() < 1e-4 * w,
                "{delay} {}",
                (at(&slope) - wanted).norm() / w
            );
        }
    }
}
