//! Tests of wall loss against published and multiple-precision values.

use super::*;
use crate::special::{Dual, cosh_sinhc};
use serde_json::Value;

/// The air of the tables: ρ 1.2041, c 343.21, μ 1.813e-5, γ 1.4016, Pr 0.71.
fn table_air() -> Air {
    air(1.2041, 343.21, 1.813e-5, 1.4016, 0.71)
}

fn air(rho: f64, c: f64, mu: f64, gamma: f64, prandtl: f64) -> Air {
    Air {
        density_kg_per_m3: rho,
        speed_m_per_s: c,
        viscosity_pa_s: mu,
        conductivity_w_per_m_k: mu * 1005.0 / prandtl,
        heat_capacity_j_per_kg_k: 1005.0,
        gamma,
    }
}

fn table(name: &str) -> Vec<Vec<f64>> {
    let text = include_str!("../../tests/reference/reference.json");
    let document: Value = serde_json::from_str(text).expect("reference.json is JSON");
    serde_json::from_value(document[name]["values"].clone()).expect("rows of numbers")
}

fn omega(hz: f64) -> f64 {
    2.0 * PI * hz
}

/// Propagation constant and characteristic impedance of a line.
fn line(loss: LineLoss<Complex64>, area: f64, hz: f64, air: &Air) -> (Complex64, Complex64) {
    let jw = Complex64::new(0.0, omega(hz));
    let z = jw * air.density_kg_per_m3 / area * (loss.series + 1.0);
    let y = jw * area / air.bulk_pa() * (loss.shunt + 1.0);
    ((z * y).sqrt(), (z / y).sqrt())
}

fn assert_close(found: Complex64, expected: Complex64, relative: f64, what: &str) {
    assert!(
        (found - expected).norm() < relative * expected.norm(),
        "{what}: found {found}, expected {expected}"
    );
}

#[test]
fn round_tubes_match_multiple_precision() {
    // CROSS (mpmath, 40 digits), reference.json; roundings only.
    let air = table_air();
    for row in table("zwikker_kosten_round") {
        let loss = LossFrequency::new(omega(row[1]), &air).round(Complex64::new(row[0], 0.0));
        let (gamma, zc) = line(loss, PI * row[0] * row[0], row[1], &air);
        assert_close(gamma, Complex64::new(row[2], row[3]), 1e-11, "Γ");
        assert_close(zc, Complex64::new(row[4], row[5]), 1e-11, "Zc");
    }
}

#[test]
fn slits_match_multiple_precision() {
    // CROSS (mpmath), reference.json, width 0.3 m; roundings only.
    let air = table_air();
    for row in table("slit") {
        let loss = LossFrequency::new(omega(row[1]), &air).slit(Complex64::new(row[0], 0.0));
        let (gamma, zc) = line(loss, 0.3 * row[0], row[1], &air);
        assert_close(gamma, Complex64::new(row[2], row[3]), 1e-11, "Γ");
        assert_close(zc, Complex64::new(row[4], row[5]), 1e-11, "Zc");
    }
}

#[test]
fn closed_and_open_tube_match_multiple_precision() {
    // CROSS (mpmath), reference.json, 1 m long, 20 mm radius. Near resonance the relative error of Γ is
    // magnified by |Zc·coth/Zc'|, about 50.
    let air = table_air();
    for row in table("closed_tube_lossy") {
        let loss = LossFrequency::new(omega(row[0]), &air).round(Complex64::new(0.02, 0.0));
        let (gamma, zc) = line(loss, PI * 0.02 * 0.02, row[0], &air);
        let (cosh, sinhc) = cosh_sinhc(gamma * gamma);
        let tanh = gamma * sinhc / cosh;
        assert_close(zc / tanh, Complex64::new(row[1], row[2]), 1e-9, "coth");
        assert_close(zc * tanh, Complex64::new(row[3], row[4]), 1e-9, "tanh");
    }
}

#[test]
fn full_loss_in_narrow_tubes() {
    // DERIVED in multiple precision from the closed form (Zwikker & Kosten 1949), six digits printed:
    // ρ 1.2041, c 343.2, μ 1.8206e-5, γ 1.4011, Pr 0.71 at 100 Hz.
    let air = air(1.2041, 343.2, 1.8206e-5, 1.4011, 0.71);
    let k = omega(100.0) / 343.2;
    for (a, alpha, beta) in [(5e-3, 0.061227, 1.03236), (5e-4, 0.85562, 1.30440)] {
        let frequency = LossFrequency::new(omega(100.0), &air);
        let s = a * frequency.viscous_per_m.norm();
        assert!((s / (a / 5e-3) - 32.2318).abs() < 1e-4);
        let (gamma, zc) = line(frequency.round(Complex64::new(a, 0.0)), 1.0, 100.0, &air);
        assert!((gamma.re / alpha - 1.0).abs() < 1e-5);
        assert!((gamma.im / k / beta - 1.0).abs() < 1e-5);
        if a > 1e-3 {
            let relative = zc / air.rho_c();
            assert!((relative - Complex64::new(1.01149, -0.01261)).norm() < 1e-5);
        }
    }
}

