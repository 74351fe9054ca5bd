//! `bassay station` as a bench uses it, on takes that the test makes: two channels of a sweep whose second is the first
//! through the closed form of a divider, in the frequency domain.

#![allow(clippy::unwrap_used)]

use assert_cmd::Command;
use bassay::design::captures::SweepPlan;
use bassay::design::captures_read;
use bassay::measure;
use bassay::signal::sweep::Sweep;
use bassay::signal::wav::{Storage, write};
use num_complex::Complex64;
use realfft::RealFftPlanner;
use serde_json::Value;
use std::f64::consts::TAU;
use std::path::Path;

const RATE_HZ: u32 = 12_000;
/// What the bench really is.
const GAIN: f64 = 1.0021;
const REFERENCE_OHM: f64 = 9.987;
const LEAD_OHM: f64 = 0.052;

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

fn json(folder: &Path, args: &[&str]) -> (i32, Value) {
    let (status, out, err) = bassay(folder, &[args, &["--json", "--quiet"]].concat());
    let value = serde_json::from_str(&out).unwrap_or_else(|e| panic!("{args:?}: {e}\n{out}{err}"));
    (status, value)
}

fn plan() -> SweepPlan {
    SweepPlan {
        duration_s: 3.0,
        sample_rate_hz: RATE_HZ,
        ..SweepPlan::default()
    }
}

/// A sweep, and the sweep through a response; noise 100 dB below full scale on both.
fn through(response: impl Fn(f64) -> Complex64) -> [Vec<f64>; 2] {
    again(7, response)
}

/// As [`through`], with noise of its own: a take of another day.
fn again(mut seed: u64, response: impl Fn(f64) -> Complex64) -> [Vec<f64>; 2] {
    let source = Sweep::new(plan()).unwrap().samples();
    let count = source.len();
    let size = (2 * count).next_power_of_two();
    let mut planner = RealFftPlanner::<f64>::new();
    let (forward, back) = (
        planner.plan_fft_forward(size),
        planner.plan_fft_inverse(size),
    );
    let mut input = source.clone();
    input.resize(size, 0.0);
    let mut bins = forward.make_output_vec();
    forward.process(&mut input, &mut bins).unwrap();
    for (k, bin) in bins.iter_mut().enumerate() {
        *bin *= response(k as f64 * f64::from(RATE_HZ) / size as f64) / size as f64;
    }
    let last = bins.len() - 1;
    (bins[0].im, bins[last].im) = (0.0, 0.0);
    let mut load = back.make_output_vec();
    back.process(&mut bins, &mut load).unwrap();
    load.truncate(count);
    let mut noise = || {
        seed = seed.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1);
        1e-5 * ((seed >> 33) as f64 / 2f64.powi(30) - 1.0)
    };
    let mut noisy = |x: Vec<f64>| x.into_iter().map(|v| v + noise()).collect();
    [noisy(source), noisy(load)]
}

fn save(path: &Path, channels: [&[f64]; 2]) {
    let file = std::fs::File::create(path).unwrap();
    write(file, &channels, RATE_HZ, Storage::Int24).unwrap();
}

/// A take through the jig: load = g·(Z + lead)/(Z + lead + reference) of the source.
fn jig_take(path: &Path, impedance: impl Fn(f64) -> Complex64) {
    let [source, load] = through(|f| {
        let z = impedance(f) + LEAD_OHM;
        GAIN * z / (z + REFERENCE_OHM)
    });
    save(path, [&source, &load]);
}

fn resistor(path: &Path, ohm: f64) {
    jig_take(path, |_| Complex64::new(ohm, 0.0));
}

fn equal(path: &Path) {
    let [a, b] = through(|_| Complex64::new(GAIN, 0.0));
    save(path, [&a, &b]);
}

/// A calibrated bench in an empty folder.
fn bench() -> tempfile::TempDir {
    let folder = tempfile::tempdir().unwrap();
    let at = folder.path();
    equal(&at.join("equal.wav"));
    for ohm in [0.0, 4.7, 8.2, 22.0] {
        resistor(&at.join(format!("r{ohm}.wav")), ohm);
    }
    folder
}

const SWEEP: [&str; 2] = ["--duration-s", "3"];

