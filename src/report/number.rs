//! Numbers as people write them: digits that follow the uncertainty, units of the workshop, a true minus sign.
//!
//! The expanded uncertainty keeps two significant digits and the value is rounded to the same place
//! (JCGM 100:2008, 7.2.6). Without an uncertainty a value keeps four significant digits.

/// Thin space between digits and unit, and around ×.
const THIN: char = '\u{202f}';
/// What stands for a number that does not exist.
pub const NONE: &str = "–";

/// A value with its interval in one unit, ready to show.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Row {
    /// Value of the design.
    pub designed: String,
    /// Fitted value.
    pub fitted: String,
    /// Lower end of the interval.
    pub low: String,
    /// Upper end of the interval.
    pub high: String,
    /// Unit with its power of ten; empty for a ratio.
    pub unit: String,
}

/// With `digits` decimals and a true minus sign; NaN is a dash.
#[must_use]
pub fn fixed(value: f64, digits: usize) -> String {
    if !value.is_finite() {
        return NONE.to_owned();
    }
    if value.abs() >= 1e15 {
        return scientific(value);
    }
    let text = format!("{value:.digits$}");
    let zero = text
        .trim_start_matches('-')
        .chars()
        .all(|c| c == '0' || c == '.');
    match text.strip_prefix('-') {
        Some(size) if zero => size.to_owned(),
        Some(size) => format!("−{size}"),
        None => text,
    }
}

/// As [`fixed`], with a sign in front of positive values too.
#[must_use]
pub fn signed(value: f64, digits: usize) -> String {
    let text = fixed(value, digits);
    let positive = value.is_finite() && value > 0.0 && text.contains(|c| ('1'..='9').contains(&c));
    if positive { format!("+{text}") } else { text }
}

/// Decibels without unit: one decimal, two below 0.1 dB of uncertainty.
#[must_use]
pub fn db(value: f64, uncertainty_db: f64) -> String {
    signed(value, if uncertainty_db < 0.095 { 2 } else { 1 })
}

/// A frequency with three significant digits at most and no unit (31.5, 100, 0.85).
#[must_use]
pub fn hz(value: f64) -> String {
    if !value.is_finite() {
        return NONE.to_owned();
    }
    let text = significant(value, 3);
    if text.contains('.') {
        text.trim_end_matches('0').trim_end_matches('.').to_owned()
    } else {
        text
    }
}

/// A midband frequency by its nominal name (IEC 61260-1 annex, from memory) where it is one within 2 %.
#[must_use]
pub fn band(center_hz: f64) -> String {
    const NOMINAL: [f64; 10] = [1.0, 1.25, 1.6, 2.0, 2.5, 3.15, 4.0, 5.0, 6.3, 8.0];
    if !(center_hz.is_finite() && center_hz > 0.0) {
        return NONE.to_owned();
    }
    let decade = 10f64.powf(center_hz.log10().floor());
    for power in [decade, decade * 10.0] {
        for name in NOMINAL {
            if (center_hz / (name * power) - 1.0).abs() < 0.02 {
                return hz(name * power);
            }
        }
    }
    hz(center_hz)
}

/// A fraction in percent without the sign of percent; digits follow the size.
#[must_use]
pub fn percent(fraction: f64) -> String {
    let value = fraction * 100.0;
    fixed(value, if value.abs() < 0.995 { 1 } else { 0 })
}

/// A probability in percent, never 0 or 100, which a finite number of examined causes cannot give.
#[must_use]
pub fn probability(value: f64) -> String {
    if !value.is_finite() {
        return NONE.to_owned();
    }
    if value > 0.99 {
        format!("over 99{THIN}%")
    } else if value < 0.01 {
        format!("under 1{THIN}%")
    } else {
        format!("{:.0}{THIN}%", value * 100.0)
    }
}

/// `digits` significant digits without an exponent inside 10⁻⁴…10⁶, with one outside.
#[must_use]
pub fn significant(value: f64, digits: usize) -> String {
    if !value.is_finite() {
        return NONE.to_owned();
    }
    if value == 0.0 {
        return "0".to_owned();
    }
    let size = value.abs().log10().floor() as i32;
    if !(-4..6).contains(&size) {
        return scientific(value);
    }
    fixed(value, (digits as i32 - 1 - size).clamp(0, 9) as usize)
}

fn scientific(value: f64) -> String {
    let power = value.abs().log10().floor() as i32;
    format!(
        "{}{THIN}×{THIN}10{}",
        fixed(value / 10f64.powi(power), 2),
        raised(power)
    )
}

fn raised(power: i32) -> String {
    power
        .to_string()
        .chars()
        .map(|c| match c {
            '-' => '⁻',
            '0' => '⁰',
            '1' => '¹',
            '2' => '²',
            '3' => '³',
            '4' => '⁴',
            '5' => '⁵',
            '6' => '⁶',
            '7' => '⁷',
            '8' => '⁸',
            _ => '⁹',
        })
        .collect()
}

