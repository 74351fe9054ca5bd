//! `bassay ledger trend`, `pareto`, `yield`, `page` and `bassay gauge`, as a person runs them.

use assert_cmd::Command;
use bassay::production::entry::{Cause, Entry, Judgement, Kind, Value};
use bassay::production::ledger::Ledger;
use bassay::production::ledger::sqlite::{Purpose, SqliteLedger};
use bassay::special::deviates::Deviates;
use serde_json::Value as Json;
use std::path::{Path, PathBuf};

pub fn entry(kind: Kind, at: &str, unit: &str, verdict: Judgement) -> Entry {
    Entry {
        format: "bassay-entry/1".into(),
        kind,
        at: at.into(),
        taken: None,
        rehearsed: None,
        operator: "op1".into(),
        unit: unit.into(),
        batch: None,
        attempt: 1,
        refers_to: None,
        remark: None,
        verdict,
        cause: None,
        also: Vec::new(),
        limits: String::new(),
        design: "0".repeat(64),
        software: "test".into(),
        bench: None,
        measurement: None,
        conditions: None,
        values: Vec::new(),
        files: Vec::new(),
    }
}

pub fn value(name: &str, unit: &str, number: f64) -> Value {
    Value {
        name: name.into(),
        unit: unit.into(),
        value: Some(number),
        expanded: Some(0.1),
        decided: None,
        low: Some(6.0),
        high: Some(14.0),
        verdict: Judgement::Pass,
    }
}

fn cause(path: &str) -> Cause {
    Cause {
        path: path.into(),
        probability: 0.9,
        text: "it leaks".into(),
    }
}

/// 120 units over twelve days: `r` jumps by 2 standard deviations at unit 81; units 41 to 50 (batch B5) leak, are sealed and pass;
/// unit 100 fails by its residue, and a correction says that it was a pass.
fn log(folder: &Path) -> PathBuf {
    let path = folder.join("log.sqlite");
    let mut ledger = SqliteLedger::open(&path, Purpose::Write).unwrap();
    let mut random = Deviates::new(51, 0);
    let mut wronged = String::new();
    for n in 0..120 {
        let day = n / 10 + 2;
        let at = format!("2026-03-{day:02}T08:{:02}:00Z", n % 10 * 5);
        let unit = format!("U{:03}", n + 1);
        let leaks = (40..50).contains(&n);
        let fails = leaks || n == 99;
        let verdict = if fails {
            Judgement::Fail
        } else {
            Judgement::Pass
        };
        let mut e = entry(Kind::Inspection, &at, &unit, verdict);
        e.batch = Some(format!("B{}", n / 10 + 1));
        e.cause = if leaks {
            Some(cause("leak.seam.resistance"))
        } else {
            fails.then(|| cause("residue:mouth-near:31.5"))
        };
        if (40..44).contains(&n) {
            e.also = vec![cause("resistor.r1.resistance")];
        }
        let moved = if n >= 80 { 2.0 } else { 0.0 };
        e.values
            .push(value("r", "Ω", 10.0 + moved + random.normal()));
        let station = format!("station-{}", n % 2 + 1);
        let stored = ledger.append(&station, &e).unwrap();
        if n == 99 {
            wronged = stored.digest;
        }
        if leaks {
            e.at = format!("2026-03-{day:02}T17:{:02}:00Z", n % 10 * 5);
            e.attempt = 2;
            e.verdict = Judgement::Pass;
            e.cause = None;
            e.also.clear();
            e.values[0].value = Some(1000.0);
            ledger.append(&station, &e).unwrap();
        }
    }
    let mut said = entry(
        Kind::Correction,
        "2026-03-20T08:00:00Z",
        "U100",
        Judgement::Pass,
    );
    said.refers_to = Some(wronged);
    said.remark = Some("a door slammed".into());
    ledger.append("station-1", &said).unwrap();
    path
}

fn run(arguments: &[&str]) -> (i32, String, String) {
    let done = Command::cargo_bin("bassay")
        .unwrap()
        .args(arguments)
        .output()
        .unwrap();
    (
        done.status.code().unwrap(),
        String::from_utf8(done.stdout).unwrap(),
        String::from_utf8(done.stderr).unwrap(),
    )
}

