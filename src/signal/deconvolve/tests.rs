use super::*;
use crate::design::captures::SweepPlan;

fn sweep() -> Sweep {
    Sweep::new(SweepPlan {
        sample_rate_hz: 8000,
        duration_s: 6.0,
        ..SweepPlan::default()
    })
    .unwrap()
}

/// A short filter: two damped tones and a direct part.
fn filter(rate: f64) -> Vec<f64> {
    (0..400)
        .map(|n| {
            let t = f64::from(n) / rate;
            (-t / 0.006).exp() * ((TAU * 60.0 * t).sin() + 0.5 * (TAU * 190.0 * t).cos()) * 0.05
        })
        .collect()
}

fn convolve(x: &[f64], h: &[f64]) -> Vec<f64> {
    let mut y = vec![0.0; x.len()];
    for (n, v) in x.iter().enumerate() {
        if *v != 0.0 {
            for (m, c) in h.iter().enumerate().take(x.len() - n) {
                y[n + m] += v * c;
            }
        }
    }
    y
}

fn transfer(h: &[f64], f: f64, rate: f64) -> Complex64 {
    h.iter()
        .enumerate()
        .map(|(n, c)| Complex64::from_polar(*c, -TAU * f * n as f64 / rate))
        .sum()
}

/// DERIVED: deconvolve(sweep ∗ h) = h to 1e-6 in the swept band, whatever the start and the gain.
#[test]
fn a_known_filter_comes_back() {
    let rate = 8000.0;
    let h = filter(rate);
    for (offset, gain, duration_s) in [
        (0.0, 1.0, 6.0),
        (0.37, 0.02, 6.0),
        (1.2345, 3.0, 6.0),
        (0.1, 1.0, 1.0),
        (0.1, 1.0, 2.5),
        (0.1, 1.0, 4.0),
        (0.1, 1.0, 12.0),
    ] {
        let sweep = Sweep::new(SweepPlan {
            sample_rate_hz: 8000,
            duration_s,
            ..SweepPlan::default()
        })
        .unwrap();
        let count = ((duration_s + 3.5) * rate) as usize;
        let x: Vec<f64> = (0..count)
            .map(|n| gain * sweep.at(n as f64 / rate - 0.5 - offset))
            .collect();
        let y = convolve(&x, &h);
        let got = deconvolve(
            &Take {
                rate_hz: rate,
                signal: &y,
                reference: Some(&x),
            },
            &sweep,
        )
        .unwrap();
        assert!(
            (got.start_s - 0.5 - offset).abs() < 0.01 / rate + 1e-3,
            "{}",
            got.start_s
        );
        assert!(got.frequency_hz[0] < 8.5 && got.frequency_hz[got.frequency_hz.len() - 1] > 440.0);
        for (f, v) in got.frequency_hz.iter().zip(&got.value) {
            let want = transfer(&h, *f, rate);
            let error = (v - want).norm() / want.norm();
            assert!(error < 1e-6, "{duration_s} s, {f} Hz: {error:e}");
        }
    }
}

/// DERIVED: white noise; over many takes the mean of the stated variance is the mean of the squared error. (The mean of
/// the ratio would lie above 1 by the scatter of the estimate in its denominator.)
#[test]
fn the_stated_noise_is_the_noise() {
    let sweep = Sweep::new(SweepPlan {
        sample_rate_hz: 8000,
        duration_s: 2.0,
        ..SweepPlan::default()
    })
    .unwrap();
    let rate = 8000.0;
    let h = filter(rate);
    let count = (4.5 * rate) as usize;
    let x: Vec<f64> = (0..count)
        .map(|n| sweep.at(n as f64 / rate - 0.7))
        .collect();
    let clean = convolve(&x, &h);
    let mut state = 7u64;
    let mut normal = || {
        let mut sum = -6.0;
        for _ in 0..12 {
            state = state
                .wrapping_mul(6_364_136_223_846_793_005)
                .wrapping_add(1_442_695_040_888_963_407);
            sum += (state >> 11) as f64 / (1u64 << 53) as f64;
        }
        sum
    };
    let mut sums: Vec<(f64, f64, f64)> = Vec::new();
    for _ in 0..120 {
        let y: Vec<f64> = clean.iter().map(|v| v + 1e-3 * normal()).collect();
        let take = Take {
            rate_hz: rate,
            signal: &y,
            reference: Some(&x),
        };
        let got = deconvolve(&take, &sweep).unwrap();
        sums.resize(got.value.len(), (0.0, 0.0, 0.0));
        for (i, s) in sums.iter_mut().enumerate() {
            let f = got.frequency_hz[i];
            s.0 = f;
            s.1 += (got.value[i] - transfer(&h, f, rate)).norm_sqr();
            s.2 += got.noise_rms[i].powi(2);
        }
    }
    for (low, high) in [(6.0, 12.0), (12.0, 50.0), (50.0, 470.0)] {
        let inside = sums.iter().filter(|s| (low..high).contains(&s.0));
        let (mut mean, mut n) = (0.0, 0.0);
        for s in inside {
            mean += s.1 / s.2;
            n += 1.0;
        }
        mean /= n;
        // 120 takes of at least ten independent values each: 3 %; twice that and a little for the floor's own scatter.
        assert!((0.92..1.08).contains(&mean), "{low} to {high} Hz: {mean}");
    }
}

