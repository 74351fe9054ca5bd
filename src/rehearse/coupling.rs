//! What the openings hear of each other and of their own mirror images: delayed monopoles in time.
//!
//! ```text
//! p(t) = rho/(omega·r)·dU/dt(t − r/c)          omega = 2π beside one plane, 4π in free space
//! ```
//!
//! Floor and side wall mirror every opening, wherever these planes lie ([`Planes`]). A plane is never nearer to an
//! opening's centre than half its extent, so that the distance to its own image is at least its full height or width;
//! a near image's part of an opening's own load is fitted into its ladder. What one opening hears of another goes
//! through a short filter in the time loop, a delayed derivative, exact (to 0.1 %) in the band and small soon above, so
//! that the loop over several openings stays stable: a point source would be stronger there than any real opening.

use super::fit::solve;
use crate::design::{Opening, OpeningShape, Planes, Space};
use num_complex::Complex64;
use std::f64::consts::PI;

/// A point and its mirror images: the point itself, in the floor, in the wall, in both.
pub(super) fn with_images(point_m: [f64; 3], planes: Planes) -> Vec<[f64; 3]> {
    let mut list = vec![point_m];
    for (axis, plane) in [(2, planes.floor_z_m), (1, planes.wall_y_m)] {
        let Some(plane) = plane else { continue };
        for k in 0..list.len() {
            let mut image = list[k];
            image[axis] = 2.0 * plane - image[axis];
            list.push(image);
        }
    }
    list
}

/// Solid angle of a monopole beside the baffle, or in free space.
pub(super) fn solid_angle(space: Space) -> f64 {
    match space {
        Space::Full => 4.0 * PI,
        _ => 2.0 * PI,
    }
}

/// Distances at which opening `at` hears opening `source` (its images included), m; its direct self is left out.
pub(super) fn distances_m(
    at: usize,
    source: usize,
    openings: &[Opening],
    planes: Planes,
) -> Vec<f64> {
    let (here, there) = (&openings[at], openings[source].position_m);
    if at != source {
        return with_images(there, planes)
            .iter()
            .map(|&image| distance_m(here.position_m, image))
            .collect();
    }
    let away = |plane: Option<f64>, axis: usize, size: f64| {
        plane.map(|plane| (2.0 * (there[axis] - plane).abs()).max(size))
    };
    let [width, height] = size_m(here);
    let below = away(planes.floor_z_m, 2, height);
    let beside = away(planes.wall_y_m, 1, width);
    let diagonal = below.zip(beside).map(|(z, y)| z.hypot(y));
    [below, beside, diagonal].into_iter().flatten().collect()
}

/// Whether an image is so near that its part of the load belongs into the opening's ladder: beyond, the delayed
/// coupling k·S/(2πr), half that in free space, stays below a third up to twice the band, and the loop is stable.
pub(super) fn is_near(opening: &Opening, distance_m: f64, top_rad_per_m: f64) -> bool {
    2.0 * top_rad_per_m * opening.area_m2 > 0.35 * 2.0 * PI * distance_m
}

fn size_m(opening: &Opening) -> [f64; 2] {
    match opening.shape {
        OpeningShape::Round => [2.0 * super::radiation::radius_m(opening.area_m2); 2],
        OpeningShape::Rectangular { width_m, height_m } => [width_m, height_m],
    }
}

/// Distance of two points, m.
pub(super) fn distance_m(a: [f64; 3], b: [f64; 3]) -> f64 {
    (0..3).map(|k| (a[k] - b[k]).powi(2)).sum::<f64>().sqrt()
}

/// A causal filter on the past samples of a volume velocity: `Σ tap[k]·U[n − first − k]`.
#[derive(Debug, Clone)]
pub(super) struct Delayed {
    /// Smallest lag, samples (at least 1).
    pub first: usize,
    /// Taps.
    pub tap: Vec<f64>,
}

