//! Sweeps, bands, levels, and the arithmetic of uncertainty.

use super::table::{check_word, source};
use super::{assert_close, assert_near, assert_within};
use bassay::align::dense::Matrix;
use bassay::align::interval::factor_95;
use bassay::align::least_squares::{Constraint, Options, Outcome, Problem, minimise};
use bassay::design::captures::SweepPlan;
use bassay::production::gauge::{self, Gauge};
use bassay::production::{capability, chart};
use bassay::signal::bands::{ThirdOctave, energy_mean_db};
use bassay::signal::sweep::Sweep;
use bassay::special::{Dual, Field};
use bassay::verify::bands::judge;
use bassay::verify::result::Verdict;
use num_complex::Complex64;
use std::f64::consts::{FRAC_PI_4, TAU};

fn sweep(plan: SweepPlan) -> Sweep {
    Sweep::new(plan).unwrap()
}

/// Spectrum of a sweep at one frequency, s: the sum over its samples.
fn spectrum(sweep: &Sweep, f: f64) -> Complex64 {
    let plan = sweep.plan();
    let rate = f64::from(plan.sample_rate_hz);
    let sum: Complex64 = sweep
        .samples()
        .iter()
        .enumerate()
        .map(|(n, x)| {
            Complex64::from_polar(*x, -TAU * f * (n as f64 / rate - plan.silence_before_s))
        })
        .sum();
    sum / rate / sweep.peak()
}

/// PUBLISHED: Farina 2000 (row 30): L = T/ln(f2/f1); a harmonic of order n comes L·ln n early. Printed digits.
#[test]
pub fn rate_and_harmonics_of_a_sweep() {
    source("PUBLISHED", "Farina 2000, AES 108th Convention (row 30)");
    let long = sweep(SweepPlan {
        start_hz: 20.0,
        stop_hz: 20_000.0,
        duration_s: 10.0,
        ..SweepPlan::default()
    });
    assert_near(
        long.rate_s(),
        1.447648,
        5e-7,
        "rate of a sweep 20 Hz to 20 kHz in 10 s, s",
    );
    // L = 1.45 s: over three decades 1.45·ln 1000 s.
    let other = sweep(SweepPlan {
        start_hz: 20.0,
        stop_hz: 20_000.0,
        duration_s: 1.45 * 1000f64.ln(),
        ..SweepPlan::default()
    });
    for (n, want) in [(2.0, 1.005063), (3.0, 1.592988), (5.0, 2.333685)] {
        let early = other.time_s(n * 100.0) - other.time_s(100.0);
        assert_near(
            early,
            want,
            5e-7,
            &format!("harmonic {n} of a sweep with L = 1.45 s comes early by, s"),
        );
    }
}

/// PUBLISHED: Novak et al. 2015 (row 31): spectrum of the phase-synchronous sweep, 1/(2√(f/L))·e^(+j2πfL[1 − ln(f/f1)] − jπ/4), by stationary phase: the ends of the sweep ripple on it,
/// by about 1/√(f²·L/f') = 1/√(2π·f·L), 1 % at 100 Hz; 3 % allowed.
#[test]
pub fn spectrum_of_a_synchronous_sweep() {
    source(
        "PUBLISHED",
        "Novak et al. 2015, JAES 63:786 (row 31, from memory)",
    );
    let plan = SweepPlan {
        start_hz: 10.0,
        stop_hz: 1000.0,
        duration_s: 8.0,
        sample_rate_hz: 8000,
        fade_in_s: 0.05,
        fade_out_s: 0.01,
        ..SweepPlan::default()
    };
    let s = sweep(plan);
    let l = s.rate_s();
    for f in [60.0, 100.0, 250.0, 500.0] {
        let inverse = Complex64::from_polar(
            2.0 * (f / l).sqrt(),
            -TAU * f * l * (1.0 - (f / 10.0_f64).ln()) + FRAC_PI_4,
        );
        let product = spectrum(&s, f) * inverse;
        assert_close(
            product,
            Complex64::new(1.0, 0.0),
            0.03,
            "sweep's spectrum times its inverse",
        );
    }
    source(
        "PUBLISHED",
        "Farina 2000: the inverse filter rises 3 dB per octave (row 30)",
    );
    let rise = 20.0 * (spectrum(&s, 100.0) / spectrum(&s, 200.0)).norm().log10();
    assert_within(
        rise,
        3.0103,
        0.15,
        "dB",
        "fall of the spectrum over an octave, dB",
    );
    source("PUBLISHED", "Müller & Massarani 2001 (row 32)");
    let twice = sweep(SweepPlan {
        duration_s: 16.0,
        ..plan
    });
    let more = 20.0
        * (spectrum(&twice, 200.0) / spectrum(&s, 200.0))
            .norm()
            .log10();
    assert_within(
        more,
        3.0103,
        0.15,
        "dB",
        "signal over white noise with twice the duration, dB",
    );
}

