//! From a wanted specific resistance to layers of cloth and open area.
//!
//! ```text
//! layers in series   R = R_there + Σ n·R_m,   u² = u_there² + Σ n·s_m²      (pieces differ independently)
//! open fraction φ    R/φ over the whole face,  u² = (u/φ)² + (R/φ·s_φ/φ)²
//! ```
//!
//! The first holds for layers that do not touch so closely that one blocks the other's pores; the second for a frame
//! that leaves a fraction φ of the face open, with the same flow through less cloth (specific resistances referred to the
//! whole face; Beranek, Acoustics, acoustic resistances, from memory). Narrow openings add an air mass that is not in
//! here; so φ stays above a quarter.

use crate::design::materials::Material;
use serde::Serialize;

/// Least open fraction.
const LEAST_OPEN: f64 = 0.25;
/// Standard deviation of an open fraction as it is cut (common practice, no published source).
const CUT_SD: f64 = 0.01;
/// Most layers that are added.
const MOST_LAYERS: u32 = 8;
/// Most recipes that are shown.
const MOST: usize = 5;
/// What makes a recipe less attractive, as a relative error that it is worth: each layer, a frame, a second material,
/// taking out what is there (workshop judgement, no published source).
const TROUBLE: [f64; 4] = [0.005, 0.015, 0.01, 0.01];

/// Layers of one material.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Layers {
    /// Name of the material.
    pub material: String,
    /// How many.
    pub count: u32,
}

/// One way to the target.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Recipe {
    /// In workshop words.
    pub text: String,
    /// Whether what is there stays.
    pub keeps_what_is_there: bool,
    /// What is added.
    pub layers: Vec<Layers>,
    /// Open fraction of the face, 0 to 1.
    pub open_fraction: f64,
    /// Specific resistance that follows, Pa·s/m over the whole face.
    pub specific_pa_s_per_m: f64,
    /// Its standard deviation, Pa·s/m.
    pub sd_pa_s_per_m: f64,
    /// Mass per area that is added, kg/m² over the whole face, where it is known of all materials.
    pub areal_mass_kg_per_m2: Option<f64>,
}

/// The best recipes for a target, the best first. `there` is what is in place with its standard deviation, Pa·s/m; `None`:
/// not known, so that it must come out.
#[must_use]
pub fn recipes(
    target_pa_s_per_m: f64,
    there: Option<(f64, f64)>,
    materials: &[Material],
) -> Vec<Recipe> {
    if !(target_pa_s_per_m.is_finite() && target_pa_s_per_m > 0.0) {
        return Vec::new();
    }
    let usable: Vec<&Material> = materials
        .iter()
        .filter(|m| m.specific_pa_s_per_m > 0.0 && m.sd_pa_s_per_m >= 0.0)
        .collect();
    // (sort key, group of alike recipes, recipe)
    let mut list: Vec<(f64, (bool, String), Recipe)> = Vec::new();
    let bases = [Some((0.0, 0.0)), there];
    for (n, base) in bases.into_iter().enumerate() {
        let keeps = n == 1;
        let Some(base) = base else { continue };
        for mix in mixes(&usable, keeps) {
            let Some(found) = best_opening(target_pa_s_per_m, base, &mix, keeps) else {
                continue;
            };
            let group = mix
                .iter()
                .map(|(m, _)| m.name.as_str())
                .collect::<Vec<_>>()
                .join("+");
            list.push((found.0, (keeps, group), found.1));
        }
    }
    list.sort_by(|a, b| a.0.total_cmp(&b.0));
    let mut seen: Vec<(bool, String)> = Vec::new();
    list.retain(|(_, group, _)| {
        let new = !seen.contains(group);
        if new {
            seen.push(group.clone());
        }
        new
    });
    let best = list.first().map_or(f64::NAN, |l| l.0);
    list.into_iter()
        // What is more than twice as bad as the best, and by more than 5 %, is no choice.
        .filter(|(cost, ..)| *cost <= (2.0 * best).max(best + 0.05))
        .take(MOST)
        .map(|(_, _, recipe)| recipe)
        .collect()
}

