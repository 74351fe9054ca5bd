//! What lies between output and input: frames are taken off one sink, changed, and played into the other.

use std::io::{Read, Write};
use std::process::{Child, Command, Stdio};
use std::thread::JoinHandle;

/// Left and right.
pub type Frame = [f32; 2];

/// The path at work; ended when dropped.
pub struct Path {
    tools: [Child; 2],
    worker: Option<JoinHandle<()>>,
}

impl Path {
    /// `tool` prepares a program that sees the server.
    pub fn start(
        tool: &dyn Fn(&str) -> Command,
        rate_hz: u32,
        mut filter: impl FnMut(Frame, &mut Vec<Frame>) + Send + 'static,
    ) -> Self {
        let spawn = |name: &str, more: &[&str]| {
            tool(name)
                .args(["--raw", "--channels=2", "--format=float32le"])
                .arg(format!("--rate={rate_hz}"))
                .args(more)
                .stdin(Stdio::piped())
                .stdout(Stdio::piped())
                .stderr(Stdio::null())
                .spawn()
                .unwrap()
        };
        let mut from = spawn("parec", &["--device=dut_in.monitor", "--latency-msec=20"]);
        let mut to = spawn(
            "pacat",
            &["--playback", "--device=dut_out", "--latency-msec=200"],
        );
        let mut reader = from.stdout.take().unwrap();
        let mut writer = to.stdin.take().unwrap();
        let worker = std::thread::spawn(move || {
            let mut block = [0u8; 8192];
            let mut rest: Vec<u8> = Vec::new();
            let mut frames: Vec<Frame> = Vec::new();
            while let Ok(count) = reader.read(&mut block) {
                if count == 0 {
                    break;
                }
                rest.extend_from_slice(&block[..count]);
                frames.clear();
                let whole = rest.len() / 8 * 8;
                for bytes in rest[..whole].chunks_exact(8) {
                    let value = |at: usize| {
                        f32::from_le_bytes([bytes[at], bytes[at + 1], bytes[at + 2], bytes[at + 3]])
                    };
                    filter([value(0), value(4)], &mut frames);
                }
                rest.drain(..whole);
                let bytes: Vec<u8> = frames
                    .iter()
                    .flatten()
                    .flat_map(|v| v.to_le_bytes())
                    .collect();
                if writer.write_all(&bytes).is_err() {
                    break;
                }
            }
        });
        Self {
            tools: [from, to],
            worker: Some(worker),
        }
    }
}

impl Drop for Path {
    fn drop(&mut self) {
        for tool in &mut self.tools {
            let _ = tool.kill();
            let _ = tool.wait();
        }
        if let Some(worker) = self.worker.take() {
            let _ = worker.join();
        }
    }
}

/// Second-order high-pass by the bilinear transform (any textbook of digital filters), with a gain.
#[derive(Debug, Clone, Copy)]
pub struct HighPass {
    b: [f64; 3],
    a: [f64; 2],
    x: [f64; 2],
    y: [f64; 2],
}

impl HighPass {
    pub fn new(corner_hz: f64, q: f64, gain: f64, rate_hz: f64) -> Self {
        let k = (std::f64::consts::PI * corner_hz / rate_hz).tan();
        let norm = 1.0 / (1.0 + k / q + k * k);
        Self {
            b: [gain * norm, -2.0 * gain * norm, gain * norm],
            a: [2.0 * (k * k - 1.0) * norm, (1.0 - k / q + k * k) * norm],
            x: [0.0; 2],
            y: [0.0; 2],
        }
    }

    pub fn next(&mut self, x: f64) -> f64 {
        let y = self.b[0] * x + self.b[1] * self.x[0] + self.b[2] * self.x[1]
            - self.a[0] * self.y[0]
            - self.a[1] * self.y[1];
        self.x = [x, self.x[0]];
        self.y = [y, self.y[0]];
        y
    }

    /// (magnitude, phase in rad) at z = e^(jωT).
    pub fn response(&self, frequency_hz: f64, rate_hz: f64) -> (f64, f64) {
        let w = std::f64::consts::TAU * frequency_hz / rate_hz;
        let sum = |c: [f64; 3]| {
            let re = c[0] + c[1] * w.cos() + c[2] * (2.0 * w).cos();
            let im = -c[1] * w.sin() - c[2] * (2.0 * w).sin();
            (re.hypot(im), im.atan2(re))
        };
        let (top, bottom) = (sum(self.b), sum([1.0, self.a[0], self.a[1]]));
        (top.0 / bottom.0, top.1 - bottom.1)
    }
}