#[test]
fn a_bench_is_calibrated_measures_and_is_checked() {
    let folder = bench();
    let at = folder.path();
    let run = |args: &[&str]| json(at, &[args, &SWEEP].concat());
    let (status, loopback) = run(&[
        "station",
        "loopback",
        "station.toml",
        "equal.wav",
        "--name",
        "dome-bench",
        "--serial",
        "card 7",
    ]);
    assert_eq!(status, 0, "{loopback}");
    // DERIVED: the ratio that the take was made with, within its own stated two standard deviations.
    let number = |v: &Value, key: &str| v[key].as_f64().unwrap();
    let off = number(&loopback, "gain_ratio") - GAIN;
    assert!(
        off.abs() < 2.0 * number(&loopback, "gain_ratio_sd"),
        "{loopback}"
    );
    assert!(number(&loopback, "gain_ratio_sd") < 5e-4, "{loopback}");
    assert!(at.join("station-loopback.csv").exists());

    let (status, jig) = run(&[
        "station",
        "jig",
        "station.toml",
        "--resistor",
        "0=r0.wav",
        "--resistor",
        "4.7=r4.7.wav",
        "--resistor",
        "8.2=r8.2.wav",
        "--resistor",
        "22=r22.wav",
    ]);
    assert_eq!(status, 0, "{jig}");
    for (key, sd, want) in [
        ("reference_ohm", "reference_sd_ohm", REFERENCE_OHM),
        ("lead_ohm", "lead_sd_ohm", LEAD_OHM),
    ] {
        let off = (number(&jig, key) - want).abs();
        assert!(off < 2.0 * number(&jig, sd), "{key}: {jig}");
    }
    assert!(number(&jig, "reference_sd_ohm") < 0.02, "{jig}");
    assert_eq!(jig["degrees_of_freedom"], 2);

    // No microphone yet: doubtful.
    let (status, out, _) = bassay(at, &["station", "show", "station.toml"]);
    assert_eq!(status, 3, "{out}");
    assert!(out.contains("no calibration of its microphone"), "{out}");
    assert!(out.lines().all(|l| l.chars().count() <= 80), "{out}");

    // 94 dB are 1.00237 Pa (20 µPa·10^4.7): DERIVED.
    let tone: Vec<f64> = (0..5 * RATE_HZ)
        .map(|n| 0.02 * 2f64.sqrt() * (TAU * 1000.0 * f64::from(n) / f64::from(RATE_HZ)).sin())
        .collect();
    save(&at.join("tone.wav"), [&tone, &tone]);
    let (status, microphone) = json(at, &["station", "microphone", "station.toml", "tone.wav"]);
    assert_eq!(status, 0, "{microphone}");
    let want = 0.02 / 1.002_374;
    // 24 bits of 0.028: parts in a million; the readings of half a second do the rest.
    assert!((number(&microphone, "sensitivity_v_per_pa") / want - 1.0).abs() < 1e-4);
    let (status, out, _) = bassay(at, &["station", "show", "station.toml"]);
    assert_eq!(status, 0, "{out}");
    let (status, out, _) = bassay(
        at,
        &[
            "station",
            "show",
            "station.toml",
            "--at",
            "2099-01-01T00:00:00Z",
        ],
    );
    assert!(status == 3 && out.contains("calibrated"), "{out}");

    known_networks(at);
    checked(at);
}

/// DERIVED: closed forms of a resistor, a capacitor, and a coil with series and parallel resistance, read through the jig by
/// `measure::load`, within the stated uncertainty (k = 2) at 95 % of the points, and nowhere beyond twice that.
fn known_networks(at: &Path) {
    std::fs::copy(
        Path::new(env!("CARGO_MANIFEST_DIR")).join("sample-captures/dome.toml"),
        at.join("dome.toml"),
    )
    .unwrap();
    let j = |f: f64| Complex64::new(0.0, TAU * f);
    type Network = Box<dyn Fn(f64) -> Complex64>;
    let networks: [(&str, Network); 3] = [
        ("resistor", Box::new(|_| Complex64::new(6.8, 0.0))),
        (
            "capacitor",
            Box::new(move |f| 1.0 / (j(f.max(0.01)) * 470e-6)),
        ),
        (
            "coil",
            Box::new(move |f| {
                let s = j(f);
                5.6 + s * 1.1e-3 + s * 20e-3 * 12.0 / (s * 20e-3 + 12.0)
            }),
        ),
    ];
    for (name, network) in networks {
        jig_take(&at.join(format!("{name}.wav")), &network);
        let text = format!(
            "format = \"bassay-captures/1\"\nunit = \"{name}\"\ndesign = \"dome.toml\"\nstation = \"station.toml\"\n\
             taken = 2099-01-01T00:00:00Z\n[sweep]\nstart_hz = 5.0\nstop_hz = 500.0\nduration_s = 3.0\nsample_rate_hz = {RATE_HZ}\n\
             [[capture]]\nfile = \"{name}.wav\"\nquantity = \"impedance\"\nsource_channel = 1\nload_channel = 2\n"
        );
        let file = at.join("captures.toml");
        std::fs::write(&file, text).unwrap();
        let set = captures_read::read(&file).unwrap();
        let response = measure::load(&set, &mut |_| {}).unwrap().remove(0);
        assert!(response.calibration_relative < 0.01, "{name}");
        let (mut compared, mut inside) = (0, 0);
        for (i, &f) in response.frequency_hz.iter().enumerate() {
            if !(10.0..=400.0).contains(&f) {
                continue;
            }
            let want = network(f);
            let off = (response.value[i] - want).norm();
            let sd = response.noise_rms[i].hypot(response.calibration_relative * want.norm());
            assert!(
                off < 4.0 * sd,
                "{name} at {f:.1} Hz: {} {want} {sd}",
                response.value[i]
            );
            compared += 1;
            inside += usize::from(off < 2.0 * sd);
        }
        assert!(compared > 200, "{name}: {compared}");
        assert!(
            20 * inside >= 19 * compared,
            "{name}: {inside} of {compared}"
        );
    }
}

