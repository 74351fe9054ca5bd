//! All ducts of a unit on one staggered grid, stepped by leapfrog.
//!
//! ```text
//! face k:  M_k·dU/dt + R_k·U + Σ r_kn·(U − w_kn) = p_k − p_(k+1)          U at times n + 1/2
//! node k:  C_k·dp/dt + Σ g_kn·(p − w_kn)         = U_(k−1) − U_k          p at times n
//! M_k = rho·∫dx/S over the cell,  C_k = ∫S dx/(rho·c²) over the adjacent half cells
//! ```
//!
//! Cells are as short as c·dt allows, so that a uniform duct has almost no dispersion; the loss terms are centred in
//! time (implicit midpoint), which keeps them passive. The error falls with the square of the step. Ducts lie end to
//! end in the arrays, a dead face between them; the end nodes of a duct hold copies of the junction pressures.
//!
//! Stability: the largest eigenfrequency of a cell, √((1/C_left + 1/C_right)/M), is at most 2/dt.

use super::air::Air;
use super::radiation::gauss_16;
use super::relaxation::{Bore, Rates, Relaxing};
use crate::design::{Bend, Duct, Profile, Section};

/// What an end of a duct is connected to.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum End {
    /// A junction of the unit.
    Junction(usize),
    /// Ambient pressure.
    Outside,
    /// A rigid wall.
    Closed,
}

/// One cell: its inertance with loss, its two halves' compliances with loss.
#[derive(Debug, Clone)]
pub(super) struct Cell {
    /// Inertance with wall loss, Pa·s²/m³ and Pa·s/m³.
    pub inertance: Lossy,
    /// Compliance of the first half with wall loss, m³/Pa and m³/(Pa·s).
    pub near: Lossy,
    /// Compliance of the second half.
    pub far: Lossy,
}

/// `value·d/dt + constant + Σ part·relaxation`.
#[derive(Debug, Clone, Default)]
pub(super) struct Lossy {
    /// Mass or compliance.
    pub value: f64,
    /// Constant resistance or conductance.
    pub constant: f64,
    /// Relaxation strengths.
    pub part: Vec<f64>,
}

impl Lossy {
    fn new(value: f64, factor: f64, relaxing: &Relaxing) -> Self {
        Self {
            value: value * (1.0 + factor * relaxing.slope),
            constant: value * factor * relaxing.constant,
            part: relaxing.part.iter().map(|r| value * factor * r).collect(),
        }
    }

    /// `size` times a relaxing admittance or impedance.
    pub fn of(size: f64, relaxing: &Relaxing) -> Self {
        Self {
            value: size * relaxing.slope,
            constant: size * relaxing.constant,
            part: relaxing.part.iter().map(|r| size * r).collect(),
        }
    }

    /// Adds another in parallel (compliances) or in series (inertances).
    pub fn add(&mut self, other: &Self) {
        self.value += other.value;
        self.constant += other.constant;
        self.part.resize(self.part.len().max(other.part.len()), 0.0);
        for (a, b) in self.part.iter_mut().zip(&other.part) {
            *a += b;
        }
    }
}

/// Area at the fraction `x` of the length, m².
fn area_at(duct: &Duct, x: f64) -> f64 {
    let [from, to] = duct.area_m2;
    match duct.profile {
        Profile::Uniform => from,
        Profile::Conical => (from.sqrt() + (to.sqrt() - from.sqrt()) * x).powi(2),
        Profile::Exponential => from * (to / from).powf(x),
        Profile::Parabolic => from + (to - from) * x,
    }
}

fn bore_of(duct: &Duct, area_m2: f64) -> Bore {
    match duct.section {
        Section::Round => Bore::Round(super::radiation::radius_m(area_m2)),
        Section::Rectangular { width_m } => Bore::Round(area_m2 / (width_m + area_m2 / width_m)),
        Section::Slit { gap_m } => Bore::Slit(gap_m),
    }
}