impl Delayed {
    /// Delayed derivative: `gain·d/dt` at `delay` samples, exact below `band` rad per sample; `gain` in units of one
    /// over the sample period.
    pub fn derivative(delay: f64, gain: f64, band: f64) -> Self {
        // The longer the delay, the more past there is to shape the filter with.
        let whole = delay.floor() as usize;
        let half = whole.clamp(12, 40);
        let first = whole.saturating_sub(half).max(1);
        let end = (whole + half + 1).max(first + 20);
        let n = end - first;
        let mut points: Vec<(f64, f64, f64)> = (0..40)
            .map(|i| {
                let w = band * (f64::from(i) + 0.5) / 40.0;
                (w, 1.0 / w, 1.0)
            })
            .collect();
        // Above the band it fades out; openings that are near each other are small beside a step's path, and need less
        // of that.
        let quiet = 4e-3 * (delay / 8.0).powi(2).clamp(1e-3, 1.0);
        let fade = (3.0 * band).min(0.8 * PI);
        points.extend((0..80).map(|i| {
            let w = band + (PI - band) * (f64::from(i) + 0.5) / 80.0;
            (w, quiet, ((fade - w) / (fade - band)).max(0.0))
        }));
        let mut matrix = vec![0.0; n * n];
        let mut right = vec![0.0; n];
        for (w, weight, share) in points {
            let column: Vec<Complex64> = (0..n)
                .map(|k| weight * Complex64::from_polar(1.0, -w * (first + k) as f64))
                .collect();
            let wanted =
                weight * share * Complex64::new(0.0, w) * Complex64::from_polar(1.0, -w * delay);
            for i in 0..n {
                right[i] += (column[i].conj() * wanted).re;
                for j in 0..n {
                    matrix[i * n + j] += (column[i].conj() * column[j]).re;
                }
            }
        }
        for i in 0..n {
            matrix[i * n + i] += 1e-9;
        }
        let tap = solve(matrix, right).iter().map(|t| t * gain).collect();
        Self { first, tap }
    }

    /// How many past samples it looks at.
    pub fn reach(&self) -> usize {
        self.first + self.tap.len()
    }

    /// Value for the coming sample, whose index is `past.len()`.
    pub fn of(&self, past: &[f64]) -> f64 {
        let Some(newest) = past.len().checked_sub(self.first) else {
            return 0.0;
        };
        self.tap
            .iter()
            .enumerate()
            .map(|(k, tap)| newest.checked_sub(k).map_or(0.0, |i| tap * past[i]))
            .sum()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_delayed_derivative_is_exact_in_the_band_and_small_above() {
        for delay in [1.3, 2.5, 6.8, 40.2] {
            let band = 0.25;
            let filter = Delayed::derivative(delay, 1.0, band);
            let at = |w: f64| -> Complex64 {
                filter
                    .tap
                    .iter()
                    .enumerate()
                    .map(|(k, t)| t * Complex64::from_polar(1.0, -w * (filter.first + k) as f64))
                    .sum()
            };
            for i in 1..=20 {
                let w = band * f64::from(i) / 20.0;
                let wanted = Complex64::new(0.0, w) * Complex64::from_polar(1.0, -w * delay);
                // DERIVED: jω·e^(−jωτ). 0.2 % of a coupling that is itself a part of the load.
                assert!((at(w) - wanted).norm() < 2e-3 * w, "{delay} {w} {}", at(w));
            }
            let loudest = (0..=100)
                .map(|i| at(1.0 + (PI - 1.0) * f64::from(i) / 100.0).norm())
                .fold(0.0, f64::max);
            // DERIVED: two openings at the distance r have S < r²; the coupling over the load ρc/S is then below
            // delay·loudest/(2π), which must not exceed one. A pure derivative would reach π.
            assert!(loudest * delay / (2.0 * PI) < 1.0, "{delay}: {loudest}");
        }
    }

    #[test]
    fn an_image_on_the_floor_is_one_height_away() {
        let opening = Opening {
            name: "m".into(),
            at: "m".into(),
            area_m2: 0.12,
            shape: OpeningShape::Rectangular {
                width_m: 0.4,
                height_m: 0.3,
            },
            position_m: [0.0, 0.0, 0.0],
            flange: crate::design::Flange::Infinite,
            end_correction_factor: 1.0,
            max_velocity_m_per_s: None,
        };
        let list = [opening];
        let floor = Planes {
            floor_z_m: Some(0.0),
            wall_y_m: None,
        };
        let corner = Planes {
            wall_y_m: Some(0.0),
            ..floor
        };
        // DERIVED: the rule stated above.
        let own = |planes| distances_m(0, 0, &list, planes);
        assert_eq!(own(Planes::default()), Vec::<f64>::new());
        assert_eq!(own(floor), vec![0.3]);
        let eighth = own(corner);
        assert!((eighth[2] - 0.5).abs() < 1e-12 && eighth[1] == 0.4);
        // DERIVED: twice the distance of the plane; a plane nearer than half the opening counts as touching it.
        let away = |floor: f64, wall: f64| Planes {
            floor_z_m: Some(-floor),
            wall_y_m: Some(-wall),
        };
        assert_eq!(own(away(0.6, 0.1))[..2], [1.2, 0.4]);
    }

    #[test]
    fn planes_at_a_distance_mirror_in_three_images() {
        let planes = Planes {
            floor_z_m: Some(-0.5),
            wall_y_m: Some(2.0),
        };
        // DERIVED: reflection z → 2f − z and y → 2w − y, and both.
        assert_eq!(
            with_images([0.1, 0.5, 1.0], planes),
            [
                [0.1, 0.5, 1.0],
                [0.1, 0.5, -2.0],
                [0.1, 3.5, 1.0],
                [0.1, 3.5, -2.0]
            ]
        );
    }
}
