//! What the log makes of tests that could not be judged, were corrected, or judge the recordings of another unit; on the sample
//! captures, which the time-domain bench made.

#![allow(clippy::unwrap_used)]

use assert_cmd::Command;
use serde_json::Value;
use std::path::{Path, PathBuf};

fn bassay(folder: &Path, args: &[&str]) -> (i32, String, String) {
    let output = Command::cargo_bin("bassay")
        .unwrap()
        .current_dir(folder)
        .env("NO_COLOR", "1")
        .args(args)
        .output()
        .unwrap();
    let text = |bytes: &[u8]| String::from_utf8_lossy(bytes).replace('\n', " ");
    (
        output.status.code().unwrap_or(-1),
        String::from_utf8_lossy(&output.stdout).into_owned(),
        // Messages fold at words.
        text(&output.stderr)
            .split_whitespace()
            .collect::<Vec<_>>()
            .join(" "),
    )
}

fn json(folder: &Path, args: &[&str]) -> (i32, Value) {
    let (status, out, err) = bassay(folder, &[args, &["--json", "--quiet"]].concat());
    let value =
        serde_json::from_str(&out).unwrap_or_else(|e| panic!("{args:?}: {e}\n{out}\n{err}"));
    (status, value)
}

fn sample(name: &str) -> String {
    let root = Path::new(env!("CARGO_MANIFEST_DIR")).join("sample-captures");
    root.join(name).to_str().unwrap().to_string()
}

/// A folder with limits from the sound unit, which hold for 10 to 30 °C.
fn line() -> tempfile::TempDir {
    let folder = tempfile::tempdir().unwrap();
    let (design, unit) = (sample("dome.toml"), sample("sound/captures.toml"));
    let mut make = vec!["limits", "make", &design, "--out", "limits.toml"];
    make.extend(["--unit", &unit, "--temperature-c", "10,30"]);
    make.extend(["--drawn", "2000", "--quiet"]);
    let (status, out, err) = bassay(folder.path(), &make);
    assert_eq!(status, 0, "{out}{err}");
    std::fs::copy(&design, folder.path().join("dome.toml")).unwrap();
    folder
}

/// A copy of a sample unit as `serial`; each line of its captures file is kept as `keep` says.
fn copied(folder: &Path, from: &str, serial: &str, keep: impl Fn(&str) -> bool) -> String {
    let into: PathBuf = folder.join(serial);
    std::fs::create_dir_all(&into).unwrap();
    for entry in std::fs::read_dir(sample(from)).unwrap() {
        let entry = entry.unwrap();
        std::fs::copy(entry.path(), into.join(entry.file_name())).unwrap();
    }
    let file = into.join("captures.toml");
    let text = std::fs::read_to_string(&file).unwrap();
    let lines = text.lines().filter(|l| keep(l)).map(|l| {
        if l.starts_with("unit =") {
            format!("unit = \"{serial}\"")
        } else {
            l.to_string()
        }
    });
    let text: Vec<String> = lines.collect();
    std::fs::write(&file, text.join("\n")).unwrap();
    file.to_str().unwrap().to_string()
}

fn inspect(folder: &Path, captures: &str, log: &str) -> Value {
    let args = [
        "inspect",
        captures,
        "--limits",
        "limits.toml",
        "--ledger",
        log,
    ];
    json(folder, &args).1
}

fn rejudged(folder: &Path, log: &str) -> Value {
    let args = [
        "limits",
        "rejudge",
        "--limits",
        "limits.toml",
        "--ledger",
        log,
    ];
    json(folder, &args).1["tests"].clone()
}

fn correct(folder: &Path, log: &str, digest: &str, verdict: &str) {
    let mut args = vec!["ledger", "correct", digest, "--verdict", verdict];
    args.extend(["--remark", "looked at it again", "--operator", "op-9"]);
    args.extend(["--station", "office", "--ledger", log]);
    let (status, out, err) = bassay(folder, &args);
    assert_eq!(status, 0, "{out}{err}");
}

