//! Reading `captures.toml`: the contract's example, and broken files with line, key and words.

#![allow(clippy::unwrap_used)]

use bassay::design::captures::{CaptureKind, MicrophoneScale};
use bassay::design::{Spread, captures_read, read};
use std::path::Path;

const DOME: &str = include_str!("designs/dome.toml");

const CAPTURES: &str = r#"format = "bassay-captures/1"
unit   = "proto-2"
design = "design.toml"
taken  = 2026-03-14T10:20:00Z
temperature_c = 17.5
pressure_kpa = 100.2
humidity_pct = 40.0

[sweep]
start_hz = 5.0
stop_hz  = 500.0
duration_s = 8.0
sample_rate_hz = 48000
level_dbfs = -6.0
fade_in_s = 0.1
fade_out_s = 0.02
silence_before_s = 0.5
silence_after_s = 2.0
synchronized = true

[[capture]]
file = "impedance.wav"
quantity = "impedance"
source_channel = 1
load_channel = 2
reference_ohm = 10.0
lead_ohm = 0.0

[[capture]]
file = "mouth-near.wav"
quantity = "pressure"
probe = "mouth-near"
reference_channel = 1
microphone_channel = 2
sensitivity_v_per_pa = 0.0125
reference_v_per_unit = 40.0
microphone_v_per_unit = 1.0
correction = "mic-0412.txt"

[built]
"duct.d3.length" = { value = 0.655, sd = 0.002 }

[[curve]]
file = "impedance.csv"
quantity = "impedance"
"#;

fn parse(
    text: &str,
) -> Result<bassay::design::captures::CaptureSet, bassay::design::problem::Problems> {
    captures_read::read_text(text, Path::new("units/captures.toml"))
}

#[test]
fn the_example_reads_to_its_values() {
    let set = parse(CAPTURES).expect("sound");
    assert_eq!(set.unit, "proto-2");
    assert_eq!(set.design, Path::new("units/design.toml"));
    assert_eq!(set.taken.as_deref(), Some("2026-03-14T10:20:00Z"));
    assert_eq!(set.air(Default::default()).temperature_c, 17.5);
    assert_eq!(set.sweep.expect("a sweep").sample_rate_hz, 48_000);
    assert_eq!(set.captures[0].path, Path::new("units/impedance.wav"));
    assert!(matches!(
        set.captures[0].kind,
        CaptureKind::Impedance {
            source_channel: 1,
            load_channel: 2,
            gain_ratio: 1.0,
            ..
        }
    ));
    let CaptureKind::Pressure {
        scale,
        correction,
        reference_v_per_unit,
        ..
    } = &set.captures[1].kind
    else {
        panic!("a pressure capture");
    };
    assert!(matches!(scale, MicrophoneScale::Sensitivity { .. }));
    assert_eq!(*reference_v_per_unit, 40.0);
    assert_eq!(correction.as_deref(), Some(Path::new("units/mic-0412.txt")));
    assert_eq!(set.built[0].spread, Spread::Absolute(0.002));
    assert_eq!(set.curves[0].probe, None);
}

type Case = (
    &'static str,
    &'static str,
    &'static str,
    &'static str,
    &'static [&'static str],
);

const BROKEN: &[Case] = &[
    (
        "unit   = \"proto-2\"",
        "unit   = 2",
        "unit   = 2",
        "unit",
        &["text"],
    ),
    ("unit   = \"proto-2\"\n", "", "format", "unit", &["missing"]),
    ("unit   =", "unti   =", "unti", "unti", &["'unit'"]),
    ("10:20:00Z", "10:20:00", "taken", "taken", &["offset"]),
    (
        "taken  = 2026-03-14T10:20:00Z",
        "taken  = \"yesterday\"",
        "taken",
        "taken",
        &["yesterday"],
    ),
    (
        "stop_hz  = 500.0",
        "stop_hz  = 5.0",
        "stop_hz",
        "sweep.stop_hz",
        &["start_hz"],
    ),
    (
        "sample_rate_hz = 48000",
        "sample_rate_hz = 1000",
        "stop_hz",
        "sweep.stop_hz",
        &["half"],
    ),
    (
        "sample_rate_hz = 48000",
        "sample_rate_hz = 44100.5",
        "44100.5",
        "sweep.sample_rate_hz",
        &["whole"],
    ),
    (
        "fade_in_s = 0.1",
        "fade_in_s = 9",
        "fade_in_s",
        "sweep.fade_in_s",
        &["duration_s"],
    ),
    (
        "level_dbfs = -6.0",
        "level_dbfs = 6.0",
        "level_dbfs",
        "sweep.level_dbfs",
        &["-120 to 0 dB"],
    ),
    (
        "duration_s = 8.0\n",
        "",
        "[sweep]",
        "sweep.duration_s",
        &["missing"],
    ),
    (
        "synchronized = true",
        "synchronized = 1",
        "synchronized",
        "sweep.synchronized",
        &["true or false"],
    ),
    (
        "load_channel = 2",
        "load_channel = 1",
        "load_channel",
        "capture[1].load_channel",
        &["two channels"],
    ),
    (
        "load_channel = 2",
        "load_channel = 0",
        "load_channel",
        "capture[1].load_channel",
        &["1 to 256"],
    ),
    (
        "lead_ohm = 0.0",
        "lead_ohm = 0.0\nprobe = \"x\"",
        "probe = \"x\"",
        "capture[1].probe",
        &["pressure"],
    ),
    (
        "quantity = \"pressure\"",
        "quantity = \"presure\"",
        "presure",
        "capture[2].quantity",
        &["'pressure'"],
    ),
    (
        "reference_v_per_unit = 40.0\n",
        "",
        "file = \"mouth",
        "capture[2].reference_v_per_unit",
        &["missing"],
    ),
    (
        "microphone_channel = 2",
        "microphone_channel = 1",
        "microphone_channel",
        "capture[2].microphone_channel",
        &["two"],
    ),
    (
        "sensitivity_v_per_pa = 0.0125",
        "sensitivity_v_per_pa = 0.0125\nfull_scale_db = 120",
        "full_scale",
        "capture[2].full_scale_db",
        &["one of them"],
    ),
    (
        "sd = 0.002",
        "sd = 0",
        "\"duct.d3",
        "built.\"duct.d3.length\".sd",
        &["found 0"],
    ),
    (
        "{ value = 0.655, sd = 0.002 }",
        "0.655",
        "\"duct.d3",
        "built.\"duct.d3.length\"",
        &["sd = "],
    ),
    (
        "duct.d3.length",
        "duct.*.length",
        "\"duct",
        "built.\"duct.*.length\"",
        &["one parameter"],
    ),
    (
        "bassay-captures/1",
        "bassay-design/1",
        "format",
        "format",
        &["bassay-captures/1"],
    ),
];

