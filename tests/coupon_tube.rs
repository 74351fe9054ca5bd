//! A two-microphone tube and a closed tube of known termination, as WAV files, through the whole of `bassay coupon`.
//!
//! The files are made here from closed-form responses, by a route that shares nothing with the evaluation: incident and
//! reflected wave with the reflection factor of a resistive sheet in front of a closed air gap, Kirchhoff's attenuation,
//! and the recording as the inverse Fourier transform of sweep × tube × microphone.

#![allow(clippy::unwrap_used)]

use bassay::air::Air;
use bassay::damping::coupon::{CouponResult, measure};
use bassay::design::captures::SweepPlan;
use bassay::design::{AirConditions, coupon};
use bassay::signal::sweep::Sweep;
use bassay::signal::wav::{Storage, write};
use num_complex::Complex64;
use realfft::RealFftPlanner;
use std::f64::consts::{PI, TAU};
use std::path::Path;

const J: Complex64 = Complex64 { re: 0.0, im: 1.0 };

/// The rig: what is true in it.
struct Rig {
    diameter_m: f64,
    spacing_m: f64,
    near_m: f64,
    behind_m: f64,
    from_end_m: f64,
    sheet_pa_s_per_m: f64,
    areal_mass_kg_per_m2: f64,
}

const RIG: Rig = Rig {
    diameter_m: 0.100,
    spacing_m: 0.100,
    near_m: 0.120,
    behind_m: 0.080,
    from_end_m: 0.010,
    sheet_pa_s_per_m: 230.0,
    areal_mass_kg_per_m2: 0.06,
};

fn plan() -> SweepPlan {
    SweepPlan {
        start_hz: 60.0,
        stop_hz: 2500.0,
        duration_s: 3.0,
        sample_rate_hz: 16_000,
        silence_before_s: 0.5,
        silence_after_s: 1.0,
        ..SweepPlan::default()
    }
}

fn air() -> Air {
    Air::at(&AirConditions {
        temperature_c: 21.0,
        ..AirConditions::default()
    })
}

impl Rig {
    /// Wave number with the attenuation of wide tubes: α = 2/(d·c)·√(ων/2)·(1 + (γ−1)/√Pr) (Kirchhoff 1868; e.g. Pierce,
    /// Acoustics, 10-5, from memory), and the same added to the phase.
    fn k(&self, f: f64) -> Complex64 {
        let air = air();
        let nu = air.viscosity_pa_s / air.density_kg_per_m3;
        let loss = 2.0 / (self.diameter_m * air.speed_m_per_s)
            * (PI * f * nu).sqrt()
            * (1.0 + (air.gamma - 1.0) / air.prandtl().sqrt());
        Complex64::new(TAU * f / air.speed_m_per_s + loss, -loss)
    }

    /// Reflection factor of the sheet in front of the closed gap.
    fn reflection(&self, f: f64) -> Complex64 {
        let rho_c = air().rho_c();
        let back = -J * rho_c / (self.k(f) * self.behind_m).tan();
        let z = self.sheet_pa_s_per_m + J * TAU * f * self.areal_mass_kg_per_m2 + back;
        (z - rho_c) / (z + rho_c)
    }

    /// Pressure at a distance in front of the sheet for a source 0.9 m away that swallows half of what comes back.
    fn in_front(&self, f: f64, x: f64) -> Complex64 {
        let (k, r, long) = (self.k(f), self.reflection(f), 0.9);
        let incident = (-J * k * long).exp() / (1.0 - 0.5 * r * (-2.0 * J * k * long).exp());
        incident * ((J * k * x).exp() + r * (-J * k * x).exp())
    }

    /// Pressure behind the sheet, at a distance from the rigid end: the same flow, u = (p_i − p_r)/ρc at the face.
    fn behind(&self, f: f64, y: f64) -> Complex64 {
        let (k, r) = (self.k(f), self.reflection(f));
        let face = self.in_front(f, 0.0);
        let flow = face * (1.0 - r) / (1.0 + r) / air().rho_c();
        // In a closed tube p = A·cos(ky), u = A·j·sin(kL)/ρc into it at the sheet.
        flow * air().rho_c() / (J * (k * self.behind_m).sin()) * (k * y).cos()
    }
}

