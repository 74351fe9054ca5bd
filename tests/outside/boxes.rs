//! Closed and vented boxes as filters of second and fourth order.

use super::table::source;
use super::{
    assert_close, assert_near, assert_within, crossing, db, design, lossless_air, pressure,
};
use bassay::air::Air;
use bassay::design::{AirConditions, Design};
use bassay::model::network::{Network, Solution};
use bassay::model::predict::predict;
use num_complex::Complex64;
use std::f64::consts::{PI, TAU};

/// Small parts, so that radiation adds its mass and nothing else (ka below 0.01): the filters are exact to 1e-4.
const RADIUS_M: f64 = 0.01;
const RE_OHM: f64 = 5.0;

fn air() -> Air {
    lossless_air(1.2041, 343.2)
}

/// A driver of resonance `fs_hz` and total Q `qt` (no mechanical loss) with a compliance of `vas_m3`, its front seen
/// from outside, its rear in a box of the given volume whose walls take no heat. The air load of the front belongs to its mass.
fn boxed(air: &Air, fs_hz: f64, qt: f64, vas_m3: f64, volume_m3: f64, more: &str) -> Design {
    let area = PI * RADIUS_M * RADIUS_M;
    let omega = TAU * fs_hz;
    let cms = vas_m3 / (air.bulk_pa() * area * area);
    let mass = 1.0 / (omega * omega * cms);
    let load = 8.0 / 3.0 * air.density_kg_per_m3 * RADIUS_M.powi(3);
    let bl = (omega * mass * RE_OHM / qt).sqrt();
    let mut boxed = design(&format!(
        "[drive]\nvoltage_v = 1.0\nsource_ohm = 0.0\n[driver]\nre_ohm = {RE_OHM}\nbl_n_per_a = {bl:e}\nmmd_kg = {:e}\n\
         cms_m_per_n = {cms:e}\nrms_kg_per_s = 0.0\nsd_m2 = {area:e}\nle_h = 0.0\nfront = \"f\"\nrear = \"b\"\n\
         [[opening]]\nname = \"cone\"\nat = \"f\"\narea_m2 = {area:e}\n\
         [[chamber]]\nname = \"box\"\nat = \"b\"\nvolume_m3 = {volume_m3:e}\n{more}",
        mass - load
    ));
    boxed.chambers[0].wall_area_m2 = Some(1e-9);
    boxed
}

/// Pressure 30 m away per volt over what a mass-controlled cone gives there, ρ·Sd·Bl/(2πr·Re·Mms).
fn response(network: &Network, f: f64) -> Complex64 {
    let s = network.solve(f, 1.0);
    network.pressure_at([30.0, 0.0, 0.0], &s) / passband(network, 30.0)
}

fn passband(network: &Network, distance_m: f64) -> f64 {
    let driver = &network.design().driver;
    let (bl, mass, _, _) = driver.mechanical(1.0);
    let rho = network.air().density_kg_per_m3;
    let mass = mass + 8.0 / 3.0 * rho * RADIUS_M.powi(3);
    rho * driver.sd_m2 * bl / (TAU * distance_m * RE_OHM * mass)
}

/// A closed box with system resonance 30 Hz and total Q.
fn closed(q: f64) -> Network {
    // α = 3 doubles resonance and Q.
    Network::in_air(&boxed(&air(), 15.0, q / 2.0, 3e-3, 1e-3, ""), air()).unwrap()
}

/// PUBLISHED: Small 1972, JAES 20:798: f3/fc 1.553774, 1, 0.786151 at Q 0.5, 0.7071, 1 (values of the closed form). 1e-4 for the radiation.
#[test]
pub fn corner_of_a_closed_box() {
    source("PUBLISHED", "Small 1972, JAES 20:798 (row 17)");
    for (q, want) in [(0.5, 1.553774), (0.5_f64.sqrt(), 1.0), (1.0, 0.786151)] {
        let network = closed(q);
        let f3 = crossing(5.0, 90.0, |f| response(&network, f).norm() - 0.5_f64.sqrt());
        assert_near(
            f3 / 30.0,
            want,
            1e-4,
            &format!("closed box, f3/fc at Q {q:.4}"),
        );
    }
}

