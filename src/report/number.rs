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
    let scale = Scale::of(unit, value);
    (scale.factor, scale.unit())
}

/// One unit and one notation for numbers that stand beside each other.
#[derive(Debug, Clone, PartialEq)]
pub struct Scale {
    /// From SI to what is shown.
    pub factor: f64,
    /// Power of ten that stands before the unit.
    power: i32,
    name: String,
    places: usize,
}

impl Scale {
    /// For numbers about as large as `value`, with four significant digits of it; decibels keep two decimals.
    #[must_use]
    pub fn of(unit: &str, value: f64) -> Self {
        let size = value.abs();
        let power = thousands(size);
        let plain = (-3..6).contains(&power) && (1e-2..1e4).contains(&size) || power == 0;
        let (factor, power, name) = match (named(unit, size), unit) {
            (Some((factor, name)), _) => (factor, 0, name),
            (None, "dB" | "Hz" | "°C" | "%") => (1.0, 0, unit),
            (None, _) if plain => (1.0, 0, unit),
            (None, _) => (10f64.powi(-power), power, unit),
        };
        Self {
            factor,
            power,
            name: name.to_owned(),
            places: if unit == "dB" {
                2
            } else {
                decimals(value * factor, f64::NAN)
            },
        }
    }

    /// With two significant digits of an uncertainty, and no others.
    #[must_use]
    pub fn known_to(mut self, value: f64, expanded: f64) -> Self {
        if self.name != "dB" && expanded > 0.0 && expanded.is_finite() {
            self.places = decimals(value * self.factor, expanded * self.factor);
        }
        self
    }

    /// With at least two significant digits of a difference.
    #[must_use]
    pub fn telling(self, value: f64, difference: f64) -> Self {
        let places = self.places;
        let mut other = self.known_to(value, difference);
        other.places = other.places.max(places);
        other
    }

    /// A number in this unit, without the unit; one that is far too large for it gets a power of its own.
    #[must_use]
    pub fn show(&self, value: f64) -> String {
        let shown = value * self.factor;
        if shown.is_finite() && shown.abs() >= 1e7 {
            return scientific(shown);
        }
        fixed(shown, self.places)
    }

    /// The unit with its power of ten; empty for a ratio.
    #[must_use]
    pub fn unit(&self) -> String {
        match (self.power, self.name.as_str()) {
            (0, name) => name.to_owned(),
            (power, "") => format!("×{THIN}10{}", raised(power)),
            (power, name) => format!("10{}{THIN}{name}", raised(power)),
        }
    }

    /// A number with its power of ten: «600.1·10³».
    #[must_use]
    pub fn with_power(&self, value: f64) -> String {
        format!("{}{}", self.show(value), self.power())
    }

    fn power(&self) -> String {
        match self.power {
            0 => String::new(),
            power => format!("·10{}", raised(power)),
        }
    }

    /// A number and its uncertainty with the unit: «(120.0 ± 3.3)·10³ Pa·s/m³».
    #[must_use]
    pub fn pair(&self, value: f64, expanded: f64) -> String {
        let pair = format!("{} ± {}", self.show(value), self.show(expanded));
        match self.power {
            0 => with_unit(&pair, &self.name),
            _ => with_unit(&format!("({pair}){}", self.power()), &self.name),
        }
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

    /// DERIVED by the rule: two digits of the uncertainty, one power of a thousand for value, uncertainty and limit.
    #[test]
    fn a_value_has_the_places_of_its_uncertainty() {
        for (unit, value, expanded, limit, pair, end) in [
            (
                "Pa·s/m³",
                120_018.4,
                3339.0,
                600_121.0,
                "(120.0 ± 3.3)·10³_Pa·s/m³",
                "600.1·10³",
            ),
            (
                "m/N",
                0.000_146_9,
                2.09e-6,
                0.000_100_4,
                "0.1469 ± 0.0021_mm/N",
                "0.1004",
            ),
            (
                "Pa·s/m³",
                2.0123e6,
                56_100.0,
                600_121.0,
                "(2.012 ± 0.056)·10⁶_Pa·s/m³",
                "0.600·10⁶",
            ),
            ("kg/s", 4.004, 0.15, 8.674, "4.00 ± 0.15_kg/s", "8.67"),
            ("dB", -0.6131, 0.1134, 0.5, "−0.61 ± 0.11_dB", "0.50"),
        ] {
            let scale = Scale::of(unit, value).known_to(value, expanded);
            assert_eq!(scale.pair(value, expanded), pair.replace('_', "\u{202f}"));
            assert_eq!(scale.with_power(limit), end);
        }
    }

    /// DERIVED by the rule: four digits of the value, or what shows a difference.
    #[test]
    fn a_scale_keeps_its_notation() {
        let scale = Scale::of("Pa·s/m³", 1.88e6);
        assert_eq!(
            (scale.show(1.88e6), scale.show(120_018.0)),
            ("1.880".into(), "0.120".into())
        );
        assert_eq!(scale.unit(), "10⁶\u{202f}Pa·s/m³");
        assert_eq!(scale.telling(1.88e6, 1234.0).show(1.88e6), "1.8800");
        assert_eq!(Scale::of("", 0.0).show(0.0), "0.0");
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
