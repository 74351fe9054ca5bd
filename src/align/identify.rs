//! What the data can tell about each parameter, and which parameters they cannot tell apart.
//!
//! Input is the whitened Jacobian J in scaled parameters (a change by 1 is a large one: a factor e for a logarithm) and the prior
//! precisions P.
//!
//! data-only covariance   (JᵀJ + P_known)⁻¹ = V·diag(1/max(s², floor²))·Vᵀ     (s: singular values)
//! posterior covariance   (JᵀJ + P)⁻¹                                          (Laplace)
//!
//! P_known holds the priors of nuisance parameters that are knowledge rather than assumption, a calibrated gain for one. A
//! parameter is **not identifiable** where its data-only standard deviation exceeds `Criteria::widest_sd`, or where the data improve on its prior
//! standard deviation by less than `Criteria::least_improvement`. The two are kept apart: a length that is known to 0.2 % by tape
//! and seen to 2 % by sound is of the second sort and a fault of 20 % would still show. A parameter of the first sort has
//! a **partner**, the one with the largest correlation in the data-only covariance, unless the data do not see it at
//! all.
//!
//! **Groups.** Let N be the projector on the weak directions, those with 1/s > `widest_sd`. N_ij ≠ 0 where i and j share a weak
//! direction, whatever basis of them the decomposition came up with; of m parameters of which only the sum is seen,
//! N_ij/N_ii = −1/(m − 1), far from ±1 although none can be told from the others. Parameters linked by N, or correlated
//! beyond `Criteria::confounded`, form a group where one of them is too wide.
//!
//! The same algebra serves before anything is measured (`plan`), with the noise that is expected.
//!
//! **Laplace evidence.** ln ∫ likelihood·prior ≈ −F + ½·ln|P| − ½·ln|H|, F the cost at the minimum, H = JᵀJ + P; a flat
//! parameter contributes (2π)^½ in place of P^½, the density of its prior being taken as 1 per unit, so such values compare only
//! between models with the same flat parameters in the same units. Not counted: −½·ln|C| − (N/2)·ln 2π of the
//! whitening, which the caller adds where C differs.
//!
//! **Range.** Exact for linear models with normal errors. A minimum at a bound or a skewed one needs `profile`.
//! References: MacKay 2003, Information Theory, Inference, ch. 27 (from memory); Brun et al. 2001, Practical
//! identifiability analysis of large environmental simulation models.

use super::dense::{Cholesky, Matrix, svd, triangularise};
use super::interval::factor_95;
use std::f64::consts::TAU;

/// Singular values below this count as this: a standard deviation of a million scaled units stands for «not seen».
const FLOOR: f64 = 1e-6;
/// Data-only standard deviations beyond this are reported as infinite.
const UNSEEN: f64 = 1e5;
/// Pivots of the unit-diagonal H below this are rounding.
const PIVOT_FLOOR: f64 = 1e-14;

/// |N_ij|/√(N_ii·N_jj) from which two parameters share a weak direction: ten parameters seen as a sum have 0.11.
const COUPLED: f64 = 0.1;
/// N_ii below this: the parameter has no part in any weak direction (a tenth of its length).
const PART: f64 = 0.01;

/// What counts as identifiable.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Criteria {
    /// Widest data-only standard deviation, scaled units; ln 2: the data alone fix the parameter to a factor of two.
    pub widest_sd: f64,
    /// Least 1 − (posterior sd)/(prior sd).
    pub least_improvement: f64,
    /// |correlation| in the data-only covariance from which two parameters belong to one group.
    pub confounded: f64,
    /// |correlation| from which a partner is named to a parameter that is not too wide itself.
    pub partner: f64,
}

impl Default for Criteria {
    fn default() -> Self {
        Self {
            widest_sd: std::f64::consts::LN_2,
            least_improvement: 0.2,
            confounded: 0.95,
            partner: 0.5,
        }
    }
}

/// The parameter that another is confounded with.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Partner {
    /// Its index.
    pub index: usize,
    /// Correlation of the two: negative, their sum is what the data see; positive, their difference.
    pub correlation: f64,
}

