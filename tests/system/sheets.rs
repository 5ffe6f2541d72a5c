//! Broken sheets: findings say what is wrong, where, what is allowed and what to write; schemas and loaders agree.

use crate::python::{python, script};
use rstest::rstest;
use serde_json::{Value, json};
use std::io::Write;
use std::path::Path;
use std::process::{Command, Stdio};
use tripbench_device::{SettingsDraft, SiteSheet, TypeSheet};
use tripbench_engine::Script;
use tripbench_rig::RigSheet;
use tripbench_sheet::{Findings, Reader, Source, read_sheet, schema_of};
use tripbench_tests::command::Workplace;
use tripbench_tests::sheet_text;

const ALL: &str =
    "check-sheets --rig rig.toml --type type.toml --settings settings.toml --script script.toml";

#[rstest]
#[case("calibration_due_before_it_was_made", "rig.toml", "due = 2999-03-12", "due = 2025-03-12")]
#[case("level_without_unit", "rig.toml", "range = \"100 kPa\"", "range = 100")]
#[case("misspelt_key", "rig.toml", "answer_timeout", "answer_timout")]
#[case(
    "address_used_twice",
    "rig.toml",
    "switch = { at = \"discrete-input 3\" }",
    "switch = { at = \"discrete-input 2\" }"
)]
#[case(
    "evacuation_as_safe_value",
    "rig.toml",
    "at = \"coil 0\"\nsafe = false",
    "at = \"coil 0\"\nsafe = true"
)]
#[case("a_register_without_its_word", "rig.toml", "at = \"coil 2\"", "at = \"holding-register 2\"")]
#[case("a_coil_with_a_word", "rig.toml", "at = \"coil 2\"", "at = \"coil 2\"\non = 1")]
#[case(
    "a_register_with_a_word_that_is_off",
    "rig.toml",
    "at = \"coil 2\"",
    "at = \"holding-register 2\"\non = 0"
)]
#[case("tolerance_of_nothing", "type.toml", "\"1 %FS + 1 digit\"", "\"1 % + 1 digit\"")]
#[case(
    "margins_swapped",
    "settings.toml",
    "cut_off = \"70 kPa\"\nresume = \"64 kPa\"",
    "cut_off = \"64 kPa\"\nresume = \"70 kPa\""
)]
#[case("no_whole_digit", "settings.toml", "\"55 kPa\"", "\"55.05 kPa\"")]
#[case("unit_in_wrong_case", "settings.toml", "\"60 kPa\"", "\"60 kpa\"")]
#[case("vacuum_with_a_minus", "settings.toml", "\"60 kPa\"", "\"-60 kPa\"")]
#[case(
    "output_that_the_rig_lacks",
    "script.toml",
    "[[step]]\ndo = \"leak\"",
    "[[step]]\ndo = \"drive\"\nair = \"bleed\"\n[[step]]\ndo = \"leak\""
)]
#[case("unknown_step", "script.toml", "switch-points", "switch-point")]
#[case("not_toml", "script.toml", "cycles = 5", "cycles = ")]
fn a_broken_sheet_says_what_to_write(
    #[case] name: &str,
    #[case] file: &str,
    #[case] from: &str,
    #[case] to: &str,
) {
    let workplace = Workplace::new();
    workplace.change(file, from, to);
    if name == "output_that_the_rig_lacks" {
        workplace.change(
            "rig.toml",
            "[[output]]\nname = \"bleed\"\nat = \"coil 2\"\nsafe = false\nwithout_power = \"closed\"\n",
            "",
        );
    }
    let said = workplace.run(ALL);
    assert_eq!(said.code, Some(2), "{}", said.err);
    insta::with_settings!({ description => "", omit_expression => true }, {
        insta::assert_snapshot!(name, said.err);
    });
}

#[test]
fn findings_of_several_files_come_at_once() {
    let workplace = Workplace::new();
    workplace.change("rig.toml", "answer_timeout", "answer_timout");
    workplace.change("type.toml", "\"100 kPa\"", "100");
    workplace.change("script.toml", "switch-points", "switch-point");
    let said = workplace.run(ALL);
    for place in ["rig.toml:9:1", "type.toml:5:14", "script.toml:"] {
        assert!(said.err.contains(place), "{place} in {}", said.err);
    }
}

