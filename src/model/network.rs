//! The cabinet as one nodal system per frequency, Y(ω)·p = q, and the derivatives of what is observed.
//!
//! Unknowns are the sound pressures of the junctions; `outside` is the ground, `closed` takes no flow.
//! Everything is per volt (RMS or peak alike) at the amplifier; time factor e^(+jωt).
//!
//! An observation is linear in the solution, o = hᵀp. With Yλ = h (Y is symmetric) the derivative along a
//! parameter is
//!
//! ```text
//! do = dhᵀp + λᵀ(dq − dY·p)
//! ```
//!
//! so that one more back-substitution per observation and the derivative of one element's own block give it
//! (adjoint form; Director & Rohrer 1969, IEEE Trans. Circuit Theory 16:318, from memory).

mod duct_table;
pub mod ensemble;
mod slopes;

use super::driver::{DriverNumbers, DriverPort};
use super::duct::{Admittance, DuctGeometry, Transfer};
use super::lumped;
use super::openings::Openings;
use super::symmetric::Pattern;
use super::tone::Tone;
use super::{ModelError, Observed};
use crate::air::Air;
use crate::design::{AirConditions, CLOSED, Design, OUTSIDE};
use num_complex::Complex64;
use std::collections::HashMap;
use std::f64::consts::{PI, SQRT_2, TAU};

const NONE: Complex64 = Complex64::new(0.0, 0.0);

/// Where an element's end leads.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Node {
    /// Zero pressure.
    Ground,
    /// No flow.
    Open,
    /// A junction.
    At(usize),
}

/// The two ends of an element and its slots in the matrix.
#[derive(Debug, Clone, Copy)]
struct Port {
    from: Node,
    to: Node,
    slot_from: usize,
    slot_to: usize,
    slot_across: usize,
}

const NO_SLOT: usize = usize::MAX;

impl Port {
    fn stamp(&self, matrix: &mut [Complex64], block: &Admittance<Complex64>) {
        if self.slot_from != NO_SLOT {
            matrix[self.slot_from] += block.from;
        }
        if self.slot_to != NO_SLOT {
            matrix[self.slot_to] += block.to;
        }
        if self.slot_across != NO_SLOT {
            // Both ends at one junction: the two off-diagonal entries fall on its diagonal.
            let times = if self.from == self.to { 2.0 } else { 1.0 };
            matrix[self.slot_across] += block.across * times;
        }
    }

    /// λᵀ·Y_element·p.
    fn bilinear(
        &self,
        block: &Admittance<Complex64>,
        left: &[Complex64],
        right: &[Complex64],
    ) -> Complex64 {
        let (la, lb) = (pressure(self.from, left), pressure(self.to, left));
        let (pa, pb) = (pressure(self.from, right), pressure(self.to, right));
        la * (block.from * pa + block.across * pb) + lb * (block.across * pa + block.to * pb)
    }
}

fn pressure(node: Node, p: &[Complex64]) -> Complex64 {
    match node {
        Node::At(i) => p[i],
        Node::Ground | Node::Open => NONE,
    }
}

/// A design made ready for solving in given air.
#[derive(Debug, Clone)]
pub struct Network {
    design: Design,
    air: Air,
    reference: Air,
    junctions: Vec<String>,
    pattern: Pattern,
    driver: DriverNumbers<Complex64>,
    /// Ends and sign of every driver.
    driver_ends: Vec<(Node, Node, f64)>,
    /// Slot, factor on Ya, factor on Yd.
    driver_stamps: Vec<(usize, f64, f64)>,
    ducts: Vec<(DuctGeometry<Complex64>, Port)>,
    resistors: Vec<Port>,
    leaks: Vec<Port>,
    chambers: Vec<Port>,
    openings: Openings,
    /// Slot, entry of the radiation admittance, how often it counts.
    opening_stamps: Vec<(usize, usize, f64)>,
    nonlinear: Vec<usize>,
}

