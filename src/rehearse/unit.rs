//! The virtual unit: every element of a design as a state that one time step carries on.
//!
//! Per step, from n to n + 1: the ducts' volume velocities by leapfrog; then, at n + 1/2, the junction pressures,
//! the lumped paths and the drivers together,
//!
//! ```text
//! (2C/dt + Σ g + Σ G)·p = 2C/dt·p_n + inflow + Σ G·H          one row per junction, factored once
//! D·v = F − Sd·(p_front − p_rear)                             one row per driver, folded in
//! ```
//!
//! so that junctions without any volume, and resistances from zero to infinity, need no special case. Only a
//! quadratic resistor changes the matrix from step to step.

use super::air::Air;
use super::branch::Branch;
use super::coupling::{Delayed, distances_m, is_near, solid_angle};
use super::driver::NoMass;
use super::drivers::Drivers;
use super::line::{End, Line, Lossy, cells, is_stable};
use super::radiation::{Ladder, radius_m};
use super::relaxation::Rates;
use crate::design::{CLOSED, Chamber, Design, LeakForm, OUTSIDE, Resistance};

/// Numerical choices of a run.
#[derive(Debug, Clone, Copy)]
pub(super) struct Grid {
    /// Steps per second.
    pub rate_hz: f64,
    /// Lowest frequency that must be right, Hz.
    pub low_hz: f64,
    /// Highest frequency that must be right, Hz.
    pub high_hz: f64,
    /// Strength of the driver's nonlinearity.
    pub nonlinear: f64,
    /// Whether resistors keep their quadratic term.
    pub quadratic: bool,
}

/// A volume without elements, m³: keeps the equations of a bare junction regular (one cubic millimetre).
const BARE_VOLUME_M3: f64 = 1e-9;

/// Steps of the past that may pile up before they are dropped.
const FORGET: usize = 4096;

/// The unit and its states.
pub(super) struct Unit {
    step_s: f64,
    line: Line,
    branches: Vec<Branch>,
    /// Branch of each opening.
    opening: Vec<usize>,
    /// What opening `.0` hears of opening `.1`.
    coupling: Vec<(usize, usize, Delayed)>,
    drivers: Drivers,
    /// Junctions in front of and behind each driver.
    sides: Vec<[Option<usize>; 2]>,
    /// Pressure differences at the drivers: those without their volume velocities, and what these add.
    difference: Vec<f64>,
    load: Vec<f64>,
    names: Vec<String>,
    node: Vec<Node>,
    matrix: Vec<f64>,
    inverse: Vec<f64>,
    nonlinear: bool,
    rhs: Vec<f64>,
    middle: Vec<f64>,
    pressure: Vec<f64>,
    inflow: Vec<f64>,
    prepared: Vec<(f64, f64)>,
    /// Volume velocity of each opening at n + 1/2, at least the last `keep` steps, m³/s.
    flow: Vec<Vec<f64>>,
    /// Steps that coupling and microphones look back.
    keep: usize,
}

/// A junction's own compliance with loss.
#[derive(Debug, Clone)]
struct Node {
    capacity: f64,
    strength: Vec<f64>,
    stay: Vec<f64>,
    feed: Vec<f64>,
    memory: Vec<f64>,
}

/// Where a side of the driver or an element ends.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Place {
    Junction(usize),
    Outside,
    Closed,
}

/// What one step gives.
#[derive(Debug, Clone, Copy)]
pub(super) struct Step {
    /// Current at n + 1/2, A.
    pub current_a: f64,
    /// Voltage at the terminals at n + 1/2, V.
    pub terminal_v: f64,
}

struct Names(Vec<String>);

impl Names {
    fn place(&mut self, name: &str) -> Place {
        match name {
            OUTSIDE => Place::Outside,
            CLOSED => Place::Closed,
            _ => Place::Junction(match self.0.iter().position(|known| known == name) {
                Some(index) => index,
                None => {
                    self.0.push(name.to_string());
                    self.0.len() - 1
                }
            }),
        }
    }
}

impl Place {
    fn end(self) -> End {
        match self {
            Self::Junction(j) => End::Junction(j),
            Self::Outside => End::Outside,
            Self::Closed => End::Closed,
        }
    }

    fn index(self) -> Option<usize> {
        match self {
            Self::Junction(j) => Some(j),
            _ => None,
        }
    }
}