/// Layers of one material, or of two.
fn mixes<'a>(materials: &[&'a Material], keeps: bool) -> Vec<Vec<(&'a Material, u32)>> {
    let mut list = Vec::new();
    if keeps {
        list.push(Vec::new());
    }
    // With very many materials pairs would be too many to look at, and nobody keeps that many at hand.
    let pairs = materials.len() <= 60;
    for (i, &a) in materials.iter().enumerate() {
        for n in 1..=MOST_LAYERS {
            list.push(vec![(a, n)]);
            if pairs {
                for &b in &materials[i + 1..] {
                    for m in 1..=MOST_LAYERS - n {
                        list.push(vec![(a, n), (b, m)]);
                    }
                }
            }
        }
    }
    list
}

/// With the whole face open or with the fraction that meets the target, whichever is the better.
fn best_opening(
    target: f64,
    base: (f64, f64),
    mix: &[(&Material, u32)],
    keeps: bool,
) -> Option<(f64, Recipe)> {
    let series: f64 = base.0
        + mix
            .iter()
            .map(|(m, n)| f64::from(*n) * m.specific_pa_s_per_m)
            .sum::<f64>();
    let variance: f64 = base.1.powi(2)
        + mix
            .iter()
            .map(|(m, n)| f64::from(*n) * m.sd_pa_s_per_m.powi(2))
            .sum::<f64>();
    let layers: u32 = mix.iter().map(|m| m.1).sum();
    let meets = (100.0 * series / target).round() / 100.0;
    let mut best: Option<(f64, Recipe)> = None;
    for open in [1.0, meets] {
        let whole = open == 1.0;
        if !(whole || (LEAST_OPEN..1.0).contains(&open)) || (keeps && whole && layers == 0) {
            continue;
        }
        let value = series / open;
        let cut = if whole { 0.0 } else { value * CUT_SD / open };
        let sd = (variance / (open * open) + cut * cut).sqrt();
        let error = (value - target).hypot(sd) / target;
        let mut cost = error + TROUBLE[0] * f64::from(layers);
        cost += if whole { 0.0 } else { TROUBLE[1] };
        cost += if mix.len() > 1 { TROUBLE[2] } else { 0.0 };
        cost += if keeps { 0.0 } else { TROUBLE[3] };
        if best.as_ref().is_some_and(|b| b.0 <= cost) {
            continue;
        }
        let mass = mix
            .iter()
            .map(|(m, n)| m.areal_mass_kg_per_m2.map(|v| v * f64::from(*n) / open))
            .sum::<Option<f64>>();
        best = Some((
            cost,
            Recipe {
                text: words(mix, keeps, open, value, sd),
                keeps_what_is_there: keeps,
                layers: mix
                    .iter()
                    .map(|(m, n)| Layers {
                        material: m.name.clone(),
                        count: *n,
                    })
                    .collect(),
                open_fraction: open,
                specific_pa_s_per_m: value,
                sd_pa_s_per_m: sd,
                areal_mass_kg_per_m2: mass,
            },
        ));
    }
    best
}

fn words(mix: &[(&Material, u32)], keeps: bool, open: f64, value: f64, sd: f64) -> String {
    let added: Vec<String> = mix
        .iter()
        .map(|(m, n)| format!("{n} layer{} of {}", if *n == 1 { "" } else { "s" }, m.name))
        .collect();
    let what = match (keeps, added.is_empty()) {
        (true, true) => "keep what is there".to_string(),
        (true, false) => format!("add {}", added.join(" and ")),
        (false, _) => format!("replace what is there by {}", added.join(" and ")),
    };
    let area = if open < 1.0 {
        format!(", {:.0} % of the face open", 100.0 * open)
    } else {
        String::new()
    };
    format!("{what}{area}: {value:.0} ± {:.0} Pa·s/m (95 %)", 1.96 * sd)
}

