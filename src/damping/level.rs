//! Whether a resistor is linear: the same unit at two drive levels.
//!
//! Each level is fitted by itself (see [`super::in_place`]); the difference is taken from the captures side by side, where what
//! the model gets wrong at both levels cancels:
//!
//! ```text
//! y        = r_high(θ) − r_low(θ),   residuals ln(measured/simulated) of both levels at the parameters of the low one
//! y        = −J·δ + gain + delay + e
//! δ        change of ln R of each resistor (flat prior), and of the driver's Re, Bl, Cms, Rms (prior 5 %: a coil warms up, a
//!          suspension yields)
//! e        noise of both levels and a smooth rest of unknown size (restricted maximum likelihood)
//! q        = ΔR_s/(8/(3π)·(V_high − V_low)),   rise of the specific resistance with particle velocity
//! ```
//!
//! Without captures of the same observation at both levels the difference of the two fits stands instead, their errors
//! taken as independent: wider than it need be.
//!
//! **Verdict.** `rises` or `falls` where the whole 95 % interval of δ lies beyond 2 % (less can come from a neighbour
//! that rises differently at each frequency, while δ is one number); else `linear` where it lies within 10 % of R; otherwise
//! it cannot be told. q carries 5 % for the same reason.

use super::in_place::{Calibration, InPlace, parameter};
use crate::align::dense::{Cholesky, Matrix, dot};
use crate::align::interval::interval_95;
use crate::align::residual::{Nuisance, Series, wrap};
use crate::align::search::AlignError;
use crate::align::unknowns::Unknown;
use crate::align::whiten::{Kernel, Whitener};
use crate::design::path::{Element, Key};
use crate::measure::Response;
use serde::Serialize;

/// Ratio of drive voltages from which two levels are told apart: 2 dB.
const APART: f64 = 1.26;
/// Change of a resistance below which it counts as linear: what cloth of one roll differs by (common practice, no published
/// source).
const LINEAR: f64 = 0.10;
/// Change of a resistance that counts as one: what rehearsed units with one rising
/// resistor showed at the others, 0.4 %, with a margin.
const COUNTS: f64 = 0.02;
/// Relative standard deviation of q from one velocity standing for all frequencies (judgement, no published source).
const VELOCITY_SD: f64 = 0.05;
/// Standard deviation of a driver number's change with level (common practice, no published source).
const DRIVER_SD: f64 = 0.05;
/// Standard deviation of a gain between two levels, 0.1 dB (common practice, no published source).
const GAIN_SD: f64 = 0.0115;
/// Correlation length of the rest, ln f: as the least of the alignment.
const LENGTH: f64 = 0.3;

/// What two levels say about a resistor.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Behaviour {
    /// The same at both levels, within 10 %.
    Linear,
    /// The resistance rises with level.
    Rises,
    /// The resistance falls with level: no cloth does; something else changes.
    Falls,
    /// The difference is not known well enough.
    CannotTell,
}

/// The difference of a resistor between two levels.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Difference {
    /// Verdict.
    pub behaviour: Behaviour,
    /// R at the high level over R at the low one, less 1.
    pub relative: f64,
    /// Its 95 % interval.
    pub low95: f64,
    /// Its 95 % interval.
    pub high95: f64,
    /// Rise of the specific resistance with particle velocity beyond the design's, Pa·s²/m² with its 95 % interval; `None`
    /// without an area or where the velocities do not differ.
    pub quadratic_pa_s2_per_m2: Option<[f64; 3]>,
    /// Specific resistance towards no velocity, Pa·s/m, where it rises.
    pub at_rest_pa_s_per_m: Option<f64>,
    /// Whether the captures were compared side by side; `false`: two independent fits.
    pub paired: bool,
}

/// Drive levels of a set of responses, V RMS, the lowest first: the mean of each cluster. Empty where no response tells it.
#[must_use]
pub fn levels_v(responses: &[Response]) -> Vec<f64> {
    let mut known: Vec<f64> = responses.iter().filter_map(|r| r.drive_v).collect();
    known.sort_by(f64::total_cmp);
    let mut clusters: Vec<Vec<f64>> = Vec::new();
    for v in known {
        match clusters.last_mut() {
            Some(c) if v < APART * c[c.len() - 1] => c.push(v),
            _ => clusters.push(vec![v]),
        }
    }
    clusters
        .iter()
        .map(|c| c.iter().sum::<f64>() / c.len() as f64)
        .collect()
}

