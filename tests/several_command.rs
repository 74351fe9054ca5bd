//! `bassay align` with several units of one design, as a person runs it.
//!
//! The units are rehearsed: the time-domain model draws them from the tolerances of `tests/designs/dome.toml` and shares
//! only the reader of the design with the model that is aligned. Short sweeps at a low rate: three seconds at 8 kHz.

#![allow(clippy::unwrap_used)]

use assert_cmd::Command;
use bassay::align::Fit;
use bassay::design::{captures_read, read};
use bassay::several::linear::linear;
use serde_json::Value;
use std::path::{Path, PathBuf};

const DESIGN: &str = "tests/designs/dome.toml";

fn bassay(arguments: &[&str]) -> assert_cmd::assert::Assert {
    Command::cargo_bin("bassay")
        .unwrap()
        .args(arguments)
        .arg("--quiet")
        .assert()
}

/// A unit with drawn tolerances; gives its captures file.
fn unit(folder: &Path, name: &str, seed: u64, more: &[&str]) -> PathBuf {
    let out = folder.join(name);
    Command::cargo_bin("bassay")
        .unwrap()
        .args([
            "rehearse",
            DESIGN,
            "--unit",
            name,
            "--tolerances",
            "--quiet",
            "--out",
        ])
        .arg(&out)
        .args(["--seed", &seed.to_string()])
        .args([
            "--duration-s",
            "3",
            "--silence-after-s",
            "0.5",
            "--sample-rate-hz",
            "8000",
        ])
        .args(more)
        .assert()
        .success();
    out.join("captures.toml")
}

fn texts(paths: &[PathBuf]) -> Vec<&str> {
    paths.iter().map(|p| p.to_str().unwrap()).collect()
}

fn stdout(assert: &assert_cmd::assert::Assert) -> String {
    String::from_utf8(assert.get_output().stdout.clone()).unwrap()
}

fn stderr(assert: &assert_cmd::assert::Assert) -> String {
    String::from_utf8(assert.get_output().stderr.clone()).unwrap()
}

fn parameter<'v>(document: &'v Value, path: &str) -> &'v Value {
    document["parameters"]
        .as_array()
        .unwrap()
        .iter()
        .find(|p| p["path"] == path)
        .unwrap_or_else(|| panic!("{path} is missing in {document:#}"))
}

fn truth(captures: &Path, path: &str) -> f64 {
    let text = std::fs::read_to_string(captures.with_file_name("truth.json")).unwrap();
    let truth: Value = serde_json::from_str(&text).unwrap();
    let list = truth["differences"].as_array().unwrap();
    let one = list.iter().find(|d| d["path"] == path).unwrap();
    one["actual"].as_f64().unwrap()
}

fn inside(value: &Value, number: f64) -> bool {
    value["low95"].as_f64().unwrap() <= number && number <= value["high95"].as_f64().unwrap()
}

