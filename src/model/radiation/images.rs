//! Openings and their mirror images as point sources for each other.
//!
//! ```text
//! p/(ρc·U) = jk·e^(−jkr)/(Ω·r),  Ω = 4π in full space, 2π otherwise
//! ```
//!
//! Times ρc this is jωρ·e^(−jkr)/(2πr). In a quarter space the floor is the plane z = 0; in an eighth space
//! the wall y = 0 is there too; images count as openings of the same half space. An opening that touches the
//! floor is not sunk into it: the distance to its own image is at least its height.
//!
//! Range: kr of any size, r at least the sum of the half extents; nearer, a point source overstates the coupling.

use crate::design::Space;
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

/// The images of a point: none in full and half space, one in a quarter space (z → −z), three in an eighth
/// space (z, y, both).
#[must_use]
pub fn images(space: Space, position_m: [f64; 3]) -> Vec<[f64; 3]> {
    let [x, y, z] = position_m;
    match space {
        Space::Full | Space::Half => Vec::new(),
        Space::Quarter => vec![[x, y, -z]],
        Space::Eighth => vec![[x, y, -z], [x, -y, z], [x, -y, -z]],
    }
}

/// Distances, m, from an opening to its own images, in the order of [`images`]; `extent_m` is its width
/// (along y) and height (along z), the diameter twice for a circle.
///
/// A plane is never nearer to the centre than half the extent: the opening stands on the floor.
#[must_use]
pub fn own_image_distances(space: Space, position_m: [f64; 3], extent_m: [f64; 2]) -> Vec<f64> {
    let across = (2.0 * position_m[1].abs()).max(extent_m[0]);
    let up = (2.0 * position_m[2].abs()).max(extent_m[1]);
    match space {
        Space::Full | Space::Half => Vec::new(),
        Space::Quarter => vec![up],
        Space::Eighth => vec![up, across, up.hypot(across)],
    }
}
