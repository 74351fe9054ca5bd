//! Derivatives of what is observed, by the adjoint method of the parent module.

use super::{NONE, Network, Node, Port, Responses, State, pressure, series};
use crate::design::Resistance;
use crate::design::path::{Element, Key, Parameter};
use crate::model::Observed;
use crate::model::driver::{DriverNumbers, DriverPort};
use crate::model::duct::{Admittance, DuctGeometry};
use crate::model::lumped;
use crate::special::number::Dual;
use num_complex::Complex64;
use std::f64::consts::SQRT_2;

impl Network {
    /// Values and derivatives with respect to parameters of this design.
    #[must_use]
    pub fn respond_with_slopes(
        &self,
        frequency_hz: &[f64],
        observed: &[Observed],
        parameters: &[Parameter],
        drive_v: f64,
    ) -> Responses {
        let ways: Vec<Seeded> = parameters.iter().map(|&p| self.seeded(p)).collect();
        let count = frequency_hz.len();
        let mut out = Responses {
            value: vec![Vec::with_capacity(count); observed.len()],
            slope: vec![vec![Vec::with_capacity(count); parameters.len()]; observed.len()],
        };
        let mut work = vec![NONE; self.pattern.size()];
        let mut adjoint = vec![vec![NONE; self.pattern.size()]; observed.len()];
        let mut state = self.blank();
        for &f in frequency_hz {
            self.solve_at(&mut state, f, drive_v, &mut work);
            for (x, &o) in adjoint.iter_mut().zip(observed) {
                self.adjoint(&state, o, x, &mut work);
            }
            let changes: Vec<Change> = ways.iter().map(|way| self.change(&state, way)).collect();
            let rises = if self.nonlinear.is_empty() {
                None
            } else {
                Some(self.rises(&state, parameters, &changes, drive_v, &mut work))
            };
            for (n, &o) in observed.iter().enumerate() {
                out.value[n].push(self.observe(&state, o));
                for (m, change) in changes.iter().enumerate() {
                    let mut slope = self.slope(&state, o, &adjoint[n], change);
                    if let Some(rises) = &rises {
                        for (way, amount) in rises.unit.iter().zip(&rises.amount[m]) {
                            slope += self.slope(&state, o, &adjoint[n], way) * *amount;
                        }
                    }
                    out.slope[n][m].push(slope);
                }
            }
        }
        out
    }

    /// Solves Yλ = h for an observation.
    fn adjoint(
        &self,
        state: &State,
        observed: Observed,
        x: &mut [Complex64],
        work: &mut [Complex64],
    ) {
        x.fill(NONE);
        match observed {
            Observed::Impedance => self.add_difference(x),
            Observed::Probe(i) => self.openings.probe_row(i, &state.at, &state.radiation, x),
        }
        self.pattern.solve(&state.matrix, x, work);
    }

    fn add_difference(&self, x: &mut [Complex64]) {
        let share = (self.driver_ends.len() as f64).recip();
        for &(from, to, sign) in &self.driver_ends {
            if let Node::At(i) = from {
                x[i] += sign * share;
            }
            if let Node::At(i) = to {
                x[i] -= sign * share;
            }
        }
    }

    fn seeded(&self, parameter: Parameter) -> Seeded {
        let key = parameter.key;
        match parameter.element {
            Element::Driver => Seeded::Driver(Box::new(DriverNumbers::new(
                &self.design.driver,
                self.design.drive.source_ohm,
                self.reference.density_kg_per_m3,
                self.reference.bulk_pa(),
                Some(key),
            ))),
            Element::Duct(i) => Seeded::Duct(
                i,
                Box::new(DuctGeometry::divided_as(
                    &self.design.ducts[i],
                    Some(key),
                    &self.ducts[i].0,
                )),
            ),
            Element::Chamber(i) => Seeded::Chamber(i, key),
            Element::Resistor(i) => Seeded::Resistor(i, key),
            Element::Leak(i) => Seeded::Leak(i, key),
            Element::Opening(i) => Seeded::Opening(i, key),
            Element::Probe(i) => Seeded::Probe(i, key),
        }
    }

