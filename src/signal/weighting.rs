//! Frequency weightings A and C of sound level meters, from their poles.
//!
//! ```text
//! C(f) = 20·lg(f4²·f²/((f² + f1²)·(f² + f4²))) + 0.062 dB
//! A(f) = 20·lg(f4²·f⁴/((f² + f1²)·√((f² + f2²)·(f² + f3²))·(f² + f4²))) + 2.000 dB
//! ```
//!
//! f1 = 20.598997, f2 = 107.65265, f3 = 737.86223, f4 = 12194.217 Hz; 0 dB at 1 kHz. Below 20 Hz both fall steeply, C with
//! 12 dB per octave: at 10 Hz it hides 14 dB and at 5 Hz 25 dB of a sound pressure that is there all the same.
//!
//! Reference: IEC 61672-1, annex with the analytical expressions (from memory).

const POLE_HZ: [f64; 4] = [20.598_997, 107.652_65, 737.862_23, 12_194.217];

/// C-weighting, dB.
#[must_use]
pub fn c_db(frequency_hz: f64) -> f64 {
    let [low, _, _, high] = POLE_HZ;
    let square = frequency_hz * frequency_hz;
    let gain = high * high * square / ((square + low * low) * (square + high * high));
    20.0 * gain.log10() + 0.062
}

/// A-weighting, dB.
#[must_use]
pub fn a_db(frequency_hz: f64) -> f64 {
    let [_, second, third, _] = POLE_HZ;
    let square = frequency_hz * frequency_hz;
    let more = square / ((square + second * second) * (square + third * third)).sqrt();
    c_db(frequency_hz) + 20.0 * more.log10() + 2.000 - 0.062
}

#[cfg(test)]
mod tests {
    use super::*;

    /// PUBLISHED: IEC 61672-1, table of weightings at nominal frequencies (from memory). 0.05 dB: its last digit, and 0.05
    /// dB more because a nominal frequency is not the exact one.
    #[test]
    fn weightings_are_those_of_the_table() {
        let table = [
            (10.0, -70.4, -14.3),
            (12.589_254, -63.4, -11.2),
            (15.848_932, -56.7, -8.5),
            (19.952_623, -50.5, -6.2),
            (31.622_777, -39.4, -3.0),
            (63.095_734, -26.2, -0.8),
            (125.892_54, -16.1, -0.2),
            (251.188_64, -8.6, 0.0),
            (501.187_23, -3.2, 0.0),
            (1_000.0, 0.0, 0.0),
            (7_943.282_3, -1.1, -3.0),
        ];
        for (hz, a, c) in table {
            assert!((a_db(hz) - a).abs() < 0.1, "A at {hz}: {}", a_db(hz));
            assert!((c_db(hz) - c).abs() < 0.1, "C at {hz}: {}", c_db(hz));
        }
    }
}