#[test]
fn four_units_give_a_design_that_holds_the_truth() {
    let folder = tempfile::tempdir().unwrap();
    let sets: Vec<PathBuf> = (1..=4)
        .map(|n| unit(folder.path(), &format!("dome-{n}"), 100 + n, &[]))
        .collect();
    let target = folder.path().join("aligned.toml");
    let report = folder.path().join("report");
    let mut arguments = vec!["align", "--json"];
    arguments.extend(texts(&sets));
    arguments.extend(["--write-design", target.to_str().unwrap()]);
    arguments.extend(["--out", report.to_str().unwrap()]);
    let done = bassay(&arguments).success();
    assert!(stderr(&done).is_empty());
    let document: Value = serde_json::from_str(&stdout(&done)).unwrap();
    assert_eq!(document["format"], "bassay-several/1");
    assert_eq!(document["units"].as_array().unwrap().len(), 4);

    // CROSS (the time-domain model): the units are drawn about the design with its tolerances, so that the design's values are the
    // truth of what they share, its tolerances that of the spreads, and truth.json that of each unit. Each interval
    // holds 95 % of the time. Of 4 shared values and 4 spreads at most one may miss (two or more: 6 %, and these
    // seeds do not), of the 16 values of the units at most 3 (more: 1 %).
    let design = read::read(Path::new(DESIGN)).unwrap();
    let (mut missed, mut strays) = (Vec::new(), Vec::new());
    for (path, tolerance) in [
        ("driver.cms", 0.10),
        ("driver.rms", 0.20),
        ("leak.seam.resistance", 0.50),
        ("resistor.r1.resistance", 0.15),
    ] {
        let p = parameter(&document, path);
        let designed = design.value(design.matching(path)[0]);
        assert_eq!(p["designed"].as_f64().unwrap(), designed);
        if !inside(p, designed) {
            missed.push(path);
        }
        let low = p["spread_low95"].as_f64().unwrap();
        let high = p["spread_high95"].as_f64().unwrap();
        if !(low..=high).contains(&tolerance) {
            missed.push(path);
        }
        for (value, set) in p["values"].as_array().unwrap().iter().zip(&sets) {
            assert_eq!(value["standing"], "counts");
            if !inside(value, truth(set, path)) {
                strays.push((path, value["unit"].clone()));
            }
        }
    }
    assert!(missed.len() <= 1, "{missed:?}");
    assert!(strays.len() <= 3, "{strays:?}");

    // The new design says what was found, keeps every comment, and is sound.
    let text = std::fs::read_to_string(&target).unwrap();
    assert!(text.contains("# The channel is folded twice under the floor of the dome;"));
    assert!(text.contains("unit dome-3: captures with digest"));
    let written = read::read(&target).unwrap();
    for path in [
        "driver.cms",
        "leak.seam.resistance",
        "resistor.r1.resistance",
    ] {
        let shared = parameter(&document, path)["shared"].as_f64().unwrap();
        let found = written.value(written.matching(path)[0]);
        // Six digits are written.
        assert!((found / shared - 1.0).abs() < 1e-5, "{path}");
    }
    bassay(&["check", target.to_str().unwrap()]).success();
    for file in ["several.json", "units.svg", "units.png"] {
        assert!(report.join(file).is_file(), "{file}");
    }

    // In the terminal: 80 columns, every unit named.
    let mut arguments = vec!["align"];
    arguments.extend(texts(&sets));
    let text = stdout(&bassay(&arguments).success());
    assert!(text.lines().all(|l| l.chars().count() <= 80), "{text}");
    assert!(text.contains("dome-4"), "{text}");

    // Two units: the spread cannot be told, and the text says how many would do.
    let text = stdout(&bassay(&[&["align"], &texts(&sets[..2])[..]].concat()).success());
    let text = text.split_whitespace().collect::<Vec<_>>().join(" ");
    for part in ["spread cannot be told from 2 units", "units would tell it"] {
        assert!(text.contains(part), "{text}");
    }
}

#[test]
fn a_faulty_unit_is_left_out_and_a_fault_of_all_is_the_design() {
    let folder = tempfile::tempdir().unwrap();
    // The rear box is 15 % smaller in all of them; the third one's seam is open besides (a tenth of its resistance).
    let small = ["--set", "chamber.rear-box.volume=x0.85"];
    let sets = [
        unit(folder.path(), "one", 31, &small),
        unit(folder.path(), "two", 32, &small),
        unit(
            folder.path(),
            "three",
            33,
            &[&small[..], &["--set", "leak.seam.resistance=1e5"]].concat(),
        ),
    ];
    let mut arguments = vec!["align", "--json"];
    arguments.extend(texts(&sets));
    let document: Value = serde_json::from_str(&stdout(&bassay(&arguments).success())).unwrap();
    let volume = parameter(&document, "chamber.rear-box.volume");
    assert_eq!(volume["design_off"], true);
    assert_eq!(volume["units"], 3);
    // CROSS: 0.85 of the design's 0.055 m³, in all three.
    assert!(inside(volume, 0.85 * 0.055), "{volume:#}");
    assert!(!inside(volume, 0.055), "{volume:#}");
    let seam = parameter(&document, "leak.seam.resistance");
    assert_eq!(seam["units"], 2);
    assert_eq!(seam["design_off"], false);
    let third = &seam["values"][2];
    assert_eq!(third["standing"], "at fault");
    assert!(inside(third, 1e5), "{third:#}");
    let shared = seam["shared"].as_f64().unwrap();
    assert!(
        shared > 5e5,
        "the open seam is no part of the model: {shared}"
    );
    let findings = document["units"][2]["findings"].as_array().unwrap();
    assert!(findings.iter().any(|f| f["path"] == "leak.seam.resistance"));
}

