//! What every action of `bassay station` takes: the file, the sweep, when and of what.

use crate::cli::failure::Failure;
use crate::cli::ledger::place::now;
use crate::cli::output::Output;
use crate::cli::record;
use crate::design::captures::SweepPlan;
use crate::design::station::{self, Stamp, Station};
use crate::design::station_write::{self, Section, StationWriteError};
use crate::measure::calibration::CalibrationError;
use crate::measure::correction::Correction;
use crate::production::entry::{STATION_LENGTH, is_station};
use crate::signal::sweep::Sweep;
use std::path::{Path, PathBuf};

/// When something was calibrated.
#[derive(Debug, Clone, clap::Args)]
pub struct Stamped {
    /// Name of the station, for a file that is not there yet
    #[arg(long, value_name = "CODE")]
    pub name: Option<String>,
    /// When it was recorded, as in 2026-03-01T09:00:00Z [default: now]
    #[arg(long, value_name = "TIME", value_parser = past)]
    pub taken: Option<jiff::Timestamp>,
    /// Serial number of what is calibrated
    #[arg(long, value_name = "SERIAL")]
    pub serial: Option<String>,
    /// How long it holds, days
    #[arg(long, value_name = "DAYS", default_value_t = 365.0, value_parser = days)]
    pub valid_days: f64,
}

/// A time that is not ahead: a calibration of tomorrow would never grow old.
fn past(text: &str) -> Result<jiff::Timestamp, String> {
    let wrong =
        |what: String| format!("{what}; expected a time as 2026-03-01T09:00:00Z, not ahead");
    let at: jiff::Timestamp = text.parse().map_err(|_| wrong(format!("found «{text}»")))?;
    if at > jiff::Timestamp::now() {
        return Err(wrong(format!("«{text}» is ahead of this machine's clock")));
    }
    Ok(at)
}

/// Days that the station file takes.
fn days(text: &str) -> Result<f64, String> {
    text.parse()
        .ok()
        .filter(|days| (0.01..=1e5).contains(days))
        .ok_or_else(|| format!("found «{text}»; expected 0.01 to 100000 days"))
}

impl Stamped {
    /// As the file has it; `device` is what the takes say that they were recorded from.
    #[must_use]
    pub fn stamp(&self, device: Option<&str>) -> Stamp {
        Stamp {
            taken: moment(self.taken),
            serial: self.serial.clone(),
            valid_days: self.valid_days,
            device: device.map(str::to_string),
        }
    }
}

/// A time as files have it; now if there is none.
#[must_use]
pub fn moment(taken: Option<jiff::Timestamp>) -> String {
    taken.map_or_else(now, |t| t.to_string())
}

/// The station, if its file is there.
///
/// # Errors
/// [`Failure`] for a file that is wrong.
pub fn existing(path: &Path) -> Result<Option<Station>, Failure> {
    path.exists()
        .then(|| station::read(path).map_err(Failure::input))
        .transpose()
}

/// As [`existing`], where the loop-back and its table are about to be replaced.
///
/// # Errors
/// [`Failure`] for a file that is wrong.
pub fn existing_without_table(path: &Path) -> Result<Option<Station>, Failure> {
    path.exists()
        .then(|| station::read_without_table(path).map_err(Failure::input))
        .transpose()
}

/// One station file is of one bench: takes of the virtual bench and of a real one do not meet in it.
///
/// # Errors
/// [`Failure`] that names the take and the calibration that is there.
pub fn same_bench(
    path: &Path,
    station: Option<&Station>,
    take: &Path,
    device: Option<&str>,
) -> Result<(), Failure> {
    let unreal = station::is_virtual(device);
    let stamps = station.map(Station::stamps).into_iter().flatten();
    let mut others = stamps.filter(|(_, s)| s.is_some_and(|s| s.is_virtual() != unreal));
    let Some((part, _)) = others.next() else {
        return Ok(());
    };
    let word = |unreal: bool| {
        if unreal {
            "of the virtual bench"
        } else {
            "of a real bench"
        }
    };
    Err(Failure::input(format!(
        "{}: is a take {}, and the {} in {} is {}; expected another station file for it",
        take.display(),
        word(unreal),
        part.word(),
        path.display(),
        word(!unreal)
    )))
}

/// The station, whose file must be there.
///
/// # Errors
/// [`Failure`] for a file that is missing or wrong.
pub fn station(path: &Path) -> Result<Station, Failure> {
    station::read(path).map_err(Failure::input)
}

/// The station's name: of the file, or as given for a new one.
///
/// # Errors
/// [`Failure`] where neither says one, or both and not the same.
pub fn name(path: &Path, station: Option<&Station>, stamped: &Stamped) -> Result<String, Failure> {
    match (station, &stamped.name) {
        (Some(station), Some(other)) if station.name != *other => Err(Failure::input(format!(
            "--name {other}: {} is of the station «{}»; expected that name or another file",
            path.display(),
            station.name
        ))),
        (Some(station), _) => Ok(station.name.clone()),
        (None, Some(name)) if is_station(name) => Ok(name.clone()),
        (None, Some(name)) => Err(Failure::input(format!(
            "--name «{name}»: expected 1 to {STATION_LENGTH} bytes without blanks at the ends"
        ))),
        (None, None) => Err(Failure::input(format!(
            "{}: is not there yet; expected --name CODE to make a station file",
            path.display()
        ))),
    }
}

/// Writes a table into the file.
///
/// # Errors
/// [`Failure`]; an existing file is then untouched.
pub fn save(path: &Path, name: &str, section: &Section) -> Result<Station, Failure> {
    station_write::save(path, name, section).map_err(|error| match error {
        StationWriteError::Unsound(problems) => Failure::input(problems),
        StationWriteError::File(error) => error.into(),
    })
}

/// The sweep that a take holds.
///
/// # Errors
/// [`Failure`] for one that cannot be played.
pub fn sweep(args: &record::SweepArgs) -> Result<Sweep, Failure> {
    let usual = SweepPlan::default();
    Sweep::new(SweepPlan {
        start_hz: args.start_hz,
        stop_hz: args.stop_hz,
        duration_s: args.duration_s.unwrap_or(usual.duration_s),
        ..usual
    })
    .map_err(Failure::option)
}

/// How the card's channels differ over frequency, if the station knows.
///
/// # Errors
/// [`Failure`] for a file that cannot be read.
pub fn card(station: Option<&Station>) -> Result<Option<Correction>, Failure> {
    let path: Option<&PathBuf> =
        station.and_then(|s| s.loopback.as_ref().and_then(|l| l.response.as_ref()));
    path.map(|p| Correction::read(p).map_err(Failure::input))
        .transpose()
}

/// A file as the station file can name it: below its folder as it is, elsewhere by its whole path.
#[must_use]
pub fn reachable(file: &Path, station: &Path) -> PathBuf {
    let folder = station.parent().unwrap_or(Path::new(""));
    if file.starts_with(folder) {
        return file.to_path_buf();
    }
    std::path::absolute(file).unwrap_or_else(|_| file.to_path_buf())
}

impl From<CalibrationError> for Failure {
    fn from(error: CalibrationError) -> Self {
        Self::input(error)
    }
}

/// Shows what a station file now says that is doubtful.
pub fn remind(station: &Station, out: &Output) {
    for doubt in station.doubts(jiff::Timestamp::now()) {
        out.remark(format!("note: {doubt}"));
    }
}
