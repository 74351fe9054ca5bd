//! Golden units as a maker uses them: rehearsed, verified, imported, and made limits from, by every way that there is.

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
    let text = |bytes: &[u8]| String::from_utf8_lossy(bytes).into_owned();
    let (out, err) = (text(&output.stdout), text(&output.stderr));
    assert!(!err.contains("panicked"), "{err}");
    (output.status.code().unwrap_or(-1), out, err)
}

fn done(folder: &Path, args: &[&str]) -> String {
    let (status, out, err) = bassay(folder, args);
    assert_eq!(status, 0, "{args:?}: {out}{err}");
    out
}

/// Three sound units with short sweeps, each verified: `uN/captures.toml` and `rN/result.json`.
fn golden(at: &Path) -> Vec<u32> {
    let sample = Path::new(env!("CARGO_MANIFEST_DIR")).join("sample-captures/dome.toml");
    // A spec that three drawn units are inside of: a unit that is outside makes no reference.
    let text = std::fs::read_to_string(sample).unwrap();
    let wide = text
        .replace("tolerance_db  = 1.2", "tolerance_db  = 8.0")
        .replace("tolerance_impedance = 0.15", "tolerance_impedance = 0.9");
    assert_ne!(wide, text);
    std::fs::write(at.join("dome.toml"), wide).unwrap();
    let list: Vec<u32> = (1..=3).collect();
    for n in &list {
        let (unit, seed, folder) = (format!("dome-2{n}"), format!("{n}"), format!("u{n}"));
        let rehearse = [
            "rehearse",
            "dome.toml",
            "--out",
            &folder,
            "--unit",
            &unit,
            "--seed",
            &seed,
            "--tolerances",
            "--taken",
            "2026-03-14T10:20:00Z",
            "--duration-s",
            "3",
            "--silence-after-s",
            "0.5",
            "--sample-rate-hz",
            "8000",
            "--capture",
            "impedance",
            "--capture",
            "mouth-near",
            "--quiet",
        ];
        done(at, &rehearse);
        let (captures, report) = (format!("{folder}/captures.toml"), format!("r{n}"));
        let (status, _, err) = bassay(at, &["verify", &captures, "--out", &report, "--quiet"]);
        assert!(status == 0 || status == 1 || status == 3, "{err}");
    }
    list
}

/// Numbers of a limits file: one per limit, in its order.
fn numbers(file: &Path, table: &str, keys: &[&str]) -> Vec<(String, Vec<f64>)> {
    let text = std::fs::read_to_string(file).unwrap();
    let read: toml::Value = toml::from_str(&text).unwrap();
    let list = read[table].as_array().unwrap();
    list.iter()
        .map(|t| {
            let name = match t.get("path") {
                Some(path) => path.to_string(),
                None => format!("{} {}", t["observation"], t["center_hz"]),
            };
            (
                name,
                keys.iter().filter_map(|k| t.get(k)?.as_float()).collect(),
            )
        })
        .collect()
}

