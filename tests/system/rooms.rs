//! The rooms of the daemon's two crates: short files that do not use each other in circles. And the words of the product: what
//! docs/words.md forbids occurs nowhere.

use rstest::rstest;
use std::collections::{BTreeMap, BTreeSet};
use std::path::{Path, PathBuf};

fn root() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("..")
}

/// The sources of a crate by module path (`worker/carry`), without tests.
fn modules(crate_name: &str) -> BTreeMap<String, String> {
    fn walk(base: &Path, folder: &Path, found: &mut BTreeMap<String, String>) {
        for entry in std::fs::read_dir(folder).expect("a folder").flatten() {
            let path = entry.path();
            if path.is_dir() {
                walk(base, &path, found);
            } else if path.extension().is_some_and(|extension| extension == "rs") {
                let module = path.with_extension("");
                let name = module.strip_prefix(base).expect("below it").to_string_lossy().into_owned();
                let text = std::fs::read_to_string(&path).expect("a source");
                if !name.ends_with("tests") {
                    found.insert(name, before_tests(&text));
                }
            }
        }
    }
    let base = root().join("crates").join(crate_name).join("src");
    let mut found = BTreeMap::new();
    walk(&base, &base, &mut found);
    found
}

fn before_tests(text: &str) -> String {
    let end = text.find("\n#[cfg(test)]\n").map_or(text.len(), |at| at + 1);
    text[..end].to_owned()
}

/// Paths of the `use` declarations of a source, braces expanded: `a::{b, c::d}` gives `a::b` and `a::c::d`.
fn used_paths(text: &str) -> Vec<String> {
    fn expand(prefix: &str, path: &str, found: &mut Vec<String>) {
        let Some((head, rest)) = path.split_once('{') else {
            found.push(format!("{prefix}{path}"));
            return;
        };
        let inner = rest.rsplit_once('}').map_or(rest, |(inner, _)| inner);
        let (mut depth, mut begin) = (0, 0);
        for (at, letter) in inner.char_indices() {
            match letter {
                '{' => depth += 1,
                '}' => depth -= 1,
                ',' if depth == 0 => {
                    expand(&format!("{prefix}{head}"), inner[begin..at].trim(), found);
                    begin = at + 1;
                }
                _ => {}
            }
        }
        expand(&format!("{prefix}{head}"), inner[begin..].trim(), found);
    }
    let mut found = Vec::new();
    for part in text.split("\nuse ").skip(1).chain(text.split("\npub(crate) use ").skip(1)) {
        let declaration = part.split(';').next().unwrap_or_default();
        expand(
            "",
            &declaration.split_whitespace().collect::<Vec<_>>().join(" ").replace(" ::", "::"),
            &mut found,
        );
    }
    found
}

/// The module that a path of a module names, if it is one of this crate.
fn named(module: &str, path: &str, modules: &BTreeMap<String, String>) -> Option<String> {
    let mut segments: Vec<&str> = path.split("::").collect();
    let mut at: Vec<&str> = match segments.first().copied()? {
        "crate" => {
            segments.remove(0);
            Vec::new()
        }
        "super" => {
            segments.remove(0);
            let parent = module.rsplit_once('/').map_or("", |(parent, _)| parent);
            parent.split('/').filter(|part| !part.is_empty()).collect()
        }
        // A child of its own.
        _ => module.split('/').collect(),
    };
    let own = at.len();
    for segment in segments {
        let longer = [at.clone(), vec![segment]].concat();
        if !modules.contains_key(&longer.join("/")) {
            break;
        }
        at = longer;
    }
    let is_outside = !path.starts_with("crate") && !path.starts_with("super") && at.len() == own;
    let name = at.join("/");
    (!is_outside && name != module && modules.contains_key(&name)).then_some(name)
}

/// A circle of modules, if there is one.
fn circle(edges: &BTreeMap<String, BTreeSet<String>>) -> Option<Vec<String>> {
    fn visit(
        at: &str,
        edges: &BTreeMap<String, BTreeSet<String>>,
        way: &mut Vec<String>,
        done: &mut BTreeSet<String>,
    ) -> Option<Vec<String>> {
        if let Some(begin) = way.iter().position(|one| one == at) {
            return Some(way[begin..].to_vec());
        }
        if done.contains(at) {
            return None;
        }
        way.push(at.to_owned());
        let found = edges.get(at).into_iter().flatten().find_map(|next| visit(next, edges, way, done));
        way.pop();
        done.insert(at.to_owned());
        found
    }
    let mut done = BTreeSet::new();
    edges.keys().find_map(|start| visit(start, edges, &mut Vec::new(), &mut done))
}

