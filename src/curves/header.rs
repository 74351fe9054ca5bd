//! What the words over the columns mean.
//!
//! A header is lowered, brackets and blanks become `_`, and its end says the kind: `level_db`, `Phase (deg)`,
//! `mouth-near magnitude`. What stands ahead of the kind is the name of the curve.

use super::ColumnKind;

/// Words for the frequency column.
const FREQUENCY: [&str; 7] = [
    "frequency_hz",
    "frequency",
    "freq_hz",
    "freq",
    "f_hz",
    "f",
    "hz",
];

/// Words for the kinds; longer ones of the same end come first.
const KINDS: &[(&str, ColumnKind)] = &[
    ("magnitude_pa_per_v", ColumnKind::Magnitude),
    ("magnitude_ohm", ColumnKind::Magnitude),
    ("magnitude_pa", ColumnKind::Magnitude),
    ("impedance_ohm", ColumnKind::Magnitude),
    ("pressure_pa", ColumnKind::Magnitude),
    ("magnitude_db", ColumnKind::LevelDb),
    ("amplitude_db", ColumnKind::LevelDb),
    ("correction_db", ColumnKind::LevelDb),
    ("response_db", ColumnKind::LevelDb),
    ("pressure_db", ColumnKind::LevelDb),
    ("level_db", ColumnKind::LevelDb),
    ("gain_db", ColumnKind::LevelDb),
    ("mag_db", ColumnKind::LevelDb),
    ("spl_db", ColumnKind::LevelDb),
    ("db_spl", ColumnKind::LevelDb),
    ("phase_degrees", ColumnKind::PhaseDeg),
    ("phase_deg", ColumnKind::PhaseDeg),
    ("angle_deg", ColumnKind::PhaseDeg),
    ("real_ohm", ColumnKind::Real),
    ("re_ohm", ColumnKind::Real),
    ("imag_ohm", ColumnKind::Imaginary),
    ("im_ohm", ColumnKind::Imaginary),
    ("re_pa_per_v", ColumnKind::Real),
    ("im_pa_per_v", ColumnKind::Imaginary),
    ("pa_per_v", ColumnKind::Magnitude),
    ("z_ohm", ColumnKind::Magnitude),
    ("magnitude", ColumnKind::Magnitude),
    ("amplitude", ColumnKind::Magnitude),
    ("impedance", ColumnKind::Magnitude),
    ("pressure", ColumnKind::Magnitude),
    ("mag", ColumnKind::Magnitude),
    ("abs", ColumnKind::Magnitude),
    ("ohm", ColumnKind::Magnitude),
    ("pa", ColumnKind::Magnitude),
    ("z", ColumnKind::Magnitude),
    ("level", ColumnKind::LevelDb),
    ("spl", ColumnKind::LevelDb),
    ("db", ColumnKind::LevelDb),
    ("degrees", ColumnKind::PhaseDeg),
    ("phase", ColumnKind::PhaseDeg),
    ("angle", ColumnKind::PhaseDeg),
    ("deg", ColumnKind::PhaseDeg),
    ("real", ColumnKind::Real),
    ("re", ColumnKind::Real),
    ("imaginary", ColumnKind::Imaginary),
    ("imag", ColumnKind::Imaginary),
    ("im", ColumnKind::Imaginary),
];

/// A header in one spelling: small letters, `_` between words.
fn plain(header: &str) -> String {
    let mut word = String::new();
    for c in header.trim().trim_matches('"').to_lowercase().chars() {
        match c {
            '°' => word.push_str("deg"),
            // Small omega, which lowering makes of the capital one and of the ohm sign.
            'ω' => word.push_str("ohm"),
            '/' => word.push_str("_per_"),
            '|' => {}
            ' ' | '(' | ')' | '[' | ']' | '_' | '.' | ':' | ',' => {
                if !word.is_empty() && !word.ends_with('_') {
                    word.push('_');
                }
            }
            c => word.push(c),
        }
    }
    while word.ends_with('_') {
        word.pop();
    }
    word
}

/// Whether a header stands over the frequencies.
pub(super) fn is_frequency(header: &str) -> bool {
    FREQUENCY.contains(&plain(header).as_str())
}

/// The curve's name and the kind of a column.
pub(super) fn classify(header: &str) -> (String, ColumnKind) {
    let word = plain(header);
    for &(end, kind) in KINDS {
        if word == end {
            return (String::new(), kind);
        }
        if let Some(name) = word.strip_suffix(end).and_then(|w| w.strip_suffix('_')) {
            // The spelling of the name as written, as far as lowering kept its length.
            let written: String = header
                .trim()
                .trim_matches('"')
                .chars()
                .take(name.chars().count())
                .collect();
            let same = written.to_lowercase() == name;
            return (if same { written } else { name.to_string() }, kind);
        }
    }
    (header.trim().to_string(), ColumnKind::Other)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn headers_of_many_spellings_are_understood() {
        for header in [
            "frequency_hz",
            "Frequency (Hz)",
            "\"Freq[Hz]\"",
            "f",
            " Hz ",
        ] {
            assert!(is_frequency(header), "{header}");
        }
        assert!(!is_frequency("fs") && !is_frequency("level"));
        for (header, name, kind) in [
            ("magnitude", "", ColumnKind::Magnitude),
            ("|Z| (Ω)", "", ColumnKind::Magnitude),
            ("SPL (dB)", "", ColumnKind::LevelDb),
            ("dB", "", ColumnKind::LevelDb),
            ("Phase [°]", "", ColumnKind::PhaseDeg),
            ("re", "", ColumnKind::Real),
            ("Im (ohm)", "", ColumnKind::Imaginary),
            ("Mouth-near level_db", "Mouth-near", ColumnKind::LevelDb),
            ("unit7_phase_deg", "unit7", ColumnKind::PhaseDeg),
            ("coherence", "coherence", ColumnKind::Other),
            ("fire", "fire", ColumnKind::Other),
        ] {
            assert_eq!(classify(header), (name.to_string(), kind), "{header}");
        }
    }
}
