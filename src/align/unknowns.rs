//! Which numbers of a design are fitted, with what prior, and which may be at fault.
//!
//! Coordinates: a positive number is fitted in its logarithm, value = centre·e^θ (tied numbers share θ); others
//! as they are, value = centre + θ. A prior is a normal distribution of θ with the tolerance as standard deviation.
//!
//! A built unit is either sound, θ ~ N(0, s²) with s the tolerance, or at fault, θ ~ N(0, S²) with S far larger.
//! Where the design states no tolerance the table `usual` gives s; S always comes from there. Its numbers are
//! workshop judgement («common practice, no published source»); only their orders of magnitude matter.

use super::possible_leaks;
use crate::design::captures::Built;
use crate::design::path::{Element, Key, Parameter, matches};
use crate::design::{Design, Spread};

/// Probability that a part which the design calls uncertain is at fault: of twenty such parts one unit in five has one
/// («common practice, no published source»).
pub(super) const USUAL_RATE: f64 = 0.01;
/// The same where the design states nothing.
pub(super) const RARE: f64 = 0.005;

/// Why a number is in the fit.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Role {
    /// Listed in `[align] free`.
    Free,
    /// Not free, but with a tolerance: an uncertain input.
    Toleranced,
    /// Neither: counts as exact unless a fault is found there.
    Exact,
}

/// One coordinate of the fit.
#[derive(Debug, Clone, PartialEq)]
pub struct Unknown {
    /// Path or pattern for people.
    pub path: String,
    /// The numbers that move together.
    pub members: Vec<Parameter>,
    /// Value of each member at θ = 0, SI.
    pub centre: Vec<f64>,
    /// Value of the first member in the design file, SI.
    pub designed: f64,
    /// SI unit ("" for a ratio).
    pub unit: &'static str,
    /// Fitted in the logarithm.
    pub log: bool,
    /// Stated standard deviation of θ (tolerance or `[built]`), if any.
    pub stated_sd: Option<f64>,
    /// Standard deviation of θ in a sound build.
    pub sound_sd: f64,
    /// Standard deviation of θ where it is at fault.
    pub fault_sd: f64,
    /// Why it is here.
    pub role: Role,
    /// Probability of a fault here before anything is measured.
    pub fault_prior: f64,
    /// A leak that the design has not: it is not there unless it is at fault.
    pub absent: bool,
    /// One of several numbers that share a coordinate: this one multiplies (or adds to) what that gives, so that each has a
    /// spread of its own about the common factor.
    pub own: bool,
}

impl Unknown {
    /// Value of a member at a coordinate, SI.
    #[must_use]
    pub fn value(&self, member: usize, theta: f64) -> f64 {
        if self.log {
            self.centre[member] * theta.exp()
        } else {
            self.centre[member] + theta
        }
    }

    /// Standard deviation that stands for a flat prior: e^±8 covers every decade that a cabinet can show.
    #[must_use]
    pub fn flat_sd(&self) -> f64 {
        if self.log { 8.0 } else { 100.0 * self.fault_sd }
    }

    /// Coordinate of the design's own value.
    #[must_use]
    pub fn designed_theta(&self) -> f64 {
        if self.log {
            (self.designed / self.centre[0]).ln()
        } else {
            self.designed - self.centre[0]
        }
    }

    /// Coordinate where nothing is fitted: the centre, or absence.
    #[must_use]
    pub fn resting_theta(&self) -> f64 {
        if self.absent {
            self.designed_theta()
        } else {
            0.0
        }
    }

    /// Writes the value into a design; an own spread acts on what the design has.
    pub fn apply(&self, design: &mut Design, theta: f64) {
        for (n, &parameter) in self.members.iter().enumerate() {
            let value = match (self.own, self.log) {
                (false, _) => self.value(n, theta),
                (true, true) => design.value(parameter) * theta.exp(),
                (true, false) => design.value(parameter) + theta,
            };
            design.set(parameter, value);
        }
    }

    /// Bounds of θ: four decades either way, or where a ratio loses its meaning.
    #[must_use]
    pub fn bounds(&self) -> [f64; 2] {
        if !self.log {
            let wide = 100.0 * self.fault_sd;
            let low = match self.members[0].key {
                Key::Quadratic | Key::AirGap => -self.centre[0],
                _ => -wide,
            };
            return [low, wide];
        }
        let wide = match self.members[0].key {
            Key::Resistance => 16.0,
            Key::Gap => 4.0,
            Key::Loss => 4.6,
            Key::Length | Key::Area | Key::AreaFrom | Key::AreaTo | Key::Volume | Key::Width => 1.6,
            _ => 3.0,
        };
        [-wide, wide]
    }
}