#[test]
fn the_demos_sheets_are_good_and_their_levels_are_drawn() {
    let said = Workplace::new().run(ALL);
    assert_eq!((said.code, said.err.as_str()), (Some(0), ""));
    insta::assert_snapshot!("good_sheets", said.out);
}

/// Rules of reading, which a schema can express too; it cannot express rules between keys or ranges of quantities.
const READING: [&str; 14] = [
    "missing-key",
    "unknown-key",
    "wrong-kind",
    "empty-text",
    "no-unit",
    "not-a-quantity",
    "not-a-tolerance",
    "unknown-unit",
    "unknown-word",
    "not-a-date",
    "not-a-pair",
    "not-an-address",
    "syntax",
    "bad-number",
];

fn to_json(value: &toml::Value) -> Value {
    match value {
        toml::Value::String(text) => json!(text),
        toml::Value::Integer(number) => json!(number),
        toml::Value::Float(number) => json!(number),
        toml::Value::Boolean(yes) => json!(yes),
        toml::Value::Datetime(when) => json!(when.to_string()),
        toml::Value::Array(items) => items.iter().map(to_json).collect(),
        toml::Value::Table(table) => table
            .iter()
            .map(|(key, value)| (key.clone(), to_json(value)))
            .collect::<serde_json::Map<_, _>>()
            .into(),
    }
}

/// Variants of a sheet: each line left out, its key misspelt, or its value of another kind.
fn mutations(text: &str) -> Vec<String> {
    let lines: Vec<&str> = text.lines().collect();
    let with = |index: usize, line: &str| {
        let mut changed = lines.clone();
        changed[index] = line;
        changed.join("\n")
    };
    let keyed =
        lines.iter().enumerate().filter_map(|(index, line)| Some((index, *line, line.split_once(" = ")?)));
    keyed
        .flat_map(|(index, line, (key, value))| {
            let other = if value.starts_with('"') { "17" } else { "\"x\"" };
            let misspelt = format!("{key}x = {value}");
            let wrong = format!("{key} = {other}");
            let tampered = line.replace("kPa", "kpa").replace("coil", "coli");
            [
                with(index, ""),
                with(index, &misspelt),
                with(index, &wrong),
                with(index, &tampered),
                with(index, &format!("{key} = \"\"")),
            ]
        })
        .collect()
}

/// A text with its JSON value, if it is valid TOML.
fn with_json(text: String) -> Option<(String, Value)> {
    let json = to_json(&toml::Value::Table(text.parse::<toml::Table>().ok()?));
    Some((text, json))
}

/// Errors of documents against a schema, found by a validator in python.
fn errors(python: &Path, schema: &Value, documents: &[Value]) -> Vec<Vec<String>> {
    let mut command = Command::new(python);
    command.arg(script("schema.py")).stdin(Stdio::piped()).stdout(Stdio::piped());
    let mut child = command.spawn().expect("python starts");
    let lines: Vec<String> = [schema].into_iter().chain(documents).map(ToString::to_string).collect();
    let mut input = child.stdin.take().expect("its input");
    let writing = std::thread::spawn(move || input.write_all(lines.join("\n").as_bytes()));
    let output = child.wait_with_output().expect("it ends");
    writing.join().expect("no panic").expect("it reads");
    let text = String::from_utf8(output.stdout).expect("UTF-8");
    let found: Vec<Vec<String>> =
        text.lines().map(|line| serde_json::from_str(line).expect("JSON")).collect();
    assert!(output.status.success() && found.len() == documents.len(), "{text}");
    found
}

