use super::*;
use crate::design::captures::SweepPlan;
use crate::special::deviates::Deviates;

const RATE: f64 = 48_000.0;

fn sweep() -> Sweep {
    Sweep::new(SweepPlan {
        duration_s: 4.0,
        ..SweepPlan::default()
    })
    .unwrap()
}

/// Noise of a standard deviation of 10⁻⁵, and the sweep with a polynomial of order five bent into it.
fn recording(sweep: &Sweep, noise: f64) -> Vec<f64> {
    let mut stream = Deviates::new(3, 1);
    sweep
        .samples()
        .iter()
        .map(|x| {
            x + 0.1 * x * x + 0.05 * x.powi(3) - 0.03 * x.powi(4)
                + 0.02 * x.powi(5)
                + noise * stream.normal()
        })
        .collect()
}

fn mean_square(list: &[f64]) -> f64 {
    list.iter().map(|x| x * x).sum::<f64>() / list.len() as f64
}

/// Largest mean square of a one-third octave of the sweep.
fn loudest(signal: &[f64], sweep: &Sweep) -> f64 {
    third_octaves(5.62, 490.0)
        .iter()
        .map(|b| {
            let [from, to] =
                [b.low_hz, b.high_hz].map(|f| ((0.5 + sweep.time_s(f)) * RATE) as usize);
            mean_square(&signal[from..to.min(signal.len())])
        })
        .fold(0.0, f64::max)
}

/// DERIVED: noise and the distortion of a polynomial are no residue, and the floor is the noise: white noise of the variance σ²
/// has σ²·(b − a)/(rate/2) between a and b.
#[test]
fn distortion_and_noise_are_no_residue() {
    let sweep = sweep();
    let signal = recording(&sweep, 1e-5);
    let list = residue(&signal, RATE, 0.5, &sweep);
    // 6.3 to 400 Hz, of which those are told whose twelvefold leaves half an octave up to 10 kHz.
    let whole = loudest(&signal, &sweep);
    assert!(list.len() >= 17, "{}", list.len());
    for r in &list {
        assert!(!r.told(), "{r:?}");
        assert!(r.crest_db < 3.0, "{r:?}");
        let listen = MOST_HZ - MULTIPLE * r.center_hz - REACH * RATE / 512.0;
        let want = 10.0 * (1e-10 * listen / (0.5 * RATE) / whole).log10();
        // One bin of 94 Hz at each end, the rise of 12·f within the band, and √(1/BT) of half a second of noise: 0.3 dB.
        let slack = 0.3 + 10.0 * (1.0_f64 + 1.6 * MULTIPLE * r.center_hz / listen / 4.0).log10();
        assert!((r.floor_db - want).abs() < slack, "{r:?} {want} {slack}");
    }
}

/// DERIVED: bursts of known energy at every peak of the displacement while 30 to 45 Hz are played come out with their level over
/// the signal, there and nowhere else, and as bursts.
#[test]
fn bursts_at_the_peaks_are_found_where_they_are() {
    let sweep = sweep();
    let mut signal = recording(&sweep, 1e-5);
    let clean = signal.clone();
    let played = sweep.samples();
    let mut added = vec![0.0; signal.len()];
    // Tones of 3 kHz under a Gaussian of 0.5 ms: nothing of them lies below 1.5 kHz or above 5 kHz.
    for n in 1..played.len() - 1 {
        let t = n as f64 / RATE - 0.5;
        let f = 5.0 * (t / sweep.rate_s()).exp();
        let peak = played[n] > played[n - 1] && played[n] >= played[n + 1] && played[n] > 0.3;
        if peak && (30.0..45.0).contains(&f) {
            for k in 0..480_usize {
                let s = (k as f64 - 240.0) / RATE;
                let burst =
                    0.01 * (-0.5 * (s / 5e-4).powi(2)).exp() * (2.0 * PI * 3000.0 * s).sin();
                added[n + k - 240] += burst;
            }
        }
    }
    for (x, a) in signal.iter_mut().zip(&added) {
        *x += a;
    }
    let list = residue(&signal, RATE, 0.5, &sweep);
    for r in &list {
        let ends = [r.center_hz * 0.8913, r.center_hz * 1.122]
            .map(|f| ((0.5 + sweep.time_s(f)) * RATE) as usize);
        let energy = mean_square(&added[ends[0]..ends[1]]);
        if r.center_hz == 40.0 {
            let want = 10.0 * (energy / loudest(&clean, &sweep)).log10();
            // Bursts at the band's edges count in part: one of eight or so.
            assert!((r.level_db - want).abs() < 0.6, "{r:?} {want}");
            assert!(r.told() && r.crest_db > 10.0, "{r:?}");
        } else if energy == 0.0 && !(25.0..50.5).contains(&r.center_hz) {
            assert!(!r.told(), "{r:?}");
        }
    }
}

