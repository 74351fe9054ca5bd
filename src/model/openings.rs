//! Openings that load each other, and the microphones that hear them.
//!
//! ```text
//! p_i = Σ_j Z_ij·U_j      Z_ii = (ρc/S)·(r + jx·factor) + own images,  Z_ij = jωρ·e^(−jkr)/(Ωr)
//! ```
//!
//! Ω is the solid angle factor 2π in half space and 4π in full space; quarter and eighth space add images of
//! every opening. The inverse of Z is stamped into the network. A microphone at a point hears Σ_j Z(r_j)·U_j;
//! one on the axis of an opening hears that opening by the exact on-axis expression of the piston and every
//! other at √(Δ² + d²).

use super::ModelError;
use super::network::Node;
use super::radiation::{Axis, Piston, images, mutual, own_image_distances};
use super::tone::Tone;
use crate::design::path::Key;
use crate::design::{Design, Planes, ProbePlace, Space};
use num_complex::Complex64;

const NONE: Complex64 = Complex64::new(0.0, 0.0);

/// The openings of a design and its probes.
#[derive(Debug, Clone)]
pub struct Openings {
    space: Space,
    planes: Planes,
    node: Vec<Node>,
    piston: Vec<Piston>,
    area_m2: Vec<f64>,
    factor: Vec<f64>,
    /// Distances between openings `[i][j]`: the direct one (0 for itself) and those to the images of j.
    distance_m: Vec<Vec<Vec<f64>>>,
    probe: Vec<Place>,
}

#[derive(Debug, Clone)]
enum Place {
    /// Junction, `None` if it is the ground or has no meaning.
    Inside(Option<usize>),
    /// Own opening, distance on its axis, distances to the others and to all images.
    Near {
        opening: usize,
        axis: Box<Axis>,
        distance_m: f64,
        others_m: Vec<Vec<f64>>,
    },
    /// Distances to every opening and its images.
    Point(Vec<Vec<f64>>),
}

impl Openings {
    /// Prepares the openings and probes; `node` holds each opening's junction.
    ///
    /// # Errors
    /// [`ModelError`] for a probe that names no opening or junction.
    pub(super) fn new(
        design: &Design,
        node: Vec<Node>,
        junctions: &[String],
    ) -> Result<Self, ModelError> {
        let openings = &design.openings;
        let planes = design.planes();
        let piston: Vec<Piston> = openings
            .iter()
            .map(|o| Piston::new(o.shape, o.area_m2, o.flange))
            .collect();
        let mut distance_m = Vec::new();
        for (i, here) in openings.iter().enumerate() {
            let mut row = Vec::new();
            for (j, there) in openings.iter().enumerate() {
                let mut list = Vec::new();
                if i != j {
                    list.push(apart(here.position_m, there.position_m));
                }
                if i == j {
                    list.extend(own_image_distances(
                        planes,
                        here.position_m,
                        piston[i].extent_m(),
                    ));
                } else {
                    let mirrored = images(planes, there.position_m);
                    list.extend(
                        mirrored
                            .into_iter()
                            .map(|image| apart(here.position_m, image)),
                    );
                }
                row.push(list);
            }
            distance_m.push(row);
        }
        let mut probe = Vec::new();
        for p in &design.probes {
            probe.push(match &p.place {
                ProbePlace::Inside { junction } => {
                    Place::Inside(junctions.iter().position(|j| j == junction))
                }
                ProbePlace::Point { position_m } => Place::Point(
                    openings
                        .iter()
                        .map(|o| {
                            std::iter::once(o.position_m)
                                .chain(images(planes, o.position_m))
                                .map(|at| apart(*position_m, at))
                                .collect()
                        })
                        .collect(),
                ),
                ProbePlace::Near {
                    opening,
                    distance_m: d,
                } => {
                    let own = openings
                        .iter()
                        .position(|o| o.name == *opening)
                        .ok_or_else(|| ModelError::NoOpening {
                            probe: p.name.clone(),
                            opening: opening.clone(),
                        })?;
                    let others = distance_m[own]
                        .iter()
                        .map(|list: &Vec<f64>| list.iter().map(|r| r.hypot(*d)).collect())
                        .collect();
                    Place::Near {
                        opening: own,
                        axis: Box::new(piston[own].axis(*d)),
                        distance_m: *d,
                        others_m: others,
                    }
                }
            });
        }
        Ok(Self {
            space: design.space,
            planes,
            node,
            piston,
            area_m2: openings.iter().map(|o| o.area_m2).collect(),
            factor: openings.iter().map(|o| o.end_correction_factor).collect(),
            distance_m,
            probe,
        })
    }

