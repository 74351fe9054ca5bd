//! The chain matrix of a duct as a polynomial in its length and loss factor, at fixed frequencies.
//!
//! The matrix is an entire function of both (they multiply the generator of a linear differential equation), so that
//! interpolation at Chebyshev points converges geometrically:
//!
//! ```text
//! M(L, λ) ≈ Σ c_ij·T_i(x)·T_j(y),   x, y ∈ [−1, 1] over the reach of L and λ
//! ```
//!
//! The degree is raised until the polynomial agrees with the matrix at points between the nodes to [`ALLOWED`], at
//! every frequency. Where no degree up to the highest does, there is no table, and outside the reach it gives nothing: the
//! caller then integrates.
//!
//! References: Trefethen 2013, Approximation Theory and Approximation Practice, ch. 3 and 8 (from memory).

use crate::design::Duct;
use crate::model::duct::DuctGeometry;
use crate::model::tone::Tone;
use num_complex::Complex64;
use std::f64::consts::PI;

/// Largest relative error of a matrix, in plane-wave terms: far below what the integration itself leaves (1e-7 at 20 Hz).
pub const ALLOWED: f64 = 1e-10;
/// Degrees that are tried.
const DEGREES: [usize; 4] = [3, 4, 6, 8];
/// Terms that are smaller than this part of the matrix are left out.
const NEGLIGIBLE: f64 = 1e-13;

/// Table of one duct.
#[derive(Debug, Clone)]
pub(super) struct DuctTable {
    middle: [f64; 2],
    half: [f64; 2],
    /// Degrees of the terms that are kept.
    term: Vec<[usize; 2]>,
    /// Per frequency and term the four entries, real and imaginary parts.
    coefficient: Vec<Vec<[f64; 8]>>,
}

/// A polynomial at one frequency, all terms up to the degrees.
struct Full {
    degree: [usize; 2],
    value: Vec<[Complex64; 4]>,
}

impl DuctTable {
    /// For lengths and loss factors within `reach` (low and high of each, equal where it does not vary).
    pub(super) fn new(
        geometry: &DuctGeometry<Complex64>,
        duct: &Duct,
        tones: &[Tone],
        reach: [[f64; 2]; 2],
    ) -> Option<Self> {
        let sound = reach
            .iter()
            .all(|[low, high]| low <= high && high.is_finite());
        if !sound || reach[0][0] <= 0.0 || reach[1][0] < 0.0 {
            return None;
        }
        let middle = reach.map(|[low, high]| 0.5 * (low + high));
        let half = reach.map(|[low, high]| 0.5 * (high - low));
        let exact = |x: f64, y: f64| -> Vec<[Complex64; 4]> {
            let mut other = duct.clone();
            other.length_m = middle[0] + half[0] * x;
            other.loss_factor = middle[1] + half[1] * y;
            let stretched = geometry.stretched(&other);
            tones.iter().map(|at| stretched.chain_matrix(at)).collect()
        };
        let varies = half.map(|h| h > 0.0);
        // Between the nodes of every degree, and at a corner, where interpolation is worst.
        let between: Vec<(f64, f64)> = [
            (0.13, -0.71),
            (-0.57, 0.34),
            (0.83, 0.9),
            (-1.0, 1.0),
            (1.0, -1.0),
        ]
        .map(|(x, y)| {
            (
                if varies[0] { x } else { 0.0 },
                if varies[1] { y } else { 0.0 },
            )
        })
        .to_vec();
        let wanted: Vec<_> = between.iter().map(|&(x, y)| exact(x, y)).collect();
        for degree in DEGREES {
            let degree = varies.map(|v| if v { degree } else { 0 });
            let full = interpolate(degree, &exact);
            let worst = between
                .iter()
                .zip(&wanted)
                .flat_map(|(&(x, y), wanted)| {
                    full.iter()
                        .zip(wanted)
                        .map(move |(f, wanted)| geometry.apart(&f.at(x, y), wanted))
                })
                .fold(0.0, f64::max);
            if worst <= ALLOWED {
                return Some(Self::kept(geometry, full, middle, half));
            }
        }
        None
    }

