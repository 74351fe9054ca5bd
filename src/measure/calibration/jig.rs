//! The jig's reference resistor and lead resistance from takes of known resistors.
//!
//! ```text
//! t_k = h_k/(1 − h_k)       h_k: load over source, over the ratio of gains
//! R_k = R_ref·t_k − R_lead  a straight line, solved by weighted least squares
//! σ_k² = u(R_k)² + contact² + (R_ref·u(h_k)/(1 − h_k)²)²
//! ```
//!
//! The error of the ratio of gains is common to all takes and is carried through by solving again with another ratio. With
//! more takes than unknowns, Σ(residual/σ)² follows χ²; a set whose value has a chance below [`LEAST_CHANCE`] is refused.
//! The member that disagrees is the one without which the others agree; with one take more than unknowns every member fits
//! the others, and which it is can be told only where the lead resistance would come out impossible.
//!
//! **Range.** Resistors between a hundredth of and a hundred times the reference; 0 Ω (a short) is a member like any other.

use super::CalibrationError;
use super::pair::{Mean, Pair};
use crate::design::station::Jig;
use crate::special::probability::gamma_tail;

/// Least chance at which a set is believed.
pub const LEAST_CHANCE: f64 = 0.01;
/// Chance at which the others count as agreeing once one is left out.
const AGREES: f64 = 0.05;
/// Standard deviation of a clamped connection, Ω (common practice, no published source).
pub const CONTACT_OHM: f64 = 0.002;
/// Lead resistances that a bench can have, Ω.
const POSSIBLE_LEAD_OHM: [f64; 2] = [-0.02, 2.0];
/// A resistor's reactance over the loop's resistance stays below this.
const REACTIVE: f64 = 0.05;

/// An uncertainty may be this much larger than that of the calibration before it without being worse: so much differs from
/// one set of the same resistors to the next (judgement).
const AS_CLOSE: f64 = 1.1;

/// A take of a known resistor.
#[derive(Debug, Clone)]
pub struct Member {
    /// Name, for messages.
    pub file: String,
    /// Known resistance, Ω.
    pub resistor_ohm: f64,
    /// Its standard deviation, Ω.
    pub resistor_sd_ohm: f64,
    /// Load over source, not yet over the ratio of gains.
    pub ratio: Mean,
}

/// What a set of takes says of the jig.
#[derive(Debug, Clone, PartialEq)]
pub struct Solved {
    /// Reference resistor, Ω.
    pub reference_ohm: f64,
    /// Its standard deviation, Ω.
    pub reference_sd_ohm: f64,
    /// Lead resistance, Ω.
    pub lead_ohm: f64,
    /// Its standard deviation, Ω.
    pub lead_sd_ohm: f64,
    /// Known less fitted resistance of each member, Ω.
    pub residual_ohm: Vec<f64>,
    /// Σ(residual/σ)².
    pub chi_squared: f64,
    /// Takes more than unknowns.
    pub freedom: usize,
}

/// The mean ratio of a take that should be of a resistor.
///
/// # Errors
/// [`CalibrationError::Unfit`] where load and source are exchanged or the load is no resistor.
pub fn member(
    pair: &Pair,
    resistor_ohm: f64,
    resistor_sd_ohm: f64,
    gain: f64,
) -> Result<Member, CalibrationError> {
    let unfit = |why: String| CalibrationError::Unfit {
        file: pair.file.clone(),
        why,
    };
    let part = |of: fn(&num_complex::Complex64) -> f64| {
        let list: Vec<f64> = pair.ratio.iter().map(of).collect();
        pair.mean(&list, &pair.noise_rms, pair.range_hz())
    };
    let (Some(re), Some(im)) = (part(|r| r.re), part(|r| r.im)) else {
        return Err(unfit("holds no usable frequency; record again".to_string()));
    };
    if re.value / gain >= 0.999 {
        return Err(unfit(format!(
            "the load carries {:.3} of the source's voltage; expected less than all of it: is a resistor connected, and are source and load exchanged?",
            re.value / gain
        )));
    }
    if re.value < -0.01 * gain {
        return Err(unfit(
            "the load is inverted against the source; swap the leads of one input".to_string(),
        ));
    }
    // |Im h|·(R + X_ref) is the reactance over the loop's resistance.
    let bent = im.value.abs().max(im.scatter).max(re.scatter) / gain / (1.0 - re.value / gain);
    if bent > REACTIVE {
        return Err(unfit(format!(
            "the load changes with frequency or turns the phase (by {:.0} % of the loop); expected a plain resistor, firmly clamped",
            100.0 * bent
        )));
    }
    Ok(Member {
        file: pair.file.clone(),
        resistor_ohm,
        resistor_sd_ohm,
        ratio: re,
    })
}

