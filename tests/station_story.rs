//! A station without hardware: the whole story of `docs/station.md` at the virtual bench, and what is refused afterwards.

#![allow(clippy::unwrap_used)]

use assert_cmd::Command;
use bassay::rehearse::live::Live;
use bassay::signal::wav::{self, Storage};
use serde_json::Value;
use std::io::BufReader;
use std::path::Path;

fn bassay(folder: &Path, args: &[&str]) -> (i32, String, String) {
    let output = Command::cargo_bin("bassay")
        .unwrap()
        .current_dir(folder)
        .env("NO_COLOR", "1")
        .args(args)
        .output()
        .unwrap();
    let text = |bytes: &[u8]| String::from_utf8_lossy(bytes).into_owned();
    (
        output.status.code().unwrap_or(-1),
        text(&output.stdout),
        text(&output.stderr),
    )
}

/// A command of the page and the lines that it shows there.
struct Shown {
    command: String,
    lines: Vec<String>,
}

/// The commands of the page's transcript.
fn transcript() -> Vec<Shown> {
    let root = Path::new(env!("CARGO_MANIFEST_DIR"));
    let page = std::fs::read_to_string(root.join("docs/station.md")).unwrap();
    let (_, rest) = page.split_once("```console\n").unwrap();
    let (block, _) = rest.split_once("```").unwrap();
    let mut list: Vec<Shown> = Vec::new();
    for line in block.lines() {
        match line.strip_prefix("$ bassay ") {
            Some(command) => list.push(Shown {
                command: command.to_string(),
                lines: Vec::new(),
            }),
            None => list.last_mut().unwrap().lines.push(line.to_string()),
        }
    }
    list
}

/// Whether a line is as shown, where … stands for anything.
fn is_line(shown: &str, line: &str) -> bool {
    let mut parts = shown.split('…');
    let Some(mut rest) = line.strip_prefix(parts.next().unwrap_or("")) else {
        return false;
    };
    let parts: Vec<&str> = parts.collect();
    for (n, part) in parts.iter().enumerate() {
        if n + 1 == parts.len() {
            return rest.ends_with(part);
        }
        match rest.find(part) {
            Some(at) => rest = &rest[at + part.len()..],
            None => return false,
        }
    }
    rest.is_empty()
}

/// Whether lines are as shown, where a line of … stands for any number of them.
fn are_lines(shown: &[String], lines: &[&str]) -> bool {
    match shown.split_first() {
        None => lines.is_empty(),
        Some((first, rest)) if first == "…" => {
            (0..=lines.len()).any(|n| are_lines(rest, &lines[n..]))
        }
        Some((first, rest)) => {
            lines.first().is_some_and(|line| is_line(first, line)) && are_lines(rest, &lines[1..])
        }
    }
}

#[test]
fn lines_are_compared_as_the_page_means_it() {
    assert!(is_line("a … b", "a 1.5 b") && is_line("a …", "a x") && is_line("a", "a"));
    assert!(!is_line("a … b", "a 1.5 c") && !is_line("a", "ab") && !is_line("a…c", "abd"));
    let shown = ["one", "…", "two"].map(str::to_string);
    assert!(are_lines(&shown, &["one", "x", "y", "two"]));
    assert!(!are_lines(&shown, &["one", "x"]) && !are_lines(&shown, &["one", "two", "three"]));
}

/// Runs the page's commands in a folder with the sample design, and compares what they show.
fn follow(at: &Path) {
    let root = Path::new(env!("CARGO_MANIFEST_DIR"));
    std::fs::copy(root.join("sample-captures/dome.toml"), at.join("dome.toml")).unwrap();
    let list = transcript();
    assert!(list.len() >= 12, "{}", list.len());
    for Shown { command, lines } in list {
        let args: Vec<&str> = command.split(' ').collect();
        let (status, out, err) = bassay(at, &args);
        assert_eq!(status, 0, "{command}\n{out}{err}");
        let found: Vec<&str> = out.trim_end().lines().collect();
        assert!(are_lines(&lines, &found), "{command}\n{out}\n{lines:#?}");
        assert!(found.iter().all(|l| l.chars().count() <= 80), "{out}");
        // No number with an uncertainty without what it means.
        if out.contains('±') && args[0] == "station" {
            assert!(out.contains("k = 2"), "{out}");
            assert!(!out.contains("standard deviation"), "{out}");
        }
    }
}

fn number(value: &Value, key: &str) -> f64 {
    value[key].as_f64().unwrap()
}