/// A recording of the sweep through a response, with noise of a given rms.
fn recorded(response: &dyn Fn(f64) -> Complex64, noise: f64, seed: u64) -> Vec<f64> {
    let sweep = Sweep::new(plan()).unwrap();
    let played = sweep.samples();
    let rate = f64::from(plan().sample_rate_hz);
    // Twice as long, so that nothing wraps round.
    let size = (2 * played.len()).next_power_of_two();
    let mut planner = RealFftPlanner::<f64>::new();
    let forward = planner.plan_fft_forward(size);
    let mut input = forward.make_input_vec();
    input[..played.len()].copy_from_slice(&played);
    let mut bins = forward.make_output_vec();
    forward.process(&mut input, &mut bins).unwrap();
    let last = bins.len() - 1;
    for (n, bin) in bins.iter_mut().enumerate() {
        let f = (n as f64 * rate / size as f64).max(1.0);
        *bin *= response(f) / size as f64;
    }
    bins[0].im = 0.0;
    bins[last].im = 0.0;
    let inverse = planner.plan_fft_inverse(size);
    let mut out = inverse.make_output_vec();
    inverse.process(&mut bins, &mut out).unwrap();
    let mut state = seed;
    let mut uniform = || {
        // Knuth's 64-bit linear congruential generator, upper bits.
        state = state
            .wrapping_mul(6_364_136_223_846_793_005)
            .wrapping_add(1_442_695_040_888_963_407);
        ((state >> 33) as f64 + 0.5) / 2f64.powi(31)
    };
    out[..played.len()]
        .iter()
        .map(|v| {
            let gauss = (-2.0 * uniform().ln()).sqrt() * (TAU * uniform()).cos();
            0.2 * v + noise * gauss
        })
        .collect()
}

/// Microphone A is flat; B has 1.3 of its gain and a first-order low-pass at 6 kHz: 2.3 dB and up to 14° at 1.5 kHz.
fn microphone(which: char, f: f64) -> Complex64 {
    match which {
        'A' => Complex64::new(1.0, 0.0),
        _ => 1.3 / (1.0 + J * f / 6000.0),
    }
}

fn save(folder: &Path, name: &str, channels: &[Vec<f64>]) {
    let list: Vec<&[f64]> = channels.iter().map(Vec::as_slice).collect();
    let file = std::fs::File::create(folder.join(name)).unwrap();
    write(
        std::io::BufWriter::new(file),
        &list,
        plan().sample_rate_hz,
        Storage::Float32,
    )
    .unwrap();
}

/// Channel 1 is microphone A, channel 2 is B; `first` and `second` say what each place hears.
type Heard<'a> = &'a dyn Fn(f64) -> Complex64;
fn captures(folder: &Path, first: Heard<'_>, second: Heard<'_>, noise: f64) {
    let of = |place: Heard<'_>, which: char, seed: u64| {
        recorded(&|f| place(f) * microphone(which, f), noise, seed)
    };
    save(
        folder,
        "normal.wav",
        &[of(first, 'A', 1), of(second, 'B', 2)],
    );
    save(
        folder,
        "swapped.wav",
        &[of(second, 'A', 3), of(first, 'B', 4)],
    );
}

fn head(method: &str, tube: &str) -> String {
    let p = plan();
    format!(
        "format = \"bassay-coupon/1\"\nname = \"test sheet\"\nmethod = \"{method}\"\ntemperature_c = 21.0\ntaken = 2026-03-14\n\
        [tube]\ndiameter_m = {}\nbehind_m = {}\n{tube}\n[sweep]\nstart_hz = {}\nstop_hz = {}\nduration_s = {}\n\
        sample_rate_hz = {}\nsilence_before_s = {}\nsilence_after_s = {}\n",
        RIG.diameter_m,
        RIG.behind_m,
        p.start_hz,
        p.stop_hz,
        p.duration_s,
        p.sample_rate_hz,
        p.silence_before_s,
        p.silence_after_s
    )
}

fn two_microphones(folder: &Path, exchanged: bool) -> String {
    captures(
        folder,
        &|f| RIG.in_front(f, RIG.near_m + RIG.spacing_m),
        &|f| RIG.in_front(f, RIG.near_m),
        2e-5,
    );
    let tube = format!("spacing_m = {}\nnear_m = {}", RIG.spacing_m, RIG.near_m);
    let mut text = head("two-microphone", &tube);
    text.push_str("[[capture]]\nfile = \"normal.wav\"\nfar_channel = 1\nnear_channel = 2\n");
    if exchanged {
        text.push_str("[[capture]]\nfile = \"swapped.wav\"\nfar_channel = 2\nnear_channel = 1\n");
    }
    text
}

