//! Tests of the whitening.
#![allow(clippy::unwrap_used)]

use super::*;
use crate::align::chance::Chance;
use crate::align::dense::Cholesky;

fn grid(n: usize) -> Vec<f64> {
    // 1/48 octave in ln f.
    (0..n).map(|i| i as f64 * 2_f64.ln() / 48.0).collect()
}

fn dense_covariance(x: &[f64], v: &[f64], kernel: &Kernel, calibration: &[Vec<f64>]) -> Matrix {
    Matrix::from_fn(x.len(), x.len(), |i, j| {
        kernel.covariance(x[i] - x[j])
            + if i == j { v[i] } else { 0.0 }
            + calibration.iter().map(|c| c[i] * c[j]).sum::<f64>()
    })
}

/// Quadratic form, cross product and log-determinant against a dense Cholesky factor.
fn compare(x: &[f64], v: &[f64], kernel: &Kernel, calibration: &[Vec<f64>], tolerance: f64) {
    let whitener = Whitener::new(x, v, kernel)
        .unwrap()
        .with_calibration(calibration)
        .unwrap();
    let dense = Cholesky::new(&dense_covariance(x, v, kernel, calibration)).unwrap();
    let mut chance = Chance::new(7);
    let (y, z) = (chance.normals(x.len()), chance.normals(x.len()));
    let (mut white_y, mut white_z) = (y.clone(), z.clone());
    whitener.apply(&mut white_y);
    whitener.apply(&mut white_z);
    let expected = dot(&y, &dense.solve(&y));
    assert!(
        (dot(&white_y, &white_y) / expected - 1.0).abs() < tolerance,
        "{kernel:?}"
    );
    let cross = dot(&y, &dense.solve(&z));
    assert!(
        (dot(&white_y, &white_z) - cross).abs() < tolerance * expected,
        "{kernel:?}"
    );
    let per_point = (whitener.log_det() - dense.log_det()).abs() / x.len() as f64;
    assert!(per_point < tolerance, "{kernel:?}: {per_point}");
}

#[test]
fn agrees_with_a_dense_cholesky_factor() {
    // DERIVED: the same quadratic forms and determinant by an O(N³) route. Tolerance: ε times the condition
    // number (σ²·N/v at most, about 1e6 here) is 2e-10 for the dense route, which is the less accurate one.
    let x = grid(150);
    let mut chance = Chance::new(3);
    let v: Vec<f64> = (0..150)
        .map(|_| 1e-5 * (1.0 + 9.0 * chance.uniform()))
        .collect();
    let offset = vec![vec![0.05; 150]];
    let two = vec![vec![0.05; 150], x.iter().map(|x| 0.02 * x).collect()];
    for kernel in [
        Kernel::exponential(0.02, 0.3),
        Kernel::matern32(0.02, 0.3),
        Kernel::exponential(0.02, 1e-4),
        Kernel::matern32(0.02, 1e-4),
        Kernel::exponential(0.1, 30.0),
        Kernel::matern32(0.1, 30.0),
        Kernel::none(),
    ] {
        for calibration in [&[][..], &offset, &two] {
            compare(&x, &v, &kernel, calibration, 2e-9);
        }
    }
}

#[test]
fn uneven_and_repeated_abscissae_are_exact_too() {
    let x = [0.0, 0.0, 0.01, 0.5, 0.5, 0.9, 4.0, 4.001];
    let v = [1e-4, 2e-4, 1e-4, 0.1, 1e-3, 1e-4, 1e-4, 1e-4];
    compare(&x, &v, &Kernel::exponential(0.05, 0.4), &[], 1e-11);
    compare(&x, &v, &Kernel::matern32(0.05, 0.4), &[], 1e-11);
}