/// What the data tell about one parameter.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Knowledge {
    /// Standard deviation from the data alone, scaled units; infinite: not seen.
    pub data_sd: f64,
    /// Standard deviation of the prior; infinite: flat.
    pub prior_sd: f64,
    /// Standard deviation from both, with all others' priors; infinite where nothing fixes it.
    pub posterior_sd: f64,
    /// Its standard deviation if all other parameters were known exactly, from the data alone.
    pub alone_sd: f64,
    /// `data_sd` exceeds the criterion.
    pub too_wide: bool,
    /// The data improve on the prior by less than the criterion.
    pub prior_dominates: bool,
    /// The parameter that it is confounded with most, where it is too wide or its prior dominates.
    pub partner: Option<Partner>,
}

impl Knowledge {
    /// Neither too wide nor dominated by its prior.
    #[must_use]
    pub fn identifiable(&self) -> bool {
        !self.too_wide && !self.prior_dominates
    }

    /// Whether the data do not react to the parameter, rather than mistaking it for another.
    #[must_use]
    pub fn unseen(&self) -> bool {
        self.alone_sd >= UNSEEN
    }

    /// 1 − (posterior sd)/(prior sd); 1 for a flat prior.
    #[must_use]
    pub fn improvement(&self) -> f64 {
        if self.prior_sd.is_infinite() {
            1.0
        } else {
            1.0 - self.posterior_sd / self.prior_sd
        }
    }

    /// Half-width of the 95 % interval; degrees of freedom where the residual variance was estimated.
    #[must_use]
    pub fn half_width_95(&self, degrees_of_freedom: Option<f64>) -> f64 {
        factor_95(degrees_of_freedom) * self.posterior_sd
    }
}

/// What the data tell about all parameters.
#[derive(Debug, Clone, PartialEq)]
pub struct Identification {
    /// Of the whitened Jacobian, descending: how sharply each direction is seen, 1/sd.
    pub singular_values: Vec<f64>,
    /// Directions, by columns, in the order of the singular values.
    pub directions: Matrix,
    /// One per parameter.
    pub parameters: Vec<Knowledge>,
    /// Groups of mutually confounded parameters, indices ascending; only groups with a member that is too wide.
    pub groups: Vec<Vec<usize>>,
    /// (JᵀJ + P)⁻¹, scaled units; what nothing fixes has a variance of 10¹².
    pub covariance: Matrix,
    /// Posterior correlations.
    pub correlation: Matrix,
    /// ½·ln|P| − ½·ln|H|, flat parameters as described above.
    pub log_occam: f64,
}

impl Identification {
    /// Laplace evidence of a fit that ended with this cost (½‖r‖² + prior).
    #[must_use]
    pub fn log_evidence(&self, cost: f64) -> f64 {
        self.log_occam - cost
    }
}

