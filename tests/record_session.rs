//! A guided session at a virtual bench, typed into a terminal of 80 columns as an operator would.

#![allow(clippy::unwrap_used)]

use portable_pty::{CommandBuilder, PtySize, native_pty_system};
use serde_json::Value;
use std::io::{Read, Write};
use std::path::Path;
use std::sync::mpsc::{Receiver, channel};
use std::time::{Duration, Instant};

/// Longer than any step of a session takes at this pace on a slow machine.
const PATIENCE: Duration = Duration::from_secs(120);
/// Times real time.
const PACE: &str = "20";

/// The program in a terminal.
struct Terminal {
    child: Box<dyn portable_pty::Child + Send + Sync>,
    keys: Box<dyn Write + Send>,
    shown: Receiver<Vec<u8>>,
    /// Everything that was shown.
    text: String,
    /// What was waited for already.
    seen: usize,
    _master: Box<dyn portable_pty::MasterPty + Send>,
}

impl Terminal {
    fn start(args: &[&str]) -> Self {
        let size = PtySize {
            rows: 24,
            cols: 80,
            pixel_width: 0,
            pixel_height: 0,
        };
        let pair = native_pty_system().openpty(size).unwrap();
        let mut command = CommandBuilder::new(assert_cmd::cargo::cargo_bin("bassay"));
        command.args(args);
        command.cwd(env!("CARGO_MANIFEST_DIR"));
        let child = pair.slave.spawn_command(command).unwrap();
        drop(pair.slave);
        let mut reader = pair.master.try_clone_reader().unwrap();
        let (send, shown) = channel();
        std::thread::spawn(move || {
            let mut block = [0u8; 4096];
            while let Ok(count) = reader.read(&mut block) {
                if count == 0 || send.send(block[..count].to_vec()).is_err() {
                    break;
                }
            }
        });
        Self {
            child,
            keys: pair.master.take_writer().unwrap(),
            shown,
            text: String::new(),
            seen: 0,
            _master: pair.master,
        }
    }

    /// Waits until one of the texts is shown; gives its index.
    fn wait_any(&mut self, wanted: &[&str]) -> usize {
        let end = Instant::now() + PATIENCE;
        loop {
            let found = wanted
                .iter()
                .enumerate()
                .filter_map(|(i, w)| Some((self.text[self.seen..].find(w)? + w.len(), i)))
                .min();
            if let Some((at, i)) = found {
                self.seen += at;
                return i;
            }
            match self.shown.recv_timeout(Duration::from_millis(200)) {
                Ok(block) => self.text += &String::from_utf8_lossy(&block),
                Err(_) => assert!(
                    Instant::now() < end,
                    "{wanted:?} never came after:\n{}",
                    &self.text[self.seen..]
                ),
            }
        }
    }

    fn wait(&mut self, wanted: &str) {
        self.wait_any(&[wanted]);
    }

    fn key(&mut self, keys: &str) {
        self.keys.write_all(keys.as_bytes()).unwrap();
        self.keys.flush().unwrap();
    }

    /// Waits for the end; gives the exit status.
    fn end(&mut self) -> u32 {
        let status = self.child.wait().unwrap().exit_code();
        while let Ok(block) = self.shown.recv_timeout(Duration::from_millis(300)) {
            self.text += &String::from_utf8_lossy(&block);
        }
        status
    }

    /// No line needs more than the terminal's 80 columns.
    fn assert_fits(&self) {
        for line in self.text.split(['\n', '\r']) {
            let plain = line.replace("\u{1b}[K", "");
            assert!(plain.chars().count() <= 80, "{plain}");
        }
    }
}