/// The responses of each level; those without a known drive go to every level.
#[must_use]
pub fn by_level(responses: &[Response]) -> Vec<Vec<Response>> {
    let levels = levels_v(responses);
    if levels.len() < 2 {
        return vec![responses.to_vec()];
    }
    let nearest = |v: f64| {
        (0..levels.len())
            .min_by(|&a, &b| {
                let far = |n: usize| (levels[n] / v).ln().abs();
                far(a).total_cmp(&far(b))
            })
            .unwrap_or(0)
    };
    (0..levels.len())
        .map(|n| {
            responses
                .iter()
                .filter(|r| r.drive_v.is_none_or(|v| nearest(v) == n))
                .cloned()
                .collect()
        })
        .collect()
}

/// The difference of every resistor of `low.resistors`, in their order; `None` where it is not in both.
///
/// # Errors
/// [`AlignError`] if the design cannot be simulated.
pub fn differences(
    low: &Calibration,
    high: &Calibration,
) -> Result<Vec<Option<Difference>>, AlignError> {
    let paired = side_by_side(low, high)?;
    Ok(low
        .resistors
        .iter()
        .map(|a| {
            let b = high.resistors.iter().find(|b| b.name == a.name)?;
            let together = paired
                .as_ref()
                .and_then(|list| list.iter().find(|(name, ..)| *name == a.name));
            let (change, sd, side) = match together {
                Some((_, change, sd)) => (*change, *sd, true),
                None => (
                    (b.resistance_pa_s_per_m3.value / a.resistance_pa_s_per_m3.value).ln(),
                    a.resistance_pa_s_per_m3
                        .log_sd()
                        .hypot(b.resistance_pa_s_per_m3.log_sd()),
                    false,
                ),
            };
            Some(judge(a, b, change, sd, side))
        })
        .collect())
}

fn judge(a: &InPlace, b: &InPlace, change: f64, sd: f64, paired: bool) -> Difference {
    let [low, high] = interval_95(change, sd, None);
    let relative = |log: f64| log.exp_m1();
    let apart = b.drive_v / a.drive_v >= APART;
    let behaviour = if !apart || !sd.is_finite() {
        Behaviour::CannotTell
    } else if relative(low) > COUNTS {
        Behaviour::Rises
    } else if relative(high) < -COUNTS {
        Behaviour::Falls
    } else if relative(high) < LINEAR && relative(low) > -LINEAR {
        Behaviour::Linear
    } else {
        Behaviour::CannotTell
    };
    let velocities = a.velocity_m_per_s.zip(b.velocity_m_per_s);
    let quadratic = velocities
        .zip(a.specific_pa_s_per_m)
        .filter(|((v, w), _)| apart && w / v > APART && sd.is_finite())
        .map(|((v, w), specific)| {
            let per = specific.value / (8.0 / (3.0 * std::f64::consts::PI) * (w - v));
            let q = relative(change) * per;
            let half =
                |end: f64| ((relative(end) - relative(change)) * per).hypot(1.96 * VELOCITY_SD * q);
            [q, q - half(low), q + half(high)]
        });
    // Towards no velocity the rise of the low level falls away.
    let at_rest_pa_s_per_m = quadratic
        .filter(|_| behaviour == Behaviour::Rises)
        .zip(velocities)
        .zip(a.specific_pa_s_per_m)
        .map(|(([q, ..], (v, _)), specific)| {
            specific.value - 8.0 / (3.0 * std::f64::consts::PI) * q * v
        });
    Difference {
        behaviour,
        relative: relative(change),
        low95: relative(low),
        high95: relative(high),
        quadratic_pa_s2_per_m2: quadratic,
        at_rest_pa_s_per_m,
        paired,
    }
}

/// A pair of responses of one observation: difference of the residuals, its derivatives, its noise.
struct Pair {
    x: Vec<f64>,
    variance: Vec<f64>,
    y: Vec<f64>,
    columns: Vec<Vec<f64>>,
}

