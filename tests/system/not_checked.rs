//! Every pass states what the run did not check: in the same line and tile, no smaller than the word.

use rstest::rstest;
use serde_json::Value;
use tripbench_engine::predicted_open;
use tripbench_judge::OfDevices;
use tripbench_record::{CheckVerdict, QuantityName};
use tripbench_tests::Bench;
use tripbench_tests::browser::{Browser, is_there};
use tripbench_tests::command::{Said, Workplace};

const SHEETS: &str = "--rig rig.toml --type type.toml --settings settings.toml --script script.toml";

/// Four good devices, in virtual time, on a bench without edge counters.
fn rehearsed(workplace: &Workplace) -> Said {
    workplace.change("truth.toml", "switch_point = \"62.9 kPa\"", "switch_point = \"60.0 kPa\"");
    workplace.run(&format!("rehearse {SHEETS} --truth truth.toml --out run"))
}

#[test]
fn every_place_that_says_pass_says_what_was_not_checked() {
    let workplace = Workplace::new();
    let said = rehearsed(&workplace);
    assert_eq!(said.code, Some(0), "{}\n{}", said.out, said.err);
    assert!(
        said.err.contains("predicted  not checked: bounce, on this rig with this script"),
        "{}",
        said.err
    );
    assert!(!said.err.contains("no device can pass"), "{}", said.err);
    let passed: Vec<&str> = said.out.lines().filter(|line| line.contains("PASS")).collect();
    // Four rows and the summary.
    assert_eq!(passed.len(), 5, "{}", said.out);
    assert!(passed.iter().all(|line| line.contains("not checked: bounce")), "{}", said.out);
    assert!(said.out.contains("4 PASS (not checked: bounce)."), "{}", said.out);
    let report = workplace.read("run/report.html");
    let tiles = report.matches("PASS, not checked: bounce</b>").count();
    assert_eq!(tiles, 4, "in the word of the tile itself");
    assert!(report.contains("4 PASS (not checked: bounce)</p>"));
    let record: Value = serde_json::from_str(&workplace.read("run/record.json")).expect("JSON");
    for position in record["positions"].as_array().expect("positions") {
        let found = (&position["verdict"], &position["not_checked"]);
        assert_eq!(found, (&Value::from("pass"), &serde_json::json!(["bounce"])));
    }
    let again = workplace.run("report run");
    assert!(again.out.contains("4 PASS (not checked: bounce)."), "{}", again.out);
    let explained = workplace.run("explain run 1/bounce").out;
    assert!(explained.contains("not checked. no edge counter"), "{explained}");
}

/// What the run left unchecked was predicted: with slow scans or slow ramps no delay is known well enough to show a pinched hose.
#[rstest]
#[case::as_it_is(&[])]
#[case::slow_scans(&[("scan_interval = \"5 ms\"", "scan_interval = \"20 ms\"")])]
#[case::slower_scans(&[("scan_interval = \"5 ms\"", "scan_interval = \"30 ms\"")])]
#[case::slow_air(&[("evacuate = \"3 s\"", "evacuate = \"8 s\""), ("evacuate_fine = \"40 s\"", "evacuate_fine = \"20 s\""), ("vent = \"0.5 s\"", "vent = \"3 s\"")])]
fn what_is_not_checked_was_predicted(#[case] changes: &[(&str, &str)], #[values(1, 2, 3)] seed: u64) {
    let mut bench = Bench::demo();
    for (from, to) in changes {
        assert!(bench.rig.contains(from), "{from}");
        bench.rig = bench.rig.replace(from, to);
    }
    bench.truth.seed = seed;
    let outcome = bench.run();
    let predicted = predicted_open(&outcome.task, OfDevices::Any);
    let open = outcome.record.checks().filter(|check| {
        [QuantityName::Hose, QuantityName::SelectedDelay].contains(&check.quantity)
            && check.verdict == CheckVerdict::Undecided
    });
    for check in open {
        assert!(predicted.contains(&check.quantity), "{predicted:?}: {check:?}");
    }
    assert_eq!(predicted.contains(&QuantityName::Hose), !changes.is_empty(), "{predicted:?}");
}

#[test]
fn where_the_site_wants_all_checked_nothing_passes_and_it_is_said_why() {
    let workplace = Workplace::new();
    workplace.write("site.toml", "not_checked = \"undecided\"\n");
    let said = rehearsed(&workplace);
    assert_eq!(said.code, Some(3), "{}\n{}", said.out, said.err);
    // Reported before any air flows.
    assert!(
        said.err.contains("no device can pass") && said.err.contains("unchecked: bounce"),
        "{}",
        said.err
    );
    assert!(!said.out.contains("PASS") && said.out.contains("4 UNDECIDED"), "{}", said.out);
    assert!(said.out.contains("keep apart: this rig cannot decide it"), "{}", said.out);
}

