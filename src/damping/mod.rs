//! Damping resistors: what they are in place, what they should be, and what to change.
//!
//! [`in_place`] fits every resistor, [`level`] compares two drive levels, [`ripple`] looks for the resistances with the
//! flattest response (with a [`simplex`]), [`recipe`] turns a wanted resistance into layers and open area, [`coupon`] measures a
//! sample of cloth in a [`tube`] from a [`pressure_ratio`]. [`assess`] puts them together.

pub mod coupon;
pub mod in_place;
pub mod level;
pub mod pressure_ratio;
pub mod recipe;
pub mod ripple;
pub mod simplex;
pub mod tube;

use crate::align::search::AlignError;
use crate::design::Design;
use crate::design::materials::Material;
use crate::model::ModelError;
use crate::signal::grid::log_grid;
use in_place::{Calibration, InPlace, calibrated, parameter};
use level::{Behaviour, Difference};
use recipe::Recipe;
use ripple::{Best, Goal, Optimum, Place, band_hz, levels_db};
use serde::Serialize;

/// The value of the `format` key of `damping.json`.
pub const FORMAT: &str = "bassay-damping/1";

/// Multiples of the present resistance whose response is shown.
pub const FACTORS: [f64; 5] = [0.5, 0.7, 1.0, 1.4, 2.0];

/// What the resistances should be.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Target {
    /// The design's values.
    Design,
    /// A specific resistance, Pa·s/m; of a resistor without an area an acoustic one, Pa·s/m³.
    Value(f64),
    /// Those with the least ripple.
    LeastRipple,
}

/// What is wanted.
#[derive(Debug, Clone, PartialEq)]
pub struct Wanted {
    /// Target.
    pub target: Target,
    /// Names of the resistors that may change; empty: all.
    pub resistors: Vec<String>,
    /// Where the level is taken.
    pub place: Place,
    /// Materials at hand.
    pub materials: Vec<Material>,
}

/// Why there is no calibration.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum DampingError {
    /// The fit failed.
    #[error(transparent)]
    Align(#[from] AlignError),
    /// The design cannot be simulated.
    #[error(transparent)]
    Model(#[from] ModelError),
    /// The design has no resistor with a resistance.
    #[error(
        "the design «{design}» has no [[resistor]] with a resistance: there is nothing to calibrate (a plate is given by its holes)"
    )]
    NoResistor {
        /// Name of the design.
        design: String,
    },
    /// A name is not known.
    #[error(
        "--resistor {name}: the design has no such resistor with a resistance; expected one of {known}"
    )]
    Unknown {
        /// As given.
        name: String,
        /// Names that are there.
        known: String,
    },
}

/// Whether a resistor has to change.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Verdict {
    /// The target lies within the interval, or the ripple is as good as it gets.
    Keep,
    /// It lies outside.
    Change,
    /// What is there is not known well enough.
    CannotTell,
}

/// One resistor: present, wanted, and the way from one to the other.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Resistor {
    /// What is there, at the lower level.
    pub in_place: InPlace,
    /// What is there at the higher level.
    pub at_high_level: Option<InPlace>,
    /// The difference of the levels; `None`: one level.
    pub difference: Option<Difference>,
    /// The difference in words.
    pub linearity: String,
    /// Wanted acoustic resistance, Pa·s/m³; `None`: this resistor is not to change.
    pub target_pa_s_per_m3: Option<f64>,
    /// Wanted specific resistance, Pa·s/m, where there is an area.
    pub target_pa_s_per_m: Option<f64>,
    /// Whether to change it.
    pub verdict: Option<Verdict>,
    /// What to do, in words.
    pub advice: String,
    /// Ways to the target from the materials at hand, the best first.
    pub recipes: Vec<Recipe>,
}

/// A response of the aligned model.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Curve {
    /// What it is of.
    pub label: String,
    /// Multiple of the present resistance; `None`: the recommended ones.
    pub factor: Option<f64>,
    /// Level, dB re 20 µPa.
    pub level_db: Vec<f64>,
    /// Its ripple in the band, dB.
    pub ripple_db: f64,
}

/// Responses for several resistances of some resistors.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Curves {
    /// Whose resistance is changed.
    pub resistors: Vec<String>,
    /// Frequencies, Hz.
    pub frequency_hz: Vec<f64>,
    /// One per factor, and the recommended one.
    pub lines: Vec<Curve>,
}