/// Name of a resistor, change of ln R, its standard deviation.
type Change = (String, f64, f64);

/// Changes by resistor; `None` where there is nothing to compare side by side.
fn side_by_side(low: &Calibration, high: &Calibration) -> Result<Option<Vec<Change>>, AlignError> {
    let fit = &low.fit;
    let mut chosen: Vec<&Unknown> = fit
        .settled
        .active
        .iter()
        .map(|&i| &fit.unknowns[i])
        .collect();
    let mut theta: Vec<f64> = fit.settled.theta[..chosen.len()].to_vec();
    let driver = |u: &Unknown| {
        matches!(u.members[..], [p] if p.element == Element::Driver
            && matches!(p.key, Key::Re | Key::Bl | Key::Cms | Key::Rms | Key::Fs | Key::Qms | Key::Qes))
    };
    for u in fit.unknowns.iter().filter(|u| driver(u)) {
        if !chosen.iter().any(|c| c.members == u.members) {
            chosen.push(u);
            theta.push(0.0);
        }
    }
    // Which coordinates may change with level, and the prior precision of the change.
    let mut moving: Vec<(usize, f64)> = Vec::new();
    let mut names = Vec::new();
    for (n, u) in chosen.iter().enumerate() {
        if let Some(i) = resistor_of(u) {
            names.push((moving.len(), fit.designed.resistors[i].name.clone()));
            moving.push((n, 0.0));
        } else if driver(u) {
            moving.push((n, DRIVER_SD.powi(-2)));
        }
    }
    let none = vec![0.0; fit.comparison.nuisances()];
    let at_low = fit.comparison.evaluate(&chosen, &theta, &none, true)?;
    let other = &high.fit.comparison;
    let none = vec![0.0; other.nuisances()];
    let at_high = other.evaluate(&chosen, &theta, &none, true)?;
    let mut pairs: Vec<Pair> = Vec::new();
    let mut nuisances: Vec<f64> = Vec::new();
    for (a, sa) in fit.comparison.series.iter().enumerate() {
        let Some(b) = other.series.iter().position(|sb| {
            sb.observed == sa.observed && (sb.drive_v / sa.drive_v - 1.0).abs() > APART - 1.0
        }) else {
            continue;
        };
        let sb = &other.series[b];
        let common = in_common(sa, sb);
        if common.len() < 10 {
            continue;
        }
        let first = nuisances.len();
        let nuisance: Vec<(Nuisance, usize)> = sa
            .nuisance
            .iter()
            .map(|&(kind, index)| {
                let own = fit.comparison.nuisance_sd[index];
                nuisances.push(match kind {
                    Nuisance::Gain if own.is_finite() => GAIN_SD.powi(-2),
                    _ if own.is_finite() => 0.5 / (own * own),
                    _ => 0.0,
                });
                (kind, nuisances.len() - 1)
            })
            .collect();
        for part in 0..(if sa.has_phase && sb.has_phase { 2 } else { 1 }) {
            let mut pair = Pair {
                x: Vec::new(),
                variance: Vec::new(),
                y: Vec::new(),
                columns: vec![Vec::new(); moving.len() + first + nuisance.len()],
            };
            for &(i, k) in &common {
                let f = fit.comparison.frequency_hz[sa.place[i]];
                let grown = crate::align::residual::growth(f);
                let difference = at_high.residual[b][part][k] - at_low.residual[a][part][i];
                pair.x.push(sa.x[i]);
                pair.variance.push(sa.variance[i] + sb.variance[k]);
                pair.y.push(if part == 1 {
                    wrap(difference * grown) / grown
                } else {
                    difference
                });
                for (column, &(n, _)) in pair.columns.iter_mut().zip(&moving) {
                    column.push(-at_high.jacobian[b][part][n][k]);
                }
                for &(kind, n) in &nuisance {
                    let (level, phase) = sa.effect(kind, i, f);
                    pair.columns[moving.len() + n].push([level, phase][part] / grown);
                }
            }
            pairs.push(pair);
        }
    }
    if pairs.is_empty() || names.is_empty() {
        return Ok(None);
    }
    let precision: Vec<f64> = moving.iter().map(|m| m.1).chain(nuisances).collect();
    let Some((delta, covariance)) = solve(&pairs, &precision) else {
        return Ok(None);
    };
    Ok(Some(
        names
            .into_iter()
            .map(|(n, name)| (name, delta[n], covariance[(n, n)].max(0.0).sqrt()))
            .collect(),
    ))
}