/// PUBLISHED: the same: peak of Q²/√(Q² − 1/4) at fc/√(1 − 1/(2Q²)): 1.2494 dB at Q = 1, 2.4118 dB at Q = 1.2. 1e-3 dB for the radiation.
#[test]
pub fn peak_of_a_closed_box() {
    source("PUBLISHED", "Small 1972, JAES 20:798 (row 17)");
    for (q, want) in [(1.0_f64, 1.2494), (1.2, 2.4118)] {
        let network = closed(q);
        let at = 30.0 / (1.0 - 0.5 / (q * q)).sqrt();
        let near: Vec<f64> = (-50..=50)
            .map(|i| db(response(&network, at * (1.0 + f64::from(i) * 2e-3)).norm()))
            .collect();
        let most = near.iter().copied().fold(f64::MIN, f64::max);
        assert_within(
            most,
            want,
            1e-3,
            "dB",
            &format!("closed box, peak at Q {q}, dB"),
        );
        // It lies where it should: the ends of the stretch are lower.
        assert!(most - near[0] > 0.01 && most - near[100] > 0.01);
    }
}

/// DERIVED: a second-order Butterworth box as the prediction sees it: −3 dB at fc (in 1/√2: 3.0103 dB, so that the −3 dB
/// frequency is 0.17 % higher), −10 dB at fc/9^(1/4), and over the octave below that 10·lg(145/10) = 11.61 dB. The
/// band mean at 40 to 80·fc is the pass band within 1e-6; interpolation on 1/96 octave costs 1e-3.
#[test]
pub fn figures_of_a_closed_box() {
    source("DERIVED", "Butterworth response of second order");
    let room = Air::at(&AirConditions::default());
    let mut design = boxed(
        &room,
        15.0,
        0.5_f64.sqrt() / 2.0,
        3e-3,
        1e-3,
        "[target]\nband_hz = [1200.0, 2400.0]\n\
        tolerance_db = 1.0\ntolerance_impedance = 0.1\n",
    );
    design.drive.voltage_v = 2.0;
    let f: Vec<f64> = (0..=960)
        .map(|i| 3.0 * 2f64.powf(f64::from(i) / 96.0))
        .collect();
    let p = predict(&design, &AirConditions::default(), &f).unwrap();
    let network = Network::new(&design, &AirConditions::default()).unwrap();
    let fc = 30.0_f64;
    let figures = &p.figures;
    // 10^(3/10) = 1 + (fc/f)⁴.
    let f3 = fc / (10f64.powf(0.3) - 1.0).powf(0.25);
    assert_near(
        figures.cutoff_3db_hz.unwrap(),
        f3,
        5e-4,
        "predicted −3 dB frequency, Hz",
    );
    assert_near(
        figures.cutoff_10db_hz.unwrap(),
        fc / 9f64.powf(0.25),
        5e-4,
        "predicted −10 dB frequency, Hz",
    );
    let slope = figures.slope_db_per_octave.unwrap();
    let want = 10.0 * 14.5_f64.log10();
    assert_within(
        slope,
        want,
        0.01,
        "dB",
        "predicted slope of the octave below, dB",
    );
    let top = db(passband(&network, 1.0) * 2.0 / 20e-6);
    assert_within(
        figures.mean_db,
        top,
        2e-3,
        "dB",
        "predicted level of the pass band, dB",
    );
}

/// A vented box: Vas/V = α, tuned to h·fs by a port whose radiating end is counted.
fn vented(qt: f64, alpha: f64, h: f64, leak: &str) -> Network {
    let volume = 1e-3;
    let omega = TAU * 30.0 * h;
    let radius = 2e-3;
    let area = PI * radius * radius;
    // L/S = c²/(ω²V); the mouth adds 8/(3π) of its radius.
    let length = area * 343.2 * 343.2 / (omega * omega * volume);
    let end = 8.0 / (3.0 * PI) * radius;
    let more = format!(
        "[[duct]]\nname = \"port\"\nfrom = \"b\"\nto = \"p\"\nlength_m = {:e}\narea_m2 = [{area:e}, {area:e}]\nprofile = \"uniform\"\n\
         loss_factor = 0.0\n[[opening]]\nname = \"port\"\nat = \"p\"\narea_m2 = {area:e}\nposition_m = [0.0, 0.3, 0.0]\n{leak}",
        length - end
    );
    Network::in_air(
        &boxed(&air(), 30.0, qt, alpha * volume, volume, &more),
        air(),
    )
    .unwrap()
}