/// The whole answer.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Damping {
    /// [`FORMAT`].
    pub format: &'static str,
    /// Serial number.
    pub unit: String,
    /// Name of the design.
    pub design: String,
    /// The target in words.
    pub target: String,
    /// Where the level is taken, in words.
    pub place: String,
    /// Drive voltage of the levels, V RMS, as far as it is known.
    pub drive_v: Vec<f64>,
    /// Target band, Hz.
    pub band_hz: [f64; 2],
    /// One per resistor.
    pub resistors: Vec<Resistor>,
    /// The search for the least ripple.
    pub least_ripple: Option<Optimum>,
    /// Responses with all chosen resistors changed together; more than one: then each alone.
    pub curves: Vec<Curves>,
    /// Doubtful but usable.
    pub warnings: Vec<String>,
}

impl Damping {
    /// Whether a chosen resistor could not be told.
    #[must_use]
    pub fn is_unresolved(&self) -> bool {
        self.resistors
            .iter()
            .any(|r| r.verdict == Some(Verdict::CannotTell))
    }
}

/// The resistors that may change: index and name.
fn chosen<'d>(design: &'d Design, wanted: &Wanted) -> Result<Vec<(usize, &'d str)>, DampingError> {
    let all = calibrated(design);
    if all.is_empty() {
        return Err(DampingError::NoResistor {
            design: design.name.clone(),
        });
    }
    if let Some(name) = wanted
        .resistors
        .iter()
        .find(|n| !all.iter().any(|(_, a)| a == n))
    {
        return Err(DampingError::Unknown {
            name: name.clone(),
            known: all.iter().map(|a| a.1).collect::<Vec<_>>().join(", "),
        });
    }
    Ok(all
        .into_iter()
        .filter(|(_, name)| {
            wanted.resistors.is_empty() || wanted.resistors.iter().any(|w| w == name)
        })
        .collect())
}

/// Checks a question before the captures are read.
///
/// # Errors
/// [`DampingError`] for a design without resistors, or a name that is not there.
pub fn check(design: &Design, wanted: &Wanted) -> Result<(), DampingError> {
    chosen(design, wanted).map(|_| ())
}

/// Puts calibrations at one or two levels, target and materials together.
///
/// # Errors
/// [`DampingError`].
pub fn assess(
    design: &Design,
    unit: &str,
    low: &Calibration,
    high: Option<&Calibration>,
    wanted: &Wanted,
    progress: &mut dyn FnMut(&str),
) -> Result<Damping, DampingError> {
    let chosen = chosen(design, wanted)?;
    let air = &low.air;
    let indices: Vec<usize> = chosen.iter().map(|c| c.0).collect();
    let optimum = if wanted.target == Target::LeastRipple {
        progress("looking for the least ripple");
        let goal = Goal::of(&low.fit.aligned, wanted.place);
        Some(ripple::least_ripple(&low.fit, air, &goal, &indices)?)
    } else {
        None
    };
    let differences = match high {
        Some(high) => level::differences(low, high)?,
        None => vec![None; low.resistors.len()],
    };
    let mut resistors = Vec::new();
    for (present, difference) in low.resistors.iter().zip(differences) {
        let at_high = high.and_then(|h| h.resistors.iter().find(|r| r.name == present.name));
        let index = chosen.iter().find(|(_, n)| *n == present.name).map(|c| c.0);
        let best = optimum.as_ref().and_then(|o| {
            let n = index?;
            o.best.iter().find(|b| b.resistor == n)
        });
        let target = index.map(|_| match (wanted.target, best) {
            (Target::LeastRipple, Some(best)) => best.resistance_pa_s_per_m3,
            (Target::Value(v), _) => present.area_m2.map_or(v, |area| v / area),
            _ => present.designed_pa_s_per_m3,
        });
        resistors.push(resistor(
            present,
            at_high,
            difference,
            target,
            best,
            &wanted.materials,
        ));
    }
    progress("responses for other resistances");
    let mut curves = vec![responses(low, &chosen, &resistors, wanted.place)?];
    if chosen.len() > 1 {
        for one in &chosen {
            curves.push(responses(
                low,
                std::slice::from_ref(one),
                &resistors,
                wanted.place,
            )?);
        }
    }
    let mut drive_v = vec![drive(low)];
    drive_v.extend(high.map(drive));
    Ok(Damping {
        format: FORMAT,
        unit: unit.to_string(),
        design: design.name.clone(),
        target: match wanted.target {
            Target::Design => "the design's resistances".into(),
            Target::Value(v) => format!("{v} Pa·s/m (Pa·s/m³ where a resistor has no area)"),
            Target::LeastRipple => "the least ripple in the target band".into(),
        },
        place: match wanted.place {
            Place::OneMetre => "1 m in front of the openings".into(),
            Place::Probe(n) => design
                .probes
                .get(n)
                .map_or_else(String::new, |p| format!("probe {}", p.name)),
        },
        drive_v,
        band_hz: band_hz(design),
        warnings: warnings(design, low, high, &resistors)
            .into_iter()
            .chain(beside_the_band(&curves[0], band_hz(design)))
            .collect(),
        resistors,
        least_ripple: optimum,
        curves,
    })
}