/// DERIVED: y = x + a·x² has a second harmonic of a·A/2 and a third of none (polynomial of a sine).
#[test]
fn a_known_distortion_reappears() {
    let sweep = Sweep::new(SweepPlan {
        sample_rate_hz: 8000,
        duration_s: 8.0,
        ..SweepPlan::default()
    })
    .unwrap();
    let rate = 8000.0;
    let count = (10.5 * rate) as usize;
    let x: Vec<f64> = (0..count)
        .map(|n| sweep.at(n as f64 / rate - 0.5))
        .collect();
    let (a, b) = (0.02, 0.01);
    let y: Vec<f64> = x.iter().map(|v| v + a * v * v + b * v * v * v).collect();
    let got = deconvolve(
        &Take {
            rate_hz: rate,
            signal: &y,
            reference: Some(&x),
        },
        &sweep,
    )
    .unwrap();
    let peak = sweep.peak();
    let linear = 1.0 + 0.75 * b * peak * peak;
    for (order, want) in [
        (2, a * peak / 2.0 / linear),
        (3, b * peak * peak / 4.0 / linear),
    ] {
        let found = got.harmonics.iter().find(|h| h.order == order).unwrap();
        for (f, l) in found
            .frequency_hz
            .iter()
            .zip(&found.level_db)
            .filter(|(f, _)| (20.0..120.0).contains(*f))
        {
            assert!(
                (l - 20.0 * want.log10()).abs() < 0.3,
                "order {order} at {f} Hz: {l} dB"
            );
        }
    }
    for (f, v) in got
        .frequency_hz
        .iter()
        .zip(&got.value)
        .filter(|(f, _)| (10.0..400.0).contains(*f))
    {
        assert!((v.norm() / linear - 1.0).abs() < 2e-3, "{f} Hz: {v}");
    }
}

/// DERIVED: a recorder that runs fast by δ stretches the sweep by 1 + δ.
#[test]
fn drift_polarity_and_lost_samples_are_found() {
    let sweep = sweep();
    let rate = 8000.0;
    let count = (9.0 * rate) as usize;
    for ppm in [-100.0, 0.0, 63.0] {
        let x: Vec<f64> = (0..count)
            .map(|n| -sweep.at(n as f64 / (rate * (1.0 + ppm * 1e-6)) - 0.5))
            .collect();
        let got = deconvolve(
            &Take {
                rate_hz: rate,
                signal: &x,
                reference: Some(&x),
            },
            &sweep,
        )
        .unwrap();
        assert!(
            (got.drift_ppm.unwrap() - ppm).abs() < 1.0,
            "{:?} for {ppm}",
            got.drift_ppm
        );
        assert_eq!(got.polarity, -1);
        assert!(got.jump.is_none());
    }
    let mut x: Vec<f64> = (0..count)
        .map(|n| sweep.at(n as f64 / rate - 0.5))
        .collect();
    x.drain(30_000..30_085);
    let got = deconvolve(
        &Take {
            rate_hz: rate,
            signal: &x,
            reference: Some(&x),
        },
        &sweep,
    )
    .unwrap();
    let (at, lost) = got.jump.unwrap();
    assert!(
        (at - 30_000.0 / rate).abs() < 0.4 && (lost * rate - 85.0).abs() < 2.0,
        "{at} {}",
        lost * rate
    );
}

