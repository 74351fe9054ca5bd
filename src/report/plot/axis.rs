//! Axes: from values to positions, and where the ticks go.

use super::Scale;

/// One axis between two positions.
#[derive(Debug, Clone, Copy)]
pub(super) struct Axis {
    scale: Scale,
    low: f64,
    high: f64,
    from: f64,
    to: f64,
}

/// A grid line: value, and whether it is labelled.
pub(super) type Tick = (f64, bool);

impl Axis {
    /// `low` is drawn at `from`, `high` at `to`. A range that cannot be drawn is replaced by one that can.
    pub(super) fn new(scale: Scale, range: [f64; 2], from: f64, to: f64) -> Self {
        let [mut low, mut high] = range;
        if low > high {
            std::mem::swap(&mut low, &mut high);
        }
        let drawable = low.is_finite() && high.is_finite() && (scale == Scale::Linear || low > 0.0);
        if !drawable {
            (low, high) = match scale {
                Scale::Linear => (0.0, 1.0),
                Scale::Log => (10.0, 1000.0),
            };
        }
        let flat = match scale {
            Scale::Linear => high - low <= 1e-9 * low.abs().max(high.abs()).max(1e-9),
            Scale::Log => high / low <= 1.0 + 1e-6,
        };
        if flat {
            (low, high) = match scale {
                Scale::Linear => (low - 1.0, high + 1.0),
                Scale::Log => (low / 2.0, high * 2.0),
            };
        }
        Self {
            scale,
            low,
            high,
            from,
            to,
        }
    }

    pub(super) fn range(&self) -> [f64; 2] {
        [self.low, self.high]
    }

    /// Position of a value, `None` where there is none. It may lie beyond the ends, at most ten lengths away.
    pub(super) fn at(&self, value: f64) -> Option<f64> {
        let part = match self.scale {
            Scale::Linear => (value - self.low) / (self.high - self.low),
            Scale::Log if value > 0.0 => (value / self.low).ln() / (self.high / self.low).ln(),
            Scale::Log => return None,
        };
        part.is_finite()
            .then(|| self.from + part.clamp(-10.0, 11.0) * (self.to - self.from))
    }

    /// Grid lines, ascending. `room` is how many labels fit.
    pub(super) fn ticks(&self, room: usize) -> Vec<Tick> {
        match self.scale {
            Scale::Linear => {
                let step = step(self.high - self.low, room.max(2));
                let first = (self.low / step - 1e-9).ceil() as i64;
                let last = (self.high / step + 1e-9).floor() as i64;
                (first..=last.min(first.saturating_add(200)))
                    .map(|n| (n as f64 * step, true))
                    .collect()
            }
            Scale::Log => self.log_ticks(room.max(2)),
        }
    }

    fn log_ticks(&self, room: usize) -> Vec<Tick> {
        let first = self.low.log10().floor() as i32;
        let last = self.high.log10().ceil() as i32;
        let inside = |v: f64| v >= self.low * (1.0 - 1e-9) && v <= self.high * (1.0 + 1e-9);
        let sets: [&[f64]; 4] = [
            &[1.0, 1.5, 2.0, 3.0, 4.0, 5.0, 6.0, 7.0, 8.0, 9.0],
            &[1.0, 2.0, 3.0, 5.0, 7.0],
            &[1.0, 2.0, 5.0],
            &[1.0],
        ];
        let list = |set: &[f64]| -> Vec<f64> {
            (first..=last.min(first + 30))
                .flat_map(|d| set.iter().map(move |m| m * 10f64.powi(d)))
                .filter(|&v| inside(v))
                .collect()
        };
        // Labels at 1-2-5 are what a reader of octaves expects; finer ones only where those are too few.
        let coarse = list(sets[2]);
        let labelled = if coarse.len() < 3 {
            [sets[1], sets[0]]
                .into_iter()
                .map(list)
                .find(|l| l.len() >= 3)
                .unwrap_or_else(|| list(sets[0]))
        } else if coarse.len() > room {
            list(sets[3])
        } else {
            coarse
        };
        let every: &[f64] = &[1.0, 2.0, 3.0, 4.0, 5.0, 6.0, 7.0, 8.0, 9.0];
        let mut ticks: Vec<Tick> = labelled.iter().map(|&v| (v, true)).collect();
        if last - first < 5 {
            let near = |v: f64| labelled.iter().any(|l| (l / v - 1.0).abs() < 1e-6);
            ticks.extend(
                list(every)
                    .into_iter()
                    .filter(|&v| !near(v))
                    .map(|v| (v, false)),
            );
        }
        ticks.sort_by(|a, b| a.0.total_cmp(&b.0));
        ticks
    }
}