/// Change of the centre-line length, for the inertance only, by the bend at the `to` end, and the length of the corner, m.
///
/// Potential flow round a sharp right-angled corner of a channel of width h has the inertance of 0.559 h instead of
/// the centre line's h; a quarter ring with the inner radius h/2 has 1.430 h instead of 1.571 h.
fn bend_lengths_m(duct: &Duct) -> (f64, f64) {
    let width = match duct.section {
        Section::Rectangular { width_m } => duct.area_m2[1] / width_m,
        Section::Slit { gap_m } => gap_m,
        Section::Round => duct.area_m2[1].sqrt(),
    };
    let share = duct.bend_excess.unwrap_or(match duct.bend {
        Bend::None => 0.0,
        Bend::Mitred => -0.441,
        Bend::Rounded => -0.110,
    });
    (share * width, width)
}

/// Cuts a duct into the most cells that the time step allows, at least one.
pub(super) fn cells(duct: &Duct, air: &Air, rates: &Rates, step_s: f64) -> Vec<Cell> {
    let shortest = air.sound_speed_m_per_s * step_s;
    let mut count = ((duct.length_m / shortest * (1.0 + 1e-9)).floor() as usize).max(1);
    loop {
        let cut = cut(duct, air, rates, count);
        if count == 1 || cut.iter().all(|cell| is_stable(cell, step_s)) {
            return cut;
        }
        count -= 1;
    }
}

/// Whether leapfrog may step the cell.
pub(super) fn is_stable(cell: &Cell, step_s: f64) -> bool {
    let stiffness = 1.0 / cell.near.value + 1.0 / cell.far.value;
    cell.inertance.value > 0.0
        && stiffness / cell.inertance.value <= 4.0 / (step_s * step_s) * (1.0 + 1e-6)
}

fn cut(duct: &Duct, air: &Air, rates: &Rates, count: usize) -> Vec<Cell> {
    let nu = air.kinematic_viscosity_m2_per_s();
    let alpha = air.thermal_diffusivity_m2_per_s();
    let bulk = air.bulk_modulus_pa();
    let (node, weight) = gauss_16();
    // Integrals of S and of 1/S from `from` to `to` (fractions of the length).
    let integrals = |from: f64, to: f64| {
        let mut sum = (0.0, 0.0);
        for (x, w) in node.iter().zip(&weight) {
            let area = area_at(duct, from + (to - from) * x);
            let dx = w * (to - from) * duct.length_m;
            sum.0 += area * dx;
            sum.1 += dx / area;
        }
        sum
    };
    let n = count as f64;
    let mut last: Option<(Bore, Relaxing, Relaxing)> = None;
    let mut loss_at = |x: f64| {
        let bore = bore_of(duct, area_at(duct, x));
        if let Some((known, viscous, thermal)) = &last
            && *known == bore
        {
            return (viscous.clone(), thermal.clone());
        }
        let viscous = rates.viscous(bore, nu);
        let thermal = rates.thermal(bore, alpha);
        last = Some((bore, viscous.clone(), thermal.clone()));
        (viscous, thermal)
    };
    let loss = duct.loss_factor;
    let thermal_loss = loss * (air.heat_ratio - 1.0);
    let mut list: Vec<Cell> = (0..count)
        .map(|k| {
            let (from, to) = (k as f64 / n, (k + 1) as f64 / n);
            let middle = 0.5 * (from + to);
            let (first, second) = (integrals(from, middle), integrals(middle, to));
            let (viscous, thermal) = loss_at(middle);
            let mass = air.density_kg_per_m3 * (first.1 + second.1);
            let mut cell = Cell {
                inertance: Lossy::new(mass, loss, &viscous),
                near: Lossy::new(first.0 / bulk, thermal_loss, &thermal),
                far: Lossy::new(second.0 / bulk, thermal_loss, &thermal),
            };
            line_walls(duct, air, rates, middle, duct.length_m / n, &mut cell);
            cell
        })
        .collect();
    let [from_m, to_m] = duct.end_correction_m;
    list[0].inertance.value += air.density_kg_per_m3 * from_m / duct.area_m2[0];
    list[count - 1].inertance.value += air.density_kg_per_m3 * to_m / duct.area_m2[1];
    let (bend, corner) = bend_lengths_m(duct);
    if bend != 0.0 {
        // Spread over the corner, which ends at the duct's end.
        let start = (1.0 - corner / duct.length_m).max(0.0) * n;
        let change = air.density_kg_per_m3 * bend / duct.area_m2[1] / (n - start);
        for (k, cell) in list.iter_mut().enumerate() {
            let inside = (k as f64 + 1.0 - start).clamp(0.0, 1.0);
            let value = &mut cell.inertance.value;
            *value = (*value + change * inside).max(0.2 * *value);
        }
    }
    list
}

