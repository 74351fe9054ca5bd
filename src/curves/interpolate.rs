//! Interpolation of a curve between its frequencies, straight in the logarithm of the frequency.
//!
//! `y(f) = y0 + (y1 − y0)·ln(f/f0)/ln(f1/f0)`. It is never done on reading; whoever calls it says so.

/// Values at `at_hz`, straight between neighbours in the logarithm of the frequency.
///
/// `frequency_hz` ascends and has the length of `value`. `None` for each frequency outside the curve: there is no
/// extrapolation. A bound is met within 1e-9, so that rounding does not lose it.
#[must_use]
pub fn interpolate_log_frequency(
    frequency_hz: &[f64],
    value: &[f64],
    at_hz: &[f64],
) -> Vec<Option<f64>> {
    let count = frequency_hz.len().min(value.len());
    let (frequency_hz, value) = (&frequency_hz[..count], &value[..count]);
    let (Some(&low), Some(&high)) = (frequency_hz.first(), frequency_hz.last()) else {
        return vec![None; at_hz.len()];
    };
    at_hz
        .iter()
        .map(|&f| {
            if !(low * (1.0 - 1e-9)..=high * (1.0 + 1e-9)).contains(&f) {
                return None;
            }
            let above = frequency_hz.partition_point(|&x| x < f);
            if above == 0 {
                return value.first().copied();
            }
            if above == count {
                return value.last().copied();
            }
            let (f0, f1) = (frequency_hz[above - 1], frequency_hz[above]);
            let share = (f / f0).ln() / (f1 / f0).ln();
            Some(value[above - 1] + (value[above] - value[above - 1]) * share)
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_straight_line_in_the_logarithm_is_met_and_nothing_is_extrapolated() {
        // DERIVED: y = 3·log2(f/10), exact between any two of its points.
        let f = [10.0, 20.0, 80.0];
        let y = [0.0, 3.0, 9.0];
        let found = interpolate_log_frequency(
            &f,
            &y,
            &[9.0, 10.0, 14.142_135_623_730_951, 40.0, 80.0, 81.0],
        );
        let wanted = [None, Some(0.0), Some(1.5), Some(6.0), Some(9.0), None];
        for (found, wanted) in found.iter().zip(wanted) {
            match (found, wanted) {
                // A few roundings of numbers below 10.
                (Some(a), Some(b)) => assert!((a - b).abs() < 1e-14, "{a} {b}"),
                (a, b) => assert_eq!(*a, b),
            }
        }
        assert_eq!(interpolate_log_frequency(&[], &[], &[1.0]), [None]);
    }
}
