//! Many units of one design at the same frequencies: what does not differ between them is computed once.
//!
//! Per frequency the matrix of the elements that no unit changes, the rows that turn pressures into what a probe hears, the
//! radiation, and for ducts whose sections stay as they are the wall loss (it depends on section and frequency alone) and
//! a polynomial in length and loss factor that is the duct's matrix to 1e-10 (`duct_table`). A duct outside
//! the polynomial's reach is integrated as ever. What remains per unit is the same arithmetic as in [`Network::respond`],
//! and where a unit changes something that is not prepared for, or where a resistor rises with velocity, `respond`
//! itself is used.
//!
//! Ducts keep the number of integration steps that the design itself needs; a unit is of nearly the same size, so that the error
//! stays what [`crate::model::duct`] states.

use super::duct_table::DuctTable;
use super::{NONE, Network, Node, Port, series};
use crate::design::Profile;
use crate::design::path::{Element, Key, Parameter};
use crate::model::driver::{DriverNumbers, DriverPort};
use crate::model::duct::{DuctGeometry, SectionLoss};
use crate::model::openings::Openings;
use crate::model::tone::Tone;
use crate::model::{ModelError, Observed, lumped};
use num_complex::Complex64;
use rayon::prelude::*;
use std::f64::consts::TAU;

/// The part of every unit that is the same, per frequency.
#[derive(Debug, Clone)]
struct Common {
    at: Tone,
    /// Elements that do not vary, stamped.
    matrix: Vec<Complex64>,
    /// Port of a driver that does not vary.
    port: Option<DriverPort<Complex64>>,
    /// Per observed probe: what to multiply which pressure by.
    row: Vec<Vec<(usize, Complex64)>>,
    /// Per varying duct: wall loss at its places, where the section stays.
    loss: Vec<Option<Vec<SectionLoss>>>,
}

/// A parameter that varies, and between which values it is worth preparing for.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Varied {
    /// What varies.
    pub parameter: Parameter,
    /// Lowest and highest value that occur often, SI.
    pub reach: [f64; 2],
}

/// A design whose chosen parameters vary from unit to unit.
#[derive(Debug, Clone)]
pub struct Ensemble {
    base: Network,
    frequency_hz: Vec<f64>,
    observed: Vec<Observed>,
    drive_v: f64,
    varied: Vec<Parameter>,
    /// Ducts that vary, and whether their sections stay.
    ducts: Vec<(usize, bool)>,
    /// For each of them the polynomial, where there is one.
    tables: Vec<Option<DuctTable>>,
    resistors: Vec<usize>,
    leaks: Vec<usize>,
    chambers: Vec<usize>,
    driver_varies: bool,
    /// `None` where every unit goes through [`Network::respond`].
    common: Option<Vec<Common>>,
}

/// Working memory of one thread.
#[derive(Debug, Clone)]
pub struct Unit {
    network: Network,
    /// Per varying duct the values of the polynomial's terms, and whether they hold.
    weights: Vec<(bool, Vec<f64>)>,
    matrix: Vec<Complex64>,
    p: Vec<Complex64>,
    work: Vec<Complex64>,
}

/// Keys of a duct that leave its sections as they are.
fn keeps_section(key: Key) -> bool {
    matches!(
        key,
        Key::Length | Key::Loss | Key::EndFrom | Key::EndTo | Key::Bend
    )
}

fn once<T: PartialEq>(list: &mut Vec<T>, value: T) {
    if !list.contains(&value) {
        list.push(value);
    }
}