fn json(arguments: &[&str]) -> Json {
    let (status, out, err) = run(arguments);
    assert_eq!(status, 0, "{err}");
    serde_json::from_str(&out).unwrap()
}

fn narrow(text: &str) {
    for line in text.lines() {
        assert!(
            line.chars().count() <= 80,
            "{} columns: {line}",
            line.chars().count()
        );
    }
}

#[test]
fn a_trend_flags_the_jump_and_says_when() {
    let folder = tempfile::tempdir().unwrap();
    let path = log(folder.path());
    let place = path.to_str().unwrap();
    let said = json(&["ledger", "trend", "r", "--ledger", place, "--json"]);
    let trend = &said["trends"][0];
    assert_eq!(trend["state"], "changed");
    // Repeats of the same units, whose values are far off, are left out.
    assert_eq!(trend["series"]["points"].as_array().unwrap().len(), 120);
    assert_eq!(trend["series"]["retests"], 10);
    let alarm = trend["average_alarm"].as_u64().unwrap();
    // Two standard deviations are seen after 4 values on average; 12 is beyond chance.
    assert!((80..92).contains(&alarm), "{alarm}");
    let change = &trend["change"];
    let at = |key: &str| change[key].as_u64().unwrap();
    assert!(at("low95") <= 80 && 80 <= at("high95"), "{change}");
    assert!(change["drift"].as_f64().unwrap() < 0.5, "a jump: {change}");
    assert!(trend["capability"]["cpk"]["low"].as_f64().unwrap() > 0.0);

    let pictures = folder.path().join("pictures");
    let (status, text, _) = run(&[
        "ledger",
        "trend",
        "r",
        "--ledger",
        place,
        "--alarm",
        "--out",
        pictures.to_str().unwrap(),
    ]);
    assert_eq!(status, 1, "an alarm, and --alarm was given");
    narrow(&text);
    for wanted in [
        "Changed",
        "It began at about value 8",
        "U120",
        "Cpk",
        "10 repeated test",
    ] {
        assert!(text.contains(wanted), "{wanted}: {text}");
    }
    for end in ["values.svg", "steps.png", "average.svg"] {
        assert!(pictures.join(format!("r-{end}")).exists(), "{end}");
    }
    // Before the jump there is nothing to flag.
    let (status, text, _) = run(&[
        "ledger",
        "trend",
        "r",
        "--ledger",
        place,
        "--to",
        "2026-03-10",
        "--alarm",
    ]);
    assert_eq!((status, text.contains("Steady")), (0, true), "{text}");
    let (status, text, _) = run(&[
        "ledger", "trend", "r", "--ledger", place, "--batch", "B1", "--alarm",
    ]);
    assert_eq!((status, text.contains("Cannot tell")), (3, true), "{text}");
    narrow(&text);
}

#[test]
fn causes_and_yields_count_units_once() {
    let folder = tempfile::tempdir().unwrap();
    let path = log(folder.path());
    let place = path.to_str().unwrap();
    let said = json(&["ledger", "pareto", "--ledger", place, "--json"]);
    // The correction took unit 100 out.
    assert_eq!(
        (&said["tested"], &said["failed"]),
        (&120.into(), &10.into())
    );
    let first = &said["causes"][0];
    assert_eq!(first["path"], "leak.seam.resistance");
    assert_eq!(
        (&first["units"], &first["share"]),
        (&10.into(), &1.0.into())
    );
    // Four of them have a second cause, with which no unit counts.
    assert_eq!(
        (&first["beside"], said["causes"].as_array().unwrap().len()),
        (&0.into(), 2)
    );
    let second = &said["causes"][1];
    assert_eq!(second["path"], "resistor.r1.resistance");
    assert_eq!(
        (&second["units"], &second["beside"]),
        (&0.into(), &4.into())
    );
    // DERIVED: 10 of 10: lower end 0.025^(1/10).
    assert!((first["low95"].as_f64().unwrap() - 0.025_f64.powf(0.1)).abs() < 1e-9);
    let said = json(&["ledger", "yield", "--ledger", place, "--json"]);
    let all = &said["all"];
    assert_eq!(all["first"]["passed"], 110);
    assert_eq!(all["last"]["passed"], 120);
    assert_eq!(all["retests"], 10);
    assert_eq!(said["batches"].as_array().unwrap().len(), 12);
    assert_eq!(said["batches"][4]["first"]["passed"], 0);
    assert_eq!(said["stations"].as_array().unwrap().len(), 2);
    // DERIVED: 2026-03-02 is a Monday, of ISO week 10 (the year began on a Thursday).
    assert_eq!(said["weeks"][0]["name"], "2026-W10");
    assert_eq!(said["weeks"][0]["tested"], 70);
    for command in ["pareto", "yield"] {
        let out = folder.path().join(command);
        let (status, text, _) = run(&[
            "ledger",
            command,
            "--ledger",
            place,
            "--out",
            out.to_str().unwrap(),
        ]);
        assert_eq!(status, 0);
        narrow(&text);
        assert_eq!(std::fs::read_dir(out).unwrap().count(), 2);
    }
}

