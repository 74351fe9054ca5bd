//! Whole boxes against a general-purpose circuit simulator.

use super::table::source;
use super::{assert_close, design, lossless_air, pressure};
use bassay::design::Design;
use bassay::model::network::Network;
use num_complex::Complex64;

/// A box of the netlists: lumped, without loss at its walls.
fn boxes(driver: &str, body: &str) -> Design {
    let mut boxes = design(&format!(
        "[drive]\nvoltage_v = 1.0\nsource_ohm = 0.10\n[driver]\nre_ohm = 5.6\nbl_n_per_a = 19.0\nmmd_kg = 0.150\n\
         cms_m_per_n = 1.5e-4\nrms_kg_per_s = 4.0\nsd_m2 = 0.0520\nfront = \"outside\"\nrear = \"b\"\n{driver}{body}"
    ));
    for chamber in &mut boxes.chambers {
        chamber.wall_area_m2 = Some(1e-9);
    }
    boxes
}

const PLAIN: &str = "le_h = 1.1e-3\n";
const EDDY: &str = "le_h = 0.6e-3\nl2_h = 1.5e-3\nr2_ohm = 3.0\n";

fn chamber(name: &str, volume_m3: f64) -> String {
    format!("[[chamber]]\nname = \"{name}\"\nat = \"{name}\"\nvolume_m3 = {volume_m3}\n")
}

/// A port of mass ρ·0.25 m/0.01 m² with 300 Pa·s/m³, and a leak.
fn port() -> String {
    format!(
        "[[leak]]\nname = \"l\"\nat = \"b\"\nresistance_pa_s_per_m3 = 2.0e6\n[[resistor]]\nname = \"port\"\nfrom = \"b\"\nto = \"outside\"\n\
         area_m2 = 0.01\nresistance_pa_s_per_m3 = 300.0\nareal_mass_kg_per_m2 = {}\n",
        1.2041 * 0.25
    )
}

/// CROSS: `tests/reference/circuit/circuit.json`, ngspice, 30 frequencies from 8 to 300 Hz. Its results are printed with 13 digits and it solves in doubles: 1e-9.
#[test]
pub fn boxes_of_a_circuit_simulator() {
    source("CROSS", "ngspice, circuit/run.py");
    let text = std::fs::read_to_string("tests/reference/circuit/circuit.json").unwrap();
    let all: serde_json::Value = serde_json::from_str(&text).unwrap();
    let two = "[[driver.also]]\nfront = \"outside\"\nrear = \"b\"\n";
    let opposed = "wiring = \"series\"\n[[driver.also]]\nfront = \"outside\"\nrear = \"d\"\nreversed = true\n";
    let vented = format!("{}{}", chamber("b", 0.120), port());
    for (case, words, design) in [
        ("closed", "closed box", boxes(PLAIN, &chamber("b", 0.055))),
        ("vented", "vented box", boxes(PLAIN, &vented)),
        (
            "vented_two_parallel_eddy",
            "vented box, two drivers in parallel, eddy currents",
            boxes(&format!("{EDDY}{two}"), &vented),
        ),
        (
            "two_in_series_reversed",
            "two drivers in series, one reversed, two boxes",
            boxes(
                &format!("{PLAIN}{opposed}"),
                &format!("{}{}", chamber("b", 0.055), chamber("d", 0.030)),
            ),
        ),
    ] {
        let network = Network::in_air(&design, lossless_air(1.2041, 343.2)).unwrap();
        let columns: Vec<String> =
            serde_json::from_value(all["cases"][case]["columns"].clone()).unwrap();
        let rows: Vec<Vec<f64>> =
            serde_json::from_value(all["cases"][case]["values"].clone()).unwrap();
        assert_eq!(rows.len(), 30);
        for row in &rows {
            let s = network.solve(row[0], 1.0);
            for (n, column) in columns.iter().enumerate() {
                let want = Complex64::new(row[1 + 2 * n], row[2 + 2 * n]);
                let (found, what) = match column.as_str() {
                    "Z_ohm" => (s.impedance, "impedance, Ω"),
                    "velocity_1_m_per_s" => (s.cone_velocity[0], "cone velocity, m/s"),
                    "velocity_2_m_per_s" => (s.cone_velocity[1], "cone velocity, m/s"),
                    "pressure_b_pa" => (pressure(&network, &s, "b"), "box pressure, Pa"),
                    "pressure_d_pa" => (pressure(&network, &s, "d"), "box pressure, Pa"),
                    "port_b_m3_per_s" => (s.resistor_flow[0], "port flow, m³/s"),
                    other => panic!("{other}"),
                };
                assert_close(found, want, 1e-9, &format!("{words}: {what}"));
            }
        }
    }
}
