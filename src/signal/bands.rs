//! stub
/// stub
#[derive(Debug, Clone, Copy)]
#[allow(missing_docs)]
pub struct ThirdOctave {
    pub nominal_hz: f64,
    pub center_hz: f64,
    pub low_hz: f64,
    pub high_hz: f64,
}
/// stub
pub fn third_octaves(low: f64, high: f64) -> Vec<ThirdOctave> {
    (-30..20)
        .map(|x| {
            let g = 10f64.powf(0.3);
            let c = 1000.0 * g.powf(x as f64 / 3.0);
            let n = [1.0, 1.25, 1.6, 2.0, 2.5, 3.15, 4.0, 5.0, 6.3, 8.0];
            let i = (x + 30) as usize;
            ThirdOctave {
                nominal_hz: n[i % 10] * 10f64.powi((i / 10) as i32),
                center_hz: c,
                low_hz: c * g.powf(-1.0 / 6.0),
                high_hz: c * g.powf(1.0 / 6.0),
            }
        })
        .filter(|b| b.high_hz > low && b.low_hz < high)
        .collect()
}
