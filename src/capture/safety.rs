//! What a sweep will do to driver, amplifier, microphone and ears, told before the sound starts.
//!
//! Steady state at each frequency of the swept band, log-spaced as the sweep's own time is (dt = L·dln f):
//!
//! ```text
//! displacement  √2·|v|/ω                       largest of all cones, peak
//! coil power    |i|²·Re (Re at its temperature) largest of all coils: at its worst frequency, mean over the sweep, and
//!               mean over the worst second, which is what is compared with power_w
//! velocity      |U|/S (RMS) in damping resistors and openings whose limit the design states
//! pressure      √2·|p| peak; level 20·lg(|p|/20 µPa); exposure L_A,E + 10·lg(1 s/8 h) of one sweep
//! ```
//!
//! A coil follows its power within seconds and a magnet within minutes (common practice, no published source), so a
//! second's mean is on the safe side of a rating for hours. The model is linear in the driver: far beyond `xmax_m` its
//! displacement is no forecast any more, only a warning.
//!
//! A resonance does not quite build up while a fast sweep passes it: with 4 s from 5 to 500 Hz the mouth of
//! `tests/designs/dome.toml` stays 5 % below the forecast, with 20 s it comes within 2 %.
//!
//! Hearing: directive 2003/10/EC gives peak limits of 135, 137 and 140 dB(C) (112, 140 and 200 Pa) and daily exposures of
//! 80, 85 and 87 dB(A) (all from memory). Weighting C hides 14 dB at 10 Hz and 25 dB at 5 Hz, weighting A 70 dB and more:
//! both are nearly blind to infrasound. The unweighted peak is held to the lowest of these figures as well, which is this
//! program's own caution and no law.

mod caution;
mod name;

pub use caution::{CAUTIONS, Caution, cautions};
pub use name::Name;

use super::guide::What;
use crate::design::Design;
use crate::design::captures::SweepPlan;
use crate::model::limits::displacement_m;
use crate::model::network::{Network, Solution};
use crate::model::predict::{REFERENCE_PA, listening_point};
use crate::model::{ModelError, Observed};
use crate::signal::grid::log_grid;
use crate::signal::weighting::{a_db, c_db};
use serde::Serialize;
use std::f64::consts::SQRT_2;
use std::fmt;

/// Points per octave at which the unit is solved.
const PER_OCTAVE: u32 = 96;
/// Stretch over which the coil's power is averaged, s.
const COIL_S: f64 = 1.0;
/// Highest peak at the operator's place, weighted or not, Pa: lower action value of 2003/10/EC (from memory).
pub const PEAK_LIMIT_PA: f64 = 112.0;
/// Highest exposure of a day, dB(A): lower action value of 2003/10/EC (from memory).
pub const EXPOSURE_LIMIT_DB: f64 = 80.0;
/// Sweeps that a day at the bench may hold (judgement).
pub const SWEEPS_A_DAY: f64 = 100.0;
/// A day's work, s.
const DAY_S: f64 = 8.0 * 3600.0;

/// What stands around the cabinet.
#[derive(Debug, Clone, PartialEq)]
pub struct Around {
    /// Reference resistor of the jig, Ω; it is there when the impedance is captured.
    pub reference_ohm: f64,
    /// Power that it bears, W, if known.
    pub reference_power_w: Option<f64>,
    /// Highest peak level that the microphone bears, dB re 20 µPa, if known.
    pub microphone_peak_db: Option<f64>,
}

impl Default for Around {
    fn default() -> Self {
        Self {
            reference_ohm: 10.0,
            reference_power_w: None,
            microphone_peak_db: None,
        }
    }
}

/// A largest value and where it is.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Largest {
    /// Value.
    pub value: f64,
    /// Frequency, Hz.
    pub at_hz: f64,
}

/// Power in the hottest coil, W.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct CoilPower {
    /// Over the whole sweep.
    pub mean_w: f64,
    /// Over the worst second.
    pub second_w: f64,
    /// At the worst frequency.
    pub worst: Largest,
}

/// Sound pressure at a place.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Loudness {
    /// Largest peak, unweighted, Pa.
    pub peak_pa: Largest,
    /// Its peak level, dB re 20 µPa.
    pub peak_db: f64,
    /// Largest RMS level, unweighted, dB re 20 µPa.
    pub level_db: f64,
    /// Largest peak level, weighted C, dB.
    pub peak_c_db: f64,
    /// Daily exposure that one sweep makes, dB(A).
    pub exposure_db: f64,
}

