//! `bassay compare` as a person types it.

#![allow(clippy::unwrap_used)]

use assert_cmd::Command;
use std::path::{Path, PathBuf};

fn files(folder: &Path) -> (PathBuf, PathBuf) {
    let (a, b) = (folder.join("a.csv"), folder.join("b.csv"));
    std::fs::write(&a, "frequency_hz,level_db\n20,91\n200,91\n").expect("written");
    std::fs::write(&b, "frequency_hz;level_db\n20;90,0\n200;90,0\n").expect("written");
    (a, b)
}

fn bassay() -> Command {
    Command::new(assert_cmd::cargo::cargo_bin!("bassay"))
}

#[test]
fn json_is_one_document_with_the_bands() {
    let folder = tempfile::tempdir().expect("a folder");
    let (a, b) = files(folder.path());
    let out = folder.path().join("out");
    let run = bassay()
        .args(["compare", "--json", "--out"])
        .arg(&out)
        .args([&a, &b])
        .assert()
        .code(0);
    let text = String::from_utf8(run.get_output().stdout.clone()).expect("text");
    let result: serde_json::Value = serde_json::from_str(&text).expect("one document");
    let bands = result["bands"].as_array().expect("bands");
    // PUBLISHED (IEC 61260-1): whole bands inside 20 to 200 Hz: 25 (22.4) to 160 (177.8).
    assert_eq!(bands.len(), 9);
    assert_eq!(bands[0]["center_hz"], 25.0);
    // DERIVED: 91 − 90 dB; exact in binary.
    for band in bands {
        for key in [
            "difference_db",
            "rms_difference_db",
            "largest_difference_db",
        ] {
            assert_eq!(band[key], 1.0, "{key}");
        }
    }
    assert!(out.join("comparison.csv").exists());
    let written = std::fs::read_to_string(out.join("comparison.json")).expect("written");
    assert_eq!(
        serde_json::from_str::<serde_json::Value>(&written).expect("json"),
        result
    );
}

#[test]
fn a_bad_file_ends_with_2_and_says_where() {
    let folder = tempfile::tempdir().expect("a folder");
    let (a, b) = files(folder.path());
    std::fs::write(&b, "frequency_hz,level_db\n20,1\n10,1\n").expect("written");
    let run = bassay().arg("compare").args([&a, &b]).assert().code(2);
    let told = String::from_utf8(run.get_output().stderr.clone()).expect("text");
    assert!(
        told.contains("b.csv:3: column 1") && told.contains("ascending"),
        "{told}"
    );
    assert!(run.get_output().stdout.is_empty());
}
