//! `bassay damping` and `bassay coupon` as `docs/damping.md` shows them, on units of the time-domain bench, which shares
//! nothing with the model that is fitted except the reader of the design.

#![allow(clippy::unwrap_used)]

use assert_cmd::Command;
use serde_json::Value;
use std::path::Path;

fn root() -> &'static Path {
    Path::new(env!("CARGO_MANIFEST_DIR"))
}

fn run(folder: &Path, args: &[&str]) -> (i32, String, String) {
    let output = Command::cargo_bin("bassay")
        .unwrap()
        .current_dir(folder)
        .args(args)
        .output()
        .unwrap();
    let text = |bytes: &[u8]| String::from_utf8_lossy(bytes).into_owned();
    (
        output.status.code().unwrap_or(-1),
        text(&output.stdout),
        text(&output.stderr),
    )
}

/// The lines of the page's shell blocks, continued lines joined.
fn commands(page: &str) -> Vec<Vec<String>> {
    let mut list = Vec::new();
    for block in page.split("```sh\n").skip(1) {
        let block = block.split("```").next().unwrap().replace("\\\n", " ");
        for line in block.lines().filter(|l| l.starts_with("bassay ")) {
            list.push(line.split_whitespace().skip(1).map(String::from).collect());
        }
    }
    list
}

fn json(path: &Path) -> Value {
    serde_json::from_str(&std::fs::read_to_string(path).unwrap()).unwrap()
}

fn resistor<'a>(result: &'a Value, name: &str) -> &'a Value {
    result["resistors"]
        .as_array()
        .unwrap()
        .iter()
        .find(|r| r["in_place"]["name"] == name)
        .unwrap()
}

fn number(v: &Value) -> f64 {
    v.as_f64().unwrap_or_else(|| panic!("{v}"))
}

fn holds(reach: &Value, truth: f64) -> bool {
    number(&reach["low95"]) < truth && truth < number(&reach["high95"])
}

/// Every command of the page runs, and what it writes is true.
///
/// Truth: what `rehearse` was told in the page's own commands (r1 at 0.6 of 400 Pa·s/m, r2 rising with 150 Pa·s²/m²), and the sheet of
/// the sample coupon, 165 Pa·s/m (tests/coupon_tube.rs).
#[test]
fn the_page_works_and_tells_the_truth() {
    let page = std::fs::read_to_string(root().join("docs/damping.md")).unwrap();
    let folder = tempfile::tempdir().unwrap();
    let at = |name: &str| folder.path().join(name);
    std::fs::create_dir_all(at("sample-captures/coupon")).unwrap();
    for file in [
        "dome.toml",
        "coupon/coupon.toml",
        "coupon/normal.wav",
        "coupon/swapped.wav",
    ] {
        let name = format!("sample-captures/{file}");
        std::fs::copy(root().join(&name), at(&name)).unwrap();
    }
    let commands = commands(&page);
    assert!(commands.len() >= 5, "{commands:?}");
    for command in &commands {
        let args: Vec<&str> = command.iter().map(String::as_str).collect();
        let (status, out, err) = run(folder.path(), &args);
        assert_eq!(status, 0, "{args:?}\n{out}\n{err}");
        for line in out.lines() {
            assert!(line.chars().count() <= 80, "{line}");
        }
    }

    let two = json(&at("demo/damping/damping.json"));
    assert_eq!(two["format"], "bassay-damping/1");
    let (r1, r2) = (resistor(&two, "r1"), resistor(&two, "r2"));
    assert!(holds(&r1["in_place"]["specific_pa_s_per_m"], 240.0), "{r1}");
    assert_eq!(r1["verdict"], "change");
    assert_eq!(r1["difference"]["behaviour"], "linear");
    assert_eq!(r2["difference"]["behaviour"], "rises");
    let q: Vec<f64> = r2["difference"]["quadratic_pa_s2_per_m2"]
        .as_array()
        .unwrap()
        .iter()
        .map(number)
        .collect();
    assert!(q[1] < 150.0 && 150.0 < q[2], "{q:?}");
    // 1 %: the interval at the low level (1 %) and 5 % of the rise there, 24 Pa·s/m.
    let rest = number(&r2["difference"]["at_rest_pa_s_per_m"]);
    assert!((rest / 400.0 - 1.0).abs() < 0.01, "{rest}");
    for file in [
        "damping.html",
        "damping.svg",
        "damping.png",
        "damping-r1.svg",
        "damping-r2.png",
    ] {
        assert!(at("demo/damping").join(file).is_file(), "{file}");
    }

    // The coupon went into the materials file, and the recipes use it.
    let shelf = bassay::design::materials::read(&at("demo/materials.toml")).unwrap();
    assert_eq!((shelf.len(), shelf[0].name.as_str()), (1, "felt 3 mm"));
    assert!(
        (shelf[0].specific_pa_s_per_m - 165.0).abs() < 1.96 * shelf[0].sd_pa_s_per_m,
        "{shelf:?}"
    );
    let flat = json(&at("demo/flat/damping.json"));
    let o = &flat["least_ripple"];
    let ripple = |key: &str| number(&o[key]["db"]);
    assert!(
        ripple("optimum") < ripple("design") && ripple("optimum") < ripple("now"),
        "{o}"
    );
    let recipes = resistor(&flat, "r1")["recipes"].as_array().unwrap();
    assert!((1..=5).contains(&recipes.len()), "{recipes:?}");
    assert!(
        recipes
            .iter()
            .any(|r| r["text"].as_str().unwrap().contains("felt 3 mm"))
    );
    let lines = flat["curves"][0]["lines"].as_array().unwrap();
    let factors: Vec<Option<f64>> = lines.iter().map(|l| l["factor"].as_f64()).collect();
    assert_eq!(
        factors,
        [Some(0.5), Some(0.7), Some(1.0), Some(1.4), Some(2.0), None]
    );
    // The picture and the search agree about the target's ripple.
    assert!((number(&lines[5]["ripple_db"]) - ripple("optimum")).abs() < 1e-6);
}

