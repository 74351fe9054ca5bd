//! Curves as delimited text: what other equipment exports, and microphone correction files.
//!
//! The first column is the frequency; a curve is a magnitude, a level in dB, a magnitude or level with its phase,
//! or a real and an imaginary part. Level and magnitude: L = 20·lg|H|; phase in degrees, H = |H|·e^(jφ) with the
//! time factor e^(+jωt). Nothing is sorted, dropped or interpolated on reading.

mod header;
mod interpolate;
pub mod own;
mod parse;

pub use interpolate::interpolate_log_frequency;
pub use parse::{read, read_correction, read_correction_text, read_text};

use num_complex::Complex64;
use std::path::PathBuf;

/// A curve file that cannot be used.
#[derive(Debug, thiserror::Error)]
pub enum CurveError {
    /// The file cannot be read.
    #[error(transparent)]
    File(#[from] crate::files::FileError),
    /// Something in the text is wrong.
    #[error("{}:{line}: {}: found {found}; expected {expected}", .file.display(), place(.column))]
    Text {
        /// The file.
        file: PathBuf,
        /// Line, from 1.
        line: usize,
        /// Column of the table, from 1; 0 for the whole line.
        column: usize,
        /// What was found.
        found: String,
        /// What was expected.
        expected: String,
    },
    /// The columns do not make up what is asked for.
    #[error("{}: {found}; expected {expected}", .file.display())]
    Columns {
        /// The file.
        file: PathBuf,
        /// What was found.
        found: String,
        /// What was expected.
        expected: String,
    },
}

/// `line` or `column 3`.
fn place(column: &usize) -> String {
    if *column == 0 {
        "line".into()
    } else {
        format!("column {column}")
    }
}

/// What a column holds.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum ColumnKind {
    /// |H|, in Ω, Pa, Pa/V or whatever unit the file is in.
    Magnitude,
    /// 20·lg|H|, dB.
    LevelDb,
    /// Real part.
    Real,
    /// Imaginary part.
    Imaginary,
    /// Phase, degrees.
    PhaseDeg,
    /// Numbers under a header that says none of these (coherence, say); kept and never used.
    Other,
}

/// One column beside the frequency.
#[derive(Debug, Clone, PartialEq)]
pub struct Column {
    /// Header as written; made up for a file without one.
    pub header: String,
    /// Name of the curve it belongs to; empty where the header only says what kind it is.
    pub curve: String,
    /// Kind.
    pub kind: ColumnKind,
    /// Values, one per frequency.
    pub value: Vec<f64>,
}

/// A curve file: frequencies, ascending, and columns.
#[derive(Debug, Clone, PartialEq)]
pub struct CurveTable {
    /// The file.
    pub file: PathBuf,
    /// Whether the file had a header.
    pub has_header: bool,
    /// Frequencies, ascending and positive, Hz.
    pub frequency_hz: Vec<f64>,
    /// The other columns, in file order.
    pub columns: Vec<Column>,
}

/// How a curve is written.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Form<'a> {
    /// Real and imaginary part.
    Complex {
        /// Real part.
        re: &'a [f64],
        /// Imaginary part.
        im: &'a [f64],
    },
    /// Magnitude, with its phase in degrees where the file has one.
    Magnitude {
        /// |H|.
        magnitude: &'a [f64],
        /// Degrees.
        phase_deg: Option<&'a [f64]>,
    },
    /// Level, with its phase in degrees where the file has one.
    Level {
        /// dB.
        level_db: &'a [f64],
        /// Degrees.
        phase_deg: Option<&'a [f64]>,
    },
}

/// One curve of a table.
#[derive(Debug, Clone, PartialEq)]
pub struct Curve<'a> {
    /// Name; empty where the headers give none.
    pub name: &'a str,
    /// Frequencies, Hz.
    pub frequency_hz: &'a [f64],
    /// Values.
    pub form: Form<'a>,
}