impl Network {
    /// Prepares for units that differ in `varied` only.
    #[must_use]
    pub fn ensemble(
        &self,
        frequency_hz: &[f64],
        observed: &[Observed],
        varied: &[Varied],
        drive_v: f64,
    ) -> Ensemble {
        let mut ensemble = Ensemble {
            base: self.clone(),
            frequency_hz: frequency_hz.to_vec(),
            observed: observed.to_vec(),
            drive_v,
            varied: varied.iter().map(|v| v.parameter).collect(),
            ducts: Vec::new(),
            tables: Vec::new(),
            resistors: Vec::new(),
            leaks: Vec::new(),
            chambers: Vec::new(),
            driver_varies: false,
            common: None,
        };
        let mut openings_vary = false;
        for Varied { parameter: p, .. } in varied {
            match p.element {
                Element::Driver => ensemble.driver_varies = true,
                Element::Chamber(i) => once(&mut ensemble.chambers, i),
                Element::Resistor(i) => once(&mut ensemble.resistors, i),
                Element::Leak(i) => once(&mut ensemble.leaks, i),
                Element::Opening(_) | Element::Probe(_) => openings_vary = true,
                Element::Duct(i) => {
                    let keeps = keeps_section(p.key);
                    match ensemble.ducts.iter_mut().find(|d| d.0 == i) {
                        Some(duct) => duct.1 &= keeps,
                        None => ensemble.ducts.push((i, keeps)),
                    }
                }
            }
        }
        let rises = varied.iter().any(|v| v.parameter.key == Key::Quadratic);
        if !(openings_vary || rises || self.is_nonlinear()) {
            let common = frequency_hz.iter().map(|&f| ensemble.common(f)).collect();
            ensemble.common = Some(common);
            ensemble.tables = self.tables(&ensemble, varied);
        }
        ensemble
    }

    fn tables(&self, ensemble: &Ensemble, varied: &[Varied]) -> Vec<Option<DuctTable>> {
        let tones: Vec<Tone> = ensemble.common.iter().flatten().map(|c| c.at).collect();
        ensemble
            .ducts
            .par_iter()
            .map(|&(i, keeps)| {
                let (duct, geometry) = (&self.design.ducts[i], &self.ducts[i].0);
                // A uniform duct is one step, which costs no more than the polynomial.
                if !keeps || duct.profile == Profile::Uniform {
                    return None;
                }
                let reach = [(Key::Length, duct.length_m), (Key::Loss, duct.loss_factor)].map(
                    |(key, value)| {
                        let parameter = Parameter {
                            element: Element::Duct(i),
                            key,
                        };
                        let found = varied.iter().find(|v| v.parameter == parameter);
                        found.map_or([value; 2], |v| v.reach)
                    },
                );
                DuctTable::new(geometry, duct, &tones, reach)
            })
            .collect()
    }

    /// Takes over the numbers of its own design, as far as they vary.
    fn refresh(
        &mut self,
        ensemble: &Ensemble,
        weights: &mut [(bool, Vec<f64>)],
    ) -> Result<(), ModelError> {
        for (n, &(i, keeps)) in ensemble.ducts.iter().enumerate() {
            let (duct, base) = (&self.design.ducts[i], &ensemble.base.ducts[i].0);
            if let Some(Some(table)) = ensemble.tables.get(n) {
                let (holds, weight) = &mut weights[n];
                *holds = table.weigh(duct.length_m, duct.loss_factor, weight);
                if *holds {
                    self.ducts[i].0.take_ends(duct);
                    continue;
                }
            }
            self.ducts[i].0 = if keeps {
                base.stretched(duct)
            } else {
                DuctGeometry::divided_as(duct, None, base)
            };
        }
        if ensemble.driver_varies {
            self.driver = DriverNumbers::new(
                &self.design.driver,
                self.design.drive.source_ohm,
                self.reference.density_kg_per_m3,
                self.reference.bulk_pa(),
                None,
            );
        }
        if ensemble.common.is_none() {
            self.openings = Openings::new(
                &self.design,
                self.openings.nodes().to_vec(),
                &self.junctions,
            )?;
            let density = self.air.density_kg_per_m3;
            self.nonlinear = (0..self.design.resistors.len())
                .filter(|&i| self.design.resistors[i].rise_pa_s2_per_m2(density) != 0.0)
                .collect();
        }
        Ok(())
    }
}

