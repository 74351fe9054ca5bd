//! The ranges of numbers in the files, and texts such as `2 mm` in SI units.
//!
//! The ranges are far wider than any cabinet; they keep out slips of the unit and values that would overflow
//! the model.

use super::toml_reader::Range;

pub(super) const LENGTH: Range = Range::new(1e-6, 1e3, "m");
pub(super) const AREA: Range = Range::new(1e-9, 1e4, "m²");
pub(super) const VOLUME: Range = Range::new(1e-9, 1e6, "m³");
pub(super) const GAP: Range = Range::new(1e-6, 10.0, "m");
pub(super) const POSITION: Range = Range::new(-1e4, 1e4, "m");
pub(super) const DISTANCE: Range = Range::new(0.0, 1e3, "m");
pub(super) const END_CORRECTION: Range = Range::new(-10.0, 10.0, "m");
pub(super) const FACTOR: Range = Range::new(0.0, 1e4, "");
pub(super) const FRACTION: Range = Range::new(0.0, 1.0, "");
pub(super) const CREEP: Range = Range::new(0.0, 1.0, "per decade");
pub(super) const Q: Range = Range::new(1e-3, 1e4, "");
pub(super) const FREQUENCY: Range = Range::new(0.1, 1e5, "Hz");
pub(super) const RESISTANCE_OHM: Range = Range::new(1e-3, 1e6, "Ω");
pub(super) const SOURCE_OHM: Range = Range::new(0.0, 1e6, "Ω");
pub(super) const INDUCTANCE: Range = Range::new(0.0, 10.0, "H");
pub(super) const INDUCTANCE_2: Range = Range::new(1e-9, 10.0, "H");
pub(super) const SEMI_K: Range = Range::new(0.0, 1e3, "Ω·sⁿ");
pub(super) const SEMI_N: Range = Range::new(0.0, 1.0, "");
pub(super) const COIL_TEMPERATURE: Range = Range::new(-50.0, 350.0, "°C");
pub(super) const CURRENT: Range = Range::new(1e-6, 1e5, "A");
pub(super) const VELOCITY: Range = Range::new(1e-6, 340.0, "m/s");
pub(super) const OPEN_FRACTION: Range = Range::new(1e-4, 0.9, "");
pub(super) const DISCHARGE: Range = Range::new(0.3, 1.0, "");
pub(super) const AIR_GAP: Range = Range::new(0.0, 1e3, "m");
pub(super) const VOLTAGE: Range = Range::new(1e-6, 1e5, "V");
pub(super) const POWER: Range = Range::new(1e-3, 1e6, "W");
pub(super) const FORCE_FACTOR: Range = Range::new(1e-3, 1e4, "N/A");
pub(super) const MASS: Range = Range::new(1e-6, 1e3, "kg");
pub(super) const COMPLIANCE: Range = Range::new(1e-9, 1.0, "m/N");
pub(super) const MECHANICAL_RESISTANCE: Range = Range::new(0.0, 1e5, "kg/s");
pub(super) const FLOW_RESISTIVITY: Range = Range::new(1.0, 1e9, "Pa·s/m²");
pub(super) const SPECIFIC: Range = Range::new(1e-3, 1e9, "Pa·s/m");
pub(super) const ACOUSTIC: Range = Range::new(1e-3, 1e15, "Pa·s/m³");
pub(super) const AREAL_MASS: Range = Range::new(0.0, 1e3, "kg/m²");
pub(super) const QUADRATIC: Range = Range::new(0.0, 1e9, "Pa·s²/m²");
pub(super) const LEVEL: Range = Range::new(-200.0, 250.0, "dB");
pub(super) const TOLERANCE_DB: Range = Range::new(1e-3, 60.0, "dB");
pub(super) const TOLERANCE_FRACTION: Range = Range::new(1e-4, 10.0, "");
pub(super) const TEMPERATURE: Range = Range::new(-50.0, 80.0, "°C");
pub(super) const PRESSURE: Range = Range::new(30.0, 120.0, "kPa");
pub(super) const HUMIDITY: Range = Range::new(0.0, 100.0, "%");
/// A relative spread: standard deviation of the logarithm.
pub(super) const RELATIVE: Range = Range::new(1e-6, 10.0, "");