/// The solved network at one frequency, per volt at the amplifier.
#[derive(Debug, Clone)]
pub struct Solution {
    /// ω, rad/s.
    pub omega_rad_per_s: f64,
    /// Pressure of each junction, Pa/V.
    pub pressure: Vec<Complex64>,
    /// Volume velocity of each opening, m³/s per volt.
    pub opening_flow: Vec<Complex64>,
    /// Volume velocity of each resistor from `from` to `to`, m³/s per volt.
    pub resistor_flow: Vec<Complex64>,
    /// Velocity of each cone towards its front, m/s per volt.
    pub cone_velocity: Vec<Complex64>,
    /// Current of each coil, A per volt.
    pub coil_current: Vec<Complex64>,
    /// Impedance at the terminals, Ω.
    pub impedance: Complex64,
    /// Current at the terminals, A per volt.
    pub current: Complex64,
}

/// Working state of one frequency.
struct State {
    at: Tone,
    matrix: Vec<Complex64>,
    p: Vec<Complex64>,
    port: DriverPort<Complex64>,
    /// Radiation admittance, row by row.
    radiation: Vec<Complex64>,
    /// Volume velocity of each opening.
    flow: Vec<Complex64>,
    /// Resistance that the particle velocity adds, per resistor, Pa·s/m³.
    extra: Vec<f64>,
}

/// Values and derivatives of observations.
#[derive(Debug, Clone)]
pub struct Responses {
    /// `value[observation][frequency]`.
    pub value: Vec<Vec<Complex64>>,
    /// `slope[observation][parameter][frequency]`, per SI unit of the parameter.
    pub slope: Vec<Vec<Vec<Complex64>>>,
}

impl Network {
    /// Prepares a design for solving in the given air.
    ///
    /// # Errors
    /// [`ModelError`] where an element leads nowhere or an opening or probe cannot be computed.
    pub fn new(design: &Design, air: &AirConditions) -> Result<Self, ModelError> {
        Self::in_air(design, Air::at(air))
    }