/// Analyses a whitened Jacobian. `precision` holds 1/sd² of each prior (0: flat) and `known` which of them count as data (may be
/// shorter than the list of parameters: the rest do not).
///
/// A missing precision counts as flat, an entry that is not finite as zero.
#[must_use]
pub fn identify(
    jacobian: &Matrix,
    precision: &[f64],
    known: &[bool],
    criteria: &Criteria,
) -> Identification {
    let p = jacobian.cols();
    let precision: Vec<f64> = (0..p)
        .map(|j| {
            precision
                .get(j)
                .copied()
                .filter(|x| x.is_finite() && *x > 0.0)
                .unwrap_or(0.0)
        })
        .collect();
    let clean = Matrix::from_fn(jacobian.rows(), p, |i, j| {
        let entry = jacobian[(i, j)];
        if entry.is_finite() { entry } else { 0.0 }
    });
    let (r, _) = triangularise(clean, Vec::new());
    let as_data = |j: usize| known.get(j).copied().unwrap_or(false);
    let data = svd(&with_priors(&r, &precision, as_data));
    let data_covariance = covariance(&data.s, &data.v);
    let posterior = svd(&with_priors(&r, &precision, |_| true));
    let posterior_covariance = covariance(&posterior.s, &posterior.v);
    let data_correlation = correlation(&data_covariance);
    let posterior_correlation = correlation(&posterior_covariance);

    let parameters: Vec<Knowledge> = (0..p)
        .map(|j| {
            let column: f64 = (0..p).map(|i| r[(i, j)] * r[(i, j)]).sum();
            let mut knowledge = Knowledge {
                data_sd: seen(data_covariance[(j, j)].sqrt()),
                prior_sd: 1.0 / precision[j].sqrt(),
                posterior_sd: seen(posterior_covariance[(j, j)].sqrt()),
                alone_sd: seen(1.0 / column.sqrt()),
                too_wide: false,
                prior_dominates: false,
                partner: None,
            };
            knowledge.too_wide = knowledge.data_sd > criteria.widest_sd;
            // A prior that counts as data is not there to be improved.
            knowledge.prior_dominates =
                !as_data(j) && knowledge.improvement() < criteria.least_improvement;
            if !knowledge.identifiable() && !knowledge.unseen() {
                let least = if knowledge.too_wide {
                    COUPLED
                } else {
                    criteria.partner
                };
                knowledge.partner = partner(&data_correlation, j, least);
            }
            knowledge
        })
        .collect();
    let weak = weak_projector(&data.s, &data.v, criteria.widest_sd);
    let weak_correlation = correlation(&weak);
    let linked = |i: usize, j: usize| {
        let share =
            weak[(i, i)] > PART && weak[(j, j)] > PART && weak_correlation[(i, j)].abs() >= COUPLED;
        share || data_correlation[(i, j)].abs() >= criteria.confounded
    };
    let groups = groups(&parameters, linked);
    Identification {
        log_occam: log_occam(&r, &precision),
        singular_values: data.s,
        directions: data.v,
        parameters,
        groups,
        covariance: posterior_covariance,
        correlation: posterior_correlation,
    }
}

fn seen(sd: f64) -> f64 {
    if sd < UNSEEN { sd } else { f64::INFINITY }
}

fn with_priors(r: &Matrix, precision: &[f64], counts: impl Fn(usize) -> bool) -> Matrix {
    let p = r.cols();
    let mut rows = Matrix::zeros(2 * p, p);
    for j in 0..p {
        rows.column_mut(j)[..p].copy_from_slice(r.column(j));
        if counts(j) {
            rows[(p + j, j)] = precision[j].sqrt();
        }
    }
    rows
}

fn covariance(s: &[f64], v: &Matrix) -> Matrix {
    let p = s.len();
    Matrix::from_fn(p, p, |i, j| {
        (0..p)
            .map(|k| v[(i, k)] * v[(j, k)] / s[k].max(FLOOR).powi(2))
            .sum()
    })
}

/// Correlation matrix of a covariance matrix; zero beside a zero variance.
#[must_use]
pub fn correlation(covariance: &Matrix) -> Matrix {
    let p = covariance.cols();
    Matrix::from_fn(p, p, |i, j| {
        let scale = (covariance[(i, i)] * covariance[(j, j)]).sqrt();
        if i == j {
            1.0
        } else if scale > 0.0 {
            (covariance[(i, j)] / scale).clamp(-1.0, 1.0)
        } else {
            0.0
        }
    })
}

fn partner(correlation: &Matrix, of: usize, least: f64) -> Option<Partner> {
    (0..correlation.cols())
        .filter(|&index| index != of)
        .map(|index| Partner {
            index,
            correlation: correlation[(of, index)],
        })
        .max_by(|a, b| a.correlation.abs().total_cmp(&b.correlation.abs()))
        .filter(|best| best.correlation.abs() >= least)
}

/// Projector on the directions that the data leave wider than `widest_sd`.
fn weak_projector(s: &[f64], v: &Matrix, widest_sd: f64) -> Matrix {
    let p = s.len();
    let weak: Vec<usize> = (0..p).filter(|&k| s[k] * widest_sd < 1.0).collect();
    Matrix::from_fn(p, p, |i, j| {
        weak.iter().map(|&k| v[(i, k)] * v[(j, k)]).sum()
    })
}