/// A porous lining on all walls, outside the stated area.
fn line_walls(duct: &Duct, air: &Air, rates: &Rates, x: f64, length_m: f64, cell: &mut Cell) {
    let Some(lining) = duct.lining else { return };
    let area = area_at(duct, x);
    let perimeter = match duct.section {
        Section::Round => 2.0 * std::f64::consts::PI * super::radiation::radius_m(area),
        Section::Rectangular { width_m } => 2.0 * (width_m + area / width_m),
        Section::Slit { gap_m } => 2.0 * area / gap_m,
    };
    let layer = super::porous::layer(&lining, air, rates);
    for half in [&mut cell.near, &mut cell.far] {
        half.add(&Lossy::of(0.5 * perimeter * length_m, &layer));
    }
}

/// One duct on the line.
#[derive(Debug, Clone)]
struct Span {
    first_node: usize,
    nodes: usize,
    from: End,
    to: End,
}

/// Midpoint coefficients of a row of lossy elements, and their states.
#[derive(Debug, Clone, Default)]
struct Row {
    keep: Vec<f64>,
    gain: Vec<f64>,
    strength: Vec<Vec<f64>>,
    memory: Vec<Vec<f64>>,
    history: Vec<f64>,
    middle: Vec<f64>,
}

impl Row {
    fn new(list: &[Option<Lossy>], rates: &Rates, step_s: f64) -> Self {
        let n = list.len();
        let mut row = Self {
            keep: vec![0.0; n],
            gain: vec![0.0; n],
            strength: vec![vec![0.0; n]; rates.rate_rad_per_s.len()],
            memory: vec![vec![0.0; n]; rates.rate_rad_per_s.len()],
            history: vec![0.0; n],
            middle: vec![0.0; n],
        };
        for (k, lossy) in list.iter().enumerate() {
            let Some(lossy) = lossy else { continue };
            let mut resistance = lossy.constant;
            for (n, part) in lossy.part.iter().enumerate() {
                let half = 0.5 * step_s * rates.rate_rad_per_s[n];
                row.strength[n][k] = part / (1.0 + half);
                resistance += part / (1.0 + half);
            }
            // value·(x⁺ − x⁻)/dt + resistance·(x⁺ + x⁻)/2 = drive + history
            let mass = lossy.value / step_s;
            row.gain[k] = 1.0 / (mass + 0.5 * resistance);
            row.keep[k] = (mass - 0.5 * resistance) * row.gain[k];
        }
        row
    }

    /// Steps `x` with the drive already in `drive`, then the relaxations.
    fn step(&mut self, x: &mut [f64], drive: &[f64], rates: &Rates, step_s: f64) {
        let n = x.len();
        let (keep, gain) = (&self.keep[..n], &self.gain[..n]);
        let (history, middle) = (&mut self.history[..n], &mut self.middle[..n]);
        for k in 0..n {
            let before = x[k];
            let after = keep[k] * before + gain[k] * (drive[k] + history[k]);
            x[k] = after;
            middle[k] = 0.5 * (before + after);
            history[k] = 0.0;
        }
        for (i, &rate) in rates.rate_rad_per_s.iter().enumerate() {
            let half = 0.5 * step_s * rate;
            let (stay, feed) = ((1.0 - half) / (1.0 + half), 2.0 * half / (1.0 + half));
            let (memory, strength) = (&mut self.memory[i][..n], &self.strength[i][..n]);
            for k in 0..n {
                let w = stay * memory[k] + feed * middle[k];
                memory[k] = w;
                history[k] += strength[k] * w;
            }
        }
    }
}

