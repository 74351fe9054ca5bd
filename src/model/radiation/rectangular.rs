//! Load of a rectangular piston in an infinite flange, exact.
//!
//! The double integral over the piston depends on the difference of two points only, which leaves a single
//! one over a rectangle w × h, in polar coordinates up to its far edges R(θ):
//!
//! ```text
//! Z·S/(ρc) = (2jk/(πS))·∫dθ ∫dr P(r)·e^(−jkr),  P(r) = (w − r·cosθ)·(h − r·sinθ),  0 ≤ θ ≤ π/2
//! small k: e^(−jkr) in powers, moments M_n = 4·∫dθ ∫dr P(r)·rⁿ
//! large k: r in closed form, as P(R) = 0, with q = jk:
//!   Z·S/(ρc) = 1 − 2(w + h)/(πSq) + 2/(πSq²) − (2/(πS))·∫dθ e^(−qR)·(P'(R)/q + P''/q²)
//! on the edge x = w: tanθ = sinh v, R = w·cosh v, dθ = dv/cosh v; the other edge by swapping w and h
//! ```
//!
//! The substitution keeps slender rectangles smooth. Lengths are in units of the diagonal D, y = kD. Error below 2e-10
//! up to an aspect of 60, largest where the two forms meet at y = 12.
//!
//! References: Rayleigh's integral; the reduction is derived here and checked against the closed forms of the
//! low-frequency limit and against direct quadrature.

use super::series::{LIMIT, LoadSeries, PAIRS};
use crate::special::gauss_legendre;
use num_complex::Complex64;
use std::f64::consts::PI;

/// A shape, prepared.
#[derive(Debug, Clone)]
pub struct Rectangle {
    /// Width and height over the diagonal.
    sides: [f64; 2],
    series: Box<LoadSeries>,
}

/// Panels and nodes per panel of the moment integrals.
const PANELS: usize = 4;
const NODES: usize = 24;

impl Rectangle {
    /// Prepares a rectangle of the given ratio of width to height, greater than zero.
    pub fn new(aspect: f64) -> Self {
        let diagonal = aspect.hypot(1.0);
        let sides = [aspect / diagonal, 1.0 / diagonal];
        let mut moments = [0.0; 2 * PAIRS];
        let rule = gauss_legendre(NODES);
        for [w, h] in [sides, [sides[1], sides[0]]] {
            over_edge(w, h, PANELS, &rule, |edge, weight| {
                // ∫P·rⁿ dr = R^(n+1)·(A/(n+1) − B·R/(n+2) + C·R²/(n+3)).
                let b = (w * edge.sin + h * edge.cos) * edge.radius;
                let c = edge.sin * edge.cos * edge.radius * edge.radius;
                let mut power = 4.0 * weight * edge.radius;
                for (n, moment) in moments.iter_mut().enumerate() {
                    let n = n as f64;
                    *moment += power * (w * h / (n + 1.0) - b / (n + 2.0) + c / (n + 3.0));
                    power *= edge.radius;
                }
            });
        }
        let mut series = LoadSeries {
            resistance: [0.0; PAIRS],
            reactance: [0.0; PAIRS],
        };
        let mut factor = 1.0 / (2.0 * PI * sides[0] * sides[1]);
        for m in 0..PAIRS {
            // (−1)^m·M_n/(2πS·n!) with n = 2m and 2m + 1.
            series.reactance[m] = factor * moments[2 * m];
            factor /= (2 * m + 1) as f64;
            series.resistance[m] = factor * moments[2 * m + 1];
            factor /= -((2 * m + 2) as f64);
        }
        Self {
            sides,
            series: Box::new(series),
        }
    }

    /// Load and its derivative with respect to y = k·diagonal.
    pub fn load(&self, y: f64) -> (Complex64, Complex64) {
        if y <= LIMIT {
            self.series.load(y)
        } else {
            self.quadrature(y)
        }
    }

    fn quadrature(&self, y: f64) -> (Complex64, Complex64) {
        let [width, height] = self.sides;
        let q = Complex64::new(0.0, y);
        let inverse = q.inv();
        let scale = 2.0 / (PI * width * height);
        let rule = gauss_legendre(16);
        let zero = Complex64::new(0.0, 0.0);
        let (mut rim, mut rim_slope) = (zero, zero);
        for [w, h] in [self.sides, [height, width]] {
            // At most about six radians of phase in a panel.
            let panels = 2 + (y * (h / w).asinh() / 6.0) as usize;
            over_edge(w, h, panels, &rule, |edge, weight| {
                let first = w * edge.sin - h * edge.cos;
                let second = 2.0 * edge.sin * edge.cos;
                let wave = Complex64::from_polar(weight, -y * edge.radius);
                let bracket = (first + second * inverse) * inverse;
                rim += wave * bracket;
                rim_slope -= wave
                    * (bracket * edge.radius
                        + (first + 2.0 * second * inverse) * inverse * inverse);
            });
        }
        let perimeter = width + height;
        let value = 1.0 + scale * (inverse * (inverse - perimeter) - rim);
        let by_q = scale * (inverse * inverse * (perimeter - 2.0 * inverse) - rim_slope);
        (value, by_q * Complex64::new(0.0, 1.0))
    }
}

/// A point on an edge.
pub struct EdgePoint {
    /// Distance from the opposite corner (or the centre).
    pub radius: f64,
    /// Sine of the angle from the normal of the edge.
    pub sin: f64,
    /// Cosine of it.
    pub cos: f64,
}

/// Visits the nodes of ∫dθ along the edge at distance `w`, length `h`.
pub fn over_edge(
    w: f64,
    h: f64,
    panels: usize,
    rule: &[(f64, f64)],
    mut visit: impl FnMut(EdgePoint, f64),
) {
    let half = (h / w).asinh() / (2.0 * panels as f64);
    for panel in 0..panels {
        let centre = (2 * panel + 1) as f64 * half;
        for &(x, weight) in rule {
            let v = centre + half * x;
            let cos = 1.0 / v.cosh();
            let point = EdgePoint {
                radius: w / cos,
                sin: v.tanh(),
                cos,
            };
            visit(point, weight * half * cos);
        }
    }
}
