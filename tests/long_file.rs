//! `bassay deconvolve` with a field recorder's file: several takes in one WAV, and repeats in several.

#![allow(clippy::unwrap_used)]

use assert_cmd::Command;
use bassay::design::captures::SweepPlan;
use bassay::signal::sweep::Sweep;
use bassay::signal::wav::{Storage, write};
use serde_json::Value;
use std::path::Path;

const RATE_HZ: u32 = 8000;
const SWEEP_S: f64 = 3.0;
/// Where the takes lie in the long file, s, and their levels.
const TAKES: [(f64, f64); 3] = [(1.5, 0.5), (9.25, 0.2), (17.0, 0.35)];
/// Times in the file of the second sweep's slam: in the last third of the sweep.
const SLAM_S: f64 = 11.2;
/// Pressure channel over reference channel.
const GAIN: f64 = 0.4;

fn bassay(folder: &Path, args: &[&str]) -> (i32, String, String) {
    let output = Command::cargo_bin("bassay")
        .unwrap()
        .current_dir(folder)
        .env("NO_COLOR", "1")
        .args(args)
        .output()
        .unwrap();
    let text = |bytes: &[u8]| String::from_utf8_lossy(bytes).into_owned();
    (
        output.status.code().unwrap_or(-1),
        text(&output.stdout),
        text(&output.stderr),
    )
}

/// Reference and microphone with the takes at their places; the microphone hears a slam at a time, if there is one.
fn file(path: &Path, length_s: f64, takes: &[(f64, f64)], slam_s: Option<f64>) {
    file_with(path, length_s, takes, slam_s, 0.08);
}

/// The same with a slam that decays by e in `decay_s`.
fn file_with(path: &Path, length_s: f64, takes: &[(f64, f64)], slam_s: Option<f64>, decay_s: f64) {
    let sweep = Sweep::new(SweepPlan {
        duration_s: SWEEP_S,
        sample_rate_hz: RATE_HZ,
        ..SweepPlan::default()
    })
    .unwrap();
    let rate = f64::from(RATE_HZ);
    let mut seed = 3u64;
    let mut noise = || {
        seed = seed.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1);
        1e-5 * ((seed >> 33) as f64 / 2f64.powi(30) - 1.0)
    };
    let count = (length_s * rate) as usize;
    let (mut reference, mut microphone) = (vec![0.0; count], vec![0.0; count]);
    for n in 0..count {
        let t = n as f64 / rate;
        let played: f64 = takes
            .iter()
            .filter(|(start, _)| (*start..start + SWEEP_S).contains(&t))
            .map(|(start, level)| level * sweep.at(t - start))
            .sum();
        reference[n] = played + noise();
        microphone[n] = GAIN * played + noise();
        if let Some(slam) = slam_s
            && t >= slam
        {
            // A door: a low thump that dies away.
            let age = t - slam;
            microphone[n] += 0.5 * (-age / decay_s).exp() * (300.0 * age).sin();
        }
    }
    let to = std::fs::File::create(path).unwrap();
    write(to, &[&reference, &microphone], RATE_HZ, Storage::Int24).unwrap();
}

fn captures(folder: &Path, list: &str) {
    let design = Path::new(env!("CARGO_MANIFEST_DIR")).join("sample-captures/dome.toml");
    std::fs::copy(design, folder.join("dome.toml")).unwrap();
    let text = format!(
        "format = \"bassay-captures/1\"\nunit = \"dome-21\"\ndesign = \"dome.toml\"\n\
         [sweep]\nstart_hz = 5.0\nstop_hz = 500.0\nduration_s = {SWEEP_S:.1}\nsample_rate_hz = {RATE_HZ}\n{list}"
    );
    std::fs::write(folder.join("captures.toml"), text).unwrap();
}

fn capture(file: &str, probe: &str, more: &str) -> String {
    format!(
        "[[capture]]\nfile = \"{file}\"\nquantity = \"pressure\"\nprobe = \"{probe}\"\nreference_channel = 1\n\
         microphone_channel = 2\n{more}\n"
    )
}

/// DERIVED: the microphone hears GAIN times the reference; a kept take gives that at every point away from the edges. The noise is
/// 80 dB below the quietest sweep, so that a hundredth is far beyond it.
fn gain_holds(document: &Value) {
    let got = &document["captures"][0];
    let list = |key: &str| -> Vec<f64> {
        let list = got[key].as_array().unwrap();
        list.iter().map(|v| v.as_f64().unwrap()).collect()
    };
    let (f, re, im) = (list("frequency_hz"), list("re"), list("im"));
    let mut compared = 0;
    for i in 0..f.len() {
        if (10.0..400.0).contains(&f[i]) {
            let size = re[i].hypot(im[i]);
            assert!((size / GAIN - 1.0).abs() < 0.01, "{} Hz: {size}", f[i]);
            compared += 1;
        }
    }
    assert!(compared > 200);
}