/// Particle velocity where a limit is stated for it.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Velocity {
    /// Name of the resistor or opening.
    pub place: String,
    /// Largest RMS velocity, m/s.
    pub rms_m_per_s: Largest,
    /// `max_velocity_m_per_s`.
    pub allowed_m_per_s: f64,
}

/// A limit that is exceeded.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Exceeded {
    /// Its name.
    pub name: Name,
    /// Which resistor or opening, if there are several.
    pub place: Option<String>,
    /// Forecast, in `unit`.
    pub forecast: f64,
    /// Allowed, in `unit`.
    pub allowed: f64,
    /// Unit, for people.
    pub unit: &'static str,
    /// Where, Hz, if at one frequency.
    pub at_hz: Option<f64>,
}

impl fmt::Display for Exceeded {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let Self {
            forecast,
            allowed,
            unit,
            ..
        } = self;
        let word = self.name.word();
        write!(f, "{word}")?;
        if let Some(place) = &self.place {
            write!(f, " in {place}")?;
        }
        write!(f, ": {forecast:.1} {unit}")?;
        if let Some(hz) = self.at_hz {
            write!(f, " at {hz:.0} Hz")?;
        }
        write!(
            f,
            ", {allowed:.1} {unit} allowed: play lower, or give --allow {word}"
        )
    }
}

/// What a sweep will do.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Forecast {
    /// `impedance` or the probe's name.
    pub what: String,
    /// RMS voltage of the sweep ahead of source or reference resistor, V.
    pub volts_rms: f64,
    /// Peak displacement of any cone, m.
    pub displacement_m: Largest,
    /// Power in the hottest coil.
    pub coil: CoilPower,
    /// RMS current of the amplifier, A.
    pub current_a: Largest,
    /// Mean power in the jig's reference resistor over the worst second, W; `None` without the jig.
    pub resistor_w: Option<f64>,
    /// Particle velocity in each damping resistor and opening whose limit is stated.
    pub velocity: Vec<Velocity>,
    /// At the microphone; `None` without one.
    pub microphone: Option<Loudness>,
    /// 1 m before the openings.
    pub operator: Loudness,
    /// Limits that are exceeded.
    pub exceeded: Vec<Exceeded>,
    /// Limits of which nobody stated the number: cannot tell.
    pub unstated: Vec<Name>,
}

impl Forecast {
    /// Limits that are exceeded and not allowed by name.
    #[must_use]
    pub fn refused(&self, allowed: &[Name]) -> Vec<&Exceeded> {
        let all = self.exceeded.iter();
        all.filter(|e| !allowed.contains(&e.name)).collect()
    }
}

/// A sweep that cannot be forecast.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum SafetyError {
    /// The design cannot be simulated.
    #[error(transparent)]
    Model(#[from] ModelError),
    /// The design has no such probe.
    #[error("the design has no probe '{probe}'; it has: {}", known.join(", "))]
    Probe {
        /// As asked for.
        probe: String,
        /// The design's.
        known: Vec<String>,
    },
    /// The sweep's band or duration is empty.
    #[error(
        "the sweep goes from {start_hz} to {stop_hz} Hz in {duration_s} s; expected a rising band and a duration above 0"
    )]
    Sweep {
        /// Start, Hz.
        start_hz: f64,
        /// Stop, Hz.
        stop_hz: f64,
        /// Duration, s.
        duration_s: f64,
    },
    /// The voltage is no voltage.
    #[error("the sweep's voltage is {volts} V; expected a number above 0")]
    Volts {
        /// As given, V.
        volts: f64,
    },
}

/// Forecast of a sweep of `volts_rms` at the amplifier (RMS of its sine at full level) for a capture.
///
/// # Errors
/// [`SafetyError`]: no such probe, no such sweep, or a design that cannot be simulated.
pub fn forecast(
    design: &Design,
    sweep: &SweepPlan,
    volts_rms: f64,
    what: &What,
    around: &Around,
) -> Result<Forecast, SafetyError> {
    Bench::new(design, sweep, what, around)?.forecast(volts_rms)
}

/// The highest level that keeps all limits but those allowed.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Highest {
    /// RMS voltage, V.
    pub volts_rms: f64,
    /// What holds it there.
    pub by: Name,
}