/// Wrong questions are told before anything is computed or written.
#[test]
fn wrong_questions_are_told() {
    let folder = tempfile::tempdir().unwrap();
    let out = folder.path().join("out");
    let out = out.to_str().unwrap();
    let captures = "sample-captures/sound/captures.toml";
    for (args, wanted) in [
        (vec!["--target", "flat"], "least-ripple"),
        (vec!["--target", "-3"], "--target"),
        (vec!["--resistor", "r3"], "r1, r2"),
        (vec!["--at", "mouth"], "mouth-near"),
        (vec!["--materials", "nowhere.toml"], "nowhere.toml"),
    ] {
        let mut all = vec!["damping", captures, "--out", out];
        all.extend(args);
        let (status, stdout, err) = run(root(), &all);
        assert_eq!(status, 2, "{all:?}: {err}");
        assert!(stdout.is_empty() && err.contains(wanted), "{all:?}: {err}");
    }
    assert!(!Path::new(out).exists());
}

/// A name that the shelf has already, or a file of another kind, is left as it is.
#[test]
fn the_shelf_is_not_overwritten() {
    let folder = tempfile::tempdir().unwrap();
    let shelf = folder.path().join("materials.toml");
    let args = [
        "coupon",
        "sample-captures/coupon/coupon.toml",
        "--quiet",
        "--save",
        shelf.to_str().unwrap(),
    ];
    assert_eq!(run(root(), &args).0, 0);
    let before = std::fs::read_to_string(&shelf).unwrap();
    let (status, _, err) = run(root(), &args);
    assert_eq!(status, 2, "{err}");
    assert!(err.contains("already"), "{err}");
    assert_eq!(std::fs::read_to_string(&shelf).unwrap(), before);
    std::fs::write(&shelf, "not = 1\n").unwrap();
    assert_eq!(run(root(), &args).0, 2);
    assert_eq!(std::fs::read_to_string(&shelf).unwrap(), "not = 1\n");
}

/// One JSON document on standard output, nothing else there.
#[test]
fn json_alone() {
    let (status, out, err) = run(
        root(),
        &[
            "coupon",
            "sample-captures/coupon/coupon.toml",
            "--json",
            "--quiet",
        ],
    );
    assert_eq!((status, err.as_str()), (0, ""));
    let result: Value = serde_json::from_str(&out).unwrap();
    assert_eq!(result["format"], "bassay-coupon-result/1");
    assert!(
        holds(&result["specific_pa_s_per_m"], 165.0),
        "{}",
        result["specific_pa_s_per_m"]
    );
}