fn drive(of: &Calibration) -> f64 {
    of.resistors.first().map_or(f64::NAN, |r| r.drive_v)
}

fn resistor(
    present: &InPlace,
    at_high: Option<&InPlace>,
    difference: Option<Difference>,
    target: Option<f64>,
    best: Option<&Best>,
    materials: &[Material],
) -> Resistor {
    let linearity = level::words(difference.as_ref());
    let specific = target.zip(present.area_m2).map(|(t, area)| t * area);
    let reach = &present.resistance_pa_s_per_m3;
    let verdict = target.map(|t| {
        let inside = |low: f64, high: f64| (low..=high).contains(&t);
        let good_already = best.is_some_and(|b| {
            (b.as_good_pa_s_per_m3[0]..=b.as_good_pa_s_per_m3[1]).contains(&reach.value)
        });
        match (reach.low95, reach.high95) {
            // Also where only one end is known, a target beyond it is missed.
            (low, high) if low.is_some_and(|l| t < l) || high.is_some_and(|h| t > h) => {
                if good_already {
                    Verdict::Keep
                } else {
                    Verdict::Change
                }
            }
            (Some(low), Some(high)) if present.told && inside(low, high) => Verdict::Keep,
            _ => Verdict::CannotTell,
        }
    });
    let mut recipes = Vec::new();
    let mut advice = match verdict {
        None => "not to be changed".to_string(),
        Some(Verdict::Keep) if best.is_some() => {
            "keep it: another resistance would gain less than 0.1 dB, or the target lies within what was measured".into()
        }
        Some(Verdict::Keep) => "keep it: the target lies within what was measured".into(),
        Some(Verdict::CannotTell) => match &present.confounded_with {
            Some((path, _)) => format!(
                "cannot tell: the captures do not tell it from {path}; record inside the cabinet near it, or measure a coupon of its cloth"
            ),
            None => "cannot tell: the captures say too little about it; record inside the cabinet near it, or measure a coupon of its cloth".into(),
        },
        Some(Verdict::Change) if present.told => {
            recipe::plain_words(target.unwrap_or(f64::NAN), reach.value, present.area_m2.is_some())
        }
        Some(Verdict::Change) => {
            "what is there is missing, blocked or unknown: open the cabinet and put in what the target asks for".into()
        }
    };
    if let Some(best) = best.filter(|b| b.at_bound) {
        let less = best.resistance_pa_s_per_m3 < present.designed_pa_s_per_m3;
        advice.push_str(&format!(
            "; the ripple falls on and on, down to a thirtieth or up to thirty times the design's: for the least ripple it would be {}",
            if less { "left without cloth" } else { "closed" }
        ));
    }
    // Without materials the advice says it all.
    if verdict == Some(Verdict::Change)
        && !materials.is_empty()
        && let Some(wanted) = specific
    {
        let there = present
            .specific_pa_s_per_m
            .filter(|_| present.told)
            .map(|s| (s.value, s.value * s.log_sd()));
        recipes = recipe::recipes(wanted, there, materials);
        let off = |value: f64, sd: f64| (value - wanted).hypot(sd);
        let nearest = recipes
            .iter()
            .map(|r| off(r.specific_pa_s_per_m, r.sd_pa_s_per_m))
            .fold(f64::INFINITY, f64::min);
        if let Some((value, sd)) = there
            && nearest.is_finite()
            && nearest >= off(value, sd)
        {
            advice.push_str(
                "; no recipe from the materials at hand is surer to lie nearer than what is there",
            );
        }
    }
    Resistor {
        in_place: present.clone(),
        at_high_level: at_high.cloned(),
        difference,
        linearity,
        target_pa_s_per_m3: target,
        target_pa_s_per_m: specific,
        verdict,
        advice,
        recipes,
    }
}

