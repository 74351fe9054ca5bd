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
//! Magnus expansion with two Gauss points. A conical duct without lining has variables of its own, in which its matrix
//! varies with the loss only. The number of steps follows from the error that they leave, see `CHECKED`.
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

use super::porous;
use super::tone::Tone;
use super::wall_loss::LineLoss;
use super::wide_loss::WideLoss;
use crate::air::Air;
use crate::design::{
    AirConditions, Bend, Duct, LiningMaterial, PorousModel, Profile, Section, path::Key,
};
use crate::special::{Field, cosh_sinhc};
use num_complex::Complex64;
use std::f64::consts::TAU;

/// Where the division into steps is checked, Hz, and what relative error it may leave in a duct's matrix there. Resonances
/// multiply it, the more the lower they are; above the highest of these it grows with the fourth power of the frequency.
const CHECKED: [(f64, f64); 4] = [(600.0, 5e-5), (300.0, 3e-5), (100.0, 2e-6), (20.0, 1e-7)];
/// ρc, Pa·s/m, to weigh the entries of a matrix against each other.
const RHO_C: f64 = 413.0;
/// √3/6: the Gauss points of a step lie at 1/2 ± this.
const GAUSS: f64 = 0.288_675_134_594_812_9;
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
    corner: Option<(T, T)>,
    lining: Option<Wall<T>>,
    profile: Profile,
    section: Section,
    /// The integration steps from `from` to `to`; they depend on the geometry alone.
    steps: Vec<Step<T>>,
    /// (p, U) to (ψ, η) at `from` and back at `to`, a and b being the two √S: a/b, 1/(ab), ab, b/a.
    scale: [T; 4],
}

/// What lines the walls.
#[derive(Debug, Clone, Copy)]
enum Wall<T> {
    Porous {
        resistivity: T,
        thickness: T,
        model: PorousModel,
        gap: Option<T>,
    },
    Cloth {
        specific: T,
        gap: T,
    },
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
    /// Loss where the section is wide.
    wide: WideLoss,
}

impl<T: Field> DuctGeometry<T> {
    /// From a design, with the derivative taken along `seed` if there is one.
    #[must_use]
    pub fn new(duct: &Duct, seed: Option<Key>) -> Self {
        let mut geometry = Self::undivided(duct, seed);
        let count = geometry.count();
        geometry.divide(count);
        geometry
    }

    /// The same with the steps of a geometry that is there already.
    #[must_use]
    pub fn divided_as<U>(duct: &Duct, seed: Option<Key>, like: &DuctGeometry<U>) -> Self {
        Self::undivided(duct, seed).in_steps(like.steps.len())
    }

    fn undivided(duct: &Duct, seed: Option<Key>) -> Self {
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
        let share = pick(duct.bend_excess(), &[Key::Bend]) + 1.0;
        let corner = (duct.bend != Bend::None).then(|| {
            let height = match duct.section {
                Section::Rectangular { .. } => area[1] / across,
                Section::Slit { .. } => across,
                Section::Round => area[1].sqrt(),
            };
            (height, share)
        });
        let lining = duct.lining.map(|lining| {
            let gap = pick(lining.air_gap_m, &[Key::AirGap]);
            match lining.material {
                LiningMaterial::Porous {
                    flow_resistivity_pa_s_per_m2,
                    thickness_m,
                    model,
                } => Wall::Porous {
                    resistivity: pick(flow_resistivity_pa_s_per_m2, &[Key::FlowResistivity]),
                    thickness: pick(thickness_m, &[Key::Thickness]),
                    model,
                    gap: (lining.air_gap_m > 0.0).then_some(gap),
                },
                LiningMaterial::Cloth {
                    specific_pa_s_per_m,
                } => Wall::Cloth {
                    specific: pick(specific_pa_s_per_m, &[Key::Specific]),
                    gap,
                },
            }
        });
        Self {
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
            scale: {
                let first = area[0].sqrt();
                let last = if duct.profile == Profile::Uniform {
                    first
                } else {
                    area[1].sqrt()
                };
                [
                    first / last,
                    (first * last).recip(),
                    first * last,
                    last / first,
                ]
            },
        }
    }