/// The highest level that keeps every stated limit not in `allowed`; the hearing limit is always stated.
///
/// `None` where all that is stated is allowed.
///
/// # Errors
/// As [`forecast`].
pub fn highest_level(
    design: &Design,
    sweep: &SweepPlan,
    what: &What,
    around: &Around,
    allowed: &[Name],
) -> Result<Option<Highest>, SafetyError> {
    let bench = Bench::new(design, sweep, what, around)?;
    let mut volts_rms = design.drive.voltage_v;
    let mut by = None;
    // One round where everything is in proportion to the voltage; resistors that rise with level need a few more.
    for _ in 0..40 {
        let all = bench.ratios(&bench.forecast(volts_rms)?);
        let tightest = all
            .into_iter()
            .filter(|r| !allowed.contains(&r.exceeded.name))
            .min_by(|a, b| a.gain.total_cmp(&b.gain));
        let Some(tightest) = tightest.filter(|r| r.gain.is_finite()) else {
            return Ok(None);
        };
        by = Some(tightest.exceeded.name);
        volts_rms *= tightest.gain;
        if (tightest.gain - 1.0).abs() < 1e-6 {
            break;
        }
    }
    Ok(by.map(|by| Highest { volts_rms, by }))
}

/// A limit against its forecast, and the factor by which the voltage may rise until it holds.
struct Ratio {
    gain: f64,
    exceeded: Exceeded,
}

struct Bench<'a> {
    network: Network,
    sweep: &'a SweepPlan,
    what: &'a What,
    around: &'a Around,
    grid_hz: Vec<f64>,
    probe: Option<usize>,
}

impl<'a> Bench<'a> {
    fn new(
        design: &Design,
        sweep: &'a SweepPlan,
        what: &'a What,
        around: &'a Around,
    ) -> Result<Self, SafetyError> {
        let mut wired = design.clone();
        let mut probe = None;
        match what {
            What::Impedance => wired.drive.source_ohm = around.reference_ohm,
            What::Probe(name) => {
                let found = design.probes.iter().position(|p| p.name == *name);
                probe = Some(found.ok_or_else(|| SafetyError::Probe {
                    probe: name.clone(),
                    known: design.probes.iter().map(|p| p.name.clone()).collect(),
                })?);
            }
        }
        let (start, stop) = (sweep.start_hz, sweep.stop_hz);
        let rises = start > 0.0 && stop > start && stop.is_finite();
        if !(rises && sweep.duration_s > 0.0 && sweep.duration_s.is_finite()) {
            return Err(SafetyError::Sweep {
                start_hz: start,
                stop_hz: stop,
                duration_s: sweep.duration_s,
            });
        }
        let mut grid_hz = log_grid(start, stop, PER_OCTAVE);
        // The ends themselves belong to the sweep: displacement is often largest at the start.
        for end in [start, stop] {
            if grid_hz.iter().all(|f| (f / end - 1.0).abs() > 1e-9) {
                grid_hz.push(end);
            }
        }
        grid_hz.sort_by(f64::total_cmp);
        Ok(Self {
            network: Network::new(&wired, &wired.air)?,
            sweep,
            what,
            around,
            grid_hz,
            probe,
        })
    }

    fn forecast(&self, volts_rms: f64) -> Result<Forecast, SafetyError> {
        if !(volts_rms > 0.0 && volts_rms.is_finite()) {
            return Err(SafetyError::Volts { volts: volts_rms });
        }
        let (network, design) = (&self.network, self.network.design());
        let grid = &self.grid_hz;
        let solutions: Vec<Solution> = grid.iter().map(|&f| network.solve(f, volts_rms)).collect();
        let lost = solutions.iter().position(|s| !s.impedance.is_finite());
        if let Some(i) = lost {
            let frequency_hz = grid[i];
            return Err(ModelError::NotFinite { frequency_hz }.into());
        }
        let curve = |value: &dyn Fn(&Solution) -> f64| -> Vec<f64> {
            solutions.iter().map(value).collect()
        };
        let hot_ohm = design.driver.re_ohm * design.driver.warmth();
        let power = curve(&|s| {
            let most = s.coil_current.iter().map(|i| i.norm_sqr());
            most.fold(0.0, f64::max) * volts_rms * volts_rms * hot_ohm
        });
        let current = curve(&|s| s.current.norm() * volts_rms);
        let listener = listening_point(design);
        let near = self.probe.map(|i| {
            let heard = network.respond(grid, &[Observed::Probe(i)], volts_rms);
            let pa: Vec<f64> = heard[0].iter().map(|p| p.norm() * volts_rms).collect();
            self.loudness(&pa)
        });
        let far = curve(&|s| network.pressure_at(listener, s).norm() * volts_rms);
        let jig = self.probe.is_none().then(|| {
            let watts: Vec<f64> = current
                .iter()
                .map(|i| i * i * self.around.reference_ohm)
                .collect();
            self.worst_second(&watts)
        });
        let displacement = curve(&|s| displacement_m(s, volts_rms));
        let mut forecast = Forecast {
            what: self.what.label().to_string(),
            volts_rms,
            displacement_m: self.largest(&displacement),
            coil: CoilPower {
                mean_w: self.mean(&power, grid[0], grid[grid.len() - 1]),
                second_w: self.worst_second(&power),
                worst: self.largest(&power),
            },
            current_a: self.largest(&current),
            resistor_w: jig,
            velocity: self.velocities(&solutions, volts_rms),
            microphone: near,
            operator: self.loudness(&far),
            exceeded: Vec::new(),
            unstated: self.unstated(),
        };
        let all = self.ratios(&forecast).into_iter();
        forecast.exceeded = all
            .filter(|r| r.gain < 1.0 - 1e-9)
            .map(|r| r.exceeded)
            .collect();
        Ok(forecast)
    }