impl CurveTable {
    /// The curves that the columns make up, in file order.
    ///
    /// A name with several forms (a magnitude and its level, say) is read by the one that says most: real and
    /// imaginary part, then magnitude, then level.
    #[must_use]
    pub fn curves(&self) -> Vec<Curve<'_>> {
        let mut names: Vec<&str> = Vec::new();
        for column in self.columns.iter().filter(|c| c.kind != ColumnKind::Other) {
            if !names.contains(&column.curve.as_str()) {
                names.push(&column.curve);
            }
        }
        names
            .into_iter()
            .filter_map(|name| {
                Some(Curve {
                    name,
                    frequency_hz: &self.frequency_hz,
                    form: self.form(name)?,
                })
            })
            .collect()
    }

    /// The only curve of a file.
    ///
    /// # Errors
    /// [`CurveError::Columns`] where the file holds none or several.
    pub fn only_curve(&self) -> Result<Curve<'_>, CurveError> {
        let mut curves = self.curves();
        match (curves.pop(), curves.len()) {
            (Some(curve), 0) => Ok(curve),
            (_, rest) => Err(CurveError::Columns {
                file: self.file.clone(),
                found: format!("it holds {} curves", rest + usize::from(rest > 0)),
                expected: "one: frequency_hz with magnitude, level_db, or re and im".into(),
            }),
        }
    }

    fn form(&self, name: &str) -> Option<Form<'_>> {
        let of = |kind| {
            let column = self
                .columns
                .iter()
                .find(|c| c.kind == kind && c.curve == name)?;
            Some(column.value.as_slice())
        };
        let phase_deg = of(ColumnKind::PhaseDeg);
        if let (Some(re), Some(im)) = (of(ColumnKind::Real), of(ColumnKind::Imaginary)) {
            Some(Form::Complex { re, im })
        } else if let Some(magnitude) = of(ColumnKind::Magnitude) {
            Some(Form::Magnitude {
                magnitude,
                phase_deg,
            })
        } else {
            of(ColumnKind::LevelDb).map(|level_db| Form::Level {
                level_db,
                phase_deg,
            })
        }
    }
}

impl Curve<'_> {
    /// Complex values; `None` where the file has no phase.
    #[must_use]
    pub fn complex(&self) -> Option<Vec<Complex64>> {
        let polar = |(magnitude, degrees): (f64, f64)| {
            Complex64::from_polar(magnitude, degrees.to_radians())
        };
        match self.form {
            Form::Complex { re, im } => Some(
                re.iter()
                    .zip(im)
                    .map(|(&re, &im)| Complex64::new(re, im))
                    .collect(),
            ),
            Form::Magnitude {
                magnitude,
                phase_deg,
            } => {
                let pairs = magnitude.iter().copied().zip(phase_deg?.iter().copied());
                Some(pairs.map(polar).collect())
            }
            Form::Level {
                level_db,
                phase_deg,
            } => {
                let pairs = level_db.iter().zip(phase_deg?.iter());
                Some(
                    pairs
                        .map(|(&level, &degrees)| polar((magnitude_of(level), degrees)))
                        .collect(),
                )
            }
        }
    }

    /// Magnitudes, in the file's unit (a level of 0 dB is 1).
    #[must_use]
    pub fn magnitude(&self) -> Vec<f64> {
        match self.form {
            Form::Complex { re, im } => re.iter().zip(im).map(|(re, im)| re.hypot(*im)).collect(),
            Form::Magnitude { magnitude, .. } => magnitude.to_vec(),
            Form::Level { level_db, .. } => level_db.iter().map(|&l| magnitude_of(l)).collect(),
        }
    }

    /// Levels, dB: 20·lg of the magnitude in the file's unit.
    #[must_use]
    pub fn level_db(&self) -> Vec<f64> {
        match self.form {
            Form::Level { level_db, .. } => level_db.to_vec(),
            _ => self.magnitude().iter().map(|m| 20.0 * m.log10()).collect(),
        }
    }

    /// Whether the file gives levels in dB, whose reference it does not state.
    #[must_use]
    pub fn is_level(&self) -> bool {
        matches!(self.form, Form::Level { .. })
    }

    /// Phase, degrees, where the file has one.
    #[must_use]
    pub fn phase_deg(&self) -> Option<Vec<f64>> {
        match self.form {
            Form::Complex { re, im } => Some(
                re.iter()
                    .zip(im)
                    .map(|(re, im)| im.atan2(*re).to_degrees())
                    .collect(),
            ),
            Form::Magnitude { phase_deg, .. } | Form::Level { phase_deg, .. } => {
                phase_deg.map(<[f64]>::to_vec)
            }
        }
    }
}

/// 10^(L/20).
fn magnitude_of(level_db: f64) -> f64 {
    10f64.powf(level_db / 20.0)
}
