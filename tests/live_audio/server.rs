//! A sound server of our own, what lies in its path, and the program that records through it.

use crate::path::{Frame, Path as SoundPath};
use serde_json::Value;
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Output, Stdio};
use std::sync::{Mutex, MutexGuard, PoisonError};
use std::time::{Duration, Instant};

/// One test at a time.
static ALONE: Mutex<()> = Mutex::new(());

/// One sink whose monitor is the input.
const DIRECT: &str = "pcm.!default { type pulse hint { show on description \"lab card\" } }
ctl.!default { type pulse }
";
/// Two sinks; what lies between them is ours.
const BETWEEN: &str = "pcm.!default { type asym playback.pcm dut_out capture.pcm dut_in hint { show on description \"lab card\" } }
pcm.dut_out { type pulse device \"dut_in\" }
pcm.dut_in { type pulse device \"dut_out.monitor\" }
ctl.!default { type pulse }
";

/// A running sound server; ended when dropped.
pub struct Sound {
    folder: tempfile::TempDir,
    server: Child,
    path: Option<SoundPath>,
    rate_hz: u32,
    _alone: MutexGuard<'static, ()>,
}

impl Sound {
    /// Outputs lead straight to inputs.
    pub fn direct(rate_hz: u32) -> Self {
        Self::start(rate_hz, &["lab"], DIRECT)
    }

    /// `filter` lies between output and input: it gets each frame and hands on as many as it likes.
    pub fn through(
        rate_hz: u32,
        filter: impl FnMut(Frame, &mut Vec<Frame>) + Send + 'static,
    ) -> Self {
        let mut sound = Self::start(rate_hz, &["dut_in", "dut_out"], BETWEEN);
        let tool = |name: &str| sound.within(name);
        sound.path = Some(SoundPath::start(&tool, rate_hz, filter));
        sound
    }

    fn start(rate_hz: u32, sinks: &[&str], config: &str) -> Self {
        let alone = ALONE.lock().unwrap_or_else(PoisonError::into_inner);
        for program in ["pulseaudio", "pactl", "parec", "pacat"] {
            let there = Command::new(program)
                .arg("--version")
                .stdout(Stdio::null())
                .stderr(Stdio::null())
                .status();
            assert!(
                there.is_ok(),
                "{program} is missing, and live recording cannot be tested: run .ci/setup --tests"
            );
        }
        let folder = tempfile::Builder::new()
            .prefix("bassay-sound-")
            .tempdir()
            .unwrap();
        let at = |name: &str| folder.path().join(name);
        for name in ["run", "home"] {
            std::fs::create_dir(at(name)).unwrap();
            use std::os::unix::fs::PermissionsExt;
            std::fs::set_permissions(at(name), std::fs::Permissions::from_mode(0o700)).unwrap();
        }
        let mut script = format!(
            "load-module module-native-protocol-unix socket={} auth-anonymous=1\n",
            at("run/native").display()
        );
        for sink in sinks {
            // Without `norewinds` the first frames are lost.
            script += &format!(
                "load-module module-null-sink sink_name={sink} rate={rate_hz} format=float32le channels=2 norewinds=1\n"
            );
        }
        script += &format!(
            "set-default-sink {}\nset-default-source {}.monitor\n",
            sinks[0],
            sinks[sinks.len() - 1]
        );
        std::fs::write(at("lab.pa"), script).unwrap();
        std::fs::write(at("asound.conf"), config).unwrap();
        let log = std::fs::File::create(at("log")).unwrap();
        let server = environment(&mut Command::new("pulseaudio"), folder.path())
            .args([
                "-n",
                "--daemonize=no",
                "--exit-idle-time=-1",
                "--disallow-exit",
                "--use-pid-file=no",
                "--high-priority=no",
                "--realtime=no",
                "--resample-method=copy",
                "--log-target=stderr",
                "-F",
            ])
            .arg(at("lab.pa"))
            .stdout(Stdio::null())
            .stderr(log)
            .spawn()
            .unwrap();
        let sound = Self {
            folder,
            server,
            path: None,
            rate_hz,
            _alone: alone,
        };
        let end = Instant::now() + Duration::from_secs(10);
        loop {
            let asked = sound.within("pactl").arg("info").output().unwrap();
            if asked.status.success() {
                return sound;
            }
            assert!(
                Instant::now() < end,
                "the sound server does not start: {}",
                std::fs::read_to_string(sound.at("log")).unwrap()
            );
            std::thread::sleep(Duration::from_millis(100));
        }
    }

    /// A place in the folder.
    pub fn at(&self, name: &str) -> PathBuf {
        self.folder.path().join(name)
    }

    /// A program that sees this server and no other.
    pub fn within(&self, program: impl AsRef<std::ffi::OsStr>) -> Command {
        let mut command = Command::new(program);
        environment(&mut command, self.folder.path());
        command
    }

    /// `bassay record` into `take.wav`.
    pub fn recorder(&self, more: &[&str]) -> Command {
        let mut command = self.within(env!("CARGO_BIN_EXE_bassay"));
        command
            .arg("record")
            .arg("--out")
            .arg(self.at("take.wav"))
            .args(["--level-dbfs", "-6", "--yes", "--json"])
            .args(more);
        if !more.contains(&"--sample-rate-hz") {
            command.args(["--sample-rate-hz", &self.rate_hz.to_string()]);
        }
        command
            .stdin(Stdio::null())
            .stdout(Stdio::piped())
            .stderr(Stdio::piped());
        command
    }

    /// A whole take. A busy machine loses frames, which is found and refused; then it is recorded again, as a user would, at
    /// most twice.
    pub fn take(&self, more: &[&str]) -> Value {
        for attempt in 0.. {
            let output = self.recorder(more).output().unwrap();
            let said = Said::of(&output);
            if said.status == 0 {
                return serde_json::from_str(&said.out).unwrap();
            }
            let lost = said.err.contains("frames");
            assert!(lost && attempt < 2, "{said:?}");
            eprintln!("recorded again: {}", said.last_line());
        }
        unreachable!()
    }

    /// Sends the server a signal, by its name.
    pub fn signal(&self, name: &str) {
        let sent = Command::new("kill")
            .args([&format!("-{name}"), &self.server.id().to_string()])
            .status()
            .unwrap();
        assert!(sent.success());
    }
}

impl Drop for Sound {
    fn drop(&mut self) {
        let _ = self.server.kill();
        let _ = self.server.wait();
        self.path.take();
    }
}

fn environment<'a>(command: &'a mut Command, folder: &Path) -> &'a mut Command {
    command
        .env("XDG_RUNTIME_DIR", folder.join("run"))
        .env("PULSE_RUNTIME_PATH", folder.join("run"))
        .env("PULSE_STATE_PATH", folder.join("home"))
        .env("PULSE_COOKIE", folder.join("home/cookie"))
        .env(
            "PULSE_SERVER",
            format!("unix:{}", folder.join("run/native").display()),
        )
        .env("ALSA_CONFIG_PATH", folder.join("asound.conf"))
        .env("NO_COLOR", "1")
}

/// What a program said.
#[derive(Debug)]
pub struct Said {
    pub status: i32,
    pub out: String,
    pub err: String,
}

impl Said {
    pub fn of(output: &Output) -> Self {
        let text = |bytes: &[u8]| String::from_utf8_lossy(bytes).into_owned();
        Self {
            status: output.status.code().unwrap_or(-1),
            out: text(&output.stdout),
            err: text(&output.stderr),
        }
    }

    pub fn last_line(&self) -> &str {
        self.err.trim_end().lines().last().unwrap_or("")
    }
}

/// One channel of a WAV file, from 0; full scale = 1.0.
pub fn channel(file: &Path, number: usize) -> Vec<f32> {
    let mut reader = hound::WavReader::open(file).unwrap();
    let count = usize::from(reader.spec().channels);
    let full = f64::from(1u32 << (reader.spec().bits_per_sample - 1));
    reader
        .samples::<i32>()
        .skip(number)
        .step_by(count)
        .map(|s| (f64::from(s.unwrap()) / full) as f32)
        .collect()
}
