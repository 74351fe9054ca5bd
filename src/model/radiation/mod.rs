//! Radiation of openings: the load on an opening, the pressure on its axis, and what openings do to each other.
//!
//! An opening is a rigid piston of uniform velocity. Impedances are normalised: Z·S/(ρc), or p/(ρc·v).
//!
//! ```text
//! load, flanged        Z·S/(ρc) = (jk/(2πS))·∬∬ e^(−jkr)/r dS dS'
//! load, no flange      Z·S/(ρc) = (1 + R)/(1 − R),  R = −|R|·e^(−2jkl)
//! axis, flanged        p/(ρc·v) = e^(−jkd) − mean over the rim's directions of e^(−jk√(R² + d²))
//! another opening      p/(ρc·U) = jk·e^(−jkr)/(Ω·r), Ω = 2π in half space, 4π in full space
//! ```
//!
//! | symbol | variable | unit |
//! | --- | --- | --- |
//! | k | wave number ω/c | 1/m |
//! | S | `area_m2` | m² |
//! | d, r | distance on the axis, distance of centres | m |
//! | v, U | velocity and volume velocity, positive outwards | m/s, m³/s |
//! | Z | acoustic impedance p/U at the plane of the opening | Pa·s/m³ |
//!
//! Time factor e^(+jωt). All k ≥ 0: flanged forms are exact to 1e-9 or better, and real parts are never negative.
//! Without flange, see [`unflanged`]. A rectangle without flange counts as the circle of equal area.
//!
//! References: Lord Rayleigh, 1896, The Theory of Sound II, §302 (flanged circle). L. Beranek, Acoustics, 1954,
//! ch. 5. H. Levine and J. Schwinger, 1948, On the radiation of sound from an unflanged circular pipe, Phys.
//! Rev. 73:383.

pub mod axis;
pub mod images;
mod rectangular;
mod round;
mod series;
pub mod unflanged;

pub use axis::{Axis, AxisPressure};
pub use images::{images, mutual, mutual_with_slope, own_image_distances};

use crate::design::{Flange, OpeningShape};
use num_complex::Complex64;
use rectangular::Rectangle;
use std::f64::consts::PI;

/// How an opening radiates.
#[derive(Debug, Clone)]
enum Form {
    Round,
    Rectangular(Rectangle),
    Unflanged,
}

/// One opening, prepared for many frequencies.
#[derive(Debug, Clone)]
pub struct Piston {
    area_m2: f64,
    /// Extent along y and z, m.
    extent_m: [f64; 2],
    form: Form,
}

impl Piston {
    /// An opening of the given area, greater than zero. A rectangle keeps its proportions and takes the area.
    #[must_use]
    pub fn new(shape: OpeningShape, area_m2: f64, flange: Flange) -> Self {
        let diameter = 2.0 * (area_m2 / PI).sqrt();
        let (extent_m, form) = match (shape, flange) {
            (OpeningShape::Round, Flange::Infinite) => ([diameter; 2], Form::Round),
            (OpeningShape::Round, Flange::None) => ([diameter; 2], Form::Unflanged),
            (OpeningShape::Rectangular { width_m, height_m }, flange) => {
                let factor = (area_m2 / (width_m * height_m)).sqrt();
                let extent = [width_m * factor, height_m * factor];
                match flange {
                    Flange::Infinite => (
                        extent,
                        Form::Rectangular(Rectangle::new(width_m / height_m)),
                    ),
                    Flange::None => (extent, Form::Unflanged),
                }
            }
        };
        Self {
            area_m2,
            extent_m,
            form,
        }
    }

    /// The same shape with another area; cheap, as the preparation depends on the shape only.
    #[must_use]
    pub fn with_area(&self, area_m2: f64) -> Self {
        let factor = (area_m2 / self.area_m2).sqrt();
        Self {
            area_m2,
            extent_m: self.extent_m.map(|x| x * factor),
            form: self.form.clone(),
        }
    }

    /// Area, m².
    #[must_use]
    pub fn area_m2(&self) -> f64 {
        self.area_m2
    }

    /// Width (along y) and height (along z), m; the diameter twice for a circle.
    #[must_use]
    pub fn extent_m(&self) -> [f64; 2] {
        self.extent_m
    }

    /// Radius of the circle of equal area, m.
    #[must_use]
    pub fn radius_m(&self) -> f64 {
        (self.area_m2 / PI).sqrt()
    }

    /// Radiation load Z·S/(ρc) at the wave number `k_per_m` ≥ 0.
    #[must_use]
    pub fn self_impedance(&self, k_per_m: f64) -> Complex64 {
        self.self_impedance_with_slope(k_per_m).0
    }

    /// Radiation load Z·S/(ρc) and its derivative with respect to the wave number, m.
    ///
    /// The load depends on k·√S only, so its derivative with respect to the area is k/(2S) times this slope;
    /// see [`Self::self_impedance_by_area`].
    #[must_use]
    pub fn self_impedance_with_slope(&self, k_per_m: f64) -> (Complex64, Complex64) {
        let (scale_m, (value, slope)) = match &self.form {
            Form::Round => {
                let diameter = self.extent_m[0];
                (diameter, round::load(k_per_m * diameter))
            }
            Form::Rectangular(rectangle) => {
                let diagonal = self.extent_m[0].hypot(self.extent_m[1]);
                (diagonal, rectangle.load(k_per_m * diagonal))
            }
            Form::Unflanged => {
                let radius = self.radius_m();
                (radius, unflanged::load(k_per_m * radius))
            }
        };
        (value, slope * scale_m)
    }

    /// Radiation load Z·S/(ρc) and its derivative with respect to the area, 1/m².
    #[must_use]
    pub fn self_impedance_by_area(&self, k_per_m: f64) -> (Complex64, Complex64) {
        let (value, slope) = self.self_impedance_with_slope(k_per_m);
        (value, slope * (k_per_m / (2.0 * self.area_m2)))
    }

    /// Prepares a point on the axis, `distance_m` ≥ 0 from the plane of the opening.
    #[must_use]
    pub fn axis(&self, distance_m: f64) -> Axis {
        match &self.form {
            Form::Round => Axis::round(self.radius_m(), distance_m),
            Form::Rectangular(_) => Axis::rectangular(self.extent_m, distance_m),
            Form::Unflanged => Axis::unflanged(self.radius_m(), distance_m),
        }
    }

    /// Pressure p/(ρc·v) on the axis. For many frequencies prepare it once with [`Self::axis`].
    #[must_use]
    pub fn on_axis(&self, k_per_m: f64, distance_m: f64) -> Complex64 {
        self.axis(distance_m).pressure(k_per_m).value
    }
}

#[cfg(test)]
mod tests;