/// Units of a text, with the SI unit as [`super::path::Key::unit`] writes it and the factor to it.
///
/// `dB` has the "unit" of a gain's logarithm: ln(10)/20 per dB.
const UNITS: &[(&str, &str, f64)] = &[
    ("km", "m", 1e3),
    ("m", "m", 1.0),
    ("dm", "m", 0.1),
    ("cm", "m", 1e-2),
    ("mm", "m", 1e-3),
    ("um", "m", 1e-6),
    ("µm", "m", 1e-6),
    ("m2", "m²", 1.0),
    ("dm2", "m²", 1e-2),
    ("cm2", "m²", 1e-4),
    ("mm2", "m²", 1e-6),
    ("m3", "m³", 1.0),
    ("l", "m³", 1e-3),
    ("L", "m³", 1e-3),
    ("dm3", "m³", 1e-3),
    ("ml", "m³", 1e-6),
    ("cm3", "m³", 1e-6),
    ("mm3", "m³", 1e-9),
    ("kg", "kg", 1.0),
    ("g", "kg", 1e-3),
    ("mg", "kg", 1e-6),
    ("ohm", "Ω", 1.0),
    ("Ohm", "Ω", 1.0),
    ("mohm", "Ω", 1e-3),
    ("kohm", "Ω", 1e3),
    ("Ω", "Ω", 1.0),
    ("mΩ", "Ω", 1e-3),
    ("kΩ", "Ω", 1e3),
    ("H", "H", 1.0),
    ("mH", "H", 1e-3),
    ("uH", "H", 1e-6),
    ("µH", "H", 1e-6),
    ("Hz", "Hz", 1.0),
    ("kHz", "Hz", 1e3),
    ("N/A", "N/A", 1.0),
    ("T*m", "N/A", 1.0),
    ("Tm", "N/A", 1.0),
    ("m/N", "m/N", 1.0),
    ("mm/N", "m/N", 1e-3),
    ("um/N", "m/N", 1e-6),
    ("µm/N", "m/N", 1e-6),
    ("kg/s", "kg/s", 1.0),
    ("g/s", "kg/s", 1e-3),
    ("N*s/m", "kg/s", 1.0),
    ("Pa*s/m3", "Pa·s/m³", 1.0),
    ("kPa*s/m3", "Pa·s/m³", 1e3),
    ("MPa*s/m3", "Pa·s/m³", 1e6),
    ("Pa*s/m2", "Pa·s/m²", 1.0),
    ("kPa*s/m2", "Pa·s/m²", 1e3),
    ("kg/m2", "kg/m²", 1.0),
    ("g/m2", "kg/m²", 1e-3),
    ("Pa*s2/m2", "Pa·s²/m²", 1.0),
    ("Pa*s/m", "Pa·s/m", 1.0),
    ("°C", "°C", 1.0),
    ("K", "°C", 1.0),
    ("dB", "dB", std::f64::consts::LN_10 / 20.0),
    ("", "", 1.0),
];

/// A number with its unit.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Measured {
    /// In the SI unit (for dB: as a natural logarithm of the amplitude ratio).
    pub value: f64,
    /// SI unit as shown to people; `dB`; or nothing for a pure number.
    pub unit: &'static str,
}

/// Reads `2 mm`, `5 cm2`, `0.5 l`, `0.3 dB`, `1.5e5 Pa·s/m³`, `0.02`. The error says what was expected.
pub(super) fn measured(text: &str) -> Result<Measured, String> {
    let text = text.trim();
    let end = number_end(text);
    let (digits, unit) = text.split_at(end);
    let value: f64 = digits
        .parse()
        .map_err(|_| "a number and a unit, such as \"2 mm\"".to_string())?;
    let plain: String = unit
        .trim()
        .chars()
        .filter(|c| *c != '^' && *c != ' ')
        .map(|c| match c {
            '²' => '2',
            '³' => '3',
            '·' | '⋅' => '*',
            // Greek mu and the ohm sign look like the micro sign and the capital omega of the table.
            '\u{3bc}' => '\u{b5}',
            '\u{2126}' => '\u{3a9}',
            c => c,
        })
        .collect();
    if plain == "%" {
        return Err("a relative spread as a plain number: 0.10 for 10 %".into());
    }
    match UNITS.iter().find(|(word, _, _)| *word == plain) {
        Some((_, unit, factor)) if (value * factor).is_finite() => Ok(Measured {
            value: value * factor,
            unit,
        }),
        _ => Err("a unit such as m, mm, cm2, l, kg, g, ohm, mH, Hz, Pa·s/m³, dB".into()),
    }
}

/// Where the number at the start of a text ends. An `e` belongs to it only before an exponent.
fn number_end(text: &str) -> usize {
    let bytes = text.as_bytes();
    let mut i = 0;
    while i < bytes.len() {
        let exponent = i > 0
            && matches!(bytes[i], b'e' | b'E')
            && bytes
                .get(i + 1)
                .is_some_and(|b| b.is_ascii_digit() || matches!(b, b'+' | b'-'));
        let sign =
            matches!(bytes[i], b'+' | b'-') && (i == 0 || matches!(bytes[i - 1], b'e' | b'E'));
        if !(bytes[i].is_ascii_digit() || bytes[i] == b'.' || exponent || sign) {
            break;
        }
        i += 1;
    }
    i
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn texts_with_units_become_si() {
        // DERIVED: SI prefixes; 1 l = 1e-3 m³; 1 dB of amplitude = ln(10)/20.
        for (text, value, unit) in [
            ("2 mm", 2e-3, "m"),
            ("2mm", 2e-3, "m"),
            ("5 cm2", 5e-4, "m²"),
            ("5 cm^2", 5e-4, "m²"),
            ("5 cm²", 5e-4, "m²"),
            ("0.5 l", 5e-4, "m³"),
            ("1.5e5 Pa·s/m³", 1.5e5, "Pa·s/m³"),
            ("1e-3 Pa s/m3", f64::NAN, ""),
            ("30 µm/N", 3e-5, "m/N"),
            ("0.3 dB", 0.3 * 0.115_129_254_649_702_28, "dB"),
            ("0.02", 0.02, ""),
            ("10 g", 0.01, "kg"),
            ("-1 Hz", -1.0, "Hz"),
        ] {
            match measured(text) {
                Ok(found) => {
                    // Two roundings of the product: 4 ulp is enough.
                    assert!(
                        (found.value - value).abs() <= 4.0 * f64::EPSILON * value.abs(),
                        "{text}: {found:?}"
                    );
                    assert_eq!(found.unit, unit, "{text}");
                }
                Err(_) => assert!(value.is_nan(), "{text}"),
            }
        }
    }

    #[test]
    fn what_is_no_measured_value_is_refused() {
        for text in [
            "", "mm", "2 parsec", "10 %", "1e999 m", "e5", "--2 mm", "1.2.3 m", "nan m",
        ] {
            assert!(measured(text).is_err(), "{text}");
        }
    }
}
