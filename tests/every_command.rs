//! What holds for every command: a screen of 80 columns, and a JSON document that says what it is.

#![allow(clippy::unwrap_used)]

use serde_json::Value;
use std::collections::BTreeSet;
use std::path::Path;
use std::process::{Command, Stdio};

const WIDTH: usize = 80;

/// Commands that need recordings of a station's own parts, or a device: `tests/station_command.rs` and `tests/live_audio` run them.
const ELSEWHERE: [&str; 5] = [
    "station loopback",
    "station jig",
    "station microphone",
    "station check",
    "devices",
];

struct Said {
    status: i32,
    out: String,
    err: String,
}

/// A folder with the samples in `s`, which the commands run in.
struct Bench {
    folder: tempfile::TempDir,
    run: BTreeSet<String>,
}

fn copied(from: &Path, to: &Path) {
    std::fs::create_dir_all(to).unwrap();
    for entry in std::fs::read_dir(from).unwrap() {
        let entry = entry.unwrap();
        let target = to.join(entry.file_name());
        if entry.path().is_dir() {
            copied(&entry.path(), &target);
        } else {
            std::fs::copy(entry.path(), target).unwrap();
        }
    }
}

impl Bench {
    fn new() -> Self {
        let folder = tempfile::tempdir().unwrap();
        let samples = Path::new(env!("CARGO_MANIFEST_DIR")).join("sample-captures");
        copied(&samples, &folder.path().join("s"));
        Self {
            folder,
            run: BTreeSet::new(),
        }
    }

    fn write(&self, name: &str, text: &str) {
        std::fs::write(self.folder.path().join(name), text).unwrap();
    }

    fn call(&self, line: &[&str]) -> Said {
        let output = Command::new(assert_cmd::cargo::cargo_bin!("bassay"))
            .args(line)
            .current_dir(self.folder.path())
            .env("COLUMNS", WIDTH.to_string())
            .env("NO_COLOR", "1")
            .stdin(Stdio::null())
            .output()
            .unwrap();
        let text = |bytes: &[u8]| String::from_utf8_lossy(bytes).into_owned();
        Said {
            status: output.status.code().unwrap(),
            out: text(&output.stdout),
            err: text(&output.stderr),
        }
    }

    /// Runs a command whose lines must all fit.
    fn fits(&mut self, status: i32, line: &str) -> Said {
        let words: Vec<&str> = line.split(' ').collect();
        let said = self.call(&words);
        assert_eq!(said.status, status, "{line}: {}{}", said.out, said.err);
        for (stream, text) in [("out", &said.out), ("err", &said.err)] {
            for row in text.lines() {
                let long = row.chars().count();
                assert!(long <= WIDTH, "{line}: {stream}: {long} columns: {row}");
            }
        }
        self.run.insert(command(&words));
        said
    }

    /// The same command with `--json`: one object that names its format first.
    fn document(&mut self, status: i32, line: &str) -> Value {
        let line = format!("{line} --json --quiet");
        let said = self.call(&line.split(' ').collect::<Vec<&str>>());
        assert_eq!(said.status, status, "{line}: {}{}", said.out, said.err);
        let value: Value =
            serde_json::from_str(&said.out).unwrap_or_else(|e| panic!("{line}: {e}: {}", said.out));
        let format = value["format"].as_str().unwrap_or_default();
        let (name, version) = format.split_once('/').unwrap_or_default();
        assert!(
            name.starts_with("bassay-") && version.parse::<u32>().is_ok(),
            "{line}: its format is {format:?}"
        );
        value
    }

    /// Both.
    fn both(&mut self, status: i32, line: &str) -> (Said, Value) {
        let said = self.fits(status, line);
        (said, self.document(status, line))
    }
}

/// The command of a line: one word, or two where the first has actions.
fn command(words: &[&str]) -> String {
    match words {
        [group @ ("ledger" | "limits" | "station"), action, ..] => format!("{group} {action}"),
        [one, ..] => (*one).to_string(),
        [] => String::new(),
    }
}

/// Commands as the help of a command lists them.
fn listed(help: &str) -> Vec<String> {
    let rows = help.lines().skip_while(|l| *l != "Commands:").skip(1);
    rows.take_while(|l| !l.is_empty())
        .filter(|l| l.starts_with("  ") && !l.starts_with("   "))
        .filter_map(|l| l.split_whitespace().next())
        .filter(|name| *name != "help")
        .map(str::to_string)
        .collect()
}