/// The check is logged, and `inspect` accepts the station by it.
fn checked(at: &Path) {
    let [a, b] = again(8, |_| Complex64::new(GAIN, 0.0));
    save(&at.join("equal2.wav"), [&a, &b]);
    let [a, b] = again(9, |_| Complex64::new(GAIN, 0.0));
    save(&at.join("equal3.wav"), [&a, &b]);
    let check = |wav: &str, equal: &str| {
        let args = [
            "station",
            "check",
            "station.toml",
            wav,
            "--resistor-ohm",
            "8.2",
            "--equal-gain",
            equal,
            "--ledger",
            "log.db",
            "--operator",
            "op-1",
        ];
        json(at, &[&args[..], &SWEEP].concat())
    };
    let inspect = || {
        let unit =
            Path::new(env!("CARGO_MANIFEST_DIR")).join("sample-captures/sound/captures.toml");
        bassay(
            at,
            &[
                "inspect",
                unit.to_str().unwrap(),
                "--limits",
                "limits.toml",
                "--ledger",
                "log.db",
                "--station",
                "dome-bench",
            ],
        )
    };
    let samples = Path::new(env!("CARGO_MANIFEST_DIR")).join("sample-captures");
    let made = bassay(
        at,
        &[
            "limits",
            "make",
            samples.join("dome.toml").to_str().unwrap(),
            "--out",
            "limits.toml",
            "--unit",
            samples.join("sound/captures.toml").to_str().unwrap(),
            "--drawn",
            "500",
            "--quiet",
        ],
    );
    assert_eq!(made.0, 0, "{made:?}");
    let text = std::fs::read_to_string(at.join("limits.toml")).unwrap();
    std::fs::write(
        at.join("limits.toml"),
        format!("{text}\n[station]\ncheck_within_h = 24.0\n"),
    )
    .unwrap();
    let (status, _, err) = inspect();
    assert!(
        status == 4 && err.contains("has no check") | err.contains("never checked"),
        "{status} {err}"
    );

    // Refused before anything sounds: this machine may have no sound card at all.
    let record = |captures: &str| {
        let args = [
            "inspect",
            captures,
            "--record",
            "--design",
            samples_design(),
            "--serial",
            "D-1",
            "--limits",
            "limits.toml",
            "--ledger",
            "log.db",
            "--station-file",
            "station.toml",
        ];
        bassay(at, &args)
    };
    let (status, _, err) = record("new/captures.toml");
    assert!(
        status == 4 && err.contains("has no check"),
        "{status} {err}"
    );
    assert!(!at.join("new").exists());
    let (status, _, err) = record("captures.toml");
    assert!(
        status == 2 && err.contains("leave --record out"),
        "{status} {err}"
    );
    // A date that lies ahead would hide every check after it.
    let ahead = [
        "station",
        "check",
        "station.toml",
        "r8.2.wav",
        "--resistor-ohm",
        "8.2",
        "--ledger",
        "log.db",
        "--operator",
        "op-1",
        "--taken",
        "2999-01-01T00:00:00Z",
    ];
    let (status, _, err) = bassay(at, &[&ahead[..], &SWEEP].concat());
    let said = err.split_whitespace().collect::<Vec<_>>().join(" ");
    assert!(
        status == 2
            && said
                .contains("2999-01-01T00:00:00Z: lies ahead of this machine's clock, which says 2")
            && said.contains("Nothing was logged"),
        "{status} {err}"
    );

    let (status, done) = check("r8.2.wav", "equal2.wav");
    assert_eq!(
        (status, done["verdict"].as_str()),
        (0, Some("pass")),
        "{done}"
    );
    let values = done["values"].as_array().unwrap();
    assert_eq!(values.len(), 5, "{done}");
    assert!(
        (values[0]["value"].as_f64().unwrap() - 8.2).abs()
            < values[0]["expanded"].as_f64().unwrap()
    );
    let (status, out, err) = inspect();
    assert!(
        status != 4 && !err.contains("may not inspect"),
        "{status} {out}{err}"
    );

    // A take of no resistor at all is no check, and is not logged.
    let args = [
        "station",
        "check",
        "station.toml",
        "equal.wav",
        "--resistor-ohm",
        "8.2",
        "--ledger",
        "log.db",
        "--operator",
        "op-1",
    ];
    let (status, _, err) = bassay(at, &[&args[..], &SWEEP].concat());
    assert!(
        status == 2 && err.contains("Nothing was logged"),
        "{status} {err}"
    );
    let (_, list, _) = bassay(
        at,
        &[
            "ledger",
            "list",
            "--ledger",
            "log.db",
            "--kind",
            "station-check",
            "--json",
        ],
    );
    assert_eq!(
        serde_json::from_str::<Value>(&list).unwrap()["entries"]
            .as_array()
            .unwrap()
            .len(),
        1,
        "{list}"
    );

    // The take of this morning, under another name or as the other input, checks nothing.
    std::fs::copy(at.join("r8.2.wav"), at.join("today.wav")).unwrap();
    let again = [
        "station",
        "check",
        "station.toml",
        "today.wav",
        "--ledger",
        "log.db",
        "--operator",
        "op-1",
    ];
    let (status, _, err) = bassay(at, &[&again[..], &SWEEP].concat());
    let said = err.split_whitespace().collect::<Vec<_>>().join(" ");
    assert!(
        status == 2
            && said.contains(
                "today.wav: is a take of an earlier check, entry 1 of station «dome-bench»"
            )
            && said.contains("Nothing was logged"),
        "{status} {err}"
    );

    // A resistor that is 3 % off: outside by more than its uncertainty; the station may then not inspect.
    resistor(&at.join("off.wav"), 8.446);
    let (status, done) = check("off.wav", "equal3.wav");
    assert_eq!(
        (status, done["verdict"].as_str()),
        (1, Some("fail")),
        "{done}"
    );
    let (status, _, err) = inspect();
    assert!(status == 4 && err.contains("failed"), "{status} {err}");

    // When it was recorded stands beside when it was written, and does not stand in for it.
    let [a, b] = again_resistor(10, 8.2);
    save(&at.join("yesterday.wav"), [&a, &b]);
    let dated = [
        "station",
        "check",
        "station.toml",
        "yesterday.wav",
        "--ledger",
        "log.db",
        "--operator",
        "op-1",
        "--taken",
        "2020-01-02T03:04:05Z",
    ];
    let (status, done) = json(at, &[&dated[..], &SWEEP].concat());
    assert_eq!(status, 0, "{done}");
    let digest = done["digest"].as_str().unwrap();
    let (_, shown) = json(at, &["ledger", "show", digest, "--ledger", "log.db"]);
    let entry = &shown["entry"]["entry"];
    assert_eq!(entry["taken"], "2020-01-02T03:04:05Z", "{shown}");
    assert!(
        !entry["at"].as_str().unwrap().starts_with("2020"),
        "{shown}"
    );
    let (status, _, err) = inspect();
    assert!(status == 4 && err.contains("h old"), "{status} {err}");
}