/// Connected components, where a member is too wide.
fn groups(parameters: &[Knowledge], linked: impl Fn(usize, usize) -> bool) -> Vec<Vec<usize>> {
    let p = parameters.len();
    let mut taken = vec![false; p];
    let mut found = Vec::new();
    for first in 0..p {
        if taken[first] {
            continue;
        }
        taken[first] = true;
        let mut group = vec![first];
        let mut next = 0;
        while let Some(&member) = group.get(next) {
            for (other, is_taken) in taken.iter_mut().enumerate() {
                if !*is_taken && linked(member, other) {
                    *is_taken = true;
                    group.push(other);
                }
            }
            next += 1;
        }
        if group.len() > 1 && group.iter().any(|&j| parameters[j].too_wide) {
            group.sort_unstable();
            found.push(group);
        }
    }
    found
}

fn log_occam(r: &Matrix, precision: &[f64]) -> f64 {
    let mut h = r.gram();
    let mut log_prior = 0.0;
    for (j, &p) in precision.iter().enumerate() {
        h[(j, j)] += p;
        log_prior += if p > 0.0 { p } else { TAU }.ln();
    }
    // Entries were made finite above, so the factor exists; a floor stands for what nothing fixes.
    let log_det =
        Cholesky::with_floor(&h, PIVOT_FLOOR).map_or(f64::INFINITY, |factor| factor.log_det());
    0.5 * (log_prior - log_det)
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;

    fn rows(rows: &[&[f64]]) -> Matrix {
        Matrix::from_fn(rows.len(), rows[0].len(), |i, j| rows[i][j])
    }

    fn close(found: f64, expected: f64, tolerance: f64) {
        assert!(
            (found - expected).abs() <= tolerance * expected.abs(),
            "{found} {expected}"
        );
    }

    #[test]
    fn independent_parameters_are_told_by_their_own_columns() {
        // DERIVED: columns of length 10 and 50: deviations 0.1 and 0.02; with a prior of 0.1 on the first 0.1/√2.
        let j = rows(&[&[10.0, 0.0], &[0.0, 30.0], &[0.0, 40.0]]);
        let found = identify(&j, &[100.0, 0.0], &[], &Criteria::default());
        close(found.singular_values[0], 50.0, 1e-14);
        close(found.singular_values[1], 10.0, 1e-14);
        let [first, second] = [found.parameters[0], found.parameters[1]];
        close(first.data_sd, 0.1, 1e-13);
        close(first.posterior_sd, 0.1 / 2_f64.sqrt(), 1e-13);
        close(first.improvement(), 1.0 - 1.0 / 2_f64.sqrt(), 1e-13);
        close(second.data_sd, 0.02, 1e-13);
        close(second.half_width_95(None), 0.039_199_279_690_801_08, 1e-12);
        assert!(first.identifiable() && second.identifiable());
        assert!(found.groups.is_empty() && first.partner.is_none());
        // DERIVED: ½·ln(100·2π) − ½·ln(200·2500).
        close(
            found.log_evidence(7.0),
            0.5 * (100.0 * TAU / 500_000.0).ln() - 7.0,
            1e-13,
        );
    }

    #[test]
    fn a_perfectly_confounded_pair_names_each_other_and_priors_do_not_hide_it() {
        // Only the sum of parameters 0 and 2 is seen; 1 is seen alone. Equal priors of 0.2.
        let j = rows(&[&[10.0, 0.0, 10.0], &[0.0, 5.0, 0.0]]);
        let found = identify(&j, &[25.0, 25.0, 25.0], &[], &Criteria::default());
        for (index, other) in [(0, 2), (2, 0)] {
            let knowledge = found.parameters[index];
            assert!(knowledge.data_sd.is_infinite() && knowledge.too_wide && !knowledge.unseen());
            let partner = knowledge.partner.unwrap();
            assert_eq!(partner.index, other);
            // DERIVED: the null direction is (1, 0, −1)/√2.
            close(partner.correlation, -1.0, 1e-9);
            // DERIVED: the sum is known to 0.1·…: variance ½·0.04 + ½·1/(25 + 200).
            close(
                knowledge.posterior_sd,
                (0.02 + 0.5 / 225.0_f64).sqrt(),
                1e-12,
            );
        }
        assert!(found.parameters[1].identifiable());
        assert_eq!(found.groups, [vec![0, 2]]);
    }

    #[test]
    fn three_that_only_their_sum_shows_form_one_group() {
        let only_sum = identify(
            &rows(&[&[10.0, 10.0, 10.0, 0.0], &[0.0, 0.0, 0.0, 9.0]]),
            &[0.0; 4],
            &[],
            &Criteria::default(),
        );
        assert!(
            only_sum.parameters[..3]
                .iter()
                .all(|k| k.too_wide && k.data_sd.is_infinite())
        );
        assert!(
            only_sum.parameters[..3]
                .iter()
                .all(|k| k.partner.is_some_and(|p| p.index < 3))
        );
        // DERIVED: null space orthogonal to (1, 1, 1): pairwise correlation −½.
        close(only_sum.correlation[(0, 1)], -0.5, 1e-9);
        assert_eq!(only_sum.groups, [vec![0, 1, 2]]);
        assert!(only_sum.parameters[3].identifiable());
    }

    #[test]
    fn two_independent_pairs_are_two_groups() {
        // The null space is two-dimensional and its basis arbitrary; the projector keeps the pairs apart.
        let j = rows(&[&[10.0, 10.0, 0.0, 0.0], &[0.0, 0.0, 10.0, 10.0]]);
        let found = identify(&j, &[1.0; 4], &[], &Criteria::default());
        assert_eq!(found.groups, [vec![0, 1], vec![2, 3]]);
    }

    #[test]
    fn an_insensitive_parameter_has_no_partner() {
        let j = rows(&[&[10.0, 0.0], &[10.0, 0.0]]);
        let found = identify(&j, &[0.0, 4.0], &[], &Criteria::default());
        let blind = found.parameters[1];
        assert!(
            blind.unseen() && blind.too_wide && blind.prior_dominates && blind.partner.is_none()
        );
        close(blind.posterior_sd, 0.5, 1e-12);
        close(blind.improvement() + 1.0, 1.0, 1e-12);
    }

    #[test]
    fn a_tight_prior_dominates_without_the_data_being_blind() {
        // Seen to 0.02, known to 0.002: improvement 0.5 %.
        let found = identify(&rows(&[&[50.0]]), &[250_000.0], &[], &Criteria::default());
        let tape = found.parameters[0];
        assert!(!tape.too_wide && tape.prior_dominates && !tape.identifiable());
    }

    #[test]
    fn a_known_nuisance_prior_counts_as_data() {
        // A gain known to 0.01 and a level parameter: together unseen, with the gain's calibration seen to 0.01.
        let j = rows(&[&[100.0, 100.0]]);
        let assumed = identify(&j, &[1e4, 0.0], &[], &Criteria::default());
        assert!(assumed.parameters[1].too_wide);
        let known = identify(&j, &[1e4, 0.0], &[true, false], &Criteria::default());
        // DERIVED: √(0.01² + 0.01²).
        close(known.parameters[1].data_sd, 0.01 * 2_f64.sqrt(), 1e-10);
        assert!(known.parameters[1].identifiable() && known.parameters[0].identifiable());
    }

    #[test]
    fn nothing_at_all_is_no_panic() {
        let found = identify(&Matrix::zeros(0, 2), &[], &[], &Criteria::default());
        assert!(
            found
                .parameters
                .iter()
                .all(|k| k.unseen() && k.posterior_sd.is_infinite())
        );
        let none = identify(&Matrix::zeros(3, 0), &[], &[], &Criteria::default());
        assert!(none.parameters.is_empty());
        let broken = Matrix::from_fn(2, 1, |_, _| f64::NAN);
        assert!(
            identify(&broken, &[1.0], &[], &Criteria::default())
                .log_occam
                .is_finite()
        );
    }
}