fn resistor_of(u: &Unknown) -> Option<usize> {
    match u.members[..] {
        [p] => match p.element {
            Element::Resistor(i) if p == parameter(i) => Some(i),
            _ => None,
        },
        _ => None,
    }
}

/// Positions of the frequencies that both series have: they lie on one grid of 1/48 octave.
fn in_common(a: &Series, b: &Series) -> Vec<(usize, usize)> {
    let index = |x: f64| (x * 48.0 / std::f64::consts::LN_2).round() as i64;
    let mut list = Vec::new();
    let mut k = 0;
    for (i, &x) in a.x.iter().enumerate() {
        while k < b.x.len() && index(b.x[k]) < index(x) {
            k += 1;
        }
        if k < b.x.len() && index(b.x[k]) == index(x) {
            list.push((i, k));
        }
    }
    list
}

/// Generalised least squares; the smooth rest's size has the highest restricted likelihood of a ladder from 1e-4 to 0.1.
fn solve(pairs: &[Pair], precision: &[f64]) -> Option<(Vec<f64>, Matrix)> {
    let n = precision.len();
    let mut best: Option<(f64, Vec<f64>, Matrix)> = None;
    for step in 0..=24 {
        let sigma = 1e-4 * 1000_f64.powf(f64::from(step) / 24.0);
        let mut normal = Matrix::zeros(n, n);
        for (k, p) in precision.iter().enumerate() {
            normal[(k, k)] = *p;
        }
        let mut right = vec![0.0; n];
        let (mut square, mut log_det) = (0.0, 0.0);
        for pair in pairs {
            let w =
                Whitener::new(&pair.x, &pair.variance, &Kernel::exponential(sigma, LENGTH)).ok()?;
            let mut y = pair.y.clone();
            w.apply(&mut y);
            let columns: Vec<(usize, Vec<f64>)> = pair
                .columns
                .iter()
                .enumerate()
                .filter(|(_, c)| !c.is_empty())
                .map(|(k, c)| {
                    let mut c = c.clone();
                    w.apply(&mut c);
                    (k, c)
                })
                .collect();
            for (i, a) in &columns {
                right[*i] += dot(a, &y);
                for (j, b) in &columns {
                    normal[(*i, *j)] += dot(a, b);
                }
            }
            square += dot(&y, &y);
            log_det += w.log_det();
        }
        let factor = Cholesky::new(&normal)?;
        let delta = factor.solve(&right);
        let quadratic = square - dot(&delta, &right);
        let likelihood = -0.5 * (log_det + factor.log_det() + quadratic);
        if likelihood.is_finite() && best.as_ref().is_none_or(|b| likelihood > b.0) {
            best = Some((likelihood, delta, factor.inverse()));
        }
    }
    best.map(|(_, delta, covariance)| (delta, covariance))
}

/// A difference in words, without a full stop.
#[must_use]
pub fn words(difference: Option<&Difference>) -> String {
    let Some(d) = difference else {
        return "one drive level only: whether it is linear cannot be told; record a second set some 10 dB louder".into();
    };
    let percent = |v: f64| {
        let text = format!("{:+.1}", 100.0 * v);
        text.replace('-', "−")
    };
    let change = format!(
        "{} % ({} to {}) from the low to the high level",
        percent(d.relative),
        percent(d.low95),
        percent(d.high95)
    );
    match d.behaviour {
        Behaviour::Linear => format!("linear: {change}"),
        Behaviour::Rises => {
            let per = d.quadratic_pa_s2_per_m2.map_or(String::new(), |[q, low, high]| {
                format!(
                    "; {q:.0} Pa·s/m more per m/s of particle velocity (quadratic_pa_s2_per_m2; {low:.0} to {high:.0})"
                )
            });
            let rest = d
                .at_rest_pa_s_per_m
                .map_or(String::new(), |r| format!("; about {r:.0} Pa·s/m at rest"));
            format!("rises with level: {change}{per}{rest}")
        }
        Behaviour::Falls => format!(
            "falls with level: {change}; no cloth does that: look for a loose edge, a rattle, or a driver that changes with level"
        ),
        Behaviour::CannotTell => format!("cannot tell: {change}"),
    }
}