    fn change(&self, state: &State, way: &Seeded) -> Change {
        let at = &state.at;
        let slopes = |block: Admittance<Dual>| Admittance {
            from: block.from.slope,
            across: block.across.slope,
            to: block.to.slope,
        };
        let block = |port: Port, y: Dual| Change::Block(port, series(port, y.slope));
        match way {
            Seeded::Driver(numbers) => Change::Driver(Box::new(numbers.port(at.omega_rad_per_s))),
            Seeded::Duct(i, geometry) => {
                let port = self.ducts[*i].1;
                Change::Block(port, slopes(Self::duct_block(geometry, &port, at)))
            }
            Seeded::Chamber(i, key) => block(
                self.chambers[*i],
                lumped::chamber(&self.design.chambers[*i], at, Some(*key)),
            ),
            Seeded::Resistor(i, key) => block(
                self.resistors[*i],
                lumped::resistor(&self.design.resistors[*i], at, state.extra[*i], Some(*key)),
            ),
            Seeded::Leak(i, key) => block(
                self.leaks[*i],
                lumped::leak(&self.design.leaks[*i], at, Some(*key)),
            ),
            Seeded::Opening(i, key) => {
                Change::Opening(*i, *key, self.openings.self_impedance_slope(*i, *key, at))
            }
            Seeded::Probe(i, key) => Change::Probe(*i, *key),
        }
    }

    /// λᵀ(dq − dY·p) where the drivers change.
    fn driver_change(
        &self,
        port: &DriverPort<Dual>,
        adjoint: &[Complex64],
        p: &[Complex64],
    ) -> Complex64 {
        let count = self.driver_ends.len() as f64;
        let (left, right) = (self.difference(adjoint), self.difference(p));
        let common = left * (port.source.slope - port.admittance.slope * right) * count;
        if self.driver_ends.len() == 1 {
            return common;
        }
        let each: Complex64 = self
            .driver_ends
            .iter()
            .map(|&(from, to, _)| {
                (pressure(from, adjoint) - pressure(to, adjoint))
                    * (pressure(from, p) - pressure(to, p))
            })
            .sum();
        common - port.apart.slope * (each - left * right * count)
    }

    fn slope(
        &self,
        state: &State,
        observed: Observed,
        adjoint: &[Complex64],
        change: &Change,
    ) -> Complex64 {
        let difference = self.difference(&state.p);
        // λᵀ(dq − dY·p)
        let through = match change {
            Change::Driver(port) => self.driver_change(port, adjoint, &state.p),
            Change::Block(port, block) => -port.bilinear(block, adjoint, &state.p),
            Change::Opening(i, _, dz) => {
                self.openings.flow_at(*i, &state.radiation, adjoint) * *dz * state.flow[*i]
            }
            Change::Probe(..) => NONE,
        };
        match observed {
            Observed::Impedance => {
                let moved = Dual {
                    value: difference,
                    slope: through,
                };
                match change {
                    Change::Driver(port) => port.impedance(moved).slope,
                    _ => constant(&state.port).impedance(moved).slope,
                }
            }
            Observed::Probe(probe) => {
                let direct = match change {
                    Change::Opening(i, key, dz) => {
                        self.openings
                            .probe_opening_slope(probe, *i, *key, &state.at, &state.flow)
                            - self
                                .openings
                                .weight_through(probe, *i, &state.at, &state.radiation)
                                * *dz
                                * state.flow[*i]
                    }
                    Change::Probe(i, key) if *i == probe => match key {
                        Key::Gain => self.observe(state, observed),
                        Key::Distance => {
                            self.openings
                                .probe_distance_slope(probe, &state.at, &state.flow)
                        }
                        _ => NONE,
                    },
                    _ => NONE,
                };
                direct + through
            }
        }
    }