fn edges_of(modules: &BTreeMap<String, String>) -> BTreeMap<String, BTreeSet<String>> {
    let edge = |(module, text): (&String, &String)| {
        let uses = used_paths(text).into_iter().filter_map(|path| named(module, &path, modules)).collect();
        (module.clone(), uses)
    };
    modules.iter().map(edge).collect()
}

#[rstest]
fn no_files_of_the_daemon_use_each_other_in_a_circle(#[values("bench", "daemon")] name: &str) {
    let edges = edges_of(&modules(name));
    let uses: usize = edges.values().map(BTreeSet::len).sum();
    assert!(uses > 30, "{edges:?}");
    assert_eq!(circle(&edges), None);
}

#[rstest]
#[case::none(&[("a", "use crate::b::X;"), ("b", "use crate::c;"), ("c", "use std::fmt;")], &[])]
#[case::two(&[("a", "use crate::b::X;"), ("b", "use crate::{c, a::Y};"), ("c", "")], &["a", "b"])]
#[case::child(&[("a", "use b::X;"), ("a/b", "use super::Y;")], &["a", "a/b"])]
#[case::sibling(&[("a", "use b::X;"), ("a/b", "use super::c::Y;"), ("a/c", "")], &[])]
fn a_circle_is_found(#[case] sources: &[(&str, &str)], #[case] expected: &[&str]) {
    let modules = sources.iter().map(|(name, text)| ((*name).to_owned(), format!("\n{text}\n"))).collect();
    let found = circle(&edges_of(&modules));
    assert_eq!(found.unwrap_or_default(), expected);
}

#[rstest]
fn files_of_the_daemon_stay_short(#[values("bench", "daemon")] name: &str) {
    const LONGEST: usize = 300;
    for (module, text) in modules(name) {
        let lines = text.lines().count();
        assert!(lines < LONGEST, "{name}/{module} has {lines} lines before its tests");
    }
}

/// The words in backticks of the first column of the table "Not used".
fn not_used() -> Vec<String> {
    let text = std::fs::read_to_string(root().join("docs/words.md")).expect("docs/words.md");
    let (_, table) = text.split_once("## Not used").expect("a section of words not used");
    let first = table.lines().filter(|line| line.starts_with("| ")).filter_map(|line| line.split('|').nth(1));
    let quoted = |cell: &str| cell.split('`').skip(1).step_by(2).map(str::to_lowercase).collect::<Vec<_>>();
    first.flat_map(quoted).collect()
}

/// The texts of the project that people read, by name.
fn texts() -> Vec<(String, String)> {
    fn walk(path: &Path, found: &mut Vec<(String, String)>) {
        let name = path.strip_prefix(root()).expect("below it").to_string_lossy().into_owned();
        // Other people's words, and the list itself.
        if name.starts_with("tests/data") || name == "docs/words.md" {
            return;
        }
        if path.is_dir() {
            for entry in std::fs::read_dir(path).expect("a folder").flatten() {
                walk(&entry.path(), found);
            }
        }
        let kind = path.extension().and_then(|kind| kind.to_str()).unwrap_or_default();
        if ["rs", "md", "js", "css", "toml", "py", "snap", "json", "sh"].contains(&kind) {
            found.push((name, std::fs::read_to_string(path).expect("a text")));
        }
    }
    let mut found = Vec::new();
    for name in ["bench-scripts", "crates", "docs", "tests", "DEVELOPERS.md", "README.md"] {
        walk(&root().join(name), &mut found);
    }
    found
}

#[test]
fn words_that_are_not_used_occur_nowhere() {
    let (words, texts) = (not_used(), texts());
    assert!(words.len() >= 30 && texts.len() > 300, "{} words, {} texts", words.len(), texts.len());
    let mut found = Vec::new();
    for (name, text) in texts {
        // A comment that is wrapped is one text.
        let lines: Vec<&str> = text.lines().collect();
        for (number, line) in lines.iter().enumerate() {
            let next = lines.get(number + 1).copied().unwrap_or_default().trim_start();
            let next = next.trim_start_matches(['/', '!', '#', '*']).trim_start();
            let line = line.trim_end().to_lowercase();
            let both = format!("{line} {}", next.to_lowercase());
            for word in &words {
                let wraps = both.find(word).is_some_and(|at| at < line.len());
                if line.contains(word) || wraps {
                    found.push(format!("{name}:{}: {word}", number + 1));
                }
            }
        }
    }
    assert!(found.is_empty(), "docs/words.md says what to write instead:\n{}", found.join("\n"));
}
