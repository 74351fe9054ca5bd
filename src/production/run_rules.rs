//! Run rules: patterns of single values that a steady process seldom makes.
//!
//! ```text
//! z = (x − centre)/σ
//! Far            |z| > 3
//! TwoOfThree     two of the last three beyond 2 on one side        FourOfFive   four of five beyond 1 on one side
//! EightOneSide   eight in a row on one side                        Steps        six in a row, each higher (or lower) than the last
//! Alternating    fourteen in a row, up and down in turn
//! ```
//!
//! False alarms, exactly: the first four ask only in which of eight zones a value lies, so that a chain over (which of the last
//! four lay beyond 1, of the last two beyond 2, on either side, and how many in a row on one side) knows all; its states are
//! those that can be reached. The last two ask only which of two values is larger: a chain over (up or down, how often) and the rank of
//! the last value, in equal cells (the error falls with the square of their number).
//!
//! **Range.** Independent normal values with known centre and σ. With all four zone rules a steady process signals every 92
//! values, and every 370 with the first alone: who uses all pays with false alarms.
//!
//! References: NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.2 («WECO» rules and trend rules, from memory); Champ &
//! Woodall 1987, Technometrics 29:393 (the chain, from memory).

use super::run_length::RunLength;
use crate::special::probability::normal_cdf;
use serde::Serialize;
use std::collections::HashMap;

/// One rule.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Rule {
    /// A value beyond 3.
    Far,
    /// Two of three beyond 2 on one side.
    TwoOfThree,
    /// Four of five beyond 1 on one side.
    FourOfFive,
    /// Eight in a row on one side.
    EightOneSide,
    /// Six in a row rising or falling.
    Steps,
    /// Fourteen in a row, up and down in turn.
    Alternating,
}

impl Rule {
    /// The four that look at zones.
    pub const ZONES: [Self; 4] = [
        Self::Far,
        Self::TwoOfThree,
        Self::FourOfFive,
        Self::EightOneSide,
    ];
    /// All.
    pub const ALL: [Self; 6] = [
        Self::Far,
        Self::TwoOfThree,
        Self::FourOfFive,
        Self::EightOneSide,
        Self::Steps,
        Self::Alternating,
    ];

    /// In words.
    #[must_use]
    pub fn text(self) -> &'static str {
        match self {
            Self::Far => "beyond 3 standard deviations",
            Self::TwoOfThree => "two of three beyond 2 on one side",
            Self::FourOfFive => "four of five beyond 1 on one side",
            Self::EightOneSide => "eight in a row on one side",
            Self::Steps => "six in a row rising or falling",
            Self::Alternating => "fourteen in a row up and down",
        }
    }
}

/// A rule that a value completed.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
pub struct Signal {
    /// Place of the value, from 0.
    pub index: usize,
    /// Which rule.
    pub rule: Rule,
}

/// How many values in a row Steps and Alternating ask for.
const STEPS: usize = 6;
const ALTERNATING: usize = 14;

/// Everything that `rules` say of standardised values, in the order of the values.
#[must_use]
pub fn signals(z: &[f64], rules: &[Rule]) -> Vec<Signal> {
    let mut list = Vec::new();
    let mut memory = Memory::default();
    let mut moves = Moves::default();
    for (index, &value) in z.iter().enumerate() {
        memory = memory.after(value);
        moves.add(index.checked_sub(1).map(|i| z[i]), value);
        for &rule in rules {
            let found = match rule {
                Rule::Steps => moves.same + 1 >= STEPS,
                Rule::Alternating => moves.turns + 1 >= ALTERNATING,
                _ => memory.completes(rule, value),
            };
            if found {
                list.push(Signal { index, rule });
            }
        }
    }
    list
}

/// Moves between neighbours.
#[derive(Debug, Default)]
struct Moves {
    up: Option<bool>,
    /// Moves in a row in one direction.
    same: usize,
    /// Moves in a row in turn.
    turns: usize,
}

impl Moves {
    fn add(&mut self, before: Option<f64>, value: f64) {
        let Some(before) = before else { return };
        let up = match value.partial_cmp(&before) {
            Some(std::cmp::Ordering::Greater) => true,
            Some(std::cmp::Ordering::Less) => false,
            // A value that repeats moves neither way.
            _ => {
                *self = Self::default();
                return;
            }
        };
        let same = self.up == Some(up);
        self.same = if same { self.same + 1 } else { 1 };
        self.turns = if same || self.up.is_none() {
            1
        } else {
            self.turns + 1
        };
        self.up = Some(up);
    }
}

/// What the zone rules remember; the newest value is the lowest bit.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, Hash)]
struct Memory {
    /// Beyond 1 above, beyond 1 below: the last five.
    one: [u8; 2],
    /// Beyond 2: the last three.
    two: [u8; 2],
    /// Values in a row above (positive) or below.
    run: i8,
}