/// Responses of the aligned model with some resistors changed together.
fn responses(
    low: &Calibration,
    changed: &[(usize, &str)],
    resistors: &[Resistor],
    place: Place,
) -> Result<Curves, ModelError> {
    let aligned = &low.fit.aligned;
    let [from, to] = band_hz(aligned);
    let frequency_hz = log_grid((from / 1.6).max(1.0), to * 1.6, 48);
    let goal = Goal::of(aligned, place);
    let curve =
        |label: String, factor: Option<f64>, design: &Design| -> Result<Curve, ModelError> {
            let level_db = levels_db(design, &low.air, &frequency_hz, place)?;
            Ok(Curve {
                label,
                factor,
                level_db,
                ripple_db: goal.ripple_db(design, &low.air)?,
            })
        };
    let mut lines = Vec::new();
    for factor in FACTORS {
        let mut design = aligned.clone();
        for &(i, _) in changed {
            design.set(parameter(i), factor * aligned.value(parameter(i)));
        }
        lines.push(curve(format!("{factor} times"), Some(factor), &design)?);
    }
    let mut design = aligned.clone();
    for &(i, name) in changed {
        let target = resistors
            .iter()
            .find(|r| r.in_place.name == name)
            .and_then(|r| r.target_pa_s_per_m3);
        if let Some(target) = target {
            design.set(parameter(i), target);
        }
    }
    lines.push(curve("target".into(), None, &design)?);
    Ok(Curves {
        resistors: changed.iter().map(|c| c.1.to_string()).collect(),
        frequency_hz,
        lines,
    })
}

/// A target that the band likes and its neighbourhood does not: the largest fall of the level there.
fn beside_the_band(curves: &Curves, band_hz: [f64; 2]) -> Option<String> {
    let present = curves.lines.iter().find(|l| l.factor == Some(1.0))?;
    let target = curves.lines.iter().find(|l| l.factor.is_none())?;
    let (f, change) = curves
        .frequency_hz
        .iter()
        .zip(present.level_db.iter().zip(&target.level_db))
        .filter(|(f, _)| !(band_hz[0]..=band_hz[1]).contains(*f))
        .map(|(f, (a, b))| (*f, b - a))
        .min_by(|a, b| a.1.total_cmp(&b.1))?;
    // 3 dB: what is plainly seen in the picture.
    (change < -3.0).then(|| {
        format!(
            "outside the target band the target takes {:.0} dB from the level at {f:.0} Hz: look at the picture",
            -change
        )
    })
}

fn warnings(
    design: &Design,
    low: &Calibration,
    high: Option<&Calibration>,
    resistors: &[Resistor],
) -> Vec<String> {
    let mut list = Vec::new();
    let plates: Vec<&str> = design
        .resistors
        .iter()
        .filter(|r| !calibrated(design).iter().any(|(_, n)| *n == r.name))
        .map(|r| r.name.as_str())
        .collect();
    if !plates.is_empty() {
        list.push(format!(
            "{}: a plate is given by its holes and has no resistance to calibrate; verify fits its dimensions",
            plates.join(", ")
        ));
    }
    let rising: Vec<&str> = resistors
        .iter()
        .filter(|r| {
            r.difference
                .as_ref()
                .is_some_and(|d| d.behaviour == Behaviour::Rises)
        })
        .map(|r| r.in_place.name.as_str())
        .collect();
    for (fit, which) in [
        (Some(&low.fit), ""),
        (high.map(|h| &h.fit), " at the high level"),
    ] {
        let Some(fit) = fit else { continue };
        if !fit.settled.converged {
            list.push(format!(
                "the fit{which} did not end at a minimum: take the values as indications"
            ));
        }
        let faults: Vec<&str> = fit
            .faults
            .iter()
            .map(|f| fit.unknowns[f.unknown].path.as_str())
            .filter(|path| !path.starts_with("resistor."))
            .collect();
        if faults.is_empty() {
            continue;
        }
        // A rise that the design does not know looks like a fault where it is large.
        list.push(if which.is_empty() || rising.is_empty() {
            format!(
                "{}{which}: outside a sound build; put that right first, then measure again",
                faults.join(", ")
            )
        } else {
            format!(
                "the fit{which} explains the rise of {} by {}; write quadratic_pa_s2_per_m2 into the design and calibrate again",
                rising.join(", "),
                faults.join(", ")
            )
        });
    }
    if let Some(high) = high
        && drive(high) < 1.26 * drive(low)
    {
        list.push(
            "the two sets do not differ by 2 dB of known drive: state reference_v_per_unit or drive_v in both, and play one louder".into(),
        );
    }
    if resistors
        .iter()
        .any(|r| r.difference.as_ref().is_some_and(|d| !d.paired))
    {
        list.push(
            "the levels have no capture of the same place in common: the differences come from two separate fits and are wider than they need be".into(),
        );
    }
    list
}