    /// |U|/S in resistors and openings whose limit is stated.
    fn velocities(&self, solutions: &[Solution], volts_rms: f64) -> Vec<Velocity> {
        let design = self.network.design();
        let mut list = Vec::new();
        let mut add = |place: &str, allowed: Option<f64>, flow: &dyn Fn(&Solution) -> f64, area| {
            let (Some(allowed_m_per_s), Some(area)) = (allowed, area) else {
                return;
            };
            let value: Vec<f64> = solutions
                .iter()
                .map(|s| flow(s) * volts_rms / area)
                .collect();
            list.push(Velocity {
                place: place.to_string(),
                rms_m_per_s: self.largest(&value),
                allowed_m_per_s,
            });
        };
        for (i, r) in design.resistors.iter().enumerate() {
            let flow = |s: &Solution| s.resistor_flow[i].norm();
            add(&r.name, r.max_velocity_m_per_s, &flow, r.area_m2);
        }
        for (i, o) in design.openings.iter().enumerate() {
            let flow = |s: &Solution| s.opening_flow[i].norm();
            add(&o.name, o.max_velocity_m_per_s, &flow, Some(o.area_m2));
        }
        list
    }

    fn largest(&self, value: &[f64]) -> Largest {
        let pairs = value.iter().zip(&self.grid_hz);
        let none = Largest {
            value: 0.0,
            at_hz: self.grid_hz[0],
        };
        pairs.fold(none, |most, (&value, &at_hz)| {
            if value > most.value {
                Largest { value, at_hz }
            } else {
                most
            }
        })
    }

    /// Mean over the sweep's time between two of its frequencies: over ln f, by trapezoids, cut at both ends.
    fn mean(&self, value: &[f64], from_hz: f64, to_hz: f64) -> f64 {
        let (low, high) = (from_hz.ln(), to_hz.ln());
        let mut sum = 0.0;
        for (f, v) in self.grid_hz.windows(2).zip(value.windows(2)) {
            let (a, b) = (f[0].ln(), f[1].ln());
            let (from, to) = (a.max(low), b.min(high));
            if to > from {
                let at = |x: f64| v[0] + (v[1] - v[0]) * (x - a) / (b - a);
                sum += 0.5 * (at(from) + at(to)) * (to - from);
            }
        }
        sum / (high - low)
    }

    /// Largest mean over a second of the sweep, or over all of a shorter one.
    fn worst_second(&self, value: &[f64]) -> f64 {
        let (start, stop) = (self.sweep.start_hz, self.sweep.stop_hz);
        let share = (COIL_S / self.sweep.duration_s).min(1.0);
        let width = (stop / start).powf(share);
        let begins = self.grid_hz.iter().copied();
        begins
            .filter(|f| f * width <= stop * (1.0 + 1e-9))
            .map(|f| self.mean(value, f, (f * width).min(stop)))
            .fold(0.0, f64::max)
    }

    fn loudness(&self, pa: &[f64]) -> Loudness {
        let level = |pa: f64| 20.0 * (pa.max(f64::MIN_POSITIVE) / REFERENCE_PA).log10();
        let most = self.largest(pa);
        let weighted = |weight: fn(f64) -> f64| -> Vec<f64> {
            let pairs = pa.iter().zip(&self.grid_hz);
            pairs
                .map(|(p, &f)| p * 10f64.powf(weight(f) / 20.0))
                .collect()
        };
        let squares: Vec<f64> = weighted(a_db).iter().map(|p| p * p).collect();
        let mean = self.mean(&squares, self.sweep.start_hz, self.sweep.stop_hz);
        Loudness {
            peak_pa: Largest {
                value: SQRT_2 * most.value,
                ..most
            },
            peak_db: level(SQRT_2 * most.value),
            level_db: level(most.value),
            peak_c_db: level(SQRT_2 * self.largest(&weighted(c_db)).value),
            exposure_db: level(mean.sqrt()) + 10.0 * (self.sweep.duration_s / DAY_S).log10(),
        }
    }