    fn kept(
        geometry: &DuctGeometry<Complex64>,
        full: Vec<Full>,
        middle: [f64; 2],
        half: [f64; 2],
    ) -> Self {
        let degree = full.first().map_or([0, 0], |f| f.degree);
        let all = (0..=degree[0]).flat_map(|i| (0..=degree[1]).map(move |j| [i, j]));
        // |c| over |c₀₀|: `apart` of c₀₀ + c and c₀₀.
        let term: Vec<[usize; 2]> = all
            .filter(|&[i, j]| {
                full.iter().any(|f| {
                    let (c, first) = (f.term(i, j), f.term(0, 0));
                    let sum = std::array::from_fn(|n| first[n] + c[n]);
                    [i, j] == [0, 0] || geometry.apart(&sum, &first) > NEGLIGIBLE
                })
            })
            .collect();
        let flat = |c: [Complex64; 4]| {
            [
                c[0].re, c[0].im, c[1].re, c[1].im, c[2].re, c[2].im, c[3].re, c[3].im,
            ]
        };
        let coefficient = full
            .iter()
            .map(|f| term.iter().map(|&[i, j]| flat(f.term(i, j))).collect())
            .collect();
        Self {
            middle,
            half,
            term,
            coefficient,
        }
    }

    /// Values of the terms for a duct; `false` outside the reach.
    pub(super) fn weigh(&self, length_m: f64, loss_factor: f64, weight: &mut Vec<f64>) -> bool {
        let at = |n: usize, value: f64| {
            let from = value - self.middle[n];
            if self.half[n] > 0.0 {
                from / self.half[n]
            } else {
                from
            }
        };
        let (x, y) = (at(0, length_m), at(1, loss_factor));
        if !(x.abs() <= 1.0 && y.abs() <= 1.0) {
            return false;
        }
        let (tx, ty) = (chebyshev(x), chebyshev(y));
        weight.clear();
        weight.extend(self.term.iter().map(|&[i, j]| tx[i] * ty[j]));
        true
    }

    /// The matrix at the frequency with this number.
    #[inline]
    pub(super) fn matrix(&self, frequency: usize, weight: &[f64]) -> [Complex64; 4] {
        let mut sum = [0.0; 8];
        for (c, w) in self.coefficient[frequency].iter().zip(weight) {
            for n in 0..8 {
                sum[n] += c[n] * w;
            }
        }
        std::array::from_fn(|n| Complex64::new(sum[2 * n], sum[2 * n + 1]))
    }
}

const MOST: usize = DEGREES[DEGREES.len() - 1];

/// T_0 to T_MOST.
fn chebyshev(x: f64) -> [f64; MOST + 1] {
    let mut t = [1.0; MOST + 1];
    t[1] = x;
    for n in 2..=MOST {
        t[n] = 2.0 * x * t[n - 1] - t[n - 2];
    }
    t
}

/// Coefficients per frequency from the values at the Chebyshev points of the first kind.
fn interpolate(degree: [usize; 2], exact: &dyn Fn(f64, f64) -> Vec<[Complex64; 4]>) -> Vec<Full> {
    let nodes = degree.map(|d| {
        (0..=d)
            .map(|n| (PI * (n as f64 + 0.5) / (d as f64 + 1.0)).cos())
            .collect::<Vec<f64>>()
    });
    let size = (degree[0] + 1) * (degree[1] + 1);
    let none = [Complex64::new(0.0, 0.0); 4];
    let mut all: Vec<Full> = Vec::new();
    for &x in &nodes[0] {
        for &y in &nodes[1] {
            let (tx, ty) = (chebyshev(x), chebyshev(y));
            let values = exact(x, y);
            all.resize_with(values.len(), || Full {
                degree,
                value: vec![none; size],
            });
            for (full, value) in all.iter_mut().zip(&values) {
                for (n, sum) in full.value.iter_mut().enumerate() {
                    let (i, j) = (n / (degree[1] + 1), n % (degree[1] + 1));
                    let twice = f64::from(1 << (u8::from(i > 0) + u8::from(j > 0)));
                    let weight = twice * tx[i] * ty[j] / size as f64;
                    for (s, v) in sum.iter_mut().zip(value) {
                        *s += v * weight;
                    }
                }
            }
        }
    }
    all
}

