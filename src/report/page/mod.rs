//! The report of a verification as one HTML file: no network, no script, prints on A4, follows dark mode.
//!
//! It goes from the answer to its reasons: verdict, findings, pictures and bands, parameters, conditions and
//! files, how it was computed. Every picture has its numbers as a table.

mod certificate;
mod damping;
mod history;
mod parts;
mod pictures;
mod style;

pub use certificate::{Certificate, certificate};
pub use damping::damping_page;
pub use history::{History, history_page};

use super::{ReportInput, words};
use maud::{DOCTYPE, Markup, PreEscaped, html};

/// A whole document: head with title and style sheet, and the body.
fn whole(title: &str, body: &Markup) -> String {
    let document: Markup = html! {
        (DOCTYPE)
        html lang="en" {
            head {
                meta charset="utf-8";
                meta name="viewport" content="width=device-width, initial-scale=1";
                meta name="color-scheme" content="light dark";
                title { (title) }
                style { (PreEscaped(style::SHEET)) }
            }
            body { (body) }
        }
    };
    document.into_string()
}

/// The page.
#[must_use]
pub fn page(input: &ReportInput<'_>) -> String {
    let result = input.result;
    let head = format!(
        "Unit {}: {}",
        result.unit,
        words::long(result.verdict).to_lowercase()
    );
    let body = html! {
        header { (parts::heading(input)) }
        main {
            (parts::verdict(result))
            (parts::findings(result))
            (pictures::observations(input))
            (parts::parameters(result))
            (parts::conditions(result))
            (parts::warnings(result))
            (parts::computed(result))
            (parts::cautions(result))
        }
        footer { (parts::footing(input)) }
    };
    whole(&head, &body)
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;
    use crate::report::example;

    fn render(
        result: &crate::verify::result::Result,
        curves: &[crate::report::ObservationCurves],
    ) -> String {
        page(&ReportInput {
            result,
            curves,
            figures: &example::figures(),
            made: "2026-03-14 11:02 UTC",
        })
    }

    /// Every tag is closed in order; void elements stand alone.
    fn assert_balanced(html: &str) {
        const VOID: [&str; 5] = ["meta", "br", "hr", "link", "col"];
        let mut open: Vec<String> = Vec::new();
        let mut rest = html;
        while let Some(start) = rest.find('<') {
            rest = &rest[start + 1..];
            let end = rest.find('>').expect("a tag is closed");
            let tag = &rest[..end];
            rest = &rest[end + 1..];
            if tag.starts_with('!') || tag.ends_with('/') {
                continue;
            }
            if let Some(name) = tag.strip_prefix('/') {
                assert_eq!(
                    open.pop().as_deref(),
                    Some(name),
                    "</{name}> closes nothing"
                );
                continue;
            }
            let name: String = tag
                .chars()
                .take_while(|c| c.is_ascii_alphanumeric())
                .collect();
            assert!(!name.is_empty(), "<{tag}> is no tag");
            assert_eq!(tag.matches('"').count() % 2, 0, "<{tag}>");
            if !VOID.contains(&name.as_str()) {
                if name == "style" {
                    rest = &rest[rest.find("</style>").unwrap()..];
                }
                open.push(name);
            }
        }
        assert!(open.is_empty(), "left open: {open:?}");
    }

    fn text_of(html: &str) -> String {
        let mut out = String::new();
        let mut inside = false;
        for c in html.chars() {
            match c {
                '<' => inside = true,
                '>' => inside = false,
                '\u{202f}' | '\u{a0}' if !inside => out.push(' '),
                c if !inside => out.push(c),
                _ => {}
            }
        }
        out
    }

    #[test]
    fn the_page_is_whole_and_alone() {
        let html = render(&example::result(), &example::curves());
        assert_balanced(&html);
        let bare = html.replace("http://www.w3.org/2000/svg", "");
        for outside in ["http://", "https://", "<script", "src=", "@import", "url("] {
            assert!(!bare.contains(outside), "{outside} in the page");
        }
        // An identifier names one thing, and every description that is pointed to exists.
        for piece in html.split(" id=\"").skip(1) {
            let id = &piece[..piece.find('"').unwrap()];
            assert_eq!(html.matches(&format!(" id=\"{id}\"")).count(), 1, "{id}");
        }
        for piece in html.split("aria-describedby=\"").skip(1) {
            let id = &piece[..piece.find('"').unwrap()];
            assert!(html.contains(&format!(" id=\"{id}\"")), "{id}");
        }
        for piece in html.split("href=\"").skip(1) {
            let id = piece[..piece.find('"').unwrap()].strip_prefix('#').unwrap();
            assert!(html.contains(&format!(" id=\"{id}\"")), "{id}");
        }
        assert_eq!(html.matches("<h1").count(), 1);
        assert_eq!(
            html.matches("<table").count(),
            html.matches("<caption").count()
        );
        assert_eq!(
            html.matches("<svg").count(),
            html.matches("role=\"img\"").count()
        );
    }

    #[test]
    fn hostile_names_stay_text() {
        let mut result = example::result();
        let bad = "\"><script>alert(1)</script>&'";
        result.unit = bad.to_owned();
        result.design.name = bad.to_owned();
        for band in &mut result.bands {
            band.observation = bad.to_owned();
        }
        result.findings[0].text = bad.to_owned();
        result.findings[0].path = bad.to_owned();
        result.parameters[0].path = bad.to_owned();
        result.parameters[0].unit = bad.to_owned();
        result.files[0].path = bad.to_owned();
        result.captures[0].file = bad.to_owned();
        result.warnings = vec![bad.to_owned()];
        let mut curves = example::curves();
        curves[0].label = bad.to_owned();
        let html = render(&result, &curves);
        assert!(!html.contains("<script"));
        assert_balanced(&html);
    }

    /// The numbers are those that `example` puts in.
    #[test]
    fn the_numbers_are_there() {
        let text = text_of(&render(&example::result(), &example::curves()));
        for wanted in [
            "Outside tolerance",
            "Dome bass unit, prototype 2",
            "leak seam: resistance",
            "94 %",
            "Measured 2026-03-14 10:20 UTC",
            "17.5 °C",
            "100.2 kPa",
            "341.9 m/s",
            "10³ Pa·s/m³",
            "2000",
            "412",
            "bassay 0.1.0",
            "2026-03-14 11:02 UTC",
            "no, moves with duct d1: length",
        ] {
            assert!(text.contains(wanted), "«{wanted}» is missing");
        }
    }

    #[test]
    fn nothing_measured_is_still_a_page() {
        let mut result = example::result();
        result.bands.clear();
        result.findings.clear();
        result.parameters.clear();
        result.captures.clear();
        result.files.clear();
        result.assumptions.clear();
        result.warnings.clear();
        result.conditions = crate::verify::result::Conditions::default();
        result.fit.converged = false;
        result.fit.cost = f64::NAN;
        let curves = [crate::report::ObservationCurves::new(
            "empty",
            crate::report::Quantity::Impedance,
        )];
        let html = render(&result, &curves);
        assert_balanced(&html);
        assert!(!html.contains("NaN"));
        assert!(text_of(&html).contains("did not converge"));
    }

    /// Writes the example to `target/report-example/` to be looked at: `cargo test -- --ignored look`.
    #[test]
    #[ignore = "writes files for the eye"]
    fn look() {
        let dir = std::path::Path::new(env!("CARGO_MANIFEST_DIR")).join("target/report-example");
        let html = render(&example::result(), &example::curves());
        crate::files::write_whole(&dir.join("report.html"), html.as_bytes()).unwrap();
        let mut within = example::result();
        within.verdict = crate::verify::result::Verdict::Within;
        for band in &mut within.bands {
            band.verdict = crate::verify::result::Verdict::Within;
        }
        within.findings.clear();
        within.warnings.clear();
        let html = render(&within, &example::curves());
        crate::files::write_whole(&dir.join("within.html"), html.as_bytes()).unwrap();
        for (i, seen) in example::curves().iter().enumerate() {
            crate::report::chart_to_files(&dir, &format!("curve-{i}"), &pictures::levels(seen))
                .unwrap();
            let chart = pictures::mismatch(&seen.label, &example::result());
            crate::report::chart_to_files(&dir, &format!("bands-{i}"), &chart).unwrap();
        }
        let text =
            crate::report::text::summary(&example::result(), Some(&dir.join("report.html")), false);
        crate::files::write_whole(&dir.join("summary.txt"), text.as_bytes()).unwrap();
    }
}