#[test]
fn wide_tubes_tend_to_kirchhoff() {
    // DERIVED: α = (1/(ac))·√(μω/2ρ)·(1 + (γ−1)/√Pr) = 2.964e-5·√f/a (Kirchhoff 1868, from memory), which
    // the full solution exceeds by 10 %, 2.5 %, 0.6 % at 10 Hz in tubes of 5, 20, 80 mm.
    let air = air(1.2041, 343.2, 1.8206e-5, 1.4011, 0.71);
    for (a, excess) in [(5e-3, 0.1), (0.02, 0.025), (0.08, 0.006)] {
        let loss = LossFrequency::new(omega(10.0), &air).round(Complex64::new(a, 0.0));
        let (gamma, _) = line(loss, PI * a * a, 10.0, &air);
        let wide = 2.964e-5 * 10.0_f64.sqrt() / a;
        // The excess is quoted with one to two digits.
        assert!(((1.0 - wide / gamma.re) / excess - 1.0).abs() < 0.1, "{a}");
    }
}

#[test]
fn square_duct_matches_stokes_flow_at_low_frequency() {
    // DERIVED: Poiseuille flow in a rectangle, h²·(1/12)·(1 − 192h/(π⁵w)·Σ tanh(nπw/2h)/n⁵), n odd, whose
    // inverse times 1/κ² is a_v in the limit; White's Viscous Fluid Flow has the same series.
    let air = table_air();
    let frequency = LossFrequency::new(1e-3, &air);
    let h = 1e-4;
    let kappa2 = frequency.viscous_per_m * frequency.viscous_per_m;
    for (aspect, flow) in [
        (1.0, 0.035_144_253_738_8),
        (2.0, 0.057_170_419_279_9),
        (50.0, 0.082_282_918_539_5),
    ] {
        let loss = frequency.rectangular(Complex64::new(h * aspect, 0.0), Complex64::new(h, 0.0));
        // Inertia enters at |κh|²/12, below 1e-7 here; the sum's tail is good to 1e-8.
        assert_close(loss.series, (kappa2 * h * h * flow).inv(), 3e-7, "a_v");
    }
}

/// The form that `LossFrequency::rectangular` chooses.
fn either_ratio(w: f64, h: f64, kappa: Complex64) -> LossRatio<Complex64> {
    let (w, h) = (Complex64::new(w, 0.0), Complex64::new(h, 0.0));
    if h.re * kappa.norm() >= WIDE {
        let edge = (w.inv() + h.inv()) * 2.0;
        rectangular_wide(edge, (w * h).inv() * (16.0 / PI), kappa.inv())
    } else {
        rectangular_narrow(w, h, kappa)
    }
}

/// 1 − F of a rectangle by Stinson's double series over odd m, n, extrapolated in the number of terms.
fn double_series(w: f64, h: f64, kappa: Complex64) -> Complex64 {
    let partial = |terms: u32| {
        let mut sum = Complex64::new(0.0, 0.0);
        for m in (1..2 * terms).step_by(2) {
            for n in (1..2 * terms).step_by(2) {
                let (m, n) = (f64::from(m), f64::from(n));
                let beta2 = (m * PI / w).powi(2) + (n * PI / h).powi(2);
                sum += (kappa * kappa) / ((kappa * kappa + beta2) * (m * m * n * n));
            }
        }
        sum * 64.0 / PI.powi(4)
    };
    // The remainder falls with the third power of the number of terms.
    let (coarse, fine) = (partial(300), partial(600));
    fine + (fine - coarse) / 7.0
}

#[test]
fn rectangles_match_the_double_series() {
    for (w, h, s) in [
        (1.0, 1.0, 0.3),
        (1.0, 1.0, 6.0),
        (1.0, 1.0, 29.0),
        (1.0, 1.0, 31.0),
        (4.0, 1.0, 2.0),
        (4.0, 1.0, 20.0),
        (4.0, 1.0, 30.5),
        (1.5, 1.0, 45.0),
    ] {
        let kappa = Complex64::from_polar(s, PI / 4.0);
        let ratio = either_ratio(w, h, kappa);
        let expected = double_series(w, h, kappa);
        // CROSS: the slow series, extrapolated to about 1e-6 of 1 − F.
        assert_close(ratio.rest, expected, 2e-6, &format!("{w} x {h}, s = {s}"));
        assert_close(ratio.loss, 1.0 - ratio.rest, 1e-9, "F");
    }
}

