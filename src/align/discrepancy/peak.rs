//! The top of a smooth hill over a plane: a climb by the simplex method, then quadratic steps that also give the curvature.
//!
//! f(p + d) ≈ f(p) + gᵀd − ½·dᵀA·d from nine points at the corners and sides of a box about one deviation wide; the step is A⁻¹g, and A⁻¹
//! is the covariance if f is a log density.
//!
//! **Range.** One hill near the start. Heights may be −∞ where the function has no value.
//! Reference: Nelder & Mead 1965 (cited from memory).

/// Corners whose heights differ by less than this, in units of ln L, are level; the quadratic steps do better anyway.
const LEVEL: f64 = 0.02;
/// First half-widths of the stencil.
const STENCIL: [f64; 2] = [0.1, 0.3];
/// Its half-widths are then set to one deviation, within these limits.
const STENCIL_LIMITS: [f64; 2] = [0.02, 0.7];
/// Most quadratic steps; one shorter than half its stencil is the last.
const STEPS: usize = 2;

/// The top and what the curvature there says.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Peak {
    /// Where it is.
    pub point: [f64; 2],
    /// Inverse of minus the second derivatives; `None` where the top is not quadratic.
    pub spread: Option<[[f64; 2]; 2]>,
}

/// Climbs from `start` by the simplex method until the corners are level or the evaluations are used up (the last move
/// may overdraw them by three).
///
/// # Errors
/// The first error of `height`.
pub fn simplex<E>(
    mut height: impl FnMut([f64; 2]) -> Result<f64, E>,
    start: [f64; 2],
    edge: [f64; 2],
    budget: usize,
) -> Result<[f64; 2], E> {
    let mut corner = [
        (start, 0.0),
        ([start[0] + edge[0], start[1]], 0.0),
        ([start[0], start[1] + edge[1]], 0.0),
    ];
    let mut at = |point: [f64; 2]| -> Result<([f64; 2], f64), E> { Ok((point, height(point)?)) };
    for c in &mut corner {
        *c = at(c.0)?;
    }
    // Every move takes one to four evaluations.
    let mut left = budget.saturating_sub(3);
    while left > 0 {
        corner.sort_by(|a, b| b.1.total_cmp(&a.1));
        let [best, middle, worst] = corner;
        if best.1 - worst.1 < LEVEL {
            break;
        }
        let along = |t: f64| {
            [0, 1].map(|k| {
                let centre = 0.5 * (best.0[k] + middle.0[k]);
                centre + t * (worst.0[k] - centre)
            })
        };
        let reflected = at(along(-1.0))?;
        left = left.saturating_sub(1);
        if reflected.1 > middle.1 && reflected.1 <= best.1 {
            corner[2] = reflected;
            continue;
        }
        left = left.saturating_sub(1);
        if reflected.1 > best.1 {
            let expanded = at(along(-2.0))?;
            corner[2] = if expanded.1 > reflected.1 {
                expanded
            } else {
                reflected
            };
            continue;
        }
        let contracted = at(along(if reflected.1 > worst.1 { -0.5 } else { 0.5 }))?;
        if contracted.1 > worst.1.max(reflected.1) {
            corner[2] = contracted;
            continue;
        }
        left = left.saturating_sub(2);
        for c in corner.iter_mut().skip(1) {
            *c = at([0, 1].map(|k| 0.5 * (c.0[k] + best.0[k])))?;
        }
    }
    corner.sort_by(|a, b| b.1.total_cmp(&a.1));
    Ok(corner[0].0)
}

