//! The guided set: every capture that the design asks for, one after the other, judged at once.

use super::bench::Bench;
use super::desk::Desk;
use super::ramp::Ramp;
use crate::capture::growing_wav::beside;
use crate::capture::guide::{self, What};
use crate::capture::judge::{Remark, Weight, judge};
use crate::capture::level::Step;
use crate::capture::listen::{ListenPlan, listen};
use crate::capture::take::{Go, Progress, REFUSED, TakeError, TakePlan, take};
use crate::capture::wiring::Wiring;
use crate::cli::failure::Failure;
use crate::design::captures::{Capture, CaptureSet, Recorded, SweepPlan};
use crate::measure::{self, Response};
use crate::report::text;
use crate::signal::sweep::Sweep;
use std::path::{Path, PathBuf};
use std::sync::Arc;

/// Silence listened to before each capture, s: two periods of 1 Hz, and enough for a third octave at 10 Hz.
pub(super) const BACKGROUND_S: f64 = 2.0;
/// A take that must be recorded again is done so this often by itself where nobody is asked.
const UNASKED_REPEATS: usize = 2;

/// The level was chosen for the wanted SNR; so much less of it is no news, dB.
const CLOSE_DB: f64 = 3.0;

/// How one capture ended.
pub(super) enum Ended {
    /// Takes were kept.
    Kept(Kept),
    /// Left out for now.
    Skipped,
    /// The operator stops.
    Stopped,
}

/// What was kept of a capture.
pub(super) struct Kept {
    /// Files, the first and its repeats.
    pub files: Vec<PathBuf>,
    /// How it was recorded.
    pub recorded: Recorded,
    /// Remarks about the last take that mean it should have been recorded again.
    pub doubtful: bool,
}

/// One capture at the bench.
pub(super) struct Post<'a> {
    pub bench: &'a mut Bench,
    pub desk: &'a mut Desk,
    pub what: &'a What,
    pub folder: &'a Path,
    pub set: &'a CaptureSet,
    /// Takes wanted.
    pub takes: usize,
    /// `2 of 4`.
    pub place: String,
    /// Whether nobody is asked.
    pub unasked: bool,
}