    /// How each parameter moves the resistance that particle velocity adds.
    ///
    /// V_k = c_k·|U_k| is real, so that dV = Re(conj(U)·dU)/|U|·c and the changes of all V follow from one
    /// small real system (implicit function).
    fn rises(
        &self,
        state: &State,
        parameters: &[Parameter],
        changes: &[Change],
        drive_v: f64,
        work: &mut [Complex64],
    ) -> Rises {
        let unit: Vec<Change> = self
            .nonlinear
            .iter()
            .map(|&i| {
                let y = self.resistor_admittance(state, i);
                Change::Block(self.resistors[i], series(self.resistors[i], -(y * y)))
            })
            .collect();
        let size = unit.len();
        // Derivative of U_k along a change: adjoint of the pressure difference, plus the direct part.
        let flow_slope = |k: usize, change: &Change, own: bool, work: &mut [Complex64]| {
            let i = self.nonlinear[k];
            let port = self.resistors[i];
            let mut x = vec![NONE; self.pattern.size()];
            if let Node::At(n) = port.from {
                x[n] += 1.0;
            }
            if let Node::At(n) = port.to {
                x[n] -= 1.0;
            }
            self.pattern.solve(&state.matrix, &mut x, work);
            let through = match change {
                Change::Driver(d) => self.driver_change(d, &x, &state.p),
                Change::Block(p, block) => -p.bilinear(block, &x, &state.p),
                Change::Opening(o, _, dz) => {
                    self.openings.flow_at(*o, &state.radiation, &x) * *dz * state.flow[*o]
                }
                Change::Probe(..) => NONE,
            };
            let mut slope = through * self.resistor_admittance(state, i);
            if let (true, Change::Block(_, block)) = (own, change) {
                slope += block.from * (pressure(port.from, &state.p) - pressure(port.to, &state.p));
            }
            let flow = self.resistor_flow(state, i);
            let area = self.design.resistors[i].area_m2.unwrap_or(f64::NAN);
            (flow.conj() * slope).re / flow.norm().max(f64::MIN_POSITIVE) * drive_v * SQRT_2 / area
        };
        let mut system = vec![vec![0.0; size]; size];
        for (k, row) in system.iter_mut().enumerate() {
            for (m, entry) in row.iter_mut().enumerate() {
                let j = flow_slope(k, &unit[m], k == m, work);
                *entry = f64::from(u8::from(k == m)) - self.rise(self.nonlinear[m]) * j;
            }
        }
        let amount = parameters
            .iter()
            .zip(changes)
            .map(|(parameter, change)| {
                let mut direct = vec![0.0; size];
                let mut right = vec![0.0; size];
                for k in 0..size {
                    let i = self.nonlinear[k];
                    let own = parameter.element == Element::Resistor(i);
                    right[k] = flow_slope(k, change, own, work);
                    if own {
                        direct[k] = self.rise_slope(i, parameter.key)
                            * self.velocity_peak(state, i, drive_v);
                    }
                }
                for k in 0..size {
                    for m in 0..size {
                        let j = (f64::from(u8::from(k == m)) - system[k][m])
                            / self.rise(self.nonlinear[m]);
                        right[k] += j * direct[m];
                    }
                }
                let velocity = lumped::solve_real(&system, &right);
                (0..size)
                    .map(|k| direct[k] + self.rise(self.nonlinear[k]) * velocity[k])
                    .collect()
            })
            .collect();
        Rises { unit, amount }
    }
}

impl Network {
    /// Derivative of the acoustic resistance per peak particle velocity along one number of a resistor.
    fn rise_slope(&self, resistor: usize, key: Key) -> f64 {
        let r = &self.design.resistors[resistor];
        let relative = match (key, r.resistance) {
            (Key::Quadratic, _) => r.quadratic_pa_s2_per_m2.recip(),
            // q ~ (1 − σ²)/(Cd²·σ²)
            (Key::OpenFraction, Resistance::Plate(p)) => {
                let s = p.open_fraction;
                -2.0 / (s * (1.0 - s * s))
            }
            (Key::Discharge, Resistance::Plate(p)) => -2.0 / p.discharge,
            _ => 0.0,
        };
        self.rise(resistor) * relative
    }
}

struct Rises {
    unit: Vec<Change>,
    /// `amount[parameter][nonlinear resistor]`: Pa·s/m³ per unit of the parameter.
    amount: Vec<Vec<f64>>,
}

enum Seeded {
    Driver(Box<DriverNumbers<Dual>>),
    Duct(usize, Box<DuctGeometry<Dual>>),
    Chamber(usize, Key),
    Resistor(usize, Key),
    Leak(usize, Key),
    Opening(usize, Key),
    Probe(usize, Key),
}

enum Change {
    Driver(Box<DriverPort<Dual>>),
    Block(Port, Admittance<Complex64>),
    /// Opening, key, dZ of its self impedance.
    Opening(usize, Key, Complex64),
    Probe(usize, Key),
}

fn constant(port: &DriverPort<Complex64>) -> DriverPort<Dual> {
    let lift = |value| Dual { value, slope: NONE };
    DriverPort {
        admittance: lift(port.admittance),
        apart: lift(port.apart),
        coils: port.coils,
        share: port.share,
        source: lift(port.source),
        blocked: lift(port.blocked),
        bl: lift(port.bl),
        sd: lift(port.sd),
        source_ohm: lift(port.source_ohm),
    }
}