fn agree<T>(python: &Path, texts: &[String], read: impl Fn(&Reader<'_>) -> Option<T> + Copy) {
    let schema = schema_of("sheet", read);
    let good = texts.iter().map(|text| with_json(text.clone()).expect("TOML").1);
    for (errors, text) in errors(python, &schema, &good.collect::<Vec<_>>()).iter().zip(texts) {
        assert!(errors.is_empty(), "{errors:?}\n{text}");
    }
    let mutated: Vec<(String, Value)> =
        texts.iter().flat_map(|text| mutations(text)).filter_map(with_json).collect();
    let documents: Vec<Value> = mutated.iter().map(|(_, json)| json.clone()).collect();
    let mut refused = 0;
    for ((text, _), errors) in mutated.iter().zip(errors(python, &schema, &documents)) {
        let valid = errors.is_empty();
        let findings = Findings::new();
        let _sheet = read_sheet(&Source::new("sheet", text.as_str()), &findings, read);
        let findings = findings.into_sorted();
        let bad_reading = findings.iter().any(|finding| READING.contains(&finding.rule));
        if !valid {
            assert!(!findings.is_empty(), "refused by the schema, accepted by the loader:\n{text}");
            refused += 1;
        }
        if bad_reading {
            assert!(
                !valid,
                "refused by the loader ({:?}), accepted by the schema:\n{text}",
                findings[0].rule
            );
        }
    }
    assert!(refused > 5, "only {refused} mutations were refused");
}

#[test]
fn schema_and_loader_of_every_kind_of_sheet_agree() {
    let Some(python) = python() else { return };
    agree(&python, &[sheet_text("site.toml"), String::new()], SiteSheet::read);
    agree(&python, &[sheet_text("rigs/goods-in-1.toml")], RigSheet::read);
    agree(&python, &[sheet_text("types/jar-switch-a.toml")], TypeSheet::read);
    agree(&python, &[sheet_text("settings/depalletiser.toml")], SettingsDraft::read);
    agree(&python, &[sheet_text("scripts/goods-in.toml"), sheet_text("scripts/look.toml")], Script::read);
}

#[test]
fn the_schema_of_the_record_holds_for_a_record() {
    let said = Workplace::new().run("schema record");
    let schema: Value = serde_json::from_str(&said.out).expect("json");
    let Some(python) = python() else { return };
    let record = serde_json::to_value(tripbench_tests::Bench::demo().run().record).expect("json");
    let mut broken = record.clone();
    broken["positions"][0]["verdict"] = json!("good");
    let found = errors(&python, &schema, &[record, broken]);
    assert!(found[0].is_empty() && !found[1].is_empty(), "{found:?}");
}

#[test]
fn the_smallest_rig_sheet_of_the_docs_is_good() {
    let docs = std::fs::read_to_string(tripbench_tests::bench_scripts().join("../docs/sheets.md"))
        .expect("the docs");
    let start = docs.find("name = \"small\"").expect("the example");
    let (example, _) = docs[start..].split_once("```").expect("its end");
    let rig = tripbench_tests::good(example, RigSheet::read);
    assert_eq!(rig.positions.len(), 1);
}

/// Exit code and output of `check-sheets` for the demo on another wire.
fn checked_on(wire: &str) -> (Option<i32>, String) {
    let workplace = Workplace::new();
    workplace.change("rig.toml", "tcp = \"127.0.0.1:1502\"", wire);
    let said = workplace.run(ALL);
    (said.code, said.out + &said.err)
}

#[test]
fn a_slow_line_says_beforehand_what_it_can_not_decide() {
    let (code, fast) = checked_on("serial = \"/dev/ttyUSB0\"\nbaud = 115200");
    assert_eq!(code, Some(0), "{fast}");
    assert!(!fast.contains("no device can be shown"), "{fast}");
    let (code, slow) = checked_on("serial = \"/dev/ttyUSB0\"\nbaud = 9600");
    assert_eq!(code, Some(0), "a warning is no error: {slow}");
    assert!(slow.contains("can-not-decide") && slow.contains("the hysteresis"), "{slow}");
}

#[test]
fn a_wire_that_is_too_slow_for_the_run_is_refused() {
    let (code, said) = checked_on("serial = \"/dev/ttyUSB0\"\nbaud = 2400");
    assert_eq!(code, Some(2), "{said}");
    assert!(said.contains("wire-too-slow"), "{said}");
}