/// The limits that a test was judged by say of its entry what the test said, also where it could not tell.
#[test]
fn the_same_limits_change_nothing() {
    let folder = line();
    let at = folder.path();
    let wrong = copied(at, "sound", "dome-21", |_| true);
    let near = at.join("dome-21/mouth-near.wav");
    std::fs::copy(at.join("dome-21/floor-2m.wav"), near).unwrap();
    let airless = copied(at, "leaking", "dome-22", |l| {
        !l.starts_with("temperature_c")
    });
    // In logs of their own: the two share recordings with nobody there.
    for (captures, log) in [(&wrong, "wrong.db"), (&airless, "airless.db")] {
        let seen = inspect(at, captures, log);
        assert_eq!(seen["verdict"], "unresolved", "{seen}");
        let tests = rejudged(at, log);
        assert_eq!(tests.as_array().unwrap().len(), 1);
        assert_eq!(tests[0]["old"], "unresolved");
        assert_eq!(tests[0]["new"], "unresolved", "{tests}");
    }
}

/// A unit that was corrected to FAIL counts as failed by whatever limits, and makes none.
#[test]
fn a_corrected_unit_makes_no_limits() {
    let folder = line();
    let at = folder.path();
    let sound = inspect(at, &sample("sound/captures.toml"), "log.db");
    assert_eq!(sound["verdict"], "pass");
    let design = sample("dome.toml");
    let mut make = vec!["limits", "make", &design, "--out", "again.toml"];
    make.extend([
        "--ledger",
        "log.db",
        "--kind",
        "inspection",
        "--drawn",
        "2000",
    ]);
    let (status, out, err) = bassay(at, &make);
    assert_eq!(status, 0, "{out}{err}");
    correct(
        at,
        "log.db",
        sound["logged"]["digest"].as_str().unwrap(),
        "fail",
    );
    let tests = rejudged(at, "log.db");
    assert_eq!(
        (&tests[0]["old"], &tests[0]["new"]),
        (&"fail".into(), &"fail".into())
    );
    make[4] = "third.toml";
    let (status, out, err) = bassay(at, &make);
    assert!(
        status == 2 && err.contains("no accepted units"),
        "{out}{err}"
    );
    assert!(
        err.contains("left out: 1 that are outside or were corrected"),
        "{err}"
    );
}

/// The same recordings under another serial are no other unit, until the entry with the wrong serial is taken back.
#[test]
fn a_copy_is_no_other_unit() {
    let folder = line();
    let at = folder.path();
    let own = inspect(at, &sample("sound/captures.toml"), "log.db");
    let copy = copied(at, "sound", "dome-31", |_| true);
    let seen = inspect(at, &copy, "log.db");
    assert_eq!(seen["verdict"], "unresolved", "{seen}");
    let doubt = seen["doubts"][0].as_str().unwrap();
    assert!(
        doubt.contains("those of unit dome-07 (entry 1 of station-1"),
        "{doubt}"
    );
    // The unit itself is not doubted for its copy, and by whatever limits the copy stays doubted.
    assert_eq!(
        inspect(at, &sample("sound/captures.toml"), "log.db")["verdict"],
        "pass"
    );
    let tests = rejudged(at, "log.db");
    assert_eq!(
        (&tests[1]["unit"], &tests[1]["new"]),
        (&"dome-31".into(), &"unresolved".into())
    );
    // Limits are not made of both.
    let design = sample("dome.toml");
    let mut make = vec![
        "limits", "make", &design, "--out", "two.toml", "--drawn", "2000",
    ];
    let sound = sample("sound/captures.toml");
    make.extend(["--unit", &sound, &copy]);
    let (status, _, err) = bassay(at, &make);
    assert_eq!(status, 2, "{err}");
    assert!(
        err.contains("units dome-07 and dome-31 share a recording"),
        "{err}"
    );
    assert!(!at.join("two.toml").exists());
    // Taken back, the first entries leave the recordings to the other serial, whose test that finishes.
    let (_, listed) = json(at, &["ledger", "list", "--ledger", "log.db"]);
    let again = &listed["entries"].as_array().unwrap()[2];
    correct(
        at,
        "log.db",
        own["logged"]["digest"].as_str().unwrap(),
        "unresolved",
    );
    correct(
        at,
        "log.db",
        again["digest"].as_str().unwrap(),
        "unresolved",
    );
    let seen = inspect(at, &copy, "log.db");
    assert_eq!(
        (&seen["verdict"], &seen["attempt"]),
        (&"pass".into(), &1.into()),
        "{seen}"
    );
}

