//! The duct: one-dimensional propagation in a channel piece of varying area with visco-thermal wall loss.
//!
//! With p the pressure, U the volume velocity in the direction from → to, S(x) the area:
//!
//! ```text
//! dp/dx = −z·U/S      z = jωρ·(1 + λ·a_v)           (series impedance per length, times S)
//! dU/dx = −y·S·p      y = jω/(ρc²)·(1 + λ·a_t)      (shunt admittance per length, over S)
//! ```
//!
//! In the scaled variables ψ = √S·p, η = U/√S the system matrix is traceless,
//!
//! ```text
//! A = | g   −z |     g = (√S)'/√S
//!     | −y  −g |
//! ```
//!
//! constant for a uniform and for an exponential duct without loss, so that one step is then exact. Where A
//! varies (a parabolic profile, a lining in any taper, and the loss in an exponential one) the step is the fourth-order
//! Magnus expansion with two Gauss points. In a conical duct without lining ψ'' = z·y·ψ, which is solved exactly with
//! z and y of the step's mean loss. The number of steps follows from taper and frequency, see `STEP_RADIANS`.
//!
//! | symbol | variable | unit |
//! |---|---|---|
//! | L | `length` | m |
//! | S | `area` | m² |
//! | λ | `loss` | 1 |
//! | a_v, a_t | `LineLoss::series`, `LineLoss::shunt` | 1 |
//!
//! Plane waves: valid while the width is well below half a wavelength. Wall loss: low reduced frequency
//! (Zwikker & Kosten 1949; Stinson 1991, JASA 89:550). Integrator: Blanes, Casas, Oteo & Ros 2009, Physics
//! Reports 470:151, eq. 253 (from memory).

use super::bend;
use super::porous;
use super::tone::Tone;
use super::wall_loss::LineLoss;
use crate::design::{Duct, Profile, Section, path::Key};
use crate::special::{Field, cosh_sinhc};
use num_complex::Complex64;

/// Phase (k·L) and taper (ln of the area ratio) that one Magnus step of a parabolic or lined duct may span. The error
/// falls with the fourth power of it; tests hold it against exact solutions.
const STEP_RADIANS: f64 = 0.2;
/// Taper that one step of a conical or exponential duct without lining may span, where only the loss varies.
const STEP_TAPER: f64 = 0.5;
/// √3/6: the Gauss points of a step lie at 1/2 ± this.
const GAUSS: f64 = 0.288_675_134_594_812_9;
/// Wave number for which the steps of a parabolic or lined duct are made, rad/m: 600 Hz.
const HIGHEST_WAVE_NUMBER: f64 = 11.0;
/// Most steps of one duct.
const MOST_STEPS: usize = 256;

/// The geometry of a duct in numbers that may carry a derivative.
#[derive(Debug, Clone)]
pub struct DuctGeometry<T> {
    length: T,
    area: [T; 2],
    loss: T,
    /// Width of a rectangular section, gap of a slit, nothing for a round one.
    across: T,
    end: [T; 2],
    /// A bend: length of the corner along the centre line, m, and the share of its inertance that is there.
    corner: Option<(T, f64)>,
    lining: Option<(T, T)>,
    profile: Profile,
    section: Section,
    /// The integration steps from `from` to `to`; they depend on the geometry alone.
    steps: Vec<Step<T>>,
    /// (p, U) to (ψ, η) at `from` and back at `to`: √S.
    root: [T; 2],
}

/// One integration step.
#[derive(Debug, Clone, Copy)]
struct Step<T> {
    /// Length, m.
    h: T,
    /// The two Gauss points; one serves where the area is constant.
    at: [Place<T>; 2],
    /// g at the two ends of the step.
    g: [T; 2],
}

/// What the loss needs of the section at one place.
#[derive(Debug, Clone, Copy)]
struct Place<T> {
    /// g = (√S)'/√S.
    g: T,
    /// Radius of a round section, height of a rectangular one, gap of a slit.
    size: T,
    /// Perimeter over area where there is a lining, 1/m.
    lined: T,
}

