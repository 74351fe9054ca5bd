//! Draws units: tolerances, a fault or none, what the model is not told, and noise.

use super::tally::{Held, Outcome};
use bassay::align::residual::STATED_TEMPERATURE_SD_K;
use bassay::design::captures_read;
use bassay::design::path::Key;
use bassay::design::{Design, Leak, LeakForm, Mechanics, Resistance};
use bassay::measure::{self, Response};
use bassay::model::Observed;
use bassay::model::network::Network;
use bassay::rehearse::random::Random;
use bassay::rehearse::write::{Bits, Label, write_set};
use bassay::rehearse::{Recording, Wanted, settings, simulate};
use bassay::verify::verify;
use num_complex::Complex64;
use std::path::Path;

/// A change that was planted.
#[derive(Debug, Clone)]
pub struct Planted {
    /// What it is, for the table.
    pub kind: &'static str,
    /// Paths under which a finding may name it.
    pub names: Vec<String>,
    /// Its size in words.
    pub size: String,
}

/// One virtual unit.
pub struct Case {
    /// The unit as built.
    pub unit: Design,
    /// The design that it is compared with.
    design: Design,
    /// The planted changes.
    pub planted: Vec<Planted>,
    /// How it is recorded.
    plan: Recording,
    /// The design with the planted changes and nothing else.
    faulted: Design,
    /// Factor of the wall loss, common to all channels.
    loss: f64,
    seed: u64,
    number: u64,
    /// Probe that was not captured.
    lacks: Option<&'static str>,
}

impl Case {
    /// Unit `n` of a seed. Four of ten are sound, one of ten has two faults.
    pub fn draw(design: &Design, seed: u64, n: u64) -> Self {
        let own = seed.wrapping_mul(1_000_003).wrapping_add(n);
        let mut random = Random::new(own, 0x636f_7665);
        let built = settings::build(design, &[], Some(own)).expect("tolerances alone are sound");
        let mut unit = built.design;
        // `duct.*.loss` is one factor about which each channel has its own spread.
        let loss = (0.2 * random.normal()).exp();
        for drawn in &mut unit.ducts {
            drawn.loss_factor *= loss;
        }
        let mut case = Self {
            unit,
            design: design.clone(),
            faulted: design.clone(),
            planted: Vec::new(),
            plan: Recording::of(design),
            loss,
            seed: own,
            number: n,
            lacks: None,
        };
        let faults = match random.uniform() {
            u if u < 0.4 => 0,
            u if u < 0.9 => 1,
            _ => 2,
        };
        while case.planted.len() < faults {
            let mut again = random.clone();
            let (mut unit, mut faulted) = (case.unit.clone(), case.faulted.clone());
            let planted = plant(&mut unit, &mut random);
            plant(&mut faulted, &mut again);
            // Two changes of one part would be one change of another size, or an exchange with one of them.
            let same = |p: &Planted| part(p.kind) == part(planted.kind);
            if case.planted.iter().any(same) {
                continue;
            }
            if planted.kind == "wall loss" {
                case.loss *= unit.ducts[0].loss_factor / case.unit.ducts[0].loss_factor;
            }
            (case.unit, case.faulted) = (unit, faulted);
            case.planted.push(planted);
        }
        // What the model is not told: another radiation and warmer air, by as much as it allows for, and a driver that bends.
        for o in &mut case.unit.openings {
            o.end_correction_factor *= (0.05 * random.normal()).exp();
        }
        case.unit.air.temperature_c += STATED_TEMPERATURE_SD_K * random.normal();
        case.plan.nonlinear = random.uniform();
        case.plan.noise_db_spl = Some(25.0 + 20.0 * random.uniform());
        case.plan.seed = own;
        // Two of ten sets lack a capture.
        let u = random.uniform();
        for (from, to, probe) in [(0.0, 0.1, "floor-2m"), (0.1, 0.2, "box-inside")] {
            if (from..to).contains(&u) {
                case.lacks = Some(probe);
                case.plan
                    .captures
                    .retain(|c| !matches!(c, Wanted::Pressure(p) if p == probe));
            }
        }
        case
    }

    /// For people.
    pub fn words(&self) -> String {
        if self.planted.is_empty() {
            return "sound".into();
        }
        let list: Vec<String> = self
            .planted
            .iter()
            .map(|p| format!("{} {}", p.kind, p.size).trim().to_string())
            .collect();
        let lacks = self
            .lacks
            .map_or(String::new(), |p| format!(", without {p}"));
        format!("{}{lacks}", list.join(" and "))
    }

    /// Writes the unit's captures.
    pub fn record(&self, file: &Path, folder: &Path) -> Result<(), String> {
        let rehearsed = simulate(&self.unit, &self.plan).map_err(|e| e.to_string())?;
        let label = Label {
            unit: "drawn",
            design: file,
            taken: "2026-01-01T00:00:00Z",
            air: self.design.air,
            bits: Bits::TwentyFour,
            seed: self.seed,
            differences: &[],
        };
        write_set(folder, &rehearsed, &label).map_err(|e| e.to_string())?;
        Ok(())
    }