    fn unstated(&self) -> Vec<Name> {
        let design = self.network.design();
        let jig = self.probe.is_none();
        let list = [
            (Name::Displacement, design.driver.xmax_m.is_none()),
            (Name::Power, design.driver.power_w.is_none()),
            (Name::Voltage, design.drive.max_voltage_v.is_none()),
            (Name::Current, design.drive.max_current_a.is_none()),
            (
                Name::Microphone,
                !jig && self.around.microphone_peak_db.is_none(),
            ),
            (
                Name::Resistor,
                jig && self.around.reference_power_w.is_none(),
            ),
            (
                Name::Velocity,
                design
                    .resistors
                    .iter()
                    .any(|r| r.max_velocity_m_per_s.is_none() || r.area_m2.is_none()),
            ),
        ];
        let missing = list.into_iter().filter(|(_, missing)| *missing);
        missing.map(|(name, _)| name).collect()
    }

    /// Every stated limit against the forecast.
    fn ratios(&self, forecast: &Forecast) -> Vec<Ratio> {
        let design = self.network.design();
        let mut list = Vec::new();
        // `power` is the power of the voltage with which the quantity rises; 0 for one in dB.
        let mut add = |name, forecast: f64, allowed: Option<f64>, unit, at_hz, power: i32| {
            let Some(allowed) = allowed else { return };
            let gain = match power {
                0 => 10f64.powf((allowed - forecast) / 20.0),
                n => (allowed / forecast).powf(1.0 / f64::from(n)),
            };
            list.push(Ratio {
                gain,
                exceeded: Exceeded {
                    name,
                    place: None,
                    forecast,
                    allowed,
                    unit,
                    at_hz,
                },
            });
        };
        let d = forecast.displacement_m;
        let xmax = design.driver.xmax_m.map(|x| 1e3 * x);
        add(
            Name::Displacement,
            1e3 * d.value,
            xmax,
            "mm",
            Some(d.at_hz),
            1,
        );
        let watts = forecast.coil;
        let power_w = design.driver.power_w;
        add(
            Name::Power,
            watts.second_w,
            power_w,
            "W",
            Some(watts.worst.at_hz),
            2,
        );
        let volts = forecast.volts_rms;
        add(
            Name::Voltage,
            volts,
            design.drive.max_voltage_v,
            "V",
            None,
            1,
        );
        let current = forecast.current_a;
        let most_a = design.drive.max_current_a;
        add(
            Name::Current,
            current.value,
            most_a,
            "A",
            Some(current.at_hz),
            1,
        );
        let ears = forecast.operator;
        let limit = 20.0 * (PEAK_LIMIT_PA / REFERENCE_PA).log10();
        // Weighting C adds nowhere more than 0.1 dB, so that the unweighted peak stands for both.
        let at = Some(ears.peak_pa.at_hz);
        add(
            Name::Level,
            ears.peak_db,
            Some(limit),
            "dB peak at 1 m",
            at,
            0,
        );
        let day = ears.exposure_db + 10.0 * SWEEPS_A_DAY.log10();
        add(
            Name::Level,
            day,
            Some(EXPOSURE_LIMIT_DB),
            "dB(A) a day at 1 m",
            None,
            0,
        );
        if let Some(at) = forecast.microphone {
            let limit = self.around.microphone_peak_db;
            let hz = Some(at.peak_pa.at_hz);
            add(Name::Microphone, at.peak_db, limit, "dB peak", hz, 0);
        }
        if let Some(watts) = forecast.resistor_w {
            let limit = self.around.reference_power_w;
            add(Name::Resistor, watts, limit, "W", None, 2);
        }
        list.extend(forecast.velocity.iter().map(|v| Ratio {
            gain: v.allowed_m_per_s / v.rms_m_per_s.value,
            exceeded: Exceeded {
                name: Name::Velocity,
                place: Some(v.place.clone()),
                forecast: v.rms_m_per_s.value,
                allowed: v.allowed_m_per_s,
                unit: "m/s",
                at_hz: Some(v.rms_m_per_s.at_hz),
            },
        }));
        list
    }
}

#[cfg(test)]
#[path = "safety_tests.rs"]
mod tests;
