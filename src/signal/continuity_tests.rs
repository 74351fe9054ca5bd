use super::*;
use crate::design::captures::SweepPlan;

/// A sweep as recorded: the path is a filter on each sample, then the clocks, then noise of uniform distribution.
struct Recording {
    rate_hz: u32,
    drift_ppm: f64,
    noise: f64,
    /// Second-order high-passes of Q = 0.7071 at these corners, Hz.
    corners_hz: Vec<f64>,
}

impl Default for Recording {
    fn default() -> Self {
        Self {
            rate_hz: 48_000,
            drift_ppm: 0.0,
            noise: 1e-5,
            corners_hz: Vec::new(),
        }
    }
}

impl Recording {
    fn sweep(&self) -> Sweep {
        Sweep::new(SweepPlan {
            sample_rate_hz: self.rate_hz,
            ..SweepPlan::default()
        })
        .unwrap()
    }

    fn made(&self) -> Vec<f32> {
        let sweep = self.sweep();
        let rate = f64::from(self.rate_hz);
        let count = (12.0 * rate) as usize;
        let mut seed = 1_u64;
        let mut signal: Vec<f64> = (0..count)
            .map(|n| {
                let time_s = n as f64 / rate / (1.0 + self.drift_ppm * 1e-6) - 1.3;
                sweep.at(time_s)
            })
            .collect();
        for &corner in &self.corners_hz {
            high_pass(&mut signal, corner, rate);
        }
        signal
            .iter()
            .map(|v| {
                // Numerical Recipes' 64-bit linear congruential generator.
                seed = seed
                    .wrapping_mul(6_364_136_223_846_793_005)
                    .wrapping_add(1_442_695_040_888_963_407);
                let uniform = (seed >> 11) as f64 / (1_u64 << 53) as f64 - 0.5;
                (v + self.noise * 12f64.sqrt() * uniform) as f32
            })
            .collect()
    }

    /// Sample at which the sweep plays a frequency.
    fn place(&self, frequency_hz: f64) -> usize {
        ((1.3 + self.sweep().time_s(frequency_hz)) * f64::from(self.rate_hz)) as usize
    }
}

/// Bilinear second-order Butterworth high-pass (any textbook of digital filters).
fn high_pass(signal: &mut [f64], corner_hz: f64, rate_hz: f64) {
    let k = (std::f64::consts::PI * corner_hz / rate_hz).tan();
    let norm = 1.0 / (1.0 + 2f64.sqrt() * k + k * k);
    let (a1, a2) = (
        2.0 * (k * k - 1.0) * norm,
        (1.0 - 2f64.sqrt() * k + k * k) * norm,
    );
    let (mut x1, mut x2, mut y1, mut y2) = (0.0, 0.0, 0.0, 0.0);
    for value in signal {
        let x = *value;
        let y = norm * (x - 2.0 * x1 + x2) - a1 * y1 - a2 * y2;
        (x2, x1, y2, y1) = (x1, x, y1, y);
        *value = y;
    }
}

/// A path that is whole is never refused: noise, clocks, high-passes of second and fourth order below and in the sweep.
#[test]
fn a_whole_recording_has_no_step() {
    for (rate_hz, drift_ppm, noise, corners_hz) in [
        (48_000, 0.0, 1e-5, vec![]),
        (44_100, 120.0, 1e-3, vec![]),
        (96_000, -900.0, 1e-4, vec![2.0]),
        (48_000, 30.0, 1e-5, vec![5.0]),
        (48_000, 0.0, 1e-5, vec![12.0, 12.0]),
        (48_000, 0.0, 1e-5, vec![25.0, 25.0]),
        (48_000, 0.0, 0.02, vec![]),
    ] {
        let recording = Recording {
            rate_hz,
            drift_ppm,
            noise,
            corners_hz,
        };
        let got = examine(&recording.made(), f64::from(rate_hz), &recording.sweep()).unwrap();
        println!(
            "{rate_hz} {drift_ppm} {noise} {:?}: {got:?}",
            recording.corners_hz
        );
        assert!(got.steps.is_empty(), "{:?}", got.steps);
        assert!((got.start_s - 1.3).abs() < 0.02);
        // DERIVED: the drift that was put in, within three standard deviations.
        assert!(
            (got.drift_ppm - drift_ppm).abs() < 3.0 * got.drift_sd_ppm,
            "{} ± {} instead of {drift_ppm}",
            got.drift_ppm,
            got.drift_sd_ppm
        );
    }
}