    /// Records, aligns and judges the unit.
    pub fn measure(&self, file: &Path) -> Result<Outcome, String> {
        let folder = tempfile::tempdir().map_err(|e| e.to_string())?;
        self.record(file, folder.path())?;
        let set =
            captures_read::read(&folder.path().join("captures.toml")).map_err(|e| e.to_string())?;
        let mut responses = measure::load(&set, &mut |_| {}).map_err(|e| e.to_string())?;
        self.distort(&mut responses);
        let started = std::time::Instant::now();
        let done = verify(&self.design, &set, responses, &mut |_| {}).map_err(|e| e.to_string())?;
        let seconds = started.elapsed().as_secs_f64();
        let held = done
            .result
            .parameters
            .iter()
            .filter_map(|p| {
                let truth = self.truth(&p.path)?;
                Some(Held {
                    path: p.path.clone(),
                    truth,
                    fitted: p.fitted,
                    low95: if p.open_low {
                        f64::NEG_INFINITY
                    } else {
                        p.low95
                    },
                    high95: if p.open_high { f64::INFINITY } else { p.high95 },
                })
            })
            .collect();
        Ok(Outcome {
            words: format!("{} (unit {})", self.words(), self.number),
            planted: self.planted.clone(),
            findings: done
                .result
                .findings
                .iter()
                .map(|f| (f.path.clone(), f.probability))
                .collect(),
            possible: done
                .result
                .not_excluded
                .iter()
                .map(|p| p.path.clone())
                .collect(),
            held,
            complete: self.lacks.is_none(),
            shows: self.shows(&done),
            seconds,
            discrepancy_db: done
                .result
                .fit
                .discrepancy
                .iter()
                .map(|d| d.sd_db)
                .collect(),
        })
    }

    /// Gives every capture a smooth error that nothing in the model can follow: 0.3 to 2 % (0.03 to 0.17 dB and as much in
    /// phase), a sum of waves over ln f of 0.5 to 4 octaves. A microphone's own ripple, what stands around, a wall that gives.
    fn distort(&self, responses: &mut [Response]) {
        let mut random = Random::new(self.seed, 0x7269_7070);
        for r in responses {
            let size = 0.003 * (random.uniform() * (0.02_f64 / 0.003).ln()).exp();
            let waves: Vec<[f64; 4]> = (0..8)
                .map(|_| {
                    let octaves = 0.5 * (random.uniform() * 8.0_f64.ln()).exp();
                    let [turn, level, phase] = [random.uniform(), random.normal(), random.normal()];
                    [std::f64::consts::TAU / octaves, turn, level, phase]
                })
                .collect();
            let scale = size / 2.0;
            for (f, v) in r.frequency_hz.iter().zip(&mut r.value) {
                let error: Complex64 = waves
                    .iter()
                    .map(|[rate, turn, level, phase]| {
                        let angle = rate * f.log2() + turn * std::f64::consts::TAU;
                        Complex64::new(level * angle.sin(), phase * angle.cos())
                    })
                    .sum();
                *v *= (scale * error).exp();
            }
        }
    }

    fn truth(&self, path: &str) -> Option<f64> {
        if path == "duct.*.loss" {
            return Some(self.loss);
        }
        if let Some(at) = path
            .strip_prefix("leak.at-")
            .and_then(|rest| rest.strip_suffix(".resistance"))
        {
            let hidden = self
                .unit
                .leaks
                .iter()
                .find(|l| l.name == "hidden" && l.at == at);
            // There is none: its resistance is beyond any bound.
            return Some(match hidden.map(|l| l.form) {
                Some(LeakForm::Resistance(r)) => r,
                _ => f64::INFINITY,
            });
        }
        if path == "leak.past-driver.resistance" {
            return Some(f64::INFINITY);
        }
        let p = *self.unit.matching(path).first()?;
        let value = self.unit.value(p);
        Some(if p.key == Key::Bl { value.abs() } else { value })
    }

    /// Whether the planted changes move any band of any observation by more than that band's uncertainty.
    fn shows(&self, done: &bassay::verify::Verification) -> bool {
        let (Ok(sound), Ok(changed)) = (
            Network::new(&self.design, &self.design.air),
            Network::new(&self.faulted, &self.design.air),
        ) else {
            return true;
        };
        if self.planted.iter().any(|p| p.kind == "driver inverted") {
            return true;
        }
        done.result.bands.iter().any(|b| {
            let observed = match self
                .design
                .probes
                .iter()
                .position(|p| p.name == b.observation)
            {
                Some(i) => Observed::Probe(i),
                None => Observed::Impedance,
            };
            let f: Vec<f64> = (0..8)
                .map(|i| b.low_hz * (b.high_hz / b.low_hz).powf((f64::from(i) + 0.5) / 8.0))
                .collect();
            let level = |n: &Network| -> f64 {
                let values = n.respond(&f, &[observed], 2.83);
                values[0]
                    .iter()
                    .map(|v| 20.0 * v.norm().log10())
                    .sum::<f64>()
                    / 8.0
            };
            (level(&changed) - level(&sound)).abs() > b.expanded_uncertainty_db
        })
    }
}