/// What to do without a list of materials, in words. Both in the same unit; `layers` where there is a face.
#[must_use]
pub fn plain_words(target: f64, there: f64, has_area: bool) -> String {
    let factor = target / there;
    if (factor - 1.0).abs() < 0.02 {
        return "leave it as it is: the target is within 2 %".into();
    }
    // Layers of next to nothing, or a slit for a face, are no advice.
    if factor > 10.0 {
        return format!(
            "make it {factor:.0} times what it is: next to nothing is there; look whether its cloth is whole and sealed around, and put in what the target asks for"
        );
    }
    if factor > 1.0 {
        let layers = if has_area {
            format!(
                ": add {:.1} of what is there in series, or leave {:.0} % of its face open",
                factor - 1.0,
                100.0 / factor
            )
        } else {
            String::new()
        };
        format!("make it {factor:.2} times what it is{layers}")
    } else if has_area {
        // A face that is far larger is no choice in a cabinet.
        let face = if factor > 0.3 {
            format!(", or a face {:.2} times as large", 1.0 / factor)
        } else {
            String::new()
        };
        format!(
            "make it {factor:.2} times what it is: cloth of {factor:.2} times its specific resistance{face}"
        )
    } else {
        format!("make it {factor:.2} times what it is")
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn material(name: &str, specific: f64, sd: f64) -> Material {
        Material {
            name: name.into(),
            specific_pa_s_per_m: specific,
            sd_pa_s_per_m: sd,
            areal_mass_kg_per_m2: None,
            source: "test".into(),
            measured: None,
        }
    }

    /// DERIVED by hand: 240 there (sd 6) and two layers of 80 (sd 4): 400, u² = 36 + 2·16 = 68.
    #[test]
    fn layers_add_and_spreads_add_in_squares() {
        let list = recipes(400.0, Some((240.0, 6.0)), &[material("felt", 80.0, 4.0)]);
        let first = &list[0];
        assert!(first.keeps_what_is_there && first.open_fraction == 1.0);
        assert_eq!(
            first.layers,
            [Layers {
                material: "felt".into(),
                count: 2
            }]
        );
        assert!((first.specific_pa_s_per_m - 400.0).abs() < 1e-9);
        assert!((first.sd_pa_s_per_m - 68_f64.sqrt()).abs() < 1e-9);
        assert!(
            first.text.starts_with("add 2 layers of felt: 400 ± 16"),
            "{}",
            first.text
        );
    }

    /// DERIVED by hand: one layer of 300 over an open fraction of 0.75 is 400; u² = (30/0.75)² + (400·0.01/0.75)².
    #[test]
    fn an_open_fraction_raises_the_resistance() {
        let list = recipes(400.0, None, &[material("cloth", 300.0, 30.0)]);
        let first = &list[0];
        assert!(!first.keeps_what_is_there);
        assert!((first.open_fraction - 0.75).abs() < 1e-12);
        let want = (40_f64.powi(2) + (400.0 * 0.01 / 0.75_f64).powi(2)).sqrt();
        assert!((first.sd_pa_s_per_m - want).abs() < 1e-9);
    }

    /// There are two to five, all different, and none comes from nothing.
    #[test]
    fn a_choice_of_a_few() {
        let shelf = [
            material("a", 50.0, 3.0),
            material("b", 120.0, 6.0),
            material("c", 210.0, 20.0),
        ];
        let list = recipes(400.0, Some((240.0, 10.0)), &shelf);
        assert!((2..=5).contains(&list.len()), "{list:?}");
        for r in &list {
            assert!((r.specific_pa_s_per_m / 400.0 - 1.0).abs() < 0.1, "{r:?}");
            assert!(r.open_fraction >= LEAST_OPEN);
        }
        assert!(recipes(f64::NAN, None, &shelf).is_empty());
        // What is there has too much already: it comes out.
        let less = recipes(100.0, Some((400.0, 10.0)), &shelf);
        assert!(
            !less.is_empty() && less.iter().all(|r| !r.keeps_what_is_there),
            "{less:?}"
        );
    }

    /// DERIVED: from 240 to 400 is a factor of 1.67: 0.7 of a layer, or 60 % open.
    #[test]
    fn words_without_a_shelf() {
        let text = plain_words(400.0, 240.0, true);
        assert!(
            text.contains("1.67 times") && text.contains("0.7 of") && text.contains("60 %"),
            "{text}"
        );
        assert!(plain_words(200.0, 400.0, true).contains("2.00 times as large"));
        assert!(plain_words(400.0, 0.4, true).contains("next to nothing"));
        assert!(plain_words(101.0, 100.0, true).contains("leave it"));
    }
}
