//! Reads `[driver]` and its `[[driver.also]]`.

use super::junctions::{Role, Wiring};
use super::read::mention;
use super::toml_reader::Table;
use super::{
    CoilMetal, Companion, Driver, Mechanics, SemiInductance, Wiring as Connection, quantity,
};

/// ρc² of air at 20 °C, 101.325 kPa, 50 %, Pa; only to compare a moving mass with the air load.
const RHO_C2_PA: f64 = 1.1993 * 343.99 * 343.99;
/// Density of that air, kg/m³.
const RHO_KG_PER_M3: f64 = 1.1993;

/// Reads the drivers; `None` where the table is missing or its mechanics cannot be read.
pub(super) fn driver<'t>(top: &Table<'t, '_>, wiring: &mut Wiring<'t>) -> Option<Driver> {
    if !top.has("driver") {
        top.missing(
            "driver",
            "a table [driver] with the small-signal parameters",
        );
        wiring.unsure = true;
    }
    let known = [
        "re_ohm",
        "bl_n_per_a",
        "mmd_kg",
        "mms_kg",
        "cms_m_per_n",
        "rms_kg_per_s",
        "fs_hz",
        "qms",
        "qes",
        "vas_m3",
        "sd_m2",
        "le_h",
        "l2_h",
        "r2_ohm",
        "semi_k_ohm_s_n",
        "semi_n",
        "coil_temperature_c",
        "coil_metal",
        "xmax_m",
        "power_w",
        "creep",
        "front",
        "rear",
        "also",
        "wiring",
    ];
    let Some(table) = top.sub("driver", &known) else {
        wiring.unsure = true;
        return None;
    };
    let front = wiring.mention(mention(&table, "front", Role::Driver, None));
    let rear = wiring.mention(mention(&table, "rear", Role::Driver, None));
    wiring.tie(front, rear);
    let name = |key| table.text(key, "").unwrap_or_default().to_string();
    let l2_h = table.optional("l2_h", quantity::INDUCTANCE_2);
    let r2_ohm = table.optional("r2_ohm", quantity::RESISTANCE_OHM);
    let semi_k = table.optional("semi_k_ohm_s_n", quantity::SEMI_K);
    let semi_n = table.optional("semi_n", quantity::SEMI_N);
    for (there, other) in [
        ("l2_h", "r2_ohm"),
        ("r2_ohm", "l2_h"),
        ("semi_k_ohm_s_n", "semi_n"),
        ("semi_n", "semi_k_ohm_s_n"),
        ("coil_metal", "coil_temperature_c"),
    ] {
        if table.has(there) && !table.has(other) {
            table.missing(other, &format!("it together with {there}"));
        }
    }
    let also = companions(&table, wiring);
    let connection = table.choice(
        "wiring",
        &[
            ("parallel", Connection::Parallel),
            ("series", Connection::Series),
        ],
    );
    if table.has("wiring") && also.is_empty() {
        table.problem(
            "wiring",
            "there is one driver; expected [[driver.also]] for each further one, or no wiring",
        );
    }
    let sd_m2 = table.number("sd_m2", quantity::AREA);
    let re_ohm = table.number("re_ohm", quantity::RESISTANCE_OHM);
    let mechanics = read_mechanics(&table);
    let driver = Driver {
        re_ohm,
        sd_m2,
        le_h: table.number("le_h", quantity::INDUCTANCE),
        l2_h,
        r2_ohm,
        semi: semi_k
            .zip(semi_n)
            .map(|(k_ohm_s_n, n)| SemiInductance { k_ohm_s_n, n }),
        coil_temperature_c: table.optional("coil_temperature_c", quantity::COIL_TEMPERATURE),
        coil_metal: table
            .choice(
                "coil_metal",
                &[
                    ("copper", CoilMetal::Copper),
                    ("aluminium", CoilMetal::Aluminium),
                ],
            )
            .unwrap_or(CoilMetal::Copper),
        xmax_m: table.optional("xmax_m", quantity::LENGTH),
        power_w: table.optional("power_w", quantity::POWER),
        creep: table.number_or("creep", quantity::CREEP, 0.0),
        front: if front.is_some() {
            name("front")
        } else {
            String::new()
        },
        rear: if rear.is_some() {
            name("rear")
        } else {
            String::new()
        },
        mechanics: mechanics?,
        also,
        wiring: connection.unwrap_or(Connection::Parallel),
    };
    if driver.count() > 1 && driver.is_held() {
        table.problem(
            "also",
            "a cone with a side at 'closed' cannot move; among several drivers expected a junction or 'outside' on both \
             sides of each",
        );
    }
    check_air_load(&table, &driver);
    Some(driver)
}