/// Checks that decide nothing are folded away, but still there.
#[test]
fn the_report_folds_what_speaks_for_no_level_and_keeps_levels_in_sight() {
    let workplace = Workplace::new();
    rehearsed(&workplace);
    let report = workplace.read("run/report.html");
    let chart = report.split("<svg class=\"chart\"").nth(1).and_then(|rest| rest.split("</svg>").next());
    let chart = chart.expect("a chart");
    assert!(
        chart.contains(">switch point<") && !chart.contains("first operation"),
        "a band for each level, once"
    );
    let folded = report.split("<details class=\"more\">").skip(1).collect::<Vec<_>>();
    assert_eq!(folded.len(), 4, "one for each position");
    let (in_sight, rest) = report.split_once("<details class=\"more\">").expect("folded checks");
    let more = rest.split("</section>").next().expect("an end");
    let row = |name: &str| format!("<td>{name}</td>");
    for name in ["switch point", "reset point", "hysteresis", "cut-off", "bounce"] {
        assert!(in_sight.contains(&row(name)) && !more.contains(&row(name)), "{name}");
    }
    for name in [
        "repeatability",
        "repeatability of the reset point",
        "delay of the output, on",
        "delay of the valve output, resume",
        "states of the outputs",
        "edges of its own",
    ] {
        assert!(more.contains(&row(name)) && !in_sight.contains(&row(name)), "{name}");
    }
}

/// The page gets quantities as data: it needs a word for each that a position can have, and for each advice that the daemon does not
/// put into words itself.
#[rstest]
#[case::english("const ENGLISH", &[])]
#[case::german("const GERMAN", &["two-rates", "let-rest", "look-at-output", "look-at-bench", "look-at-inputs", "select-delay", "look-at-delay"])]
fn the_page_has_words_for_what_it_gets_as_data(#[case] language: &str, #[case] advices: &[&str]) {
    let page = tripbench_tests::bench_scripts().join("../crates/daemon/page/words.js");
    let all = std::fs::read_to_string(page).expect("the page's words");
    let words = all.split(language).nth(1).and_then(|rest| rest.split("\n};").next()).expect("a language");
    let has = |key: &str| words.contains(&format!("{key}: \"")) || words.contains(&format!("\"{key}\": \""));
    let workplace = Workplace::new();
    rehearsed(&workplace);
    let record: Value = serde_json::from_str(&workplace.read("run/record.json")).expect("JSON");
    let checks = record["positions"][0]["checks"].as_array().expect("checks");
    assert!(checks.len() > 15, "{}", checks.len());
    for quantity in checks.iter().filter_map(|check| check["quantity"].as_str()) {
        assert!(has(quantity), "{quantity}");
    }
    assert!(advices.iter().all(|advice| has(advice)));
}

/// A font size found by a script, pixels.
async fn pixels(browser: &Browser, script: &str) -> f64 {
    let size = browser.run(&format!("return getComputedStyle({script}).fontSize")).await;
    let size = size.as_str().and_then(|size| size.strip_suffix("px")).and_then(|size| size.parse().ok());
    size.expect("a size")
}

#[tokio::test]
async fn the_report_writes_what_was_not_checked_no_smaller_than_pass() {
    if !is_there() {
        return;
    }
    let workplace = Workplace::new();
    rehearsed(&workplace);
    let browser = Browser::start(&workplace.folder, (1024, 768)).await;
    browser.open(&format!("file://{}", workplace.folder.join("run/report.html").display())).await;
    let of_text = |words: &str| {
        format!(
            "(() => {{ const all = document.createTreeWalker(document.querySelector('.tile'), NodeFilter.SHOW_TEXT); while (all.nextNode()) if (all.currentNode.textContent.includes('{words}')) return all.currentNode.parentElement; }})()"
        )
    };
    let (pass, open) =
        (pixels(&browser, &of_text("PASS")).await, pixels(&browser, &of_text("not checked")).await);
    assert!(open >= pass && pass > 15.0, "PASS {pass} px, what was not checked {open} px");
    // On paper the folded checks are shown too.
    let shown = "document.querySelector('details.more table').checkVisibility()";
    assert_eq!(browser.run(&format!("return {shown}")).await, false);
    browser.as_printed();
    browser.until(shown).await;
}

#[rstest]
#[case::counted(true)]
#[case::not_counted(false)]
fn a_counter_of_edges_takes_the_words_away(#[case] counted: bool) {
    let workplace = Workplace::new();
    if counted {
        let mut rig = workplace.read("rig.toml");
        for input in 0..8 {
            let plain = format!("at = \"discrete-input {input}\" }}");
            assert!(rig.contains(&plain), "{plain}");
            let counter = format!(
                "at = \"discrete-input {input}\", counter = {{ at = \"input-register {}\" }} }}",
                10 + input
            );
            rig = rig.replace(&plain, &counter);
        }
        workplace.write("rig.toml", &rig);
    }
    let said = rehearsed(&workplace);
    assert_eq!(said.code, Some(0), "{}\n{}", said.out, said.err);
    assert_eq!(said.out.contains("not checked"), !counted, "{}", said.out);
    assert!(said.out.contains("4 PASS"), "{}", said.out);
}