#[test]
fn one_unit_writes_its_own_design_and_says_what_it_always_said() {
    let folder = tempfile::tempdir().unwrap();
    let set = unit(folder.path(), "one", 7, &[]);
    let file = set.to_str().unwrap();
    let target = folder.path().join("of-one.toml");
    let plain = stdout(&bassay(&["align", file]).success());
    assert!(
        plain.starts_with("unit one, design «Dome bass unit, prototype 2»"),
        "{plain}"
    );
    let arguments = [
        "align",
        file,
        "--json",
        "--write-design",
        target.to_str().unwrap(),
    ];
    let document: Value = serde_json::from_str(&stdout(&bassay(&arguments).success())).unwrap();
    assert_eq!(document["format"], "bassay-alignment/1");
    let keys: Vec<&String> = document.as_object().unwrap().keys().collect();
    for key in [
        "format",
        "unit",
        "parameters",
        "findings",
        "fit",
        "correlation",
        "correlation_of",
        "singular_values",
        "warnings",
    ] {
        assert!(keys.iter().any(|k| *k == key), "{key}");
    }
    assert_eq!(keys.len(), 9);
    let written = read::read(&target).unwrap();
    for p in document["parameters"].as_array().unwrap() {
        let path = p["path"].as_str().unwrap();
        let kept = p["identifiable"] == false;
        let wanted = p[if kept { "designed" } else { "fitted" }]
            .as_f64()
            .unwrap();
        let found = written.value(written.matching(path)[0]);
        assert!(
            (found / wanted - 1.0).abs() < 1e-5,
            "{path}: {found} {wanted}"
        );
    }
}

#[test]
fn sets_that_are_no_units_of_one_design_are_refused_and_nothing_is_written() {
    let folder = tempfile::tempdir().unwrap();
    let one = unit(folder.path(), "one", 1, &["--capture", "impedance"]);
    let two = unit(folder.path(), "two", 2, &["--capture", "impedance"]);
    let edit = |from: &Path, name: &str, changes: &[(&str, &str)]| -> PathBuf {
        let target = folder.path().join(name);
        std::fs::create_dir(&target).unwrap();
        for entry in std::fs::read_dir(from.parent().unwrap()).unwrap() {
            let entry = entry.unwrap().path();
            std::fs::copy(&entry, target.join(entry.file_name().unwrap())).unwrap();
        }
        let file = target.join("captures.toml");
        let mut text = std::fs::read_to_string(&file).unwrap();
        for (old, new) in changes {
            assert!(text.contains(old), "{old}: {text}");
            text = text.replace(old, new);
        }
        std::fs::write(&file, text).unwrap();
        file
    };
    // A file that differs in a comment is another design: the digest says so.
    let other_design = folder.path().join("other.toml");
    let text = std::fs::read_to_string(DESIGN).unwrap();
    std::fs::write(&other_design, format!("{text}# later\n")).unwrap();
    let set = captures_read::read(&two).unwrap();
    let named = std::fs::read_to_string(&two).unwrap();
    let line = named
        .lines()
        .find(|l| l.starts_with("design"))
        .unwrap()
        .to_string();
    let elsewhere = edit(&two, "elsewhere", &[(&line, "design = \"../other.toml\"")]);
    let same_name = edit(
        &two,
        "same-name",
        &[("\"two\"", "\"one\""), ("2026-01-01", "2026-01-02")],
    );
    let same_wav = edit(&one, "same-wav", &[("\"one\"", "\"three\"")]);
    let copy = edit(&one, "copy", &[]);
    let broken = edit(&two, "broken", &[("impedance.wav", "gone.wav")]);
    let target = folder.path().join("aligned.toml");
    let design = set.design.to_str().unwrap().to_string();
    for (other, wanted) in [
        (&one, vec!["the same captures", "one/captures.toml"]),
        (&copy, vec!["the same captures", "copy/captures.toml"]),
        (
            &elsewhere,
            vec![
                "one design",
                "other.toml",
                "dome.toml",
                "elsewhere/captures.toml",
            ],
        ),
        (
            &same_name,
            vec!["unit one", "same-name/captures.toml", "one/captures.toml"],
        ),
        (
            &same_wav,
            vec![
                "impedance.wav",
                "same-wav/captures.toml",
                "one/captures.toml",
            ],
        ),
        (&broken, vec!["gone.wav"]),
        (&folder.path().join("nowhere.toml"), vec!["nowhere.toml"]),
    ] {
        let done = bassay(&[
            "align",
            one.to_str().unwrap(),
            other.to_str().unwrap(),
            "--write-design",
            target.to_str().unwrap(),
        ])
        .code(2);
        for part in wanted {
            assert!(stderr(&done).contains(part), "{part}: {}", stderr(&done));
        }
        assert!(!target.exists());
    }
    let before = std::fs::read(&design).unwrap();
    for sets in [
        vec![one.to_str().unwrap()],
        texts(&[one.clone(), two.clone()]),
    ] {
        let mut arguments = vec!["align"];
        arguments.extend(sets);
        arguments.extend(["--write-design", &design]);
        let done = bassay(&arguments).code(2);
        assert!(
            stderr(&done).contains("expected a new file"),
            "{}",
            stderr(&done)
        );
    }
    assert_eq!(std::fs::read(&design).unwrap(), before);
    let done = bassay(&["align", one.to_str().unwrap(), "--out", "x"]).code(2);
    assert!(stderr(&done).contains("--out"), "{}", stderr(&done));
}