/// DERIVED: what the virtual bench is made of comes back within its stated two standard deviations.
fn the_bench_comes_back(at: &Path) {
    let bench = Live::to_train_at();
    let (status, out, err) = bassay(
        at,
        &[
            "station",
            "jig",
            "again.toml",
            "--name",
            "again",
            "--equal-gain",
            "equal.wav",
            "--resistor",
            "0=short.wav",
            "--resistor",
            "4.7=r4.wav",
            "--resistor",
            "8.2=r8.wav",
            "--resistor",
            "22=r22.wav",
            "--json",
        ],
    );
    assert_eq!(status, 0, "{err}");
    let jig: Value = serde_json::from_str(&out).unwrap();
    for (key, sd, want) in [
        ("reference_ohm", "reference_sd_ohm", bench.reference_ohm),
        ("lead_ohm", "lead_sd_ohm", bench.lead_ohm),
        ("gain_ratio", "gain_ratio_sd", bench.gain_ratio),
    ] {
        assert!(
            (number(&jig, key) - want).abs() < 2.0 * number(&jig, sd),
            "{key}: {jig}"
        );
        // Much closer than a bench whose parts are taken for what is written on them: 10 Ω, 0 Ω, 1.
        let written = [10.0, 0.0, 1.0].into_iter().map(|n| (n - want).abs());
        let off = written.fold(f64::MAX, f64::min);
        assert!(2.0 * number(&jig, sd) < off, "{key}: {jig}");
    }
    let device = jig["device"].as_str().unwrap();
    assert!(device.starts_with("virtual bench"), "{device}");
}

/// The station's values and no others stand behind the captures, without any doubt.
fn the_station_is_used(at: &Path) {
    let text = std::fs::read_to_string(at.join("dome-41/captures.toml")).unwrap();
    for key in [
        "reference_ohm",
        "lead_ohm",
        "gain_ratio",
        "sensitivity_v_per_pa",
    ] {
        assert!(!text.contains(key), "{key}\n{text}");
    }
    let (status, out, _) = bassay(
        at,
        &["verify", "dome-41/captures.toml", "--json", "--quiet"],
    );
    let result: Value = serde_json::from_str(&out).unwrap();
    assert_eq!((status, result["verdict"].as_str()), (0, Some("within")));
    assert_eq!(result["warnings"].as_array().unwrap().len(), 0, "{result}");
    let known = |f: &&Value| f["role"] == "station";
    assert_eq!(
        result["files"]
            .as_array()
            .unwrap()
            .iter()
            .filter(known)
            .count(),
        1
    );

    // Recorded elsewhere, the same captures would rest on a bench that does not exist.
    let real = text.replace("device = \"virtual bench: ", "device = \"front pair: ");
    assert_ne!(real, text);
    std::fs::write(at.join("dome-41/elsewhere.toml"), real).unwrap();
    let (_, out, _) = bassay(
        at,
        &["verify", "dome-41/elsewhere.toml", "--json", "--quiet"],
    );
    let result: Value = serde_json::from_str(&out).unwrap();
    let doubts = result["warnings"].as_array().unwrap();
    let unreal = |d: &&Value| {
        d.as_str()
            .unwrap()
            .contains("was calibrated on the virtual bench")
    };
    assert_eq!(doubts.iter().filter(unreal).count(), 3, "{doubts:?}");
}

/// A better calibration that holds stays until its end is asked for by name.
fn a_worse_jig_is_refused(at: &Path) {
    let before = std::fs::read_to_string(at.join("station.toml")).unwrap();
    let jig = |more: &[&str]| {
        let args = ["station", "jig", "station.toml", "--resistor", "8.2=r8.wav"];
        bassay(at, &[&args[..], more].concat())
    };
    let (status, out, err) = jig(&[]);
    assert!(status == 2 && out.is_empty(), "{status} {out}{err}");
    for words in [
        "station.toml: holds a better calibration of the jig, and nothing was written",
        "by 4 known resistors",
        "by 1 known resistor",
        "1 instead of 4",
        "--replace-better",
    ] {
        assert!(err.contains(words), "{words}: {err}");
    }
    let now = std::fs::read_to_string(at.join("station.toml")).unwrap();
    assert_eq!(now, before);
    // As many resistors that are known less closely are worse too.
    let (status, _, err) = bassay(
        at,
        &[
            "station",
            "jig",
            "station.toml",
            "--resistor",
            "0=short.wav",
            "--resistor",
            "4.7=r4.wav",
            "--resistor",
            "8.2=r8.wav",
            "--resistor",
            "22=r22.wav",
            "--resistor-sd",
            "0.005",
        ],
    );
    assert!(
        status == 2 && err.contains("reference known to ±"),
        "{status} {err}"
    );
    assert!(!err.contains("fewer"), "{err}");
    // Another jig, by its serial number, is none that was calibrated before; nor is one whose calibration is too old.
    for (from, to) in [
        ("[jig]\n", "[jig]\nserial = \"jig 1\"\n"),
        ("taken = 20", "taken = 19"),
    ] {
        std::fs::write(at.join("station.toml"), before.replace(from, to)).unwrap();
        let (status, _, err) = jig(&["--serial", "jig 2"]);
        assert_eq!(status, 0, "{from}: {err}");
    }
    std::fs::write(at.join("station.toml"), &before).unwrap();
    let (status, out, err) = jig(&["--replace-better"]);
    assert_eq!(status, 0, "{err}");
    assert!(
        out.contains("replaces that of") && out.contains("by 4 known resistors"),
        "{out}"
    );
    std::fs::write(at.join("station.toml"), before).unwrap();
}