fn again_resistor(seed: u64, ohm: f64) -> [Vec<f64>; 2] {
    again(seed, |_| {
        Complex64::new(
            GAIN * (ohm + LEAD_OHM) / (ohm + LEAD_OHM + REFERENCE_OHM),
            0.0,
        )
    })
}

fn samples_design() -> &'static str {
    concat!(env!("CARGO_MANIFEST_DIR"), "/sample-captures/dome.toml")
}

#[test]
fn takes_that_calibrate_nothing_are_refused() {
    let folder = bench();
    let at = folder.path();
    let refused = |args: &[&str], want: &str| {
        let (status, out, err) = bassay(at, &[args, &SWEEP].concat());
        assert!(
            status == 2 && out.is_empty(),
            "{args:?} {status} {out}{err}"
        );
        assert!(err.contains(want), "{args:?}: {err}");
        assert!(!at.join("station.toml").exists(), "{args:?}");
    };
    let loopback = |wav: &'static str| ["station", "loopback", "station.toml", wav, "--name", "b"];
    refused(
        &["station", "loopback", "station.toml", "equal.wav"],
        "--name",
    );
    refused(&loopback("none.wav"), "cannot be read");
    let forever = [&loopback("equal.wav")[..], &["--valid-days", "nan"]].concat();
    refused(&forever, "expected 0.01 to 100000 days");
    let ahead = [
        &loopback("equal.wav")[..],
        &["--taken", "2999-01-01T00:00:00Z"],
    ]
    .concat();
    refused(&ahead, "ahead of this machine's clock");
    let over = [&loopback("equal.wav")[..], &["--response", "equal.wav"]].concat();
    let before = std::fs::read(at.join("equal.wav")).unwrap();
    let (status, _, err) = bassay(at, &[&over[..], &SWEEP].concat());
    assert!(
        status == 2 && err.contains("is there already"),
        "{status} {err}"
    );
    assert_eq!(std::fs::read(at.join("equal.wav")).unwrap(), before);
    let [a, b] = through(|_| Complex64::new(GAIN, 0.0));
    let cut: Vec<f64> = b.iter().map(|v| v.clamp(-0.3, 0.3)).collect();
    save(&at.join("clipped.wav"), [&a, &cut]);
    refused(&loopback("clipped.wav"), "channel 2 is clipped");
    save(&at.join("dead.wav"), [&a, &vec![0.0; a.len()]]);
    refused(&loopback("dead.wav"), "channel 2 (second input) is dead");
    let tone: Vec<f64> = (0..a.len())
        .map(|n| 0.3 * (0.02 * n as f64).sin())
        .collect();
    save(&at.join("tone.wav"), [&tone, &tone]);
    refused(&loopback("tone.wav"), "no sweep");
    let upside: Vec<f64> = b.iter().map(|v| -v).collect();
    save(&at.join("inverted.wav"), [&a, &upside]);
    refused(&loopback("inverted.wav"), "inverted");
    jig_take(&at.join("capacitor.wav"), |f| {
        1.0 / (Complex64::new(0.0, TAU * f.max(0.01)) * 470e-6)
    });
    refused(&loopback("capacitor.wav"), "expected both on one point");

    let jig = |members: &[&'static str]| {
        let mut args = vec![
            "station",
            "jig",
            "station.toml",
            "--name",
            "b",
            "--equal-gain",
            "equal.wav",
        ];
        for m in members {
            args.extend(["--resistor", m]);
        }
        args
    };
    refused(&jig(&["8.2=capacitor.wav"]), "expected a plain resistor");
    refused(&jig(&["x=r8.2.wav"]), "expected OHM=FILE");
    resistor(&at.join("near.wav"), 8.21);
    refused(
        &jig(&["8.2=r8.2.wav", "8.21=near.wav"]),
        "too close together",
    );
    refused(
        &jig(&["0=r0.wav", "8.2=r8.2.wav", "8.2=r8.2.wav"]),
        "is the same recording as r8.2.wav",
    );
    // Not on one point: a resistor in the jig.
    refused(&loopback("r8.2.wav"), "expected both on one point");
    // A set in which one label is wrong by 2 %: refused, and the member is named.
    refused(
        &jig(&["0=r0.wav", "4.7=r4.7.wav", "8.04=r8.2.wav", "22=r22.wav"]),
        "without r8.2.wav (8.04 Ω) the others agree",
    );
    // One resistor and known leads are enough for the reference.
    let one = [
        &jig(&["8.2=r8.2.wav"])[..],
        &["--lead-ohm", "0.052", "--lead-sd-ohm", "0.005"],
        &SWEEP,
    ]
    .concat();
    let (status, found) = json(at, &one);
    assert_eq!(status, 0, "{found}");
    let (value, sd) = (
        found["reference_ohm"].as_f64().unwrap(),
        found["reference_sd_ohm"].as_f64().unwrap(),
    );
    assert!(
        (value - REFERENCE_OHM).abs() < 2.0 * sd && sd < 0.02,
        "{found}"
    );
}