/// What is known of the leads where too few takes tell them.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Leads {
    /// Lead resistance, Ω.
    pub ohm: f64,
    /// Its standard deviation, Ω.
    pub sd_ohm: f64,
}

/// Solves a set: with one member for the reference (the leads as given), with more for both.
///
/// # Errors
/// [`CalibrationError`] for a set that is empty, cannot tell, or contradicts itself.
pub fn solve(
    members: &[Member],
    gain: f64,
    gain_sd: f64,
    leads: Leads,
) -> Result<Solved, CalibrationError> {
    let mut solved = line(members, gain, leads)?;
    let step = gain_sd.max(1e-7 * gain);
    let moved = line(members, gain + step, leads)?;
    let by_gain = |a: f64, b: f64| (a - b) / step * gain_sd;
    solved.reference_sd_ohm = solved
        .reference_sd_ohm
        .hypot(by_gain(moved.reference_ohm, solved.reference_ohm));
    solved.lead_sd_ohm = solved
        .lead_sd_ohm
        .hypot(by_gain(moved.lead_ohm, solved.lead_ohm));
    let chance = chance(&solved);
    if chance < LEAST_CHANCE {
        return Err(CalibrationError::Contradiction {
            chi_squared: solved.chi_squared,
            freedom: solved.freedom,
            chance,
            who: disagreeing(members, gain, leads),
        });
    }
    if !(POSSIBLE_LEAD_OHM[0] - 3.0 * solved.lead_sd_ohm
        ..=POSSIBLE_LEAD_OHM[1] + 3.0 * solved.lead_sd_ohm)
        .contains(&solved.lead_ohm)
    {
        return Err(CalibrationError::Set(format!(
            "the leads would have {:.3} Ω; expected 0 to {} Ω: a resistor is not what it is said to be, or files are exchanged",
            solved.lead_ohm, POSSIBLE_LEAD_OHM[1]
        )));
    }
    Ok(solved)
}

fn chance(solved: &Solved) -> f64 {
    chance_of(solved.chi_squared, solved.freedom)
}

fn chance_of(chi_squared: f64, freedom: usize) -> f64 {
    if freedom == 0 {
        return 1.0;
    }
    gamma_tail(0.5 * freedom as f64, 0.5 * chi_squared)
}

/// In what a new calibration of a jig is worse than the one before it, in words; empty where it is as good. What the older one
/// does not state (0 for an uncertainty) is not compared.
#[must_use]
pub fn worse(new: &Jig, old: &Jig) -> Vec<String> {
    let mut list = Vec::new();
    if let (Some(new), Some(old)) = (new.resistors, old.resistors)
        && new < old
    {
        list.push(format!("fewer known resistors, {new} instead of {old}"));
    }
    for (what, new, old) in [
        ("reference", new.reference_sd_ohm, old.reference_sd_ohm),
        ("leads", new.lead_sd_ohm, old.lead_sd_ohm),
    ] {
        if old > 0.0 && new > AS_CLOSE * old {
            list.push(format!(
                "{what} known to ± {:.4} Ω instead of ± {:.4} Ω",
                2.0 * new,
                2.0 * old
            ));
        }
    }
    let agreement = |jig: &Jig| {
        let freedom = (jig.resistors? as usize).checked_sub(2)?;
        let chi_squared = jig.chi_squared?;
        Some((chi_squared, freedom, chance_of(chi_squared, freedom)))
    };
    if let (Some((chi_squared, freedom, chance)), Some(before)) = (agreement(new), agreement(old))
        && chance < AGREES
        && before.2 >= AGREES
    {
        list.push(format!(
            "takes that hardly agree, chi-squared {chi_squared:.1} with freedom {freedom} (chance {:.0} %) instead of {:.1} with freedom {} ({:.0} %)",
            100.0 * chance,
            before.0,
            before.1,
            100.0 * before.2
        ));
    }
    list
}

