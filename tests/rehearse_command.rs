//! `bassay rehearse` as a person runs it.

#![allow(clippy::unwrap_used)]

use assert_cmd::Command;
use bassay::design::captures_read;
use std::path::Path;

const DESIGN: &str = "tests/designs/dome.toml";

fn rehearse(out: &Path, more: &[&str]) -> assert_cmd::assert::Assert {
    Command::cargo_bin("bassay")
        .unwrap()
        .args(["rehearse", DESIGN, "--out"])
        .arg(out)
        .args([
            "--duration-s",
            "1",
            "--silence-after-s",
            "0.3",
            "--sample-rate-hz",
            "8000",
        ])
        .args(more)
        .assert()
}

#[test]
fn a_set_is_complete_readable_and_the_same_for_the_same_seed() {
    let folder = tempfile::tempdir().unwrap();
    let (one, two) = (folder.path().join("one"), folder.path().join("two"));
    for out in [&one, &two] {
        rehearse(
            out,
            &["--seed", "7", "--tolerances", "--set", "driver.cms=x1.12"],
        )
        .success();
    }
    let set = captures_read::read(&one.join("captures.toml")).unwrap();
    let design = bassay::design::read::read(&set.design).unwrap();
    assert!(captures_read::check_against(&set, &design).is_ok());
    assert_eq!(set.captures.len(), 1 + design.probes.len());
    let truth = std::fs::read_to_string(one.join("truth.json")).unwrap();
    assert!(truth.contains("driver.cms"));
    let text = std::fs::read_to_string(one.join("captures.toml")).unwrap();
    assert!(
        !text.contains("driver.cms"),
        "the truth is not told: {text}"
    );
    let mut names = 0;
    for entry in std::fs::read_dir(&one).unwrap() {
        let path = entry.unwrap().path();
        // DERIVED: the same seed gives the same bytes.
        let other = two.join(path.file_name().unwrap());
        assert!(
            std::fs::read(&path).unwrap() == std::fs::read(other).unwrap(),
            "{path:?}"
        );
        names += 1;
    }
    assert_eq!(names, 3 + design.probes.len());
    // No staging folder stays behind.
    assert_eq!(std::fs::read_dir(folder.path()).unwrap().count(), 2);
}

#[test]
fn an_existing_folder_keeps_what_is_not_part_of_the_set() {
    let folder = tempfile::tempdir().unwrap();
    let own = folder.path().join("notes.txt");
    std::fs::write(&own, "mine").unwrap();
    rehearse(folder.path(), &["--capture", "impedance"]).success();
    rehearse(
        folder.path(),
        &["--capture", "impedance", "--bits", "float"],
    )
    .success();
    assert_eq!(std::fs::read_to_string(&own).unwrap(), "mine");
    assert!(folder.path().join("impedance.wav").is_file());
}

#[test]
fn bad_input_is_named_and_writes_nothing() {
    let folder = tempfile::tempdir().unwrap();
    let out = folder.path().join("unit");
    for (arguments, wanted) in [
        (vec!["--set", "driver.cmx=2"], "driver.cms"),
        (vec!["--set", "driver.cms"], "PATH=VALUE"),
        (vec!["--set", "driver.re=x-1"], "above 0"),
        (vec!["--capture", "nowhere"], "nowhere"),
        (vec!["--stop-hz", "4"], "stop frequency"),
        (vec!["--drift-ppm", "1e9"], "--drift-ppm"),
        (vec!["--taken", "yesterday"], "--taken"),
    ] {
        let assert = rehearse(&out, &arguments).code(2);
        let text = String::from_utf8_lossy(&assert.get_output().stderr).into_owned();
        assert!(text.contains(wanted), "{arguments:?}: {text}");
        assert!(!out.exists());
    }
}
