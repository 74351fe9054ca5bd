//! The layers of `src/`: imports go down only, the lower layers do no I/O, and nothing panics on purpose outside tests.
//!
//! The layers are read from the list in the documentation of `src/lib.rs`, lowest first, parted by semicolons, so that
//! list and code cannot drift apart. A module may name modules of its own layer and of lower ones, but two modules of
//! one layer may not name each other.
//!
//! The sources are looked at as text: comments, texts and what stands under `#[cfg(test)]` are taken out first.

#![allow(clippy::unwrap_used)]

use std::collections::{BTreeMap, BTreeSet};
use std::path::{Path, PathBuf};

/// Names that a lower module takes from a higher one, with the reason.
///
/// `air` computes the properties of air from `AirConditions`: three plain numbers that the design file holds. They belong to the
/// file's types, and a copy of the struct in `air` would only have to be converted.
const EXCEPTIONS: &[(&str, &str)] = &[("air", "design::AirConditions")];

/// Modules that touch neither files nor terminal nor clock.
const SILENT: &[&str] = &["signal", "model", "align"];

/// One source file.
struct Source {
    /// Path under `src/`.
    path: PathBuf,
    /// First part of its module path; `lib` and `main` for the roots.
    module: String,
    /// As it stands.
    text: String,
    /// Without comments, texts and test code; the same length in bytes and lines.
    code: String,
}

/// Replaces everything but line ends by spaces.
fn blank(bytes: &mut [u8]) {
    for byte in bytes.iter_mut().filter(|b| **b != b'\n') {
        *byte = b' ';
    }
}

/// Takes out comments and the insides of texts and characters.
fn without_comments_and_texts(text: &str) -> Vec<u8> {
    let source = text.as_bytes();
    let mut out = source.to_vec();
    let mut i = 0;
    while i < source.len() {
        let rest = &source[i..];
        let end = if rest.starts_with(b"//") {
            rest.iter()
                .position(|&b| b == b'\n')
                .map_or(source.len(), |n| i + n)
        } else if rest.starts_with(b"/*") {
            text[i..].find("*/").map_or(source.len(), |n| i + n + 2)
        } else if let Some(end) = raw_text(text, i) {
            end
        } else if rest[0] == b'"' {
            let mut n = i + 1;
            while n < source.len() && source[n] != b'"' {
                n += if source[n] == b'\\' { 2 } else { 1 };
            }
            (n + 1).min(source.len())
        } else if rest[0] == b'\'' {
            // A character; a lifetime has no second quote.
            let after = text[i + 1..].chars().next();
            match after {
                Some('\\') => text[i + 2..].find('\'').map_or(i + 1, |n| {
                    // '\'' holds a quote of its own.
                    if n == 0 { i + 4 } else { i + 3 + n }
                }),
                Some(c) if text[i + 1 + c.len_utf8()..].starts_with('\'') => i + 2 + c.len_utf8(),
                _ => i + 1,
            }
        } else {
            i += 1;
            continue;
        };
        blank(&mut out[i..end]);
        i = end;
    }
    out
}

/// Where a raw text that starts at `i` ends.
fn raw_text(text: &str, i: usize) -> Option<usize> {
    let before = text[..i].chars().next_back();
    if before.is_some_and(|c| c.is_alphanumeric() || c == '_') {
        return None;
    }
    let rest = text[i..]
        .strip_prefix("br")
        .or_else(|| text[i..].strip_prefix('r'))?;
    let hashes = rest.len() - rest.trim_start_matches('#').len();
    let inside = rest[hashes..].strip_prefix('"')?;
    let close = format!("\"{}", "#".repeat(hashes));
    let start = text.len() - inside.len();
    Some(
        inside
            .find(&close)
            .map_or(text.len(), |n| start + n + close.len()),
    )
}

/// Takes out every item under `#[cfg(test)]`; gives the modules among them that have a file of their own.
fn without_tests(code: &mut [u8], text: &str) -> Vec<String> {
    let mut files = Vec::new();
    let mark = b"#[cfg(test)]";
    let mut from = 0;
    while let Some(n) = code[from..].windows(mark.len()).position(|w| w == mark) {
        let start = from + n;
        let mut depth = 0_i32;
        let mut end = start + mark.len();
        // To the closing brace of the item, or to its semicolon; attributes in between have brackets.
        while end < code.len() {
            let byte = code[end];
            end += 1;
            match byte {
                b'{' | b'(' | b'[' => depth += 1,
                b'}' | b')' | b']' => depth -= 1,
                _ => {}
            }
            if depth == 0 && (byte == b'}' || byte == b';') {
                break;
            }
        }
        let item = &text[start + mark.len()..end];
        if item.ends_with(';') {
            if let Some((_, path)) = item.split_once("#[path = \"") {
                files.push(path.split('"').next().unwrap().to_string());
            } else if let Some((_, name)) = item.split_once("mod ") {
                files.push(format!("{}.rs", name.trim_end_matches(';').trim()));
            }
        }
        blank(&mut code[start..end]);
        from = end;
    }
    files
}

