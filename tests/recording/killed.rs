//! Killed at any moment of a recording, what is left can be read and is not taken for complete.

use std::path::Path;
use std::process::{Command, Stdio};
use std::time::{Duration, Instant};

fn recorder(file: &Path) -> Command {
    let mut command = Command::new(env!("CARGO_BIN_EXE_bassay"));
    command
        .args(["record", "--virtual", "sample-captures/dome.toml"])
        .args(["--pace", "20", "--yes", "--duration-s", "2", "--quiet"])
        .arg("--out")
        .arg(file)
        .stdin(Stdio::null())
        .stdout(Stdio::null())
        .stderr(Stdio::null());
    command
}

/// Frames of a file that opens and holds exactly what its header says.
fn frames(file: &Path) -> u32 {
    let mut reader =
        hound::WavReader::open(file).unwrap_or_else(|e| panic!("{}: {e}", file.display()));
    let frames = reader.duration();
    let samples = reader.samples::<i32>().filter(Result::is_ok).count();
    assert_eq!(samples, 2 * frames as usize, "{}", file.display());
    frames
}

/// Silence, sweep and silence of a whole take: 0.5 + 2 + 2 s at 48 kHz.
const WHOLE: u32 = 216_000;

#[test]
fn killed_at_random_moments_the_file_opens() {
    let folder = tempfile::tempdir().unwrap();
    let whole = folder.path().join("whole.wav");
    let begun = Instant::now();
    assert!(recorder(&whole).status().unwrap().success());
    let takes = begun.elapsed();
    assert!(frames(&whole) >= WHOLE);
    let mut state = 20_260_314_u64;
    let (mut partial, mut complete) = (0, 0);
    for n in 0..100 {
        let own = folder.path().join(n.to_string());
        std::fs::create_dir(&own).unwrap();
        let mut child = recorder(&own.join("take.wav")).spawn().unwrap();
        // The same in every run (multiplier of Knuth's MMIX, from memory).
        state = state
            .wrapping_mul(6_364_136_223_846_793_005)
            .wrapping_add(1_442_695_040_888_963_407);
        let part = (state >> 33) as f64 / f64::from(1u32 << 31);
        std::thread::sleep(Duration::from_secs_f64(part * takes.as_secs_f64()));
        child.kill().unwrap();
        child.wait().unwrap();
        for entry in std::fs::read_dir(&own).unwrap() {
            let path = entry.unwrap().path();
            match path.file_name().unwrap().to_str().unwrap() {
                "take.wav" => {
                    complete += 1;
                    assert!(frames(&path) >= WHOLE, "taken for complete");
                }
                "take.partial.wav" => {
                    partial += 1;
                    frames(&path);
                }
                // A header on the way to its name: nobody takes it for a recording.
                other => assert!(
                    other.starts_with('.') && !other.ends_with(".wav"),
                    "{other}"
                ),
            }
        }
    }
    println!("{takes:?} for a take; {partial} incomplete, {complete} complete");
    assert!(
        partial >= 30,
        "{partial} of 100 were killed while recording"
    );
}
