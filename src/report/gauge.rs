//! A gauge study in words and as a table.

use super::number::{Scale, fixed, percent, significant};
use super::text::wrapped;
use crate::production::capability::Estimate;
use crate::production::gauge::Grade;
use crate::production::gauge_interval::GaugeStudy;

/// What a study is held against.
#[derive(Debug, Clone, PartialEq)]
pub struct Held {
    /// Name of the value.
    pub name: String,
    /// Its unit.
    pub unit: String,
    /// Lower and upper limit, if there are any.
    pub limits: Option<[f64; 2]>,
}

/// Share of the tolerance with its interval; `None` without limits.
#[must_use]
pub fn share(study: &GaugeStudy, held: &Held) -> Option<Estimate> {
    let [low, high] = held.limits?;
    let of = |variance: f64| 6.0 * variance.max(0.0).sqrt() / (high - low);
    Some(Estimate {
        value: of(study.gauge.value),
        low: of(study.gauge.low),
        high: of(study.gauge.high),
    })
}

/// The grade in words.
#[must_use]
pub fn grade(grade: Grade) -> &'static str {
    match grade {
        Grade::Good => "good",
        Grade::Perhaps => "perhaps good enough",
        Grade::Unfit => "not good enough",
    }
}

/// What follows from the share and its interval.
fn judged(share: &Estimate) -> String {
    let [low, value, high] = [share.low, share.value, share.high].map(Grade::of);
    let said = if low == high {
        grade(value).to_owned()
    } else {
        format!(
            "{}, but the interval reaches from «{}» to «{}»: more people or parts would tell",
            grade(value),
            grade(low),
            grade(high)
        )
    };
    format!(
        "Six standard deviations of the gauge are {} % of the tolerance (95 % {} to {}): {said}.",
        percent(share.value),
        percent(share.low),
        percent(share.high)
    )
}

/// The study, at most 80 columns.
#[must_use]
pub fn text(study: &GaugeStudy, held: &Held) -> String {
    let s = &study.squares;
    let mut out = String::new();
    wrapped(
        &mut out,
        &format!(
            "Gauge study of {}: {} parts, {} people, {} repeats",
            held.name, s.part_count, s.person_count, s.repeat_count
        ),
        0,
    );
    let whole = study.gauge.value + study.parts.value;
    let scale = Scale::of(&held.unit, whole.max(0.0).sqrt());
    let unit = match scale.unit().as_str() {
        "" => String::new(),
        unit => format!(", {unit}"),
    };
    out.push_str(&format!(
        "\n  {:<34}{:>10}{:>22}{:>9}\n",
        format!("standard deviation{unit}"),
        "",
        "95 % interval",
        "share"
    ));
    let rows = [
        ("repeats by one person", &study.repeatability),
        ("between people", &study.reproducibility),
        ("gauge: both together", &study.gauge),
        ("between parts", &study.parts),
    ];
    for (name, e) in rows {
        let sd = |v: f64| significant(scale.factor * v.max(0.0).sqrt(), 3);
        out.push_str(&format!(
            "  {name:<34}{:>10}{:>22}{:>7} %\n",
            sd(e.value),
            format!("{} … {}", sd(e.low), sd(e.high)),
            percent(e.value / whole)
        ));
    }
    out.push('\n');
    if let Some(share) = share(study, held) {
        wrapped(&mut out, &judged(&share), 2);
    }
    let c = &study.categories;
    wrapped(
        &mut out,
        &format!(
            "Categories of these parts that it tells apart: {} (1.41·σ of parts over σ of the gauge: {}, 95 % {} to {}); five or more are \
             wanted, as common practice.",
            study.components.categories(),
            fixed(c.value, 1),
            fixed(c.low, 1),
            fixed(c.high, 1)
        ),
        2,
    );
    let chance = s.interaction_chance();
    let what = if study.pooled {
        "It was counted among the repeats."
    } else {
        "It stands with the people; --pool counts it among the repeats, as is common practice where it shows nothing."
    };
    wrapped(
        &mut out,
        &format!(
            "Interaction of parts and people: so large a one comes by chance with a probability of {}. {what}",
            significant(chance, 2)
        ),
        2,
    );
    if s.person_count < 4 {
        wrapped(
            &mut out,
            "Few people took part: what lies between people is hardly known, however many repeats there are.",
            2,
        );
    }
    out
}