impl Ensemble {
    /// Number of values that [`Ensemble::respond`] writes: observations × frequencies.
    #[must_use]
    pub fn values(&self) -> usize {
        self.observed.len() * self.frequency_hz.len()
    }

    /// Whether units are solved with what was prepared, and not by [`Network::respond`].
    #[must_use]
    pub fn is_prepared(&self) -> bool {
        self.common.is_some()
    }

    /// Memory for one thread.
    #[must_use]
    pub fn unit(&self) -> Unit {
        Unit {
            network: self.base.clone(),
            weights: vec![(false, Vec::new()); self.ducts.len()],
            matrix: vec![NONE; self.base.pattern.slots()],
            p: vec![NONE; self.base.pattern.size()],
            work: vec![NONE; self.base.pattern.size()],
        }
    }

    /// What the unit with these values of the varied parameters shows, `out[observation·frequencies + frequency]`: Ω or Pa/V.
    /// It does not depend on the units that were computed before.
    ///
    /// # Errors
    /// [`ModelError`] as [`Network::new`].
    pub fn respond(
        &self,
        unit: &mut Unit,
        value: &[f64],
        out: &mut [Complex64],
    ) -> Result<(), ModelError> {
        let design = &mut unit.network.design;
        // An area at `from` carries the one at `to` along: start from the design's.
        for &(i, keeps) in &self.ducts {
            if !keeps {
                design.ducts[i].area_m2 = self.base.design.ducts[i].area_m2;
            }
        }
        for (&parameter, &value) in self.varied.iter().zip(value) {
            design.set(parameter, value);
        }
        unit.network.refresh(self, &mut unit.weights)?;
        let Some(common) = &self.common else {
            let all = unit
                .network
                .respond(&self.frequency_hz, &self.observed, self.drive_v);
            for (place, value) in out.iter_mut().zip(all.into_iter().flatten()) {
                *place = value;
            }
            return Ok(());
        };
        let count = common.len();
        for (n, at) in common.iter().enumerate() {
            let port = self.solve(unit, n, at);
            let mut rows = at.row.iter();
            for (k, observed) in self.observed.iter().enumerate() {
                out[k * count + n] = match observed {
                    Observed::Impedance => port.impedance(unit.network.difference(&unit.p)),
                    Observed::Probe(_) => rows.next().map_or(NONE, |row| {
                        row.iter()
                            .map(|&(node, weight)| weight * unit.p[node])
                            .sum()
                    }),
                };
            }
        }
        Ok(())
    }

    /// Pressures of the junctions in `unit.p`.
    fn solve(&self, unit: &mut Unit, frequency: usize, common: &Common) -> DriverPort<Complex64> {
        let network = &unit.network;
        let at = &common.at;
        let matrix = &mut unit.matrix;
        matrix.copy_from_slice(&common.matrix);
        for (n, (&(i, _), loss)) in self.ducts.iter().zip(&common.loss).enumerate() {
            let (geometry, port) = &network.ducts[i];
            let (holds, weight) = &unit.weights[n];
            let transfer = match (&self.tables[n], loss) {
                (Some(table), _) if *holds => {
                    geometry.transfer_from(at, table.matrix(frequency, weight))
                }
                (_, Some(loss)) => geometry.transfer_with(at, loss),
                _ => geometry.transfer(at),
            };
            port.stamp(matrix, &Network::block_of(&transfer, port));
        }
        network.stamp_lumped(matrix, at, &self.resistors, &self.leaks, &self.chambers);
        let port = match common.port {
            Some(port) => port,
            None => {
                let port = network.driver.port(at.omega_rad_per_s);
                network.stamp_driver(matrix, &port);
                port
            }
        };
        network.pattern.factorise(matrix);
        network.drive(&port, &mut unit.p);
        network.pattern.solve(matrix, &mut unit.p, &mut unit.work);
        port
    }