/// A table that is not the one of its calibration is refused wherever it would be divided out.
fn an_edited_table_is_refused(at: &Path) {
    let table = at.join("station-loopback.csv");
    let sound = std::fs::read_to_string(&table).unwrap();
    let edited = sound.replacen("\n5.", "\n5.0", 1);
    assert_ne!(edited, sound);
    std::fs::write(&table, edited).unwrap();
    let uses: [&[&str]; 5] = [
        &["station", "show", "station.toml"],
        &["station", "jig", "station.toml", "--resistor", "8.2=r8.wav"],
        &["verify", "dome-41/captures.toml"],
        &["deconvolve", "dome-41/captures.toml"],
        &[
            "record",
            "--set",
            "dome-41/captures.toml",
            "--virtual",
            "dome.toml",
            "--yes",
        ],
    ];
    for args in uses {
        let (status, out, err) = bassay(at, args);
        assert!(
            status == 2 && out.is_empty(),
            "{args:?}: {status} {out}{err}"
        );
        for words in [
            "station.toml:",
            "station-loopback.csv",
            "edited or exchanged",
        ] {
            assert!(err.contains(words), "{args:?}: {err}");
        }
    }
    // A table that is gone is named as well.
    std::fs::remove_file(&table).unwrap();
    let (status, _, err) = bassay(at, &["station", "show", "station.toml"]);
    assert!(
        status == 2 && err.contains("station-loopback.csv: cannot be read"),
        "{err}"
    );

    // A file from before there were digests can be used, with a doubt.
    std::fs::write(&table, &sound).unwrap();
    let text = std::fs::read_to_string(at.join("station.toml")).unwrap();
    let (head, tail) = text.split_once("response_digest").unwrap();
    let (_, tail) = tail.split_once('\n').unwrap();
    std::fs::write(at.join("older.toml"), format!("{head}{tail}")).unwrap();
    let (status, out, _) = bassay(at, &["station", "show", "older.toml"]);
    assert!(
        status == 3 && out.contains("has no digest of its loop-back's"),
        "{out}"
    );
    let captures = std::fs::read_to_string(at.join("dome-41/captures.toml")).unwrap();
    let older = captures.replace("../station.toml", "../older.toml");
    std::fs::write(at.join("dome-41/older.toml"), older).unwrap();
    let (status, out, err) = bassay(at, &["deconvolve", "dome-41/older.toml"]);
    assert_eq!(status, 0, "{err}");
    let plain = |text: String| text.split_whitespace().collect::<Vec<_>>().join(" ");
    assert!(plain(out + &err).contains("no digest of its loop-back's table"));

    // A new loop-back makes both anew, whatever became of the old table.
    std::fs::write(&table, "frequency_hz,level_db\n10,3\n20,3\n").unwrap();
    let (status, _, err) = bassay(at, &["station", "loopback", "station.toml", "equal.wav"]);
    assert_eq!(status, 0, "{err}");
    assert_eq!(std::fs::read_to_string(&table).unwrap(), sound);
    let (status, out, err) = bassay(at, &["station", "show", "station.toml"]);
    assert_eq!(status, 0, "{out}{err}");
}