/// PUBLISHED: IEC 61260-1:2014, ISO 266 (row 33): midbands 1000·G^(x/3), edges times G^(∓1/6). Printed digits.
#[test]
pub fn third_octaves() {
    source("PUBLISHED", "IEC 61260-1:2014; ISO 266 (row 33)");
    let one = ThirdOctave::of_index(0);
    assert_near(
        one.low_hz,
        891.251,
        5e-7,
        "lower edge of the band at 1 kHz, Hz",
    );
    assert_near(
        one.high_hz,
        1122.018,
        5e-7,
        "upper edge of the band at 1 kHz, Hz",
    );
    for (x, nominal, exact) in [(-15, 31.5, 31.62278), (-13, 50.0, 50.11872)] {
        let band = ThirdOctave::of_index(x);
        assert_near(
            band.center_hz,
            exact,
            2e-7,
            &format!("midband of «{nominal}», Hz"),
        );
        assert_near(
            band.nominal_hz,
            nominal,
            1e-12,
            &format!("nominal frequency of band {x}, Hz"),
        );
    }
    source("DERIVED", "mean of energies (row 34)");
    assert_within(
        energy_mean_db(&[90.0, 84.0]),
        87.9629,
        5e-5,
        "dB",
        "energy mean of 90 and 84 dB, dB",
    );
}

/// PUBLISHED: JCGM 100, example H.2 (row 35; inputs from memory): an impedance from voltage, current and phase that hang together, by our derivatives along V, I, φ. Printed digits
/// (the guide prints 0.295 for the second, from rounded correlations).
#[test]
pub fn impedance_with_correlated_inputs() {
    source("PUBLISHED", "JCGM 100:2008, H.2 (row 35)");
    let (v, i, phi) = (4.999, 19.661e-3, 1.04446);
    let (sd, r) = (
        [0.0032, 0.0095e-3, 0.00075],
        [
            [1.0, -0.355, 0.858],
            [-0.355, 1.0, -0.645],
            [0.858, -0.645, 1.0],
        ],
    );
    let along = |n: usize| {
        let pick =
            |value: f64, m: usize| <Dual as Field>::variable(value, f64::from(u8::from(n == m)));
        pick(v, 0) / pick(i, 1) * (pick(phi, 2) * Complex64::i()).exp()
    };
    let z = along(0).value;
    let slope: Vec<Complex64> = (0..3).map(|n| along(n).slope).collect();
    let parts: [(f64, Vec<f64>); 3] = [
        (z.re, slope.iter().map(|s| s.re).collect()),
        (z.im, slope.iter().map(|s| s.im).collect()),
        (
            z.norm(),
            slope.iter().map(|s| (z.conj() * s).re / z.norm()).collect(),
        ),
    ];
    let covariance = |a: usize, b: usize| -> f64 {
        let mut sum = 0.0;
        for m in 0..3 {
            for n in 0..3 {
                sum += parts[a].1[m] * parts[b].1[n] * r[m][n] * sd[m] * sd[n];
            }
        }
        sum
    };
    for (n, name, value, u) in [
        (0, "R", 127.732, 0.071),
        (1, "X", 219.847, 0.296),
        (2, "|Z|", 254.260, 0.236),
    ] {
        assert_within(parts[n].0, value, 1e-3, "Ω", &format!("{name}, Ω"));
        assert_within(
            covariance(n, n).sqrt(),
            u,
            1e-3,
            "Ω",
            &format!("standard uncertainty of {name}, Ω"),
        );
    }
    for (a, b, want) in [(0, 1, -0.588), (0, 2, -0.485), (1, 2, 0.993)] {
        let found = covariance(a, b) / (covariance(a, a) * covariance(b, b)).sqrt();
        assert_within(
            found,
            want,
            2e-3,
            "",
            &format!(
                "correlation of {} and {}",
                ["R", "X", "|Z|"][a],
                ["R", "X", "|Z|"][b]
            ),
        );
    }
}