/// A dropout of 500 frames that nobody reports is found wherever it lies ahead of the fade-out (20 ms, from 495 Hz on), with
/// its place, size and direction, also where it makes a whole number of turns (96 Hz and its multiples at 48 kHz).
#[test]
fn five_hundred_frames_are_missed_anywhere() {
    for rate_hz in [44_100, 48_000, 96_000] {
        let recording = Recording {
            rate_hz,
            ..Recording::default()
        };
        let whole = recording.made();
        let sweep = recording.sweep();
        let mut places = vec![
            6.6, 7.0, 8.3, 10.0, 15.0, 22.0, 33.0, 61.0, 150.0, 333.0, 480.0,
        ];
        places.extend((1..=5).map(|n| f64::from(n) * f64::from(rate_hz) / 500.0));
        for hz in places.into_iter().filter(|&hz| hz < 491.0) {
            let at = recording.place(hz);
            let mut lost = whole.clone();
            lost.drain(at..at + 500);
            let mut repeated = whole.clone();
            repeated.splice(at..at, whole[at - 500..at].iter().copied());
            for (signal, frames) in [(lost, 500.0), (repeated, -500.0)] {
                let got = examine(&signal, f64::from(rate_hz), &sweep).unwrap();
                assert_eq!(got.steps.len(), 1, "{rate_hz} Hz, {hz} Hz: {:?}", got.steps);
                let step = got.steps[0];
                println!("{rate_hz} {hz:.1} {frames}: {step}");
                let periods = 1.5 / hz + 0.02;
                assert!(
                    (step.at_s - at as f64 / f64::from(rate_hz)).abs() < periods + 0.02,
                    "{hz} Hz: {step:?}"
                );
                assert!(
                    step.frames * frames > 0.0,
                    "{rate_hz} Hz, {hz} Hz: {step:?}"
                );
                // Where a step can be told from a delay of a whole period more, its size is right.
                assert!(
                    (step.frames - frames).abs() < 0.2 * frames.abs(),
                    "{rate_hz} Hz, {hz} Hz: {step:?}"
                );
            }
        }
    }
}

/// Steps of one and a half times what is said to be the smallest are found, at every frequency.
#[test]
fn the_smallest_step_is_what_it_is_said_to_be() {
    let recording = Recording::default();
    let whole = recording.made();
    let sweep = recording.sweep();
    let clean = examine(&whole, 48_000.0, &sweep).unwrap();
    for &(hz, frames) in &clean.smallest {
        let count = (1.5 * frames).ceil() as usize;
        println!("{hz:.1} Hz: {frames:.1} frames");
        if !(6.6..=490.0).contains(&hz) {
            continue;
        }
        let at = recording.place(hz * 1.05);
        let mut lost = whole.clone();
        lost.drain(at..at + count);
        let got = examine(&lost, 48_000.0, &sweep).unwrap();
        assert!(!got.steps.is_empty(), "{count} frames at {hz} Hz");
    }
    // DERIVED: 0.03 rad of 48,000/300 frames for a turn is under one frame.
    assert!(clean.smallest.iter().all(|&(hz, n)| hz < 300.0 || n < 1.0));
}

#[test]
fn silence_in_place_of_frames_is_found() {
    let recording = Recording::default();
    let mut signal = recording.made();
    for hz in [6.0, 20.0, 200.0] {
        let at = recording.place(hz);
        signal[at..at + 500].fill(0.0);
        let got = examine(&signal, 48_000.0, &recording.sweep()).unwrap();
        let step = got.steps.iter().find(|s| s.silent).unwrap();
        assert!((step.frames - 500.0).abs() < 2.0, "{step:?}");
        signal = recording.made();
    }
}

#[test]
fn a_reference_that_does_not_tell_says_so() {
    let recording = Recording::default();
    let sweep = recording.sweep();
    let whole = recording.made();
    let error = |signal: &[f32]| examine(signal, 48_000.0, &sweep).unwrap_err();
    assert_eq!(error(&vec![0.0; 500_000]), ContinuityError::NoSweep);
    assert!(matches!(
        error(&whole[..400_000]),
        ContinuityError::Short { .. }
    ));
    let noisy = Recording {
        noise: 0.6,
        ..Recording::default()
    };
    assert!(matches!(
        error(&noisy.made()),
        ContinuityError::TooNoisy { .. }
    ));
}