/// Collects what belongs to the junctions while the elements are laid out.
struct Builder<'a> {
    air: &'a Air,
    rates: Rates,
    step_s: f64,
    names: Names,
    lossy: Vec<Lossy>,
    branches: Vec<Branch>,
}

impl Builder<'_> {
    fn add_compliance(&mut self, place: Place, lossy: &Lossy) {
        if let Place::Junction(j) = place {
            self.lossy.resize_with(self.names.0.len(), Lossy::default);
            self.lossy[j].add(lossy);
        }
    }

    fn add_branch(
        &mut self,
        from: Place,
        to: Place,
        make: impl FnOnce(Branch) -> Branch,
        r: f64,
        m: f64,
    ) {
        if from != Place::Closed && to != Place::Closed {
            let branch = Branch::new(from.index(), to.index(), r, m, self.step_s);
            self.branches.push(make(branch));
        }
    }

    fn chamber(&mut self, chamber: &Chamber) {
        let place = self.names.place(&chamber.at);
        let (air, bulk) = (self.air, self.air.bulk_modulus_pa());
        let excess = air.heat_ratio - 1.0;
        let root = self.rates.power(0.5);
        // (γ−1)/(ρc²)·A·√α·√s.
        let wall = excess / bulk * chamber.wall_area() * air.thermal_diffusivity_m2_per_s().sqrt();
        let mut whole = Lossy::of(wall, &root);
        whole.value += chamber.volume_m3 / bulk;
        if let Some(fill) = chamber.fill {
            let more = super::porous::fill(&fill, air, &self.rates);
            whole.add(&Lossy::of(fill.fraction * chamber.volume_m3 / bulk, &more));
        }
        self.add_compliance(place, &whole);
    }

    fn ducts(&mut self, design: &Design) -> Line {
        let mut laid = Vec::new();
        for duct in &design.ducts {
            let (from, to) = (self.names.place(&duct.from), self.names.place(&duct.to));
            let cells = cells(duct, self.air, &self.rates, self.step_s);
            let (first, last) = (&cells[0], &cells[cells.len() - 1]);
            if cells.iter().all(|cell| is_stable(cell, self.step_s)) {
                self.add_compliance(from, &first.near);
                self.add_compliance(to, &last.far);
                laid.push((cells, from.end(), to.end()));
                continue;
            }
            // Shorter than one cell: a lumped mass between two compliances; a blind one is only a compliance.
            let (near, far, mass) = (
                first.near.clone(),
                first.far.clone(),
                first.inertance.clone(),
            );
            let blind =
                |place: Place, other: Place| if place == Place::Closed { other } else { place };
            self.add_compliance(blind(from, to), &near);
            self.add_compliance(blind(to, from), &far);
            let rates = self.rates.rate_rad_per_s.clone();
            self.add_branch(
                from,
                to,
                |branch| {
                    mass.part
                        .iter()
                        .zip(&rates)
                        .fold(branch, |branch, (r, q)| branch.with_relaxation(*r, *q))
                },
                mass.constant,
                mass.value,
            );
        }
        Line::new(&laid, &self.rates, self.step_s)
    }

    fn resistors_and_leaks(&mut self, design: &Design, quadratic: bool) {
        for resistor in &design.resistors {
            let (from, to) = (
                self.names.place(&resistor.from),
                self.names.place(&resistor.to),
            );
            let area = resistor.area_m2.unwrap_or(f64::INFINITY);
            let q = if quadratic {
                resistor.rise_pa_s2_per_m2(self.air.density_kg_per_m3) / (area * area)
            } else {
                0.0
            };
            if let Resistance::Plate(plate) = &resistor.resistance {
                let face = super::plate::face(plate, self.air, &self.rates);
                let rates = self.rates.clone();
                self.add_branch(
                    from,
                    to,
                    |branch| {
                        branch
                            .with_relaxing(&face, &rates, 1.0 / area)
                            .with_quadratic(q)
                    },
                    0.0,
                    0.0,
                );
                continue;
            }
            let resistance = resistor.acoustic_pa_s_per_m3();
            let mass = resistor.areal_mass_kg_per_m2 / area;
            // A free cloth: its mass beside the resistance, R·s/(s + R/M).
            let limp = resistor.limp;
            self.add_branch(
                from,
                to,
                |branch| {
                    let branch = branch.with_quadratic(q);
                    if limp {
                        branch.with_relaxation(resistance, resistance / mass)
                    } else {
                        branch
                    }
                },
                if limp { 0.0 } else { resistance },
                if limp { 0.0 } else { mass },
            );
        }
        for leak in &design.leaks {
            let (from, to) = (self.names.place(&leak.at), self.names.place(&leak.to));
            let (r, m) = match leak.form {
                LeakForm::Resistance(value) => (value, 0.0),
                LeakForm::Slot {
                    length_m,
                    gap_m,
                    depth_m,
                } => (
                    12.0 * self.air.viscosity_pa_s * depth_m / (length_m * gap_m.powi(3)),
                    1.2 * self.air.density_kg_per_m3 * depth_m / (length_m * gap_m),
                ),
            };
            self.add_branch(from, to, |branch| branch, r, m);
        }
    }

    fn openings(&mut self, design: &Design, high_hz: f64) -> Vec<usize> {
        let (air, c) = (self.air, self.air.sound_speed_m_per_s);
        let mut list = Vec::new();
        for (index, opening) in design.openings.iter().enumerate() {
            let place = self.names.place(&opening.at);
            let time_s = radius_m(opening.area_m2) / c;
            let top = std::f64::consts::TAU * high_hz / c;
            let mut image_m = distances_m(index, index, &design.openings, design.planes());
            let coupled = design.openings.len() > 1 || !image_m.is_empty();
            image_m.retain(|&r| is_near(opening, r, top));
            // Images make the load ripple, so that the fit has nothing to spare above the band.
            let reach = if image_m.is_empty() { 1.3 } else { 1.05 };
            let ka_max = reach * std::f64::consts::TAU * high_hz * time_s;
            let images = (image_m.as_slice(), solid_angle(design.space));
            let ladder = Ladder::fit(opening, images, coupled, ka_max);
            let unit = air.density_kg_per_m3 * c / opening.area_m2;
            list.push(self.branches.len());
            self.branches.push(
                Branch::new(place.index(), None, 0.0, 0.0, self.step_s)
                    .with_ladder(&ladder, unit, time_s),
            );
        }
        list
    }
}