#[test]
fn a_wrong_rate_or_no_sweep_is_named() {
    let sweep = sweep();
    let rate = 8000.0;
    let count = (9.0 * rate) as usize;
    let x: Vec<f64> = (0..count)
        .map(|n| sweep.at(n as f64 / (rate * 48.0 / 44.1) - 0.5))
        .collect();
    let error = deconvolve(
        &Take {
            rate_hz: rate,
            signal: &x,
            reference: None,
        },
        &sweep,
    )
    .unwrap_err();
    assert!(
        error
            .to_string()
            .contains("it fits if the sample rate were 1.0884"),
        "{error}"
    );
    let hum: Vec<f64> = (0..count)
        .map(|n| (TAU * 50.0 * n as f64 / rate).sin())
        .collect();
    assert!(
        deconvolve(
            &Take {
                rate_hz: rate,
                signal: &hum,
                reference: None
            },
            &sweep
        )
        .is_err()
    );
}

/// Even numbers between −1 and 1.
fn uniform(state: &mut u64) -> f64 {
    *state = state
        .wrapping_mul(6_364_136_223_846_793_005)
        .wrapping_add(1_442_695_040_888_963_407);
    2.0 * ((*state >> 11) as f64 / (1u64 << 53) as f64) - 1.0
}

/// A sweep of 2 s behind `lead_s` of silence, through a filter, in white noise and rumble below 10 Hz.
fn in_noise(lead_s: f64, seed: u64, more: impl Fn(f64) -> f64) -> Deconvolved {
    let sweep = Sweep::new(SweepPlan {
        sample_rate_hz: 8000,
        duration_s: 2.0,
        ..SweepPlan::default()
    })
    .unwrap();
    let rate = 8000.0;
    let count = ((lead_s + 4.0) * rate) as usize;
    let x: Vec<f64> = (0..count)
        .map(|n| sweep.at(n as f64 / rate - lead_s))
        .collect();
    let (mut state, mut rumble) = (seed, 0.0);
    let y: Vec<f64> = convolve(&x, &filter(rate))
        .iter()
        .enumerate()
        .map(|(n, v)| {
            rumble += 0.008 * (uniform(&mut state) - rumble);
            v + 1e-3 * (uniform(&mut state) + 5.0 * rumble) + more(n as f64 / rate)
        })
        .collect();
    let take = Take {
        rate_hz: rate,
        signal: &y,
        reference: Some(&x),
    };
    deconvolve(&take, &sweep).unwrap()
}

/// DERIVED: the noise is the same with and without what disturbs a part of the silence, so that the SNR is, within the scatter
/// of a noise that is read from fewer seconds: 1.5 dB for the median, some dozen degrees of freedom a band.
#[test]
fn what_disturbs_a_silence_is_no_noise() {
    let clean = in_noise(4.0, 11, |_| 0.0);
    assert_eq!(clean.silence_left_out_s, 0.0);
    let thump = |at: f64| {
        move |t: f64| {
            let age = (t - at).max(0.0);
            0.3 * (-age / 0.1).exp() * (TAU * 30.0 * age).sin()
        }
    };
    // A take before that still rings at the start of this one's share of the pause.
    let ringing = |t: f64| 0.2 * (-t / 0.15).exp() * (TAU * 45.0 * t).sin();
    // Steps of 4 s are heard throughout, but for the last second.
    let steps = |t: f64| {
        let age = t % 0.5;
        let on = if t < 2.5 { 0.1 } else { 0.0 };
        on * (-age / 0.05).exp() * (TAU * 60.0 * age).sin()
    };
    let cases: [(&str, Deconvolved); 4] = [
        ("thump early", in_noise(4.0, 11, thump(0.4))),
        ("thump late", in_noise(4.0, 11, thump(3.2))),
        ("ringing", in_noise(4.0, 11, ringing)),
        ("steps", in_noise(4.0, 11, steps)),
    ];
    for (what, got) in cases {
        let off = got.snr_db - clean.snr_db;
        assert!(off.abs() < 1.5, "{what}: {off} dB, {:?}", got.silence_s);
        assert!(got.silence_left_out_s >= 0.5, "{what}");
        let [from, to] = got.silence_s;
        assert!(to - from >= 0.5 && to < 4.0, "{what}: {from} {to}");
    }
}

/// DERIVED: steady noise is read from the whole silence, so that nothing picks its quiet moments: by the F distribution a silence in
/// some hundred may look disturbed; of 60, three do by chance once in fifty runs with a probability of 1 % each.
#[test]
fn steady_noise_is_read_from_the_whole_silence() {
    for lead_s in [1.7, 4.0] {
        let cut = (0..60)
            .filter(|n| in_noise(lead_s, 1000 + n, |_| 0.0).silence_left_out_s > 0.0)
            .count();
        assert!(cut <= 3, "{lead_s} s: {cut} of 60");
    }
}