/// PUBLISHED: Thiele 1961 (reprint JAES 19:382, 1971): Qt 0.382683, α √2, h 1 is the Butterworth response of fourth order, 1/√(1 + (fs/f)⁸), when cone and port are
/// summed in half space. 0.02 dB: the port is a duct (kL < 0.3 up to 400 Hz, its air 5e-4 of the box) and 30 m are not infinitely far.
#[test]
pub fn vented_box_of_fourth_order() {
    source("PUBLISHED", "Thiele 1961 (row 18)");
    let network = vented(0.382683, 1.414214, 1.0, "");
    for i in 0..=60 {
        let f = 10.0 * 40f64.powf(f64::from(i) / 60.0);
        let found = db(response(&network, f).norm());
        let want = -10.0 * (1.0 + (30.0 / f).powi(8)).log10();
        assert_within(
            found,
            want,
            0.02,
            "dB",
            "vented box B4, cone and port summed: level, dB",
        );
    }
    // Both sources count: the cone alone is almost still at the tuning.
    let s = network.solve(30.0, 1.0);
    assert!(s.opening_flow[0].norm() < 0.01 * s.opening_flow[1].norm());
}

/// PUBLISHED: Small 1973, JAES 21:363, eqs 22–24: the coefficients with leakage losses QL. The whole output counts the leak, so that it is read from the box pressure:
/// jω·V/(ρc²)·p, the net flow through the walls. And cone and port as heard at 30 m lack just the leak. 0.02 dB as above.
#[test]
pub fn vented_box_with_a_leak() {
    source("PUBLISHED", "Small 1973, JAES 21:363, eqs 22–24 (row 19)");
    for (qt, alpha, h, ql) in [
        (0.382683, 1.414214, 1.0, 7.0),
        (0.3, 2.5, 1.2, 5.0),
        (0.45, 0.8, 0.85, 15.0),
    ] {
        let compliance = 1e-3 / air().bulk_pa();
        let resistance = ql / (TAU * 30.0 * h * compliance);
        let leak = format!(
            "[[leak]]\nname = \"l\"\nat = \"b\"\nresistance_pa_s_per_m3 = {resistance:e}\n"
        );
        let network = vented(qt, alpha, h, &leak);
        let a1 = (ql + h * qt) / (h.sqrt() * ql * qt);
        let a2 = (h + (alpha + 1.0 + h * h) * ql * qt) / (h * ql * qt);
        let a3 = (h * ql + qt) / (h.sqrt() * ql * qt);
        // T0 = 1/√(ωs·ωb).
        let t0 = 1.0 / (TAU * 30.0 * h.sqrt());
        for i in 0..=30 {
            let f = 10.0 * 30f64.powf(f64::from(i) / 30.0);
            let st = Complex64::new(0.0, TAU * f * t0);
            let want =
                st.powi(4) / (st.powi(4) + st.powi(3) * a1 + st.powi(2) * a2 + st * a3 + 1.0);
            let s = network.solve(f, 1.0);
            let found = whole_output(&network, &s, compliance) / passband(&network, 30.0);
            let what = format!("vented box with leak, Qt {qt:.3}, h {h}, QL {ql}: level, dB");
            assert_within(db(found), db(want.norm()), 0.02, "dB", &what);
            let heard =
                s.opening_flow[0] + s.opening_flow[1] + pressure(&network, &s, "b") / resistance;
            let inside = -pressure(&network, &s, "b") * Complex64::new(0.0, TAU * f) * compliance;
            // The port's own air is compressed as well: 5e-4 of the box.
            assert_close(
                heard / inside,
                Complex64::new(1.0, 0.0),
                2e-3,
                "flow out of the box over its compression",
            );
        }
    }
}

/// Pressure at 30 m of all that leaves the box, Pa per volt.
fn whole_output(network: &Network, s: &Solution, compliance: f64) -> f64 {
    let flow = pressure(network, s, "b").norm() * s.omega_rad_per_s * compliance;
    flow * s.omega_rad_per_s * 1.2041 / (TAU * 30.0)
}

/// PUBLISHED: Thiele 1961: a1 = a3 = 2.613126, a2 = 3.414214 for the fourth-order Butterworth alignment: what Small's formulas give for Qt 0.382683, α √2, h 1 without leak.
/// DERIVED: so a very tight leak changes nothing.
#[test]
pub fn a_tight_leak_is_no_leak() {
    source("DERIVED", "QL of 10⁶ is no leak");
    let tight = vented(
        0.382683,
        1.414214,
        1.0,
        "[[leak]]\nname = \"l\"\nat = \"b\"\nresistance_pa_s_per_m3 = 1e14\n",
    );
    let none = vented(0.382683, 1.414214, 1.0, "");
    for f in [15.0, 30.0, 60.0] {
        // The leak's Q is 1e6.
        assert_near(
            response(&tight, f).norm(),
            response(&none, f).norm(),
            1e-5,
            "vented box with a leak of QL 10⁶",
        );
    }
}
