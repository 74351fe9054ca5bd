//! bassay closes the loop between a built bass-horn cabinet and its simulation: it turns log-sweep
//! captures into responses with a known noise floor, fits the simulation's loss, leak, resistor and driver
//! parameters to them with intervals, and reports the mismatch by band with what in the build explains it.
//!
//! Layers, lower ones know nothing of higher ones: [`files`], [`air`], [`special`]; [`signal`], [`design`],
//! [`curves`]; [`model`], [`rehearse`], [`measure`]; [`align`]; [`verify`], [`damping`], [`production`], [`several`];
//! [`report`], [`capture`]; [`cli`].
//!
//! Units drawn from the tolerances are simulated in [`model::monte_carlo`]; what may vary, by the design or by an
//! alignment, is gathered in [`verify::spread`].

#![cfg_attr(test, allow(clippy::unwrap_used))]

pub mod air;
pub mod align;
pub mod capture;
pub mod cli;
pub mod curves;
pub mod damping;
pub mod design;
pub mod files;
pub mod measure;
pub mod model;
pub mod production;
pub mod rehearse;
pub mod report;
pub mod several;
pub mod signal;
pub mod special;
pub mod verify;
