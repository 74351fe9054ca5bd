//! Radiation without a flange, of rectangles, and beside floor and wall.

use super::openings::cone;
use super::table::{Measure, check_complex, source};
use super::{assert_close, assert_near, assert_within, load, lossless_air, rows, table};
use bassay::design::{Flange, OpeningShape};
use bassay::model::network::Network;
use bassay::model::radiation::Piston;
use num_complex::Complex64;
use std::f64::consts::{PI, TAU};

/// PUBLISHED: Levine & Schwinger 1948, computed from their integrals (row 8). Our form is a fit within 1e-3.
#[test]
pub fn unflanged_pipe() {
    source("PUBLISHED", "Levine & Schwinger 1948 (row 8)");
    let piston = Piston::new(OpeningShape::Round, PI, Flange::None);
    for (ka, size, length) in [
        (0.1, 0.995067, 0.610987),
        (0.5, 0.896441, 0.581836),
        (1.0, 0.695102, 0.527431),
        (2.0, 0.346176, 0.416944),
    ] {
        let z = piston.self_impedance(ka);
        // R = (z − 1)/(z + 1) = −|R|·e^(−2jkl).
        let r = (z - 1.0) / (z + 1.0);
        assert_near(
            r.norm(),
            size,
            1e-3,
            &format!("unflanged pipe, |R| at ka {ka}"),
        );
        let l = -(-r).arg() / (2.0 * ka);
        assert_near(
            l,
            length,
            2e-3,
            &format!("unflanged pipe, added length over radius at ka {ka}"),
        );
    }
    let z = piston.self_impedance(1e-3);
    assert_near(
        z.im / 1e-3,
        0.612701,
        1e-3,
        "unflanged pipe, added length at low frequency",
    );
    source(
        "PUBLISHED",
        "Norris & Sheng 1989; Dalmont 2001 (row 9, from memory)",
    );
    // A plane-wave end: 0.8216; our piston has uniform velocity, 0.8488, which is 3 % longer. The difference is stated.
    let flanged = Piston::new(OpeningShape::Round, PI, Flange::Infinite);
    assert_within(
        flanged.self_impedance(1e-3).im / 1e-3,
        0.8216,
        0.028,
        "a",
        "flanged pipe (a piston of uniform velocity moves more), added length over radius",
    );
}

/// CROSS: `rectangular_piston`: Rayleigh integral by mpmath: load of a rectangle, and pressure at its centre. 1e-6: quadrature of the axis form.
#[test]
pub fn rectangular_pistons() {
    source("CROSS", "Rayleigh integral by mpmath (rectangular_piston)");
    for row in rows(&table("rectangular_piston")["values"]) {
        let (aspect, ka) = (row[0], row[1]);
        // The circle of equal area has radius 1.
        let (w, h) = ((PI * aspect).sqrt(), (PI / aspect).sqrt());
        let shape = OpeningShape::Rectangular {
            width_m: w,
            height_m: h,
        };
        let piston = Piston::new(shape, PI, Flange::Infinite);
        let found = piston.axis(0.0).pressure(ka).value;
        let near = Complex64::new(row[2], row[3]);
        assert_close(
            found,
            near,
            2e-6,
            "rectangles: pressure at the centre over ρc·v",
        );
        let mean = Complex64::new(row[4], row[5]);
        assert_close(
            piston.self_impedance(ka),
            mean,
            1e-7,
            "rectangles: load over ρc",
        );
    }
}

/// CROSS: `piston_on_axis`, exact expression of a circular piston. Rounding.
#[test]
pub fn on_the_axis() {
    source("CROSS", "mpmath (piston_on_axis)");
    let piston = Piston::new(OpeningShape::Round, PI, Flange::Infinite);
    for row in rows(&table("piston_on_axis")["values"]) {
        let found = piston.axis(row[1]).pressure(row[0]).value;
        assert_close(
            found,
            Complex64::new(row[2], row[3]),
            1e-9,
            "circular piston, pressure on its axis",
        );
    }
    for row in rows(&table("piston_radiation")["values"]) {
        let want = Complex64::new(row[1], row[2]);
        let found = piston.self_impedance(row[0]);
        check_complex(
            "circular piston, load",
            found,
            want,
            1e-9,
            Measure::Absolute("of ρc"),
        );
    }
}

/// DERIVED: a floor at the distance h adds the load jωρ·e^(−2jkh)/(2π·2h) of a mirror image; a floor and a wall add three images, and
/// make the level in their corner, far away, four times that of the half space. To rounding.
#[test]
pub fn images_in_floor_and_wall() {
    source("DERIVED", "mirror images of a monopole");
    let air = lossless_air(1.2041, 343.2);
    let free = Network::in_air(&cone(0.1, ""), air).unwrap();
    let (h, w) = (0.6, 1.1);
    let site = format!("[room]\nfloor_m = {h}\nwall_m = {w}\n");
    let room = Network::in_air(&cone(0.1, &site), air).unwrap();
    // The same by the word, with the position in the corner's frame.
    let corner = format!("position_m = [0.0, {w}, {h}]\n[site]\nspace = \"eighth\"\n");
    let word = Network::in_air(&cone(0.1, &corner), air).unwrap();
    for f in [20.0, 80.0, 300.0] {
        let (omega, k) = (TAU * f, TAU * f / 343.2);
        let image = |r: f64| Complex64::from_polar(omega * 1.2041 / (TAU * r), PI / 2.0 - k * r);
        let want = load(&free, f, 1.0)
            + image(2.0 * h)
            + image(2.0 * w)
            + image((4.0 * h * h + 4.0 * w * w).sqrt());
        assert_close(
            load(&room, f, 1.0),
            want,
            1e-11,
            "load beside floor and wall",
        );
        assert_close(
            load(&word, f, 1.0),
            want,
            1e-11,
            "the same by the word eighth",
        );
        // On the floor, in the corner, far away: four times the pressure.
        let s = room.solve(f, 1.0);
        let flow = s.opening_flow[0];
        let far = [4000.0, -w, -h];
        let r = (4000.0_f64 * 4000.0 + w * w + h * h).sqrt();
        let alone = Complex64::from_polar(omega * 1.2041 / (TAU * r), PI / 2.0 - k * r) * flow;
        let found = room.pressure_at(far, &s);
        assert_within(
            20.0 * (found / alone).norm().log10(),
            12.041,
            5e-4,
            "dB",
            "level in the corner of floor and wall above the half space, dB",
        );
    }
}
