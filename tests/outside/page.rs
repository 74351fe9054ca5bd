//! The page `docs/checks.md` says what the tests of this program find.

use super::*;
use std::path::Path;

/// Every test, by the heading of its part of the table.
const GROUPS: &[table::Group] = &[
    (
        "Air",
        &[
            air::speed_of_sound_in_moist_air,
            air::speed_of_sound_by_the_simple_formula,
            air::saturated_air_is_lighter_by_its_vapour,
            air::air_of_a_room,
            air::dry_air,
            air::a_tube_is_tuned_by_the_air,
        ],
    ),
    (
        "Wall loss and horns",
        &[
            losses::wide_tube,
            losses::full_loss,
            losses::round_and_slit_against_tables,
            losses::wide_rectangle_is_a_slit,
            losses::hyperbolic_horns,
        ],
    ),
    (
        "Tubes and resonators",
        &[
            tubes::lossless_tube,
            tubes::resonances_of_a_tube,
            tubes::tube_with_wall_loss,
            tubes::cone_and_cylinder_of_another_program,
            tubes::helmholtz_resonator,
        ],
    ),
    (
        "Horns",
        &[
            horns::infinite_exponential_horn,
            horns::infinite_cone,
            horns::infinite_parabolic_horn,
        ],
    ),
    (
        "Resistances and leaks",
        &[
            resistances::slot_leak_is_plane_viscous_flow,
            resistances::narrow_ducts_are_viscous,
            resistances::narrow_rectangle_is_viscous,
            resistances::resistor_that_rises_with_velocity,
            resistances::fundamental_of_a_quadratic_resistance,
        ],
    ),
    (
        "Porous layers, cloths, plates",
        &[
            porous::fit_of_miki,
            porous::slow_fill_is_isothermal,
            porous::cloth_before_air,
            porous::plates_in_slow_flow,
            porous::plates_of_wide_holes,
            porous::orifice_at_high_level,
            porous::neighbours_share_their_ends,
        ],
    ),
    (
        "Driver",
        &[
            driver::parameters_from_the_impedance_curve,
            driver::mass_and_compliance_by_the_workshop_methods,
            driver::data_sheet_is_in_free_air,
            driver::reference_efficiency,
            driver::creep_softens_the_suspension,
        ],
    ),
    (
        "Coil, several drivers, cloths with mass",
        &[
            coil::semi_inductance,
            coil::warm_coil,
            coil::equal_drivers_are_one_larger,
            coil::opposed_drivers,
            coil::cloths_with_mass,
            coil::held_cone,
        ],
    ),
    (
        "Boxes",
        &[
            boxes::corner_of_a_closed_box,
            boxes::peak_of_a_closed_box,
            boxes::figures_of_a_closed_box,
            boxes::vented_box_of_fourth_order,
            boxes::vented_box_with_a_leak,
            boxes::a_tight_leak_is_no_leak,
        ],
    ),
    (
        "Openings",
        &[
            openings::piston_in_a_baffle,
            openings::piston_at_low_frequency,
            openings::near_and_far,
            openings::volume_displacement_for_a_level,
            openings::half_the_frequency_takes_four_times_the_displacement,
            openings::radiated_power_is_what_passes_a_sphere,
            openings::two_openings_load_each_other,
        ],
    ),
    (
        "Radiation",
        &[
            radiating::unflanged_pipe,
            radiating::rectangular_pistons,
            radiating::on_the_axis,
            radiating::images_in_floor_and_wall,
        ],
    ),
    (
        "Sweeps, bands, uncertainty and production",
        &[
            measuring::rate_and_harmonics_of_a_sweep,
            measuring::spectrum_of_a_synchronous_sweep,
            measuring::third_octaves,
            measuring::impedance_with_correlated_inputs,
            measuring::sum_of_four_inputs,
            measuring::three_verdicts,
            measuring::calibration_of_a_thermometer,
            measuring::production_figures,
        ],
    ),
    (
        "Recording",
        &[
            recording::jig_by_one_and_two_resistors,
            recording::harmonics_of_a_polynomial,
        ],
    ),
    (
        "Limits from a sample",
        &[
            limits::two_sided_tolerance_factors,
            limits::one_sided_tolerance_factors,
            limits::units_for_limits_without_a_distribution,
        ],
    ),
    (
        "Looking back at production",
        &[
            production::weighted_average_of_the_handbook,
            production::run_lengths_of_weighted_averages,
            production::run_lengths_of_run_rules,
            production::distributions_and_shares,
            production::capability_intervals,
            production::gauge_study_of_the_handbook,
            production::risks_of_a_decision,
            production::captures_are_kept_without_loss,
        ],
    ),
    (
        "Tables of the reference file",
        &[
            tables::boxes_of_the_reference_table,
            tables::horns_of_the_reference_table,
            tables::pistons_and_tubes_of_the_reference_table,
            tables::coherence_of_averages,
        ],
    ),
    ("Circuits", &[circuit::boxes_of_a_circuit_simulator]),
    ("Bores", &[bore::cylinder_cone_and_bell]),
    (
        "Finite elements",
        &[
            finite::conical_horn_in_a_flange,
            finite::duct_with_a_side_branch,
            finite::bends_as_potential_flow,
            finite::screens_of_slots,
            finite::screens_of_holes,
        ],
    ),
];

/// The page is what the tests write, line by line. `BASSAY_WRITE_CHECKS=1` writes it.
#[test]
fn the_table_is_true() {
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("docs/checks.md");
    let written = table::table(GROUPS);
    if std::env::var_os("BASSAY_WRITE_CHECKS").is_some() {
        bassay::files::write_whole(&path, written.as_bytes()).unwrap();
    }
    let page = std::fs::read_to_string(&path).unwrap_or_default();
    for (n, (found, made)) in page.lines().zip(written.lines()).enumerate() {
        assert_eq!(
            found,
            made,
            "docs/checks.md, line {}: run BASSAY_WRITE_CHECKS=1 cargo test --test outside, and look at what changed",
            n + 1
        );
    }
    assert_eq!(
        page.lines().count(),
        written.lines().count(),
        "docs/checks.md has other lines"
    );
    // At least sixty, as asked.
    assert!(written.lines().filter(|l| l.starts_with("| ")).count() >= 60);
}

/// Every test of every file is in the table.
#[test]
fn no_test_is_left_out() {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/outside");
    let mut count = 0;
    for entry in std::fs::read_dir(folder).unwrap() {
        let path = entry.unwrap().path();
        if path.file_name().is_some_and(|n| n != "page.rs") {
            count += std::fs::read_to_string(path)
                .unwrap()
                .matches("#[test]")
                .count();
        }
    }
    assert_eq!(
        count,
        GROUPS.iter().map(|(_, tests)| tests.len()).sum::<usize>()
    );
}