#[test]
fn every_command_fits_80_columns_and_names_its_format() {
    let mut b = Bench::new();
    let sound = "s/sound/captures.toml";
    let leaking = "s/leaking/captures.toml";

    // From the design to the report.
    b.both(0, "demo --samples s --out demo");
    b.both(0, "check s/dome.toml");
    let (_, predicted) = b.both(0, "predict s/dome.toml --out pred --spread 2000");
    b.both(0, "plan s/dome.toml --out plan");
    b.both(0, "sweep --out sweep.wav");
    b.both(0, &format!("deconvolve {sound} --out dec"));
    b.both(0, &format!("align {leaking}"));
    b.both(0, &format!("align {sound} {leaking}"));
    b.both(1, &format!("verify {leaking} --out ver"));
    b.both(0, &format!("verify {sound} --out good"));
    b.both(0, "compare ver/curves.csv good/curves.csv --out cmp");
    b.both(0, &format!("damping {leaking} --out dam"));
    b.both(0, "coupon s/coupon/coupon.toml --out cou");
    let rehearse = "rehearse s/dome.toml --unit dome-20 --duration-s 2 --sample-rate-hz 8000 --out";
    b.both(0, &format!("{rehearse} u20"));
    let record = "record --virtual s/dome.toml --yes --pace 100 --design s/dome.toml --unit v-1 --capture impedance \
                  --duration-s 2 --set";
    b.fits(0, &format!("{record} v1.toml"));
    b.document(0, &format!("{record} v2.toml"));
    b.write(
        "bench.toml",
        "format = \"bassay-station/1\"\nname = \"b\"\n",
    );
    b.both(3, "station show bench.toml");

    // Production.
    let make = "limits make s/dome.toml --drawn 2000 --replace --out";
    let (_, model) = b.both(0, &format!("{make} model.toml"));
    b.both(
        0,
        &format!("{make} lim.toml --unit {sound} --residue-db -50"),
    );
    b.both(0, "limits show lim.toml --pictures pic");
    b.both(0, "limits sign lim.toml --by QA-7 --date 2026-03-14");
    let tested = "--limits lim.toml --operator OP-3 --batch B1";
    let judged = format!("inspect {sound} {tested} --ledger log.db --spool none.db");
    b.fits(2, &judged);
    b.both(0, &format!("inspect {sound} {tested}"));
    for captures in [sound, leaking] {
        let line = format!("inspect {captures} {tested} --ledger log.db --certificate c.html");
        b.fits(i32::from(captures == leaking), &line);
    }
    b.both(0, "limits rejudge --ledger log.db --limits lim.toml --all");
    let (_, all) = b.both(0, "ledger list --ledger log.db");
    let digest = all["entries"][1]["digest"].as_str().unwrap()[..12].to_string();
    let say = format!(
        "--operator QA-7 --station office --ledger log.db --remark {}",
        "x".repeat(30)
    );
    b.both(0, &format!("ledger correct {digest} --verdict pass {say}"));
    b.both(0, &format!("ledger show {digest} --ledger log.db"));
    b.both(0, "ledger list --ledger log.db");
    b.both(0, "ledger audit --ledger log.db");
    b.both(0, "ledger export --columns");
    b.both(0, "ledger export --columns --rows values");
    b.both(0, "ledger export --ledger log.db --replace --out log.jsonl");
    b.both(0, "ledger import log.jsonl --ledger moved.db --as-written");
    let import = "ledger import ver/result.json good/result.json --operator QA --station office --ledger ref.db";
    b.both(0, import);
    b.both(0, "ledger deliver --spool log.db --ledger all.db");
    let prune = "ledger prune --failed-days 9 --passed-days 9 --operator QA --station office --dry-run --ledger log.db";
    b.both(0, prune);
    b.fits(
        0,
        &format!("ledger unpack {digest} --ledger log.db --out raw"),
    );
    b.document(
        0,
        &format!("ledger unpack {digest} --ledger log.db --out raw2"),
    );
    b.both(0, "ledger trend driver.cms leak.seam.resistance residue:mouth-near:50 --ledger log.db --out tr");
    b.both(0, "ledger pareto --ledger log.db --out pa");
    b.both(0, "ledger yield --ledger log.db --out yi");
    b.both(0, "ledger page --ledger log.db --replace --out page.html");
    b.both(
        0,
        "ledger certificate dome-08 --ledger log.db --out c8.html",
    );
    let mut table = "part,operator,value\n".to_string();
    for (part, person, value) in [
        ("P1", "A", [1.0, 1.1]),
        ("P1", "B", [1.2, 1.1]),
        ("P2", "A", [2.0, 2.1]),
        ("P2", "B", [2.3, 2.1]),
    ] {
        for v in value {
            table.push_str(&format!("{part},{person},{v}\n"));
        }
    }
    b.write("gauge.csv", &table);
    b.both(0, "gauge gauge.csv --tolerance 0,4");

    // Both count the same drawn units over the same bands.
    let within = predicted["spread"]["within"]["share"].as_f64().unwrap();
    let good = model["overall"]["good"].as_f64().unwrap();
    let drawn = model["overall"]["units"].as_f64().unwrap();
    assert_eq!((drawn, within), (2000.0, good / drawn));

    // None is left out, and help and mistakes fit too.
    for name in listed(&b.fits(0, "help").out) {
        let actions = match name.as_str() {
            "ledger" | "limits" | "station" => listed(&b.call(&[&name, "--help"]).out),
            _ => vec![String::new()],
        };
        assert!(!actions.is_empty(), "{name} lists no actions");
        for action in actions {
            let one = format!("{name} {action}").trim_end().to_string();
            assert!(
                b.run.contains(&one) || ELSEWHERE.contains(&one.as_str()),
                "{one} is never run"
            );
            b.fits(0, &format!("{one} --help"));
            if !["demo", "devices"].contains(&one.as_str()) {
                b.fits(2, &one);
            }
            b.fits(2, &format!("{one} --no-such-option"));
        }
    }
}

