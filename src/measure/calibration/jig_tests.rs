use super::*;

/// The exact divider of a resistor behind leads and a reference.
fn made(resistor_ohm: f64, really_ohm: f64, reference_ohm: f64, lead_ohm: f64) -> Member {
    let z = really_ohm + lead_ohm;
    Member {
        file: format!("r{resistor_ohm}.wav"),
        resistor_ohm,
        resistor_sd_ohm: 0.0005 * resistor_ohm,
        ratio: Mean {
            value: 1.002 * z / (z + reference_ohm),
            sd: 1e-6,
            scatter: 0.0,
        },
    }
}

const NO_LEADS: Leads = Leads {
    ohm: 0.0,
    sd_ohm: 0.05,
};

/// DERIVED: two points of a straight line give reference and leads back, to rounding.
#[test]
fn two_resistors_solve_reference_and_leads() {
    let set = [made(8.2, 8.2, 9.987, 0.052), made(22.0, 22.0, 9.987, 0.052)];
    let solved = solve(&set, 1.002, 0.0, NO_LEADS).unwrap();
    assert!((solved.reference_ohm - 9.987).abs() < 1e-9);
    assert!((solved.lead_ohm - 0.052).abs() < 1e-9);
    assert_eq!(solved.freedom, 0);
    // DERIVED: the slope's variance of two points is (σ₁² + σ₂²)/(t₁ − t₂)².
    let t = |r: f64| (r + 0.052) / 9.987;
    let sigma = |r: f64| (0.0005 * r).hypot(CONTACT_OHM);
    let want = sigma(8.2).hypot(sigma(22.0)) / (t(22.0) - t(8.2));
    // The noise of the ratios, 1e-6, is left out of the closed form; the weight's rough reference too.
    assert!((solved.reference_sd_ohm / want - 1.0).abs() < 1e-3);
}

/// DERIVED: one point with known leads gives R_ref = (R + lead)/t.
#[test]
fn one_resistor_solves_the_reference() {
    let leads = Leads {
        ohm: 0.052,
        sd_ohm: 0.01,
    };
    let solved = solve(&[made(8.2, 8.2, 9.987, 0.052)], 1.002, 0.0, leads).unwrap();
    assert!((solved.reference_ohm - 9.987).abs() < 1e-9);
    assert_eq!((solved.lead_ohm, solved.lead_sd_ohm), (0.052, 0.01));
    // An unknown lead of 0.01 Ω in 8.25 Ω is 0.12 % of the reference, in quadrature with 0.05 % and the clamp.
    let want = 9.987 / 8.252 * (0.0041f64.hypot(CONTACT_OHM).hypot(0.01));
    assert!((solved.reference_sd_ohm / want - 1.0).abs() < 1e-3);
}

/// DERIVED: a ratio of gains off by δ moves h by −δ·h: dR_ref follows from solving the exact line.
#[test]
fn an_uncertain_gain_widens_the_result() {
    let set = [made(8.2, 8.2, 10.0, 0.05), made(22.0, 22.0, 10.0, 0.05)];
    let sharp = solve(&set, 1.002, 0.0, NO_LEADS).unwrap();
    let wide = solve(&set, 1.002, 0.002, NO_LEADS).unwrap();
    let off = solve(&set, 1.004, 0.0, NO_LEADS).unwrap();
    let want = (off.reference_ohm - sharp.reference_ohm).hypot(sharp.reference_sd_ohm);
    assert!((wide.reference_sd_ohm / want - 1.0).abs() < 1e-6);
}

#[test]
fn a_contradiction_is_refused_and_its_member_named() {
    let mut set = vec![
        made(0.0, 0.0, 10.0, 0.05),
        made(4.7, 4.7, 10.0, 0.05),
        made(8.2, 8.2, 10.0, 0.05),
        made(22.0, 22.0, 10.0, 0.05),
    ];
    assert!(solve(&set, 1.002, 0.0, NO_LEADS).is_ok());
    // 2 % off: the resistor is not what its label says.
    set[2] = made(8.2, 8.36, 10.0, 0.05);
    let told = solve(&set, 1.002, 0.0, NO_LEADS).unwrap_err().to_string();
    assert!(
        told.contains("without r8.2.wav (8.2 Ω) the others agree"),
        "{told}"
    );
    // Three takes for two unknowns: any of them may be wrong.
    set.remove(1);
    let told = solve(&set, 1.002, 0.0, NO_LEADS).unwrap_err().to_string();
    assert!(told.contains("cannot be told"), "{told}");
}

#[test]
fn sets_that_cannot_tell_are_refused() {
    let near = [made(8.2, 8.2, 10.0, 0.05), made(8.3, 8.3, 10.0, 0.05)];
    for (set, want) in [
        (&near[..], "too close together"),
        (&[][..], "no resistor"),
        (&[made(0.0, 0.0, 10.0, 0.05)][..], "a short alone"),
    ] {
        let told = solve(set, 1.002, 0.0, NO_LEADS).unwrap_err().to_string();
        assert!(told.contains(want), "{told}");
    }
}

/// DERIVED: 7.2 Ω taken for 8.2 Ω beside 22 Ω: R_ref = 13.8/1.48 Ω and a lead of 2.2·R_ref − 22 = −1.49 Ω.
#[test]
fn impossible_leads_are_refused() {
    let set = [made(8.2, 7.2, 10.0, 0.0), made(22.0, 22.0, 10.0, 0.0)];
    let told = solve(&set, 1.002, 0.0, NO_LEADS).unwrap_err().to_string();
    assert!(told.contains("the leads would have -1.486 Ω"), "{told}");
}

fn calibrated(resistors: Option<u32>, reference_sd_ohm: f64, chi_squared: f64) -> Jig {
    Jig {
        stamp: crate::design::station::Stamp {
            taken: "2026-03-01T09:00:00Z".to_string(),
            serial: None,
            valid_days: 365.0,
            device: None,
        },
        reference_ohm: 10.0,
        reference_sd_ohm,
        reference_power_w: None,
        lead_ohm: 0.05,
        lead_sd_ohm: 0.002,
        gain_ratio: 1.0,
        gain_ratio_sd: 0.0,
        resistors,
        chi_squared: Some(chi_squared),
        how: None,
    }
}

/// DERIVED: with two degrees of freedom the chance of chi-squared is exp(−chi-squared/2): 22 % of 3.0, 4.1 % of 6.4.
#[test]
fn what_makes_a_calibration_worse_is_named() {
    let good = calibrated(Some(4), 0.004, 3.0);
    let told = |new: Jig| worse(&new, &good).join("; ");
    assert_eq!(told(calibrated(Some(4), 0.0042, 5.0)), "");
    assert_eq!(told(calibrated(Some(6), 0.003, 3.0)), "");
    assert!(told(calibrated(Some(3), 0.004, 0.5)).contains("3 instead of 4"));
    assert!(told(calibrated(Some(4), 0.008, 0.5)).contains("± 0.0160 Ω instead of ± 0.0080 Ω"));
    let split = told(calibrated(Some(4), 0.004, 6.4));
    assert!(split.contains("chi-squared 6.4 with freedom 2"), "{split}");
    assert!(split.contains("(chance 4 %) instead of 3.0"), "{split}");
    // What an older file does not state is not held against the new one.
    let bare = calibrated(None, 0.0, 0.0);
    assert_eq!(worse(&calibrated(Some(1), 0.1, 0.0), &bare), [""; 0]);
}
