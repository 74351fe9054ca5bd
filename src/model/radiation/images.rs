//! Openings and their mirror images as point sources for each other.
//!
//! ```text
//! p/(ρc·U) = jk·e^(−jkr)/(Ω·r),  Ω = 4π in full space, 2π otherwise
//! ```
//!
//! Times ρc this is jωρ·e^(−jkr)/(2πr). The floor is a plane of constant z, the side wall one of constant y, rigid
//! and infinite ([`Planes`]); images count as openings of the same space. An opening that touches the floor is not
//! sunk into it: the distance to its own image is at least its height.
//!
//! Range: kr of any size, r at least the sum of the half extents; nearer, a point source overstates the coupling.

use crate::design::{Planes, Space};
use num_complex::Complex64;
use std::f64::consts::PI;

/// Pressure p/(ρc·U) at the distance `distance_m` > 0 of a point source in the given space, 1/m².
#[must_use]
pub fn mutual(space: Space, k_per_m: f64, distance_m: f64) -> Complex64 {
    let angle = match space {
        Space::Full => 4.0 * PI,
        Space::Half | Space::Quarter | Space::Eighth => 2.0 * PI,
    };
    let (sin, cos) = (k_per_m * distance_m).sin_cos();
    let size = k_per_m / (angle * distance_m);
    // j·e^(−jkr)
    Complex64::new(size * sin, size * cos)
}

/// [`mutual`] and its derivative with respect to the distance, 1/m³.
#[must_use]
pub fn mutual_with_slope(space: Space, k_per_m: f64, distance_m: f64) -> (Complex64, Complex64) {
    let value = mutual(space, k_per_m, distance_m);
    (value, value * Complex64::new(-1.0 / distance_m, -k_per_m))
}

/// The images of a point: in the floor, in the wall, in both.
#[must_use]
pub fn images(planes: Planes, position_m: [f64; 3]) -> Vec<[f64; 3]> {
    let [x, y, z] = position_m;
    let below = planes.floor_z_m.map(|f| 2.0 * f - z);
    let beside = planes.wall_y_m.map(|w| 2.0 * w - y);
    let mut list = Vec::new();
    list.extend(below.map(|z| [x, y, z]));
    list.extend(beside.map(|y| [x, y, z]));
    list.extend(beside.zip(below).map(|(y, z)| [x, y, z]));
    list
}

/// Distances, m, from an opening to its own images, in the order of [`images`]; `extent_m` is its width
/// (along y) and height (along z), the diameter twice for a circle.
///
/// A plane is never nearer to the centre than half the extent: the opening stands on the floor.
#[must_use]
pub fn own_image_distances(planes: Planes, position_m: [f64; 3], extent_m: [f64; 2]) -> Vec<f64> {
    let apart = |plane: Option<f64>, at: f64, extent: f64| {
        plane.map(|plane| (2.0 * (at - plane).abs()).max(extent))
    };
    let up = apart(planes.floor_z_m, position_m[2], extent_m[1]);
    let across = apart(planes.wall_y_m, position_m[1], extent_m[0]);
    let both = up.zip(across).map(|(up, across)| up.hypot(across));
    up.into_iter().chain(across).chain(both).collect()
}
