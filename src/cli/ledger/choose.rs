//! Which entries of the log are looked back at.

use super::list::LOOKED_AT;
use super::place::Place;
use super::which::Which;
use crate::cli::failure::Failure;
use crate::cli::output::Output;
use crate::production::entry::{Kind, microseconds};
use crate::production::ledger::sqlite::Purpose;
use crate::production::ledger::{Filter, Stored};
use crate::production::lookback::real_units;
use crate::report::text::labelled;
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
    /// Count virtual units (rehearsed, or recorded from the virtual bench) beside real ones
    #[arg(long)]
    pub virtual_too: bool,
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
    /// Entries of virtual units that were left out because there are real ones.
    pub left_out: usize,
    /// Why there are none, in words: a name that the log does not have.
    pub missing: Option<String>,
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
        let cut = entries.len() == latest;
        // A process has its history at the bench, not at the desk where recordings are judged later.
        entries.sort_by_key(|s| microseconds(s.entry.measured()));
        let corrections = store.select(&Filter {
            kind: Some(Kind::Correction),
            ..Filter::default()
        })?;
        let missing = if entries.is_empty() {
            let all = store.select(&Filter {
                latest: Some(LOOKED_AT),
                ..Filter::default()
            })?;
            self.which.unknown(&all)
        } else {
            None
        };
        let (entries, left_out) = real_units(entries, self.virtual_too);
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
            left_out,
            missing,
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
    virtual_counted: usize,
    virtual_left_out: usize,
    #[serde(flatten)]
    said: T,
}

impl Chosen {
    /// Entries of virtual units that count.
    fn unreal(&self) -> usize {
        let entries = self.entries.iter();
        entries.filter(|s| s.entry.is_virtual()).count()
    }

    /// What a reader must know: a name that the log does not have, or virtual units among these; in one sentence.
    #[must_use]
    pub fn note(&self) -> Option<String> {
        if self.missing.is_some() {
            return self.missing.clone();
        }
        let entries = |n: usize| if n == 1 { "entry" } else { "entries" };
        match (self.left_out, self.unreal(), self.entries.len()) {
            (0, 0, _) => None,
            (0, n, all) if n == all => Some(format!(
                "no real unit is among these: all {n} {} are of virtual units",
                entries(n)
            )),
            (0, n, all) => Some(format!(
                "of these {all} entries, {n} of virtual units, which no one built"
            )),
            (n, ..) => Some(format!(
                "left out: {n} {} of virtual units; --virtual-too counts them",
                entries(n)
            )),
        }
    }

    /// The same on standard output, as the last line.
    pub fn tell(&self, out: &Output) {
        if let Some(note) = self.note() {
            out.line(labelled("Note", &note));
        }
    }

    /// The document of a look at these entries.
    #[must_use]
    pub fn document<T: Serialize>(&self, format: &'static str, said: T) -> Document<'_, T> {
        Document {
            format,
            software: crate::production::inspect::software(),
            what: &self.what,
            older_unread: self.cut,
            virtual_counted: self.unreal(),
            virtual_left_out: self.left_out,
            said,
        }
    }
}
