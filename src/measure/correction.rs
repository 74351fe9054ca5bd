//! A microphone's own response, which is divided out.

use crate::curves::{CurveError, CurveTable, interpolate_log_frequency, read_correction};
use num_complex::Complex64;
use std::path::Path;

/// A correction ready for use.
#[derive(Debug, Clone)]
pub struct Correction {
    table: CurveTable,
}

impl Correction {
    /// Reads a correction file: frequency, dB and optionally degrees.
    ///
    /// # Errors
    /// [`CurveError`] names line and column.
    pub fn read(path: &Path) -> Result<Self, CurveError> {
        let table = read_correction(path)?;
        table.only_curve()?;
        Ok(Self { table })
    }

    /// The response at a frequency. Outside the file the nearest value holds.
    #[must_use]
    pub fn at(&self, frequency_hz: f64) -> Complex64 {
        let Ok(curve) = self.table.only_curve() else {
            return Complex64::new(1.0, 0.0);
        };
        let f = &self.table.frequency_hz;
        let (Some(&low), Some(&high)) = (f.first(), f.last()) else {
            return Complex64::new(1.0, 0.0);
        };
        let at = [frequency_hz.clamp(low, high)];
        let pick = |list: &[f64]| interpolate_log_frequency(f, list, &at)[0].unwrap_or(0.0);
        let db = pick(&curve.level_db());
        let degrees = curve.phase_deg().map_or(0.0, |p| pick(&p));
        Complex64::from_polar(10f64.powf(db / 20.0), degrees.to_radians())
    }
}