/// Takes without the virtual bench's mark are of a real one, and the two do not meet in a station file.
fn real_and_virtual_do_not_meet(at: &Path) {
    let mut both = [Vec::new(), Vec::new()];
    let file = std::fs::File::open(at.join("equal.wav")).unwrap();
    let head = wav::read(BufReader::new(file), |_, block| {
        for frame in block.chunks_exact(2) {
            both[0].push(frame[0]);
            both[1].push(frame[1]);
        }
    })
    .unwrap();
    let to = std::fs::File::create(at.join("real.wav")).unwrap();
    wav::write(
        to,
        &[&both[0], &both[1]],
        head.sample_rate_hz,
        Storage::Int24,
    )
    .unwrap();
    let before = std::fs::read(at.join("station.toml")).unwrap();
    let table = std::fs::read(at.join("station-loopback.csv")).unwrap();
    let (status, _, err) = bassay(at, &["station", "loopback", "station.toml", "real.wav"]);
    assert!(
        status == 2 && err.contains("real.wav: is a take of a real bench"),
        "{err}"
    );
    assert_eq!(std::fs::read(at.join("station.toml")).unwrap(), before);
    assert_eq!(
        std::fs::read(at.join("station-loopback.csv")).unwrap(),
        table
    );
    let real = [
        "station",
        "loopback",
        "real.toml",
        "real.wav",
        "--name",
        "real",
    ];
    assert_eq!(bassay(at, &real).0, 0);
    let (status, _, err) = bassay(
        at,
        &["station", "jig", "real.toml", "--resistor", "8.2=r8.wav"],
    );
    assert!(
        status == 2 && err.contains("r8.wav: is a take of the virtual bench"),
        "{err}"
    );
    // A session at a real card does not begin with calibrations of the virtual bench.
    let (status, _, err) = bassay(
        at,
        &[
            "record",
            "--set",
            "real/captures.toml",
            "--design",
            "dome.toml",
            "--unit",
            "u",
            "--station",
            "station.toml",
            "--reference-v-per-unit",
            "40",
            "--yes",
        ],
    );
    assert!(
        status == 2 && err.contains("was calibrated on the virtual bench"),
        "{err}"
    );
}

/// What was given is named: a WAV file, a station file and options, and no captures file.
fn errors_speak_of_what_was_given(at: &Path) {
    let text = std::fs::read_to_string(at.join("station.toml")).unwrap();
    let four = text.replacen(
        "\n[loopback]",
        "\n[card]\ninputs = 4\nmicrophone_channel = 4\n\n[loopback]",
        1,
    );
    assert_ne!(four, text);
    std::fs::write(at.join("four.toml"), four).unwrap();
    let cases: [(&[&str], &[&str]); 4] = [
        (
            &["station", "loopback", "four.toml", "equal.wav"],
            &["equal.wav", "channel 4", "[card] of the station file"],
        ),
        (
            &[
                "station",
                "loopback",
                "new.toml",
                "equal.wav",
                "--name",
                "n",
                "--duration-s",
                "3",
            ],
            &["equal.wav", "--duration-s"],
        ),
        (
            &[
                "station",
                "loopback",
                "new.toml",
                "equal.wav",
                "--name",
                "n",
                "--duration-s",
                "30",
            ],
            &["equal.wav", "give --duration-s"],
        ),
        (
            &[
                "station",
                "jig",
                "new.toml",
                "--name",
                "n",
                "--resistor",
                "8.2=r8.wav",
            ],
            &["new.toml: has no loop-back", "--equal-gain"],
        ),
    ];
    for (args, wanted) in cases {
        let (status, _, err) = bassay(at, args);
        assert_eq!(status, 2, "{args:?}: {err}");
        for words in wanted {
            assert!(err.contains(words), "{args:?}: {err}");
        }
        assert!(
            !err.contains("captures.toml") && !err.contains("[sweep]"),
            "{err}"
        );
    }
}

#[test]
fn a_station_is_learnt_without_hardware() {
    let folder = tempfile::tempdir().unwrap();
    let at = folder.path();
    follow(at);
    the_bench_comes_back(at);
    the_station_is_used(at);
    a_worse_jig_is_refused(at);
    an_edited_table_is_refused(at);
    real_and_virtual_do_not_meet(at);
    errors_speak_of_what_was_given(at);
}

/// A known thing is one of the virtual bench, and one at a time; what cannot be is told with its range.
#[test]
fn known_things_need_the_virtual_bench() {
    let folder = tempfile::tempdir().unwrap();
    let design = Path::new(env!("CARGO_MANIFEST_DIR")).join("sample-captures/dome.toml");
    let design = design.to_str().unwrap();
    let cases: [(&[&str], &str); 5] = [
        (&["--both-inputs"], "--virtual"),
        (
            &["--in-jig", "8.2", "--both-inputs", "--virtual", design],
            "cannot be used with",
        ),
        (&["--in-jig", "-1", "--virtual", design], "0 to 1000000 Ω"),
        (&["--in-jig", "nan", "--virtual", design], "found «nan»"),
        (
            &["--calibrator-db", "140", "--virtual", design],
            "60 to 124 dB",
        ),
    ];
    for (more, words) in cases {
        let (status, _, err) = bassay(
            folder.path(),
            &[&["record", "--out", "a.wav", "--yes"][..], more].concat(),
        );
        assert_eq!(status, 2, "{more:?}: {err}");
        assert!(err.contains(words), "{more:?}: {err}");
    }
    assert_eq!(std::fs::read_dir(folder.path()).unwrap().count(), 0);
}