#[test]
fn tiny_noise_leaves_the_markov_increments() {
    // DERIVED: without noise the exponential kernel is an autoregression: y_i − φ·y_(i−1) over σ·√(1 − φ²).
    // v = 1e-12 against σ²(1 − φ²) = 4e-4·0.09 changes it by 1e-12/3.7e-5 = 3e-8 times a few.
    let x = grid(50);
    let mut y = Chance::new(5).normals(50);
    let original = y.clone();
    let whitener = Whitener::new(&x, &[1e-12; 50], &Kernel::exponential(0.02, 0.3)).unwrap();
    whitener.apply(&mut y);
    let phi = (-(x[1] - x[0]) / 0.3_f64).exp();
    for i in 1..50 {
        let expected = (original[i] - phi * original[i - 1]) / (0.02 * (1.0 - phi * phi).sqrt());
        assert!(
            (y[i] - expected).abs() < 1e-5 * expected.abs().max(1.0),
            "{i}"
        );
    }
}

#[test]
fn vanishing_discrepancy_divides_by_the_noise() {
    // DERIVED: σ → 0 leaves y/√v; σ² = 1e-40 against v = 1e-12 is below rounding.
    for kernel in [
        Kernel::exponential(1e-20, 0.3),
        Kernel::matern32(1e-20, 0.3),
        Kernel::none(),
    ] {
        let mut y = vec![2.0, -3.0, 5.0];
        let whitener = Whitener::new(&[0.0, 0.1, 0.2], &[1e-12; 3], &kernel).unwrap();
        whitener.apply(&mut y);
        for (white, raw) in y.iter().zip([2.0, -3.0, 5.0]) {
            assert!((white / (raw * 1e6) - 1.0).abs() < 1e-14);
        }
        assert!((whitener.log_det() - 3.0 * 1e-12_f64.ln()).abs() < 1e-12);
    }
}

#[test]
fn an_offset_of_great_variance_removes_the_mean() {
    // DERIVED: a flat prior on an offset projects it out: what is left has no component along 1 (unit noise).
    // 1e-6: the factor is 1 − 1/(g√N) with g√N = 1e9·√20, and the sum of twenty unit residuals is below 20.
    let x = grid(20);
    let whitener = Whitener::new(&x, &[1.0; 20], &Kernel::none())
        .unwrap()
        .with_calibration(&[vec![1e9; 20]])
        .unwrap();
    let mut y: Vec<f64> = Chance::new(9)
        .normals(20)
        .iter()
        .map(|y| y + 100.0)
        .collect();
    whitener.apply(&mut y);
    assert!(y.iter().sum::<f64>().abs() < 1e-6);
    assert!(y.iter().any(|y| y.abs() > 0.5));
}

#[test]
fn the_fast_path_for_many_columns_equals_the_single_one() {
    let x = grid(40);
    for kernel in [Kernel::exponential(0.1, 0.2), Kernel::matern32(0.1, 0.2)] {
        let whitener = Whitener::new(&x, &[1e-4; 40], &kernel)
            .unwrap()
            .with_calibration(&[vec![0.1; 40]])
            .unwrap();
        let mut chance = Chance::new(2);
        let mut all = Matrix::from_fn(40, 7, |_, _| chance.normal());
        let singles = all.clone();
        whitener.apply_all(&mut all);
        for j in 0..7 {
            let mut column = singles.column(j).to_vec();
            whitener.apply(&mut column);
            // The same operations in the same order.
            assert_eq!(column, all.column(j));
        }
    }
}

#[test]
fn colouring_is_the_inverse_of_whitening() {
    let x = grid(300);
    for kernel in [Kernel::exponential(0.05, 0.3), Kernel::matern32(0.05, 0.3)] {
        let whitener = Whitener::new(&x, &[1e-5; 300], &kernel)
            .unwrap()
            .with_calibration(&[vec![0.2; 300], x.clone()])
            .unwrap();
        let noise = Chance::new(4).normals(300);
        let mut y = noise.clone();
        whitener.colour(&mut y);
        whitener.apply(&mut y);
        // 1e-10: the offset is 0.2/√1e-5 ≈ 60 noise deviations and is removed by a subtraction, twice over.
        let worst = y
            .iter()
            .zip(&noise)
            .fold(0.0_f64, |w, (a, b)| w.max((a - b).abs()));
        assert!(worst < 1e-10, "{worst}");
    }
}

