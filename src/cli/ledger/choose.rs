//! Which entries of the log are looked back at.

use super::place::Place;
use super::which::Which;
use crate::cli::failure::Failure;
use crate::cli::output::Output;
use crate::production::entry::{Kind, microseconds};
use crate::production::ledger::sqlite::Purpose;
use crate::production::ledger::{Filter, Stored};
use serde::Serialize;

/// Options that choose entries.
#[derive(Debug, Clone, clap::Args)]
pub struct ChoiceArgs {
    /// Where the log is.
    #[command(flatten)]
    pub place: Place,
    /// Which entries; of inspections unless another kind is named.
    #[command(flatten)]
    pub which: Which,
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

impl ChoiceArgs {
    /// Reads the newest entries: of a kind unless another is named, `latest` unless another number is.
    ///
    /// # Errors
    /// [`Failure`] for a choice that can hold nothing, or a log that cannot be read.
    pub fn read(&self, kind: Kind, latest: usize, out: &Output) -> Result<Chosen, Failure> {
        let mut filter = self.which.filter()?;
        filter.kind = filter.kind.or(Some(kind));
        let latest = *filter.latest.insert(filter.latest.unwrap_or(latest));
        if latest == 0 {
            return Err(Failure::input("--latest is 0; expected at least 1"));
        }
        let mut store = self.place.open(Purpose::Read, out)?;
        let mut entries = store.select(&filter)?;
        // A process has its history at the bench, not at the desk where recordings are judged later.
        entries.sort_by_key(|s| microseconds(s.entry.measured()));
        let corrections = store.select(&Filter {
            kind: Some(Kind::Correction),
            ..Filter::default()
        })?;
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

    /// Reads the newest inspections.
    ///
    /// # Errors
    /// As [`Self::read`], and where another kind is named.
    pub fn inspections(&self, latest: usize, out: &Output) -> Result<Chosen, Failure> {
        match self.which.kind {
            None | Some(Kind::Inspection) => self.read(Kind::Inspection, latest, out),
            Some(other) => Err(Failure::input(format!(
                "--kind {}: expected inspection, because only tested units pass or fail",
                other.word()
            ))),
        }
    }

    fn words(&self, entries: &[Stored]) -> String {
        let day = |s: &Stored| {
            let when = s.entry.measured();
            when.get(..10).unwrap_or(when).to_owned()
        };
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
        let chosen = [
            ("unit", &self.which.unit),
            ("batch", &self.which.batch),
            ("station", &self.which.station),
        ];
        for (what, value) in chosen {
            if let Some(value) = value {
                text.push_str(&format!(", {what} {value}"));
            }
        }
        text
    }
}

/// What `--json` prints: what was looked at, and what it says.
#[derive(Serialize)]
pub struct Document<'a, T: Serialize> {
    format: &'static str,
    software: String,
    what: &'a str,
    older_unread: bool,
    #[serde(flatten)]
    said: T,
}

impl Chosen {
    /// The document of a look at these entries.
    #[must_use]
    pub fn document<T: Serialize>(&self, format: &'static str, said: T) -> Document<'_, T> {
        Document {
            format,
            software: crate::production::inspect::software(),
            what: &self.what,
            older_unread: self.cut,
            said,
        }
    }
}