/// The 1-2-5 step that divides `span` into at most `room` parts.
pub(super) fn step(span: f64, room: usize) -> f64 {
    let raw = span / room as f64;
    if !(raw.is_finite() && raw > 0.0) {
        return 1.0;
    }
    let decade = 10f64.powf(raw.log10().floor());
    [1.0, 2.0, 5.0, 10.0]
        .into_iter()
        .map(|m| m * decade)
        .find(|&s| s >= raw * (1.0 - 1e-9))
        .unwrap_or(10.0 * decade)
}

/// A number on an axis: as many digits as it has, no more than four, with a true minus sign.
pub(super) fn label(value: f64) -> String {
    if !value.is_finite() {
        return "–".to_owned();
    }
    if value.abs() < 1e-12 {
        return "0".to_owned();
    }
    let size = value.abs();
    if !(1e-3..1e6).contains(&size) {
        return format!("{value:.1e}").replace('-', "−");
    }
    let digits = (3 - size.log10().floor() as i32).clamp(0, 6) as usize;
    let text = format!("{value:.digits$}");
    let text = if text.contains('.') {
        text.trim_end_matches('0').trim_end_matches('.')
    } else {
        &text
    };
    text.replace('-', "−")
}

/// Ends of an ordinate that hold all `values`, rounded to ticks; of decibels at most 70 are shown.
pub(super) fn fit_range(scale: Scale, values: impl Iterator<Item = f64>) -> [f64; 2] {
    let (mut low, mut high) = (f64::INFINITY, f64::NEG_INFINITY);
    for value in values.filter(|v| v.is_finite() && (scale == Scale::Linear || *v > 0.0)) {
        low = low.min(value);
        high = high.max(value);
    }
    if low > high {
        return match scale {
            Scale::Linear => [-1.0, 1.0],
            Scale::Log => [1.0, 100.0],
        };
    }
    match scale {
        Scale::Linear => {
            let pad = (0.04 * (high - low)).max(0.05 * (1.0 + 0.02 * high.abs()));
            let step = step(high - low + 2.0 * pad, 6);
            let top = ((high + pad) / step).ceil() * step;
            let bottom = ((low - pad) / step).floor() * step;
            [bottom.max(top - 70.0), top]
        }
        Scale::Log => [low / 1.15, high * 1.15],
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// DERIVED: the geometric mean of the ends lies in the middle of a logarithmic axis.
    #[test]
    fn positions() {
        let axis = Axis::new(Scale::Log, [10.0, 1000.0], 0.0, 200.0);
        assert!((axis.at(100.0).unwrap_or(f64::NAN) - 100.0).abs() < 1e-9);
        assert_eq!(axis.at(0.0), None);
        assert_eq!(axis.at(f64::NAN), None);
        let axis = Axis::new(Scale::Linear, [-6.0, 6.0], 100.0, 0.0);
        assert!((axis.at(3.0).unwrap_or(f64::NAN) - 25.0).abs() < 1e-9);
    }

    #[test]
    fn octave_labels() {
        let axis = Axis::new(Scale::Log, [8.0, 250.0], 0.0, 1.0);
        let labels: Vec<String> = axis
            .ticks(12)
            .into_iter()
            .filter(|t| t.1)
            .map(|t| label(t.0))
            .collect();
        assert_eq!(labels, ["10", "20", "50", "100", "200"]);
    }

    #[test]
    fn labels_and_steps() {
        assert_eq!(label(-2.5), "−2.5");
        assert_eq!(label(0.1 + 0.2), "0.3");
        assert_eq!(label(20_000.0), "20000");
        assert_eq!(label(f64::NAN), "–");
        // DERIVED: 37 in at most six parts is steps of 10.
        assert_eq!(step(37.0, 6), 10.0);
        assert_eq!(step(0.0, 6), 1.0);
    }

    #[test]
    fn impossible_ranges_are_replaced() {
        for range in [
            [f64::NAN, 1.0],
            [0.0, 0.0],
            [-1.0, 5.0],
            [5.0, 5.0],
            [9.0, 1.0],
        ] {
            for scale in [Scale::Linear, Scale::Log] {
                let [low, high] = Axis::new(scale, range, 0.0, 1.0).range();
                assert!(low < high, "{range:?} {scale:?}");
            }
        }
    }
}