impl Unit {
    /// Builds a design at rest.
    pub fn new(design: &Design, air: &Air, grid: Grid, source_ohm: f64) -> Result<Self, NoMass> {
        let step_s = 1.0 / grid.rate_hz;
        let rates = Rates::new(grid.low_hz, grid.high_hz);
        let mut builder = Builder {
            air,
            rates,
            step_s,
            names: Names(Vec::new()),
            lossy: Vec::new(),
            branches: Vec::new(),
        };
        let places: Vec<[Place; 2]> = design
            .driver
            .places()
            .map(|(front, rear, _)| [front, rear].map(|name| builder.names.place(name)))
            .collect();
        let held = places.iter().map(|p| p.contains(&Place::Closed)).collect();
        let (rates, nonlinear) = (&builder.rates, grid.nonlinear);
        let drivers = Drivers::new(&design.driver, held, source_ohm, rates, step_s, nonlinear)?;
        for chamber in &design.chambers {
            builder.chamber(chamber);
        }
        let line = builder.ducts(design);
        builder.resistors_and_leaks(design, grid.quadratic);
        let opening = builder.openings(design, grid.high_hz);
        let Builder {
            rates,
            names,
            mut lossy,
            branches,
            ..
        } = builder;
        let names = names.0;
        lossy.resize_with(names.len(), Lossy::default);
        let bare = BARE_VOLUME_M3 / air.bulk_modulus_pa();
        let n = names.len();
        let mut matrix = vec![0.0; n * n];
        let node: Vec<Node> = lossy
            .iter()
            .enumerate()
            .map(|(j, lossy)| {
                let half = |q: &f64| 0.5 * step_s * q;
                let q = &rates.rate_rad_per_s;
                let strength: Vec<f64> = lossy
                    .part
                    .iter()
                    .zip(q)
                    .map(|(r, q)| r / (1.0 + half(q)))
                    .collect();
                let capacity = 2.0 * (lossy.value + bare) / step_s;
                matrix[j * n + j] = capacity + lossy.constant + strength.iter().sum::<f64>();
                Node {
                    capacity,
                    memory: vec![0.0; strength.len()],
                    strength,
                    stay: q
                        .iter()
                        .map(|q| (1.0 - half(q)) / (1.0 + half(q)))
                        .collect(),
                    feed: q.iter().map(|q| 2.0 * half(q) / (1.0 + half(q))).collect(),
                }
            })
            .collect();
        let coupling = couple(design, air, grid);
        let nonlinear = branches.iter().any(Branch::is_nonlinear);
        let prepared = vec![(0.0, 0.0); branches.len()];
        let mut unit = Self {
            step_s,
            line,
            branches,
            flow: vec![Vec::new(); opening.len()],
            keep: coupling.iter().map(|(.., d)| d.reach()).max().unwrap_or(0),
            opening,
            coupling,
            drivers,
            difference: vec![0.0; places.len()],
            load: vec![0.0; places.len() * places.len()],
            sides: places.iter().map(|sides| sides.map(Place::index)).collect(),
            names,
            node,
            matrix,
            inverse: Vec::new(),
            nonlinear,
            rhs: vec![0.0; n],
            middle: vec![0.0; n],
            pressure: vec![0.0; n],
            inflow: vec![0.0; n],
            prepared,
        };
        unit.prepare_branches();
        unit.factor();
        Ok(unit)
    }