#[test]
fn the_wide_form_meets_the_sum() {
    // DERIVED: neglected terms e^(−30/√2) = 6e-10 times a few.
    for aspect in [1.0, 1.3, 5.0, 40.0] {
        let kappa = Complex64::from_polar(WIDE * (1.0 + 1e-12), PI / 4.0);
        let wide = either_ratio(aspect, 1.0, kappa);
        let (w, h) = (Complex64::new(aspect, 0.0), Complex64::new(1.0, 0.0));
        let sum = rectangular_narrow(w, h, kappa);
        assert_close(wide.loss, sum.loss, 2e-8, &format!("aspect {aspect}"));
    }
}

#[test]
fn a_flat_rectangle_tends_to_a_slit() {
    // DERIVED: the side walls add h/w·(boundary layer) relative to the slit: 1e-4 at 10⁴.
    let frequency = LossFrequency::new(omega(40.0), &table_air());
    for gap in [3e-4, 3e-3, 3e-2] {
        let gap = Complex64::new(gap, 0.0);
        let flat = frequency.rectangular(gap * 1e4, gap);
        let slit = frequency.slit(gap);
        assert_close(flat.series, slit.series, 2e-4, "series");
        assert_close(flat.shunt, slit.shunt, 2e-4, "shunt");
    }
}

#[test]
fn sides_may_be_swapped() {
    let frequency = LossFrequency::new(omega(40.0), &table_air());
    for (w, h) in [(0.4, 0.05), (2e-3, 1e-3)] {
        let (w, h) = (Complex64::new(w, 0.0), Complex64::new(h, 0.0));
        assert_eq!(frequency.rectangular(w, h), frequency.rectangular(h, w));
    }
}

#[test]
fn loss_dissipates_at_every_size() {
    // DERIVED: passivity: Re(jω·a_v) > 0 and Re(jω·a_t) > 0, so the imaginary parts are negative.
    let air = table_air();
    for exponent in -40..=2 {
        let size = 10.0_f64.powf(f64::from(exponent) / 8.0);
        for hz in [0.1, 10.0, 500.0] {
            let frequency = LossFrequency::new(omega(hz), &air);
            let at = Complex64::new(size, 0.0);
            for loss in [
                frequency.round(at),
                frequency.slit(at),
                frequency.rectangular(at, at * 0.6),
            ] {
                assert!(
                    loss.series.im < 0.0 && loss.series.re > 0.0,
                    "{size} {hz} {loss:?}"
                );
                assert!(
                    loss.shunt.im < 0.0 && loss.shunt.re > 0.0,
                    "{size} {hz} {loss:?}"
                );
            }
        }
    }
}

#[test]
fn slopes_match_central_differences() {
    let air = table_air();
    for size in [2e-4, 1.1e-3, 6e-3, 0.013, 0.09] {
        let frequency = LossFrequency::new(omega(30.0), &air);
        let step = 1e-5 * size;
        let other = Complex64::new(0.021, 0.0);
        let check = |found: LineLoss<Dual>, at: &dyn Fn(f64) -> LineLoss<Complex64>, what: &str| {
            let (up, down) = (at(size + step), at(size - step));
            // Truncation 1e-10, rounding 1e-10 of the value over the relative step.
            let expected = (up.series - down.series) / (2.0 * step);
            assert_close(found.series.slope, expected, 1e-6, what);
            let expected = (up.shunt - down.shunt) / (2.0 * step);
            assert_close(found.shunt.slope, expected, 1e-6, what);
        };
        let plain = |x: f64| Complex64::new(x, 0.0);
        let dual = Dual::variable(size);
        check(
            frequency.round(dual),
            &|x| frequency.round(plain(x)),
            "round",
        );
        check(frequency.slit(dual), &|x| frequency.slit(plain(x)), "slit");
        check(
            frequency.rectangular(dual, Dual::from_complex(other)),
            &|x| frequency.rectangular(plain(x), other),
            "width",
        );
        check(
            frequency.rectangular(Dual::from_complex(other), dual),
            &|x| frequency.rectangular(other, plain(x)),
            "height",
        );
    }
}

/// Prints the cost of one call: `cargo test --release -- --ignored --nocapture wall_loss::tests::cost`.
#[test]
#[ignore = "a measurement of time, not a check"]
fn cost() {
    let air = table_air();
    let frequency = LossFrequency::new(omega(30.0), &air);
    let start = std::time::Instant::now();
    let mut sum = Complex64::new(0.0, 0.0);
    let calls = 1_000_000;
    for i in 0..calls {
        let size = Complex64::new(0.05 + 1e-8 * f64::from(i), 0.0);
        sum += frequency.round(size).series;
    }
    let round = start.elapsed().as_secs_f64() / f64::from(calls);
    let start = std::time::Instant::now();
    for i in 0..calls {
        let size = Complex64::new(0.05 + 1e-8 * f64::from(i), 0.0);
        sum += frequency.rectangular(size, size * 2.0).series;
    }
    let rectangular = start.elapsed().as_secs_f64() / f64::from(calls);
    println!("round {round:.3e} s, rectangular {rectangular:.3e} s ({sum})");
}
