//! Invariants of the tree: which crate may use which, what the engine never depends on, how long a file may be.

use serde_json::Value;
use std::collections::{BTreeMap, BTreeSet};
use std::path::{Path, PathBuf};
use std::process::Command;

/// The table of docs/architecture.md: each crate with the project's crates that it may use.
const EDGES: &[(&str, &[&str])] = &[
    ("quantity", &[]),
    ("sheet", &["quantity"]),
    ("device", &["quantity", "sheet"]),
    ("rig", &["quantity", "sheet"]),
    ("measure", &["quantity"]),
    ("record", &["quantity", "sheet", "device", "rig", "measure"]),
    ("recording", &["quantity", "sheet", "measure"]),
    ("judge", &["quantity", "device", "rig", "measure", "record"]),
    ("engine", &["quantity", "sheet", "device", "rig", "measure", "record", "judge"]),
    ("link", &["quantity", "rig"]),
    ("simulator", &["quantity", "sheet", "rig"]),
    ("report", &["quantity", "device", "rig", "measure", "record"]),
    ("runner", &["quantity", "sheet", "device", "rig", "record", "judge", "report", "engine", "link"]),
    ("bench", &["quantity", "sheet", "rig", "record", "link", "runner"]),
    ("daemon", &["quantity", "sheet", "rig", "device", "record", "report", "runner", "bench"]),
];

/// The crate of these tests: it may use all.
const TESTS: &str = "tests";

/// Crates that must not appear anywhere in the dependencies of these.
const NEVER: &[(&str, &[&str])] = &[
    ("engine", &["tokio", "tokio-modbus", "tripbench-link", "tripbench-runner"]),
    ("measure", &["tracing", "tokio"]),
    ("judge", &["tokio", "tripbench-engine", "tripbench-link"]),
    ("simulator", &["tripbench-measure", "tripbench-device", "tripbench-judge"]),
    ("record", &["tokio", "tripbench-engine"]),
];

fn root() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("..")
}

/// The platform of this computer: only its packages have been fetched.
fn host() -> String {
    let output = Command::new("rustc").arg("-vV").output().expect("rustc");
    let text = String::from_utf8_lossy(&output.stdout).into_owned();
    text.lines().find_map(|line| line.strip_prefix("host: ")).expect("a host").to_owned()
}

fn metadata() -> Value {
    let cargo = std::env::var("CARGO").unwrap_or_else(|_| "cargo".into());
    let output = Command::new(cargo)
        .args(["metadata", "--format-version", "1", "--offline", "--locked", "--filter-platform", &host()])
        .current_dir(root())
        .output()
        .expect("cargo metadata");
    assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
    serde_json::from_slice(&output.stdout).expect("json")
}

fn names(list: &Value, kinds: bool) -> impl Iterator<Item = &str> {
    let list = list.as_array().map(Vec::as_slice).unwrap_or_default();
    list.iter()
        .filter(move |entry| !kinds || entry["kind"].is_null())
        .filter_map(|entry| entry["name"].as_str())
}

#[test]
fn crates_use_only_the_crates_that_the_design_allows() {
    let metadata = metadata();
    let mut met = BTreeSet::new();
    for package in metadata["packages"].as_array().expect("packages") {
        let Some(name) = package["name"].as_str().and_then(|name| name.strip_prefix("tripbench-")) else {
            continue;
        };
        if name == TESTS {
            continue;
        }
        let edges = EDGES.iter().find(|(known, _)| *known == name);
        let (known, allowed) =
            edges.unwrap_or_else(|| panic!("tripbench-{name} is not in the table of crates"));
        met.insert(*known);
        let used: BTreeSet<&str> = names(&package["dependencies"], true)
            .filter_map(|name| name.strip_prefix("tripbench-"))
            .collect();
        for other in used {
            assert!(allowed.contains(&other), "tripbench-{name} may not use tripbench-{other}");
        }
    }
    for (known, _) in EDGES {
        assert!(met.contains(known), "tripbench-{known} is in the table but is not a crate");
    }
}

#[test]
fn what_a_crate_must_never_hold_is_nowhere_below_it() {
    let metadata = metadata();
    let mut below: BTreeMap<&str, Vec<&str>> = BTreeMap::new();
    let mut name_of: BTreeMap<&str, &str> = BTreeMap::new();
    for package in metadata["packages"].as_array().expect("packages") {
        name_of.insert(package["id"].as_str().expect("id"), package["name"].as_str().expect("name"));
    }
    for node in metadata["resolve"]["nodes"].as_array().expect("nodes") {
        let normal = node["deps"].as_array().expect("deps").iter().filter(|dependency| {
            dependency["dep_kinds"]
                .as_array()
                .is_some_and(|kinds| kinds.iter().any(|kind| kind["kind"].is_null()))
        });
        let targets =
            normal.filter_map(|dependency| dependency["pkg"].as_str()).map(|id| name_of[id]).collect();
        below.insert(name_of[node["id"].as_str().expect("id")], targets);
    }
    for (name, never) in NEVER {
        let start = format!("tripbench-{name}");
        let (mut seen, mut open) = (BTreeSet::new(), vec![start.as_str()]);
        while let Some(next) = open.pop() {
            if seen.insert(next.to_owned()) {
                open.extend(below.get(next).into_iter().flatten());
            }
        }
        assert!(seen.len() > 2, "{start} was not found");
        for forbidden in *never {
            assert!(!seen.contains(*forbidden), "{start} depends on {forbidden}");
        }
    }
}

fn sources(folder: &Path, found: &mut Vec<PathBuf>) {
    for entry in std::fs::read_dir(folder).expect("a folder").flatten() {
        let path = entry.path();
        if path.is_dir() {
            sources(&path, found);
        } else if path.extension().is_some_and(|extension| extension == "rs") {
            found.push(path);
        }
    }
}

#[test]
fn every_file_says_what_it_is_for_and_stays_short() {
    const LONGEST: usize = 400;
    let mut files = Vec::new();
    sources(&root().join("crates"), &mut files);
    assert!(files.len() > 50);
    for path in files {
        let text = std::fs::read_to_string(&path).expect("a source");
        let shown = path.display();
        assert!(path.file_name().is_some_and(|name| name != "mod.rs"), "{shown}: put foo.rs beside foo/");
        let is_test = path.file_name().is_some_and(|name| name == "tests.rs");
        assert!(is_test || text.starts_with("//!"), "{shown} does not begin with //!");
        let lines = text.lines().take_while(|line| *line != "#[cfg(test)]").count();
        assert!(lines <= LONGEST || is_test, "{shown} has {lines} lines before its tests");
    }
}