fn fit(captures: &Path) -> Fit {
    let set = captures_read::read(captures).unwrap();
    let design = read::read(&set.design).unwrap();
    let mut responses = bassay::measure::load(&set, &mut |_| {}).unwrap();
    let bench = bassay::align::residual::Bench::of(&set, design.air);
    bassay::align::align(&design, &set.built, bench, &mut responses, &mut |_| {}).unwrap()
}

#[test]
fn the_tolerances_are_taken_out_exactly() {
    let folder = tempfile::tempdir().unwrap();
    let fit = fit(&unit(folder.path(), "one", 5, &[]));
    let settled = &fit.settled;
    assert!(settled.released.is_empty(), "a sound unit");
    let mut far = 0.0_f64;
    for n in 0..fit.estimates.len() {
        let u = &fit.unknowns[settled.active[n]];
        // DERIVED: with its prior left in, a number has the estimate and the variance of the alignment. 1e-6: two ways to whiten
        // and factor, with condition numbers up to 1e8; the estimate to a thousandth of its standard deviation, as near as
        // the fit goes to its minimum (its stopping rule is a thousandth of a nat; √0.002 of an sd would be allowed).
        let kept = linear(&fit, &[n], &[n]).unwrap();
        let variance = kept.apart[(0, 0)] + kept.common[(0, 0)];
        let posterior = settled.covariance[(n, n)];
        assert!(
            (variance / posterior - 1.0).abs() < 1e-6,
            "{}: {variance} {posterior}",
            u.path
        );
        let off = (kept.estimate[0] - settled.theta[n]) / posterior.sqrt();
        assert!(off.abs() < 0.045, "{}: {off}", u.path);
        // DERIVED: for one number, information adds: 1/posterior = 1/data + 1/prior², and the estimate from the data is the
        // posterior's over its share, 1 − posterior/prior² (the flat prior of 8 adds 1/64).
        let prior = u.stated_sd.unwrap();
        let alone = linear(&fit, &[n], &[]).unwrap();
        let data = alone.apart[(0, 0)] + alone.common[(0, 0)];
        let expected = 1.0 / (1.0 / posterior - 1.0 / (prior * prior) + 1.0 / 64.0);
        assert!((data / expected - 1.0).abs() < 1e-6, "{}", u.path);
        let moved = settled.theta[n] * expected / posterior;
        assert!(
            (alone.estimate[0] - moved).abs() < 0.045 * data.sqrt(),
            "{}: {} {moved}",
            u.path,
            alone.estimate[0]
        );
        assert!(alone.common[(0, 0)] > 0.0 && alone.apart[(0, 0)] > 0.0);
        far = far.max(posterior / (prior * prior));
    }
    assert!(
        far > 0.01,
        "no tolerance mattered, so that nothing was tested: {far}"
    );
}
