//! A damped horn for tests: six ducts, two side channels, a closed box behind the cone.

use bassay::design::*;

/// The cabinet.
pub fn cabinet() -> Design {
    let duct =
        |name: String, from: String, to: String, length_m: f64, area_m2: [f64; 2], profile| Duct {
            name,
            from,
            to,
            length_m,
            area_m2,
            profile,
            section: Section::Rectangular { width_m: 0.4 },
            loss_factor: 1.0,
            bend: Bend::None,
            lining: None,
            end_correction_m: [0.0; 2],
            bend_excess: None,
        };
    let area = [0.02, 0.0265, 0.036, 0.049, 0.066, 0.089, 0.12];
    let length = [0.45, 0.5, 0.52, 0.5, 0.53, 0.5];
    let mut ducts: Vec<Duct> = (0..6)
        .map(|k| {
            duct(
                format!("d{k}"),
                format!("j{k}"),
                format!("j{}", k + 1),
                length[k],
                [area[k], area[k + 1]],
                Profile::Exponential,
            )
        })
        .collect();
    let mut resistors = Vec::new();
    for (k, (length, area, r)) in [(0.92, 0.016, 23750.0), (0.54, 0.02, 15000.0)]
        .into_iter()
        .enumerate()
    {
        let side = format!("s{k}");
        ducts.push(duct(
            side.clone(),
            side.clone(),
            CLOSED.into(),
            length,
            [area; 2],
            Profile::Uniform,
        ));
        resistors.push(Resistor {
            name: format!("r{k}"),
            from: format!("j{}", 1 + 2 * k),
            to: side,
            area_m2: Some(area),
            resistance: Resistance::Acoustic(r),
            areal_mass_kg_per_m2: 0.1,
            quadratic_pa_s2_per_m2: 0.0,
            limp: false,
            max_velocity_m_per_s: None,
        });
    }
    Design {
        name: "damped horn".into(),
        digest: String::new(),
        air: AirConditions::default(),
        drive: Drive {
            voltage_v: 2.83,
            source_ohm: 0.1,
            max_voltage_v: None,
            max_current_a: None,
        },
        space: Space::Half,
        target: None,
        driver: Driver {
            re_ohm: 5.3,
            mechanics: Mechanics::Mechanical {
                bl_n_per_a: 18.5,
                mass_kg: 0.135,
                with_air_load: false,
                cms_m_per_n: 0.00019,
                rms_kg_per_s: 4.5,
            },
            sd_m2: 0.0855,
            le_h: 0.0012,
            l2_h: Some(0.8e-3),
            r2_ohm: Some(9.0),
            xmax_m: Some(0.01),
            power_w: None,
            creep: 0.0,
            front: "j0".into(),
            rear: "box".into(),
            semi: None,
            coil_temperature_c: None,
            coil_metal: CoilMetal::Copper,
            also: Vec::new(),
            wiring: Wiring::Parallel,
        },
        chambers: vec![Chamber {
            name: "rear".into(),
            at: "box".into(),
            volume_m3: 0.06,
            wall_area_m2: None,
            fill: None,
        }],
        ducts,
        resistors,
        leaks: vec![Leak {
            name: "seam".into(),
            at: "box".into(),
            to: OUTSIDE.into(),
            form: LeakForm::Resistance(5e6),
        }],
        openings: vec![Opening {
            name: "mouth".into(),
            at: "j6".into(),
            area_m2: 0.12,
            shape: OpeningShape::Rectangular {
                width_m: 0.4,
                height_m: 0.3,
            },
            position_m: [0.0; 3],
            flange: Flange::Infinite,
            end_correction_factor: 1.0,
            max_velocity_m_per_s: None,
        }],
        probes: vec![
            Probe {
                name: "mouth-near".into(),
                place: ProbePlace::Near {
                    opening: "mouth".into(),
                    distance_m: 0.01,
                },
            },
            Probe {
                name: "floor-2m".into(),
                place: ProbePlace::Point {
                    position_m: [2.0, 0.0, 0.0],
                },
            },
            Probe {
                name: "box-inside".into(),
                place: ProbePlace::Inside {
                    junction: "box".into(),
                },
            },
        ],
        tolerance: Vec::new(),
        free: Vec::new(),
        room: Room::default(),
    }
}