impl<T: Field> DuctGeometry<T> {
    /// From a design, with the derivative taken along `seed` if there is one.
    #[must_use]
    pub fn new(duct: &Duct, seed: Option<Key>) -> Self {
        let pick = |value: f64, keys: &[Key]| {
            let hit = seed.is_some_and(|key| keys.contains(&key));
            T::variable(value, if hit { 1.0 } else { 0.0 })
        };
        let mut area = [
            pick(duct.area_m2[0], &[Key::AreaFrom]),
            pick(duct.area_m2[1], &[Key::AreaTo]),
        ];
        if seed == Some(Key::Area) {
            // `area` is the one at `from`, and both ends scale together.
            area = [
                T::variable(duct.area_m2[0], 1.0),
                T::variable(duct.area_m2[1], duct.area_m2[1] / duct.area_m2[0]),
            ];
        }
        let across = match duct.section {
            Section::Round => T::from_f64(0.0),
            Section::Rectangular { width_m } => pick(width_m, &[Key::Width]),
            Section::Slit { gap_m } => pick(gap_m, &[Key::Gap]),
        };
        let end = [
            pick(duct.end_correction_m[0], &[Key::EndFrom]),
            pick(duct.end_correction_m[1], &[Key::EndTo]),
        ];
        let share = bend::length_per_height(duct.bend);
        let corner = (share != 0.0).then(|| {
            let height = match duct.section {
                Section::Rectangular { .. } => area[1] / across,
                Section::Slit { .. } => across,
                Section::Round => area[1].sqrt(),
            };
            (height, 1.0 + share)
        });
        let lining = duct.lining.map(|lining| {
            (
                pick(lining.flow_resistivity_pa_s_per_m2, &[Key::FlowResistivity]),
                pick(lining.thickness_m, &[Key::Thickness]),
            )
        });
        let mut geometry = Self {
            length: pick(duct.length_m, &[Key::Length]),
            area,
            loss: pick(duct.loss_factor, &[Key::Loss]),
            across,
            end,
            corner,
            lining,
            profile: duct.profile,
            section: duct.section,
            steps: Vec::new(),
            root: [
                area[0].sqrt(),
                if duct.profile == Profile::Uniform {
                    area[0].sqrt()
                } else {
                    area[1].sqrt()
                },
            ],
        };
        let count = geometry.count();
        geometry.steps = (0..count).map(|n| geometry.step(n, count)).collect();
        geometry
    }

    /// Area and g = (√S)'/√S at the fraction `x` of the length.
    fn area_and_slope(&self, x: f64) -> (T, T) {
        let [first, last] = self.area;
        match self.profile {
            Profile::Uniform => (first, T::from_f64(0.0)),
            Profile::Exponential => {
                let m = (last / first).ln();
                (first * (m * x).exp(), m * 0.5 / self.length)
            }
            Profile::Conical => {
                let (a, b) = (first.sqrt(), last.sqrt());
                let root = a + (b - a) * x;
                (root * root, (b - a) / (root * self.length))
            }
            Profile::Parabolic => {
                let area = first + (last - first) * x;
                (area, (last - first) * 0.5 / (area * self.length))
            }
        }
    }

    fn place(&self, x: f64) -> Place<T> {
        let (area, g) = self.area_and_slope(x);
        let size = match self.section {
            Section::Round => (area * std::f64::consts::FRAC_1_PI).sqrt(),
            Section::Rectangular { .. } => area / self.across,
            Section::Slit { .. } => self.across,
        };
        let perimeter = match self.section {
            Section::Round => (area * (4.0 * std::f64::consts::PI)).sqrt(),
            Section::Rectangular { .. } => (self.across + size) * 2.0,
            Section::Slit { .. } => area / size * 2.0,
        };
        Place {
            g,
            size,
            lined: perimeter / area,
        }
    }

    fn step(&self, n: usize, count: usize) -> Step<T> {
        // Gauss points at 1/2 ± √3/6 of the step.
        let all = count as f64;
        let at = |offset: f64| (n as f64 + offset) / all;
        Step {
            h: self.length * (1.0 / all),
            at: [self.place(at(0.5 - GAUSS)), self.place(at(0.5 + GAUSS))],
            g: [
                self.area_and_slope(at(0.0)).1,
                self.area_and_slope(at(1.0)).1,
            ],
        }
    }