#[test]
fn the_page_is_whole() {
    let folder = tempfile::tempdir().unwrap();
    let path = log(folder.path());
    let page = folder.path().join("page.html");
    let (status, _, err) = run(&[
        "ledger",
        "page",
        "--ledger",
        path.to_str().unwrap(),
        "--out",
        page.to_str().unwrap(),
    ]);
    assert_eq!(status, 0, "{err}");
    let html = std::fs::read_to_string(page).unwrap();
    for wanted in [
        "At a glance",
        "leak seam: resistance",
        "2026-W10",
        "weighted average",
        "B5",
        "</html>",
    ] {
        assert!(html.contains(wanted), "{wanted}");
    }
    let bare = html.replace("http://www.w3.org/2000/svg", "");
    for outside in ["http://", "https://", "<script", "src=", "NaN"] {
        assert!(!bare.contains(outside), "{outside}");
    }
    // Yields, causes, and three charts of the one parameter.
    assert_eq!(html.matches("<svg").count(), 5);
    for piece in html.split("href=\"#").skip(1) {
        let id = &piece[..piece.find('"').unwrap()];
        assert!(html.contains(&format!(" id=\"{id}\"")), "{id}");
    }
}

#[test]
fn nonsense_is_told() {
    let folder = tempfile::tempdir().unwrap();
    let path = log(folder.path());
    let place = path.to_str().unwrap();
    for (arguments, wanted) in [
        (vec!["trend", "resist"], "there is r"),
        (
            vec!["trend", "r", "--kind", "station-check"],
            "nothing to look at",
        ),
        (vec!["trend", "r", "--from", "yesterday"], "2026-03-14"),
        (vec!["trend", "r", "--lambda", "2"], "expected 0.02 to 1"),
        (vec!["trend", "r", "--centre", "1", "--sd", "-1"], "above 0"),
        (vec!["trend", "r", "--limits", "3,1"], "LOW below HIGH"),
        // Ten ohms, typed as kilohms.
        (
            vec!["trend", "r", "--centre", "0.01", "--sd", "0.001"],
            "--centre 0.01: lies a factor of 100",
        ),
        (
            vec!["trend", "r", "--limits", "8000,12000"],
            "--limits 8000,12000: lies a factor",
        ),
        (vec!["trend", "r", "--latest", "0"], "at least 1"),
        (vec!["pareto", "--kind", "gauge"], "only tested units"),
    ] {
        let all = [&["ledger"][..], &arguments, &["--ledger", place]].concat();
        let (status, out, err) = run(&all);
        assert_eq!((status, out.as_str()), (2, ""), "{arguments:?}: {err}");
        assert!(err.contains(wanted), "{arguments:?}: {err}");
    }
    let (status, _, err) = run(&["ledger", "yield", "--ledger", "no-such.sqlite"]);
    assert!(status == 2 || status == 4, "{err}");
    assert!(err.contains("no-such.sqlite"), "{err}");
}

