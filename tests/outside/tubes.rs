//! Tubes: input impedance, resonances, resonator, and a bore of another program.

use super::table::source;
use super::{
    air_of, assert_close, assert_near, crossing, design, fed, load, lossless_air, rows, table,
    table_air,
};
use bassay::model::duct::{DuctGeometry, Transfer};
use bassay::model::network::Network;
use bassay::model::tone::Tone;
use num_complex::Complex64;
use std::f64::consts::{PI, TAU};

fn tube(to: &str, radius_m: f64, loss_factor: f64) -> bassay::design::Design {
    let area = PI * radius_m * radius_m;
    fed(&format!(
        "[[duct]]\nname = \"d\"\nfrom = \"a\"\nto = \"{to}\"\nlength_m = 1.0\narea_m2 = [{area:e}, {area:e}]\n\
         profile = \"uniform\"\nloss_factor = {loss_factor}\n"
    ))
}

/// DERIVED: lossless plane waves: −j·cot kL with a rigid end, j·tan kL into zero pressure, times ρc/S. Rounding, with 1e3 for the steepness near a pole.
#[test]
pub fn lossless_tube() {
    source("DERIVED", "−j·cot kL, j·tan kL (row 15)");
    let air = lossless_air(1.2041, 343.2);
    let scale = air.rho_c() / (PI * 0.05 * 0.05);
    let closed = Network::in_air(&tube("closed", 0.05, 0.0), air).unwrap();
    let open = Network::in_air(&tube("outside", 0.05, 0.0), air).unwrap();
    for f in [5.0, 20.0, 50.0, 85.0, 130.0, 171.0, 300.0, 480.0] {
        let kl = TAU * f / 343.2;
        let at = |z: f64| Complex64::new(0.0, z * scale);
        assert_close(
            load(&closed, f, 1.0),
            at(-1.0 / kl.tan()),
            1e-12,
            "lossless tube with a rigid end",
        );
        assert_close(
            load(&open, f, 1.0),
            at(kl.tan()),
            1e-12,
            "lossless tube into zero pressure",
        );
    }
}

/// DERIVED: resonances of a tube of 1 m at c = 343.2 m/s: (2n − 1)·c/4L = 85.8 Hz and its odd multiples with one end
/// closed, n·c/2L = 171.6 Hz and its multiples with both open. To rounding.
#[test]
pub fn resonances_of_a_tube() {
    source("DERIVED", "(2n−1)c/4L, nc/2L (row 15)");
    let air = lossless_air(1.2041, 343.2);
    let closed = Network::in_air(&tube("closed", 0.05, 0.0), air).unwrap();
    let open = Network::in_air(&tube("outside", 0.05, 0.0), air).unwrap();
    for (network, want) in [
        (&closed, 85.8),
        (&closed, 257.4),
        (&closed, 429.0),
        (&open, 171.6),
        (&open, 343.2),
    ] {
        let found = crossing(want - 30.0, want + 30.0, |f| load(network, f, 1.0).im);
        assert_near(
            found,
            want,
            1e-12,
            &format!("resonance of a tube of 1 m, {want} Hz"),
        );
    }
}

/// CROSS: mpmath, 40 digits, Zwikker & Kosten's functions (`closed_tube_lossy`). The loss function is within 1e-11; near a
/// resonance that grows by its sharpness, about 30.
#[test]
pub fn tube_with_wall_loss() {
    source("CROSS", "mpmath, Zwikker & Kosten (closed_tube_lossy)");
    let closed = Network::in_air(&tube("closed", 0.02, 1.0), table_air()).unwrap();
    let open = Network::in_air(&tube("outside", 0.02, 1.0), table_air()).unwrap();
    for row in rows(&table("closed_tube_lossy")["values"]) {
        let what = "closed and open tube of 20 mm radius with loss";
        assert_close(
            load(&closed, row[0], 1.0),
            Complex64::new(row[1], row[2]),
            1e-9,
            what,
        );
        assert_close(
            load(&open, row[0], 1.0),
            Complex64::new(row[3], row[4]),
            1e-9,
            what,
        );
    }
}