    /// The same in air of stated properties.
    ///
    /// # Errors
    /// As [`Network::new`].
    pub fn in_air(design: &Design, air: Air) -> Result<Self, ModelError> {
        let mut junctions: Vec<String> = Vec::new();
        let mut index: HashMap<String, usize> = HashMap::new();
        let mut node = |name: &str| match name {
            OUTSIDE => Node::Ground,
            CLOSED => Node::Open,
            _ => Node::At(*index.entry(name.to_string()).or_insert_with(|| {
                junctions.push(name.to_string());
                junctions.len() - 1
            })),
        };
        let driver_ends: Vec<_> = design
            .driver
            .places()
            .map(|(front, rear, sign)| (node(front), node(rear), sign))
            .collect();
        let ducts: Vec<_> = design
            .ducts
            .iter()
            .map(|d| (node(&d.from), node(&d.to)))
            .collect();
        let resistors: Vec<_> = design
            .resistors
            .iter()
            .map(|r| (node(&r.from), node(&r.to)))
            .collect();
        let leaks: Vec<_> = design
            .leaks
            .iter()
            .map(|l| (node(&l.at), node(&l.to)))
            .collect();
        let chambers: Vec<_> = design
            .chambers
            .iter()
            .map(|c| (node(&c.at), Node::Ground))
            .collect();
        let openings: Vec<_> = design.openings.iter().map(|o| node(&o.at)).collect();
        let mut pairs = Vec::new();
        let coned: Vec<usize> = driver_ends
            .iter()
            .flat_map(|&(a, b, _)| [a, b])
            .filter_map(|n| match n {
                Node::At(i) => Some(i),
                _ => None,
            })
            .collect();
        for (n, &a) in coned.iter().enumerate() {
            pairs.extend(coned[n + 1..].iter().filter(|&&b| b != a).map(|&b| (a, b)));
        }
        for &(a, b) in ducts.iter().chain(&resistors).chain(&leaks) {
            if let (Node::At(a), Node::At(b)) = (a, b) {
                pairs.push((a, b));
            }
        }
        for &a in &openings {
            for &b in &openings {
                if let (Node::At(a), Node::At(b)) = (a, b) {
                    pairs.push((a, b));
                }
            }
        }
        let pattern = Pattern::new(junctions.len(), &pairs);
        let port = |(from, to): (Node, Node)| {
            let diagonal = |n| match n {
                Node::At(i) => pattern.slot(i, i).unwrap_or(NO_SLOT),
                _ => NO_SLOT,
            };
            let slot_across = match (from, to) {
                (Node::At(a), Node::At(b)) => pattern.slot(a, b).unwrap_or(NO_SLOT),
                _ => NO_SLOT,
            };
            Port {
                from,
                to,
                slot_from: diagonal(from),
                slot_to: diagonal(to),
                slot_across,
            }
        };
        let reference = Air::at(&AirConditions::default());
        let mut opening_stamps = Vec::new();
        for (n, &a) in openings.iter().enumerate() {
            for (m, &b) in openings.iter().enumerate().skip(n) {
                if let (Node::At(a), Node::At(b)) = (a, b)
                    && let Some(slot) = pattern.slot(a, b)
                {
                    // One slot stands for both triangles; at one junction both fall on the diagonal.
                    let times = if n != m && a == b { 2.0 } else { 1.0 };
                    opening_stamps.push((slot, n * openings.len() + m, times));
                }
            }
        }
        let opening_nodes = openings;
        Ok(Self {
            driver: DriverNumbers::new(
                &design.driver,
                design.drive.source_ohm,
                reference.density_kg_per_m3,
                reference.bulk_pa(),
                None,
            ),
            driver_stamps: driver_stamps(&driver_ends, &pattern),
            driver_ends,
            ducts: design
                .ducts
                .iter()
                .zip(&ducts)
                .map(|(duct, &ends)| (DuctGeometry::new(duct, None), port(ends)))
                .collect(),
            resistors: resistors.into_iter().map(port).collect(),
            leaks: leaks.into_iter().map(port).collect(),
            chambers: chambers.into_iter().map(port).collect(),
            openings: Openings::new(design, opening_nodes, &junctions)?,
            opening_stamps,
            nonlinear: (0..design.resistors.len())
                .filter(|&i| design.resistors[i].rise_pa_s2_per_m2(air.density_kg_per_m3) != 0.0)
                .collect(),
            design: design.clone(),
            air,
            reference,
            junctions,
            pattern,
        })
    }

    /// Names of the junctions in the order of [`Solution::pressure`].
    #[must_use]
    pub fn junctions(&self) -> &[String] {
        &self.junctions
    }

    /// Whether a resistor rises with particle velocity, so that the drive matters.
    #[must_use]
    pub fn is_nonlinear(&self) -> bool {
        !self.nonlinear.is_empty()
    }

    /// The air.
    #[must_use]
    pub fn air(&self) -> &Air {
        &self.air
    }

    /// The design.
    #[must_use]
    pub fn design(&self) -> &Design {
        &self.design
    }

    fn duct_block<T: crate::special::number::Field>(
        geometry: &DuctGeometry<T>,
        port: &Port,
        at: &Tone,
    ) -> Admittance<T> {
        Self::block_of(&geometry.transfer(at), port)
    }

    fn block_of<T: crate::special::number::Field>(
        transfer: &Transfer<T>,
        port: &Port,
    ) -> Admittance<T> {
        let none = T::from_f64(0.0);
        match (port.from, port.to) {
            (Node::Open, Node::Open) => Admittance {
                from: none,
                across: none,
                to: none,
            },
            (_, Node::Open) => Admittance {
                from: transfer.closed(),
                across: none,
                to: none,
            },
            // Seen from `to` with a rigid end at `from`: U_from = 0, U_to = up·p_from, p_to = pp·p_from.
            (Node::Open, _) => Admittance {
                from: none,
                across: none,
                to: -(transfer.up / transfer.pp),
            },
            _ => transfer.admittance(),
        }
    }