/// The handbook's study (`studies.rs`) as a table, and the same from a log.
#[test]
fn a_gauge_study_from_a_table_and_from_the_log() {
    let folder = tempfile::tempdir().unwrap();
    let data: Vec<Vec<Vec<f64>>> =
        serde_json::from_value(super::reference()["gauge"]["value"].clone()).unwrap();
    let table = folder.path().join("study.csv");
    let place = folder.path().join("gauge.sqlite");
    let mut ledger = SqliteLedger::open(&place, Purpose::Write).unwrap();
    let mut text = "# handbook\nPart;operator;repeat;value\n".replace("# handbook\n", "");
    for (p, people) in data.iter().enumerate() {
        for (o, repeats) in people.iter().enumerate() {
            for (r, v) in repeats.iter().enumerate() {
                text.push_str(&format!("P{p:02};op{o};{r};{v}\n"));
                let at = format!("2026-03-02T08:{:02}:{:02}Z", p * 5 + o, r);
                let mut e = entry(Kind::Gauge, &at, &format!("P{p:02}"), Judgement::None);
                e.operator = format!("op{o}");
                e.values.push(value("r", "Ω", *v));
                ledger.append("station-1", &e).unwrap();
            }
        }
    }
    std::fs::write(&table, &text).unwrap();
    let table = table.to_str().unwrap();
    let said = json(&["gauge", table, "--tolerance", "-4,4", "--pool", "--json"]);
    // PUBLISHED (from memory, five digits): gauge 0.30237, four categories; 6·0.30237 of 8 is 22.68 %.
    assert!((said["gauge"]["value"].as_f64().unwrap().sqrt() - 0.302_37).abs() < 5e-6);
    assert!((said["tolerance_share"]["value"].as_f64().unwrap() - 0.226_78).abs() < 1e-5);
    assert_eq!(said["distinct_categories"], 4.0);
    assert_eq!(said["grade"], "perhaps");
    let (status, words, _) = run(&["gauge", table, "--tolerance", "-4,4"]);
    assert_eq!(status, 0);
    narrow(&words);
    assert!(words.contains("10 parts, 3 people, 3 repeats"), "{words}");
    let logged = json(&[
        "gauge",
        "--ledger",
        place.to_str().unwrap(),
        "--name",
        "r",
        "--tolerance",
        "-4,4",
        "--pool",
        "--json",
    ]);
    assert_eq!(logged["gauge"], said["gauge"]);
    assert_eq!(logged["unit"], "Ω");
    for (wrong, wanted) in [
        (
            text.replace("P03;op1;1;1.03\n", ""),
            "study.csv: part P03, person op1: 2 measurement(s) (line 32; line 33); expected 3, as of part P00 by op0",
        ),
        (text.replace("1.34", "1,34"), "decimal point"),
        (text.replace("operator", "who"), "line 1: column «who»"),
        (
            text.replace(";0.29\n", "\n"),
            "line 2: found 3 fields; expected 4",
        ),
        (text.replace("P05;", ";"), "part is empty"),
        (
            text.lines().take(4).collect::<Vec<_>>().join("\n"),
            "at least 2",
        ),
        (String::new(), "no column «part»; found an empty file"),
    ] {
        std::fs::write(table, &wrong).unwrap();
        let (status, _, err) = run(&["gauge", table]);
        assert_eq!(status, 2, "{err}");
        assert!(err.contains(wanted), "{wanted}: {err}");
    }
}