/// PUBLISHED: JCGM 101, 9.2.3 (row 37): four standard normal inputs: u = 2.00, linear 95 % ±3.92. Printed digits.
#[test]
pub fn sum_of_four_inputs() {
    source("PUBLISHED", "JCGM 101, 9.2.3 (row 37)");
    let u = [1.0_f64; 4].iter().map(|x| x * x).sum::<f64>().sqrt();
    assert_within(
        u * factor_95(None),
        3.92,
        5e-3,
        "",
        "95 % interval of the sum, half width",
    );
    source("PUBLISHED", "JCGM 100, table G.2 (from memory)");
    for (degrees, want) in [(1.0, 12.71), (4.0, 2.78), (10.0, 2.23), (50.0, 2.01)] {
        assert_within(
            factor_95(Some(degrees)),
            want,
            5e-3,
            "",
            &format!("95 % factor with {degrees} degrees of freedom"),
        );
    }
}

/// PUBLISHED: ASME V&V 20-2009 (row 38, from memory): a difference E says something of the model only where it exceeds its uncertainty; bassay asks whether E ± U lies in the tolerance, outside it, or across.
#[test]
pub fn three_verdicts() {
    source("PUBLISHED", "ASME V&V 20-2009 (row 38, from memory)");
    for (e, u, want) in [
        (0.6, 0.3, Verdict::Within),
        (-0.6, 0.3, Verdict::Within),
        (1.1, 0.3, Verdict::Unresolved),
        (0.8, 0.3, Verdict::Unresolved),
        (-1.4, 0.3, Verdict::Outside),
        (1.4, 2.0, Verdict::Unresolved),
    ] {
        check_word(
            &format!("difference {e} dB ± {u} dB against a tolerance of 1 dB"),
            &format!("{:?}", judge(e, u, 1.0)).to_lowercase(),
            &format!("{want:?}").to_lowercase(),
        );
    }
}

/// Straight line y = a + b·x.
struct Line {
    x: Vec<f64>,
    y: Vec<f64>,
}

impl Problem for Line {
    fn parameters(&self) -> usize {
        2
    }

    fn residuals(&mut self, theta: &[f64], jacobian: Option<&mut Matrix>) -> Option<Vec<f64>> {
        if let Some(jacobian) = jacobian {
            *jacobian =
                Matrix::from_fn(self.x.len(), 2, |i, j| if j == 0 { 1.0 } else { self.x[i] });
        }
        Some(
            self.x
                .iter()
                .zip(&self.y)
                .map(|(x, y)| theta[0] + theta[1] * x - y)
                .collect(),
        )
    }
}

fn line(x: Vec<f64>, y: Vec<f64>) -> Outcome {
    let free = [Constraint::FREE; 2];
    minimise(&mut Line { x, y }, &[0.0, 0.0], &free, &Options::default()).unwrap()
}

/// PUBLISHED: JCGM 100, example H.3 (row 36, data from memory). Printed digits.
#[test]
pub fn calibration_of_a_thermometer() {
    source("PUBLISHED", "JCGM 100:2008, H.3 (row 36; data from memory)");
    let t = [
        21.521, 22.012, 22.512, 23.003, 23.507, 23.999, 24.513, 25.002, 25.503, 26.010, 26.511,
    ];
    let b = [
        -0.171, -0.169, -0.166, -0.159, -0.164, -0.165, -0.156, -0.157, -0.159, -0.161, -0.160,
    ];
    let outcome = line(t.iter().map(|t| t - 20.0).collect(), b.to_vec());
    let s = outcome.residual_variance().unwrap().sqrt();
    let sd = outcome.standard_deviations().unwrap();
    let covariance = outcome.covariance.clone().unwrap();
    let at_30 = outcome.theta[0] + 10.0 * outcome.theta[1];
    let u_30 =
        (covariance[(0, 0)] + 20.0 * covariance[(0, 1)] + 100.0 * covariance[(1, 1)]).sqrt() * s;
    for (what, found, want, digit) in [
        ("y1, °C", outcome.theta[0], -0.1712, 5e-5),
        ("u(y1), °C", sd[0] * s, 0.0029, 5e-5),
        ("y2", outcome.theta[1], 0.00218, 5e-6),
        ("u(y2)", sd[1] * s, 0.00067, 5e-6),
        (
            "correlation",
            covariance[(0, 1)] / (sd[0] * sd[1]),
            -0.930,
            5e-4,
        ),
        ("s, °C", s, 0.0035, 5e-5),
        ("correction at 30 °C, °C", at_30, -0.1494, 5e-5),
        ("its uncertainty, °C", u_30, 0.0041, 5e-5),
    ] {
        assert_within(found, want, digit, "", &format!("thermometer: {what}"));
    }
    // ISO 9053-1 asks for the regression of pressure drop on velocity in the linear range (row 27).
    source(
        "DERIVED",
        "ISO 9053-1: slope of the pressure drop in the linear range (row 27)",
    );
    let v: Vec<f64> = (1..=6).map(|n| 0.5e-3 * f64::from(n)).collect();
    let slope = line(v.clone(), v.iter().map(|v| 400.0 * v).collect()).theta[1];
    assert_near(
        slope,
        400.0,
        1e-9,
        "specific resistance from a pressure drop, Pa·s/m",
    );
}