fn measured(folder: &Path, text: &str) -> CouponResult {
    let file = folder.join("coupon.toml");
    std::fs::write(&file, text).unwrap();
    measure(&coupon::read(&file).unwrap()).unwrap()
}

/// DERIVED (closed form, see the head). 2 %: the standard's attenuation is 5 % below Kirchhoff's and has no phase part,
/// which moves R by about 1 % here; the interval must hold the truth as well.
#[test]
fn two_microphones_find_the_sheet_in_spite_of_their_mismatch() {
    let folder = tempfile::tempdir().unwrap();
    let text = two_microphones(folder.path(), true);
    let result = measured(folder.path(), &text);
    let r = result.specific_pa_s_per_m.unwrap();
    assert!(result.told && result.calibrated, "{result:?}");
    assert!((r.value / RIG.sheet_pa_s_per_m - 1.0).abs() < 0.02, "{r:?}");
    assert!(
        r.low95 < RIG.sheet_pa_s_per_m && RIG.sheet_pa_s_per_m < r.high95,
        "{r:?}"
    );
    assert!(r.sd / r.value < 0.05, "{r:?}");
    let m = result.areal_mass_kg_per_m2.unwrap();
    assert!(
        m.low95 < RIG.areal_mass_kg_per_m2 && RIG.areal_mass_kg_per_m2 < m.high95,
        "{m:?}"
    );
    // ISO 10534-2:1998, 4.2: 0.05·c/s to 0.45·c/s, c = 344.6 m/s at 21 °C; nothing outside is used.
    let [low, high] = result.used_hz.unwrap();
    assert!(low > 172.0 && high < 1551.0, "{low} {high}");
    assert!(
        result
            .warnings
            .iter()
            .any(|w| w.contains("nothing outside is used")),
        "{:?}",
        result.warnings
    );
}

/// Without the exchange the same captures must not look as sure: the mismatch of 2.3 dB is far outside what is assumed, so
/// that the value is wrong; the interval is far wider than with the exchange, and the warning says what to do.
#[test]
fn without_the_exchange_the_mismatch_stays() {
    let folder = tempfile::tempdir().unwrap();
    let good = measured(folder.path(), &two_microphones(folder.path(), true));
    let text = two_microphones(folder.path(), false);
    let result = measured(folder.path(), &text);
    assert!(!result.calibrated);
    assert!(
        result.warnings.iter().any(|w| w.contains("exchanged")),
        "{:?}",
        result.warnings
    );
    let (a, b) = (
        good.specific_pa_s_per_m.unwrap(),
        result.specific_pa_s_per_m.unwrap(),
    );
    assert!(b.sd > 3.0 * a.sd, "{b:?} {a:?}");
    assert!(
        (b.value - a.value).abs() > 10.0 * a.sd || !result.told,
        "{b:?} {a:?}"
    );
}

/// DERIVED (closed form). One microphone in front of the sheet, one in the closed tube behind it.
#[test]
fn a_closed_tube_finds_the_sheet() {
    let folder = tempfile::tempdir().unwrap();
    captures(
        folder.path(),
        &|f| RIG.in_front(f, 0.0),
        &|f| RIG.behind(f, RIG.from_end_m),
        2e-5,
    );
    let mut text = head("closed-tube", &format!("from_end_m = {}", RIG.from_end_m));
    text.push_str("[[capture]]\nfile = \"normal.wav\"\nfront_channel = 1\nbehind_channel = 2\n");
    text.push_str("[[capture]]\nfile = \"swapped.wav\"\nfront_channel = 2\nbehind_channel = 1\n");
    let result = measured(folder.path(), &text);
    let r = result.specific_pa_s_per_m.unwrap();
    assert!(result.told, "{:?}", result.why_not);
    assert!((r.value / RIG.sheet_pa_s_per_m - 1.0).abs() < 0.02, "{r:?}");
    assert!(
        r.low95 < RIG.sheet_pa_s_per_m && RIG.sheet_pa_s_per_m < r.high95,
        "{r:?}"
    );
    // From 60 Hz on (fade of the sweep aside) to the cut-on of the first cross mode, 0.58·c/d = 1999 Hz.
    assert!(result.used_hz.unwrap()[1] < 1999.0);
}

