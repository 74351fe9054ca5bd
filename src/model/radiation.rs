//! stub
use crate::design::{Flange, OpeningShape, Space};
use num_complex::Complex64;
/// stub
#[derive(Debug, Clone)]
pub struct Piston {
    a: f64,
}
fn series(x: f64) -> (f64, f64) {
    // 1-2J1(x)/x, 2H1(x)/x
    let mut j = 0.0;
    let mut t = 1.0;
    for m in 0..60 {
        let mf = m as f64;
        if m > 0 {
            t *= -(x * x / 4.0) / (mf * (mf + 1.0));
            j += t;
        }
    }
    let mut h = 0.0;
    let mut u = 4.0 * x / (3.0 * std::f64::consts::PI);
    for m in 0..60 {
        h += u;
        let mf = m as f64;
        u *= -(x * x) / ((2.0 * mf + 3.0) * (2.0 * mf + 5.0));
    }
    (-j, h)
}
#[allow(missing_docs)]
impl Piston {
    pub fn new(_s: &OpeningShape, area: f64, _f: Flange) -> Self {
        Self {
            a: (area / std::f64::consts::PI).sqrt(),
        }
    }
    pub fn self_impedance(&self, k: f64) -> Complex64 {
        let (r, x) = series(2.0 * k * self.a);
        Complex64::new(r, x)
    }
    pub fn self_impedance_with_slope(&self, k: f64) -> (Complex64, Complex64) {
        let h = 1e-5 * k;
        (
            self.self_impedance(k),
            (self.self_impedance(k + h) - self.self_impedance(k - h)) / (2.0 * h),
        )
    }
    pub fn on_axis(&self, k: f64, d: f64) -> Complex64 {
        Complex64::from_polar(1.0, -k * d) - Complex64::from_polar(1.0, -k * d.hypot(self.a))
    }
    pub fn on_axis_with_size_slope(&self, k: f64, d: f64) -> (Complex64, Complex64) {
        let h = 1e-5;
        let f = |s: f64| Piston { a: self.a * s }.on_axis(k, d);
        (self.on_axis(k, d), (f(1.0 + h) - f(1.0 - h)) / (2.0 * h))
    }
    pub fn on_axis_distance_slope(&self, k: f64, d: f64) -> Complex64 {
        let h = 1e-6;
        (self.on_axis(k, d + h) - self.on_axis(k, d - h)) / (2.0 * h)
    }
}
/// stub
pub fn mutual(_s: Space, k: f64, r: f64) -> Complex64 {
    Complex64::new(0.0, k / (2.0 * std::f64::consts::PI * r)) * Complex64::from_polar(1.0, -k * r)
}
/// stub
pub fn images(_s: Space, _p: [f64; 3]) -> Vec<[f64; 3]> {
    Vec::new()
}
