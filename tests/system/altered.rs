//! Altered records: `report` and `explain` show none of their figures as results, and `rejudge` reports the difference.

use rstest::rstest;
use serde::{Serialize, de::DeserializeOwned};
use serde_json::{Value, json};
use std::time::Duration;
use tripbench_record::journal::{MAGIC, Tally, closing_line, line, open};
use tripbench_record::{Event, EventKind, RunHeader, RunView, Seq, Verdict, canonical_json, sha256_hex};
use tripbench_rig::Identification;
use tripbench_runner::folder;
use tripbench_tests::command::{Said, Simulated, Workplace, brisk, quick};

const SHEETS: &str = "--rig rig.toml --type type.toml --settings settings.toml --script script.toml";
/// Exit code for a record that does not fit its raw data.
const DIFFERS: Option<i32> = Some(6);

/// Pseudo-random numbers, the same for the same seed (`SplitMix64`, Steele, Lea and Flood 2014; constants from memory).
struct Draw(u64);

impl Draw {
    fn below(&mut self, count: usize) -> usize {
        self.0 = self.0.wrapping_add(0x9E37_79B9_7F4A_7C15);
        let mixed = (self.0 ^ (self.0 >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
        let mixed = (mixed ^ (mixed >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
        usize::try_from(mixed >> 33).expect("31 bits") % count.max(1)
    }
}

/// Paths of all values below one that are neither objects nor lists.
fn leaves(value: &Value, path: &str, found: &mut Vec<String>) {
    match value {
        Value::Object(map) => {
            map.iter().for_each(|(key, value)| leaves(value, &format!("{path}/{key}"), found));
        }
        Value::Array(list) => {
            (0..)
                .zip(list)
                .for_each(|(index, value): (usize, _)| leaves(value, &format!("{path}/{index}"), found));
        }
        Value::Null | Value::Bool(_) | Value::Number(_) | Value::String(_) => found.push(path.to_owned()),
    }
}

/// Alters one value without changing its type.
fn alter(value: &mut Value) {
    *value = match &*value {
        Value::Number(number) if number.is_u64() => json!(number.as_u64().expect("whole") + 1),
        Value::Number(number) => json!(number.as_f64().expect("a number") * 1.001 + 0.001),
        Value::Bool(on) => json!(!*on),
        Value::String(text) if ["pass", "fail", "undecided", "met"].contains(&text.as_str()) => {
            json!(if text == "pass" { "fail" } else { "pass" })
        }
        Value::String(text) => json!(format!("{text}1")),
        Value::Null => json!(1.0),
        other @ (Value::Array(_) | Value::Object(_)) => other.clone(),
    };
}

/// Runs each command that compares a folder with its raw data; returns what they printed.
fn shown(workplace: &Workplace) -> [Said; 3] {
    ["report run", "explain run", "rejudge run"].map(|command| workplace.run(command))
}

/// Faults in what was shown of an altered record; empty if nothing of it was shown as good.
fn faults(workplace: &Workplace) -> Vec<String> {
    let [report, explain, rejudge] = shown(workplace);
    // A file that is no longer a record is made anew from the journal, as after a loss.
    if report.err.contains("taken from the journal instead") {
        return Vec::new();
    }
    let mut faults = Vec::new();
    for (name, said) in [("report", &report), ("explain", &explain), ("rejudge", &rejudge)] {
        if said.code != DIFFERS {
            faults.push(format!("{name} ends with {:?}: {}{}", said.code, said.out, said.err));
        }
    }
    for (name, said) in [("report", &report), ("explain", &explain)] {
        if ["PASS", "pass", " ± ", "FAIL"].iter().any(|word| said.out.contains(word)) {
            faults.push(format!("{name} shows {}", said.out));
        }
        if !said.err.contains("does not fit its raw data") {
            faults.push(format!("{name} does not say so: {}", said.err));
        }
    }
    // Without complete sheets there is no report, not even an earlier one.
    let html = std::fs::read_to_string(workplace.folder.join("run/report.html"))
        .unwrap_or_else(|_| String::from("NOT TO BE BELIEVED"));
    if html.contains("PASS") || !html.contains("NOT TO BE BELIEVED") {
        faults.push(String::from("the report says PASS, or lacks NOT TO BE BELIEVED"));
    }
    faults
}

/// The part of a record that is altered.
#[derive(Debug, Clone, Copy, PartialEq)]
enum What {
    Figures,
    Limits,
    Verdicts,
    Marks,
    SheetTexts,
    Serials,
    Trace,
}

/// Alters one randomly drawn value; returns its path.
fn altered(workplace: &Workplace, what: What, draw: &mut Draw) -> String {
    if what == What::Trace {
        let mut bytes = workplace.read("run/trace.csv").into_bytes();
        let digits: Vec<usize> =
            (bytes.len() / 4..bytes.len()).filter(|&index| bytes[index].is_ascii_digit()).collect();
        let at = digits[draw.below(digits.len())];
        bytes[at] = b'0' + (bytes[at] - b'0' + 1) % 10;
        workplace.write("run/trace.csv", &String::from_utf8(bytes).expect("text"));
        return format!("byte {at} of the trace");
    }
    let mut record: Value = serde_json::from_str(&workplace.read("run/record.json")).expect("JSON");
    let mut all = Vec::new();
    leaves(&record, "", &mut all);
    let wanted = |path: &String| match what {
        What::Figures => {
            path.contains("/checks/") && (path.ends_with("/value") || path.ends_with("uncertainty"))
        }
        What::Limits => path.contains("/limits/"),
        What::Verdicts => path.starts_with("/positions/") && path.ends_with("/verdict"),
        What::Marks => path.starts_with("/marks/") && (path.ends_with("/from") || path.ends_with("/to")),
        What::SheetTexts => path.ends_with("/text") && path.starts_with("/header/sheets/"),
        What::Serials => path.starts_with("/positions/") && path.ends_with("/serial"),
        What::Trace => false,
    };
    let all: Vec<String> = all.into_iter().filter(wanted).collect();
    let path = &all[draw.below(all.len())];
    let value = record.pointer_mut(path).expect("a value");
    match (what, value.as_u64()) {
        // Half a second in nanoseconds: the mark now covers another stretch of the trace.
        (What::Marks, Some(at)) => *value = json!(at + 500_000_000),
        _ => alter(value),
    }
    workplace.write("run/record.json", &record.to_string());
    path.clone()
}

/// An altered rehearsal is compared with its trace, sheets, plan and journal.
#[rstest]
fn nothing_of_an_altered_rehearsal_is_shown_as_found(
    #[values(
        What::Figures,
        What::Limits,
        What::Verdicts,
        What::Marks,
        What::SheetTexts,
        What::Serials,
        What::Trace
    )]
    what: What,
) {
    let workplace = brisk();
    let said =
        workplace.run(&format!("rehearse {SHEETS} --truth truth.toml --serial 1=A1 --serial 3=A3 --out run"));
    assert_eq!(said.code, Some(1), "{}", said.err);
    assert_eq!(shown(&workplace).map(|said| said.code), [Some(1), Some(0), Some(1)]);
    let (record, trace) = (workplace.read("run/record.json"), workplace.read("run/trace.csv"));
    let mut draw = Draw(what as u64);
    for _ in 0..4 {
        let path = altered(&workplace, what, &mut draw);
        let faults = faults(&workplace);
        assert!(faults.is_empty(), "{path}: {faults:#?}");
        workplace.write("run/record.json", &record);
        workplace.write("run/trace.csv", &trace);
    }
    assert_eq!(shown(&workplace).map(|said| said.code), [Some(1), Some(0), Some(1)]);
}

/// Somebody who knows how a hash is made alters a sheet together with its hash.
#[test]
fn a_sheet_that_was_altered_with_its_hash_gives_other_checks() {
    let workplace = brisk();
    workplace.run(&format!("rehearse {SHEETS} --truth truth.toml --serial 1=A1 --serial 3=A3 --out run"));
    let mut record: Value = serde_json::from_str(&workplace.read("run/record.json")).expect("JSON");
    for sheet in record["header"]["sheets"].as_array_mut().expect("sheets") {
        let text = sheet["text"]
            .as_str()
            .expect("a text")
            .replace("switch_point = \"60 kPa\"", "switch_point = \"61.5 kPa\"");
        sheet["sha256"] = json!(sha256_hex(text.as_bytes()));
        sheet["text"] = json!(text);
    }
    workplace.write("run/record.json", &record.to_string());
    let faults = faults(&workplace);
    assert!(faults.is_empty(), "{faults:#?}");
}

/// A real run has a journal, with which every value of its record is compared.
#[test]
fn live_nothing_of_an_altered_run_is_shown_as_found() {
    let workplace = quick();
    let rig = Simulated::start(&workplace);
    let said = workplace.run(&format!("run {SHEETS} --serial 1=A1 --out run"));
    drop(rig);
    assert!(said.code.is_some_and(|code| [0, 1, 3].contains(&code)), "{}\n{}", said.out, said.err);
    assert_eq!(shown(&workplace).map(|said| said.code), [said.code, Some(0), said.code]);
    let record = workplace.read("run/record.json");
    let whole: Value = serde_json::from_str(&record).expect("JSON");
    let mut all = Vec::new();
    leaves(&whole, "", &mut all);
    let (mut draw, mut told) = (Draw(7), 0);
    for _ in 0..30 {
        let mut altered = whole.clone();
        let path = &all[draw.below(all.len())];
        let value = altered.pointer_mut(path).expect("a value");
        alter(value);
        if altered == whole || ["/format", "/version"].contains(&path.as_str()) {
            continue;
        }
        workplace.write("run/record.json", &altered.to_string());
        let faults = faults(&workplace);
        assert!(faults.is_empty(), "{path}: {faults:#?}");
        // Refused, or made anew from the journal: never kept as altered.
        let kept: Value = serde_json::from_str(&workplace.read("run/record.json")).expect("JSON");
        told += u32::from(kept == altered);
        assert!(kept == altered || kept == whole, "{path}");
    }
    assert!(told > 15, "{told}");
    // Replaces the serial everywhere.
    workplace.write("run/record.json", &record.replace("\"A1\"", "\"B2\""));
    let faults = faults(&workplace);
    assert!(faults.is_empty(), "{faults:#?}");
}

/// Somebody who knows how a journal is made alters the steps and makes journal and record anew: both agree, but not with the plan of
/// the script.
#[rstest]
fn steps_that_are_not_those_of_the_script_are_told_though_the_journal_agrees(
    #[values("stop_on_failure", "predicted", "settle", "near")] key: &str,
) {
    let workplace = brisk();
    workplace.run(&format!("rehearse {SHEETS} --truth truth.toml --serial 1=A1 --out run"));
    forge(&workplace, |events| {
        let header = head(events);
        let mut steps = serde_json::to_value(&header.steps).expect("JSON");
        let step = steps.as_array_mut().expect("steps").iter_mut().find(|step| step.get(key).is_some());
        alter(&mut step.expect("a step that has it")[key]);
        header.steps = serde_json::from_value(steps).expect("still steps");
    });
    told(&workplace, "is not the one that its own sheets and script give");
}

/// Another computer may round the figures of a plan or of checks differently: that is the same plan and the same result. A difference
/// of a thousandth of a per cent is not.
#[rstest]
#[case::rounded(1e-15, false)]
#[case::rounded_often(1e-12, false)]
#[case::altered(1e-5, true)]
fn figures_may_differ_in_their_last_digits(
    #[case] by: f64,
    #[case] differs: bool,
    #[values(false, true)] of_checks: bool,
) {
    let workplace = brisk();
    let run = workplace.run(&format!("rehearse {SHEETS} --truth truth.toml --serial 1=A1 --out run"));
    let mut altered = 0;
    forge(&workplace, |events| {
        if !of_checks {
            let header = head(events);
            header.steps = scaled(&header.steps, by, &mut altered);
        }
        for event in events.iter_mut().filter(|_| of_checks) {
            if let EventKind::Check(check) = &mut event.kind {
                *check = scaled(check, by, &mut altered);
            }
        }
    });
    assert!(altered > 5, "{altered}");
    if !differs {
        assert_eq!(shown(&workplace).map(|said| said.code), [run.code, Some(0), run.code]);
    } else if of_checks {
        told(&workplace, "listed above. The stored record is unchanged.");
    } else {
        told(&workplace, "is not the one that its own sheets and script give");
    }
}

/// Scales all figures, but no whole numbers, by 1 + `by`; counts those that changed.
fn scaled<T: Serialize + DeserializeOwned>(value: &T, by: f64, changed: &mut u32) -> T {
    let mut value = serde_json::to_value(value).expect("JSON");
    let mut all = Vec::new();
    leaves(&value, "", &mut all);
    for path in all {
        let leaf = value.pointer_mut(&path).expect("a value");
        if let Some(figure) = leaf.as_f64().filter(|_| leaf.is_f64()) {
            *leaf = json!(figure * (1.0 + by));
            *changed += u32::from(*leaf != json!(figure));
        }
    }
    serde_json::from_value(value).expect("still one")
}

fn head(events: &mut [Event]) -> &mut RunHeader {
    let EventKind::Started(header) = &mut events[0].kind else { panic!("a run starts") };
    header
}

/// Alters the events of a run as somebody would who knows how a journal is made, and makes journal, record and trace anew.
fn forge(workplace: &Workplace, alter: impl FnOnce(&mut Vec<Event>)) {
    let run = workplace.folder.join("run");
    let opened = open(&std::fs::read(run.join("run.journal")).expect("a journal")).expect("a good one");
    let (mut events, mut view) = (opened.events, RunView::default());
    alter(&mut events);
    for event in &events {
        view.fold(event);
    }
    let (last, before) = events.split_last().expect("events");
    let mut text = String::from(MAGIC);
    for event in before {
        text.push_str(&line(event, None).expect("a line"));
    }
    let mut tally = Tally::default();
    tally.add(text.as_bytes());
    text.push_str(&closing_line(last, &tally).expect("a line"));
    std::fs::write(run.join("run.journal"), text).expect("a writable folder");
    let (record, trace) = folder::record(&view).expect("a record");
    std::fs::write(run.join("record.json"), canonical_json(&record).expect("JSON")).expect("written");
    std::fs::write(run.join("trace.csv"), trace.to_csv()).expect("written");
}

/// Checks that nothing of the record is shown, and that the reason is reported.
#[track_caller]
fn told(workplace: &Workplace, why: &str) {
    let faults = faults(workplace);
    assert!(faults.is_empty(), "{faults:#?}");
    let said = workplace.run("rejudge run").err;
    assert!(said.contains(why), "{said}");
}

/// Facts that sheets, module and time reveal about a run although its header and trace were made anew without them.
#[rstest]
#[case::trial("released", "draft", |events: &mut Vec<Event>| head(events).trial = false, "is not marked as a trial")]
#[case::simulated("", "", |events: &mut Vec<Event>| {
    let header = head(events);
    header.simulated = false;
    header.module = Some(Identification::of_simulator("9"));
}, "its module identified itself as simulated")]
fn what_a_record_hides_of_its_own_run_is_told(
    #[case] from: &str,
    #[case] to: &str,
    #[case] alter: fn(&mut Vec<Event>),
    #[case] why: &str,
) {
    let workplace = brisk();
    if !from.is_empty() {
        workplace.change("settings.toml", &format!("state = \"{from}\""), &format!("state = \"{to}\""));
    }
    let said = workplace.run(&format!("rehearse {SHEETS} --truth truth.toml --serial 1=A1 --out run"));
    let fits = workplace.run("rejudge run");
    assert_eq!(said.code, fits.code, "{}{}", said.err, fits.err);
    forge(&workplace, alter);
    told(&workplace, why);
}