impl Post<'_> {
    /// Guides the operator through the capture.
    pub fn run(&mut self) -> Result<Ended, Failure> {
        let label = self.what.label();
        self.desk.say(format!("\n== {}: {label}", self.place));
        self.desk
            .say(guide::instruction(&self.bench.design, self.what));
        if !self.unasked {
            let question = "Enter: ready   s: skip   q: stop here >";
            match self.desk.choose(question, &["", "s", "q"]).as_str() {
                "s" => return Ok(Ended::Skipped),
                "q" => return Ok(Ended::Stopped),
                _ => {}
            }
        }
        self.bench.connect(self.what)?;
        let Some(level_dbfs) = self.level()? else {
            return Ok(Ended::Stopped);
        };
        let mut files = Vec::new();
        let mut earlier: Option<Response> = None;
        let mut doubtful = false;
        let mut unasked_repeats = 0;
        while files.len() < self.takes {
            let number = files.len() + 1;
            let file = free_name(self.folder, label);
            let response = match self.one(&file, level_dbfs)? {
                One::Stopped => return Ok(Ended::Stopped),
                One::Taken(response) => *response,
                One::Refused(why) => {
                    self.desk.say(folded(&format!("AGAIN {why}")));
                    if self.gives_up(&mut unasked_repeats) {
                        return Ok(Ended::Stopped);
                    }
                    continue;
                }
            };
            let remarks = judge(
                &self.bench.design,
                &self.bench.air,
                &response,
                earlier.as_ref(),
                self.bench.wanted_snr_db - CLOSE_DB,
            )
            .map_err(Failure::input)?;
            self.tell(&response, &remarks, number);
            let again = remarks.iter().any(|r| r.weight() == Weight::Again);
            let looked = remarks.iter().any(|r| r.weight() == Weight::Look);
            match self.decide(again, looked, &mut unasked_repeats) {
                Decision::Keep => {
                    doubtful |= again;
                    files.push(file);
                    earlier = Some(response);
                }
                Decision::Again => {
                    remove(&file)?;
                }
                Decision::Stop if again => {
                    remove(&file)?;
                    return Ok(Ended::Stopped);
                }
                Decision::Stop => {
                    self.desk.say(folded(&format!(
                        "the take is kept and not used: {}",
                        file.display()
                    )));
                    return Ok(Ended::Stopped);
                }
            }
        }
        Ok(Ended::Kept(Kept {
            files,
            recorded: self.bench.recorded(self.what, level_dbfs),
            doubtful,
        }))
    }

    /// Listens to the silence, says what it hears, and finds the level; `None`: stopped.
    fn level(&mut self) -> Result<Option<f64>, Failure> {
        let silence = self
            .bench
            .listen_plan(self.what, Arc::from([]), BACKGROUND_S);
        let Some(heard) = self.hear(&silence, "silence")? else {
            return Ok(None);
        };
        let silence = self.bench.silence(&heard)?;
        for (name, list) in Wiring::names(self.what)
            .iter()
            .zip(self.bench.remarks(self.what, &silence))
        {
            for remark in list {
                self.desk.say(folded(&format!("! {name}: {remark}")));
            }
        }
        if let Some(fixed) = self.bench.fixed_level_dbfs {
            self.desk
                .say(format!("  level {fixed:.1} dBFS, as asked for"));
            return Ok(Some(fixed));
        }
        let mut ramp = Ramp::new(self.bench, self.what, silence)?;
        loop {
            match ramp.next() {
                Step::Play(level_dbfs) => {
                    let signal = samples(ramp.burst(level_dbfs))?;
                    let seconds = signal.len() as f64 / self.bench.rate_hz() + 0.5;
                    let plan = self.bench.listen_plan(self.what, signal, seconds);
                    let name = format!("at {level_dbfs:.0} dBFS");
                    let Some(heard) = self.hear(&plan, &name)? else {
                        return Ok(None);
                    };
                    ramp.heard(level_dbfs, &heard)?;
                }
                Step::Done(found) if found.reason.is_usable() => {
                    let level = found.level_dbfs;
                    self.desk
                        .say(folded(&format!("level {level:.1} dBFS: {}", found.reason)));
                    return Ok(Some(level));
                }
                Step::Done(found) => {
                    return Err(Failure::input(format!(
                        "{}: no level was found: {}",
                        self.what.label(),
                        found.reason
                    )));
                }
            }
        }
    }

    fn hear(&mut self, plan: &ListenPlan, what: &str) -> Result<Option<Vec<Vec<f32>>>, Failure> {
        let names = Wiring::names(self.what);
        let desk = &mut *self.desk;
        let heard = listen(self.bench.card.as_mut(), plan, &mut |p| {
            show(desk, what, p, &names)
        });
        self.desk.close_meter();
        let heard = heard.map_err(Failure::system)?;
        Ok(heard.complete.then_some(heard.channels))
    }

    /// Records one take and deconvolves it.
    fn one(&mut self, file: &Path, level_dbfs: f64) -> Result<One, Failure> {
        let sweep = SweepPlan {
            level_dbfs,
            ..self.bench.sweep
        };
        let plan = self.bench.take_plan(self.what, sweep, file)?;
        let names = Wiring::names(self.what);
        let desk = &mut *self.desk;
        let taken = take(self.bench.card.as_mut(), &plan, &mut |p| {
            show(desk, "sweep", p, &names)
        });
        self.desk.close_meter();
        let taken = match taken {
            Ok(taken) => taken,
            // The card still works: the next take may be sound.
            Err(
                refused @ (TakeError::Broken { .. }
                | TakeError::Reference { .. }
                | TakeError::Clocks { .. }),
            ) => return Ok(One::Refused(refused.to_string())),
            Err(other) => return Err(Failure::system(other)),
        };
        if !taken.complete {
            self.desk.say(folded(&format!(
                "stopped; what was recorded is kept and not used: {}",
                taken.file.display()
            )));
            return Ok(One::Stopped);
        }
        match response(self.bench, self.set, self.what, file, sweep) {
            Ok(response) => Ok(One::Taken(Box::new(response))),
            Err(failure) => {
                remove(file)?;
                Ok(One::Refused(failure.message))
            }
        }
    }

    /// After a take that cannot be used: whether the operator ends here.
    fn gives_up(&mut self, unasked_repeats: &mut usize) -> bool {
        if self.unasked {
            *unasked_repeats += 1;
            return *unasked_repeats > UNASKED_REPEATS;
        }
        let question = "Enter: record again   q: stop here >";
        self.desk.choose(question, &["", "q"]) == "q"
    }

    fn tell(&mut self, response: &Response, remarks: &[Remark], number: usize) {
        let t = &response.take;
        self.desk.say(format!(
            "  take {number} of {}: {:.0} dB over the noise, usable {:.1} to {:.0} Hz{}",
            self.takes,
            t.snr_db,
            t.usable_hz[0],
            t.usable_hz[1],
            response
                .drive_v
                .map_or(String::new(), |v| format!(", {v:.2} V"))
        ));
        for remark in remarks {
            let mark = match remark.weight() {
                Weight::Again => "AGAIN",
                Weight::Look => "LOOK",
                Weight::Note => "note",
            };
            self.desk.say(folded(&format!("{mark} {remark}")));
        }
        if remarks.is_empty() {
            self.desk.say("  nothing to object to");
        }
    }

    fn decide(&mut self, again: bool, look: bool, unasked_repeats: &mut usize) -> Decision {
        if self.unasked {
            if again && *unasked_repeats < UNASKED_REPEATS {
                *unasked_repeats += 1;
                return Decision::Again;
            }
            return Decision::Keep;
        }
        let (question, answers): (&str, &[&str]) = if again {
            (
                "Enter: record again   k: keep all the same   q: stop here >",
                &["", "r", "k", "q"],
            )
        } else if look {
            (
                "Look first. k: keep   r: record again   q: stop here >",
                &["k", "r", "q"],
            )
        } else {
            (
                "Enter: keep   r: record again   q: stop here >",
                &["", "k", "r", "q"],
            )
        };
        match self.desk.choose(question, answers).as_str() {
            "q" => Decision::Stop,
            "k" => Decision::Keep,
            "r" => Decision::Again,
            _ if again => Decision::Again,
            _ => Decision::Keep,
        }
    }
}