impl Full {
    fn term(&self, i: usize, j: usize) -> [Complex64; 4] {
        self.value[i * (self.degree[1] + 1) + j]
    }

    fn at(&self, x: f64, y: f64) -> [Complex64; 4] {
        let (tx, ty) = (chebyshev(x), chebyshev(y));
        let mut sum = [Complex64::new(0.0, 0.0); 4];
        for (n, term) in self.value.iter().enumerate() {
            let (i, j) = (n / (self.degree[1] + 1), n % (self.degree[1] + 1));
            for (s, c) in sum.iter_mut().zip(term) {
                *s += c * (tx[i] * ty[j]);
            }
        }
        sum
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::air::Air;
    use crate::design::{AirConditions, Design, read::read};
    use std::path::Path;

    fn dome() -> Design {
        read(Path::new("tests/designs/dome.toml")).unwrap()
    }

    /// DERIVED: the matrix by integration, at many places in the reach, within what is allowed; nothing outside.
    #[test]
    fn the_polynomial_is_the_matrix() {
        let air = Air::at(&AirConditions::default());
        let tones: Vec<Tone> = [8.0, 31.0, 125.0, 480.0]
            .map(|f| Tone::new(&air, std::f64::consts::TAU * f))
            .to_vec();
        for duct in &dome().ducts[..3] {
            let geometry = DuctGeometry::<Complex64>::new(duct, None);
            let reach = [[0.97 * duct.length_m, 1.03 * duct.length_m], [0.25, 4.0]];
            let table = DuctTable::new(&geometry, duct, &tones, reach).unwrap();
            let mut weight = Vec::new();
            for n in 0..40 {
                // Evenly spread without a pattern: fractional parts of multiples of two irrational numbers.
                let part = |by: f64| (f64::from(n) * by).fract();
                let mut other = duct.clone();
                other.length_m *= 0.97 + 0.06 * part(0.618_033_988_749);
                other.loss_factor = 0.25 + 3.75 * part(0.754_877_666_247);
                assert!(table.weigh(other.length_m, other.loss_factor, &mut weight));
                let wanted = geometry.stretched(&other);
                for (k, at) in tones.iter().enumerate() {
                    let apart = geometry.apart(&table.matrix(k, &weight), &wanted.chain_matrix(at));
                    // Twice: the check stands at five points and not at all.
                    assert!(apart < 2.0 * ALLOWED, "{} {n}: {apart:e}", duct.name);
                }
            }
            assert!(!table.weigh(1.04 * duct.length_m, 1.0, &mut weight));
            assert!(!table.weigh(duct.length_m, 4.1, &mut weight));
            assert!(!table.weigh(f64::NAN, 1.0, &mut weight));
        }
    }

    /// Where the polynomial would not hold there is none.
    #[test]
    fn a_wide_reach_has_no_table() {
        let air = Air::at(&AirConditions::default());
        let tones = [Tone::new(&air, std::f64::consts::TAU * 500.0)];
        let duct = &dome().ducts[1];
        let geometry = DuctGeometry::<Complex64>::new(duct, None);
        assert!(DuctTable::new(&geometry, duct, &tones, [[0.1, 30.0], [0.1, 9.0]]).is_none());
        assert!(DuctTable::new(&geometry, duct, &tones, [[-0.1, 0.5], [1.0, 1.0]]).is_none());
        assert!(
            DuctTable::new(&geometry, duct, &tones, [[0.5, f64::INFINITY], [1.0, 1.0]]).is_none()
        );
        // A length alone needs no degree in the loss.
        let table = DuctTable::new(&geometry, duct, &tones, [[0.89, 0.91], [1.0, 1.0]]).unwrap();
        assert!(table.term.iter().all(|t| t[1] == 0) && table.term.len() >= 3);
    }
}