fn args<'a>(set: &'a str, more: &[&'a str]) -> Vec<&'a str> {
    let mut list = vec![
        "record",
        "--set",
        set,
        "--virtual",
        "sample-captures/dome.toml",
        "--pace",
        PACE,
        "--fault",
        "leak.seam.resistance=x0.05",
    ];
    list.extend(more);
    list
}

const NEW: [&str; 4] = ["--design", "sample-captures/dome.toml", "--unit", "dome-31"];
const READY: &str = "q: stop here >";

/// A whole session with a take recorded again, a capture skipped and a later session that goes on; `verify` then finds the
/// planted leak with its truth inside the interval.
#[test]
fn a_session_ends_in_a_verification_that_finds_the_fault() {
    let folder = tempfile::tempdir().unwrap();
    let set = folder.path().join("captures.toml");
    let set = set.to_str().unwrap();
    let mut terminal = Terminal::start(&args(set, &NEW));
    terminal.wait("everyone is out of the way >");
    assert!(terminal.text.contains("Hearing") && terminal.text.contains("Forecast for 2.830 V"));
    terminal.key("yes\r");
    for label in ["impedance", "mouth-near", "box-inside"] {
        terminal.wait(&format!(": {label}"));
        terminal.wait(READY);
        terminal.key("\r");
        terminal.wait("take 1 of 1");
        terminal.wait(READY);
        if label == "mouth-near" {
            terminal.key("r\r");
            terminal.wait("take 1 of 1");
            terminal.wait(READY);
        }
        terminal.key("k\r");
        terminal.wait("kept in");
    }
    terminal.wait(": floor-2m");
    terminal.wait(READY);
    terminal.key("s\r");
    terminal.wait("Not recorded: floor-2m");
    assert_eq!(terminal.end(), 3);
    terminal.assert_fits();
    // The meters were drawn.
    assert!(terminal.text.contains("\rsweep ") && terminal.text.contains("microphone #"));

    let mut terminal = Terminal::start(&args(set, &[]));
    terminal.wait("everyone is out of the way >");
    terminal.key("yes\r");
    terminal.wait("box-inside is on file already");
    terminal.wait(": floor-2m");
    terminal.wait(READY);
    terminal.key("\r");
    terminal.wait("take 1 of 1");
    terminal.wait(READY);
    terminal.key("k\r");
    terminal.wait("Next: bassay verify");
    assert_eq!(terminal.end(), 0);
    terminal.assert_fits();

    let output = std::process::Command::new(assert_cmd::cargo::cargo_bin("bassay"))
        .args(["verify", set, "--json"])
        .output()
        .unwrap();
    let result: Value = serde_json::from_slice(&output.stdout).unwrap();
    assert_eq!(result["findings"][0]["path"], "leak.seam.resistance");
    let parameter = result["parameters"]
        .as_array()
        .unwrap()
        .iter()
        .find(|p| p["path"] == "leak.seam.resistance")
        .unwrap();
    let truth = 0.05 * parameter["designed"].as_f64().unwrap();
    let [low, high] = ["low95", "high95"].map(|k| parameter[k].as_f64().unwrap());
    assert!(low < truth && truth < high, "{low} {truth} {high}");
}

/// Ctrl-C in mid-sweep: what was recorded stays under a name that nobody takes for complete, and the set does not list it.
#[test]
fn an_interrupted_take_is_kept_and_not_used() {
    let folder = tempfile::tempdir().unwrap();
    let set = folder.path().join("captures.toml");
    let set = set.to_str().unwrap();
    let mut list = args(set, &NEW);
    let pace = list.iter().position(|a| *a == PACE).unwrap();
    list[pace] = "3";
    let mut terminal = Terminal::start(&list);
    terminal.wait("everyone is out of the way >");
    terminal.key("yes\r");
    terminal.wait(READY);
    terminal.key("\r");
    terminal.wait("sweep  4");
    terminal.key("\u{3}");
    terminal.wait("Go on later with");
    // As it was typed: nothing of it stands in a captures file yet.
    terminal.wait("--pace 3");
    assert_eq!(terminal.end(), 3);
    terminal.assert_fits();
    assert!(!Path::new(set).exists());
    let partial = folder.path().join("impedance.partial.wav");
    let reader = hound::WavReader::open(&partial).unwrap();
    assert!(reader.duration() > 48_000, "{}", reader.duration());
    assert!(!folder.path().join("impedance.wav").exists());
}

/// Anything but «yes» plays nothing and leaves nothing behind.
#[test]
fn no_word_of_agreement_means_no_sound() {
    let folder = tempfile::tempdir().unwrap();
    let set = folder.path().join("captures.toml");
    let set = set.to_str().unwrap();
    let mut terminal = Terminal::start(&args(set, &NEW));
    terminal.wait("everyone is out of the way >");
    terminal.key("no\r");
    terminal.wait("Nothing was played.");
    assert_eq!(terminal.end(), 3);
    assert_eq!(std::fs::read_dir(folder.path()).unwrap().count(), 0);
}

/// What is typed by mistake starts no sound: it is asked again.
#[test]
fn another_word_than_enter_starts_nothing() {
    let folder = tempfile::tempdir().unwrap();
    let set = folder.path().join("captures.toml");
    let mut terminal = Terminal::start(&args(set.to_str().unwrap(), &NEW));
    terminal.wait("everyone is out of the way >");
    terminal.key("yes\r");
    terminal.wait(READY);
    terminal.key("maybe\r");
    terminal.wait("«maybe» is no answer");
    terminal.wait(READY);
    terminal.key("q\r");
    terminal.wait("Stopped.");
    assert_eq!(terminal.end(), 3);
    assert_eq!(std::fs::read_dir(folder.path()).unwrap().count(), 0);
}

/// Options that contradict each other or leave no limit to keep are refused before anything is played or written.
#[test]
fn what_leaves_no_limit_is_refused() {
    let folder = tempfile::tempdir().unwrap();
    let at = |name: &str| folder.path().join(name).to_str().unwrap().to_owned();
    std::fs::write(at("there.wav"), "a take").unwrap();
    let run = |list: &[&str]| {
        let output = std::process::Command::new(assert_cmd::cargo::cargo_bin("bassay"))
            .args([
                "record",
                "--virtual",
                "sample-captures/dome.toml",
                "--yes",
                "--pace",
                "100",
            ])
            .args(list)
            .stdin(std::process::Stdio::null())
            .output()
            .unwrap();
        let err = String::from_utf8_lossy(&output.stderr).into_owned();
        (output.status.code(), err)
    };
    let (new, set) = (at("new.wav"), at("c.toml"));
    let guided = ["--set", &set, NEW[0], NEW[1], NEW[2], NEW[3]];
    let mut cases: Vec<(Vec<&str>, &str)> = Vec::new();
    let there = at("there.wav");
    cases.push((vec!["--out", &there], "is there already"));
    cases.push((vec!["--out", "/dev/full"], "is there already"));
    cases.push((
        vec!["--out", &new, "--level-dbfs", "0", "--voltage-v", "1"],
        "--voltage-v allows 1",
    ));
    for (more, words) in [
        (
            &["--reference-channel", "2"][..],
            "found channel 2 for both",
        ),
        (&["--load-channel", "3"], "expected 1 to 2"),
        (&["--inputs", "0"], "--inputs: found 0"),
        (&["--snr-db", "nan"], "--snr-db: found NaN"),
        (&["--output-v-per-unit", "1"], "by the loop-back"),
    ] {
        cases.push(([&guided[..], more].concat(), words));
    }
    for (list, words) in cases {
        let (status, err) = run(&list);
        assert_eq!(status, Some(2), "{list:?}: {err}");
        assert!(err.contains(words), "{list:?}: {err}");
    }
    assert_eq!(std::fs::read(&there).unwrap(), b"a take");
    assert!(!Path::new(&new).exists() && !Path::new(&set).exists());
}

/// A voltage beyond what the driver bears is refused by the limit's name, with the highest one that is not.
#[test]
fn a_limit_is_named_before_anything_is_played() {
    let folder = tempfile::tempdir().unwrap();
    let set = folder.path().join("captures.toml");
    let set = set.to_str().unwrap();
    let run = |more: &[&str]| {
        let mut list = args(set, &NEW);
        list.extend(["--yes", "--voltage-v", "28"]);
        list.extend(more);
        let output = std::process::Command::new(assert_cmd::cargo::cargo_bin("bassay"))
            .args(list)
            .stdin(std::process::Stdio::null())
            .output()
            .unwrap();
        let err = String::from_utf8_lossy(&output.stderr).into_owned();
        (output.status.code(), err)
    };
    let (status, err) = run(&[]);
    assert_eq!(status, Some(2), "{err}");
    assert!(
        err.contains("--allow level") && err.contains("--voltage-v "),
        "{err}"
    );
    assert_eq!(std::fs::read_dir(folder.path()).unwrap().count(), 0);
    let (status, err) = run(&["--allow", "loudness"]);
    assert_eq!(status, Some(2), "{err}");
    assert!(err.contains("'loudness' is no limit"), "{err}");
}

/// A set of a virtual unit goes on with that unit only: another fault is another unit, and nothing is recorded.
#[test]
fn a_set_goes_on_with_the_same_unit_only() {
    let folder = tempfile::tempdir().unwrap();
    let design = std::fs::canonicalize("sample-captures/dome.toml").unwrap();
    let set = folder.path().join("captures.toml");
    let record = |more: &[&str]| {
        let output = assert_cmd::Command::cargo_bin("bassay")
            .unwrap()
            .args(["record", "--yes", "--pace", "20", "--set"])
            .arg(&set)
            .arg("--virtual")
            .arg(&design)
            .args(more)
            .output()
            .unwrap();
        let text = String::from_utf8_lossy(&output.stderr).into_owned();
        (output.status.code(), text)
    };
    let design_text = design.display().to_string();
    let first = [
        "--capture",
        "impedance",
        "--design",
        &design_text,
        "--unit",
        "t",
        "--duration-s",
        "3",
        "--fault",
        "duct.*.length=-0.002",
    ];
    let (status, err) = record(&first);
    assert_eq!(status, Some(0), "{err}");
    // What the increment made of a number is said, with its unit.
    assert!(
        err.contains(" as designed)") && err.contains(" m ("),
        "{err}"
    );
    let before = std::fs::read(&set).unwrap();
    for other in [
        &["--fault", "duct.*.length=0.002"][..],
        &["--fault", "duct.*.length=-0.002", "--seed", "4"],
        &[],
    ] {
        let (status, err) = record(other);
        assert_eq!(status, Some(2), "{other:?}: {err}");
        assert!(err.contains("a captures file is of one unit"), "{err}");
    }
    assert_eq!(std::fs::read(&set).unwrap(), before);
    let (status, err) = record(&["--fault", "duct.*.length=-0.002", "--capture", "impedance"]);
    assert_eq!(status, Some(0), "{err}");
}

/// A capture that is recorded again takes the place of the one before; a set goes on with its own sweep and its own unit.
#[test]
fn a_capture_again_takes_the_place_of_the_old() {
    let folder = tempfile::tempdir().unwrap();
    let set = folder.path().join("captures.toml");
    let set = set.to_str().unwrap();
    let run = |list: &[&str]| {
        let output = std::process::Command::new(assert_cmd::cargo::cargo_bin("bassay"))
            .args(["record", "--set", set, "--yes"])
            .args(list)
            .stdin(std::process::Stdio::null())
            .output()
            .unwrap();
        let err = String::from_utf8_lossy(&output.stderr).into_owned();
        (output.status.code(), err)
    };
    let bench = ["--virtual", "sample-captures/dome.toml", "--pace", "50"];
    let one = ["--capture", "mouth-near"];
    let new = [&bench[..], &NEW, &one, &["--duration-s", "2"]].concat();
    let (status, err) = run(&new);
    assert!(matches!(status, Some(0 | 3)), "{err}");
    let (status, err) = run(&[&bench[..], &one].concat());
    assert!(matches!(status, Some(0 | 3)), "{err}");
    let words: Vec<&str> = err.split_whitespace().collect();
    assert!(
        words.join(" ").contains("in the place of mouth-near.wav"),
        "{err}"
    );
    let text = std::fs::read_to_string(set).unwrap();
    assert_eq!(text.matches("[[capture]]").count(), 1, "{text}");
    assert!(text.contains("file = \"mouth-near-2.wav\""), "{text}");
    assert!(folder.path().join("mouth-near.wav").exists());
    let (status, err) = run(&[&bench[..], &one, &["--duration-s", "5"]].concat());
    assert_eq!(status, Some(2), "{err}");
    assert!(err.contains("--duration-s: found 5"), "{err}");
    let (status, err) = run(&one);
    assert_eq!(status, Some(2), "{err}");
    assert!(err.contains("expected the same --virtual"), "{err}");
}

/// Ctrl-C where a sound take could be kept leaves the take.
#[test]
fn a_sound_take_survives_the_end_of_the_session() {
    let folder = tempfile::tempdir().unwrap();
    let set = folder.path().join("captures.toml");
    let mut terminal = Terminal::start(&args(set.to_str().unwrap(), &NEW));
    terminal.wait("everyone is out of the way >");
    terminal.key("yes\r");
    terminal.wait(READY);
    terminal.key("\r");
    terminal.wait("Enter: keep");
    terminal.key("\x03");
    terminal.wait("the take is kept and not used");
    terminal.wait("Stopped.");
    assert_eq!(terminal.end(), 3);
    let take = folder.path().join("impedance.wav");
    assert!(hound::WavReader::open(take).unwrap().duration() > 48_000);
    assert!(!set.exists());
}

/// CROSS: what is told after the last take of a set is what `verify` then finds, in a quiet room and in a loud one.
#[test]
fn what_verify_leaves_open_is_told_at_the_bench() {
    let folder = tempfile::tempdir().unwrap();
    for (name, noise, closed) in [("quiet", "35", true), ("loud", "58", false)] {
        let set = folder.path().join(name).join("captures.toml");
        let set = set.to_str().unwrap();
        let run = |list: &[&str]| {
            std::process::Command::new(assert_cmd::cargo::cargo_bin("bassay"))
                .args(list)
                .stdin(std::process::Stdio::null())
                .output()
                .unwrap()
        };
        let session = [
            "record",
            "--set",
            set,
            "--design",
            NEW[1],
            "--unit",
            "dome-31",
            "--virtual",
            NEW[1],
            "--pace",
            PACE,
            "--noise-db-spl",
            noise,
            "--yes",
            "--voltage-v",
            "0.5",
        ];
        let out = String::from_utf8(run(&session).stdout).unwrap();
        assert!(out.lines().all(|l| l.chars().count() <= 80), "{out}");
        let words = out.split_whitespace().collect::<Vec<_>>().join(" ");
        let result: Value =
            serde_json::from_slice(&run(&["verify", set, "--json", "--quiet"]).stdout).unwrap();
        let bands = result["bands"].as_array().unwrap();
        let open: Vec<&Value> = bands
            .iter()
            .filter(|b| b["verdict"] == "unresolved")
            .collect();
        assert_eq!(open.is_empty(), closed, "{out}");
        let told = if closed {
            format!("can judge all {} bands. The least certain is", bands.len())
        } else {
            format!(
                "will leave {} of {} bands unresolved:",
                open.len(),
                bands.len()
            )
        };
        assert!(words.contains(&told), "{told}\n{out}");
        for band in open {
            let label = band["observation"].as_str().unwrap();
            assert!(words.contains(&format!("{label} at ")), "{label}\n{out}");
        }
        assert_eq!(
            words.contains("noise; a louder or longer sweep"),
            !closed,
            "{out}"
        );
    }
}
