//! One step of the least-squares search: the minimum of the linearised cost inside a scaled ball and a box.
//!
//! min ‖R·p + q‖ subject to ‖D·p‖ ≤ Δ and low ≤ θ + p ≤ high. With R·D⁻¹ = U·S·Vᵀ the damped step is
//! D·p = −V·S/(S² + λ)·Uᵀq, and λ solves ‖D·p‖ = Δ by Newton's method on 1/‖D·p‖ − 1/Δ inside a bracket.
//! Parameters that the step carries over a bound stop there and the others are solved again.
//!
//! **Range.** Any R, singular ones too: directions below rounding get no step where nothing damps them.
//! References: Moré 1978; Hebden 1973, AERE report TP 515 (cited from memory).

use super::dense::{self, Matrix, norm};
use super::least_squares::Constraint;

/// The trust-region step that stays inside the bounds.
pub(super) fn bounded_step(
    r: &Matrix,
    q: &[f64],
    metric: &[f64],
    free: &[usize],
    delta: f64,
    theta: &[f64],
    constraints: &[Constraint],
) -> Vec<f64> {
    let mut step = vec![0.0; theta.len()];
    let mut free = free.to_vec();
    // Each pass stops at least one parameter at a bound, so there are at most as many passes as parameters.
    while !free.is_empty() {
        let mut right = q.to_vec();
        for (target, moved) in right.iter_mut().zip(r.times(&step)) {
            *target += moved;
        }
        let part = trust_region_step(r, &right, metric, &free, delta);
        let over: Vec<usize> = free
            .iter()
            .zip(&part)
            .filter(|&(&j, p)| {
                let target = theta[j] + p;
                target < constraints[j].low || target > constraints[j].high
            })
            .map(|(&j, _)| j)
            .collect();
        if over.is_empty() {
            for (&j, p) in free.iter().zip(part) {
                step[j] = p;
            }
            break;
        }
        for (&j, p) in free.iter().zip(&part) {
            if over.contains(&j) {
                step[j] = (theta[j] + p).clamp(constraints[j].low, constraints[j].high) - theta[j];
            }
        }
        free.retain(|j| !over.contains(j));
    }
    step
}

/// min ‖R_F·p + q‖ subject to ‖D_F·p‖ ≤ Δ over the free columns F.
fn trust_region_step(
    r: &Matrix,
    q: &[f64],
    metric: &[f64],
    free: &[usize],
    delta: f64,
) -> Vec<f64> {
    // Moré's tolerance: the length may miss Δ by a tenth, a closer root earns nothing.
    const LENGTH_TOLERANCE: f64 = 0.1;
    let n = free.len();
    let parts = dense::svd(&Matrix::from_fn(r.rows(), n, |i, k| {
        r[(i, free[k])] / metric[free[k]]
    }));
    let c = parts.u.transposed_times(q);
    let largest = parts.s.first().copied().unwrap_or(0.0);
    let noise = f64::EPSILON * n as f64 * largest;
    let coordinates = |damping: f64| -> Vec<f64> {
        parts
            .s
            .iter()
            .zip(&c)
            .map(|(s, c)| {
                if damping == 0.0 && *s <= noise {
                    0.0
                } else {
                    -s * c / (s * s + damping)
                }
            })
            .collect()
    };
    let mut z = coordinates(0.0);
    let mut length = norm(&z);
    if length > (1.0 + LENGTH_TOLERANCE) * delta {
        let slope: Vec<f64> = parts.s.iter().zip(&c).map(|(s, c)| s * c).collect();
        let (mut low, mut high) = (0.0, norm(&slope) / delta);
        let mut damping = 1e-3 * high;
        for _ in 0..100 {
            z = coordinates(damping);
            length = norm(&z);
            if (length - delta).abs() <= LENGTH_TOLERANCE * delta {
                break;
            }
            if length > delta {
                low = damping;
            } else {
                high = damping;
            }
            // Newton on 1/‖z‖ − 1/Δ, which is nearly linear in the damping (Hebden 1973).
            let curvature: f64 = parts
                .s
                .iter()
                .zip(&z)
                .map(|(s, z)| z * z / (s * s + damping))
                .sum();
            let newton = damping + (length / delta - 1.0) * length * length / curvature;
            damping = if newton > low && newton < high {
                newton
            } else {
                (low.max(1e-3 * high) * high).sqrt()
            };
        }
        // A single correction puts the step on the sphere.
        let shrink = (delta / length).min(1.0);
        for z in &mut z {
            *z *= shrink;
        }
    }
    let turned = parts.v.times(&z);
    free.iter()
        .zip(turned)
        .map(|(&j, p)| p / metric[j])
        .collect()
}