#[test]
fn every_broken_file_names_line_key_and_what_was_expected() {
    let mut wrong = String::new();
    for &(old, new, piece, key, words) in BROKEN {
        assert!(CAPTURES.contains(old), "the case changes nothing: {old}");
        let text = CAPTURES.replacen(old, new, 1);
        let Err(found) = parse(&text) else {
            wrong += &format!("{new}: accepted\n");
            continue;
        };
        let at = text.find(piece).expect("piece");
        let mut line = 1 + text[..at].matches('\n').count();
        if piece == "file = \"mouth" {
            line -= 1; // The header.
        }
        let first = &found.0[0];
        if first.key != key
            || first.line != line
            || !words.iter().all(|w| first.text.contains(w))
            || found.0.len() != 1
        {
            wrong += &format!("{new}: expected line {line}, {key}, {words:?}:\n{found}\n");
        }
    }
    assert!(wrong.is_empty(), "{wrong}");
}

/// One recording that stands for two captures counts for neither.
#[test]
fn the_same_recording_stands_in_one_capture() {
    let last = CAPTURES.rfind("[[capture]]").expect("there");
    let end = CAPTURES[last..].find("[built]").expect("there") + last;
    let one = CAPTURES[last..end].replacen("[[capture]]", "[[capture]]\ntake = 2", 1);
    let again = format!("{}{one}{one}{}", &CAPTURES[..last], &CAPTURES[end..]);
    let found = parse(&again).expect_err("twice").to_string();
    assert!(found.contains("stands in two captures"), "{found}");
}

#[test]
fn a_sweep_belongs_to_captures_and_not_to_curves() {
    let start = CAPTURES.find("[sweep]").expect("there");
    let captures = CAPTURES.find("[[capture]]").expect("there");
    let built = CAPTURES.find("[built]").expect("there");
    let without = format!("{}{}", &CAPTURES[..start], &CAPTURES[captures..]);
    assert_eq!(parse(&without).expect_err("no sweep").0[0].key, "sweep");
    let curves_only = format!("{}{}", &CAPTURES[..start], &CAPTURES[built..]);
    assert!(parse(&curves_only).expect("sound").sweep.is_none());
    let nothing = &CAPTURES[..start];
    assert_eq!(
        parse(nothing).expect_err("nothing measured").0[0].key,
        "capture"
    );
}

#[test]
fn names_are_checked_against_the_design_with_their_lines() {
    let folder = tempfile::tempdir().expect("a folder");
    let path = folder.path().join("captures.toml");
    let design = read::read_text(DOME, Path::new("design.toml")).expect("sound");
    std::fs::write(&path, CAPTURES).expect("written");
    let set = captures_read::read(&path).expect("sound");
    captures_read::check_against(&set, &design).expect("all names are known");

    // The same capture twice would count as two measurements.
    let start = CAPTURES.find("[[capture]]").expect("there");
    let end = start + CAPTURES[start + 1..].find("[[capture]]").expect("two") + 1;
    let twice = CAPTURES.replace("[built]", &format!("{}\n[built]", &CAPTURES[start..end]));
    std::fs::write(&path, &twice).expect("written");
    let set = captures_read::read(&path).expect("its own rules hold");
    let found = captures_read::check_against(&set, &design).expect_err("one twice");
    assert_eq!(found.0.len(), 1, "{found}");
    assert!(
        found.0[0].text.contains("same capture as capture[1]"),
        "{found}"
    );

    let text = CAPTURES
        .replace("probe = \"mouth-near\"", "probe = \"mouth-far\"")
        .replace("duct.d3.length", "duct.d3.lenght");
    std::fs::write(&path, &text).expect("written");
    let set = captures_read::read(&path).expect("its own rules hold");
    let found = captures_read::check_against(&set, &design).expect_err("two names");
    let line = |piece: &str| {
        1 + text[..text.find(piece).expect("there")]
            .matches('\n')
            .count()
    };
    assert_eq!(found.0.len(), 2, "{found}");
    assert_eq!(found.0[0].line, line("mouth-far"));
    assert!(found.0[0].text.contains("'mouth-near'"), "{found}");
    assert_eq!(found.0[1].line, line("lenght"));
    assert!(found.0[1].text.contains("'duct.d3.length'"), "{found}");
}