/// Usual spread in a sound build and size of a fault, both of θ.
fn usual(design: &Design, parameter: Parameter) -> (f64, f64) {
    let value = design.value(parameter).abs().max(1e-9);
    match (parameter.element, parameter.key) {
        (Element::Leak(_), Key::Resistance) => (0.5, 2.5),
        (Element::Leak(_), Key::Gap) => (0.2, 1.0),
        (Element::Resistor(_), Key::Resistance) => (0.10, 2.5),
        (_, Key::Volume) => (0.02, 0.3),
        (_, Key::Length) => (0.002 / value, (0.15_f64).max(0.03 / value)),
        (_, Key::Area | Key::AreaFrom | Key::AreaTo | Key::Width | Key::Sd) => (0.02, 0.25),
        (_, Key::Loss) => (0.2, 1.2),
        (_, Key::Re) => (0.03, 0.3),
        (_, Key::Bl | Key::Mmd | Key::Mms) => (0.04, 0.3),
        (_, Key::Fs | Key::Qes) => (0.07, 0.4),
        (_, Key::Cms | Key::Vas) => (0.10, 0.6),
        (_, Key::Rms | Key::Qms) => (0.15, 1.0),
        (_, Key::Le | Key::L2 | Key::R2) => (0.10, 0.6),
        (_, Key::EndCorrection) => (0.05, 0.5),
        (_, Key::Creep) => (0.03, 0.2),
        (_, Key::Bend) => (form_spread(design, parameter).unwrap_or(0.1), 0.5),
        (_, Key::SemiK) => (0.10, 0.6),
        (_, Key::SemiN) => (0.03, 0.2),
        (_, Key::CoilTemperature) => (5.0, 50.0),
        (_, Key::HoleDiameter | Key::Gap | Key::OpenFraction | Key::Thickness) => (0.05, 0.5),
        (_, Key::Discharge) => (0.1, 0.3),
        (_, Key::AirGap) => (0.003, 0.03),
        (_, Key::EndFrom | Key::EndTo | Key::Distance) => (0.003, 0.03),
        (_, Key::Fraction) => (0.05, 0.4),
        (_, Key::ArealMass) => (0.05, 0.5),
        // A cloth of 300 Pa·s/m that doubles at 1 m/s.
        (_, Key::Quadratic) => ((0.3 * value).max(30.0), (3.0 * value).max(300.0)),
        _ => (0.1, 1.0),
    }
}

/// Spread of a number that the model takes from theory and not from the design: the length of a bend, and the air that
/// moves with an opening. Formulas in use for the latter differ by a few per cent, and floors, lips and grilles by more:
/// 5 % («common practice, no published source»).
fn form_spread(design: &Design, parameter: Parameter) -> Option<f64> {
    match (parameter.element, parameter.key) {
        (Element::Opening(_), Key::EndCorrection) => Some(0.05),
        (Element::Duct(i), Key::Bend) if design.ducts[i].bend_excess.is_none() => {
            Some(design.ducts[i].bend.spread_per_height())
        }
        _ => None,
    }
}

/// Numbers that a workshop can get wrong and that are looked at even if the design calls them exact.
fn can_fail(parameter: Parameter) -> bool {
    matches!(
        (parameter.element, parameter.key),
        (Element::Chamber(_), Key::Volume)
            | (Element::Duct(_), Key::Length | Key::Area | Key::Loss)
            | (Element::Resistor(_) | Element::Leak(_), Key::Resistance)
            | (Element::Leak(_), Key::Gap)
            | (
                Element::Driver,
                Key::Re
                    | Key::Le
                    | Key::Bl
                    | Key::Mmd
                    | Key::Mms
                    | Key::Cms
                    | Key::Rms
                    | Key::Fs
                    | Key::Qms
                    | Key::Qes
                    | Key::Vas
            )
    )
}