/// Which member the others contradict, in words.
fn disagreeing(members: &[Member], gain: f64, leads: Leads) -> String {
    let mut suspects: Vec<&Member> = Vec::new();
    for out in 0..members.len() {
        let others: Vec<Member> = members
            .iter()
            .enumerate()
            .filter(|(i, _)| *i != out)
            .map(|(_, m)| m.clone())
            .collect();
        if let Ok(rest) = line(&others, gain, leads)
            && chance(&rest) >= AGREES
            && rest.lead_ohm >= POSSIBLE_LEAD_OHM[0] - 2.0 * rest.lead_sd_ohm
            && rest.lead_ohm <= POSSIBLE_LEAD_OHM[1]
        {
            suspects.push(&members[out]);
        }
    }
    let name = |m: &Member| format!("{} ({} Ω)", m.file, m.resistor_ohm);
    match suspects.as_slice() {
        [one] => format!(
            "without {} the others agree; measure that resistor, or record it again",
            name(one)
        ),
        [] => "no single take explains it; check every resistor, the gain ratio and the clamps"
            .to_string(),
        several => format!(
            "which one is wrong cannot be told ({}); add another known resistor",
            several
                .iter()
                .map(|m| name(m))
                .collect::<Vec<_>>()
                .join(" or ")
        ),
    }
}

/// The straight line through the members.
fn line(members: &[Member], gain: f64, leads: Leads) -> Result<Solved, CalibrationError> {
    let Some(first) = members.first() else {
        return Err(CalibrationError::Set(
            "no resistor was given; expected --resistor OHM=FILE.wav once or more".to_string(),
        ));
    };
    let h = |m: &Member| m.ratio.value / gain;
    let t = |m: &Member| h(m) / (1.0 - h(m));
    let highest = members
        .iter()
        .max_by(|a, b| a.resistor_ohm.total_cmp(&b.resistor_ohm))
        .unwrap_or(first);
    // For the weights alone: a good guess is enough.
    let rough_ohm = (highest.resistor_ohm + leads.ohm) / t(highest);
    if !rough_ohm.is_finite() || rough_ohm <= 0.0 {
        return Err(CalibrationError::Set(
            "a short alone says nothing of the reference resistor; add a known resistor"
                .to_string(),
        ));
    }
    let variance = |m: &Member| {
        let u_h = m.ratio.sd / gain;
        m.resistor_sd_ohm.powi(2)
            + CONTACT_OHM.powi(2)
            + (rough_ohm * u_h / (1.0 - h(m)).powi(2)).powi(2)
    };
    if members.len() == 1 {
        let share = (variance(first) + leads.sd_ohm.powi(2)).sqrt();
        return Ok(Solved {
            reference_ohm: rough_ohm,
            reference_sd_ohm: share / t(first),
            lead_ohm: leads.ohm,
            lead_sd_ohm: leads.sd_ohm,
            residual_ohm: vec![0.0],
            chi_squared: 0.0,
            freedom: 0,
        });
    }
    let (mut w0, mut wt, mut wtt, mut wr, mut wtr) = (0.0, 0.0, 0.0, 0.0, 0.0);
    for m in members {
        let (w, x, r) = (1.0 / variance(m), t(m), m.resistor_ohm);
        w0 += w;
        wt += w * x;
        wtt += w * x * x;
        wr += w * r;
        wtr += w * x * r;
    }
    let determinant = w0 * wtt - wt * wt;
    if determinant < 1e-4 * w0 * wtt {
        return Err(CalibrationError::Set(
            "the resistors lie too close together to tell reference and leads apart; add a short (0=FILE.wav) or one of another value"
                .to_string(),
        ));
    }
    let reference_ohm = (w0 * wtr - wt * wr) / determinant;
    let lead_ohm = -(wtt * wr - wt * wtr) / determinant;
    let residual_ohm: Vec<f64> = members
        .iter()
        .map(|m| m.resistor_ohm - (reference_ohm * t(m) - lead_ohm))
        .collect();
    let chi_squared = members
        .iter()
        .zip(&residual_ohm)
        .map(|(m, r)| r * r / variance(m))
        .sum();
    Ok(Solved {
        reference_ohm,
        reference_sd_ohm: (w0 / determinant).sqrt(),
        lead_ohm,
        lead_sd_ohm: (wtt / determinant).sqrt(),
        residual_ohm,
        chi_squared,
        freedom: members.len() - 2,
    })
}

#[cfg(test)]
#[path = "jig_tests.rs"]
mod tests;