    fn assemble(&self, state: &mut State) {
        let at = state.at;
        state.matrix.fill(NONE);
        for (geometry, port) in &self.ducts {
            port.stamp(&mut state.matrix, &Self::duct_block(geometry, port, &at));
        }
        for (i, port) in self.resistors.iter().enumerate() {
            let y =
                lumped::resistor::<Complex64>(&self.design.resistors[i], &at, state.extra[i], None);
            port.stamp(&mut state.matrix, &series(*port, y));
        }
        for (leak, port) in self.design.leaks.iter().zip(&self.leaks) {
            port.stamp(
                &mut state.matrix,
                &series(*port, lumped::leak::<Complex64>(leak, &at, None)),
            );
        }
        for (chamber, port) in self.design.chambers.iter().zip(&self.chambers) {
            port.stamp(
                &mut state.matrix,
                &series(*port, lumped::chamber::<Complex64>(chamber, &at, None)),
            );
        }
        self.openings.admittance(&at, &mut state.radiation);
        for &(slot, entry, times) in &self.opening_stamps {
            state.matrix[slot] += state.radiation[entry] * times;
        }
        state.port = self.driver.port(at.omega_rad_per_s);
        self.stamp_driver(&mut state.matrix, &state.port);
    }

    fn blank(&self) -> State {
        State {
            at: Tone::new(&self.air, 1.0),
            matrix: vec![NONE; self.pattern.slots()],
            p: vec![NONE; self.pattern.size()],
            port: self.driver.port(1.0),
            radiation: vec![NONE; self.openings.len() * self.openings.len()],
            flow: vec![NONE; self.openings.len()],
            extra: vec![0.0; self.resistors.len()],
        }
    }

    /// Solves at one frequency, in place.
    fn solve_at(&self, state: &mut State, frequency_hz: f64, drive_v: f64, work: &mut [Complex64]) {
        state.at = Tone::new(&self.air, TAU * frequency_hz);
        // The rise of the last frequency is a good start for this one.
        self.solve_state(state, work);
        if !self.nonlinear.is_empty() {
            self.settle(state, drive_v, work);
        }
    }

    fn state(&self, frequency_hz: f64, drive_v: f64, work: &mut [Complex64]) -> State {
        let mut state = self.blank();
        self.solve_at(&mut state, frequency_hz, drive_v, work);
        state
    }

    fn solve_state(&self, state: &mut State, work: &mut [Complex64]) {
        self.assemble(state);
        self.pattern.factorise(&mut state.matrix);
        self.drive(&state.port, &mut state.p);
        self.pattern.solve(&state.matrix, &mut state.p, work);
        self.openings
            .flow(&state.radiation, &state.p, &mut state.flow);
    }

    /// Fixed point of the resistors that rise with particle velocity: R = R₀ + 8/(3π)·q·V/area, V the peak.
    fn settle(&self, state: &mut State, drive_v: f64, work: &mut [Complex64]) {
        // The last rise of each resistor and how far it then was from the fixed point.
        let mut before: Vec<Option<(f64, f64)>> = vec![None; self.nonlinear.len()];
        for _ in 0..60 {
            let mut change = 0.0_f64;
            let mut misses = Vec::with_capacity(self.nonlinear.len());
            for &i in &self.nonlinear {
                let wanted = self.rise(i) * self.velocity_peak(state, i, drive_v);
                let miss = wanted - state.extra[i];
                let scale = self.design.resistors[i].acoustic_pa_s_per_m3() + wanted;
                change = change.max(miss.abs() / scale.max(f64::MIN_POSITIVE));
                misses.push(miss);
            }
            if change < 1e-11 {
                break;
            }
            for ((&i, miss), last) in self.nonlinear.iter().zip(misses).zip(&mut before) {
                let now = state.extra[i];
                // A secant step; a careful one where there is none yet or it would leave what is plausible: the plain
                // iteration can alternate where the rise dominates.
                let secant = last.and_then(|(then, missed): (f64, f64)| {
                    let slope = (miss - missed) / (now - then);
                    Some(now - miss / slope).filter(|x| slope < -0.2 && *x >= 0.0 && x.is_finite())
                });
                *last = Some((now, miss));
                state.extra[i] = secant.unwrap_or(now + 0.6 * miss);
            }
            self.solve_state(state, work);
        }
    }