/// Scans were removed from a ramp or between two ramps.
#[rstest]
fn scans_that_are_missing_are_told(#[values(0.1, 0.35, 0.65, 0.9)] share: f64) {
    let workplace = brisk();
    workplace.run(&format!("rehearse {SHEETS} --truth truth.toml --serial 1=A1 --out run"));
    forge(&workplace, |events| {
        let (first, last) = (events[0].at, events[events.len() - 1].at);
        let from = first + last.since(first).mul_f64(share);
        let to = from + Duration::from_millis(300);
        events.retain(|event| !(matches!(event.kind, EventKind::Scan(_)) && (from..to).contains(&event.at)));
    });
    told(&workplace, "no scan for more than 250 ms");
}

/// A line after the closing line of a journal was not written by the run, however valid it looks.
#[rstest]
#[case::verdict(EventKind::Verdict { position: 1, verdict: Verdict::Pass })]
#[case::safe(EventKind::Safe)]
fn a_good_line_behind_the_end_of_a_journal_is_told(
    #[case] kind: EventKind,
    #[values(false, true)] record: bool,
) {
    let workplace = brisk();
    workplace.run(&format!("rehearse {SHEETS} --truth truth.toml --serial 1=A1 --out run"));
    let journal = workplace.read("run/run.journal");
    let opened = open(journal.as_bytes()).expect("a journal");
    let last = opened.events.last().expect("events");
    let more = line(&Event { seq: Seq(last.seq.0 + 1), at: last.at, kind }, None).expect("a line");
    workplace.write("run/run.journal", &format!("{journal}{more}"));
    if record {
        told(&workplace, "follows the closing line");
        return;
    }
    std::fs::remove_file(workplace.folder.join("run/record.json")).expect("removed");
    let said = workplace.run("report run");
    assert!(said.code != Some(0) && !said.out.contains("PASS"), "{}{}", said.out, said.err);
    assert!(!workplace.folder.join("run/record.json").exists());
}