/// DERIVED: one click of four samples while 25 Hz are played is a single event: what is told reaches from where the band lies
/// without it up to the click's own energy over the band, at 1.65 standard uncertainties, and no other band hears it. The same click once
/// per period is a rattle.
#[test]
fn a_single_click_is_no_rattle() {
    let sweep = sweep();
    let at = ((0.5 + sweep.time_s(25.0)) * RATE) as usize;
    let mut once = recording(&sweep, 1e-5);
    once[at..at + 4].iter_mut().for_each(|x| *x += 0.05);
    let list = residue(&once, RATE, 0.5, &sweep);
    for r in &list {
        if r.center_hz == 25.0 {
            let when = r.event_s.unwrap();
            assert!((when - at as f64 / RATE).abs() < 0.01, "{r:?}");
            // Four samples of one sign: |X(f)|² falls as a sinc; between 0.4 and 10 kHz of 24 kHz most of what lies there is left.
            let time_s = sweep.time_s(25.0 * 1.122) - sweep.time_s(25.0 * 0.8913);
            let whole = 4.0 * 0.05_f64.powi(2) / (time_s * RATE);
            let most = 10.0 * (whole / loudest(&recording(&sweep, 0.0), &sweep)).log10();
            let reach = r.level_db + 1.65 * r.standard_db;
            assert!(reach < most && reach > most - 6.0, "{r:?} {reach} {most}");
            assert!(r.level_db < r.floor_db, "{r:?}");
        } else {
            assert!(r.event_s.is_none() && !r.told(), "{r:?}");
        }
    }
    let mut often = recording(&sweep, 1e-5);
    let mut t = sweep.time_s(22.0);
    while t < sweep.time_s(29.0) {
        let n = ((0.5 + t) * RATE) as usize;
        often[n..n + 4].iter_mut().for_each(|x| *x += 0.05);
        t += 1.0 / (5.0 * (t / sweep.rate_s()).exp());
    }
    let list = residue(&often, RATE, 0.5, &sweep);
    let band = list.iter().find(|r| r.center_hz == 25.0).unwrap();
    assert!(band.told() && band.event_s.is_none(), "{band:?}");
}

/// DERIVED: steady hiss as loud as the floor's tenfold is told with its level and is no burst.
#[test]
fn hiss_is_steady() {
    let sweep = sweep();
    let mut signal = recording(&sweep, 1e-5);
    let mut stream = Deviates::new(9, 2);
    let start = RATE / 2.0;
    for (n, x) in signal.iter_mut().enumerate() {
        if n as f64 > start {
            *x += 1e-4 * stream.normal();
        }
    }
    for r in residue(&signal, RATE, 0.5, &sweep) {
        // Variances 1e-8 over 1e-10: 20 dB, within √(1/BT).
        assert!((r.level_db - r.floor_db - 20.0).abs() < 0.6, "{r:?}");
        assert!(r.told() && r.crest_db < 4.0, "{r:?}");
    }
}

#[test]
fn without_silence_nothing_is_said() {
    let sweep = sweep();
    let signal = recording(&sweep, 1e-5);
    let from = (0.49 * RATE) as usize;
    let to = (4.6 * RATE) as usize;
    assert!(residue(&signal[from..to], RATE, 0.01, &sweep).is_empty());
    assert!(residue(&[], RATE, 0.0, &sweep).is_empty());
    assert!(residue(&[f64::NAN; 4000], RATE, 0.0, &sweep).is_empty());
}
