//! Cost of the statistical engine's inner loops: whitening, and the estimate of the discrepancy.

use bassay::align::dense::Matrix;
use bassay::align::discrepancy::{Group, Series, estimate, estimate_choosing_smoothness};
use bassay::align::identify::{Criteria, identify};
use bassay::align::whiten::{Kernel, Whitener};
use criterion::{BatchSize, Criterion, criterion_group, criterion_main};
use std::hint::black_box;

const POINTS: usize = 600;
const PARAMETERS: usize = 15;

/// 1/96 octave, so that 600 points span what a bass capture does.
fn grid() -> Vec<f64> {
    (0..POINTS).map(|i| i as f64 * 2_f64.ln() / 96.0).collect()
}

/// Repeatable numbers of unit size without a generator: fractional parts of a quadratic phase.
fn noise(seed: usize) -> Vec<f64> {
    (0..POINTS)
        .map(|i| ((i * i * 7 + i * seed + seed) as f64 * 0.618_033_988_75).fract() * 3.46 - 1.73)
        .collect()
}

fn columns(x: &[f64]) -> Matrix {
    Matrix::from_fn(x.len(), PARAMETERS, |i, j| {
        let z = (x[i] - x[x.len() - 1] * j as f64 / PARAMETERS as f64) / 0.25;
        1.0 / (1.0 + z * z)
    })
}

fn statistics(criterion: &mut Criterion) {
    let x = grid();
    let variance = vec![1e-6; POINTS];
    let jacobian = columns(&x);
    for (name, kernel) in [
        ("exponential", Kernel::exponential(0.02, 0.3)),
        ("matern32", Kernel::matern32(0.02, 0.3)),
    ] {
        criterion.bench_function(&format!("whiten 600 x 15, {name}"), |bencher| {
            bencher.iter_batched_ref(
                || jacobian.clone(),
                |matrix| {
                    let whitener = Whitener::new(&x, &variance, black_box(&kernel));
                    if let Ok(whitener) = whitener {
                        whitener.apply_all(matrix);
                    }
                },
                BatchSize::SmallInput,
            );
        });
    }

    let calibration = vec![vec![0.01; POINTS]];
    let residuals: Vec<Vec<f64>> = (0..5)
        .map(|k| {
            let mut series = noise(k);
            if let Ok(whitener) = Whitener::new(&x, &variance, &Kernel::exponential(0.02, 0.3)) {
                whitener.colour(&mut series);
            }
            series
        })
        .collect();
    let series: Vec<Series<'_>> = residuals
        .iter()
        .enumerate()
        .map(|(group, residual)| Series {
            abscissa: &x,
            variance: &variance,
            calibration: &calibration,
            residual,
            jacobian: &jacobian,
            group,
        })
        .collect();
    let (precision, offset) = ([1.0; PARAMETERS], [0.0; PARAMETERS]);
    criterion.bench_function("discrepancy, 5 groups of 600 x 15, cold", |bencher| {
        bencher.iter(|| {
            estimate(
                black_box(&series),
                &[Group::default(); 5],
                &precision,
                &offset,
            )
        });
    });
    let warm = [Group {
        start: Some([0.02, 0.3]),
        ..Group::default()
    }; 5];
    criterion.bench_function("discrepancy, 5 groups of 600 x 15, warm", |bencher| {
        bencher.iter(|| estimate(black_box(&series), &warm, &precision, &offset));
    });
    criterion.bench_function(
        "discrepancy, 5 groups of 600 x 15, smoothness chosen",
        |bencher| {
            bencher.iter(|| {
                estimate_choosing_smoothness(
                    black_box(&series),
                    &[Group::default(); 5],
                    &precision,
                    &offset,
                )
            });
        },
    );
    criterion.bench_function("identify 600 x 15", |bencher| {
        bencher.iter(|| identify(black_box(&jacobian), &precision, &[], &Criteria::default()));
    });
}

criterion_group!(benches, statistics);
criterion_main!(benches);
