//! Takes that are sound: devices, rates, a filter in the path, two clocks.

use crate::path::HighPass;
use crate::server::{Said, Sound, channel};
use bassay::design::captures::SweepPlan;
use bassay::signal::continuity::examine;
use bassay::signal::sweep::Sweep;
use serde_json::Value;

/// Objects with a direction, wherever they stand.
fn ports(value: &Value, into: &mut Vec<Value>) {
    match value {
        Value::Array(list) => list.iter().for_each(|v| ports(v, into)),
        Value::Object(map) if map.contains_key("direction") => into.push(value.clone()),
        Value::Object(map) => map.values().for_each(|v| ports(v, into)),
        _ => {}
    }
}

/// A route to a server that is not running makes its library write to standard error, and a sink that swallows all is no
/// device: neither is seen.
#[test]
fn devices_are_listed() {
    let sound = Sound::direct(48_000);
    let config = std::fs::read_to_string(sound.at("asound.conf")).unwrap();
    let more = "pcm.jack { type jack playback_ports { 0 system:playback_1 1 system:playback_2 }
 capture_ports { 0 system:capture_1 1 system:capture_2 } hint { show on description \"lab jack\" } }
pcm.null { type null hint { show on description \"nothing\" } }
";
    std::fs::write(sound.at("asound.conf"), config + more).unwrap();
    let output = sound
        .within(env!("CARGO_BIN_EXE_bassay"))
        .args(["devices", "--json"])
        .output()
        .unwrap();
    let said = Said::of(&output);
    assert_eq!(said.status, 0, "{said:?}");
    assert_eq!(said.err, "", "the sound library's remarks are kept away");
    let mut list = Vec::new();
    ports(&serde_json::from_str(&said.out).unwrap(), &mut list);
    for direction in ["input", "output"] {
        let default: Vec<&Value> = list
            .iter()
            .filter(|p| p["direction"] == direction && p["default"] == true)
            .collect();
        assert_eq!(default.len(), 1, "{direction}: {list:?}");
        assert!(default[0]["channels"].as_u64().unwrap() >= 2);
        let rates = &default[0]["sample_rate_hz"];
        assert!(rates[0].as_u64().unwrap() <= 44_100 && rates[1].as_u64().unwrap() >= 96_000);
        // A sound server converts rates; only a name that leads to the hardware does not.
        assert_eq!(default[0]["may_convert"], true);
    }
    assert!(list.iter().all(|p| p["id"] != "null"), "{list:?}");
}

/// Without any device both commands say so, and what to do.
#[test]
fn no_device_is_said_clearly() {
    let sound = Sound::direct(48_000);
    let only = "pcm.null { type null hint { show on description \"nothing\" } }\n";
    std::fs::write(sound.at("asound.conf"), only).unwrap();
    let listed = sound
        .within(env!("CARGO_BIN_EXE_bassay"))
        .arg("devices")
        .output()
        .unwrap();
    let said = Said::of(&listed);
    assert_eq!((said.status, said.err.as_str()), (0, ""), "{said:?}");
    assert!(
        said.out.starts_with("No sound device was found"),
        "{said:?}"
    );
    let words: Vec<&str> = said.out.split_whitespace().collect();
    assert!(words.join(" ").contains("Connect a sound card"), "{said:?}");
    assert!(
        said.out.lines().all(|l| l.chars().count() <= 80),
        "{said:?}"
    );
    let said = Said::of(&sound.recorder(&[]).output().unwrap());
    assert_eq!(said.status, 4, "{said:?}");
    assert_eq!(said.out, "");
    assert!(
        said.last_line().contains("no sound device to record from")
            && said.last_line().contains("connect a sound card"),
        "{said:?}"
    );
    assert!(!sound.at("take.partial.wav").exists());
}

/// An output that has one rate, that of a digital encoder of the sound library: another rate is refused with the one that it has,
/// nothing is played, and nothing is recorded at another rate.
#[test]
fn a_rate_that_the_device_does_not_have_is_refused() {
    let sound = Sound::direct(48_000);
    let config = std::fs::read_to_string(sound.at("asound.conf")).unwrap();
    let more = "pcm.server { type pulse }
pcm.encoder { type a52 rate 48000 channels 6 slavepcm \"server\" }
pcm.sharp { type asym playback.pcm \"encoder\" capture.pcm \"server\" hint { show on description \"one rate\" } }
";
    std::fs::write(sound.at("asound.conf"), config + more).unwrap();
    let more = ["--output", "sharp", "--sample-rate-hz", "44100"];
    let said = Said::of(&sound.recorder(&more).output().unwrap());
    assert_eq!(said.status, 4, "{said:?}");
    assert_eq!(said.out, "");
    let wanted = "2 output channels at 44100 Hz; it has up to 6 channels, 48000 Hz";
    assert!(said.last_line().ends_with(wanted), "{said:?}");
    for name in ["take.wav", "take.partial.wav", "take.refused.wav"] {
        assert!(!sound.at(name).exists(), "{name}");
    }
}

/// DERIVED: the server hands samples on unchanged where nothing else plays: what is on file is the sweep, rounded to 24 bits.
#[test]
fn what_is_played_is_recorded_at_every_rate() {
    for rate_hz in [44_100, 48_000, 96_000] {
        let sound = Sound::direct(rate_hz);
        let taken = sound.take(&["--duration-s", "3"]);
        assert_eq!(taken["complete"], true);
        let file = sound.at("take.wav");
        assert_eq!(
            hound::WavReader::open(&file).unwrap().spec().sample_rate,
            rate_hz
        );
        assert!(!sound.at("take.partial.wav").exists());
        let heard = channel(&file, 0);
        assert_eq!(heard.len() as u64, taken["frames"].as_u64().unwrap());
        let plan = SweepPlan {
            duration_s: 3.0,
            sample_rate_hz: rate_hz,
            ..SweepPlan::default()
        };
        let sweep = Sweep::new(plan).unwrap();
        let rate = f64::from(rate_hz);
        let told = examine(&heard, rate, &sweep).unwrap();
        let about = (told.start_s * rate).round() as i64;
        let off = |start: i64| {
            (0..3 * rate_hz as usize)
                .map(|n| {
                    let at = (start + n as i64) as usize;
                    (f64::from(heard[at]) - sweep.at(n as f64 / rate)).abs()
                })
                .fold(0.0, f64::max)
        };
        let best = (about - 50..=about + 50).map(off).fold(f64::MAX, f64::min);
        println!("{rate_hz} Hz: {best:e}, {told:?}");
        // Half a step of 24 bits, and as much again for single precision on the way.
        assert!(best < 2f64.powi(-23), "{rate_hz} Hz: {best:e}");
        // The right output plays nothing.
        assert!(channel(&file, 1).iter().all(|v| *v == 0.0));
    }
}

/// A device that does not exist ends the command with its name.
#[test]
fn a_device_that_is_not_there_is_named() {
    let sound = Sound::direct(48_000);
    let output = sound.recorder(&["--input", "attic"]).output().unwrap();
    let said = Said::of(&output);
    assert_eq!(said.status, 4, "{said:?}");
    assert!(
        said.err.contains("'attic'") && said.err.contains("bassay devices"),
        "{said:?}"
    );
    assert_eq!(said.out, "");
    assert!(!sound.at("take.partial.wav").exists());
}

/// DERIVED: the filter's own transfer function on the unit circle, through the whole chain, 10 to 500 Hz within 0.1 dB.
#[test]
fn a_filter_in_the_path_comes_back() {
    let filter = HighPass::new(15.0, 0.9, 0.5, 48_000.0);
    let mut running = filter;
    let sound = Sound::through(48_000, move |[left, _], out| {
        out.push([left, running.next(f64::from(left)) as f32]);
    });
    sound.take(&["--duration-s", "8", "--stop-hz", "600"]);
    let design = std::fs::canonicalize("tests/designs/dome.toml").unwrap();
    let set = sound.at("captures.toml");
    let text = format!(
        "format = \"bassay-captures/1\"
unit = \"filter\"
design = {:?}
taken = 2026-03-14T10:20:00Z
[sweep]
start_hz = 5.0
stop_hz = 600.0
duration_s = 8.0
sample_rate_hz = 48000
level_dbfs = -6.0
fade_in_s = 0.1
fade_out_s = 0.02
silence_before_s = 0.5
silence_after_s = 2.0
synchronized = true
[[capture]]
file = \"take.wav\"
quantity = \"pressure\"
probe = \"mouth-near\"
reference_channel = 1
microphone_channel = 2
sensitivity_v_per_pa = 1.0
reference_v_per_unit = 1.0
microphone_v_per_unit = 1.0
",
        design.display().to_string()
    );
    std::fs::write(&set, text).unwrap();
    let output = sound
        .within(env!("CARGO_BIN_EXE_bassay"))
        .arg("deconvolve")
        .arg(&set)
        .arg("--json")
        .output()
        .unwrap();
    let said = Said::of(&output);
    assert_eq!(said.status, 0, "{said:?}");
    let document: Value = serde_json::from_str(&said.out).unwrap();
    let got = &document["captures"][0];
    let numbers = |key: &str| -> Vec<f64> {
        let list = got[key].as_array().unwrap();
        list.iter().map(|v| v.as_f64().unwrap()).collect()
    };
    let (hz, re, im) = (numbers("frequency_hz"), numbers("re"), numbers("im"));
    let (mut most_db, mut most_rad, mut count) = (0.0_f64, 0.0_f64, 0);
    for n in (0..hz.len()).filter(|&n| (10.0..=500.0).contains(&hz[n])) {
        let (size, phase) = filter.response(hz[n], 48_000.0);
        most_db = most_db.max((20.0 * (re[n].hypot(im[n]) / size).log10()).abs());
        let off = im[n].atan2(re[n]) - phase;
        most_rad = most_rad.max(off.sin().atan2(off.cos()).abs());
        count += 1;
    }
    println!("{count} frequencies: {most_db:.4} dB, {most_rad:.5} rad");
    // 48 for each octave.
    assert!(count > 260, "{count}");
    assert!(most_db < 0.1, "{most_db} dB");
    // 0.1 dB is 1.16 % of the magnitude, the same distance as 0.0116 rad of phase.
    assert!(most_rad < 0.0116, "{most_rad} rad");
}

/// A path that makes 200 frames more of each million: the recorder's clock is fast by 200 ppm, which is found within three
/// standard deviations and does no harm.
#[test]
fn two_clocks_are_found_and_allowed() {
    const PPM: f64 = 200.0;
    let step = 1.0 / (1.0 + PPM * 1e-6);
    let (mut before, mut place) = ([0.0_f32; 2], 0.0_f64);
    // Between two frames a straight line: at 500 Hz it is off by (ωT)²/8, 0.05 %, and not in phase.
    let sound = Sound::through(48_000, move |now, out| {
        while place < 1.0 {
            let mix = |c: usize| before[c] + (now[c] - before[c]) * place as f32;
            out.push([mix(0), mix(1)]);
            place += step;
        }
        place -= 1.0;
        before = now;
    });
    let taken = sound.take(&["--duration-s", "6"]);
    let plan = SweepPlan {
        duration_s: 6.0,
        ..SweepPlan::default()
    };
    let heard = channel(&sound.at("take.wav"), 0);
    let told = examine(&heard, 48_000.0, &Sweep::new(plan).unwrap()).unwrap();
    println!("{} ± {} ppm", told.drift_ppm, told.drift_sd_ppm);
    assert!(told.steps.is_empty());
    assert!(
        (told.drift_ppm - PPM).abs() < 3.0 * told.drift_sd_ppm,
        "{} ± {} ppm",
        told.drift_ppm,
        told.drift_sd_ppm
    );
    assert!((taken["clock_ppm"].as_f64().unwrap() - told.drift_ppm).abs() < 0.01);
}
