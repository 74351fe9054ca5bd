//! One dimension against the whole field: finite elements.

use super::table::source;
use super::{assert_near, assert_within, db, fed, load, lossless_air, pressure};
use bassay::design::Bend;
use bassay::model::Observed;
use bassay::model::facts;
use bassay::model::network::Network;
use bassay::model::plate::{shared, slot_length_per_gap};
use bassay::verify::form;
use num_complex::Complex64;
use std::f64::consts::{FRAC_PI_2, PI, TAU};

struct Field {
    all: serde_json::Value,
}

impl Field {
    fn read(name: &str) -> Self {
        let text = std::fs::read_to_string(format!("tests/reference/fe/{name}.json")).unwrap();
        Self {
            all: serde_json::from_str(&text).unwrap(),
        }
    }

    fn list(&self, name: &str) -> Vec<Complex64> {
        let part =
            |p: &str| -> Vec<f64> { serde_json::from_value(self.all[name][p].clone()).unwrap() };
        part("re")
            .into_iter()
            .zip(part("im"))
            .map(|(re, im)| Complex64::new(re, im))
            .collect()
    }

    fn frequency_hz(&self) -> Vec<f64> {
        serde_json::from_value(self.all["frequency_hz"].clone()).unwrap()
    }
}

/// CROSS: `fe/conical_horn.json`, its own error 7e-6. The half-widths are those that `verify` takes as the limits of one-dimensional theory.
#[test]
pub fn conical_horn_in_a_flange() {
    source("CROSS", "scikit-fem, fe/conical_horn.py");
    let field = Field::read("conical_horn");
    let (throat, mouth) = (PI * 0.05 * 0.05, PI * 0.2 * 0.2);
    let horn = fed(&format!(
        "[[duct]]\nname = \"d\"\nfrom = \"a\"\nto = \"m\"\nlength_m = 0.6\narea_m2 = [{throat:e}, {mouth:e}]\nprofile = \"conical\"\n\
         loss_factor = 0.0\n[[opening]]\nname = \"mouth\"\nat = \"m\"\narea_m2 = {mouth:e}\n\
         [[probe]]\nname = \"near\"\nnear = \"mouth\"\n[[probe]]\nname = \"far\"\nnear = \"mouth\"\ndistance_m = 1.0\n"
    ));
    let network = Network::in_air(&horn, lossless_air(1.2041, 343.2)).unwrap();
    let want = [
        field.list("throat_pressure_pa"),
        field.list("mouth_centre_pressure_pa"),
        field.list("pressure_1_m_pa"),
    ];
    for (i, &f) in field.frequency_hz().iter().enumerate() {
        let s = network.solve(f, 1.0);
        let unit = s.cone_velocity[0] * network.design().driver.sd_m2;
        let heard = network.respond(&[f], &[Observed::Probe(0), Observed::Probe(1)], 1.0);
        let small = TAU * f / 343.2 * 0.2 <= form::SMALL_KA;
        let (n, words) = if small { (0, "small") } else { (1, "large") };
        for (what, found, want, allowed) in [
            (
                "throat impedance",
                load(&network, f, 1.0),
                want[0][i],
                form::LOAD_DB,
            ),
            (
                "near field of the mouth",
                heard[0][0] / unit,
                want[1][i],
                form::NEAR_DB,
            ),
            (
                "far field at 1 m",
                heard[1][0] / unit,
                want[2][i],
                form::FAR_DB,
            ),
        ] {
            let what = format!("conical horn, {what}, {words} mouth, dB re 1 Pa·s/m³");
            assert_within(db(found.norm()), db(want.norm()), allowed[n], "dB", &what);
        }
    }
}

/// A duct of 0.10 m height with a closed branch, one metre deep, so that areas are heights; `ends` are the end corrections of the branch's mouth and
/// of the duct on both sides of it.
fn side_branch(anechoic: bool, ends: [f64; 2]) -> bassay::design::Design {
    let far = if anechoic {
        let rho_c = lossless_air(1.2041, 343.2).rho_c();
        format!(
            "[[resistor]]\nname = \"end\"\nfrom = \"e\"\nto = \"outside\"\narea_m2 = 0.1\nspecific_pa_s_per_m = {rho_c}\n"
        )
    } else {
        "[[duct]]\nname = \"cap\"\nfrom = \"e\"\nto = \"closed\"\nlength_m = 1e-6\narea_m2 = [0.1, 0.1]\nloss_factor = 0.0\n".into()
    };
    let [mouth, side] = ends;
    fed(&format!(
        "[[duct]]\nname = \"first\"\nfrom = \"a\"\nto = \"j\"\nlength_m = 0.5\narea_m2 = [0.1, 0.1]\nloss_factor = 0.0\n\
         end_correction_m = [0.0, {side}]\n\
         [[duct]]\nname = \"second\"\nfrom = \"j\"\nto = \"e\"\nlength_m = 0.7\narea_m2 = [0.1, 0.1]\nloss_factor = 0.0\n\
         end_correction_m = [{side}, 0.0]\n\
         [[duct]]\nname = \"branch\"\nfrom = \"j\"\nto = \"b\"\nlength_m = 0.45\narea_m2 = [0.06, 0.06]\nloss_factor = 0.0\n\
         end_correction_m = [{mouth}, 0.0]\n\
         [[duct]]\nname = \"back\"\nfrom = \"b\"\nto = \"closed\"\nlength_m = 1e-6\narea_m2 = [0.06, 0.06]\nloss_factor = 0.0\n{far}"
    ))
}

