//! Fits a sum of given functions with coefficients that are not negative.
//!
//! Minimises ‖A·x − b‖² with x ≥ 0 by the active-set method of Lawson & Hanson 1974 (*Solving Least Squares
//! Problems*, ch. 23), on the normal equations. With basis functions that are passive one by one, any such sum is
//! passive, which is what makes the fitted time-domain ladders unconditionally stable.

use num_complex::Complex64;

/// Fits `target[i] ≈ Σ x_k·basis[k][i]` with `x_k ≥ 0`; real and imaginary parts are weighted by `weight[i]`
/// (real, imaginary).
pub(super) fn non_negative(
    basis: &[Vec<Complex64>],
    target: &[Complex64],
    weight: &[(f64, f64)],
) -> Vec<f64> {
    let n = basis.len();
    let dot = |a: &[Complex64], b: &[Complex64]| -> f64 {
        a.iter()
            .zip(b)
            .zip(weight)
            .map(|((a, b), w)| w.0 * w.0 * a.re * b.re + w.1 * w.1 * a.im * b.im)
            .sum()
    };
    // Columns are scaled to unit length, so that one tolerance fits all.
    let scale: Vec<f64> = basis
        .iter()
        .map(|column| dot(column, column).sqrt().max(f64::MIN_POSITIVE))
        .collect();
    let mut gram = vec![0.0; n * n];
    let mut right = vec![0.0; n];
    for i in 0..n {
        for j in 0..=i {
            let value = dot(&basis[i], &basis[j]) / (scale[i] * scale[j]);
            gram[i * n + j] = value;
            gram[j * n + i] = value;
        }
        right[i] = dot(&basis[i], target) / scale[i];
    }
    let size = dot(target, target).sqrt();
    let tolerance = 1e-9 * size;
    let mut x = vec![0.0; n];
    let mut active: Vec<usize> = Vec::new();
    for _ in 0..6 * n + 20 {
        let gradient = |k: usize| right[k] - (0..n).map(|j| gram[k * n + j] * x[j]).sum::<f64>();
        let best = (0..n)
            .filter(|k| !active.contains(k))
            .map(|k| (k, gradient(k)))
            .max_by(|a, b| a.1.total_cmp(&b.1));
        match best {
            Some((k, g)) if g > tolerance => active.push(k),
            _ => break,
        }
        loop {
            let trial = solve_subset(&gram, &right, n, &active);
            let blocking = active
                .iter()
                .zip(&trial)
                .filter(|(_, t)| **t <= 0.0)
                .map(|(&k, t)| x[k] / (x[k] - t).max(f64::MIN_POSITIVE))
                .min_by(f64::total_cmp);
            let Some(step) = blocking else {
                for (&k, t) in active.iter().zip(&trial) {
                    x[k] = *t;
                }
                break;
            };
            for (&k, t) in active.iter().zip(&trial) {
                x[k] += step * (t - x[k]);
            }
            let before = active.len();
            active.retain(|&k| x[k] > 1e-12 * size);
            for (k, x) in x.iter_mut().enumerate() {
                if !active.contains(&k) {
                    *x = 0.0;
                }
            }
            if active.is_empty() || active.len() == before {
                break;
            }
        }
    }
    x.iter().zip(&scale).map(|(x, s)| x / s).collect()
}

/// Solves the rows and columns `subset` of a symmetric positive (semi)definite system.
fn solve_subset(gram: &[f64], right: &[f64], n: usize, subset: &[usize]) -> Vec<f64> {
    let m = subset.len();
    let mut matrix = vec![0.0; m * m];
    for (i, &a) in subset.iter().enumerate() {
        for (j, &b) in subset.iter().enumerate() {
            matrix[i * m + j] = gram[a * n + b];
        }
        // Columns that nearly repeat each other.
        matrix[i * m + i] += 1e-13;
    }
    let rhs: Vec<f64> = subset.iter().map(|&k| right[k]).collect();
    solve(matrix, rhs)
}

/// Solves a dense linear system by elimination with partial pivoting; a singular pivot gives zero.
pub(super) fn solve(mut matrix: Vec<f64>, mut rhs: Vec<f64>) -> Vec<f64> {
    let m = rhs.len();
    for column in 0..m {
        let pivot = (column..m)
            .max_by(|&a, &b| {
                matrix[a * m + column]
                    .abs()
                    .total_cmp(&matrix[b * m + column].abs())
            })
            .unwrap_or(column);
        if pivot != column {
            for k in 0..m {
                matrix.swap(pivot * m + k, column * m + k);
            }
            rhs.swap(pivot, column);
        }
        let diagonal = matrix[column * m + column];
        if diagonal == 0.0 {
            continue;
        }
        for row in column + 1..m {
            let factor = matrix[row * m + column] / diagonal;
            if factor != 0.0 {
                for k in column..m {
                    matrix[row * m + k] -= factor * matrix[column * m + k];
                }
                rhs[row] -= factor * rhs[column];
            }
        }
    }
    for row in (0..m).rev() {
        let known: f64 = (row + 1..m).map(|k| matrix[row * m + k] * rhs[k]).sum();
        let diagonal = matrix[row * m + row];
        rhs[row] = if diagonal == 0.0 {
            0.0
        } else {
            (rhs[row] - known) / diagonal
        };
    }
    rhs
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_sum_of_the_basis_is_found_again_and_a_negative_part_is_left_out() {
        let omega: Vec<f64> = (0..30).map(|k| 1.3f64.powi(k)).collect();
        let relax = |q: f64| -> Vec<Complex64> {
            omega
                .iter()
                .map(|&w| Complex64::new(0.0, w) / Complex64::new(q, w))
                .collect()
        };
        let basis = vec![relax(3.0), relax(30.0), relax(300.0)];
        let weight = vec![(1.0, 1.0); omega.len()];
        let target: Vec<Complex64> = (0..omega.len())
            .map(|i| 2.0 * basis[0][i] + 0.5 * basis[2][i])
            .collect();
        // DERIVED: the target is made of the basis. 1e-6: normal equations square the conditioning.
        let x = non_negative(&basis, &target, &weight);
        assert!((x[0] - 2.0).abs() < 1e-6 && x[1].abs() < 1e-6 && (x[2] - 0.5).abs() < 1e-6);
        let negative: Vec<Complex64> = target.iter().map(|t| -t).collect();
        assert_eq!(non_negative(&basis, &negative, &weight), vec![0.0; 3]);
    }
}