/// One microphone, first here and then there, with a loop-back: nothing to exchange.
#[test]
fn one_microphone_that_moves_needs_no_exchange() {
    let folder = tempfile::tempdir().unwrap();
    let loopback = recorded(&|_| Complex64::new(1.0, 0.0), 1e-6, 9);
    let at = |x: f64, seed: u64| recorded(&|f| RIG.in_front(f, x) * microphone('B', f), 2e-5, seed);
    let far = RIG.near_m + RIG.spacing_m;
    save(folder.path(), "far.wav", &[at(far, 1), loopback.clone()]);
    save(folder.path(), "near.wav", &[at(RIG.near_m, 2), loopback]);
    let tube = format!("spacing_m = {}\nnear_m = {}", RIG.spacing_m, RIG.near_m);
    let mut text = head("two-microphone", &tube);
    for place in ["far", "near"] {
        text.push_str(&format!(
            "[[capture]]\nfile = \"{place}.wav\"\n{place}_channel = 1\nreference_channel = 2\n"
        ));
    }
    let result = measured(folder.path(), &text);
    let r = result.specific_pa_s_per_m.unwrap();
    assert!(result.calibrated && result.told);
    assert!((r.value / RIG.sheet_pa_s_per_m - 1.0).abs() < 0.02, "{r:?}");
}

/// A sweep that drowns: no number is given out as told.
#[test]
fn a_weak_signal_cannot_tell() {
    let folder = tempfile::tempdir().unwrap();
    captures(
        folder.path(),
        &|f| RIG.in_front(f, RIG.near_m + RIG.spacing_m),
        &|f| RIG.in_front(f, RIG.near_m),
        0.1,
    );
    let tube = format!("spacing_m = {}\nnear_m = {}", RIG.spacing_m, RIG.near_m);
    let mut text = head("two-microphone", &tube);
    text.push_str("[[capture]]\nfile = \"normal.wav\"\nfar_channel = 1\nnear_channel = 2\n");
    let file = folder.path().join("coupon.toml");
    std::fs::write(&file, &text).unwrap();
    let result = measure(&coupon::read(&file).unwrap()).unwrap();
    assert!(!result.told, "{result:?}");
    assert!(result.why_not.unwrap().contains("too weak"));
    assert!(result.specific_pa_s_per_m.is_none() && result.areal_mass_kg_per_m2.is_none());
}

/// Writes `sample-captures/coupon`: `cargo test --test coupon_tube -- --ignored`.
#[test]
#[ignore = "writes the sample coupon"]
fn write_the_sample() {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("sample-captures/coupon");
    std::fs::create_dir_all(&folder).unwrap();
    let rig = Rig {
        sheet_pa_s_per_m: 165.0,
        areal_mass_kg_per_m2: 0.05,
        ..RIG
    };
    let of = |x: f64, which: char, seed: u64| {
        recorded(&|f| rig.in_front(f, x) * microphone(which, f), 5e-5, seed)
    };
    let far = rig.near_m + rig.spacing_m;
    for (name, a, b, seed) in [
        ("normal.wav", far, rig.near_m, 11),
        ("swapped.wav", rig.near_m, far, 21),
    ] {
        let channels = [of(a, 'A', seed), of(b, 'B', seed + 1)];
        let list: Vec<&[f64]> = channels.iter().map(Vec::as_slice).collect();
        let file = std::fs::File::create(folder.join(name)).unwrap();
        write(
            std::io::BufWriter::new(file),
            &list,
            plan().sample_rate_hz,
            Storage::Int16,
        )
        .unwrap();
    }
    let tube = format!("spacing_m = {}\nnear_m = {}", rig.spacing_m, rig.near_m);
    let mut text = head("two-microphone", &tube).replace("test sheet", "felt 3 mm");
    text.push_str("\n[[capture]]\nfile = \"normal.wav\"\nfar_channel = 1\nnear_channel = 2\n");
    text.push_str("\n[[capture]]                # microphones exchanged\nfile = \"swapped.wav\"\nfar_channel = 2\nnear_channel = 1\n");
    std::fs::write(folder.join("coupon.toml"), text).unwrap();
}