/// Recordings whose air was not stated are finished by stating it.
#[test]
fn stating_the_air_finishes_the_test() {
    let folder = line();
    let at = folder.path();
    let airless = copied(at, "leaking", "dome-41", |l| {
        !l.starts_with("temperature_c")
    });
    assert_eq!(inspect(at, &airless, "log.db")["verdict"], "unresolved");
    let args = [
        "inspect",
        &airless,
        "--limits",
        "limits.toml",
        "--temperature-c",
        "17.5",
    ];
    let (status, _, err) = bassay(at, &args);
    assert!(
        status == 2 && err.contains("write temperature_c = 17.5 into it"),
        "{err}"
    );
    let stated = copied(at, "leaking", "dome-41", |_| true);
    let args = [
        "inspect",
        &stated,
        "--limits",
        "limits.toml",
        "--ledger",
        "log.db",
    ];
    let (status, _, err) = bassay(at, &args);
    assert!(status == 1 && err.contains("this finishes it"), "{err}");
    let all = |log: &str| json(at, &["ledger", "yield", "--ledger", log]).1["all"].clone();
    let first = all("log.db");
    let counts = [
        &first["tested"],
        &first["failed"],
        &first["unresolved"],
        &first["retests"],
    ];
    assert_eq!(counts, [1, 1, 0, 0].map(Value::from).each_ref(), "{first}");
    // Once more is neither a retest nor another first test.
    let third = inspect(at, &stated, "log.db");
    assert_eq!(third["verdict"], "fail");
    assert_eq!(all("log.db"), first);
    let page = |file: &str| {
        let args = [
            "ledger",
            "certificate",
            "dome-41",
            "--ledger",
            "log.db",
            "--out",
            file,
        ];
        assert_eq!(bassay(at, &args).0, 0);
        std::fs::read_to_string(at.join(file)).unwrap()
    };
    let page = page("c.html");
    assert!(
        page.contains("</span>FAIL") && page.contains("Not finished "),
        "{page}"
    );
    assert!(
        page.contains("by the same limits") && !page.contains("by other limits"),
        "{page}"
    );
}

/// A retest counts behind the first test whatever time its captures state; and nothing is recorded tomorrow.
#[test]
fn tests_count_as_they_were_logged() {
    let folder = line();
    let at = folder.path();
    let dated = |from: &str, serial: &str, taken: &str| {
        let file = copied(at, from, serial, |_| true);
        let text = std::fs::read_to_string(&file).unwrap();
        let taken = format!("taken = {taken}");
        std::fs::write(&file, text.replace("taken = 2026-01-01T00:00:00Z", &taken)).unwrap();
        file
    };
    let first = dated("leaking", "dome-51", "2026-01-01T00:00:00Z");
    assert_eq!(inspect(at, &first, "log.db")["verdict"], "fail");
    let mended = dated("sound", "dome-51", "2025-06-01T00:00:00Z");
    let second = inspect(at, &mended, "log.db");
    assert_eq!(
        (&second["verdict"], &second["attempt"]),
        (&"pass".into(), &2.into())
    );
    let yields = json(at, &["ledger", "yield", "--ledger", "log.db"]).1;
    let all = &yields["all"];
    assert_eq!(
        (
            &all["failed"],
            &all["first"]["passed"],
            &all["last"]["passed"]
        ),
        (&1.into(), &0.into(), &1.into()),
        "{all}"
    );
    let ahead = dated("sound", "dome-52", "2999-01-01T00:00:00Z");
    let (status, _, err) = bassay(at, &["inspect", &ahead, "--limits", "limits.toml"]);
    assert!(
        status == 2 && err.contains("lies ahead of this computer's clock"),
        "{err}"
    );
}