/// CROSS: openwind 0.12.4, finite elements of order 10 with the full wall loss, a cone of 40 to 70 mm radius over 1 m and 0.6 m of
/// cylinder (`openwind_cone_cylinder`). Its radiation is a fit, hence the end is loaded with the table's own
/// radiation impedance. The cone's steps leave 1e-5 at the sharpest resonance.
#[test]
pub fn cone_and_cylinder_of_another_program() {
    source(
        "CROSS",
        "finite elements of a wind-instrument library (openwind_cone_cylinder)",
    );
    let entry = table("openwind_cone_cylinder");
    let air = air_of(&entry["air"]);
    let (throat, mouth) = (PI * 0.04 * 0.04, PI * 0.07 * 0.07);
    let bore = fed(&format!(
        "[[duct]]\nname = \"cone\"\nfrom = \"a\"\nto = \"b\"\nlength_m = 1.0\narea_m2 = [{throat:e}, {mouth:e}]\nprofile = \"conical\"\n\
         [[duct]]\nname = \"cylinder\"\nfrom = \"b\"\nto = \"outside\"\nlength_m = 0.6\narea_m2 = [{mouth:e}, {mouth:e}]\nprofile = \"uniform\"\n"
    ));
    let pieces: Vec<DuctGeometry<Complex64>> = bore
        .ducts
        .iter()
        .map(|d| DuctGeometry::new(d, None))
        .collect();
    let ends = rows(&entry["radiation_impedance"]);
    for (row, end) in rows(&entry["values"]).iter().zip(&ends) {
        assert!((row[0] - end[0]).abs() < 1e-9);
        let tone = Tone::new(&air, TAU * row[0]);
        let found = pieces
            .iter()
            .rev()
            .fold(Complex64::new(end[1], end[2]), |z, piece| {
                behind(&piece.transfer(&tone), z)
            });
        let want = Complex64::new(row[3], row[4]);
        assert_close(
            found,
            want,
            1e-5,
            "cone and cylinder with loss, input impedance",
        );
    }
    // The same bore in the network, ended by zero pressure, is the same product of pieces.
    let network = Network::in_air(&bore, air).unwrap();
    for f in [31.0, 77.0, 210.0] {
        let tone = Tone::new(&air, TAU * f);
        let want = pieces
            .iter()
            .rev()
            .fold(Complex64::new(0.0, 0.0), |z, piece| {
                behind(&piece.transfer(&tone), z)
            });
        assert_close(
            load(&network, f, 1.0),
            want,
            1e-10,
            "the same bore as a network",
        );
    }
}

/// Impedance at `from` with the impedance `z` at `to`.
fn behind(t: &Transfer<Complex64>, z: Complex64) -> Complex64 {
    (z * t.uu - t.pu) / (t.pp - z * t.up)
}

/// DERIVED: Helmholtz resonator, c/2π·√(S/(V·L)); V 0.05 m³, a 0.05 m, L 0.2 m, ends 0.8217·a and 0.6133·a, c 343.2:
/// 41.5281 Hz (printed digits). That is a lumped neck, which a duct of no length with all of its length as end
/// correction is. In a real neck air is compressed as well (kL = 0.15): its exact tuning follows from
/// tan and is 0.43 % lower.
#[test]
pub fn helmholtz_resonator() {
    source("DERIVED", "textbook (row 16)");
    let air = lossless_air(1.2041, 343.2);
    let area = PI * 0.05 * 0.05;
    let ends = [0.8217 * 0.05, 0.6133 * 0.05];
    let resonator = |length: f64, ends: [f64; 2]| {
        let design = design(&format!(
            "{}[[chamber]]\nname = \"v\"\nat = \"a\"\nvolume_m3 = 0.05\n[[duct]]\nname = \"neck\"\nfrom = \"a\"\nto = \"outside\"\n\
             length_m = {length:e}\narea_m2 = [{area:e}, {area:e}]\nprofile = \"uniform\"\nloss_factor = 0.0\nend_correction_m = [{:e}, {:e}]\n",
            super::FEED,
            ends[0],
            ends[1]
        ));
        Network::in_air(&design, air).unwrap()
    };
    // The load of a parallel resonance passes from mass to spring through infinity: its admittance through zero.
    let tuning = |network: &Network| crossing(30.0, 50.0, |f| load(network, f, 1.0).inv().im);
    let lumped = tuning(&resonator(1e-6, [0.2 + ends[0] - 1e-6, ends[1]]));
    assert_near(lumped, 41.5281, 2e-6, "resonator with a lumped neck, Hz");
    let real = tuning(&resonator(0.2, ends));
    // Chamber k·V/S against the neck seen from inside: k·e1 + tan-like sum of the neck and k·e2.
    let exact = crossing(30.0, 50.0, |f| {
        let k = TAU * f / 343.2;
        let neck =
            k * ends[0] + ((k * 0.2).tan() + k * ends[1]) / (1.0 - k * ends[1] * (k * 0.2).tan());
        1.0 / neck - k * 0.05 / area
    });
    assert_near(real, exact, 1e-10, "resonator with a duct as neck, Hz");
    assert_near(real, 41.5281, 5e-3, "the same against the lumped neck, Hz");
}