/// Newton steps on the quadratic through nine points around a start near the top.
///
/// # Errors
/// The first error of `height`.
pub fn quadratic_steps<E>(
    mut height: impl FnMut([f64; 2]) -> Result<f64, E>,
    start: [f64; 2],
) -> Result<Peak, E> {
    let (mut point, mut h) = (start, STENCIL);
    let mut centre = height(point)?;
    let mut spread = None;
    for _ in 0..STEPS {
        let mut at =
            |i: f64, j: f64, h: [f64; 2]| height([point[0] + i * h[0], point[1] + j * h[1]]);
        let mut axis = [[0.0; 2]; 2];
        for (k, pair) in axis.iter_mut().enumerate() {
            let (i, j) = if k == 0 { (1.0, 0.0) } else { (0.0, 1.0) };
            *pair = [at(i, j, h)?, at(-i, -j, h)?];
            let curvature = (2.0 * centre - pair[0] - pair[1]) / (h[k] * h[k]);
            let width =
                (1.0 / curvature.max(0.0).sqrt()).clamp(STENCIL_LIMITS[0], STENCIL_LIMITS[1]);
            // A stencil far off one deviation sees rounding, or the far flank of the peak.
            if !(0.5..2.0).contains(&(width / h[k])) {
                h[k] = width;
                *pair = [at(i, j, h)?, at(-i, -j, h)?];
            }
        }
        let cross = at(1.0, 1.0, h)? + at(-1.0, -1.0, h)? - at(1.0, -1.0, h)? - at(-1.0, 1.0, h)?;
        let slope = [0, 1].map(|k| (axis[k][0] - axis[k][1]) / (2.0 * h[k]));
        let [a, c] = [0, 1].map(|k| (2.0 * centre - axis[k][0] - axis[k][1]) / (h[k] * h[k]));
        let b = -cross / (4.0 * h[0] * h[1]);
        let determinant = a * c - b * b;
        if !(a > 0.0 && c > 0.0 && determinant > 1e-6 * a * c) {
            break;
        }
        let inverse = [
            [c / determinant, -b / determinant],
            [-b / determinant, a / determinant],
        ];
        spread = Some(inverse);
        let step = [0, 1].map(|k| inverse[k][0] * slope[0] + inverse[k][1] * slope[1]);
        // The quadratic is trusted a little beyond its own points.
        let reach = (step[0].abs() / h[0]).max(step[1].abs() / h[1]);
        let shrink = (2.0 / reach).min(1.0);
        let target = [0, 1].map(|k| point[k] + shrink * step[k]);
        let value = height(target)?;
        let better = value > centre;
        if better {
            (point, centre) = (target, value);
        }
        if reach < 0.5 || !better {
            break;
        }
    }
    Ok(Peak { point, spread })
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::convert::Infallible;

    /// Correlated parabola with its top at (1, −2), ½·dᵀA·d, A = [[4, 1], [1, 0.5]].
    fn hill(p: [f64; 2]) -> Result<f64, Infallible> {
        let d = [p[0] - 1.0, p[1] + 2.0];
        Ok(-0.5 * (4.0 * d[0] * d[0] + 2.0 * d[0] * d[1] + 0.5 * d[1] * d[1]))
    }

    #[test]
    fn the_top_of_a_parabola_is_exact() {
        // DERIVED: A⁻¹ = [[0.5, −1], [−1, 4]]. A quadratic is its own approximation: 1e-10 is ε over the stencil's 0.02².
        let Ok(near) = simplex(hill, [0.0, 0.0], [1.0, 0.5], 30);
        // Within one deviation of the top, and quadratic steps reach two stencils each.
        let Ok(peak) = quadratic_steps(hill, near);
        assert!(
            (peak.point[0] - 1.0).abs() < 1e-10 && (peak.point[1] + 2.0).abs() < 1e-10,
            "{near:?} {peak:?}"
        );
        for (row, expected) in peak
            .spread
            .into_iter()
            .flatten()
            .zip([[0.5, -1.0], [-1.0, 4.0]])
        {
            for (found, expected) in row.iter().zip(expected) {
                assert!((found - expected).abs() < 1e-10, "{found} {expected}");
            }
        }
        assert!(peak.spread.is_some());
    }

    #[test]
    fn the_budget_is_kept_but_for_three() {
        let mut calls = 0;
        let Ok(_) = simplex(
            |p| {
                calls += 1;
                // A narrow ridge that would take hundreds of moves.
                Ok::<_, Infallible>(-1e6 * (p[1] - p[0] * p[0]).powi(2) - (p[0] - 40.0).powi(2))
            },
            [0.0, 0.0],
            [1.0, 0.5],
            22,
        );
        assert!((20..=25).contains(&calls), "{calls}");
    }

    #[test]
    fn a_slope_or_a_void_has_no_spread() {
        let Ok(slope) = quadratic_steps(|p| Ok::<_, Infallible>(p[0]), [0.0, 0.0]);
        assert_eq!(slope.spread, None);
        let Ok(void) = quadratic_steps(|_| Ok::<_, Infallible>(f64::NEG_INFINITY), [0.0, 0.0]);
        assert_eq!(
            void,
            Peak {
                point: [0.0, 0.0],
                spread: None
            }
        );
    }
}