/// Recordings that are judged at a desk later, in another order, stand where they were made.
#[test]
fn the_order_is_that_of_the_recordings() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("log.sqlite");
    let mut ledger = SqliteLedger::open(&path, Purpose::Write).unwrap();
    for (n, taken) in [(1, "2026-03-11T08:00:00Z"), (2, "2026-03-03T08:00:00Z")] {
        let at = format!("2026-04-20T08:0{n}:00Z");
        let mut e = entry(Kind::Inspection, &at, &format!("U{n}"), Judgement::Pass);
        e.taken = Some(taken.to_string());
        e.values.push(value("r", "Ω", f64::from(n)));
        ledger.append("station-1", &e).unwrap();
    }
    drop(ledger);
    let place = path.to_str().unwrap();
    let said = json(&["ledger", "trend", "r", "--ledger", place, "--json"]);
    let points = said.pointer("/trends/0/series/points").unwrap();
    let seen: Vec<(&str, &str)> = points
        .as_array()
        .unwrap()
        .iter()
        .map(|p| (p["unit"].as_str().unwrap(), p["at"].as_str().unwrap()))
        .collect();
    assert_eq!(
        seen,
        [
            ("U2", "2026-03-03T08:00:00Z"),
            ("U1", "2026-03-11T08:00:00Z")
        ]
    );
    let said = json(&["ledger", "yield", "--ledger", place, "--json"]);
    // DERIVED: 2026-03-02 and 2026-03-09 are Mondays, of the ISO weeks 10 and 11.
    let weeks: Vec<&str> = said["weeks"]
        .as_array()
        .unwrap()
        .iter()
        .map(|w| w["name"].as_str().unwrap())
        .collect();
    assert_eq!(weeks, ["2026-W10", "2026-W11"]);
}

/// Virtual units are no production: they are left out beside real ones, unless they are wanted or all that there is.
#[test]
fn virtual_units_do_not_count_as_real_ones() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("log.sqlite");
    let mut ledger = SqliteLedger::open(&path, Purpose::Write).unwrap();
    for n in 0..30 {
        let at = format!("2026-03-{:02}T08:00:00Z", n + 1);
        let mut e = entry(Kind::Inspection, &at, &format!("U{n}"), Judgement::Pass);
        if n >= 20 {
            e.verdict = Judgement::Fail;
            e.cause = Some(cause("leak.seam.resistance"));
            // An entry of a program that had no key for it says so in its remark.
            if n % 2 == 0 {
                e.rehearsed = Some("rehearsal, seed 7".into());
            } else {
                e.remark = Some("no real unit: recorded from the virtual bench: dome".into());
            }
        }
        e.values.push(value("r", "Ω", 10.0 + f64::from(n % 4)));
        ledger.append("station-1", &e).unwrap();
    }
    drop(ledger);
    let place = path.to_str().unwrap();
    let ask = |what: &[&str], more: &[&str]| {
        json(&[&["ledger"][..], what, &["--ledger", place, "--json"], more].concat())
    };
    for (more, tested, left_out, counted) in [
        (&[][..], 20, 10, 0),
        (&["--virtual-too"][..], 30, 0, 10),
        (&["--from", "2026-03-21"][..], 10, 0, 10),
    ] {
        for what in [&["yield"][..], &["pareto"], &["trend", "r"]] {
            let said = ask(what, more);
            assert_eq!(said["virtual_left_out"], left_out, "{what:?} {more:?}");
            assert_eq!(said["virtual_counted"], counted, "{what:?} {more:?}");
            let seen = match what[0] {
                "yield" => said["all"]["tested"].as_u64().unwrap(),
                "pareto" => said["tested"].as_u64().unwrap(),
                _ => said["trends"][0]["series"]["points"]
                    .as_array()
                    .unwrap()
                    .len() as u64,
            };
            assert_eq!(seen, tested, "{what:?} {more:?}");
        }
    }
    let page = folder.path().join("page.html");
    let page = page.to_str().unwrap();
    for (more, wanted) in [
        (&[][..], "left out: 10 entries of virtual units"),
        (
            &["--virtual-too"],
            "of these 30 entries, 10 of virtual units",
        ),
        (&["--from", "2026-03-21"], "no real unit is among these"),
    ] {
        let line = [&["ledger", "yield", "--ledger", place][..], more].concat();
        let (_, text, _) = run(&line);
        assert!(text.contains(wanted), "{wanted}: {text}");
        narrow(&text);
        let line = [
            &[
                "ledger",
                "page",
                "--ledger",
                place,
                "--replace",
                "--out",
                page,
            ][..],
            more,
        ]
        .concat();
        assert_eq!(run(&line).0, 0);
        assert!(std::fs::read_to_string(page).unwrap().contains(wanted));
    }
    let (_, text, _) = run(&["ledger", "list", "--ledger", place]);
    assert_eq!(text.matches("FAIL~").count(), 10, "{text}");
    narrow(&text);
}