/// Without a record the journal is judged again like any record: a verdict that its trace does not give is never shown.
#[test]
fn a_verdict_that_only_the_journal_has_is_not_shown() {
    let workplace = brisk();
    let truth = workplace.read("truth.toml");
    let (_, level) = truth.split_once("switch_point = ").expect("a device");
    let level = level.lines().next().expect("a level");
    workplace.write("truth.toml", &truth.replacen(level, "\"63 kPa\"", 1));
    let said = workplace.run(&format!("rehearse {SHEETS} --truth truth.toml --serial 1=A1 --out run"));
    assert!(said.out.contains("FAIL"), "{}", said.out);
    forge(&workplace, |events| {
        for event in events.iter_mut() {
            if let EventKind::Verdict { verdict, .. } = &mut event.kind {
                *verdict = Verdict::Pass;
            }
        }
    });
    std::fs::remove_file(workplace.folder.join("run/record.json")).expect("removed");
    let said = workplace.run("report run");
    assert_eq!(said.code, DIFFERS, "{}{}", said.out, said.err);
    assert!(!said.out.contains("PASS"), "{}", said.out);
    assert!(!workplace.folder.join("run/record.json").exists());
    let report = workplace.read("run/report.html");
    assert!(report.contains("NOT TO BE BELIEVED") && !report.contains(">PASS"), "{report}");
}