    /// Acoustic resistance per peak particle velocity, Pa·s²/m⁴.
    fn rise(&self, resistor: usize) -> f64 {
        let r = &self.design.resistors[resistor];
        8.0 / (3.0 * PI) * r.rise_pa_s2_per_m2(self.air.density_kg_per_m3)
            / r.area_m2.unwrap_or(f64::NAN)
    }

    fn resistor_admittance(&self, state: &State, i: usize) -> Complex64 {
        lumped::resistor::<Complex64>(&self.design.resistors[i], &state.at, state.extra[i], None)
    }

    fn resistor_flow(&self, state: &State, i: usize) -> Complex64 {
        let port = &self.resistors[i];
        if port.from == Node::Open || port.to == Node::Open {
            return NONE;
        }
        (pressure(port.from, &state.p) - pressure(port.to, &state.p))
            * self.resistor_admittance(state, i)
    }

    fn velocity_peak(&self, state: &State, i: usize, drive_v: f64) -> f64 {
        let area = self.design.resistors[i].area_m2.unwrap_or(f64::NAN);
        self.resistor_flow(state, i).norm() * drive_v * SQRT_2 / area
    }

    /// Δ̄: mean of the pressure differences of the drivers, each with its sign.
    fn difference(&self, p: &[Complex64]) -> Complex64 {
        let sum: Complex64 = self
            .driver_ends
            .iter()
            .map(|&(from, to, sign)| (pressure(from, p) - pressure(to, p)) * sign)
            .sum();
        sum / self.driver_ends.len() as f64
    }

    /// Solves at one frequency; `drive_v` (RMS) matters only where a resistor rises with velocity.
    #[must_use]
    pub fn solve(&self, frequency_hz: f64, drive_v: f64) -> Solution {
        let mut work = vec![NONE; self.pattern.size()];
        let state = self.state(frequency_hz, drive_v, &mut work);
        let difference = self.difference(&state.p);
        let each = |value: &dyn Fn(f64, Complex64) -> Complex64| {
            self.driver_ends
                .iter()
                .map(|&(from, to, sign)| {
                    value(sign, pressure(from, &state.p) - pressure(to, &state.p))
                })
                .collect()
        };
        Solution {
            omega_rad_per_s: state.at.omega_rad_per_s,
            opening_flow: state.flow.clone(),
            resistor_flow: (0..self.resistors.len())
                .map(|i| self.resistor_flow(&state, i))
                .collect(),
            cone_velocity: each(&|sign, own| {
                state.port.own_velocity(sign, own, difference) / self.design.driver.sd_m2
            }),
            coil_current: each(&|sign, own| state.port.own_current(sign, own, difference)),
            impedance: state.port.impedance(difference),
            current: state.port.current(difference),
            pressure: state.p,
        }
    }

    /// Pressure at a point in the room for a solution, Pa per volt: every opening as a point source.
    #[must_use]
    pub fn pressure_at(&self, position_m: [f64; 3], solution: &Solution) -> Complex64 {
        let at = Tone::new(&self.air, solution.omega_rad_per_s);
        self.openings
            .point(&self.design, position_m, &at, &solution.opening_flow)
    }

    /// Pressure at a probe per volume velocity of one opening, Pa·s/m³.
    pub(super) fn probe_weight(&self, probe: usize, opening: usize, at: &Tone) -> Complex64 {
        self.openings.weight(probe, opening, at)
    }

    /// Pressure at a point for the volume velocities of the openings.
    pub(super) fn point_of_flow(
        &self,
        position_m: [f64; 3],
        at: &Tone,
        flow: &[Complex64],
    ) -> Complex64 {
        self.openings.point(&self.design, position_m, at, flow)
    }