/// What became of one take.
enum One {
    Taken(Box<Response>),
    /// It cannot be used, and another one may be.
    Refused(String),
    /// The operator stopped it; the partial file stays.
    Stopped,
}

enum Decision {
    Keep,
    Again,
    Stop,
}

fn show(desk: &mut Desk, what: &str, p: &Progress, names: &[&str; 2]) -> Go {
    let channels: Vec<(&str, f64)> = names
        .iter()
        .zip(&p.levels)
        .map(|(name, level)| (*name, f64::from(level.peak)))
        .collect();
    desk.meter(what, p.recorded as f64 / p.total.max(1) as f64, &channels);
    if desk.stopped() { Go::Stop } else { Go::On }
}

/// `mouth-near.wav`, `mouth-near-2.wav`; characters that a file name should not hold become `-`.
fn file_name(label: &str, number: usize) -> String {
    let plain: String = label
        .chars()
        .map(|c| {
            if c.is_alphanumeric() || "-_.".contains(c) {
                c
            } else {
                '-'
            }
        })
        .collect();
    match number {
        1 => format!("{plain}.wav"),
        n => format!("{plain}-{n}.wav"),
    }
}

/// The first name that no file has: a take on file stays until the captures file names another.
fn free_name(folder: &Path, label: &str) -> PathBuf {
    let mut number = 1;
    loop {
        let file = folder.join(file_name(label, number));
        // What an earlier, stopped or refused take left is kept too.
        let left = ["partial", REFUSED].map(|word| beside(&file, word));
        if !file.exists() && left.iter().all(|f| !f.exists()) {
            return file;
        }
        number += 1;
    }
}

/// A take that is recorded again is not kept; the next one has its name.
fn remove(file: &Path) -> Result<(), Failure> {
    std::fs::remove_file(file)
        .map_err(|e| Failure::system(format!("{}: cannot be removed: {e}", file.display())))
}

/// Deconvolves one file as the captures file will describe it.
fn response(
    bench: &Bench,
    set: &CaptureSet,
    what: &What,
    file: &Path,
    sweep: SweepPlan,
) -> Result<Response, Failure> {
    let one = CaptureSet {
        sweep: Some(sweep),
        captures: vec![Capture {
            file: file
                .file_name()
                .map_or_else(String::new, |n| n.to_string_lossy().into_owned()),
            path: file.to_path_buf(),
            kind: bench.kind(what)?,
            calibration: Default::default(),
            drive_v: None,
            ac_coupling_hz: None,
            repeats: Vec::new(),
            take: None,
            recorded: None,
        }],
        curves: Vec::new(),
        ..set.clone()
    };
    let mut list = measure::load(&one, &mut |_| {}).map_err(Failure::input)?;
    list.pop()
        .ok_or_else(|| Failure::input(format!("{}: holds no take", file.display())))
}

/// The samples of a sweep with its silences.
pub(super) fn samples(sweep: SweepPlan) -> Result<Arc<[f32]>, Failure> {
    let sweep = Sweep::new(sweep).map_err(|e| Failure::input(format!("the sweep: {e}")))?;
    Ok(sweep.samples().iter().map(|x| *x as f32).collect())
}

/// Folded to the width of a terminal, a little indented.
pub(super) fn folded(words: &str) -> String {
    text::folded(words, 2)
}

/// The plan of a take.
pub(super) fn take_plan(
    wiring: &Wiring,
    what: &What,
    sweep: SweepPlan,
    file: &Path,
) -> Result<TakePlan, Failure> {
    Ok(TakePlan {
        sample_rate_hz: wiring.card.sample_rate_hz,
        signal: samples(sweep)?,
        output_channel: wiring.card.output_channel,
        outputs: wiring.card.outputs,
        inputs: wiring.card.inputs,
        keep: wiring.keep(what).to_vec(),
        file: file.to_path_buf(),
        reference: Some(0),
        sweep,
    })
}
