//! One-third octaves by IEC 61260-1:2014: exact midbands 1000·G^(x/3) Hz with G = 10^0.3, edges ·G^(±1/6).

/// One one-third octave.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct ThirdOctave {
    /// Nominal midband frequency, Hz (31.5).
    pub nominal_hz: f64,
    /// Exact midband frequency, Hz (31.62…).
    pub center_hz: f64,
    /// Lower edge, Hz.
    pub low_hz: f64,
    /// Upper edge, Hz.
    pub high_hz: f64,
}

/// Nominal midbands of one decade (ISO 266).
const NOMINAL: [f64; 10] = [1.0, 1.25, 1.6, 2.0, 2.5, 3.15, 4.0, 5.0, 6.3, 8.0];

impl ThirdOctave {
    /// The band with the index `x` (0: 1 kHz).
    #[must_use]
    pub fn of_index(x: i32) -> Self {
        let step = |x: f64| 1000.0 * 10f64.powf(0.1 * x);
        Self {
            nominal_hz: NOMINAL[x.rem_euclid(10) as usize] * 10f64.powi(3 + x.div_euclid(10)),
            center_hz: step(f64::from(x)),
            low_hz: step(f64::from(x) - 0.5),
            high_hz: step(f64::from(x) + 0.5),
        }
    }
}

impl ThirdOctave {
    /// Whether it is one of a stated range of frequencies: its midband lies inside, which may be missed by 2 %, because ranges are
    /// stated by nominal numbers.
    #[must_use]
    pub fn belongs_to(&self, [from_hz, to_hz]: [f64; 2]) -> bool {
        self.center_hz >= from_hz * 0.98 && self.center_hz <= to_hz * 1.02
    }
}

/// All one-third octaves that share more than an edge with a range of frequencies, ascending.
#[must_use]
pub fn third_octaves(low_hz: f64, high_hz: f64) -> Vec<ThirdOctave> {
    if !(low_hz > 0.0 && high_hz > low_hz && high_hz.is_finite()) {
        return Vec::new();
    }
    let index = |f: f64| 10.0 * (f / 1000.0).log10();
    let (first, last) = (
        index(low_hz).floor() as i32 - 1,
        index(high_hz).ceil() as i32 + 1,
    );
    (first..=last)
        .map(ThirdOctave::of_index)
        .filter(|b| b.high_hz > low_hz * (1.0 + 1e-9) && b.low_hz < high_hz * (1.0 - 1e-9))
        .collect()
}

/// Energy mean of levels, dB.
#[must_use]
pub fn energy_mean_db(levels_db: &[f64]) -> f64 {
    let sum: f64 = levels_db.iter().map(|l| 10f64.powf(l / 10.0)).sum();
    10.0 * (sum / levels_db.len() as f64).log10()
}

#[cfg(test)]
mod tests {
    use super::*;

    /// PUBLISHED: IEC 61260-1:2014 by the table of `tests/reference/reference.json`, «third_octave_bands».
    #[test]
    fn exact_bands_follow_the_standard() {
        let text = std::fs::read_to_string("tests/reference/reference.json").unwrap();
        let all: serde_json::Value = serde_json::from_str(&text).unwrap();
        for row in all["third_octave_bands"]["values"].as_array().unwrap() {
            let x = row["x"].as_i64().unwrap() as i32;
            let band = ThirdOctave::of_index(x);
            assert!(
                (band.nominal_hz / row["nominal_hz"].as_f64().unwrap() - 1.0).abs() < 1e-12,
                "{x}"
            );
            let want: Vec<f64> = serde_json::from_value(row["low_mid_high_hz"].clone()).unwrap();
            for (have, want) in [band.low_hz, band.center_hz, band.high_hz].iter().zip(want) {
                // Rounding of powf.
                assert!((have / want - 1.0).abs() < 1e-12, "{x}");
            }
        }
    }

    /// DERIVED: 90 and 84 dB have the energy mean 87.9629 dB.
    #[test]
    fn energy_mean() {
        assert!((energy_mean_db(&[90.0, 84.0]) - 87.9629).abs() < 5e-5);
    }

    #[test]
    fn bands_touch_and_cover_the_range() {
        let bands = third_octaves(5.0, 500.0);
        assert!(bands[0].low_hz <= 5.0 && bands[bands.len() - 1].high_hz >= 500.0);
        assert!(
            bands
                .windows(2)
                .all(|w| (w[0].high_hz / w[1].low_hz - 1.0).abs() < 1e-12)
        );
        assert!(third_octaves(f64::NAN, 1.0).is_empty() && third_octaves(5.0, 5.0).is_empty());
    }
}
