//! Bends: the inertance that a 90° corner lacks against its centre-line length, at low frequency.
//!
//! Well below the first cross mode the flow in a corner is plane potential flow, the same problem as the sheet
//! resistance of a thin film. A sharp corner of a channel of height h counts as 0.559 squares where the
//! centre line counts as 1, so that the inertance is that of a length shorter by 0.441·h (exact by conformal
//! mapping; the value 0.559 from memory). A quarter ring with the inner radius h/2 has
//! (π/2)/ln(r_o/r_i) squares, 1.430 for r_o/r_i = 3, where the centre line has π/2 = 1.571: shorter by 0.141·h.
//! The compliance is that of the centre-line length in both cases. The corner takes the last h of the duct's centre
//! line, over which the correction is spread. Range: k·h ≪ 1. Spread: the corner's own
//! shape (rounded inner edge, deflector) moves the sharp value by about ±0.1·h (judgement, no published source).

use crate::design::Bend;

/// Length to add to the duct at its bent end over the channel's height there (negative: it is shorter).
#[must_use]
pub fn length_per_height(bend: Bend) -> f64 {
    match bend {
        Bend::None => 0.0,
        Bend::Mitred => -0.441,
        Bend::Rounded => std::f64::consts::FRAC_PI_2 / 3f64.ln() - std::f64::consts::FRAC_PI_2,
    }
}
