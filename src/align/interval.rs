//! 95 % intervals: normal, and Student's where the variance itself was estimated from few residuals.
//!
//! t_ν solves P(|T| ≤ t) = 0.95 with P(|T| ≤ t) = 1 − I_x(ν/2, ½), x = ν/(ν + t²), I the regularised incomplete beta
//! function ([`crate::special::beta`]). ν need not be an integer (effective degrees of freedom, JCGM 100, G.4).
//!
//! **Range.** ν ≥ 1; below that the number of residuals says nothing about their variance and ν = 1 is used. Above 10⁷ the
//! normal factor is taken, which differs by less than 10⁻⁶.
//!
//! References: Student 1908; JCGM 100:2008, table G.2.

use crate::special::beta::incomplete_beta;

/// Two-sided 95 % point of the normal distribution.
pub const NORMAL_95: f64 = 1.959_963_984_540_054;

/// Half-width of a 95 % interval over the standard deviation; `None`: the variance is known.
#[must_use]
pub fn factor_95(degrees_of_freedom: Option<f64>) -> f64 {
    let Some(nu) = degrees_of_freedom else {
        return NORMAL_95;
    };
    if nu.is_nan() || nu < 1.0 {
        return factor_95(Some(1.0));
    }
    if nu > 1e7 {
        return NORMAL_95;
    }
    // t falls from 12.7 at ν = 1 to 1.96; 60 halvings reach rounding.
    let (mut low, mut high) = (1.9, 13.0);
    for _ in 0..60 {
        let middle = 0.5 * (low + high);
        if outside(middle, nu) > 0.05 {
            low = middle;
        } else {
            high = middle;
        }
    }
    0.5 * (low + high)
}

/// Low and high end of a 95 % interval.
#[must_use]
pub fn interval_95(estimate: f64, sd: f64, degrees_of_freedom: Option<f64>) -> [f64; 2] {
    let half = factor_95(degrees_of_freedom) * sd;
    [estimate - half, estimate + half]
}

/// P(|T| > t) for Student's T with ν degrees of freedom.
fn outside(t: f64, nu: f64) -> f64 {
    incomplete_beta(0.5 * nu, 0.5, nu / (nu + t * t))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn student_factors_match_the_table() {
        // PUBLISHED (from memory): JCGM 100, table G.2, 95 %: two decimals, so half a unit of the last.
        for (nu, expected) in [
            (1.0, 12.71),
            (2.0, 4.30),
            (5.0, 2.57),
            (10.0, 2.23),
            (50.0, 2.01),
            (100.0, 1.984),
        ] {
            assert!((factor_95(Some(nu)) - expected).abs() <= 0.005, "{nu}");
        }
        // DERIVED: ν = 1 is tan(0.475π), ν = 2 is 0.95·√(2/(1 − 0.95²)). 1e-10: ln Γ and the fraction to 1e-14,
        // over the density at the end, about 0.002.
        let one = (0.475 * std::f64::consts::PI).tan();
        assert!((factor_95(Some(1.0)) / one - 1.0).abs() < 1e-10);
        let two = 0.95 * (2.0_f64 / (1.0 - 0.9025)).sqrt();
        assert!((factor_95(Some(2.0)) / two - 1.0).abs() < 1e-10);
    }

    #[test]
    fn many_degrees_of_freedom_are_normal() {
        // DERIVED (Cornish & Fisher): t ≈ z + (z³ + z)/(4ν), so 2.4e-6 more at ν = 10⁶.
        let z = NORMAL_95;
        let expected = z + (z.powi(3) + z) / 4e6;
        assert!((factor_95(Some(1e6)) - expected).abs() < 1e-9);
        assert_eq!(factor_95(None), NORMAL_95);
        assert_eq!(factor_95(Some(f64::INFINITY)), NORMAL_95);
    }

    #[test]
    fn nonsense_freedom_gives_the_widest_interval() {
        assert_eq!(factor_95(Some(f64::NAN)), factor_95(Some(1.0)));
        assert_eq!(factor_95(Some(0.0)), factor_95(Some(1.0)));
        let [low, high] = interval_95(3.0, 2.0, None);
        assert!((high - 3.0 - 2.0 * NORMAL_95).abs() < 1e-14 && (low + high - 6.0).abs() < 1e-14);
    }
}
