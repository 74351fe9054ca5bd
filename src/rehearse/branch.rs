//! Lumped paths between junctions: resistors, leaks, short ducts and radiating openings.
//!
//! ```text
//! p_from − p_to = M·dU/dt + (R + Q·|U|)·U + Σ r·(U − w) + Σ v
//! dw/dt = q·(U − w),      dv/dt = r·b·(U − v/r − i),      di/dt = w0²/(r·b)·v
//! ```
//!
//! Each is one implicit midpoint step: with all quantities at n + 1/2, U = G·(p_from − p_to + H), where H is known
//! from the states. That is passive whatever the values, so a resistance may be anything from nothing to a wall.

use super::radiation::Ladder;
use super::relaxation::{Rates, Relax, Relaxing};

/// One resonant term.
#[derive(Debug, Clone, Copy)]
struct Resonance {
    /// 2C/dt.
    capacity: f64,
    /// dt/(2L).
    stiffness: f64,
    /// 1/(2C/dt + 1/R + dt/(2L)).
    gain: f64,
    voltage: f64,
    current: f64,
}

/// A lumped path.
#[derive(Debug, Clone)]
pub(super) struct Branch {
    /// Junction at the start; `None` is outside.
    pub from: Option<usize>,
    /// Junction at the end; `None` is outside.
    pub to: Option<usize>,
    /// Additional pressure at the end (other openings), Pa.
    pub back_pa: f64,
    mass: f64,
    resistance: f64,
    quadratic: f64,
    relax: Vec<Relax>,
    resonance: Vec<Resonance>,
    flow: f64,
    history: f64,
    base: f64,
    step_s: f64,
    last: [f64; 2],
}

impl Branch {
    /// A path with a resistance in Pa·s/m³ and a mass in kg/m⁴.
    pub fn new(
        from: Option<usize>,
        to: Option<usize>,
        resistance: f64,
        mass: f64,
        step_s: f64,
    ) -> Self {
        Self {
            from,
            to,
            back_pa: 0.0,
            mass: 2.0 * mass / step_s,
            resistance,
            quadratic: 0.0,
            relax: Vec::new(),
            resonance: Vec::new(),
            flow: 0.0,
            history: 0.0,
            base: 0.0,
            step_s,
            last: [0.0; 2],
        }
    }

    /// Adds a resistance that rises with |U|, Pa·s²/m⁶.
    #[must_use]
    pub fn with_quadratic(mut self, quadratic: f64) -> Self {
        self.quadratic = quadratic;
        self
    }

    /// Adds `r·s/(s + q)`.
    #[must_use]
    pub fn with_relaxation(mut self, r: f64, q: f64) -> Self {
        self.relax.push(Relax::new(r, q, self.step_s));
        self
    }

    /// Adds all of a fitted impedance, Pa·s/m³ times `unit`.
    #[must_use]
    pub fn with_relaxing(mut self, fitted: &Relaxing, rates: &Rates, unit: f64) -> Self {
        self.resistance += fitted.constant * unit;
        self.mass += 2.0 * fitted.slope * unit / self.step_s;
        let parts = fitted.part.iter().zip(&rates.rate_rad_per_s);
        parts
            .filter(|(r, _)| **r > 0.0)
            .fold(self, |branch, (r, q)| branch.with_relaxation(r * unit, *q))
    }

    /// Adds a radiation ladder; `unit` is ρc/S in Pa·s/m³ and `time_s` is a/c.
    #[must_use]
    pub fn with_ladder(mut self, ladder: &Ladder, unit: f64, time_s: f64) -> Self {
        self.mass += 2.0 * ladder.mass * unit * time_s / self.step_s;
        for &(r, q) in &ladder.relaxing {
            self = self.with_relaxation(r * unit, q / time_s);
        }
        for term in &ladder.resonant {
            let r = term.resistance * unit;
            let capacity = time_s / (r * term.width);
            let inductance = r * term.width / (term.omega * term.omega) * time_s;
            let (capacity, stiffness) =
                (2.0 * capacity / self.step_s, 0.5 * self.step_s / inductance);
            self.resonance.push(Resonance {
                capacity,
                stiffness,
                gain: 1.0 / (capacity + 1.0 / r + stiffness),
                voltage: 0.0,
                current: 0.0,
            });
        }
        self
    }

    /// Whether its conductance changes with the flow.
    pub fn is_nonlinear(&self) -> bool {
        self.quadratic != 0.0
    }

    /// Prepares the step; returns (G, H): U = G·(p_from − p_to + H).
    pub fn prepare(&mut self) -> (f64, f64) {
        if self.base == 0.0 {
            self.base = self.mass
                + self.resistance
                + self.relax.iter().map(Relax::strength).sum::<f64>()
                + self.resonance.iter().map(|r| r.gain).sum::<f64>();
            // A path without any resistance would merge two junctions; the air itself has 1e3 to 1e6 Pa·s/m³.
            self.base = self.base.max(1e-2);
        }
        let mut history = self.mass * self.flow;
        for r in &self.relax {
            history += r.remembered();
        }
        for r in &self.resonance {
            history -= r.gain * (r.capacity * r.voltage - r.current);
        }
        self.history = history - self.back_pa;
        // The flow in the middle of the coming step, by extrapolation.
        let expected = (1.5 * self.last[0] - 0.5 * self.last[1]).abs();
        (1.0 / (self.base + self.quadratic * expected), self.history)
    }

    /// Advances with the flow found for n + 1/2, m³/s.
    pub fn advance(&mut self, flow: f64) {
        self.last = [flow, self.last[0]];
        self.flow = 2.0 * flow - self.flow;
        for r in &mut self.relax {
            r.advance(flow);
        }
        for r in &mut self.resonance {
            let middle = r.gain * (flow + r.capacity * r.voltage - r.current);
            r.current += 2.0 * r.stiffness * middle;
            r.voltage = 2.0 * middle - r.voltage;
        }
    }
}