/// Factor from SI to the shown unit, and its name.
pub(super) fn workshop(unit: &str, value: f64) -> (f64, String) {
    let size = value.abs();
    if let Some((factor, name)) = named(unit, size) {
        return (factor, name.to_owned());
    }
    let power = thousands(size);
    if (-3..6).contains(&power) && (1e-2..1e4).contains(&size) || power == 0 {
        (1.0, unit.to_owned())
    } else if unit.is_empty() {
        (10f64.powi(-power), format!("×{THIN}10{}", raised(power)))
    } else {
        (
            10f64.powi(-power),
            format!("10{}{THIN}{unit}", raised(power)),
        )
    }
}

/// Factor from SI to a unit with a name of its own, where a workshop has one for that size.
fn named(unit: &str, size: f64) -> Option<(f64, &'static str)> {
    match unit {
        "m" if size < 10.0 => Some((1e3, "mm")),
        "m²" if size < 1.0 => Some((1e4, "cm²")),
        "m³" if size < 10.0 => Some((1e3, "l")),
        "kg" if size < 1.0 => Some((1e3, "g")),
        "H" => Some((1e3, "mH")),
        "m/N" => Some((1e3, "mm/N")),
        _ => None,
    }
}

/// The power of a thousand below a number, as a power of ten.
fn thousands(size: f64) -> i32 {
    if size > 0.0 && size.is_finite() {
        (size.log10().floor() as i32).div_euclid(3) * 3
    } else {
        0
    }
}

/// A number and what it is known to, in the unit of the workshop: the uncertainty keeps two digits, the value as many
/// places. Outside 10⁻³…10⁶ both stand before one power of ten.
#[must_use]
pub fn with_uncertainty(unit: &str, value: f64, expanded: f64) -> String {
    let (factor, name) = named(unit, value.abs()).unwrap_or((1.0, unit));
    let (v, u) = (value * factor, expanded * factor);
    let power = if (1e-3..1e6).contains(&v.abs()) {
        0
    } else {
        thousands(v.abs())
    };
    let (v, u) = (v * 10f64.powi(-power), u * 10f64.powi(-power));
    let place = u.log10().floor() as i32 - 1;
    let pair = format!("{} ± {}", rounded(v, place), rounded(u, place));
    match power {
        0 => with_unit(&pair, name),
        _ => with_unit(&format!("({pair})·10{}", raised(power)), name),
    }
}

/// The end of a limit in the unit in which a `value` beside it is shown.
#[must_use]
pub fn end(unit: &str, value: f64, end: f64) -> String {
    let (factor, _) = named(unit, value.abs()).unwrap_or((1.0, unit));
    let shown = end * factor;
    if shown == 0.0 || !(1e-3..1e6).contains(&shown.abs()) {
        return significant(shown, 4);
    }
    rounded(shown, shown.abs().log10().floor() as i32 - 3)
}

/// Rounded to a power of ten.
fn rounded(value: f64, place: i32) -> String {
    if place <= 0 {
        return fixed(value, place.unsigned_abs().min(9) as usize);
    }
    let step = 10f64.powi(place);
    fixed((value / step).round() * step, 0)
}

/// Decimals so that the half width of an interval keeps two significant digits, as long as the value does not
/// get more than six.
fn decimals(value: f64, half_width: f64) -> usize {
    let place = |x: f64| x.abs().log10().floor() as i32;
    let wanted = if half_width > 0.0 && half_width.is_finite() {
        1 - place(half_width)
    } else if value != 0.0 && value.is_finite() {
        3 - place(value)
    } else {
        1
    };
    let most = if value != 0.0 && value.is_finite() {
        5 - place(value)
    } else {
        6
    };
    wanted.min(most).clamp(0, 9) as usize
}

/// A parameter in the unit of the workshop.
#[must_use]
pub fn row(unit: &str, designed: f64, fitted: f64, low: f64, high: f64) -> Row {
    let lead = if fitted.is_finite() { fitted } else { designed };
    let (factor, unit) = workshop(unit, lead);
    let digits = decimals(lead * factor, (high - low) / 2.0 * factor);
    let show = |value: f64| {
        let shown = value * factor;
        // An end that lies many decades away (a resistance without an upper end) needs its own power of ten.
        if shown.is_finite() && shown.abs() >= 1e5 && shown.abs() > 100.0 * (lead * factor).abs() {
            scientific(shown)
        } else {
            fixed(shown, digits)
        }
    };
    let exact = |value: f64| {
        let shown = value * factor;
        let places = decimals(shown, f64::NAN).max(digits);
        let text = show(value);
        if text.contains('×') || !shown.is_finite() {
            return text;
        }
        // The design's value is exact: it keeps its own digits where the interval would round them away.
        let own = fixed(shown, places.min(digits + 2));
        if own.contains('.') && own.len() > text.len() {
            let trimmed = own.trim_end_matches('0').trim_end_matches('.');
            if trimmed.len() > text.len() {
                trimmed.to_owned()
            } else {
                text
            }
        } else {
            text
        }
    };
    Row {
        designed: exact(designed),
        fitted: show(fitted),
        low: show(low),
        high: show(high),
        unit,
    }
}