/// Kinds of one sort.
fn part(kind: &str) -> &str {
    kind.split(' ')
        .next()
        .map_or(kind, |word| word.trim_end_matches('s'))
}

/// Changes a unit.
fn plant(unit: &mut Design, random: &mut Random) -> Planted {
    let (pick, which) = (1 + (13.0 * random.uniform()) as usize, random.uniform());
    let mut between = |low: f64, high: f64| (low.ln() + (high / low).ln() * random.uniform()).exp();
    let of = |list: &[&str]| list[(which * list.len() as f64) as usize % list.len()].to_string();
    let scale = |unit: &mut Design, path: &str, factor: f64| {
        for p in unit.matching(path) {
            let value = unit.value(p);
            unit.set(p, value * factor);
        }
    };
    let (kind, names, size) = match pick {
        1 | 2 => {
            let factor = between(0.04, 0.4);
            scale(unit, "leak.seam.resistance", factor);
            (
                "leak that the design has",
                vec!["leak.seam.resistance".into()],
                format!("x{factor:.3}"),
            )
        }
        3 => {
            let at = of(&["throat", "j1", "j2", "s1", "s2"]);
            let resistance = between(3e4, 1e6);
            unit.leaks.push(Leak {
                name: "hidden".into(),
                at: at.clone(),
                to: "outside".into(),
                form: LeakForm::Resistance(resistance),
            });
            (
                "leak that the design has not",
                vec![format!("leak.at-{at}.resistance")],
                format!("{resistance:.2e}"),
            )
        }
        4 => {
            let name = of(&["r1", "r2"]);
            let factor = between(0.3, 0.65);
            let path = format!("resistor.{name}.resistance");
            scale(unit, &path, factor);
            (
                "resistor too low",
                vec![path],
                format!("{name} x{factor:.3}"),
            )
        }
        5 => {
            let name = of(&["r1", "r2"]);
            let factor = between(1.6, 3.5);
            let path = format!("resistor.{name}.resistance");
            scale(unit, &path, factor);
            (
                "resistor too high",
                vec![path],
                format!("{name} x{factor:.3}"),
            )
        }
        6 => {
            let name = of(&["r1", "r2"]);
            let path = format!("resistor.{name}.resistance");
            scale(unit, &path, 1e-3);
            ("resistor missing", vec![path], name)
        }
        7 => {
            let name = of(&["r1", "r2"]);
            let path = format!("resistor.{name}.resistance");
            scale(unit, &path, 3e3);
            ("resistor blocked", vec![path], name)
        }
        8 => {
            let cloth: Vec<f64> = unit
                .resistors
                .iter()
                .map(|r| r.acoustic_pa_s_per_m3() * r.area_m2.unwrap_or(1.0))
                .collect();
            for (r, cloth) in unit.resistors.iter_mut().zip(cloth.iter().rev()) {
                r.resistance = Resistance::Specific(*cloth);
            }
            (
                "resistors exchanged",
                vec!["resistor.r1+r2.exchanged".into()],
                String::new(),
            )
        }
        9 => {
            let name = of(&["d1", "d2", "d3", "side1", "side2"]);
            let path = format!("duct.{name}.length");
            let metres = between(0.02, 0.06) * if which > 0.5 { 1.0 } else { -1.0 };
            for p in unit.matching(&path) {
                let value = unit.value(p);
                unit.set(p, value + metres);
            }
            (
                "channel length",
                vec![path],
                format!("{name} {:+.0} mm", metres * 1e3),
            )
        }
        10 => {
            let factor = between(0.8, 0.93);
            scale(unit, "chamber.rear-box.volume", factor);
            (
                "chamber volume",
                vec!["chamber.rear-box.volume".into()],
                format!("x{factor:.3}"),
            )
        }
        11 => {
            let key = of(&["cms", "rms", "bl", "mmd", "re"]);
            let factor = match key.as_str() {
                "cms" => between(1.5, 2.0),
                "rms" => between(2.0, 4.0),
                "bl" => between(0.85, 0.93),
                "mmd" => between(1.08, 1.2),
                _ => between(1.06, 1.15),
            };
            let path = format!("driver.{key}");
            scale(unit, &path, factor);
            (
                "driver off its data",
                vec![path],
                format!("{key} x{factor:.3}"),
            )
        }
        12 => {
            let factor = between(2.2, 4.5);
            scale(unit, "duct.*.loss", factor);
            (
                "wall loss",
                vec!["duct.*.loss".into()],
                format!("x{factor:.2}"),
            )
        }
        _ => {
            if let Mechanics::Mechanical { bl_n_per_a, .. } = &mut unit.driver.mechanics {
                *bl_n_per_a = -*bl_n_per_a;
            }
            (
                "driver inverted",
                vec!["driver.polarity".into()],
                String::new(),
            )
        }
    };
    Planted { kind, names, size }
}
