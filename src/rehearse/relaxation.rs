//! Wall losses, semi-inductance and creep as sums of first-order relaxations, which a time step can carry along.
//!
//! ```text
//! viscous:  Z(s)/(rho·len/S) − s  = nu/a²·g(s·a²/nu)       g(z) = 2z/(√z·I0(√z)/I1(√z) − 2)
//! thermal:  Y(s)·rho·c²/(S·len) − s = (γ−1)·alpha/a²·h(s·a²/alpha)   h(z) = 2√z·I1(√z)/I0(√z)
//! slit:     g(z) = z·tanh(√z)/(√z − tanh √z), h(z) = √z·tanh(√z), a = half the gap
//! wall:     y(s) = √s                                       per area of a chamber's wall
//! coil:     Z(s)/K = sⁿ                                     semi-inductance
//! fitted:   r0 + r∞·s + Σ r_k·s/(s + q_k),  all r ≥ 0
//! ```
//!
//! `g` and `h` are the Zwikker–Kosten functions of a round tube; their poles are real and their residues positive,
//! so the fitted form is of the same kind, and passive. The rates `q_k` are shared by the whole unit, a factor of
//! about three apart from a third of the lowest to three times the highest frequency; the fit stays within 0.3 % of
//! the loss there.
//!
//! References: Zwikker & Kosten 1949, *Sound Absorbing Materials*; Stinson 1991, JASA 89:550.

use super::fit::non_negative;
use num_complex::Complex64;

/// Largest ratio of neighbouring rates.
const RATE_RATIO: f64 = 3.3;
/// Frequencies at which the fits are made.
const FIT_POINTS: usize = 24;

/// The shared relaxation rates and the frequencies of the fits.
#[derive(Debug, Clone)]
pub(super) struct Rates {
    /// Rates, rad/s, ascending.
    pub rate_rad_per_s: Vec<f64>,
    omega: Vec<f64>,
}

/// `r0 + r∞·s + Σ r_k·s/(s + q_k)`.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Relaxing {
    /// Constant part (1/s for losses that multiply a mass or compliance).
    pub constant: f64,
    /// Factor of s.
    pub slope: f64,
    /// Factors of the relaxations.
    pub part: Vec<f64>,
}

/// One term r·s/(s + q) that acts on a flow, in steps of the implicit midpoint rule.
#[derive(Debug, Clone, Copy)]
pub(super) struct Relax {
    strength: f64,
    stay: f64,
    feed: f64,
    memory: f64,
}

impl Relax {
    /// At rest; `r` is an impedance, `q` in rad/s.
    pub fn new(r: f64, q: f64, step_s: f64) -> Self {
        let half = 0.5 * q * step_s;
        Self {
            strength: r / (1.0 + half),
            stay: (1.0 - half) / (1.0 + half),
            feed: 2.0 * half / (1.0 + half),
            memory: 0.0,
        }
    }

    /// Its part at n + 1/2 is `strength·flow − remembered`: this is r/(1 + q·dt/2).
    pub fn strength(&self) -> f64 {
        self.strength
    }

    /// See [`Self::strength`].
    pub fn remembered(&self) -> f64 {
        self.strength * self.memory
    }

    /// Advances with the flow at n + 1/2.
    pub fn advance(&mut self, flow: f64) {
        self.memory = self.stay * self.memory + self.feed * flow;
    }
}

/// Cross-section of a channel for its wall loss.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) enum Bore {
    /// Radius, or hydraulic radius 2·area/perimeter, m.
    Round(f64),
    /// Gap of a slit, m.
    Slit(f64),
}

fn log_spaced(low: f64, high: f64, count: usize) -> Vec<f64> {
    let step = (high / low).ln() / (count - 1) as f64;
    (0..count).map(|k| low * (step * k as f64).exp()).collect()
}

impl Rates {
    /// For a band in Hz.
    pub fn new(low_hz: f64, high_hz: f64) -> Self {
        let tau = std::f64::consts::TAU;
        let (low, high) = (tau * low_hz * 0.3, tau * high_hz * 3.0);
        let count = 2 + ((high / low).ln() / RATE_RATIO.ln()).floor() as usize;
        Self {
            rate_rad_per_s: log_spaced(low, high, count),
            omega: log_spaced(tau * low_hz * 0.7, tau * high_hz * 1.3, FIT_POINTS),
        }
    }