#[cfg(test)]
mod tests {
    use super::super::in_place::Reach;
    use super::*;

    fn in_place(drive_v: f64, velocity: f64) -> InPlace {
        let reach = Reach {
            value: 400.0,
            low95: Some(390.0),
            high95: Some(410.0),
        };
        InPlace {
            name: "r".into(),
            area_m2: Some(0.01),
            designed_pa_s_per_m3: 4e4,
            designed_pa_s_per_m: Some(400.0),
            resistance_pa_s_per_m3: reach.times(100.0),
            specific_pa_s_per_m: Some(reach),
            told: true,
            confounded_with: None,
            velocity_m_per_s: Some(velocity),
            drive_v,
        }
    }

    /// DERIVED by hand: 10 % of 400 Pa·s/m over 8/(3π)·(0.6 − 0.1) m/s is 94.2 Pa·s²/m²; at rest 400 − 8/(3π)·94.2·0.1 = 392.
    #[test]
    fn the_rise_per_velocity() {
        let d = judge(
            &in_place(3.0, 0.1),
            &in_place(18.0, 0.6),
            1.1_f64.ln(),
            0.01,
            true,
        );
        assert_eq!(d.behaviour, Behaviour::Rises);
        let [q, low, high] = d.quadratic_pa_s2_per_m2.unwrap();
        assert!((q - 94.25).abs() < 0.01 && low < q && q < high, "{q}");
        assert!((d.at_rest_pa_s_per_m.unwrap() - 392.0).abs() < 0.01);
    }

    #[test]
    fn the_four_verdicts() {
        let verdict = |change: f64, sd: f64, drive: f64| {
            judge(&in_place(3.0, 0.1), &in_place(drive, 0.6), change, sd, true).behaviour
        };
        assert_eq!(verdict(0.10, 0.01, 18.0), Behaviour::Rises);
        assert_eq!(verdict(-0.10, 0.01, 18.0), Behaviour::Falls);
        assert_eq!(verdict(0.01, 0.01, 18.0), Behaviour::Linear);
        assert_eq!(verdict(0.01, 0.2, 18.0), Behaviour::CannotTell);
        // Levels that hardly differ.
        assert_eq!(verdict(0.10, 0.01, 3.3), Behaviour::CannotTell);
        assert!(words(None).contains("one drive level"));
    }

    /// A change that was put into a made-up pair comes back with its own error.
    ///
    /// DERIVED: y = c₀·0.1 − c₁·0.05 with known columns and noise of known size (a fixed sequence): within 4 standard deviations,
    /// and the standard deviation that of the normal equations within a factor of two.
    #[test]
    fn a_known_change_is_found() {
        let n = 200;
        let x: Vec<f64> = (0..n)
            .map(|i| 3.0 + f64::from(i) * std::f64::consts::LN_2 / 48.0)
            .collect();
        let columns = vec![
            x.iter().map(|x| (3.0 * x).sin()).collect::<Vec<f64>>(),
            x.iter().map(|x| (2.0 * x).cos()).collect(),
        ];
        let sigma = 1e-3;
        let y = (0..n as usize)
            .map(|i| {
                let noise = ((i as f64 * 12.9898).sin() * 43_758.547).fract() * 12_f64.sqrt() / 2.0;
                0.1 * columns[0][i] - 0.05 * columns[1][i] + sigma * noise
            })
            .collect();
        let pair = Pair {
            variance: vec![sigma * sigma; x.len()],
            x,
            y,
            columns,
        };
        let (delta, covariance) = solve(&[pair], &[0.0, 0.0]).unwrap();
        for (k, want) in [(0, 0.1), (1, -0.05)] {
            let sd = covariance[(k, k)].sqrt();
            assert!((delta[k] - want).abs() < 4.0 * sd, "{delta:?} ± {sd}");
            // White noise on 200 points of rms 0.7: 1e-3/√100; a smooth rest may add to it.
            assert!((0.5e-4..1e-3).contains(&sd), "{sd}");
        }
    }
}
