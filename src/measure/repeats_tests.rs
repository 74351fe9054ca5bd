//! Takes of a known response, with known noise and known mishaps.

use super::super::Observation;
use super::*;

/// Normal-like numbers from a linear congruential generator: twelve uniform ones, less six.
struct Noise(u64);

impl Noise {
    fn next(&mut self) -> f64 {
        (0..12)
            .map(|_| {
                self.0 = self
                    .0
                    .wrapping_mul(6_364_136_223_846_793_005)
                    .wrapping_add(1);
                (self.0 >> 11) as f64 / 2f64.powi(53)
            })
            .sum::<f64>()
            - 6.0
    }
}

fn take(noise: &mut Noise, relative: f64, change: impl Fn(f64) -> Complex64) -> Response {
    let frequency_hz = Response::grid(8.0, 300.0);
    let value = frequency_hz
        .iter()
        .map(|f| {
            let truth = Complex64::new(1.0, f / 60.0) * change(*f);
            let own = Complex64::new(noise.next(), noise.next()) / 2f64.sqrt();
            truth + truth.norm() * relative * own
        })
        .collect();
    let observation = Observation::Pressure {
        probe: "mouth-near".into(),
    };
    let mut r = Response::made(observation, &frequency_hz, value, relative);
    r.take.snr_bands = vec![(20.0, 40.0), (50.0, 43.0)];
    r
}

fn one(_: f64) -> Complex64 {
    Complex64::new(1.0, 0.0)
}

/// PUBLISHED: two averages gain 3.0103 dB (Müller & Massarani 2001); DERIVED: the stated noise is that of the mean.
#[test]
fn two_takes_gain_three_decibels() {
    let mut noise = Noise(7);
    let list = vec![take(&mut noise, 0.01, one), take(&mut noise, 0.01, one)];
    let single = list[0].noise_rms[10];
    let m = average(list);
    let gain_db = 20.0 * (single / m.noise_rms[10]).log10();
    // The two noises differ with the values they are stated for, by 1 %.
    assert!((gain_db - 3.0103).abs() < 0.1, "{gain_db}");
    assert!((m.take.snr_bands[1].1 - (43.0 + 3.0103)).abs() < 1e-3);
    assert!(m.take.warnings.is_empty() && m.take.repeats.len() == 2);
    // Observed against stated: 252 points, so 10 % is two standard deviations.
    let (mut observed, mut stated) = (0.0, 0.0);
    for ((v, n), f) in m.value.iter().zip(&m.noise_rms).zip(&m.frequency_hz) {
        observed += (v - Complex64::new(1.0, f / 60.0)).norm_sqr();
        stated += n * n;
    }
    assert!(
        (observed / stated - 1.0).abs() < 0.2,
        "{}",
        observed / stated
    );
}

/// DERIVED: weights are inverse variances: a noisy third take hardly counts.
#[test]
fn a_noisy_take_counts_little() {
    let mut noise = Noise(3);
    let list = vec![take(&mut noise, 0.001, one), take(&mut noise, 0.05, one)];
    let single = list[0].noise_rms[5];
    let m = average(list);
    assert!((m.noise_rms[5] / single - 1.0).abs() < 1e-3);
}

/// DERIVED: one of four takes is 1.5 dB up around 40 Hz; it is dropped and named, the mean is that of the others.
#[test]
fn a_spoiled_take_is_dropped_and_named() {
    let mut noise = Noise(11);
    let bump = |f: f64| Complex64::new(1.0 + 0.19 * (-(f / 40.0).log2().powi(2) / 0.05).exp(), 0.0);
    let mut list = vec![
        take(&mut noise, 0.003, one),
        take(&mut noise, 0.003, bump),
        take(&mut noise, 0.003, one),
        take(&mut noise, 0.003, one),
    ];
    list[1].take.file = "mouth-near-2.wav".into();
    let m = average(list);
    assert_eq!(
        m.take.repeats.iter().map(|r| r.used).collect::<Vec<_>>(),
        [true, false, true, true]
    );
    match &m.take.warnings[..] {
        [
            TakeWarning::RepeatDropped {
                file,
                center_hz,
                difference_db,
                ..
            },
        ] => {
            assert_eq!((file.as_str(), *center_hz), ("mouth-near-2.wav", 40.0));
            assert!(
                *difference_db > 1.0 && *difference_db < 1.6,
                "{difference_db}"
            );
        }
        other => panic!("{other:?}"),
    }
    let at = m.frequency_hz.iter().position(|f| *f > 40.0).unwrap();
    let truth = Complex64::new(1.0, m.frequency_hz[at] / 60.0);
    assert!((m.value[at] / truth).norm() < 1.01);
}

/// DERIVED: of two takes 1 dB apart neither can be called wrong; the noise then holds half their difference.
#[test]
fn of_two_that_disagree_neither_is_dropped() {
    let mut noise = Noise(5);
    let up = |_: f64| Complex64::new(10f64.powf(1.0 / 20.0), 0.0);
    let m = average(vec![
        take(&mut noise, 0.001, one),
        take(&mut noise, 0.001, up),
    ]);
    assert!(m.take.repeats.iter().all(|r| r.used));
    match m.take.warnings[..] {
        [TakeWarning::RepeatsDisagree { difference_db, .. }] => {
            assert!((difference_db - 1.0).abs() < 0.05, "{difference_db}");
        }
        ref other => panic!("{other:?}"),
    }
    let half = 0.5 * (10f64.powf(1.0 / 20.0) - 1.0) * m.value[20].norm();
    assert!((m.noise_rms[20] / half - 1.0).abs() < 0.1);
}

/// DERIVED: takes without time zero start at different fractions of a sample and still agree.
#[test]
fn unknown_starts_are_laid_on_each_other() {
    let mut noise = Noise(9);
    let late = |f: f64| Complex64::cis(-TAU * f * 0.000_31);
    let mut list = vec![
        take(&mut noise, 0.001, one),
        take(&mut noise, 0.001, late),
        take(&mut noise, 0.001, |f| late(f) * late(f)),
    ];
    for r in &mut list {
        r.timed = false;
    }
    let m = average(list);
    assert!(m.take.warnings.is_empty(), "{:?}", m.take.warnings);
    for (v, f) in m.value.iter().zip(&m.frequency_hz) {
        assert!((v / Complex64::new(1.0, f / 60.0) - 1.0).norm() < 0.005);
    }
}
