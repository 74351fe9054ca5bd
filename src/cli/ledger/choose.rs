//! Which entries of the log are looked back at.

use crate::cli::book;
use crate::cli::failure::Failure;
use crate::cli::output::Output;
use crate::production::entry::Kind;
use crate::production::ledger::sqlite::Purpose;
use crate::production::ledger::{Filter, Ledger, Stored};

/// Options that choose entries.
#[derive(Debug, Clone, clap::Args)]
pub struct ChoiceArgs {
    /// The ledger: a file, or postgres://…
    #[arg(long, value_name = "PLACE")]
    pub ledger: String,
    /// Not before this day or time (2026-03-02, or RFC 3339); a day begins at midnight UTC
    #[arg(long, value_name = "TIME")]
    pub from: Option<String>,
    /// Before this day or time
    #[arg(long, value_name = "TIME")]
    pub to: Option<String>,
    /// Only of this batch
    #[arg(long, value_name = "BATCH")]
    pub batch: Option<String>,
    /// Only of this station
    #[arg(long, value_name = "CODE")]
    pub station: Option<String>,
}

/// The kinds of entries that hold values.
#[derive(Debug, Clone, Copy, PartialEq, Eq, clap::ValueEnum)]
pub enum Measured {
    /// Tests of units
    Inspection,
    /// Checks of a station
    StationCheck,
    /// Reference units
    Reference,
    /// Measurements of gauge studies
    Gauge,
}

impl Measured {
    /// As the log has it.
    #[must_use]
    pub fn kind(self) -> Kind {
        match self {
            Self::Inspection => Kind::Inspection,
            Self::StationCheck => Kind::StationCheck,
            Self::Reference => Kind::Reference,
            Self::Gauge => Kind::Gauge,
        }
    }
}

/// Entries that were chosen, oldest first, with all corrections.
#[derive(Debug)]
pub struct Chosen {
    /// Entries of the kind.
    pub entries: Vec<Stored>,
    /// Corrections of whatever time.
    pub corrections: Vec<Stored>,
    /// Whether there may be older ones that were not read.
    pub cut: bool,
    /// In words.
    pub what: String,
}

/// A time as RFC 3339.
fn time(option: &str, text: &str) -> Result<String, Failure> {
    if text.len() == 10 && text.parse::<jiff::civil::Date>().is_ok() {
        return Ok(format!("{text}T00:00:00Z"));
    }
    if text.parse::<jiff::Timestamp>().is_ok() {
        return Ok(text.to_owned());
    }
    Err(Failure::input(format!(
        "{option} «{}»: expected a day such as 2026-03-02, or a time such as 2026-03-02T07:30:00+01:00",
        text.chars().take(40).collect::<String>()
    )))
}

impl ChoiceArgs {
    /// Reads the newest `latest` entries of a kind.
    ///
    /// # Errors
    /// [`Failure`] for a time that is none, or a log that cannot be read.
    pub fn read(&self, kind: Kind, latest: usize, out: &Output) -> Result<Chosen, Failure> {
        if latest == 0 {
            return Err(Failure::input("--latest is 0; expected at least 1"));
        }
        let at = |option: &str, text: &Option<String>| {
            text.as_deref().map(|t| time(option, t)).transpose()
        };
        let filter = Filter {
            kind: Some(kind),
            batch: self.batch.clone(),
            station: self.station.clone(),
            from: at("--from", &self.from)?,
            to: at("--to", &self.to)?,
            latest: Some(latest),
            ..Filter::default()
        };
        let mut ledger: Box<dyn Ledger> = book::open(&self.ledger, Purpose::Read)?;
        let entries = ledger.select(&filter).map_err(Failure::system)?;
        let corrections = ledger
            .select(&Filter {
                kind: Some(Kind::Correction),
                ..Filter::default()
            })
            .map_err(Failure::system)?;
        let cut = entries.len() == latest;
        if cut {
            out.remark(format!(
                "the newest {latest} entries; older ones, if there are any, were not read (--latest)"
            ));
        }
        Ok(Chosen {
            what: self.words(&entries),
            entries,
            corrections,
            cut,
        })
    }

    fn words(&self, entries: &[Stored]) -> String {
        let day = |s: &Stored| s.entry.at.get(..10).unwrap_or(&s.entry.at).to_owned();
        let mut text = match (entries.first(), entries.last()) {
            (Some(first), Some(last)) => {
                format!(
                    "{} entries from {} to {}",
                    entries.len(),
                    day(first),
                    day(last)
                )
            }
            _ => "no entries".to_owned(),
        };
        for (what, value) in [("batch", &self.batch), ("station", &self.station)] {
            if let Some(value) = value {
                text.push_str(&format!(", {what} {value}"));
            }
        }
        text
    }
}