/// All ducts of a unit.
#[derive(Debug, Clone)]
pub(super) struct Line {
    rates: Rates,
    step_s: f64,
    spans: Vec<Span>,
    /// Node pressures, Pa.
    pressure: Vec<f64>,
    /// Face volume velocities, m³/s; `flow[k]` lies between nodes k and k + 1.
    flow: Vec<f64>,
    drop: Vec<f64>,
    inflow: Vec<f64>,
    face: Row,
    node: Row,
}

impl Line {
    /// Lays ducts end to end. Junction ends take no compliance here: the caller adds it to the junction.
    pub fn new(ducts: &[(Vec<Cell>, End, End)], rates: &Rates, step_s: f64) -> Self {
        let mut faces: Vec<Option<Lossy>> = Vec::new();
        let mut nodes: Vec<Option<Lossy>> = Vec::new();
        let mut spans = Vec::new();
        for (cells, from, to) in ducts {
            spans.push(Span {
                first_node: nodes.len(),
                nodes: cells.len() + 1,
                from: *from,
                to: *to,
            });
            for k in 0..=cells.len() {
                let is_end =
                    (k == 0 && *from != End::Closed) || (k == cells.len() && *to != End::Closed);
                let mut compliance = Lossy::default();
                if k > 0 {
                    compliance.add(&cells[k - 1].far);
                }
                if k < cells.len() {
                    compliance.add(&cells[k].near);
                }
                nodes.push((!is_end).then_some(compliance));
                faces.push(cells.get(k).map(|cell| cell.inertance.clone()));
            }
        }
        let n = nodes.len();
        Self {
            rates: rates.clone(),
            step_s,
            spans,
            pressure: vec![0.0; n],
            flow: vec![0.0; n],
            drop: vec![0.0; n],
            inflow: vec![0.0; n],
            face: Row::new(&faces, rates, step_s),
            node: Row::new(&nodes, rates, step_s),
        }
    }

    /// Steps volume velocities to n + 1/2 and inner pressures to n + 1, and adds what flows into each junction, m³/s.
    pub fn step(&mut self, into_junction: &mut [f64]) {
        let n = self.pressure.len();
        if n == 0 {
            return;
        }
        for k in 0..n - 1 {
            self.drop[k] = self.pressure[k] - self.pressure[k + 1];
        }
        self.face
            .step(&mut self.flow, &self.drop, &self.rates, self.step_s);
        self.inflow[0] = -self.flow[0];
        for k in 1..n {
            self.inflow[k] = self.flow[k - 1] - self.flow[k];
        }
        self.node
            .step(&mut self.pressure, &self.inflow, &self.rates, self.step_s);
        for span in &self.spans {
            let last = span.first_node + span.nodes - 1;
            if let End::Junction(j) = span.from {
                into_junction[j] -= self.flow[span.first_node];
            }
            if let End::Junction(j) = span.to {
                into_junction[j] += self.flow[last - 1];
            }
        }
    }

    /// Copies the junction pressures at n + 1 to the ends of the ducts.
    pub fn set_ends(&mut self, junction_pa: &[f64]) {
        for span in &self.spans {
            let last = span.first_node + span.nodes - 1;
            if let End::Junction(j) = span.from {
                self.pressure[span.first_node] = junction_pa[j];
            }
            if let End::Junction(j) = span.to {
                self.pressure[last] = junction_pa[j];
            }
        }
    }

    /// Largest pressure on the line, Pa.
    pub fn largest_pa(&self) -> f64 {
        self.pressure
            .iter()
            .fold(0.0, |a, p| super::unit::larger(a, *p))
    }
}