#[test]
fn three_takes_in_one_file_are_averaged_and_the_slam_is_left_out() {
    let folder = tempfile::tempdir().unwrap();
    let at = folder.path();
    let probe = "mouth-near";
    file(&at.join("long.wav"), 23.0, &TAKES, Some(SLAM_S));
    captures(at, &capture("long.wav", probe, ""));
    let (status, out, err) = bassay(at, &["deconvolve", "captures.toml"]);
    assert_eq!(status, 0, "{out}{err}");
    assert!(out.contains("long.wav at 0:01.5\n"), "{out}");
    assert!(out.contains("long.wav at 0:09.2, left out"), "{out}");
    assert!(out.contains("long.wav at 0:17.0\n"), "{out}");
    assert!(out.contains("at 9.2 s was left out"), "{out}");
    let (status, out, _) = bassay(at, &["deconvolve", "captures.toml", "--json", "--quiet"]);
    assert_eq!(status, 0);
    let document: Value = serde_json::from_str(&out).unwrap();
    let used: Vec<bool> = document["captures"][0]["take"]["repeats"]
        .as_array()
        .unwrap()
        .iter()
        .map(|r| r["used"].as_bool().unwrap())
        .collect();
    assert_eq!(used, [true, false, true]);
    gain_holds(&document);

    // One of them by its number.
    captures(at, &capture("long.wav", probe, "take = 3"));
    let (status, out, err) = bassay(at, &["deconvolve", "captures.toml", "--json", "--quiet"]);
    assert_eq!(status, 0, "{err}");
    let document: Value = serde_json::from_str(&out).unwrap();
    let start = document["captures"][0]["take"]["start_s"].as_f64().unwrap();
    // Two samples.
    assert!((start - 17.0).abs() < 2.0 / f64::from(RATE_HZ), "{start}");
    gain_holds(&document);
    captures(at, &capture("long.wav", probe, "take = 4"));
    let (status, _, err) = bassay(at, &["deconvolve", "captures.toml"]);
    assert_eq!(status, 2);
    assert!(
        err.contains("take = 4 is asked for and the file holds 3 sweeps"),
        "{err}"
    );
}

#[test]
fn two_captures_of_one_long_file_must_say_which_take() {
    let folder = tempfile::tempdir().unwrap();
    let at = folder.path();
    file(&at.join("long.wav"), 23.0, &TAKES, None);
    let both = |a: &str, b: &str| {
        capture("long.wav", "mouth-near", a) + &capture("long.wav", "floor-2m", b)
    };
    captures(at, &both("", ""));
    let (status, out, err) = bassay(at, &["deconvolve", "captures.toml"]);
    assert_eq!((status, out.is_empty()), (2, true), "{out}");
    assert!(
        err.contains("holds 3 sweeps (at 0:01.5, 0:09.2, 0:17.0)"),
        "{err}"
    );
    assert!(err.contains("write take = 1 to 3 beside each"), "{err}");
    captures(at, &both("take = 1", "take = 2"));
    let (status, out, err) = bassay(at, &["deconvolve", "captures.toml"]);
    assert_eq!(status, 0, "{out}{err}");
    assert!(!out.contains("left out"), "{out}");
}

#[test]
fn repeats_in_several_files_are_averaged() {
    let folder = tempfile::tempdir().unwrap();
    let at = folder.path();
    for (n, level) in [0.5, 0.2, 0.35].into_iter().enumerate() {
        let slam = (n == 1).then_some(2.7);
        file(&at.join(format!("{n}.wav")), 6.5, &[(1.0, level)], slam);
    }
    captures(
        at,
        &capture("0.wav", "mouth-near", "repeats = [\"1.wav\", \"2.wav\"]"),
    );
    let (status, out, err) = bassay(at, &["deconvolve", "captures.toml"]);
    assert_eq!(status, 0, "{out}{err}");
    assert!(out.contains("1.wav at 0:01.0, left out"), "{out}");
    assert!(
        out.contains("0.wav at 0:01.0\n") && out.contains("2.wav at 0:01.0\n"),
        "{out}"
    );
}

/// DERIVED: the noise of the file is the same all along. What slams in the pause before a take, in the half that is the take's, is
/// left out of the silence and said so; the SNR stays within the 1.5 dB that noise scatters by where it is read from less.
#[test]
fn a_slam_in_the_pause_does_not_spoil_the_next_take() {
    let folder = tempfile::tempdir().unwrap();
    let at = folder.path();
    captures(at, &capture("long.wav", "mouth-near", "take = 2"));
    // The pause from 4.5 to 9.25 s parts at 6.9 s.
    let snr = |slam_s: Option<f64>| {
        file_with(&at.join("long.wav"), 23.0, &TAKES, slam_s, 0.02);
        let (status, out, err) = bassay(at, &["deconvolve", "captures.toml", "--json", "--quiet"]);
        assert_eq!(status, 0, "{err}");
        let document: Value = serde_json::from_str(&out).unwrap();
        let take = &document["captures"][0]["take"];
        let number = |key: &str| take["silence"][key].as_f64().unwrap();
        let silence = [number("from_s"), number("to_s"), number("left_out_s")];
        (take["snr_db"].as_f64().unwrap(), silence)
    };
    let (clean, silence) = snr(None);
    assert!(
        silence[2] == 0.0 && silence[0] > 6.5 && silence[1] < 9.25,
        "{silence:?}"
    );
    let (slammed, silence) = snr(Some(7.1));
    assert!((slammed - clean).abs() < 1.5, "{slammed} {clean}");
    assert!(silence[0] > 7.1 && silence[2] > 0.0, "{silence:?}");
    let (_, out, _) = bassay(at, &["deconvolve", "captures.toml", "--quiet"]);
    assert!(
        out.contains("mouth-near: the noise was read from 0:07."),
        "{out}"
    );
}
