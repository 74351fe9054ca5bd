//! The air against published values.

use super::table::source;
use super::{assert_near, assert_within, crossing, fed, load};
use bassay::air::Air;
use bassay::design::AirConditions;
use bassay::model::facts::facts;
use bassay::model::network::Network;

fn air(temperature_c: f64, humidity_pct: f64) -> Air {
    Air::at(&AirConditions {
        temperature_c,
        pressure_kpa: 101.325,
        humidity_pct,
    })
}

/// PUBLISHED: Cramer 1993, JASA 93:2510, evaluated by another program for 314 ppm (dry) and 400 ppm CO2. Ours is 420 ppm: at −90 m/s per unit of
/// mole fraction that is 0.0095 and 0.0018 m/s less; the printed values are rounded to 0.0005.
#[test]
pub fn speed_of_sound_in_moist_air() {
    source("PUBLISHED", "Cramer 1993, JASA 93:2510 (row 1)");
    for (temperature, humidity, ppm, want) in [
        (20.0, 0.0, 314.0, 343.367),
        (20.0, 50.0, 400.0, 343.987),
        (25.0, 50.0, 400.0, 347.127),
    ] {
        let want = want - 90.0 * (420.0 - ppm) * 1e-6;
        let found = air(temperature, humidity).speed_m_per_s;
        let what = format!("speed of sound at {temperature} °C, {humidity} %, m/s");
        assert_within(found, want, 1e-3, "m/s", &what);
    }
}

/// PUBLISHED: ISO 9613-1:1993, c = 343.2·√(T/293.15). It knows no humidity: for dry air the two standards differ by
/// 0.05 % at 20 °C, and the real gas bends by 0.03 % over the range.
#[test]
pub fn speed_of_sound_by_the_simple_formula() {
    source("PUBLISHED", "ISO 9613-1:1993 (row 2)");
    for temperature in [0.0, 10.0, 20.0, 30.0] {
        let want = 343.2 * ((temperature + 273.15) / 293.15_f64).sqrt();
        assert_near(
            air(temperature, 0.0).speed_m_per_s,
            want,
            8e-4,
            &format!("speed of sound in dry air at {temperature} °C, m/s"),
        );
    }
}

/// PUBLISHED: ISO 9613-1:1993, saturation pressure at 20 °C 2.33663 kPa. DERIVED: water is lighter than air, so that
/// ρ falls by 1 − Mw/Ma = 0.37804 of its mole fraction; enhancement 1.0040. Real-gas terms add 8e-5 of
/// the density, 0.9 % of the difference.
#[test]
pub fn saturated_air_is_lighter_by_its_vapour() {
    source("PUBLISHED", "ISO 9613-1:1993 (row 2)");
    let lighter = 1.0 - air(20.0, 100.0).density_kg_per_m3 / air(20.0, 0.0).density_kg_per_m3;
    let saturation_kpa = lighter / 0.37804 * 101.325 / 1.0040;
    assert_near(
        saturation_kpa,
        2.33663,
        0.012,
        "saturation pressure at 20 °C from the density, kPa",
    );
}

/// PUBLISHED: Ernoult 2023, Inria RR-9500, air at 20 °C, 50 %, 420 ppm: ρ 1.19930, c 343.986, Cp 1012.25, γ 1.40108, μ 1.8206e-5, κ 2.5562e-2.
/// The same
/// polynomials; the saturation pressure behind them differs by 1e-3 (3e-6 of c, 2e-5 of ρ, 4e-5 of Cp, 1e-5 of γ), the rest is printed digits.
#[test]
pub fn air_of_a_room() {
    source("PUBLISHED", "Ernoult 2023, Inria RR-9500 (row 3)");
    let air = Air::at(&AirConditions::default());
    for (what, found, want, relative) in [
        ("density, kg/m³", air.density_kg_per_m3, 1.19930, 5e-5),
        ("speed of sound, m/s", air.speed_m_per_s, 343.986, 5e-6),
        (
            "heat capacity, J/(kg·K)",
            air.heat_capacity_j_per_kg_k,
            1012.25,
            5e-5,
        ),
        ("ratio of heat capacities", air.gamma, 1.40108, 2e-5),
        ("viscosity, Pa·s", air.viscosity_pa_s, 1.8206e-5, 5e-5),
        (
            "heat conductivity, W/(m·K)",
            air.conductivity_w_per_m_k,
            2.5562e-2,
            5e-5,
        ),
    ] {
        assert_near(found, want, relative, &format!("{what}, 20 °C, 50 %"));
    }
}

/// PUBLISHED: Chaigne & Kergomard 2016, p. 241, dry air at 20 °C. Simplified formulas: ideal gas (0.04 %), linear viscosity (0.8 %), rounded Prandtl number.
#[test]
pub fn dry_air() {
    source("PUBLISHED", "Chaigne & Kergomard 2016, p. 241 (row 4)");
    let air = air(20.0, 0.0);
    assert_near(
        air.density_kg_per_m3,
        1.20469,
        6e-4,
        "density of dry air, 20 °C, kg/m³",
    );
    assert_near(
        air.speed_m_per_s,
        343.370,
        6e-5,
        "speed of sound in dry air, 20 °C, m/s",
    );
    assert_near(
        air.viscosity_pa_s,
        1.80706e-5,
        1e-2,
        "viscosity of dry air, 20 °C, Pa·s",
    );
    assert_near(
        air.prandtl(),
        0.7051,
        2e-2,
        "Prandtl number of dry air, 20 °C",
    );
}

/// DERIVED: what the air does to a cabinet: a closed tube's first notch lies at c/4L, in the network
/// (without loss, to rounding) and among the derived figures (exactly).
#[test]
pub fn a_tube_is_tuned_by_the_air() {
    source("DERIVED", "c/4L (row 15)");
    let design = fed(
        "[[duct]]\nname = \"d\"\nfrom = \"a\"\nto = \"closed\"\nlength_m = 1.0\narea_m2 = [0.01, 0.01]\n\
        profile = \"uniform\"\nloss_factor = 0.0\n",
    );
    for temperature_c in [5.0, 20.0, 30.0] {
        let conditions = AirConditions {
            temperature_c,
            ..AirConditions::default()
        };
        let network = Network::new(&design, &conditions).unwrap();
        let notch = crossing(60.0, 110.0, |f| load(&network, f, 1.0).im);
        assert_near(
            notch,
            Air::at(&conditions).speed_m_per_s / 4.0,
            1e-12,
            "first notch of a closed tube of 1 m, Hz",
        );
        let told = facts(&bassay::design::Design {
            air: conditions,
            ..design.clone()
        });
        assert_near(
            told.quarter_wave_hz[0].1,
            notch,
            1e-12,
            "the same among the figures of a design, Hz",
        );
    }
}