    /// Highest frequency, Hz, up to which a probe near an opening follows its volume velocity within 1 dB; `None` for
    /// any other probe.
    #[must_use]
    pub fn near_field_limit_hz(&self, probe: usize) -> Option<f64> {
        self.openings
            .near_axis(probe)
            .map(|axis| super::near_field::limit_hz(axis, self.air.speed_m_per_s))
    }

    /// Driving-point acoustic impedance at a junction with the driver's source switched off, Pa·s/m³.
    #[must_use]
    pub fn driving_point(&self, junction: usize, frequency_hz: f64) -> Complex64 {
        self.transfer_impedance(junction, junction, frequency_hz)
    }

    /// Pressure at `at` for a unit volume velocity fed into `into`, driver's source switched off, Pa·s/m³.
    #[must_use]
    pub fn transfer_impedance(&self, into: usize, at: usize, frequency_hz: f64) -> Complex64 {
        let mut work = vec![NONE; self.pattern.size()];
        let state = self.state(frequency_hz, 0.0, &mut work);
        let mut x = vec![NONE; self.pattern.size()];
        x[into] = Complex64::new(1.0, 0.0);
        self.pattern.solve(&state.matrix, &mut x, &mut work);
        x[at]
    }

    fn observe(&self, state: &State, observed: Observed) -> Complex64 {
        match observed {
            Observed::Impedance => state.port.impedance(self.difference(&state.p)),
            Observed::Probe(i) => self.openings.probe(i, &state.at, &state.p, &state.flow),
        }
    }

    /// `value[observation][frequency]`: Ω or Pa/V.
    #[must_use]
    pub fn respond(
        &self,
        frequency_hz: &[f64],
        observed: &[Observed],
        drive_v: f64,
    ) -> Vec<Vec<Complex64>> {
        let mut value = vec![Vec::with_capacity(frequency_hz.len()); observed.len()];
        let mut work = vec![NONE; self.pattern.size()];
        let mut state = self.blank();
        for &f in frequency_hz {
            self.solve_at(&mut state, f, drive_v, &mut work);
            for (list, &o) in value.iter_mut().zip(observed) {
                list.push(self.observe(&state, o));
            }
        }
        value
    }
}

/// Where the drivers stand in the matrix: B·(Ya·ssᵀ/N + Yd·(I − ssᵀ/N))·Bᵀ with B the front (+1) and rear (−1) of each.
fn driver_stamps(ends: &[(Node, Node, f64)], pattern: &Pattern) -> Vec<(usize, f64, f64)> {
    let count = ends.len() as f64;
    let mut stamps: Vec<(usize, f64, f64)> = Vec::new();
    for (k, &(from_k, to_k, sign_k)) in ends.iter().enumerate() {
        for (l, &(from_l, to_l, sign_l)) in ends.iter().enumerate() {
            let common = sign_k * sign_l / count;
            let apart = f64::from(u8::from(k == l)) - common;
            for (a, side_a) in [(from_k, 1.0), (to_k, -1.0)] {
                for (b, side_b) in [(from_l, 1.0), (to_l, -1.0)] {
                    let (Node::At(a), Node::At(b)) = (a, b) else {
                        continue;
                    };
                    // One slot stands for both triangles: each pair is met in both orders, and counts once.
                    if a > b {
                        continue;
                    }
                    let Some(slot) = pattern.slot(a, b) else {
                        continue;
                    };
                    let side = side_a * side_b;
                    match stamps.iter_mut().find(|s| s.0 == slot) {
                        Some(entry) => {
                            entry.1 += side * common;
                            entry.2 += side * apart;
                        }
                        None => stamps.push((slot, side * common, side * apart)),
                    }
                }
            }
        }
    }
    stamps
}

/// A series admittance between the two ends of a port.
fn series(port: Port, y: Complex64) -> Admittance<Complex64> {
    if port.from == Node::Open || port.to == Node::Open {
        return Admittance {
            from: NONE,
            across: NONE,
            to: NONE,
        };
    }
    Admittance {
        from: y,
        across: -y,
        to: y,
    }
}
