//! The station file: what it means, how it ages, how it is refused.

use super::super::station_write::{Section, with_section};
use super::*;
use std::path::Path;

const TEXT: &str = "format = \"bassay-station/1\"\nname = \"dome-bench\"\n\n[card]\nsample_rate_hz = 96000\n\
    output_v_per_unit = 28.3\n\n[loopback]\ntaken = 2026-03-01T09:00:00Z\ngain_ratio = 1.0021\nvalid_days = 180\n\n\
    [jig]\ntaken = 2026-03-01T09:30:00Z\nreference_ohm = 9.987\ngain_ratio = 1.0021\n\n[microphone]\n\
    taken = 2026-03-01T09:45:00Z\nserial = \"mic 0412\"\nsensitivity_v_per_pa = 0.0124\ncorrection = \"mic.txt\"\n\n\
    [check]\nresistor_ohm = 8.2\n";

fn station(text: &str) -> Station {
    read_text(text, Path::new("bench/station.toml")).unwrap()
}

fn at(text: &str) -> Timestamp {
    text.parse().unwrap()
}

#[test]
fn every_part_is_read_and_paths_are_beside_the_file() {
    let s = station(TEXT);
    assert_eq!(
        (s.name.as_str(), s.card.sample_rate_hz),
        ("dome-bench", 96_000)
    );
    assert_eq!(s.card.output_v_per_unit, Some(28.3));
    assert_eq!(s.jig.as_ref().unwrap().lead_ohm, 0.0);
    let microphone = s.microphone.as_ref().unwrap();
    assert_eq!(
        microphone.correction.as_deref(),
        Some(Path::new("bench/mic.txt"))
    );
    assert_eq!(microphone.stamp.valid_days, USUAL_VALID_DAYS);
    assert_eq!(s.check.unwrap().every_hours, USUAL_CHECK_HOURS);
}

/// DERIVED: 1 March to 1 September 2026 are 184 days; a loop-back of 180 days is then too old, the rest is not.
#[test]
fn a_calibration_ages() {
    let s = station(TEXT);
    assert_eq!(s.doubts(at("2026-03-02T09:00:00Z")), []);
    let old = s.doubts(at("2026-09-01T09:00:00Z"));
    assert_eq!(
        old,
        [Doubt::Old {
            part: Part::Loopback,
            age_days: 184.0,
            valid_days: 180.0
        }]
    );
    assert!(old[0].to_string().contains("bassay station loopback"));
    assert_eq!(s.oldest_days(at("2026-09-01T09:00:00Z")), Some(184.0));
    let before = s.doubts(at("2026-02-01T00:00:00Z"));
    assert_eq!(before.len(), 3);
    assert!(before.iter().all(|d| matches!(d, Doubt::Later { .. })));
}

/// DERIVED: ratios of 1.0021 and 1.05 of the same two channels cannot both hold.
#[test]
fn missing_and_contradicting_calibrations_are_told() {
    let text = TEXT.replace("9.987\ngain_ratio = 1.0021", "9.987\ngain_ratio = 1.05");
    let found = station(&text).doubts(at("2026-03-02T09:00:00Z"));
    assert!(
        matches!(found[..], [Doubt::Contradicts { .. }]),
        "{found:?}"
    );
    let bare = station("format = \"bassay-station/1\"\nname = \"b\"\n");
    let found = bare.doubts(at("2026-03-02T09:00:00Z"));
    assert_eq!(found.len(), 3);
    assert_eq!(bare.oldest_days(at("2026-03-02T09:00:00Z")), None);
}

#[test]
fn mistakes_are_told_with_line_and_key() {
    let told = |from: &str, to: &str| {
        let text = TEXT.replace(from, to);
        assert_ne!(text, TEXT);
        read_text(&text, Path::new("station.toml"))
            .unwrap_err()
            .to_string()
    };
    let typo = told("reference_ohm", "referenc_ohm");
    assert!(
        typo.contains("station.toml:15: jig.referenc_ohm") && typo.contains("'reference_ohm'"),
        "{typo}"
    );
    let day = told("2026-03-01T09:30:00Z", "\"in March\"");
    assert!(
        day.contains("jig.taken") && day.contains("2026-03-14T10:20:00Z"),
        "{day}"
    );
    let channel = told("output_v_per_unit = 28.3", "microphone_channel = 5");
    assert!(channel.contains("1 to 2"), "{channel}");
    let same = told("output_v_per_unit = 28.3", "load_channel = 1");
    assert!(same.contains("source_channel too"), "{same}");
}

#[test]
fn a_table_is_replaced_and_comments_stay() {
    let file = Path::new("bench/station.toml");
    let text = TEXT.replace("9.987\n", "9.987 # by the four-wire meter\n");
    let mut jig = station(&text).jig.unwrap();
    jig.reference_ohm = 10.012;
    jig.lead_sd_ohm = 0.002;
    jig.how = Some("2 resistors".into());
    let new = with_section(&text, file, "unused", &Section::Jig(jig.clone())).unwrap();
    assert!(
        new.contains("reference_ohm = 10.012 # by the four-wire meter"),
        "{new}"
    );
    assert_eq!(station(&new).jig, Some(jig.clone()));
    assert_eq!(station(&new).microphone, station(TEXT).microphone);
    let fresh = with_section("", file, "bench \"2\"", &Section::Jig(jig.clone())).unwrap();
    let fresh = station(&fresh);
    assert_eq!((fresh.name.as_str(), fresh.jig), ("bench \"2\"", Some(jig)));
}

/// DERIVED: one pair of channels has one ratio, so that the loop-back's is the jig's where no other is stated.
#[test]
fn a_jig_without_a_ratio_takes_the_one_of_the_loopback() {
    let text = TEXT.replace("9.987\ngain_ratio = 1.0021", "9.987");
    assert_eq!(station(&text).jig.unwrap().gain_ratio, 1.0021);
    let other = text.replace(
        "output_v_per_unit = 28.3",
        "inputs = 4\nsource_channel = 3\nload_channel = 4",
    );
    assert_eq!(station(&other).jig.unwrap().gain_ratio, 1.0);
}