/// The coordinates of a design: free ones first, then uncertain inputs, then what counts as exact.
///
/// What a pattern in `[align] free` ties shares one coordinate; each of them has its own spread about that where the design
/// states one. `built` values replace the design's; `[align]` without entries frees every number that has a tolerance.
#[must_use]
pub fn unknowns(design: &Design, built: &[Built]) -> Vec<Unknown> {
    let own_value = |p: Parameter| {
        let path = design.path_of(p);
        built
            .iter()
            .find(|b| b.path == path)
            .map_or_else(|| design.value(p), |b| b.value)
    };
    let stated = |p: Parameter, log: bool| -> Option<f64> {
        // What the design has not, none of its patterns means.
        if possible_leaks::is_one(design, p) {
            return None;
        }
        let path = design.path_of(p);
        let (spread, value) = match built.iter().find(|b| b.path == path) {
            Some(b) => (b.spread, b.value),
            None => (
                design
                    .tolerance
                    .iter()
                    .rev()
                    .find(|rule| matches(&rule.pattern, &path))?
                    .spread,
                design.value(p),
            ),
        };
        Some(match (spread, log) {
            (Spread::Relative(s), true) | (Spread::Absolute(s), false) => s,
            (Spread::Relative(s), false) => s * value.abs(),
            (Spread::Absolute(s), true) => s / value.abs(),
        })
    };
    let make = |path: String, members: Vec<Parameter>, role: Role| {
        let first = members[0];
        let log = !first.key.is_linear();
        let (sound, fault) = usual(design, first);
        let stated_sd = stated(first, log).filter(|s| *s > 0.0);
        let sound_sd = stated_sd.unwrap_or(sound);
        Unknown {
            path,
            centre: members.iter().map(|&p| own_value(p)).collect(),
            designed: design.value(first),
            unit: first.key.unit(first.element),
            log,
            stated_sd,
            sound_sd,
            fault_sd: fault.max(6.0 * sound_sd),
            role,
            fault_prior: if role == Role::Exact {
                RARE
            } else {
                USUAL_RATE
            },
            absent: false,
            own: false,
            members,
        }
    };
    let mut list: Vec<Unknown> = Vec::new();
    let fits = |p: &Parameter| !matches!(p.element, Element::Probe(_));
    let usable = |p: &Parameter| {
        let value = own_value(*p);
        fits(p) && value.is_finite() && (p.key.is_linear() || value > 0.0)
    };
    for pattern in &design.free {
        let (each, pattern) = match pattern.strip_prefix("each ") {
            Some(rest) => (true, rest.trim()),
            None => (false, pattern.as_str()),
        };
        let members: Vec<Parameter> = design
            .matching(pattern)
            .into_iter()
            .filter(|p| usable(p) && !possible_leaks::is_one(design, *p))
            .collect();
        if members.is_empty() {
            continue;
        }
        if each || members.len() == 1 {
            for p in members {
                if !list.iter().any(|u| u.members == [p]) {
                    list.push(make(design.path_of(p), vec![p], Role::Free));
                }
            }
        } else {
            list.push(make(pattern.to_string(), members, Role::Free));
        }
    }
    let everything_free = design.free.is_empty();
    for p in design.parameters().into_iter().filter(|p| usable(p)) {
        let taken = list.iter().any(|u| u.members.contains(&p));
        let alone = list.iter().any(|u| u.members == [p]);
        let has_spread = stated(p, !p.key.is_linear()).is_some_and(|s| s > 0.0);
        let theory = form_spread(design, p).is_some();
        let own = taken && !alone;
        if (has_spread || theory) && own {
            list.push(Unknown {
                own,
                ..make(design.path_of(p), vec![p], Role::Toleranced)
            });
        } else if (has_spread || theory) && !taken {
            let role = if everything_free && has_spread {
                Role::Free
            } else {
                Role::Toleranced
            };
            list.push(make(design.path_of(p), vec![p], role));
        } else if !alone && can_fail(p) {
            list.push(Unknown {
                own,
                ..make(design.path_of(p), vec![p], Role::Exact)
            });
        }
    }
    for u in &mut list {
        if u.members.len() == 1 && possible_leaks::is_one(design, u.members[0]) {
            *u = Unknown {
                centre: vec![possible_leaks::USUAL_PA_S_PER_M3],
                fault_prior: RARE,
                absent: true,
                ..u.clone()
            };
        }
    }
    list.sort_by_key(|u| match u.role {
        Role::Free => 0,
        Role::Toleranced => 1,
        Role::Exact => 2,
    });
    list
}