/// The program was killed after any kind of line: the journal gives a record like any other, aborted.
#[rstest]
fn a_journal_that_was_cut_behind_any_line_makes_a_record(
    #[values(" mark {", " check {", " step-done ", " step-began ", " verdict {")] kind: &str,
    #[values(0.0, 0.5)] share: f64,
) {
    let workplace = brisk();
    workplace.run(&format!("rehearse {SHEETS} --truth truth.toml --serial 1=A1 --out run"));
    let journal = workplace.read("run/run.journal");
    let ends: Vec<usize> = journal.match_indices('\n').map(|(at, _)| at + 1).collect();
    let of_kind = |end: &&usize| journal[..**end].lines().next_back().is_some_and(|line| line.contains(kind));
    let found: Vec<&usize> = ends.iter().filter(of_kind).collect();
    #[expect(
        clippy::cast_possible_truncation,
        clippy::cast_sign_loss,
        clippy::cast_precision_loss,
        reason = "a share of a count"
    )]
    let cut = *found[(found.len() as f64 * share) as usize];
    workplace.write("run/run.journal", &journal[..cut]);
    for file in ["run/record.json", "run/trace.csv"] {
        std::fs::remove_file(workplace.folder.join(file)).expect("removed");
    }
    let said = workplace.run("report run");
    assert!(said.code != DIFFERS && said.out.contains("ABORTED"), "{}{}", said.out, said.err);
    let again = workplace.run("rejudge run");
    assert_eq!(again.code, said.code, "{}{}", again.out, again.err);
}