/// A mistake is told in lines that fit, and names what there is.
#[test]
fn mistakes_fit_80_columns_and_name_what_there_is() {
    let mut b = Bench::new();
    let make =
        "limits make s/dome.toml --drawn 500 --out lim.toml --unit s/sound/captures.toml --quiet";
    b.fits(0, make);
    b.fits(
        0,
        "inspect s/sound/captures.toml --limits lim.toml --ledger log.db --batch B7 --quiet",
    );
    b.fits(1, "verify s/leaking/captures.toml --out ver --quiet");
    b.fits(0, "predict s/dome.toml --out pred");
    for (line, wanted) in [
        (
            "ledger trend leak.seam --ledger log.db",
            "leak.seam.resistance",
        ),
        (
            "ledger trend driver.cms --ledger log.db --unit dome-7",
            "there is dome-07",
        ),
        (
            "ledger trend driver.cms --ledger log.db --batch C7",
            "there is B7",
        ),
        (
            "ledger page driver.cm --ledger log.db --out p.html",
            "driver.cms",
        ),
        (
            "ledger show 1234 --ledger log.db",
            "no entry of log.db begins like this",
        ),
        ("ledger certificate dome-7 --ledger log.db", "dome-07"),
        ("gauge --ledger log.db --name r", "no entry of kind gauge"),
        (
            "compare ver/curves.csv pred/prediction.csv",
            "mouth-near measured",
        ),
        (
            "compare ver/curves.csv pred/prediction.csv --curve-a mouth --curve-b impedance",
            "the nearest of 12 are mouth-near",
        ),
        // Ahead of any fit: the captures that are named here do not exist either.
        (
            "limits make s/dome.toml --out x.toml --unit no.toml",
            "no.toml: is no file",
        ),
        (
            "limits make s/dome.toml --out x.toml --unit s/sound/captures.toml --serial-pattern [a",
            "--serial-pattern",
        ),
        (
            "limits make s/dome.toml --out x.toml --unit s/sound/captures.toml --drawn 50",
            "--drawn 50: expected 100 to",
        ),
        (
            "limits make s/dome.toml --out x.toml --unit s/sound/captures.toml --method units",
            "at least 2",
        ),
        (
            "limits make s/dome.toml --out x.toml --method model --drawn 300",
            "--drawn 300",
        ),
        (
            "limits make s/dome.toml --out x.toml --unit s/sound/captures.toml --aligned s/sound/captures.toml",
            "--method model",
        ),
    ] {
        let said = b.fits(2, line);
        let one_line = said.err.split_whitespace().collect::<Vec<&str>>().join(" ");
        assert!(one_line.contains(wanted), "{line}: {one_line}");
        assert!(
            !one_line.contains("fitting the model"),
            "{line}: told after a fit: {one_line}"
        );
    }
    for (line, wanted) in [
        (
            "ledger list --ledger log.db --unit dome-7",
            "there is dome-07",
        ),
        ("ledger yield --ledger log.db --batch C7", "there is B7"),
    ] {
        let said = b.fits(0, line);
        let one_line = said.out.split_whitespace().collect::<Vec<&str>>().join(" ");
        assert!(one_line.contains(wanted), "{line}: {one_line}");
    }
}