    /// Fits a function of s = jω that is passive and of the relaxing kind.
    pub fn fit(&self, function: impl Fn(Complex64) -> Complex64) -> Relaxing {
        let s: Vec<Complex64> = self.omega.iter().map(|&w| Complex64::new(0.0, w)).collect();
        let target: Vec<Complex64> = s.iter().map(|&s| function(s)).collect();
        let weight: Vec<(f64, f64)> = target
            .iter()
            .map(|t| {
                let w = 1.0 / t.norm().max(f64::MIN_POSITIVE);
                (w, w)
            })
            .collect();
        let mut basis = vec![vec![Complex64::new(1.0, 0.0); s.len()], s.clone()];
        for &q in &self.rate_rad_per_s {
            basis.push(s.iter().map(|&s| s / (s + q)).collect());
        }
        let x = non_negative(&basis, &target, &weight);
        Relaxing {
            constant: x[0],
            slope: x[1],
            part: x[2..].to_vec(),
        }
    }

    /// sⁿ for n from 0 to 1; ½ is a wall that conducts heat.
    pub fn power(&self, n: f64) -> Relaxing {
        self.fit(|s| s.powf(n))
    }

    /// Viscous loss of a channel over its lossless inertance, 1/s.
    pub fn viscous(&self, bore: Bore, kinematic_viscosity: f64) -> Relaxing {
        self.fit(|s| viscous_loss(bore, kinematic_viscosity, s))
    }

    /// Thermal loss of a channel over its lossless compliance and (γ − 1), 1/s.
    pub fn thermal(&self, bore: Bore, diffusivity: f64) -> Relaxing {
        let size = bore.size();
        let rate = diffusivity / (size * size);
        self.fit(|s| {
            let root = (s / rate).sqrt();
            rate * match bore {
                Bore::Round(_) => 2.0 * root * bessel_ratio(root),
                Bore::Slit(_) => root * tanh(root),
            }
        })
    }

    /// Logarithmic creep: relative compliance `1 − λ·log10(s/ω0)` as `constant + Σ part_k·q_k/(s + q_k)`.
    pub fn creep(&self, lambda: f64, omega_0: f64) -> (f64, Vec<f64>) {
        let s: Vec<Complex64> = self.omega.iter().map(|&w| Complex64::new(0.0, w)).collect();
        let target: Vec<Complex64> = s
            .iter()
            .map(|&s| 1.0 - lambda * (s / omega_0).ln() / std::f64::consts::LN_10)
            .collect();
        let weight = vec![(1.0, 1.0 / lambda.clamp(0.01, 1.0)); s.len()];
        let mut basis = vec![vec![Complex64::new(1.0, 0.0); s.len()]];
        for &q in &self.rate_rad_per_s {
            basis.push(s.iter().map(|&s| q / (s + q)).collect());
        }
        let x = non_negative(&basis, &target, &weight);
        (x[0], x[1..].to_vec())
    }
}

/// Viscous loss of a channel over its lossless inertance at s, 1/s.
pub(super) fn viscous_loss(bore: Bore, kinematic_viscosity: f64, s: Complex64) -> Complex64 {
    let size = bore.size();
    let rate = kinematic_viscosity / (size * size);
    let z = s / rate;
    let root = z.sqrt();
    rate * match bore {
        Bore::Round(_) => 2.0 * z / (root / bessel_ratio(root) - 2.0),
        Bore::Slit(_) => {
            let t = tanh(root);
            z * t / (root - t)
        }
    }
}

impl Bore {
    fn size(self) -> f64 {
        match self {
            Self::Round(radius_m) => radius_m,
            Self::Slit(gap_m) => gap_m / 2.0,
        }
    }
}

impl Relaxing {
    /// Value at s = jω.
    #[cfg(test)]
    pub fn at(&self, rates: &Rates, s: Complex64) -> Complex64 {
        let parts = self.part.iter().zip(&rates.rate_rad_per_s);
        self.constant + self.slope * s + parts.map(|(r, q)| r * s / (s + q)).sum::<Complex64>()
    }
}