    /// Number of openings.
    #[must_use]
    pub fn len(&self) -> usize {
        self.piston.len()
    }

    /// Whether there is none.
    #[must_use]
    pub fn is_empty(&self) -> bool {
        self.piston.is_empty()
    }

    /// Junction of each opening.
    pub(super) fn nodes(&self) -> &[Node] {
        &self.node
    }

    fn mutual(&self, at: &Tone, r: f64) -> Complex64 {
        mutual(self.space, at.wave_number(), r) * at.rho_c()
    }

    /// Radiation admittance matrix, row by row, m³/(Pa·s).
    pub(super) fn admittance(&self, at: &Tone, out: &mut [Complex64]) {
        let n = self.len();
        let k = at.wave_number();
        for i in 0..n {
            for j in 0..n {
                let mut z = NONE;
                if i == j {
                    let own = self.piston[i].self_impedance(k);
                    z = Complex64::new(own.re, own.im * self.factor[i])
                        * (at.rho_c() / self.area_m2[i]);
                }
                for &r in &self.distance_m[i][j] {
                    z += self.mutual(at, r);
                }
                out[i * n + j] = z;
            }
        }
        invert(out, n);
    }

    fn pressures<'a>(&'a self, p: &'a [Complex64]) -> impl Fn(usize) -> Complex64 + 'a {
        move |i| match self.node[i] {
            Node::At(n) => p[n],
            Node::Ground | Node::Open => NONE,
        }
    }

    /// Volume velocity of every opening from the junction pressures.
    pub(super) fn flow(&self, radiation: &[Complex64], p: &[Complex64], out: &mut [Complex64]) {
        for (i, flow) in out.iter_mut().enumerate() {
            *flow = self.flow_at(i, radiation, p);
        }
    }

    /// The same for one opening.
    pub(super) fn flow_at(&self, i: usize, radiation: &[Complex64], p: &[Complex64]) -> Complex64 {
        let n = self.len();
        let at = self.pressures(p);
        (0..n).map(|j| radiation[i * n + j] * at(j)).sum()
    }

    /// Pressure at a probe over the volume velocity of opening `j`, Pa·s/m³.
    pub(super) fn weight(&self, probe: usize, j: usize, at: &Tone) -> Complex64 {
        match &self.probe[probe] {
            Place::Inside(_) => NONE,
            Place::Point(list) => list[j].iter().map(|&r| self.mutual(at, r)).sum(),
            Place::Near {
                opening,
                axis,
                others_m,
                ..
            } => {
                let mut sum: Complex64 = others_m[j].iter().map(|&r| self.mutual(at, r)).sum();
                if *opening == j {
                    sum += axis.pressure(at.wave_number()).value * (at.rho_c() / self.area_m2[j]);
                }
                sum
            }
        }
    }

    /// The axis that a near probe stands on.
    pub(super) fn near_axis(&self, probe: usize) -> Option<&Axis> {
        match &self.probe[probe] {
            Place::Near { axis, .. } => Some(axis),
            Place::Inside(_) | Place::Point(_) => None,
        }
    }

    /// Pressure at a probe.
    pub(super) fn probe(
        &self,
        probe: usize,
        at: &Tone,
        p: &[Complex64],
        flow: &[Complex64],
    ) -> Complex64 {
        match &self.probe[probe] {
            Place::Inside(node) => node.map_or(NONE, |n| p[n]),
            _ => flow
                .iter()
                .enumerate()
                .map(|(j, u)| self.weight(probe, j, at) * u)
                .sum(),
        }
    }

    /// Pressure at any point, every opening and image as a point source.
    pub(super) fn point(
        &self,
        design: &Design,
        position_m: [f64; 3],
        at: &Tone,
        flow: &[Complex64],
    ) -> Complex64 {
        let mut sum = NONE;
        for (opening, u) in design.openings.iter().zip(flow) {
            for place in
                std::iter::once(opening.position_m).chain(images(self.planes, opening.position_m))
            {
                sum += self.mutual(at, apart(position_m, place)) * u;
            }
        }
        sum
    }

    /// The row h with p_probe = hᵀp, written into `x`.
    pub(super) fn probe_row(
        &self,
        probe: usize,
        at: &Tone,
        radiation: &[Complex64],
        x: &mut [Complex64],
    ) {
        if let Place::Inside(node) = &self.probe[probe] {
            if let Some(n) = node {
                x[*n] += 1.0;
            }
            return;
        }
        for i in 0..self.len() {
            if let Node::At(n) = self.node[i] {
                x[n] += self.weight_through(probe, i, at, radiation);
            }
        }
    }