fn files_below(folder: &Path, into: &mut Vec<PathBuf>) {
    for entry in std::fs::read_dir(folder).unwrap() {
        let path = entry.unwrap().path();
        if path.is_dir() {
            files_below(&path, into);
        } else if path.extension().is_some_and(|e| e == "rs") {
            into.push(path);
        }
    }
}

/// All sources but those that are modules for tests only.
fn sources() -> Vec<Source> {
    let root = Path::new(env!("CARGO_MANIFEST_DIR")).join("src");
    let mut paths = Vec::new();
    files_below(&root, &mut paths);
    paths.sort();
    let mut list = Vec::new();
    let mut tests = BTreeSet::new();
    for path in paths {
        let text = std::fs::read_to_string(&path).unwrap();
        let mut code = without_comments_and_texts(&text);
        // A module file `a.rs` keeps its own modules in `a/`, `mod.rs` beside itself; `#[path]` counts from the file.
        let beside = path.parent().unwrap().to_path_buf();
        let own = if path
            .file_stem()
            .is_some_and(|s| s == "mod" || s == "lib" || s == "main")
        {
            beside.clone()
        } else {
            path.with_extension("")
        };
        for file in without_tests(&mut code, &text) {
            tests.insert(own.join(&file));
            tests.insert(beside.join(&file));
        }
        let inside = path.strip_prefix(&root).unwrap().to_path_buf();
        let first = inside
            .components()
            .next()
            .unwrap()
            .as_os_str()
            .to_string_lossy();
        list.push(Source {
            module: first.trim_end_matches(".rs").to_string(),
            path: inside,
            text,
            code: String::from_utf8(code).unwrap(),
        });
    }
    list.retain(|s| !tests.contains(&root.join(&s.path)));
    list
}

/// Layer of each module, from the list in the documentation of the library.
fn layers() -> BTreeMap<String, usize> {
    let text =
        std::fs::read_to_string(Path::new(env!("CARGO_MANIFEST_DIR")).join("src/lib.rs")).unwrap();
    let docs: Vec<&str> = text.lines().filter_map(|l| l.strip_prefix("//!")).collect();
    let docs = docs.join(" ");
    let (_, list) = docs
        .split_once("Layers,")
        .expect("src/lib.rs lists the layers");
    let list = &list[..list.find('.').unwrap_or(list.len())];
    let mut layers = BTreeMap::new();
    for (n, layer) in list.split(';').enumerate() {
        for name in layer
            .split("[`")
            .skip(1)
            .filter_map(|p| p.split('`').next())
        {
            assert!(
                layers.insert(name.to_string(), n).is_none(),
                "{name} stands in two layers"
            );
        }
    }
    layers
}

/// Every path below `crate` or the crate's name that the code holds: `design::AirConditions`, groups taken apart.
fn named(code: &str) -> Vec<(usize, String)> {
    let mut found = Vec::new();
    for root in ["crate::", "bassay::"] {
        for (at, _) in code.match_indices(root) {
            if code[..at]
                .chars()
                .next_back()
                .is_some_and(|c| c.is_alphanumeric() || c == '_' || c == ':' || c == '$')
            {
                continue;
            }
            let line = code[..at].matches('\n').count() + 1;
            for path in spread_group(&code[at + root.len()..]) {
                found.push((line, path));
            }
        }
    }
    found
}

/// `a::{b, c::d}` as `a::b`, `a::c::d`; the text may go on after it.
fn spread_group(text: &str) -> Vec<String> {
    let end = text
        .find(|c: char| !(c.is_alphanumeric() || c == '_' || c == ':'))
        .unwrap_or(text.len());
    let (head, rest) = text.split_at(end);
    if !(head.is_empty() || head.ends_with("::")) || !rest.starts_with('{') {
        return vec![head.trim_end_matches(':').to_string()];
    }
    let mut parts = Vec::new();
    let mut depth = 0;
    let mut start = 1;
    for (i, c) in rest.char_indices() {
        match c {
            '{' => depth += 1,
            '}' => depth -= 1,
            _ => {}
        }
        if (c == ',' && depth == 1) || depth == 0 {
            let part = rest[start..i].trim();
            if !part.is_empty() {
                parts.extend(spread_group(part).into_iter().map(|p| format!("{head}{p}")));
            }
            start = i + 1;
        }
        if depth == 0 {
            break;
        }
    }
    parts
}

/// Which modules each module names, with where.
fn imports(sources: &[Source], layers: &BTreeMap<String, usize>) -> Vec<(String, String, String)> {
    let mut list = Vec::new();
    for source in sources.iter().filter(|s| layers.contains_key(&s.module)) {
        for (line, path) in named(&source.code) {
            let to = path.split("::").next().unwrap().to_string();
            let allowed = EXCEPTIONS.contains(&(source.module.as_str(), path.as_str()));
            if to != source.module && layers.contains_key(&to) && !allowed {
                list.push((
                    source.module.clone(),
                    to,
                    format!("src/{}:{line}", source.path.display()),
                ));
            }
        }
    }
    list
}