    /// z and y of the module's equations at one place.
    #[inline]
    fn line(&self, at: &Tone, place: &Place<T>) -> (T, T) {
        let LineLoss { series, shunt } = match self.section {
            Section::Round => at.loss.round(place.size),
            Section::Rectangular { .. } => at.loss.rectangular(self.across, place.size),
            Section::Slit { .. } => at.loss.slit(place.size),
        };
        let omega = at.omega_rad_per_s;
        let z = (self.loss * series + 1.0) * Complex64::new(0.0, omega * at.density_kg_per_m3);
        let mut y = (self.loss * shunt + 1.0) * Complex64::new(0.0, omega / at.bulk_pa);
        if let Some((resistivity, thickness)) = self.lining {
            y = y + place.lined / porous::surface_impedance(at, resistivity, thickness);
        }
        (z, y)
    }

    /// Whether the matrix varies so much along the duct that only short steps follow it: where the area is linear,
    /// and where a lining, whose admittance follows perimeter over area, is no small change.
    fn by_magnus(&self) -> bool {
        self.profile == Profile::Parabolic || self.lining.is_some()
    }

    /// Number of integration steps.
    fn count(&self) -> usize {
        let (first, last) = (self.area[0].value().re, self.area[1].value().re);
        let taper = (last / first).ln().abs();
        if self.profile == Profile::Uniform || taper < 1e-12 {
            return 1;
        }
        let steps = if self.by_magnus() {
            let phase = HIGHEST_WAVE_NUMBER * self.length.value().re;
            taper.max(phase * taper.min(1.0).sqrt()) / STEP_RADIANS
        } else {
            taper / STEP_TAPER
        };
        (steps.ceil() as usize).clamp(1, MOST_STEPS)
    }

    /// The matrix that takes (p, U) at `from` to (p, U) at `to`; its determinant is 1.
    #[must_use]
    pub fn transfer(&self, at: &Tone) -> Transfer<T> {
        let mut whole: Option<[T; 4]> = None;
        for step in &self.steps {
            let piece = self.piece(at, step);
            whole = Some(match whole {
                None => piece,
                Some(before) => product(piece, before),
            });
        }
        let [e11, e12, e21, e22] = whole.unwrap_or_else(|| {
            let (one, none) = (T::from_f64(1.0), T::from_f64(0.0));
            [one, none, none, one]
        });
        let last = if self.profile == Profile::Uniform {
            self.area[0]
        } else {
            self.area[1]
        };
        let [a, b] = self.root;
        let mut m = Transfer {
            pp: e11 * a / b,
            pu: e12 / (a * b),
            up: e21 * a * b,
            uu: e22 * b / a,
        };
        let inertance = Complex64::new(0.0, at.omega_rad_per_s * at.density_kg_per_m3);
        if self.end[0].value().re != 0.0 || !self.end[0].is_constant() {
            let z = self.end[0] / self.area[0] * inertance;
            m = Transfer {
                pp: m.pp,
                pu: m.pu - m.pp * z,
                up: m.up,
                uu: m.uu - m.up * z,
            };
        }
        if let Some((length, share)) = self.corner {
            m = corner(&m, at, last, length, share);
        }
        if self.end[1].value().re != 0.0 || !self.end[1].is_constant() {
            let z = self.end[1] / last * inertance;
            m = Transfer {
                pp: m.pp - z * m.up,
                pu: m.pu - z * m.uu,
                up: m.up,
                uu: m.uu,
            };
        }
        m
    }

    fn piece(&self, at: &Tone, step: &Step<T>) -> [T; 4] {
        let h = step.h;
        let (z1, y1) = self.line(at, &step.at[0]);
        if self.profile == Profile::Uniform {
            return exponential(T::from_f64(0.0), -(z1 * h), -(y1 * h));
        }
        let (z2, y2) = self.line(at, &step.at[1]);
        if self.profile == Profile::Conical && !self.by_magnus() {
            return conical(h, (z1 + z2) * 0.5, (y1 + y2) * 0.5, step.g[0], step.g[1]);
        }
        let (g1, g2) = (step.at[0].g, step.at[1].g);
        let half = h * 0.5;
        // √3/12·h²·[A2, A1]
        let c = h * h * (GAUSS * 0.5);
        let w11 = half * (g1 + g2) + c * (z2 * y1 - z1 * y2);
        let w12 = -(half * (z1 + z2)) + c * (g1 * z2 - g2 * z1) * 2.0;
        let w21 = -(half * (y1 + y2)) + c * (g2 * y1 - g1 * y2) * 2.0;
        exponential(w11, w12, w21)
    }
}