/// PUBLISHED: NIST/SEMATECH 6.3.2.2 (row 39, data from memory), ISO 22514 (row 40), AIAG MSA (row 41). Printed digits.
#[test]
pub fn production_figures() {
    source(
        "PUBLISHED",
        "NIST/SEMATECH handbook 6.3.2.2 (row 39; data from memory)",
    );
    assert_within(chart::d2(), 1.128379, 5e-7, "", "d2 of two values");
    assert_within(chart::d3(), 0.852502, 5e-7, "", "d3 of two values");
    let values = [49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1];
    let made = chart::individuals(&values).unwrap();
    for (what, found, want) in [
        ("mean", made.centre, 50.81),
        ("mean moving range", made.mean_range, 1.8778),
        ("upper limit", made.high, 55.8041),
        ("lower limit", made.low, 45.8159),
    ] {
        // The handbook divides by d2 = 1.128, which moves its limits by 0.0017.
        assert_within(found, want, 2e-3, "", &format!("individuals chart: {what}"));
    }
    assert_near(
        made.range_high / made.mean_range,
        3.26653,
        2e-6,
        "D4 of two values",
    );
    assert_near(
        (made.high - made.centre) / made.mean_range,
        2.65868,
        2e-6,
        "3/d2",
    );
    source("PUBLISHED", "ISO 22514 (row 40)");
    for (cp, ppm, digit) in [
        (1.0, 2699.8, 0.05),
        (4.0 / 3.0, 63.34, 0.005),
        (5.0 / 3.0, 0.5733, 0.00005),
    ] {
        let found = capability::capability(10.0, 1.0, 10.0 - 3.0 * cp, 10.0 + 3.0 * cp).unwrap();
        assert_within(
            found.outside * 1e6,
            ppm,
            digit,
            "ppm",
            &format!("outside at Cp {cp:.3}, ppm"),
        );
        assert_near(
            found.cpk,
            cp,
            1e-12,
            &format!("Cpk of a centred process, Cp {cp:.3}"),
        );
    }
    let found = capability::capability(0.0, 1.0, -5.01, 5.01).unwrap();
    assert_within(
        found.outside * 1e6,
        0.544,
        0.0005,
        "ppm",
        "outside at Cp 1.67, ppm",
    );
    source("PUBLISHED", "AIAG MSA, 4th edition (row 41)");
    let gauge = Gauge {
        repeatability: 0.03,
        reproducibility: 0.01,
        parts: 1.0,
    };
    assert_near(
        gauge.categories(),
        7.0,
        1e-12,
        "distinct categories, 1.41·1/0.2",
    );
    for (tolerance, word) in [
        (12.1, "Good"),
        (11.9, "Perhaps"),
        (4.1, "Perhaps"),
        (3.9, "Unfit"),
    ] {
        check_word(
            &format!("grade of 6·0.2 of a tolerance of {tolerance}"),
            &format!("{:?}", gauge.grade(tolerance)),
            word,
        );
    }
    source("DERIVED", "balanced design whose mean squares are exact");
    // Parts ±1, people ±0.2, repeats ±0.1, no interaction: the sums of squares are plain.
    let value: Vec<Vec<Vec<f64>>> = [-1.0, 1.0]
        .iter()
        .map(|p| {
            [-0.2, 0.2]
                .iter()
                .map(|o| [-0.1, 0.1].iter().map(|e| p + o + e).collect())
                .collect()
        })
        .collect();
    let found = gauge::study(&value).unwrap();
    // E = 4·2·0.01/4 = 0.02; I = 0; O = 4·2·0.04 = 0.32; P = 4·2·1 = 8.
    assert_near(found.repeatability, 0.02, 1e-12, "repeatability, variance");
    assert_near(
        found.reproducibility,
        0.32 / 4.0,
        1e-12,
        "reproducibility, variance",
    );
    assert_near(found.parts, 8.0 / 4.0, 1e-12, "parts, variance");
}