impl Memory {
    fn after(self, z: f64) -> Self {
        let side = |bits: u8, keep: u8, hit: bool| ((bits << 1) | u8::from(hit)) & keep;
        let above = z > 0.0;
        Self {
            one: [
                side(self.one[0], 31, z > 1.0),
                side(self.one[1], 31, z < -1.0),
            ],
            two: [
                side(self.two[0], 7, z > 2.0),
                side(self.two[1], 7, z < -2.0),
            ],
            run: if z == 0.0 {
                0
            } else if above {
                self.run.max(0).saturating_add(1).min(8)
            } else {
                self.run.min(0).saturating_sub(1).max(-8)
            },
        }
    }

    /// Whether the newest value z completes the pattern.
    fn completes(&self, rule: Rule, z: f64) -> bool {
        let many =
            |bits: [u8; 2], least: u32| bits.iter().any(|b| b & 1 == 1 && b.count_ones() >= least);
        match rule {
            Rule::Far => z.abs() > 3.0,
            Rule::TwoOfThree => many(self.two, 2),
            Rule::FourOfFive => many(self.one, 4),
            Rule::EightOneSide => self.run.unsigned_abs() >= 8,
            Rule::Steps | Rule::Alternating => false,
        }
    }

    /// Without what no later value can ask for.
    fn kept(self) -> Self {
        Self {
            one: self.one.map(|b| b & 15),
            two: self.two.map(|b| b & 3),
            run: self.run,
        }
    }
}

/// A value inside each zone, and the zone's lower end; the upper one is the next.
const ZONES: [(f64, f64); 8] = [
    (-3.5, f64::NEG_INFINITY),
    (-2.5, -3.0),
    (-1.5, -2.0),
    (-0.5, -1.0),
    (0.5, 0.0),
    (1.5, 1.0),
    (2.5, 2.0),
    (3.5, 3.0),
];

/// Distribution of the run length under zone rules, for values that lie `shift` σ from the centre. Rules that look at moves are
/// left out here; they have [`moves_run_length`].
#[must_use]
pub fn zones_run_length(rules: &[Rule], shift: f64) -> RunLength {
    let probability: Vec<f64> = (0..8)
        .map(|i| {
            let upper = ZONES.get(i + 1).map_or(f64::INFINITY, |z| z.1);
            normal_cdf(upper - shift) - normal_cdf(ZONES[i].1 - shift)
        })
        .collect();
    let mut number: HashMap<Memory, usize> = HashMap::from([(Memory::default(), 0)]);
    let mut states = vec![Memory::default()];
    let mut arrows: Vec<Vec<(usize, f64)>> = Vec::new();
    let mut next = 0;
    while next < states.len() {
        let mut from_here = Vec::new();
        for (zone, p) in ZONES.iter().zip(&probability) {
            let after = states[next].after(zone.0);
            if rules.iter().any(|r| after.completes(*r, zone.0)) {
                continue;
            }
            let after = after.kept();
            let known = *number.entry(after).or_insert_with(|| {
                states.push(after);
                states.len() - 1
            });
            from_here.push((known, *p));
        }
        arrows.push(from_here);
        next += 1;
    }
    let mut mass = vec![0.0; states.len()];
    mass[0] = 1.0;
    RunLength::gather(8, || {
        let mut after = vec![0.0; mass.len()];
        for (m, list) in mass.iter().zip(&arrows) {
            for &(to, p) in list {
                after[to] += m * p;
            }
        }
        mass = after;
        mass.iter().sum()
    })
}

/// Distribution of the run length of Steps or Alternating for independent values of any one continuous distribution;
/// `None` for a zone rule. `cells`: into how many equal shares the last value's rank is parted.
#[must_use]
pub fn moves_run_length(rule: Rule, cells: usize) -> Option<RunLength> {
    let moves = match rule {
        Rule::Steps => STEPS - 1,
        Rule::Alternating => ALTERNATING - 1,
        _ => return None,
    };
    let share = 1.0 / cells as f64;
    // mass[direction][moves − 1][cell]; a first value has no direction.
    let mut mass = vec![vec![vec![0.0; cells]; moves - 1]; 2];
    let mut first = vec![share; cells];
    let mut begun = false;
    Some(RunLength::gather(moves + 1, move || {
        if !begun {
            begun = true;
            return 1.0;
        }
        let mut after = vec![vec![vec![0.0; cells]; moves - 1]; 2];
        for (to, lists_after) in after.iter_mut().enumerate() {
            moved(&first, to, &mut lists_after[0]);
            for (from, lists) in mass.iter().enumerate() {
                for (done, list) in lists.iter().enumerate() {
                    let goes_on = (from == to) == (rule == Rule::Steps);
                    let place = if goes_on { done + 1 } else { 0 };
                    if let Some(into) = lists_after.get_mut(place) {
                        moved(list, to, into);
                    }
                }
            }
        }
        first = vec![0.0; cells];
        mass = after;
        mass.iter().flatten().flatten().sum()
    }))
}

/// Adds what moves up (`to` = 0) or down from each cell: every cell beyond takes an equal share, its own cell half of one.
fn moved(from: &[f64], to: usize, into: &mut [f64]) {
    let cells = from.len();
    let mut passed = 0.0;
    for n in 0..cells {
        let i = if to == 0 { n } else { cells - 1 - n };
        into[i] += (passed + 0.5 * from[i]) / cells as f64;
        passed += from[i];
    }
}