    /// (Y_rad·g)_i with g the weights of the probe.
    pub(super) fn weight_through(
        &self,
        probe: usize,
        i: usize,
        at: &Tone,
        radiation: &[Complex64],
    ) -> Complex64 {
        let n = self.len();
        (0..n)
            .map(|j| radiation[i * n + j] * self.weight(probe, j, at))
            .sum()
    }

    /// dZ_ii along one of an opening's numbers.
    pub(super) fn self_impedance_slope(&self, i: usize, key: Key, at: &Tone) -> Complex64 {
        let (rho_c, area) = (at.rho_c(), self.area_m2[i]);
        let (own, per_k) = self.piston[i].self_impedance_with_slope(at.wave_number());
        match key {
            Key::EndCorrection => Complex64::new(0.0, own.im * rho_c / area),
            Key::Area => {
                // The shape scales: Z = z(k·√S)/S, so dz/dS = z'(k)·k/(2S).
                let z = Complex64::new(own.re, own.im * self.factor[i]);
                let moved = Complex64::new(per_k.re, per_k.im * self.factor[i])
                    * (at.wave_number() / (2.0 * area));
                (moved - z / area) * (rho_c / area)
            }
            _ => NONE,
        }
    }

    /// Direct part of a probe's pressure along an opening's number, with the volume velocities held.
    pub(super) fn probe_opening_slope(
        &self,
        probe: usize,
        i: usize,
        key: Key,
        at: &Tone,
        flow: &[Complex64],
    ) -> Complex64 {
        match (&self.probe[probe], key) {
            (Place::Near { opening, axis, .. }, Key::Area) if *opening == i => {
                let area = self.area_m2[i];
                let on = axis.pressure(at.wave_number());
                (on.by_area - on.value / area) * (at.rho_c() / area) * flow[i]
            }
            _ => NONE,
        }
    }

    /// Derivative of a near probe's pressure along its distance.
    pub(super) fn probe_distance_slope(
        &self,
        probe: usize,
        at: &Tone,
        flow: &[Complex64],
    ) -> Complex64 {
        let Place::Near {
            opening,
            axis,
            distance_m,
            others_m,
        } = &self.probe[probe]
        else {
            return NONE;
        };
        let k = at.wave_number();
        let mut sum =
            axis.pressure(k).by_distance * (at.rho_c() / self.area_m2[*opening]) * flow[*opening];
        for (list, u) in others_m.iter().zip(flow) {
            for &r in list {
                // d/dd of e^(−jkr)/r with r² = Δ² + d².
                let z = self.mutual(at, r);
                sum += z * (Complex64::new(-1.0 / r, -k)) * (*distance_m / r) * u;
            }
        }
        sum
    }
}

fn apart(a: [f64; 3], b: [f64; 3]) -> f64 {
    (a[0] - b[0]).hypot(a[1] - b[1]).hypot(a[2] - b[2])
}

/// Inverts a small complex matrix in place (Gauss–Jordan with row exchange).
pub(super) fn invert(matrix: &mut [Complex64], n: usize) {
    match n {
        0 => {}
        1 => matrix[0] = matrix[0].inv(),
        2 => {
            let [a, b, c, d] = [matrix[0], matrix[1], matrix[2], matrix[3]];
            let scale = (a * d - b * c).inv();
            matrix.copy_from_slice(&[d * scale, -b * scale, -c * scale, a * scale]);
        }
        _ => {
            let mut inverse = vec![NONE; n * n];
            for i in 0..n {
                inverse[i * n + i] = Complex64::new(1.0, 0.0);
            }
            for k in 0..n {
                let pivot = (k..n)
                    .max_by(|&i, &j| {
                        matrix[i * n + k]
                            .norm_sqr()
                            .total_cmp(&matrix[j * n + k].norm_sqr())
                    })
                    .unwrap_or(k);
                for j in 0..n {
                    matrix.swap(k * n + j, pivot * n + j);
                    inverse.swap(k * n + j, pivot * n + j);
                }
                let scale = matrix[k * n + k].inv();
                for j in 0..n {
                    matrix[k * n + j] *= scale;
                    inverse[k * n + j] *= scale;
                }
                for i in 0..n {
                    if i != k {
                        let factor = matrix[i * n + k];
                        for j in 0..n {
                            let (m, v) = (matrix[k * n + j], inverse[k * n + j]);
                            matrix[i * n + j] -= factor * m;
                            inverse[i * n + j] -= factor * v;
                        }
                    }
                }
            }
            matrix.copy_from_slice(&inverse);
        }
    }
}