/// CROSS: `fe/side_branch.json`, its own error 3e-5. Without end corrections one dimension stays inside the half-width of `verify` below 0.6 of the branch's quarter wave; with the two
/// numbers that follow from the same field (0.26 of the branch's width, −0.03 of the channel's height) to 0.02 dB up to 0.75 of it and 0.2 dB beyond: two numbers against 205.
#[test]
pub fn duct_with_a_side_branch() {
    source("CROSS", "scikit-fem, fe/side_branch.py");
    let field = Field::read("side_branch");
    let air = lossless_air(1.2041, 343.2);
    let quarter_hz = 343.2 / (4.0 * 0.45);
    for (case, anechoic) in [("rigid", false), ("anechoic", true)] {
        let bare = Network::in_air(&side_branch(anechoic, [0.0; 2]), air).unwrap();
        let ends = [facts::SIDE_MOUTH * 0.06, -0.028 * 0.1];
        let corrected = Network::in_air(&side_branch(anechoic, ends), air).unwrap();
        for (place, junction) in [("inlet", "a"), ("far_end", "e"), ("branch_end", "b")] {
            let want = field.list(&format!("{case}_{place}_pressure_pa"));
            for (i, &f) in field.frequency_hz().iter().enumerate() {
                let at = |network: &Network| {
                    let s = network.solve(f, 1.0);
                    let unit = s.cone_velocity[0] * network.design().driver.sd_m2;
                    db((pressure(network, &s, junction) / unit).norm())
                };
                let want_db = db(want[i].norm());
                // Between rigid ends without loss there is nothing but resonances and their zeros.
                if anechoic && f <= 0.6 * quarter_hz {
                    let what = format!("side branch without end correction, {place}, dB");
                    assert_within(at(&bare), want_db, form::LOAD_DB[0], "dB", &what);
                }
                // At the quarter wave the far end hears nothing and the branch is at its loudest: there only the inlet is
                // no small difference.
                if f > 0.75 * quarter_hz && place != "inlet" {
                    continue;
                }
                let allowed = if f <= 0.75 * quarter_hz { 0.02 } else { 0.2 };
                if anechoic || f <= 0.6 * quarter_hz {
                    let what = format!(
                        "side branch with end corrections, {case} end, {place}, to {} of its quarter wave, dB",
                        if f <= 0.75 * quarter_hz {
                            "0.75"
                        } else {
                            "1.6"
                        }
                    );
                    assert_within(at(&corrected), want_db, allowed, "dB", &what);
                }
            }
        }
    }
}

/// CROSS: `fe/bends.json`: potential and stream function enclose the value within 1.5e-6 of the height. The sharp corner is −(2/π)·ln 2.
#[test]
pub fn bends_as_potential_flow() {
    source("CROSS", "scikit-fem, fe/bends.py");
    let field = Field::read("bends");
    for value in field.all["values"].as_array().unwrap() {
        let found = value["added_length_over_height"].as_f64().unwrap();
        let radius = value["inner_radius_over_height"].as_f64();
        let (bend, words) = match radius {
            None => (Bend::Mitred, "mitred bend"),
            Some(0.5) => (Bend::Rounded, "rounded bend, inner radius h/2"),
            // What else is built under the word lies within two standard deviations.
            Some(r) => {
                let rounded = Bend::Rounded;
                assert_within(
                    rounded.length_per_height(),
                    found,
                    2.0 * rounded.spread_per_height(),
                    "h",
                    &format!(
                        "rounded bend against an inner radius of {r} h, added length over height"
                    ),
                );
                continue;
            }
        };
        let what = format!("{words}, added length over height");
        assert_within(bend.length_per_height(), found, 1.5e-6, "h", &what);
    }
}

/// CROSS: `fe/slit_screen.json`: thin screens by the closed form, to the 1e-6 of the width by which potential and stream function enclose the value. Thick ones have up to 0.042 of
/// the width more, which is stated and left out.
#[test]
pub fn screens_of_slots() {
    source("CROSS", "scikit-fem, fe/slit_screen.py");
    let field = Field::read("slit_screen");
    for value in field.all["values"].as_array().unwrap() {
        let number = |key: &str| value[key].as_f64().unwrap();
        let open = number("open_fraction");
        let found = slot_length_per_gap(Complex64::new(open, 0.0)).re;
        let (allowed, words) = if number("thickness_over_width") == 0.0 {
            (1e-6, "thin")
        } else {
            (0.042, "thick")
        };
        assert_within(
            found,
            number("added_length_over_width"),
            allowed,
            "g",
            &format!("{words} screen, open fraction {open}, added length over the gap"),
        );
    }
}

/// CROSS: `fe/hole_screen.json`: holes in cells of the same open fraction. Two pistons less what neighbours share are good for plates at least half a radius thick: 3 % up to an open fraction of
/// 0.2, 8 % at 0.4; an infinitely thin plate has π/2 in the place of 16/(3π), 8 % less, at which the same function is exact.
#[test]
pub fn screens_of_holes() {
    source("CROSS", "scikit-fem, fe/hole_screen.py");
    let field = Field::read("hole_screen");
    for value in field.all["values"].as_array().unwrap() {
        let number = |key: &str| value[key].as_f64().unwrap();
        let open = number("open_fraction");
        let found = shared(Complex64::new(open, 0.0)).re;
        let want = number("added_length_over_radius");
        if number("thickness_over_radius") == 0.0 {
            let what = format!("thin screen of holes, open fraction {open}, (π/2)·ψ");
            assert_near(FRAC_PI_2 * found, want, 1e-3, &what);
        } else {
            let allowed = if open <= 0.2 { 0.03 } else { 0.08 };
            let what =
                format!("thick screen of holes, open fraction {open}, added length over radius");
            assert_near(16.0 / (3.0 * PI) * found, want, allowed, &what);
        }
    }
}
