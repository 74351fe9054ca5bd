//! The operator's side of a recording: questions with answers from standard input, meters while sound runs, Ctrl-C.
//!
//! Questions and meters go to standard error, like everything that is not a result. A meter redraws one line of at most 79
//! columns on a terminal; elsewhere nothing is redrawn and a line is written every few seconds.

use crate::cli::failure::Failure;
use crate::cli::output::Output;
use std::io::{BufRead, IsTerminal, Write};
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::mpsc::{Receiver, RecvTimeoutError, channel};
use std::sync::{Arc, OnceLock};
use std::time::{Duration, Instant};

/// Cells of one level meter.
const CELLS: usize = 10;
/// Level of an empty meter, dB re full scale.
const METER_FLOOR_DB: f64 = -60.0;
/// Between two lines of progress where no terminal shows a meter.
const LINE_EVERY: Duration = Duration::from_secs(5);

/// What the operator answered.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Answer {
    /// A line, trimmed and in lower case.
    Line(String),
    /// Ctrl-C, or the input has ended.
    Stop,
}

/// The operator's side.
pub struct Desk {
    out: Output,
    lines: Receiver<String>,
    stop: &'static AtomicBool,
    redraw: bool,
    drawn: bool,
    last_line: Option<Instant>,
}

/// Set by Ctrl-C.
fn stop_flag() -> Result<&'static AtomicBool, Failure> {
    static FLAG: OnceLock<Arc<AtomicBool>> = OnceLock::new();
    if let Some(flag) = FLAG.get() {
        return Ok(flag);
    }
    let flag = FLAG.get_or_init(|| Arc::new(AtomicBool::new(false)));
    let set = Arc::clone(flag);
    ctrlc::set_handler(move || set.store(true, Ordering::Release))
        .map_err(|e| Failure::system(format!("Ctrl-C cannot be watched: {e}")))?;
    Ok(flag)
}

impl Desk {
    /// Watches Ctrl-C and standard input.
    ///
    /// # Errors
    /// [`Failure`] where the system does not let Ctrl-C be watched.
    pub fn new(out: &Output) -> Result<Self, Failure> {
        let (send, lines) = channel();
        // A read cannot be given up: the thread ends with the process.
        std::thread::spawn(move || {
            for line in std::io::stdin().lock().lines() {
                let Ok(line) = line else { break };
                if send.send(line.trim().to_lowercase()).is_err() {
                    break;
                }
            }
        });
        Ok(Self {
            out: *out,
            lines,
            stop: stop_flag()?,
            redraw: std::io::stderr().is_terminal() && !out.quiet,
            drawn: false,
            last_line: None,
        })
    }

    /// Whether Ctrl-C was pressed.
    #[must_use]
    pub fn stopped(&self) -> bool {
        self.stop.load(Ordering::Acquire)
    }

    /// A remark for the operator.
    pub fn say(&mut self, text: impl std::fmt::Display) {
        self.close_meter();
        self.out.remark(text);
    }

    /// A question that must be seen, with its answer.
    pub fn ask(&mut self, question: &str) -> Answer {
        self.close_meter();
        {
            let mut err = std::io::stderr().lock();
            let _ = write!(err, "{question} ");
            let _ = err.flush();
        }
        loop {
            if self.stopped() {
                let _ = writeln!(std::io::stderr().lock());
                return Answer::Stop;
            }
            match self.lines.recv_timeout(Duration::from_millis(100)) {
                Ok(line) => {
                    if !std::io::stdin().is_terminal() {
                        // The terminal shows what is typed; elsewhere the log would lack it.
                        let _ = writeln!(std::io::stderr().lock(), "{line}");
                    }
                    return Answer::Line(line);
                }
                Err(RecvTimeoutError::Timeout) => {}
                Err(RecvTimeoutError::Disconnected) => {
                    let _ = writeln!(std::io::stderr().lock(), "(the input has ended)");
                    return Answer::Stop;
                }
            }
        }
    }

    /// A question with the answers that it takes, the empty one for Enter; anything else is asked again. Ctrl-C and the end of
    /// the input answer `q`.
    pub fn choose(&mut self, question: &str, answers: &[&str]) -> String {
        loop {
            match self.ask(question) {
                Answer::Stop => return "q".to_string(),
                Answer::Line(line) if answers.contains(&line.as_str()) => return line,
                Answer::Line(line) => self.say(format!("  «{line}» is no answer")),
            }
        }
    }

    /// Shows how far a stretch of sound is and how loud each channel was since the last time: (name, peak; full scale = 1).
    pub fn meter(&mut self, what: &str, done: f64, channels: &[(&str, f64)]) {
        if self.out.quiet {
            return;
        }
        let line = meter_line(what, done, channels);
        if self.redraw {
            let mut err = std::io::stderr().lock();
            let _ = write!(err, "\r{line}\x1b[K");
            let _ = err.flush();
            self.drawn = true;
        } else if self.last_line.is_none_or(|at| at.elapsed() > LINE_EVERY) {
            self.last_line = Some(Instant::now());
            self.out.remark(line);
        }
    }

    /// Ends the line of a meter, if one is drawn.
    pub fn close_meter(&mut self) {
        if self.drawn {
            let _ = writeln!(std::io::stderr().lock());
            self.drawn = false;
        }
    }
}

/// One line of at most 79 columns.
fn meter_line(what: &str, done: f64, channels: &[(&str, f64)]) -> String {
    let mut line = format!("{what} {:3.0} %", (100.0 * done).clamp(0.0, 100.0));
    for (name, peak) in channels {
        let level_db = 20.0 * peak.max(1e-6).log10();
        let loud = (1.0 - level_db / METER_FLOOR_DB).clamp(0.0, 1.0);
        let filled = (loud * CELLS as f64).round() as usize;
        let bar = "#".repeat(filled) + &"-".repeat(CELLS - filled);
        let ceiling = if level_db > -1.0 { " CLIP" } else { "" };
        line += &format!("  {name} {bar} {level_db:4.0} dB{ceiling}");
    }
    line.chars().take(79).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    /// DERIVED: −30 dB fills half of a meter whose floor is −60 dB.
    #[test]
    fn a_meter_fills_by_level() {
        let line = meter_line("sweep", 0.31, &[("reference", 10f64.powf(-30.0 / 20.0))]);
        assert_eq!(line, "sweep  31 %  reference #####-----  -30 dB");
        assert!(
            meter_line("sweep", 1.0, &[("microphone", 1.0)]).ends_with("##########    0 dB CLIP")
        );
    }

    #[test]
    fn a_meter_stays_within_80_columns() {
        let line = meter_line(
            "background",
            2.0,
            &[("reference", 0.0), ("microphone", 1e9)],
        );
        assert!(line.chars().count() <= 79, "{line}");
    }
}