    /// The same duct in a given number of steps, at least one.
    #[must_use]
    pub fn in_steps(mut self, count: usize) -> Self {
        self.divide(count.max(1));
        self
    }

    /// Number of integration steps.
    #[must_use]
    pub fn steps(&self) -> usize {
        self.steps.len()
    }

    fn divide(&mut self, count: usize) {
        self.steps = (0..count).map(|n| self.step(n, count)).collect();
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
            wide: match self.section {
                Section::Round => WideLoss::round(size),
                Section::Rectangular { .. } => WideLoss::rectangular(self.across, size),
                Section::Slit { .. } => WideLoss::slit(size),
            },
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

    /// Wall loss at one place.
    #[inline]
    fn loss_at(&self, at: &Tone, place: &Place<T>) -> LineLoss<T> {
        match self.section {
            _ if place.wide.holds(&at.loss.powers) => at.loss.wide(&place.wide),
            Section::Round => at.loss.round(place.size),
            Section::Rectangular { .. } => at.loss.rectangular(self.across, place.size),
            Section::Slit { .. } => at.loss.slit(place.size),
        }
    }

    /// z and y of the module's equations at one place.
    #[inline]
    fn line(&self, at: &Tone, place: &Place<T>, loss: LineLoss<T>) -> (T, T) {
        let LineLoss { series, shunt } = loss;
        let omega = at.omega_rad_per_s;
        let z = (self.loss * series + 1.0).times_j(omega * at.density_kg_per_m3);
        let mut y = (self.loss * shunt + 1.0).times_j(omega / at.bulk_pa);
        if let Some(wall) = &self.lining {
            let surface = match *wall {
                Wall::Porous {
                    resistivity,
                    thickness,
                    model,
                    gap,
                } => porous::surface_impedance(at, model, resistivity, thickness, gap),
                Wall::Cloth { specific, gap } => porous::cloth_impedance(at, specific, gap),
            };
            y = y + place.lined / surface;
        }
        (z, y)
    }

    /// Whether the matrix varies so much along the duct that only short steps follow it: where the area is linear,
    /// and where a lining, whose admittance follows perimeter over area, is no small change.
    fn by_magnus(&self) -> bool {
        self.profile == Profile::Parabolic || self.lining.is_some()
    }

    /// Number of integration steps: from a few, divided further until two divisions agree as [`CHECKED`] says, in
    /// ordinary air. The step is of fourth order: the error left is 16/15 of the difference from half as long steps, and
    /// says how many are needed.
    fn count(&mut self) -> usize {
        let (first, last) = (self.area[0].value().re, self.area[1].value().re);
        let taper = (last / first).ln().abs();
        if self.profile == Profile::Uniform || taper < 1e-12 {
            return 1;
        }
        let air = Air::at(&AirConditions::default());
        let checked = CHECKED.map(|(f, _)| Tone::new(&air, TAU * f));
        // Where the profile itself is stepped, all of a wave depends on it, and not only its loss.
        let share = if self.by_magnus() { 0.5 } else { 1.0 };
        // A first division that no coincidence makes look good: a step of a varying matrix spans one radian or neper.
        let mut count = if self.by_magnus() {
            let phase = checked[0].wave_number() * self.length.value().re;
            taper.max(phase).ceil() as usize
        } else {
            taper.ceil() as usize
        }
        .clamp(1, MOST_STEPS / 2);
        while count < MOST_STEPS {
            self.divide(count);
            let coarse = checked.map(|at| self.raw(&at).map(T::value));
            self.divide(2 * count);
            let excess = checked
                .iter()
                .zip(&coarse)
                .zip(CHECKED)
                .map(|((at, coarse), (_, allowed))| {
                    let fine = self.raw(at).map(T::value);
                    self.apart(coarse, &fine) * (16.0 / 15.0) / (allowed * share)
                })
                .fold(0.0, f64::max);
            // What no number holds does not get better by dividing.
            if excess <= 1.0 || !excess.is_finite() {
                break;
            }
            let wanted = count as f64 * excess.powf(0.25) * 1.1;
            count = (wanted.ceil() as usize)
                .clamp(count + 1, 2 * count)
                .min(MOST_STEPS);
        }
        count
    }

    /// Relative difference of two matrices of (ψ, η), in plane-wave terms.
    pub(super) fn apart(&self, a: &[Complex64; 4], b: &[Complex64; 4]) -> f64 {
        let scale = [1.0, RHO_C.recip(), RHO_C, 1.0];
        let sum = |value: &dyn Fn(usize) -> Complex64| -> f64 {
            (0..4).map(|n| (value(n) * scale[n]).norm_sqr()).sum()
        };
        (sum(&|n| a[n] - b[n]) / sum(&|n| b[n])).sqrt()
    }

    /// The matrix that takes (ψ, η) at `from` to (ψ, η) at `to`.
    fn raw(&self, at: &Tone) -> [T; 4] {
        self.chain(|_, step| self.piece(at, step, |n| self.loss_at(at, &step.at[n])))
    }

    #[inline]
    fn chain(&self, piece: impl Fn(usize, &Step<T>) -> [T; 4]) -> [T; 4] {
        let Some((first, rest)) = self.steps.split_first() else {
            let (one, none) = (T::from_f64(1.0), T::from_f64(0.0));
            return [one, none, none, one];
        };
        let mut whole = piece(0, first);
        for (n, step) in rest.iter().enumerate() {
            whole = product(piece(n + 1, step), whole);
        }
        whole
    }

    /// The matrix that takes (p, U) at `from` to (p, U) at `to`; its determinant is 1.
    #[must_use]
    pub fn transfer(&self, at: &Tone) -> Transfer<T> {
        self.finish(at, self.raw(at))
    }

    fn finish(&self, at: &Tone, raw: [T; 4]) -> Transfer<T> {
        let [e11, e12, e21, e22] = raw;
        let last = if self.profile == Profile::Uniform {
            self.area[0]
        } else {
            self.area[1]
        };
        let mut m = Transfer {
            pp: e11 * self.scale[0],
            pu: e12 * self.scale[1],
            up: e21 * self.scale[2],
            uu: e22 * self.scale[3],
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

    #[inline]
    fn piece(&self, at: &Tone, step: &Step<T>, loss: impl Fn(usize) -> LineLoss<T>) -> [T; 4] {
        let h = step.h;
        let (z1, y1) = self.line(at, &step.at[0], loss(0));
        if self.profile == Profile::Uniform {
            let (series, shunt) = (z1 * h, y1 * h);
            let (cosh, sinhc) = cosh_sinhc(series * shunt);
            return [cosh, -(sinhc * series), -(sinhc * shunt), cosh];
        }
        let (z2, y2) = self.line(at, &step.at[1], loss(1));
        if self.profile == Profile::Conical && !self.by_magnus() {
            return conical(step, [z1, z2], [y1, y2]);
        }
        magnus(h, [step.at[0].g, -z1, -y1], [step.at[1].g, -z2, -y2])
    }
}

/// Wall loss at the two places of one integration step, which depends on section and frequency alone.
pub type SectionLoss = [LineLoss<Complex64>; 2];

impl DuctGeometry<Complex64> {
    /// Wall loss at every place of the steps.
    #[must_use]
    pub fn section_loss(&self, at: &Tone) -> Vec<SectionLoss> {
        self.steps
            .iter()
            .map(|step| [0, 1].map(|n| self.loss_at(at, &step.at[n])))
            .collect()
    }

    /// [`Self::transfer`] with the wall loss that [`Self::section_loss`] gave at the same frequency for a duct of the same
    /// sections and steps.
    #[must_use]
    pub fn transfer_with(&self, at: &Tone, loss: &[SectionLoss]) -> Transfer<Complex64> {
        let raw = self.chain(|n, step| self.piece(at, step, |place| loss[n][place]));
        self.finish(at, raw)
    }

    /// The matrix that takes (ψ, η) at `from` to (ψ, η) at `to`, row by row, without bend and end corrections.
    pub(super) fn chain_matrix(&self, at: &Tone) -> [Complex64; 4] {
        self.raw(at)
    }

    /// [`Self::transfer`] from a matrix as [`Self::chain_matrix`] gives.
    pub(super) fn transfer_from(&self, at: &Tone, matrix: [Complex64; 4]) -> Transfer<Complex64> {
        self.finish(at, matrix)
    }

    /// Takes over bend and end corrections alone.
    pub(super) fn take_ends(&mut self, duct: &Duct) {
        let real = |value: f64| Complex64::new(value, 0.0);
        self.end = duct.end_correction_m.map(real);
        if let Some((_, share)) = &mut self.corner {
            *share = real(duct.bend_excess() + 1.0);
        }
    }

    /// The geometry of a duct that differs from this one's in length, loss factor, bend and end corrections only, in as many
    /// steps. What depends on the sections is kept.
    #[must_use]
    pub fn stretched(&self, duct: &Duct) -> Self {
        let real = |value: f64| Complex64::new(value, 0.0);
        let mut other = self.clone();
        other.length = real(duct.length_m);
        other.loss = real(duct.loss_factor);
        other.take_ends(duct);
        let longer = duct.length_m / self.length.re;
        for step in &mut other.steps {
            // g = (√S)'/√S goes with the inverse of the length.
            step.h *= longer;
            step.g = step.g.map(|g| g / longer);
            for place in &mut step.at {
                place.g /= longer;
            }
        }
        other
    }
}

/// One step of fourth order along the traceless matrix [[a, b], [c, −a]], given at the two Gauss points.
fn magnus<T: Field>(h: T, first: [T; 3], second: [T; 3]) -> [T; 4] {
    let ([a1, b1, c1], [a2, b2, c2]) = (first, second);
    let half = h * 0.5;
    // √3/12·h²·[A2, A1]
    let k = h * h * (GAUSS * 0.5);
    exponential(
        half * (a1 + a2) + k * (b2 * c1 - b1 * c2),
        half * (b1 + b2) + k * (a2 * b1 - a1 * b2) * 2.0,
        half * (c1 + c2) + k * (c2 * a1 - c1 * a2) * 2.0,
    )
}

/// Gives the last stretch of a duct the inertance of a corner: back from the end through a uniform lossless piece,
/// and forward again through one whose inertance is `share` of it.
fn corner<T: Field>(m: &Transfer<T>, at: &Tone, area: T, length: T, share: T) -> Transfer<T> {
    let k = at.wave_number();
    let piece = |sign: f64, share: T| {
        let (cos, sinc) = cosh_sinhc(length * length * share * (-k * k));
        let s = length * sinc * sign;
        let mass = at.omega_rad_per_s * at.density_kg_per_m3;
        Transfer {
            pp: cos,
            pu: s / area * share * Complex64::new(0.0, -mass),
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
    then(&piece(1.0, share), &then(&piece(-1.0, T::from_f64(1.0)), m))
}

/// One step of a cone. With z₀ the step's mean of z, ε = z/z₀ − 1 and ϑ = gψ/z₀ − η the taper leaves the matrix but for the loss,
///
/// ```text
/// | ψ |'   | −gε             z |  | ψ |
/// | ϑ |  = | y − g²ε/z₀     gε |  | ϑ |
/// ```
///
/// which is constant where the loss is, so that the step is then exact.
fn conical<T: Field>(step: &Step<T>, z: [T; 2], y: [T; 2]) -> [T; 4] {
    let inverse = ((z[0] + z[1]) * 0.5).recip();
    let at = |n: usize| {
        let g = step.at[n].g;
        let excess = g * (z[n] * inverse - 1.0);
        [-excess, z[n], y[n] - g * excess * inverse]
    };
    let [e11, e12, e21, e22] = magnus(step.h, at(0), at(1));
    let (ga, gb) = (step.g[0] * inverse, step.g[1] * inverse);
    let first = e11 + e12 * ga;
    [first, -e12, gb * first - (e21 + e22 * ga), e22 - gb * e12]
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
