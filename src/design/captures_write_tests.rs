//! Captures are written and read back; what a person wrote stays.

use super::*;
use crate::design::captures::CaptureKind;

fn head() -> String {
    let sweep = SweepPlan::default();
    new_set(
        "dome-7",
        "design.toml",
        &sweep,
        "2026-03-14T10:20:00Z",
        None,
        [None; 3],
    )
}

fn capture(file: &str) -> NewCapture {
    NewCapture {
        files: vec![file.into(), "again.wav".into()],
        replaces: None,
        kind: CaptureKind::Impedance {
            source_channel: 1,
            load_channel: 2,
            reference_ohm: 10.03,
            lead_ohm: 0.1,
            gain_ratio: 1.0,
        },
        drive_v: None,
        recorded: Some(Recorded {
            at: "2026-03-14T10:21:00Z".into(),
            device: "Line \"in\"".into(),
            sample_rate_hz: 48_000,
            level_dbfs: -12.0,
            output_channel: 1,
            input_channels: vec![3, 4],
            station: Some("ab".repeat(32)),
            software: "bassay 0.1".into(),
        }),
    }
}

#[test]
fn a_new_set_reads_back_and_a_retake_replaces() {
    let path = Path::new("unit/captures.toml");
    let first = with_capture(&head(), path, &capture("z.wav")).unwrap();
    let set = read_text(&first, path).unwrap();
    assert_eq!(set.sweep, Some(SweepPlan::default()));
    let c = &set.captures[0];
    assert_eq!(c.recorded, capture("z.wav").recorded);
    assert_eq!(c.repeats[0].1, Path::new("unit/again.wav"));
    assert!(
        matches!(c.kind, CaptureKind::Impedance { reference_ohm, .. } if reference_ohm == 10.03)
    );

    // What a person adds stays where it is.
    let edited = first.replace(
        "[[capture]]\n",
        "# jig on the blue table\n[[capture]]\nac_coupling_hz = 2.0 # mine\n",
    );
    let mut retake = capture("z.wav");
    retake.files.truncate(1);
    let again = with_capture(&edited, path, &retake).unwrap();
    assert!(again.contains("# jig on the blue table"), "{again}");
    assert!(again.contains("ac_coupling_hz = 2.0 # mine"), "{again}");
    assert!(!again.contains("repeats"), "{again}");
    let more = with_capture(&again, path, &capture("y.wav")).unwrap();
    assert_eq!(read_text(&more, path).unwrap().captures.len(), 2);
    // A take of another name in the place of a bad one.
    let mut better = capture("x.wav");
    better.replaces = Some("z.wav".to_string());
    let two = read_text(&with_capture(&more, path, &better).unwrap(), path).unwrap();
    let files: Vec<&str> = two.captures.iter().map(|c| c.file.as_str()).collect();
    assert_eq!(files, ["x.wav", "y.wav"]);
    assert_eq!(two.captures[0].ac_coupling_hz, Some(2.0));
    // The same text twice: writing what is there changes nothing.
    assert_eq!(with_capture(&more, path, &capture("y.wav")).unwrap(), more);
}

#[test]
fn what_would_not_be_sound_is_not_written() {
    let path = Path::new("captures.toml");
    let mut wrong = capture("z.wav");
    if let CaptureKind::Impedance { load_channel, .. } = &mut wrong.kind {
        *load_channel = 1;
    }
    let told = with_capture(&head(), path, &wrong).unwrap_err().to_string();
    assert!(told.contains("load_channel"), "{told}");
}

#[test]
fn what_the_station_states_is_left_to_it() {
    let folder = tempfile::tempdir().unwrap();
    let bench = "format = \"bassay-station/1\"\nname = \"b\"\n[jig]\ntaken = 2026-03-01T09:30:00Z\nreference_ohm = 10.03\n\
        lead_ohm = 0.05\n";
    std::fs::write(folder.path().join("station.toml"), bench).unwrap();
    let path = folder.path().join("captures.toml");
    let sweep = SweepPlan::default();
    let head = new_set(
        "dome-7",
        "design.toml",
        &sweep,
        "",
        Some("station.toml"),
        [Some(17.5), None, Some(50.0)],
    );
    save(&path, &head, &capture("z.wav")).unwrap();
    let text = std::fs::read_to_string(&path).unwrap();
    assert!(
        !text.contains("reference_ohm") && text.contains("lead_ohm = 0.1"),
        "{text}"
    );
    let set = crate::design::captures_read::read(&path).unwrap();
    assert_eq!(
        [set.temperature_c, set.pressure_kpa, set.humidity_pct],
        [Some(17.5), None, Some(50.0)]
    );
    assert_eq!(set.captures[0].kind, capture("z.wav").kind);
}