/// Gives the last stretch of a duct the inertance of a corner: back from the end through a uniform lossless piece,
/// and forward again through one whose inertance is `share` of it.
fn corner<T: Field>(m: &Transfer<T>, at: &Tone, area: T, length: T, share: f64) -> Transfer<T> {
    let k = at.wave_number();
    let piece = |sign: f64, share: f64| {
        let (cos, sinc) = cosh_sinhc(length * length * (-k * k * share));
        let s = length * sinc * sign;
        let mass = at.omega_rad_per_s * at.density_kg_per_m3 * share;
        Transfer {
            pp: cos,
            pu: s / area * Complex64::new(0.0, -mass),
            up: s * area * Complex64::new(0.0, -at.omega_rad_per_s / at.bulk_pa),
            uu: cos,
        }
    };
    let then = |by: &Transfer<T>, m: &Transfer<T>| Transfer {
        pp: by.pp * m.pp + by.pu * m.up,
        pu: by.pp * m.pu + by.pu * m.uu,
        up: by.up * m.pp + by.uu * m.up,
        uu: by.up * m.pu + by.uu * m.uu,
    };
    then(&piece(1.0, share), &then(&piece(-1.0, 1.0), m))
}

/// One step of a cone with uniform z and y: with χ = ψ' = gψ − zη, ψ and χ follow from cosh and sinh of √(zy)·h.
fn conical<T: Field>(h: T, z: T, y: T, ga: T, gb: T) -> [T; 4] {
    let (cosh, sinhc) = cosh_sinhc(z * y * h * h);
    let s = h * sinhc;
    let e11 = cosh + s * ga;
    [
        e11,
        -(s * z),
        -(y * s) - (cosh * ga - gb * e11) / z,
        cosh - gb * s,
    ]
}

/// exp of the traceless matrix `[[w11, w12], [w21, −w11]]`.
fn exponential<T: Field>(w11: T, w12: T, w21: T) -> [T; 4] {
    let (cosh, sinhc) = cosh_sinhc(w11 * w11 + w12 * w21);
    [
        cosh + sinhc * w11,
        sinhc * w12,
        sinhc * w21,
        cosh - sinhc * w11,
    ]
}

fn product<T: Field>(left: [T; 4], right: [T; 4]) -> [T; 4] {
    [
        left[0] * right[0] + left[1] * right[2],
        left[0] * right[1] + left[1] * right[3],
        left[2] * right[0] + left[3] * right[2],
        left[2] * right[1] + left[3] * right[3],
    ]
}

/// `p_to = pp·p_from + pu·U_from`, `U_to = up·p_from + uu·U_from`.
#[derive(Debug, Clone, Copy)]
pub struct Transfer<T> {
    /// Pressure from pressure.
    pub pp: T,
    /// Pressure from volume velocity, Pa·s/m³.
    pub pu: T,
    /// Volume velocity from pressure, m³/(Pa·s).
    pub up: T,
    /// Volume velocity from volume velocity.
    pub uu: T,
}

/// The symmetric 2×2 admittance block of a two-port, m³/(Pa·s): volume velocities into the element.
#[derive(Debug, Clone, Copy)]
pub struct Admittance<T> {
    /// At `from`.
    pub from: T,
    /// Between.
    pub across: T,
    /// At `to`.
    pub to: T,
}

impl<T: Field> Transfer<T> {
    /// The admittance block; `across` is the same in both directions because the determinant is 1.
    #[must_use]
    pub fn admittance(&self) -> Admittance<T> {
        let inverse = self.pu.recip();
        Admittance {
            from: -(self.pp * inverse),
            across: inverse,
            to: -(self.uu * inverse),
        }
    }

    /// Input admittance with a rigid end at `to`.
    #[must_use]
    pub fn closed(&self) -> T {
        -(self.up / self.uu)
    }
}