/// Draws from the dense Cholesky factor, so that the filter is not tested against itself.
fn whitened_draws(kernel: &Kernel, assumed: &Kernel, n: usize, draws: usize) -> Vec<Vec<f64>> {
    let x = grid(n);
    let v = vec![1e-5; n];
    let covariance = dense_covariance(&x, &v, kernel, &[]);
    let mut l = Matrix::zeros(n, n);
    for j in 0..n {
        for i in j..n {
            let sum = covariance[(i, j)] - (0..j).map(|k| l[(i, k)] * l[(j, k)]).sum::<f64>();
            l[(i, j)] = if i == j { sum.sqrt() } else { sum / l[(j, j)] };
        }
    }
    let whitener = Whitener::new(&x, &v, assumed).unwrap();
    let mut chance = Chance::new(11);
    (0..draws)
        .map(|_| {
            let mut y = l.times(&chance.normals(n));
            whitener.apply(&mut y);
            y
        })
        .collect()
}

/// Ljung & Box 1978: n(n+2)·Σ ρ_k²/(n−k), chi-square with `lags` degrees of freedom for white noise.
fn ljung_box(y: &[f64], lags: usize) -> f64 {
    let n = y.len();
    let power = dot(y, y);
    (1..=lags)
        .map(|k| {
            let rho = dot(&y[k..], &y[..n - k]) / power;
            (n * (n + 2)) as f64 * rho * rho / (n - k) as f64
        })
        .sum()
}

#[test]
fn samples_of_the_model_whiten_to_unit_white_noise() {
    for kernel in [Kernel::exponential(0.02, 0.3), Kernel::matern32(0.02, 0.3)] {
        let (n, draws, lags) = (200, 50, 20);
        let white = whitened_draws(&kernel, &kernel, n, draws);
        // DERIVED: the sum of all squares is chi-square with n·draws = 10 000 degrees of freedom, deviation
        // √(2/10 000) = 1.4 % of its mean; four deviations fail once in 16 000 seeds, and the seed is fixed.
        let power: f64 = white.iter().map(|y| dot(y, y)).sum::<f64>() / (n * draws) as f64;
        assert!((power - 1.0).abs() < 4.0 * 0.014_142, "{kernel:?}: {power}");
        // DERIVED: the summed Ljung–Box statistic is chi-square with lags·draws = 1000 degrees: 1000 ± 44.7.
        let statistic: f64 = white.iter().map(|y| ljung_box(y, lags)).sum();
        assert!(
            (statistic - 1000.0).abs() < 4.0 * 44.7,
            "{kernel:?}: {statistic}"
        );
    }
}

#[test]
fn a_wrong_kernel_is_seen_by_the_same_statistic() {
    // The statistic above must be able to fail: rough samples whitened as if there were no discrepancy.
    let white = whitened_draws(&Kernel::exponential(0.02, 0.3), &Kernel::none(), 200, 50);
    let statistic: f64 = white.iter().map(|y| ljung_box(y, 20)).sum();
    assert!(statistic > 1000.0 + 40.0 * 44.7);
}

#[test]
fn bad_input_is_named() {
    let kernel = Kernel::exponential(0.0, 0.3);
    let error = |x: &[f64], v: &[f64], kernel: &Kernel| Whitener::new(x, v, kernel).unwrap_err();
    assert!(matches!(
        error(&[0.0], &[], &kernel),
        WhitenError::Length { .. }
    ));
    assert!(matches!(
        error(&[0.0, -1.0], &[1.0, 1.0], &kernel),
        WhitenError::Abscissa { index: 1, .. }
    ));
    assert!(matches!(
        error(&[0.0, 1.0], &[1.0, 0.0], &kernel),
        WhitenError::Variance { index: 1, .. }
    ));
    assert!(matches!(
        error(&[0.0], &[f64::NAN], &kernel),
        WhitenError::Variance { .. }
    ));
    assert!(matches!(
        error(&[0.0], &[1.0], &Kernel::exponential(0.1, 0.0)),
        WhitenError::Kernel { .. }
    ));
    assert!(Whitener::new(&[], &[], &kernel).unwrap().is_empty());
}