/// Digits and unit with a thin no-break space.
#[must_use]
pub fn with_unit(digits: &str, unit: &str) -> String {
    if unit.is_empty() {
        digits.to_owned()
    } else {
        format!("{digits}{THIN}{unit}")
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn signs_and_zeros() {
        assert_eq!(signed(1.25, 1), "+1.2");
        assert_eq!(signed(-0.26, 1), "−0.3");
        assert_eq!(signed(-0.01, 1), "0.0");
        assert_eq!(signed(0.01, 1), "0.0");
        assert_eq!(signed(f64::NAN, 1), "–");
        assert_eq!(fixed(f64::INFINITY, 1), "–");
    }

    /// DERIVED: 1000·10^(−15/10) is 31.6 Hz, of nominal name 31.5; 1000·10^(−1) is 100 Hz.
    #[test]
    fn nominal_bands() {
        assert_eq!(band(1000.0 * 10f64.powf(-1.5)), "31.5");
        assert_eq!(band(1000.0 * 10f64.powf(-1.0)), "100");
        assert_eq!(band(1000.0 * 10f64.powf(-1.9)), "12.5");
        assert_eq!(band(9.95), "10");
        assert_eq!(band(0.0), "–");
    }

    /// DERIVED by the rule: two digits of the uncertainty.
    #[test]
    fn a_value_has_the_places_of_its_uncertainty() {
        for (unit, value, expanded, text) in [
            ("Pa·s/m³", 120_018.4, 3339.0, "120000 ± 3300 Pa·s/m³"),
            ("m/N", 0.000_146_9, 2.09e-6, "0.1469 ± 0.0021 mm/N"),
            ("Pa·s/m³", 2.0123e6, 56_100.0, "(2.012 ± 0.056)·10⁶ Pa·s/m³"),
            ("kg/s", 4.004, 0.15, "4.00 ± 0.15 kg/s"),
        ] {
            assert_eq!(
                with_uncertainty(unit, value, expanded),
                text.replace(" P", "\u{202f}P")
                    .replace(" m", "\u{202f}m")
                    .replace(" k", "\u{202f}k")
            );
        }
        assert_eq!(end("m/N", 0.000_15, 0.000_100_4), "0.1004");
        assert_eq!(end("Pa·s/m³", 1.2e5, 484_999.0), "485000");
    }

    /// DERIVED by the rule: half width 0.052e6 keeps two digits, so two decimals of 10⁶.
    #[test]
    fn digits_follow_the_interval() {
        let shown = row("Pa·s/m³", 2.0e6, 1.2345e6, 1.18e6, 1.29e6);
        assert_eq!(shown.fitted, "1.234");
        assert_eq!(shown.low, "1.180");
        assert_eq!(shown.unit, "10⁶\u{202f}Pa·s/m³");
        let shown = row("m", 0.62, 0.6531, 0.6500, 0.6562);
        assert_eq!(
            (shown.fitted.as_str(), shown.unit.as_str()),
            ("653.1", "mm")
        );
        assert_eq!(shown.designed, "620.0");
        let shown = row("m³", 0.055, 0.0546, 0.0541, 0.0551);
        assert_eq!((shown.fitted.as_str(), shown.unit.as_str()), ("54.60", "l"));
        let shown = row("", 1.0, 1.4, 0.9, 1.9);
        assert_eq!((shown.fitted.as_str(), shown.unit.as_str()), ("1.40", ""));
    }

    #[test]
    fn missing_and_extreme_numbers_are_shown() {
        let shown = row("m", f64::NAN, f64::NAN, f64::NAN, f64::NAN);
        assert_eq!(shown.fitted, "–");
        let shown = row("Pa·s/m³", 1.0e6, 1.0e6, 5.0e5, 1.0e15);
        assert!(shown.high.contains('×'), "{shown:?}");
        assert_eq!(row("", 0.0, 0.0, 0.0, 0.0).fitted, "0.0");
        assert_eq!(row("H", 1e-300, 1e300, -1e300, 1e300).unit, "mH");
    }

    #[test]
    fn probabilities_never_reach_certainty() {
        assert_eq!(probability(1.0), "over 99\u{202f}%");
        assert_eq!(probability(0.0), "under 1\u{202f}%");
        assert_eq!(probability(0.874), "87\u{202f}%");
    }
}