/// A residue that the noise hides is no measurement: the list, the chart and the page say so, and nobody draws limits for it.
#[test]
fn what_the_noise_hides_is_not_charted_as_measured() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("log.sqlite");
    let mut ledger = SqliteLedger::open(&path, Purpose::Write).unwrap();
    let mut digest = String::new();
    for n in 0..40 {
        let at = format!("2026-03-{:02}T{:02}:00:00Z", n / 4 + 1, n % 4 + 8);
        let mut e = entry(Kind::Inspection, &at, &format!("U{n}"), Judgement::Pass);
        for (name, level, expanded) in [
            // Hidden: the standard uncertainty reaches the noise, 10 dB above.
            (
                "residue:mouth-near:50",
                -94.5 - 0.1 * f64::from(n % 3),
                12.12,
            ),
            // Told.
            ("residue:mouth-near:63", -70.5 - 0.1 * f64::from(n % 3), 1.0),
            // A recording without any noise states no uncertainty.
            (
                "residue:mouth-near:80",
                -130.0 - 0.1 * f64::from(n % 3),
                0.0,
            ),
        ] {
            let mut v = value(name, "dB", level);
            (v.expanded, v.low, v.high) = (Some(expanded), None, Some(-50.0));
            e.values.push(v);
        }
        digest = ledger.append("station-1", &e).unwrap().digest;
    }
    drop(ledger);
    let place = path.to_str().unwrap();
    let (_, text, _) = run(&["ledger", "show", &digest, "--ledger", place]);
    narrow(&text);
    let row = |name: &str| {
        let found = text.lines().find(|l| l.starts_with(name));
        found.unwrap().split_whitespace().collect::<Vec<&str>>()
    };
    // DERIVED: −94.5 + 1.65·12.12/2 = −84.5 dB.
    let hidden = row("residue:mouth-near:50");
    assert_eq!(hidden[1..4], ["<", "−84.5", "noise"]);
    assert_eq!(row("residue:mouth-near:63")[1..3], ["−70.50", "1.00"]);
    assert_eq!(row("residue:mouth-near:80")[1..3], ["−130.00", "-"]);
    assert!(text.contains("below the noise"), "{text}");

    let trend = |name: &str| {
        let line = ["ledger", "trend", name, "--ledger", place];
        let (_, text, _) = run(&line);
        narrow(&text);
        let said = json(&[&line[..], &["--json"]].concat());
        (text, said["trends"][0].clone())
    };
    let (text, said) = trend("residue:mouth-near:50");
    assert_eq!(said["state"], "cannot-tell");
    for key in ["low", "high", "capability", "change", "centre"] {
        assert!(said[key].is_null(), "{key}: {said}");
    }
    for wanted in ["Cannot tell", "40 of them lie below the noise", "< −84."] {
        assert!(text.contains(wanted), "{wanted}: {text}");
    }
    assert!(!text.contains("Cpk"), "{text}");
    let (text, said) = trend("residue:mouth-near:63");
    assert_eq!(said["state"], "steady");
    assert!(!text.contains("below the noise"), "{text}");
    let page = folder.path().join("page.html");
    let page = page.to_str().unwrap();
    let html = |name: &str| {
        let line = [
            "ledger",
            "page",
            name,
            "--ledger",
            place,
            "--replace",
            "--out",
            page,
        ];
        assert_eq!(run(&line).0, 0);
        let html = std::fs::read_to_string(page).unwrap();
        let words = html.matches("control limits").count();
        // What is not the sentence that there are none is drawn.
        let drawn = words - html.matches("No control limits").count();
        (html, drawn)
    };
    let (hidden, drawn) = html("residue:mouth-near:50");
    assert!(hidden.contains("below the noise: lower than this") && hidden.contains("&lt; −84."));
    assert_eq!(drawn, 0);
    assert!(html("residue:mouth-near:63").1 > 0);
}
