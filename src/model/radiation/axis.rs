//! Sound pressure on the axis of an opening.
//!
//! ```text
//! flanged    p/(ρc·v) = e^(−jkd)·Σ w·(1 − e^(−jkΔ)),  Δ = √(R² + d²) − d = R²/(√(R² + d²) + d)
//! no flange  p/(ρc·v) = ½·(the same) + jk·a·χ(d/a)·e^(−jkd)
//! ```
//!
//! The sum is the mean over the directions of the rim at distance R: one term for a circle (exact), 16
//! Gauss nodes for a rectangle (error below 1e-6 up to an aspect of 15 and k·diagonal = 6). Without flange
//! the form is an approximation: far away it is the monopole jkS/(4πd) in full space, near the plane and for
//! ka ≪ 1 the exact static potential within 0.2 % (χ from [`super::unflanged`]); directivity at ka > 1 is
//! left out.

use super::rectangular::over_edge;
use super::unflanged::near_potential;
use crate::special::gauss_legendre;
use num_complex::Complex64;
use std::f64::consts::{FRAC_2_PI, PI};
use std::sync::LazyLock;

/// Nodes along the edge that subtends the larger share of [0, asinh(aspect)], and along the other.
static RULES: LazyLock<[Vec<(f64, f64)>; 2]> =
    LazyLock::new(|| [gauss_legendre(11), gauss_legendre(5)]);

/// One direction of the rim.
#[derive(Debug, Clone, Copy)]
struct Ray {
    /// Share of all directions.
    weight: f64,
    /// Path from the rim less the distance, m.
    excess_m: f64,
    /// Distance over path.
    cosine: f64,
    /// R²/path, m: derivative of the path with respect to the logarithm of the size.
    growth_m: f64,
}

/// A point on the axis, prepared for many frequencies.
#[derive(Debug, Clone)]
pub struct Axis {
    area_m2: f64,
    distance_m: f64,
    /// Radius of an opening without flange, m.
    unflanged_m: Option<f64>,
    rays: Vec<Ray>,
}

/// Pressure on the axis over ρc·v and its derivatives.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct AxisPressure {
    /// p/(ρc·v).
    pub value: Complex64,
    /// Derivative with respect to the distance, 1/m.
    pub by_distance: Complex64,
    /// Derivative with respect to the area at constant shape and velocity v, 1/m².
    pub by_area: Complex64,
}

impl Axis {
    pub(super) fn round(radius_m: f64, distance_m: f64) -> Self {
        Self {
            area_m2: PI * radius_m * radius_m,
            distance_m,
            unflanged_m: None,
            rays: vec![ray(radius_m, distance_m, 1.0)],
        }
    }

    pub(super) fn unflanged(radius_m: f64, distance_m: f64) -> Self {
        Self {
            unflanged_m: Some(radius_m),
            ..Self::round(radius_m, distance_m)
        }
    }

    pub(super) fn rectangular(extent_m: [f64; 2], distance_m: f64) -> Self {
        let [w, h] = extent_m.map(|x| 0.5 * x);
        let (small, large) = (w.min(h), w.max(h));
        let mut rays = Vec::with_capacity(16);
        for (near, along, rule) in [(small, large, &RULES[0]), (large, small, &RULES[1])] {
            over_edge(near, along, 1, rule, |edge, weight| {
                rays.push(ray(edge.radius, distance_m, weight * FRAC_2_PI));
            });
        }
        Self {
            area_m2: extent_m[0] * extent_m[1],
            distance_m,
            unflanged_m: None,
            rays,
        }
    }

    /// Pressure p/(ρc·v) at the wave number `k_per_m`.
    #[must_use]
    pub fn pressure(&self, k_per_m: f64) -> AxisPressure {
        let zero = Complex64::new(0.0, 0.0);
        let (mut value, mut by_distance, mut by_log_size) = (zero, zero, zero);
        for ray in &self.rays {
            // 1 − e^(−jφ) = 2 sin²(φ/2) + j sin φ keeps its digits at small φ.
            let (s, c) = (0.5 * k_per_m * ray.excess_m).sin_cos();
            let rise = Complex64::new(2.0 * s * s, 2.0 * s * c);
            let wave = 1.0 - rise;
            value += ray.weight * rise;
            // 1 − cosine·e^(−jφ), apart from the factor −jk.
            by_distance += ray.weight * (1.0 - ray.cosine * wave);
            by_log_size += ray.weight * ray.growth_m * wave;
        }
        let jk = Complex64::new(0.0, k_per_m);
        by_distance *= -jk;
        by_log_size *= jk;
        if let Some(radius) = self.unflanged_m {
            let z = self.distance_m / radius;
            let (chi, slope) = near_potential(z);
            value = value * 0.5 + jk * (radius * chi);
            by_distance = by_distance * 0.5 + jk * (slope - jk * radius * chi);
            by_log_size = by_log_size * 0.5 + jk * (radius * (chi - z * slope));
        }
        let delay = Complex64::from_polar(1.0, -k_per_m * self.distance_m);
        AxisPressure {
            value: value * delay,
            by_distance: by_distance * delay,
            by_area: by_log_size * delay / (2.0 * self.area_m2),
        }
    }
}

fn ray(rim_m: f64, distance_m: f64, weight: f64) -> Ray {
    let path = rim_m.hypot(distance_m);
    Ray {
        weight,
        excess_m: rim_m * rim_m / (path + distance_m),
        cosine: distance_m / path,
        growth_m: rim_m * rim_m / path,
    }
}