/// The further drivers.
fn companions<'t>(table: &Table<'t, '_>, wiring: &mut Wiring<'t>) -> Vec<Companion> {
    let mut list = Vec::new();
    for (i, (entry, at)) in table.list("also").into_iter().enumerate() {
        let path = format!("driver.also[{}]", i + 1);
        let entry = Table::open(
            table.source,
            entry,
            at,
            path,
            &["front", "rear", "reversed"],
        );
        let front = mention(&entry, "front", Role::Driver, None);
        let rear = mention(&entry, "rear", Role::Driver, None);
        let name = |m: &Option<super::junctions::Mention<'_>>| {
            m.as_ref()
                .map_or_else(String::new, |m| m.junction.to_string())
        };
        list.push(Companion {
            front: name(&front),
            rear: name(&rear),
            reversed: entry.flag("reversed").unwrap_or(false),
        });
        let (front, rear) = (wiring.mention(front), wiring.mention(rear));
        wiring.tie(front, rear);
    }
    list
}

/// A stated mass with air load must be more than that load, or the cone would weigh nothing.
fn check_air_load(table: &Table<'_, '_>, driver: &Driver) {
    if !driver.mass_has_air_load() {
        return;
    }
    let radius_m = (driver.sd_m2 / std::f64::consts::PI).sqrt();
    let load_kg = 2.0 * 8.0 / 3.0 * RHO_KG_PER_M3 * radius_m.powi(3);
    let (_, mass_kg, _, _) = driver.mechanical(RHO_C2_PA);
    if mass_kg <= load_kg {
        let key = if table.has("mms_kg") {
            "mms_kg"
        } else {
            "fs_hz"
        };
        table.problem(
            key,
            format!(
                "the moving mass with air load is {mass_kg:.3e} kg; expected more than the air load of \
                 this cone, {load_kg:.3e} kg"
            ),
        );
    }
}

fn read_mechanics(table: &Table<'_, '_>) -> Option<Mechanics> {
    let mechanical = [
        "bl_n_per_a",
        "mmd_kg",
        "mms_kg",
        "cms_m_per_n",
        "rms_kg_per_s",
    ];
    let resonance = ["fs_hz", "qms", "qes", "vas_m3"];
    let first_mechanical = mechanical.iter().find(|key| table.has(key));
    let first_resonance = resonance.iter().find(|key| table.has(key));
    match (first_mechanical, first_resonance) {
        (Some(one), Some(other)) => {
            table.problem(
                other,
                format!(
                    "it stands beside {one}; expected either bl_n_per_a, mmd_kg, cms_m_per_n and \
                     rms_kg_per_s, or fs_hz, qms, qes and vas_m3, never both"
                ),
            );
            None
        }
        (None, Some(_)) => Some(Mechanics::Resonance {
            fs_hz: table.number("fs_hz", quantity::FREQUENCY),
            qms: table.number("qms", quantity::Q),
            qes: table.number("qes", quantity::Q),
            vas_m3: table.number("vas_m3", quantity::VOLUME),
        }),
        _ => {
            let with_air_load = table.has("mms_kg");
            if with_air_load && table.has("mmd_kg") {
                table.problem(
                    "mms_kg",
                    "it stands beside mmd_kg; expected one of them: mmd_kg without air load, mms_kg with it",
                );
            }
            Some(Mechanics::Mechanical {
                bl_n_per_a: table.number("bl_n_per_a", quantity::FORCE_FACTOR),
                mass_kg: table.number(
                    if with_air_load { "mms_kg" } else { "mmd_kg" },
                    quantity::MASS,
                ),
                with_air_load,
                cms_m_per_n: table.number("cms_m_per_n", quantity::COMPLIANCE),
                rms_kg_per_s: table.number("rms_kg_per_s", quantity::MECHANICAL_RESISTANCE),
            })
        }
    }
}