    fn common(&self, frequency_hz: f64) -> Common {
        let network = &self.base;
        let at = Tone::new(&network.air, TAU * frequency_hz);
        let mut matrix = vec![NONE; network.pattern.slots()];
        for (i, (geometry, port)) in network.ducts.iter().enumerate() {
            if !self.ducts.iter().any(|d| d.0 == i) {
                port.stamp(&mut matrix, &Network::duct_block(geometry, port, &at));
            }
        }
        let others = |count: usize, varied: &[usize]| -> Vec<usize> {
            (0..count).filter(|i| !varied.contains(i)).collect()
        };
        network.stamp_lumped(
            &mut matrix,
            &at,
            &others(network.resistors.len(), &self.resistors),
            &others(network.leaks.len(), &self.leaks),
            &others(network.chambers.len(), &self.chambers),
        );
        let mut radiation = vec![NONE; network.openings.len() * network.openings.len()];
        network.openings.admittance(&at, &mut radiation);
        for &(slot, entry, times) in &network.opening_stamps {
            matrix[slot] += radiation[entry] * times;
        }
        let port = (!self.driver_varies).then(|| {
            let port = network.driver.port(at.omega_rad_per_s);
            network.stamp_driver(&mut matrix, &port);
            port
        });
        let row = self
            .observed
            .iter()
            .filter_map(|observed| match observed {
                Observed::Probe(i) => {
                    let mut x = vec![NONE; network.pattern.size()];
                    network.openings.probe_row(*i, &at, &radiation, &mut x);
                    Some(
                        x.into_iter()
                            .enumerate()
                            .filter(|(_, w)| *w != NONE)
                            .collect(),
                    )
                }
                Observed::Impedance => None,
            })
            .collect();
        let loss = self
            .ducts
            .iter()
            .map(|&(i, keeps)| keeps.then(|| network.ducts[i].0.section_loss(&at)))
            .collect();
        Common {
            at,
            matrix,
            port,
            row,
            loss,
        }
    }
}

impl Network {
    /// The same with as many steps in each duct as another network of the same elements.
    #[cfg(test)]
    pub(crate) fn in_steps_of(mut self, other: &Self) -> Self {
        for (n, duct) in self.design.ducts.iter().enumerate() {
            self.ducts[n].0 = DuctGeometry::divided_as(duct, None, &other.ducts[n].0);
        }
        self
    }

    fn stamp_lumped(
        &self,
        matrix: &mut [Complex64],
        at: &Tone,
        resistors: &[usize],
        leaks: &[usize],
        chambers: &[usize],
    ) {
        let mut stamp = |port: &Port, y| port.stamp(matrix, &series(*port, y));
        for &i in resistors {
            let y = lumped::resistor(&self.design.resistors[i], at, 0.0, None);
            stamp(&self.resistors[i], y);
        }
        for &i in leaks {
            stamp(
                &self.leaks[i],
                lumped::leak(&self.design.leaks[i], at, None),
            );
        }
        for &i in chambers {
            let y = lumped::chamber(&self.design.chambers[i], at, None);
            stamp(&self.chambers[i], y);
        }
    }

    /// The sources of the drivers as right-hand side.
    pub(super) fn drive(&self, port: &DriverPort<Complex64>, p: &mut [Complex64]) {
        p.fill(NONE);
        for &(from, to, sign) in &self.driver_ends {
            if let Node::At(i) = from {
                p[i] += port.source * sign;
            }
            if let Node::At(i) = to {
                p[i] -= port.source * sign;
            }
        }
    }

    pub(super) fn stamp_driver(&self, matrix: &mut [Complex64], port: &DriverPort<Complex64>) {
        for &(slot, common, apart) in &self.driver_stamps {
            matrix[slot] += port.admittance * common + port.apart * apart;
        }
    }
}