/// Lines of the code that hold a text, as `file:line`.
fn holding(source: &Source, wanted: &str) -> Vec<usize> {
    source
        .code
        .lines()
        .enumerate()
        .filter(|(_, l)| l.contains(wanted))
        .map(|(n, _)| n + 1)
        .collect()
}

#[test]
fn every_module_has_a_layer() {
    let layers = layers();
    let lib = sources().into_iter().find(|s| s.module == "lib").unwrap();
    let declared: BTreeSet<String> = lib
        .code
        .lines()
        .filter_map(|l| l.trim().trim_start_matches("pub ").strip_prefix("mod "))
        .map(|l| l.trim_end_matches(';').to_string())
        .collect();
    let listed: BTreeSet<String> = layers.keys().cloned().collect();
    assert!(declared.len() >= 13, "{declared:?}");
    assert_eq!(
        declared, listed,
        "the modules of src/lib.rs and its list of layers differ"
    );
}

#[test]
fn imports_go_down_only() {
    let layers = layers();
    let imports = imports(&sources(), &layers);
    // That the text is read at all: the model uses the design in many places.
    assert!(
        imports
            .iter()
            .filter(|(from, to, _)| from == "model" && to == "design")
            .count()
            > 10
    );
    let up: Vec<String> = imports
        .iter()
        .filter(|(from, to, _)| layers[to] > layers[from])
        .map(|(from, to, at)| format!("{at}: {from} names {to}, which lies higher"))
        .collect();
    assert!(up.is_empty(), "{}", up.join("\n"));
    let pairs: BTreeSet<(&str, &str)> = imports
        .iter()
        .map(|(a, b, _)| (a.as_str(), b.as_str()))
        .collect();
    let mutual: Vec<_> = pairs
        .iter()
        .filter(|(a, b)| pairs.contains(&(*b, *a)))
        .collect();
    assert!(mutual.is_empty(), "these name each other: {mutual:?}");
}

#[test]
fn exceptions_are_in_use() {
    let sources = sources();
    for (module, path) in EXCEPTIONS {
        let used = sources
            .iter()
            .any(|s| s.module == *module && named(&s.code).iter().any(|(_, p)| p == path));
        assert!(
            used,
            "{module} no longer names {path}: take the exception out"
        );
    }
}

#[test]
fn the_lower_layers_touch_nothing_outside() {
    let forbidden = [
        "println!",
        "print!",
        "eprintln!",
        "eprint!",
        "dbg!",
        "std::fs",
        "std::io",
        "std::net",
        "std::process",
        "std::env",
        "fs::",
        "File::",
        "Instant::now",
        "SystemTime",
        "jiff::",
    ];
    let mut found = Vec::new();
    let mut files = 0;
    for source in sources()
        .iter()
        .filter(|s| SILENT.contains(&s.module.as_str()))
    {
        files += 1;
        for what in forbidden {
            // A WAV file is read from and written to what the caller opened: the traits alone are used.
            if what == "std::io" && source.path.ends_with("signal/wav.rs") {
                continue;
            }
            for line in holding(source, what) {
                found.push(format!("src/{}:{line}: {what}", source.path.display()));
            }
        }
    }
    assert!(files > 20, "{files} files");
    assert!(
        found.is_empty(),
        "signal, model and align do no I/O, print nothing and read no clock:\n{}",
        found.join("\n")
    );
}

#[test]
fn nothing_unwraps_without_saying_why() {
    let mut found = Vec::new();
    for source in &sources() {
        let lines: Vec<&str> = source.text.lines().collect();
        for what in [".unwrap()", ".expect(", ".unwrap_err()", ".expect_err("] {
            for line in holding(source, what) {
                let above = lines[..line - 1].last().map_or("", |l| l.trim());
                if !above.starts_with("//") {
                    found.push(format!("src/{}:{line}: {what}", source.path.display()));
                }
            }
        }
    }
    assert!(
        found.is_empty(),
        "the line above says why this cannot fail, or it is an error:\n{}",
        found.join("\n")
    );
}

/// The reader of sources by itself, or the tests above would prove nothing.
#[test]
fn sources_are_read_as_meant() {
    let text = "use crate::{a::{b, c}, d};\n// crate::x\nlet s = \"crate::y\"; let c = '\"'; let l: &'a str = r#\"crate::\"z\"#;\n\
        let q = '\\''; crate::e::f();\n#[cfg(test)]\n#[allow(x)]\nmod tests {\n fn g() { a.unwrap(); }\n}\nfn h() { b.unwrap(); }\n\
        #[cfg(test)]\nmod more;\n#[cfg(test)]\n#[path = \"other.rs\"]\nmod tests;\n/* crate::w */ pub(crate) fn i() {}\n";
    let mut code = without_comments_and_texts(text);
    let files = without_tests(&mut code, text);
    let code = String::from_utf8(code).unwrap();
    assert_eq!(code.len(), text.len());
    let names: Vec<String> = named(&code).into_iter().map(|(_, p)| p).collect();
    assert_eq!(names, ["a::b", "a::c", "d", "e::f"]);
    assert_eq!(files, ["more.rs", "other.rs"]);
    assert_eq!(code.matches(".unwrap()").count(), 1);
}