/// CROSS: the same units give the same limits, whether they come as captures, as results of `verify`, or from the log that
/// took those results; only the residue is not in a result.
#[test]
fn captures_results_and_the_log_make_the_same_limits() {
    let folder = tempfile::tempdir().unwrap();
    let at = folder.path();
    let units = golden(at);
    let results: Vec<String> = units.iter().map(|n| format!("r{n}/result.json")).collect();
    let captures: Vec<String> = units
        .iter()
        .map(|n| format!("u{n}/captures.toml"))
        .collect();
    let import: Vec<&str> = [
        "ledger",
        "import",
        "--ledger",
        "log.db",
        "--operator",
        "op-01",
        "--station",
        "office",
    ]
    .into_iter()
    .chain(results.iter().map(String::as_str))
    .collect();
    let first = done(at, &import);
    assert_eq!(first.matches("reference unit dome-2").count(), 3, "{first}");
    assert!(!first.contains("already there"), "{first}");

    let make = |out: &str, method: &str, sources: &[&str]| {
        let base = [
            "limits",
            "make",
            "dome.toml",
            "--drawn",
            "2000",
            "--method",
            method,
            "--out",
            out,
        ];
        done(at, &[&base[..], sources].concat())
    };
    for method in ["both", "units"] {
        let of: [Vec<&str>; 3] = [
            ["--unit"]
                .into_iter()
                .chain(captures.iter().map(String::as_str))
                .collect(),
            ["--unit"]
                .into_iter()
                .chain(results.iter().map(String::as_str))
                .collect(),
            vec!["--ledger", "log.db", "--kind", "reference"],
        ];
        let files: Vec<PathBuf> = of
            .iter()
            .enumerate()
            .map(|(i, sources)| {
                let name = format!("{method}-{i}.toml");
                let said = make(&name, method, sources);
                assert!(said.contains("3 accepted units"), "{said}");
                assert!(said.lines().all(|l| l.chars().count() <= 80), "{said}");
                at.join(name)
            })
            .collect();
        let keys = ["low_db", "high_db", "measurement_sd_db"];
        let bands = numbers(&files[0], "band", &keys);
        let parameters = numbers(&files[0], "parameter", &["low", "high"]);
        // Two observations of the judged band, and what the design sets free.
        assert!(
            bands.len() > 12 && !parameters.is_empty(),
            "{bands:?} {parameters:?}"
        );
        for other in &files[1..] {
            for (table, keys, want) in [
                ("band", &keys[..], &bands),
                ("parameter", &["low", "high"], &parameters),
            ] {
                let found = numbers(other, table, keys);
                assert_eq!(found.len(), want.len(), "{method} {table}");
                for (a, b) in want.iter().zip(&found) {
                    assert_eq!(a.0, b.0);
                    assert_eq!(a.1.len(), b.1.len(), "{a:?} {b:?}");
                    // Six digits are written.
                    for (x, y) in a.1.iter().zip(&b.1) {
                        assert!(
                            (x - y).abs() <= 2e-5 * x.abs().max(0.1),
                            "{method}: {a:?} {b:?}"
                        );
                    }
                }
            }
        }
    }
    // A unit of the set passes by limits that were made of results, except where no limit can be.
    let inspect = [
        "inspect",
        "u2/captures.toml",
        "--limits",
        "both-1.toml",
        "--json",
        "--quiet",
    ];
    let (status, out, err) = bassay(at, &inspect);
    let said: Value = serde_json::from_str(&out).unwrap();
    assert_eq!(
        (status, said["verdict"].as_str()),
        (0, Some("pass")),
        "{said} {err}"
    );

    // A result that is no result, one of another design, and one unit twice.
    std::fs::write(at.join("half.json"), "{\"format\": \"bassay-result/1\"").unwrap();
    let text = std::fs::read_to_string(at.join("dome.toml")).unwrap();
    std::fs::write(at.join("other.toml"), format!("{text}\n# changed\n")).unwrap();
    for (design, units, words) in [
        ("dome.toml", vec!["half.json"], "half.json: line 1"),
        (
            "other.toml",
            vec!["r1/result.json"],
            "expected units of this very file",
        ),
        (
            "dome.toml",
            vec!["r1/result.json", "u1/captures.toml"],
            "is given twice",
        ),
    ] {
        let mut args = vec!["limits", "make", design, "--out", "no.toml", "--unit"];
        args.extend(units);
        let (status, _, err) = bassay(at, &args);
        assert_eq!(status, 2, "{err}");
        assert!(err.contains(words), "{err}");
        assert!(!at.join("no.toml").exists());
    }

    // Once more: nothing is added, also where one file is given twice, and a new one is.
    let again = done(at, &import);
    assert_eq!(again.matches("already there").count(), 3, "{again}");
    std::fs::copy(at.join("r1/result.json"), at.join("copy.json")).unwrap();
    let copy = [
        "ledger",
        "import",
        "--ledger",
        "log.db",
        "--operator",
        "op-02",
        "--station",
        "office",
        "copy.json",
    ];
    assert!(
        done(at, &copy).contains("already there"),
        "the same bytes under another name"
    );
    let twice = [
        "ledger",
        "import",
        "--ledger",
        "new.db",
        "--operator",
        "op-01",
        "--station",
        "office",
        "copy.json",
        "r1/result.json",
        "--json",
    ];
    let said: Value = serde_json::from_str(&done(at, &twice)).unwrap();
    let said = &said["references"];
    assert_eq!(
        (&said[0]["new"], &said[1]["new"]),
        (&true.into(), &false.into()),
        "{said}"
    );
    assert_eq!(said[0]["digest"], said[1]["digest"]);
    let listed: Value = serde_json::from_str(&done(
        at,
        &["ledger", "list", "--ledger", "log.db", "--json"],
    ))
    .unwrap();
    let listed = listed["entries"].as_array().unwrap();
    assert_eq!(listed.len(), 3, "{listed:?}");
    done(at, &["ledger", "audit", "--ledger", "log.db"]);
    let entry = &listed[0]["entry"];
    assert_eq!(entry["taken"], "2026-03-14T10:20:00Z");
    assert_ne!(
        entry["at"], entry["taken"],
        "an entry is dated when it is written"
    );
}
