//! Repeatable normal deviates in independent streams.
//!
//! SplitMix64 (Steele, Lea & Flood 2014): a counter times the golden ratio, scrambled; the start of a stream is itself scrambled
//! from seed and number, so that a stream needs nothing of the ones before it and may be computed anywhere. Box & Muller
//! 1958: √(−2 ln u)·(cos 2πv, sin 2πv) for uniform u, v.

/// One stream of a seed.
#[derive(Debug, Clone)]
pub struct Deviates {
    state: u64,
    spare: Option<f64>,
}

const GOLDEN: u64 = 0x9e37_79b9_7f4a_7c15;

fn scrambled(mut z: u64) -> u64 {
    z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
    z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
    z ^ (z >> 31)
}

impl Deviates {
    /// Stream `stream` of `seed`.
    #[must_use]
    pub fn new(seed: u64, stream: u64) -> Self {
        let start = scrambled(seed.wrapping_add(GOLDEN));
        Self {
            state: scrambled(start ^ stream.wrapping_mul(0xd134_2543_de82_ef95)),
            spare: None,
        }
    }

    /// Uniform in (0, 1), neither end.
    pub fn uniform(&mut self) -> f64 {
        self.state = self.state.wrapping_add(GOLDEN);
        ((scrambled(self.state) >> 11) as f64 + 0.5) / (1_u64 << 53) as f64
    }

    /// Standard normal.
    pub fn normal(&mut self) -> f64 {
        if let Some(value) = self.spare.take() {
            return value;
        }
        // libm: the same bits on every machine.
        let radius = (-2.0 * libm::log(self.uniform())).sqrt();
        let (sin, cos) = libm::sincos(std::f64::consts::TAU * self.uniform());
        self.spare = Some(radius * sin);
        radius * cos
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// DERIVED: moments 0, 1, 0, 3 of the normal distribution within four of their own standard errors (1, √2, √15, √96 over √n), over
    /// many short streams and within one long one, and no correlation of neighbours.
    #[test]
    fn moments_are_those_of_the_normal_distribution() {
        let n = 200_000;
        let mut long = Deviates::new(3, 0);
        let series = [
            (0..n)
                .map(|i| Deviates::new(7, i).normal())
                .collect::<Vec<f64>>(),
            (0..n).map(|_| long.normal()).collect(),
        ];
        for x in series {
            let mean = |f: &dyn Fn(f64) -> f64| x.iter().map(|v| f(*v)).sum::<f64>() / n as f64;
            let error = 4.0 / (n as f64).sqrt();
            assert!(mean(&|v| v).abs() < error);
            assert!((mean(&|v| v * v) - 1.0).abs() < error * 2f64.sqrt());
            assert!(mean(&|v| v.powi(3)).abs() < error * 15f64.sqrt());
            assert!((mean(&|v| v.powi(4)) - 3.0).abs() < error * 96f64.sqrt());
            let neighbours: f64 = x.windows(2).map(|w| w[0] * w[1]).sum::<f64>() / n as f64;
            assert!(neighbours.abs() < error);
        }
    }

    #[test]
    fn a_seed_repeats_and_another_does_not() {
        let draw = |seed, stream| Deviates::new(seed, stream).normal();
        assert_eq!(draw(1, 2), draw(1, 2));
        assert_ne!(draw(1, 2), draw(1, 3));
        assert_ne!(draw(1, 2), draw(2, 2));
    }
}