    /// Index of a junction that exists in the unit.
    pub fn junction(&self, name: &str) -> Option<usize> {
        self.names.iter().position(|known| known == name)
    }

    /// Pressure of a junction at n (after a step: at n + 1), Pa.
    pub fn pressure_pa(&self, junction: usize) -> f64 {
        self.pressure[junction]
    }

    /// Volume velocity of each opening at n + 1/2, the last step last, m³/s; as far back as was asked for.
    pub fn flow(&self) -> &[Vec<f64>] {
        &self.flow
    }

    /// Keeps the openings' volume velocities of at least the last `steps` steps.
    pub fn remember(&mut self, steps: usize) {
        self.keep = self.keep.max(steps);
    }

    /// Largest pressure anywhere in the unit, Pa.
    pub fn largest_pa(&self) -> f64 {
        self.pressure
            .iter()
            .fold(self.line.largest_pa(), |a, p| larger(a, *p))
    }

    fn prepare_branches(&mut self) {
        for (branch, prepared) in self.branches.iter_mut().zip(&mut self.prepared) {
            *prepared = branch.prepare();
        }
    }

    fn factor(&mut self) {
        let n = self.pressure.len();
        let mut matrix = self.matrix.clone();
        for (branch, (g, _)) in self.branches.iter().zip(&self.prepared) {
            for (a, b) in [(branch.from, branch.to), (branch.to, branch.from)] {
                if let Some(a) = a {
                    matrix[a * n + a] += g;
                    if let Some(b) = b {
                        matrix[a * n + b] -= g;
                    }
                }
            }
        }
        self.inverse = invert(matrix, n);
        let inverse = &self.inverse;
        let pairs = self
            .sides
            .iter()
            .flat_map(|at| self.sides.iter().map(move |from| (at, from)));
        for (load, (at, from)) in self.load.iter_mut().zip(pairs) {
            *load = across(at, |a| across(from, |b| inverse[a * n + b]));
        }
    }

    /// One step with the driving voltage at n + 1/2, V.
    pub fn step(&mut self, voltage: f64) -> Step {
        let n = self.pressure.len();
        self.inflow.fill(0.0);
        self.line.step(&mut self.inflow);
        for &(at, ..) in &self.coupling {
            self.branches[self.opening[at]].back_pa = 0.0;
        }
        for (at, source, delayed) in &self.coupling {
            self.branches[self.opening[*at]].back_pa += delayed.of(&self.flow[*source]);
        }
        self.prepare_branches();
        if self.nonlinear {
            self.factor();
        }
        for (j, node) in self.node.iter().enumerate() {
            let remembered: f64 = node
                .strength
                .iter()
                .zip(&node.memory)
                .map(|(s, m)| s * m)
                .sum();
            self.rhs[j] = self.inflow[j] + node.capacity * self.pressure[j] + remembered;
        }
        for (branch, (g, h)) in self.branches.iter().zip(&self.prepared) {
            if let Some(a) = branch.from {
                self.rhs[a] -= g * h;
            }
            if let Some(b) = branch.to {
                self.rhs[b] += g * h;
            }
        }
        for j in 0..n {
            let row = &self.inverse[j * n..(j + 1) * n];
            self.middle[j] = row.iter().zip(&self.rhs).map(|(a, b)| a * b).sum();
        }
        for (difference, sides) in self.difference.iter_mut().zip(&self.sides) {
            *difference = across(sides, |j| self.middle[j]);
        }
        let current_a = self.drivers.step(voltage, &self.difference, &self.load);
        for (flow, [front, rear]) in self.drivers.flow().iter().zip(&self.sides) {
            for (side, flow) in [(front, *flow), (rear, -flow)] {
                if let Some(b) = *side {
                    for j in 0..n {
                        self.middle[j] += self.inverse[j * n + b] * flow;
                    }
                }
            }
        }
        self.close_step();
        Step {
            current_a,
            terminal_v: voltage - self.drivers.source_ohm() * current_a,
        }
    }

