//! What is wrong with a file, with the place: file, line, key, what was found and what was expected.

use std::fmt;
use std::path::PathBuf;

/// Most lines that [`Problems`] prints.
const LARGEST_LINES: usize = 5;
/// Longest piece of the user's own text that is quoted back, characters.
const LONGEST_QUOTE: usize = 40;

/// One thing that is wrong in a file.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Problem {
    /// The file.
    pub file: PathBuf,
    /// Line, from 1; 0 where the whole file is meant.
    pub line: usize,
    /// Column in characters, from 1; 0 where the whole file is meant.
    pub column: usize,
    /// The key with its table (`duct.d1.length_m`); empty where the whole file is meant.
    pub key: String,
    /// What was found; what was expected.
    pub text: String,
}

impl fmt::Display for Problem {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}", one_line(&self.file.display().to_string()))?;
        if self.line > 0 {
            write!(f, ":{}", self.line)?;
        }
        if self.key.is_empty() {
            write!(f, ": {}", one_line(&self.text))
        } else {
            write!(f, ": {}: {}", one_line(&self.key), one_line(&self.text))
        }
    }
}

/// Everything that is wrong in a file, in the order of its lines. Prints at most five lines.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Problems(pub Vec<Problem>);

impl Problems {
    /// One problem that concerns the whole file.
    #[must_use]
    pub fn whole_file(file: &std::path::Path, text: impl Into<String>) -> Self {
        Self(vec![Problem {
            file: file.to_path_buf(),
            line: 0,
            column: 0,
            key: String::new(),
            text: text.into(),
        }])
    }
}

impl fmt::Display for Problems {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let shown = if self.0.len() > LARGEST_LINES {
            LARGEST_LINES - 1
        } else {
            self.0.len()
        };
        for (i, problem) in self.0.iter().take(shown).enumerate() {
            if i > 0 {
                writeln!(f)?;
            }
            write!(f, "{problem}")?;
        }
        if shown < self.0.len() {
            write!(f, "\nand {} more", self.0.len() - shown)?;
        }
        Ok(())
    }
}

impl std::error::Error for Problems {}

/// Text of the user as it may be printed: control characters escaped, shortened.
pub(crate) fn quoted(text: &str) -> String {
    let mut short: String = text.chars().take(LONGEST_QUOTE).collect();
    if short.len() < text.len() {
        short.push('…');
    }
    format!("'{}'", one_line(&short))
}

/// Control characters (a line break, an escape sequence for the terminal) made visible.
pub(crate) fn one_line(text: &str) -> String {
    let mut line = String::with_capacity(text.len());
    for c in text.chars() {
        if c.is_control() {
            line.extend(c.escape_default());
        } else {
            line.push(c);
        }
    }
    line
}

/// A number as people write it: no long rows of zeros.
pub(crate) fn number(value: f64) -> String {
    let size = value.abs();
    if value != 0.0 && value.is_finite() && !(1e-3..1e6).contains(&size) {
        format!("{value:e}")
    } else {
        format!("{value}")
    }
}

/// The candidate that looks most like `word`, if any does.
///
/// Jaro–Winkler similarity, which favours a common beginning, so that a key without its unit finds the one
/// with it; 0.7 is where unrelated words of the file formats stop to pass.
pub(crate) fn nearest<'n>(
    word: &str,
    candidates: impl IntoIterator<Item = &'n str>,
) -> Option<&'n str> {
    const LEAST_ALIKE: f64 = 0.7;
    let word: String = word.chars().take(200).collect();
    let lower = word.to_lowercase();
    let mut best: Option<(f64, &str)> = None;
    for candidate in candidates {
        if candidate == word {
            continue;
        }
        let alike = strsim::jaro_winkler(&lower, &candidate.to_lowercase())
            .max(strsim::normalized_damerau_levenshtein(&lower, candidate));
        if alike >= LEAST_ALIKE && best.is_none_or(|(most, _)| alike > most) {
            best = Some((alike, candidate));
        }
    }
    best.map(|(_, candidate)| candidate)
}

/// ` (did you mean 'x'?)`, or nothing.
pub(crate) fn did_you_mean(candidate: Option<&str>) -> String {
    candidate.map_or_else(String::new, |c| {
        format!(" (did you mean '{}'?)", one_line(c))
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    fn problem(line: usize) -> Problem {
        Problem {
            file: PathBuf::from("a.toml"),
            line,
            column: 1,
            key: "k".into(),
            text: "t".into(),
        }
    }

    #[test]
    fn at_most_five_lines_and_the_last_one_counts() {
        let five = Problems((1..=5).map(problem).collect()).to_string();
        assert_eq!(five.lines().count(), 5);
        assert!(five.ends_with("a.toml:5: k: t"));
        let nine = Problems((1..=9).map(problem).collect()).to_string();
        assert_eq!(nine.lines().count(), 5);
        assert!(nine.ends_with("\nand 5 more"));
    }

    #[test]
    fn the_users_text_cannot_break_the_line_or_colour_the_terminal() {
        let mut one = problem(1);
        one.key = "a\nb\u{1b}[31m".into();
        assert_eq!(one.to_string(), "a.toml:1: a\\nb\\u{1b}[31m: t");
        assert_eq!(quoted(&"x".repeat(50)).chars().count(), 43);
    }

    #[test]
    fn a_key_without_its_unit_finds_the_one_with_it() {
        let known = ["length_m", "loss_factor", "resistance_pa_s_per_m3"];
        assert_eq!(nearest("lenght_m", known), Some("length_m"));
        assert_eq!(nearest("resistance", known), Some("resistance_pa_s_per_m3"));
        assert_eq!(nearest("qqq", known), None);
    }
}
