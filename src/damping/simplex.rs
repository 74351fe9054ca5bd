//! Smallest value of a function of a few bounded numbers, without derivatives.
//!
//! The downhill simplex of Nelder & Mead (1965, Comput. J. 7:308; coefficients 1, 2, ½, ½ from memory); a corner outside the
//! bounds is moved onto them. The search starts again from where it ended until that gains nothing, because a simplex
//! may collapse short of the minimum.

/// Where a search ended.
#[derive(Debug, Clone, PartialEq)]
pub struct Lowest {
    /// Place.
    pub x: Vec<f64>,
    /// Value there.
    pub value: f64,
}

/// Looks for the lowest value between `low` and `high` from `start` with corners `size` away, until the corners differ by
/// less than `close`.
pub fn lowest(
    f: &dyn Fn(&[f64]) -> f64,
    start: &[f64],
    low: f64,
    high: f64,
    size: f64,
    close: f64,
) -> Lowest {
    let mut best = Lowest {
        value: f(start),
        x: start.to_vec(),
    };
    for _ in 0..4 {
        let next = once(f, &best.x, low, high, size, close);
        let gained = best.value - next.value;
        if next.value < best.value {
            best = next;
        }
        if gained.is_nan() || gained < 1e-4 * best.value.abs() {
            break;
        }
    }
    best
}

fn once(
    f: &dyn Fn(&[f64]) -> f64,
    start: &[f64],
    low: f64,
    high: f64,
    size: f64,
    close: f64,
) -> Lowest {
    let n = start.len();
    let corner = |x: Vec<f64>| {
        let x: Vec<f64> = x.into_iter().map(|v| v.clamp(low, high)).collect();
        let value = f(&x);
        // What cannot be computed is no minimum.
        Lowest {
            value: if value.is_nan() { f64::INFINITY } else { value },
            x,
        }
    };
    let mut simplex = vec![corner(start.to_vec())];
    for k in 0..n {
        let mut x = start.to_vec();
        // Away from a bound that is near.
        x[k] += if x[k] + size > high { -size } else { size };
        simplex.push(corner(x));
    }
    let order = |s: &mut Vec<Lowest>| s.sort_by(|a, b| a.value.total_cmp(&b.value));
    order(&mut simplex);
    for _ in 0..120 * n.max(1) {
        let spread = (0..n)
            .map(|k| {
                let values = simplex.iter().map(|c| c.x[k]);
                values.clone().fold(f64::NEG_INFINITY, f64::max)
                    - values.fold(f64::INFINITY, f64::min)
            })
            .fold(0.0, f64::max);
        if spread < close || n == 0 {
            break;
        }
        let worst = simplex[n].clone();
        let middle: Vec<f64> = (0..n)
            .map(|k| simplex[..n].iter().map(|c| c.x[k]).sum::<f64>() / n as f64)
            .collect();
        let along = |t: f64| {
            corner(
                middle
                    .iter()
                    .zip(&worst.x)
                    .map(|(m, w)| m + t * (w - m))
                    .collect(),
            )
        };
        let reflected = along(-1.0);
        let next = if reflected.value < simplex[0].value {
            let expanded = along(-2.0);
            if expanded.value < reflected.value {
                expanded
            } else {
                reflected
            }
        } else if reflected.value < simplex[n - 1].value {
            reflected
        } else {
            let contracted = if reflected.value < worst.value {
                along(-0.5)
            } else {
                along(0.5)
            };
            if contracted.value < worst.value.min(reflected.value) {
                contracted
            } else {
                let first = simplex[0].x.clone();
                for c in &mut simplex[1..] {
                    *c = corner(c.x.iter().zip(&first).map(|(x, b)| 0.5 * (x + b)).collect());
                }
                order(&mut simplex);
                continue;
            }
        };
        simplex[n] = next;
        order(&mut simplex);
    }
    simplex.swap_remove(0)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// DERIVED: the curved valley 100·(y − x²)² + (1 − x)² (Rosenbrock 1960) has its minimum 0 at (1, 1). 1e-3: the corners close to
    /// 1e-5, along a valley with a condition number of 2500.
    #[test]
    fn a_curved_valley() {
        let f = |x: &[f64]| 100.0 * (x[1] - x[0] * x[0]).powi(2) + (1.0 - x[0]).powi(2);
        let found = lowest(&f, &[-1.2, 1.0], -5.0, 5.0, 0.5, 1e-5);
        assert!(
            (found.x[0] - 1.0).abs() < 1e-3 && (found.x[1] - 1.0).abs() < 1e-3,
            "{found:?}"
        );
    }

    /// DERIVED: |x − 9| + |y − 1| within 0 to 4 is least at (4, 1).
    #[test]
    fn a_minimum_outside_ends_at_the_bound() {
        let f = |x: &[f64]| (x[0] - 9.0).abs() + (x[1] - 1.0).abs();
        let found = lowest(&f, &[0.5, 3.5], 0.0, 4.0, 0.5, 1e-6);
        assert!(
            (found.x[0] - 4.0).abs() < 1e-4 && (found.x[1] - 1.0).abs() < 1e-4,
            "{found:?}"
        );
    }

    /// What has no value is walked around; one number and none work.
    #[test]
    fn holes_and_trivial_cases() {
        let f = |x: &[f64]| {
            if x[0] < 0.0 {
                f64::NAN
            } else {
                (x[0] - 0.3).powi(2)
            }
        };
        assert!((lowest(&f, &[2.0], -4.0, 4.0, 1.0, 1e-6).x[0] - 0.3).abs() < 1e-4);
        assert!(lowest(&|_| 1.0, &[], -1.0, 1.0, 1.0, 1e-6).x.is_empty());
    }
}