    fn close_step(&mut self) {
        for (j, node) in self.node.iter_mut().enumerate() {
            let middle = self.middle[j];
            self.pressure[j] = 2.0 * middle - self.pressure[j];
            for ((m, stay), feed) in node.memory.iter_mut().zip(&node.stay).zip(&node.feed) {
                *m = stay * *m + feed * middle;
            }
        }
        let middle = &self.middle;
        let at = |place: Option<usize>| place.map_or(0.0, |j| middle[j]);
        let mut next_opening = 0;
        for (k, (branch, (g, h))) in self.branches.iter_mut().zip(&self.prepared).enumerate() {
            let flow = g * (at(branch.from) - at(branch.to) + h);
            branch.advance(flow);
            if self.opening.get(next_opening) == Some(&k) {
                self.flow[next_opening].push(flow);
                next_opening += 1;
            }
        }
        for flow in &mut self.flow {
            // Old steps go in large pieces, so that a step costs the same however long the run.
            if flow.len() > 2 * self.keep + FORGET {
                flow.drain(..flow.len() - self.keep);
            }
        }
        self.line.set_ends(&self.pressure);
    }

    /// Time step, s.
    pub fn step_s(&self) -> f64 {
        self.step_s
    }
}

/// Front less rear of a value at the junctions; nothing outside.
fn across([front, rear]: &[Option<usize>; 2], value: impl Fn(usize) -> f64) -> f64 {
    front.map_or(0.0, &value) - rear.map_or(0.0, &value)
}

/// The larger magnitude; not a number wins.
pub(super) fn larger(a: f64, b: f64) -> f64 {
    if b.abs() <= a { a } else { b.abs() }
}

fn couple(design: &Design, air: &Air, grid: Grid) -> Vec<(usize, usize, Delayed)> {
    let band = (1.1 * std::f64::consts::TAU * grid.high_hz / grid.rate_hz).min(0.6);
    let mut list = Vec::new();
    let count = design.openings.len();
    let top = std::f64::consts::TAU * grid.high_hz / air.sound_speed_m_per_s;
    for at in 0..count {
        for source in 0..count {
            for r in distances_m(at, source, &design.openings, design.planes()) {
                if source == at && is_near(&design.openings[at], r, top) {
                    continue;
                }
                let delay = r / air.sound_speed_m_per_s * grid.rate_hz;
                let gain = air.density_kg_per_m3 * grid.rate_hz / (solid_angle(design.space) * r);
                list.push((at, source, Delayed::derivative(delay, gain, band)));
            }
        }
    }
    list
}

fn invert(mut matrix: Vec<f64>, n: usize) -> Vec<f64> {
    // Symmetric, diagonally dominant with a positive diagonal: elimination needs no pivoting.
    let mut inverse = vec![0.0; n * n];
    for j in 0..n {
        inverse[j * n + j] = 1.0;
    }
    for column in 0..n {
        let scale = 1.0 / matrix[column * n + column];
        for k in 0..n {
            matrix[column * n + k] *= scale;
            inverse[column * n + k] *= scale;
        }
        for row in 0..n {
            let factor = matrix[row * n + column];
            if row != column && factor != 0.0 {
                for k in 0..n {
                    matrix[row * n + k] -= factor * matrix[column * n + k];
                    inverse[row * n + k] -= factor * inverse[column * n + k];
                }
            }
        }
    }
    inverse
}

#[cfg(test)]
#[path = "unit_tests.rs"]
mod tests;
