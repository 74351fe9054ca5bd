//! Gauge study: several parts, measured by several people, several times each (crossed), by analysis of variance.
//!
//! ```text
//! mean squares  P parts, O people, I interaction, E repeats;  p, o, r their numbers
//! E: σ_e² = E     I: σ_i² = (I − E)/r     O: σ_o² = (O − I)/(p·r)     P: σ_p² = (P − I)/(o·r)   none below 0
//! gauge σ² = σ_e² + σ_i² + σ_o²       distinct categories ⌊1.41·σ_p/σ_gauge⌋
//! ```
//!
//! Six standard deviations of the gauge over the tolerance: up to 0.1 good, up to 0.3 perhaps, above not. Reference:
//! AIAG, Measurement Systems Analysis, 4th edition (from memory).

use crate::special::beta::f_tail;
use serde::Serialize;

/// Variance components of a gauge, in the square of the unit.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Gauge {
    /// Repeats by one person on one part.
    pub repeatability: f64,
    /// Between people, with their interaction with the parts.
    pub reproducibility: f64,
    /// Between parts.
    pub parts: f64,
}

/// What a gauge is good for.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Grade {
    /// At most a tenth of the tolerance.
    Good,
    /// At most three tenths.
    Perhaps,
    /// More.
    Unfit,
}

impl Gauge {
    /// Standard deviation of the gauge.
    #[must_use]
    pub fn sd(&self) -> f64 {
        (self.repeatability + self.reproducibility).sqrt()
    }

    /// Number of categories of parts that the gauge tells apart.
    #[must_use]
    pub fn categories(&self) -> f64 {
        (1.41 * self.parts.sqrt() / self.sd()).floor()
    }

    /// Six standard deviations of the gauge over the width of the tolerance.
    #[must_use]
    pub fn share(&self, tolerance: f64) -> f64 {
        6.0 * self.sd() / tolerance
    }

    /// The grade of that share.
    #[must_use]
    pub fn grade(&self, tolerance: f64) -> Grade {
        Grade::of(self.share(tolerance))
    }
}

impl Grade {
    /// The grade of a share of the tolerance.
    #[must_use]
    pub fn of(share: f64) -> Self {
        match share {
            s if s <= 0.1 => Self::Good,
            s if s <= 0.3 => Self::Perhaps,
            _ => Self::Unfit,
        }
    }
}

/// Mean squares of a complete crossed study, with what they are of.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct MeanSquares {
    /// P: parts.
    pub parts: f64,
    /// O: people.
    pub people: f64,
    /// I: interaction of parts and people.
    pub interaction: f64,
    /// E: repeats.
    pub repeats: f64,
    /// p.
    pub part_count: usize,
    /// o.
    pub person_count: usize,
    /// r.
    pub repeat_count: usize,
}

impl MeanSquares {
    /// Degrees of freedom of parts, people, interaction and repeats.
    #[must_use]
    pub fn degrees(&self) -> [f64; 4] {
        let [p, o, r] = self.counts();
        [p - 1.0, o - 1.0, (p - 1.0) * (o - 1.0), p * o * (r - 1.0)]
    }

    /// p, o and r.
    #[must_use]
    pub fn counts(&self) -> [f64; 3] {
        [self.part_count, self.person_count, self.repeat_count].map(|n| n as f64)
    }

    /// Probability of so large a ratio of interaction to repeats where there is no interaction.
    #[must_use]
    pub fn interaction_chance(&self) -> f64 {
        let [_, _, both, within] = self.degrees();
        f_tail(both, within, self.interaction / self.repeats)
    }

    /// The same study with the interaction counted among the repeats: what is common practice where the interaction shows
    /// nothing.
    #[must_use]
    pub fn pooled(&self) -> f64 {
        let [_, _, both, within] = self.degrees();
        (both * self.interaction + within * self.repeats) / (both + within)
    }

    /// Variance components. With `pool` the interaction is counted among the repeats.
    #[must_use]
    pub fn components(&self, pool: bool) -> Gauge {
        let [p, o, r] = self.counts();
        let (within, both) = if pool {
            (self.pooled(), self.pooled())
        } else {
            (self.repeats, self.interaction)
        };
        let at_least_none = |x: f64| x.max(0.0);
        Gauge {
            repeatability: within,
            reproducibility: at_least_none((both - within) / r)
                + at_least_none((self.people - both) / (p * r)),
            parts: at_least_none((self.parts - both) / (o * r)),
        }
    }
}

/// The study of `value[part][person][repeat]`; `None` unless it is complete with at least two of each.
#[must_use]
pub fn study(value: &[Vec<Vec<f64>>]) -> Option<Gauge> {
    mean_squares(value).map(|m| m.components(false))
}

/// Mean squares of `value[part][person][repeat]`; `None` unless it is complete with at least two of each.
#[must_use]
pub fn mean_squares(value: &[Vec<Vec<f64>>]) -> Option<MeanSquares> {
    let p = value.len();
    let o = value.first()?.len();
    let r = value.first()?.first()?.len();
    let whole = value
        .iter()
        .all(|people| people.len() == o && people.iter().all(|repeats| repeats.len() == r));
    if !whole || p < 2 || o < 2 || r < 2 {
        return None;
    }
    let mean = |list: &mut dyn Iterator<Item = f64>| {
        let (mut sum, mut n) = (0.0, 0.0);
        for x in list {
            sum += x;
            n += 1.0;
        }
        sum / n
    };
    let all = mean(&mut value.iter().flatten().flatten().copied());
    let part: Vec<f64> = value
        .iter()
        .map(|people| mean(&mut people.iter().flatten().copied()))
        .collect();
    let person: Vec<f64> = (0..o)
        .map(|j| mean(&mut value.iter().flat_map(|people| people[j].iter().copied())))
        .collect();
    let (mut within, mut together) = (0.0, 0.0);
    for (i, people) in value.iter().enumerate() {
        for (j, repeats) in people.iter().enumerate() {
            let cell = mean(&mut repeats.iter().copied());
            within += repeats.iter().map(|x| (x - cell) * (x - cell)).sum::<f64>();
            together += (cell - part[i] - person[j] + all).powi(2);
        }
    }
    let spread = |means: &[f64]| means.iter().map(|m| (m - all) * (m - all)).sum::<f64>();
    let (p, o, r) = (p as f64, o as f64, r as f64);
    let square_parts = o * r * spread(&part) / (p - 1.0);
    let square_people = p * r * spread(&person) / (o - 1.0);
    let square_both = r * together / ((p - 1.0) * (o - 1.0));
    let square_within = within / (p * o * (r - 1.0));
    Some(MeanSquares {
        parts: square_parts,
        people: square_people,
        interaction: square_both,
        repeats: square_within,
        part_count: value.len(),
        person_count: value[0].len(),
        repeat_count: value[0][0].len(),
    })
}