/// I1(z)/I0(z) for Re z > 0: asymptotic series beyond |z| = 40, backward recurrence below
/// (Abramowitz & Stegun 9.6.26, 9.7.1).
fn bessel_ratio(z: Complex64) -> Complex64 {
    let size = z.norm();
    if size > 40.0 {
        let w = 1.0 / z;
        return 1.0 - w * (0.5 + w * (0.125 + w * (0.125 + w * (25.0 / 128.0 + w * 13.0 / 32.0))));
    }
    let mut ratio = Complex64::new(0.0, 0.0);
    for k in (0..size as usize + 30).rev() {
        ratio = 1.0 / (2.0 * (k + 1) as f64 / z + ratio);
    }
    ratio
}

fn tanh(z: Complex64) -> Complex64 {
    if z.re > 20.0 {
        Complex64::new(1.0, 0.0)
    } else {
        z.tanh()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_fitted_losses_give_the_propagation_constant_of_a_round_tube() {
        // CROSS: zwikker_kosten_round of reference.json, mpmath; air as stated there.
        let (rho, c, mu, gamma, pr): (f64, f64, f64, f64, f64) =
            (1.2041, 343.21, 1.813e-5, 1.4016, 0.71);
        let rates = Rates::new(5.0, 500.0);
        let rows = [
            (
                0.005,
                10.0,
                0.020_740_235_148_230_54,
                0.201_650_710_826_036_14,
            ),
            (
                0.005,
                100.0,
                0.061_116_886_632_872_69,
                1.889_850_761_711_559_4,
            ),
            (
                0.005,
                500.0,
                0.134_245_508_156_084_21,
                9.285_871_383_758_753,
            ),
            (0.02, 10.0, 0.004_799_120_009_548_879, 0.187_747_754_653_308),
            (
                0.02,
                50.0,
                0.010_581_113_892_653_41,
                0.925_816_637_478_852_5,
            ),
            (
                0.08,
                20.0,
                0.001_661_573_093_176_309,
                0.367_796_446_347_202_1,
            ),
        ];
        for (radius, hz, re, im) in rows {
            let s = Complex64::new(0.0, std::f64::consts::TAU * hz);
            let nu = mu / rho;
            let bore = Bore::Round(radius);
            let z = s + rates.viscous(bore, nu).at(&rates, s);
            let y = s + (gamma - 1.0) * rates.thermal(bore, nu / pr).at(&rates, s);
            let propagation = (z * y).sqrt() / c;
            // 0.5 % of the loss, 0.02 % of the phase: 0.05 dB at a resonance with a Q of 50.
            assert!(
                (propagation.re / re - 1.0).abs() < 5e-3,
                "{radius} {hz}: {propagation}"
            );
            assert!(
                (propagation.im / im - 1.0).abs() < 2e-4,
                "{radius} {hz}: {propagation}"
            );
        }
    }

    #[test]
    fn a_fractional_power_is_followed_from_resistance_to_inductance() {
        let rates = Rates::new(5.0, 500.0);
        for n in [0.0, 0.3, 0.5, 0.7, 0.9, 1.0] {
            let fitted = rates.power(n);
            for hz in [5.0, 10.0, 30.0, 100.0, 300.0, 500.0] {
                let s = Complex64::new(0.0, std::f64::consts::TAU * hz);
                let wanted =
                    Complex64::from_polar(s.norm().powf(n), n * std::f64::consts::FRAC_PI_2);
                let error = (fitted.at(&rates, s) / wanted - 1.0).norm();
                // DERIVED: (jω)ⁿ = ωⁿ·e^(jnπ/2). 0.3 %, as the losses: 0.026 dB of a coil that is nothing else.
                assert!(error < 3e-3, "{n} {hz}: {error}");
            }
        }
    }

    #[test]
    fn creep_follows_its_logarithm() {
        // DERIVED: Knudsen & Jensen 1993, C0·(1 − λ·log10(jω/ω0)). 0.3 %: a hundredth of a dB.
        let rates = Rates::new(5.0, 500.0);
        let omega_0 = std::f64::consts::TAU * 30.0;
        let (constant, part) = rates.creep(0.1, omega_0);
        for hz in [10.0, 30.0, 100.0, 300.0] {
            let s = Complex64::new(0.0, std::f64::consts::TAU * hz);
            let got = constant
                + part
                    .iter()
                    .zip(&rates.rate_rad_per_s)
                    .map(|(c, q)| c * q / (s + q))
                    .sum::<Complex64>();
            let wanted = 1.0 - 0.1 * (s / omega_0).log10();
            assert!((got - wanted).norm() < 3e-3, "{hz}: {got} {wanted}");
        }
    }
}