/// A record of another version is left for the program that wrote it, and is not made anew from the journal.
#[rstest]
fn a_record_of_another_version_is_kept(#[values(false, true)] renamed: bool) {
    let workplace = brisk();
    workplace.run(&format!("rehearse {SHEETS} --truth truth.toml --serial 1=A1 --out run"));
    let other = workplace.read("run/record.json").replacen("\"version\":0", "\"version\":1", 1);
    let other = if renamed { other.replace("\"marks\"", "\"stretches\"") } else { other };
    workplace.write("run/record.json", &other);
    for command in ["report run", "explain run", "rejudge run"] {
        let said = workplace.run(command);
        assert!(said.code != Some(0) && said.err.contains("version 1"), "{command}: {}", said.err);
    }
    assert_eq!(workplace.read("run/record.json"), other);
}

/// Files with the same content in other bytes: a less strict reader might read something else.
#[rstest]
#[case::lines("trace.csv", |text: &str| text.replace('\n', "\r\n"))]
#[case::no_end("trace.csv", |text: &str| text.trim_end().to_owned())]
#[case::one_more_key("record.json", |text: &str| text.replacen('{', "{\"approved\":\"pass\",", 1))]
#[case::spaced("record.json", |text: &str| text.replacen(':', ": ", 1))]
fn files_that_are_not_as_they_were_written_are_told(#[case] file: &str, #[case] change: fn(&str) -> String) {
    let workplace = brisk();
    workplace.run(&format!("rehearse {SHEETS} --truth truth.toml --serial 1=A1 --out run"));
    let path = format!("run/{file}");
    workplace.write(&path, &change(&workplace.read(&path)));
    told(&workplace, "is not as this program writes it");
}

/// A journal without its last line, with half of it, or with something after it.
#[rstest]
#[case::no_end(|text: &str| text.trim_end().rsplit_once('\n').expect("lines").0.to_owned() + "\n", "the journal has no closing line")]
#[case::half_an_end(|text: &str| text[..text.len() - 20].to_owned(), "the journal has no closing line")]
#[case::more(|text: &str| format!("{text}more\n"), "follows the closing line")]
fn a_journal_that_does_not_end_as_it_was_closed_is_told(
    #[case] change: fn(&str) -> String,
    #[case] why: &str,
) {
    let workplace = brisk();
    workplace.run(&format!("rehearse {SHEETS} --truth truth.toml --serial 1=A1 --out run"));
    workplace.write("run/run.journal", &change(&workplace.read("run/run.journal")));
    told(&workplace, why);
}
