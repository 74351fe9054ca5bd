//! Quantiles of χ² and what the likelihood ratio of a variance needs at few degrees of freedom.
//!
//! The quantile by halving of the incomplete gamma function ([`crate::special::probability`]); ψ by recurrence up to 6 and the
//! asymptotic series from there.
//!
//! **Range.** ν from 1 to a few hundred, probabilities from 10⁻⁶ to 1 − 10⁻⁶.
//!
//! References: Abramowitz & Stegun 1964, 6.3.18; Bartlett 1937, Proc. R. Soc. A 160:268 (both from memory).

use crate::special::probability::gamma_tail;

/// P(X ≤ x) of a χ² with ν degrees of freedom.
fn probability(nu: f64, x: f64) -> f64 {
    1.0 - gamma_tail(0.5 * nu, 0.5 * x)
}

/// x with P(X ≤ x) = p.
#[must_use]
pub fn quantile(nu: f64, p: f64) -> f64 {
    let (mut low, mut high) = (0.0, nu + 20.0);
    while probability(nu, high) < p {
        high *= 2.0;
    }
    for _ in 0..200 {
        let middle = 0.5 * (low + high);
        if probability(nu, middle) < p {
            low = middle;
        } else {
            high = middle;
        }
        if high - low <= 1e-14 * high {
            break;
        }
    }
    0.5 * (low + high)
}

/// ψ(x) = d ln Γ/dx for x > 0.
fn digamma(mut x: f64) -> f64 {
    let mut below = 0.0;
    while x < 6.0 {
        below += 1.0 / x;
        x += 1.0;
    }
    let s = 1.0 / (x * x);
    let series =
        s * (1.0 / 12.0 - s * (1.0 / 120.0 - s * (1.0 / 252.0 - s * (1.0 / 240.0 - s / 132.0))));
    x.ln() - 0.5 / x - series - below
}

/// Mean of the log-likelihood ratio statistic of a variance that ν normal deviates estimate, ν·(ln(ν/2) − ψ(ν/2)).
///
/// The statistic is ν·(r − 1 − ln r) with ν·r ~ χ²_ν. For many deviates the mean is 1, that of χ²₁; the statistic over
/// its mean follows χ²₁ closely at few ones too.
#[must_use]
pub fn variance_ratio_mean(nu: f64) -> f64 {
    nu * ((0.5 * nu).ln() - digamma(0.5 * nu))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn quantiles_are_those_of_the_tables() {
        // PUBLISHED (from memory): the common table of χ², three decimals, so half a unit of the last.
        for (nu, p, expected) in [
            (1.0, 0.95, 3.841),
            (1.0, 0.025, 0.001),
            (3.0, 0.025, 0.216),
            (3.0, 0.975, 9.348),
            (8.0, 0.025, 2.180),
            (8.0, 0.975, 17.535),
            (30.0, 0.95, 43.773),
        ] {
            let found = quantile(nu, p);
            assert!((found - expected).abs() <= 5e-4, "{nu} {p}: {found}");
        }
        // DERIVED: two degrees of freedom are exponential, −2·ln(1 − p). 1e-12: a few roundings and the halving.
        assert!((quantile(2.0, 0.9) / (-2.0 * 0.1_f64.ln()) - 1.0).abs() < 1e-12);
    }

    #[test]
    fn the_mean_of_the_ratio_is_exact() {
        // DERIVED: ψ(1) = −γ, ψ(½) = −γ − 2 ln 2 (Abramowitz & Stegun 6.3.2, 6.3.3). 1e-9: the series stops at x⁻¹⁰
        // with x ≥ 6.
        const GAMMA: f64 = 0.577_215_664_901_532_9;
        assert!((variance_ratio_mean(2.0) - 2.0 * GAMMA).abs() < 1e-9);
        assert!((variance_ratio_mean(1.0) - (GAMMA + 2_f64.ln())).abs() < 1e-9);
        // DERIVED: ln x − ψ(x) → 1/(2x) + 1/(12x²), so 1 + 1/(3ν).
        assert!((variance_ratio_mean(300.0) - 1.0 - 1.0 / 900.0).abs() < 1e-6);
    }
}
