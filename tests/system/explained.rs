//! The commands that explain and decide more: `explain`, `analyse`, a repeat with `--again`, and predictions.

use rstest::rstest;
use serde_json::Value;
use tripbench_tests::command::{Workplace, undecided};

const SHEETS: &str = "--rig rig.toml --type type.toml --settings settings.toml --script script.toml";

fn rehearsed(workplace: &Workplace, more: &str) -> tripbench_tests::command::Said {
    workplace.run(&format!("rehearse {SHEETS} --truth truth.toml --serial 1=A1 {more}"))
}

#[test]
fn explain_shows_crossings_budget_and_decision() {
    let workplace = Workplace::new();
    assert_eq!(rehearsed(&workplace, "--out run").code, Some(0));
    let said = workplace.run("explain run 1/switch-point");
    assert_eq!(said.code, Some(0), "{}", said.err);
    for words in [
        "limits 58.90 … 61.10 kPa: pass",
        "Probability that it lies within its limits: 1.0000",
        "calibration of the reference",
        "certificate JF-8812",
        "this run                 A    from intervals",
        "Pa/s",
        "by Welch–Satterthwaite",
    ] {
        assert!(said.out.contains(words), "{words}: {}", said.out);
    }
    let ramps = said.out.lines().filter(|line| line.contains("ms later")).count();
    // Five ramps, and the pull of the fast pair.
    assert_eq!(ramps, 6, "{}", said.out);
    let wrong = workplace.run("explain run 1/weight");
    assert_eq!(wrong.code, Some(2));
    assert!(wrong.err.contains("has no check `1/weight`; it has zero, leak-rate"), "{}", wrong.err);
}

#[test]
fn an_undecided_device_is_tested_again_with_as_many_ramps_as_decide_it() {
    let workplace = undecided();
    let first = rehearsed(&workplace, "--out first");
    assert_eq!(first.code, Some(3), "{}\n{}", first.out, first.err);
    assert!(first.out.contains("run --again 1"), "{}", first.out);
    let explained = workplace.run("explain first 1/switch-point").out;
    assert!(explained.contains("would have to shrink from"), "{explained}");
    // The number of ramps that the table advises for the position.
    let table = first
        .out
        .split("keep apart; ")
        .nth(1)
        .and_then(|rest| rest.split(" ramps").next())
        .expect("a number of ramps");
    assert!(
        explained.contains(&format!("Do next with position 1: keep apart; {table} ramps")),
        "{table}: {explained}"
    );
    let again = workplace.run("rehearse --again 1 --of first --truth truth.toml --out second");
    assert!(again.err.contains("Again: position 1, serial A1,"), "{}", again.err);
    let record: Value = serde_json::from_str(&workplace.read("second/record.json")).expect("JSON");
    let earlier: Value = serde_json::from_str(&workplace.read("first/record.json")).expect("JSON");
    assert_eq!(record["header"]["again"]["run"], earlier["header"]["run"]);
    assert_eq!(record["header"]["again"]["attempt"], 2);
    assert_eq!(record["positions"][0]["serial"], "A1");
    let ramps = record["header"]["steps"][2]["cycles"].as_u64().expect("a number");
    assert!(ramps > 5, "{ramps}");
    let u = |record: &Value| record["positions"][0]["checks"][0]["expanded_uncertainty"].as_f64().expect("U");
    assert!(u(&record) < u(&earlier), "{} then {}", u(&earlier), u(&record));
    assert!(workplace.read("second/report.html").contains("Test 2 of this device."));
    assert!(again.out.contains("Test 2 of this device."), "{}", again.out);
}

/// Every repeat is counted: repeats form a chain, and none starts from an altered record.
#[test]
fn a_repeat_follows_the_last_one_and_no_changed_record() {
    let workplace = undecided();
    assert_eq!(rehearsed(&workplace, "--out runs/first").code, Some(3));
    let again = |of: &str, out: &str| {
        workplace.run(&format!("rehearse --again 1 --of runs/{of} --truth truth.toml --out runs/{out}"))
    };
    assert!(again("first", "second").code.is_some_and(|code| code != 2));
    let twice = again("first", "third");
    assert_eq!(twice.code, Some(2));
    assert!(twice.err.contains("was tested again already, in `runs/second`"), "{}", twice.err);
    let record = workplace.read("runs/first/record.json");
    std::fs::remove_dir_all(workplace.folder.join("runs/second")).expect("a folder");
    workplace.write("runs/first/record.json", &record.replace("1 %FS + 1 digit", "3 %FS + 1 digit"));
    let forged = again("first", "fourth");
    assert_eq!(forged.code, Some(2));
    assert!(forged.err.contains("cannot be repeated"), "{}", forged.err);
}

/// Newer folders of `out` that have no devices, or no run, are passed over. The names as `run` and `rig check` give them.
#[rstest]
#[case(&[])]
#[case(&["rig-2999-01-01-000000"])]
#[case(&["rig-2020-01-01-000000", "rig-2999-01-01-000000", "2999-01-01-000001"])]
fn the_newest_run_of_devices_is_tested_again(#[case] rig_checks: &[&str]) {
    let workplace = undecided();
    for name in ["2020-01-01-000000", "2998-01-01-000000"] {
        assert_eq!(rehearsed(&workplace, &format!("--out out/{name}")).code, Some(3));
    }
    let folder = |name: &str| workplace.folder.join("out").join(name);
    for name in rig_checks {
        std::fs::create_dir_all(folder(name)).expect("a folder");
        for file in ["record.json", "trace.csv"] {
            std::fs::copy(folder("2998-01-01-000000").join(file), folder(name).join(file)).expect("a file");
        }
        let record = format!("out/{name}/record.json");
        let mut without: Value = serde_json::from_str(&workplace.read(&record)).expect("JSON");
        without["positions"] = Value::Array(Vec::new());
        workplace.write(&record, &without.to_string());
    }
    std::fs::create_dir_all(folder("2999-02-02-000000")).expect("a folder");
    let again = workplace.run("rehearse --again 1 --truth truth.toml --out again");
    assert!(again.err.contains("Again: position 1, serial A1,"), "{}", again.err);
    let record: Value = serde_json::from_str(&workplace.read("again/record.json")).expect("JSON");
    let first: Value =
        serde_json::from_str(&workplace.read("out/2998-01-01-000000/record.json")).expect("JSON");
    assert_eq!(record["header"]["again"]["run"], first["header"]["run"]);
    if let Some(name) = rig_checks.first() {
        let said = workplace.run(&format!("rehearse --again 1 --of out/{name}"));
        assert_eq!(said.code, Some(2));
        assert!(!said.err.contains("it has \n") && !said.err.contains("; it has"), "{}", said.err);
    }
}

/// An input filter that the rig sheet does not declare makes every device late by as much. A repeat of one alone would fail it.
#[rstest]
fn a_device_that_is_late_like_the_others_is_not_tested_again_alone(
    #[values("18 ms", "20 ms", "24 ms")] filter: &str,
) {
    let workplace = Workplace::new();
    let devices = [(1, 0.0), (2, 0.2), (3, -0.1)].map(|(position, away)| {
        let [on, off, cut, resume] = [60.0, 55.0, 70.0, 64.0].map(|kpa| format!("{:.1} kPa", kpa + away));
        format!(
            "[[device]]\nposition = {position}\nswitch_point = \"{on}\"\nreset_point = \"{off}\"\n\
             air_saving = {{ cut_off = \"{cut}\", resume = \"{resume}\" }}\n"
        )
    });
    let truth = format!("seed = 3\n[module]\ninput_filter = \"{filter}\"\n{}", devices.concat());
    workplace.write("truth.toml", &truth);
    let first = rehearsed(&workplace, "--serial 2=A2 --serial 3=A3 --out first");
    assert_eq!(first.code, Some(3), "{}\n{}", first.out, first.err);
    for position in 1..=3 {
        let again =
            workplace.run(&format!("rehearse --again {position} --of first --truth truth.toml --out second"));
        assert_eq!(again.code, Some(2), "{}", again.out);
        assert!(again.err.contains("may be as late as those at other positions"), "{}", again.err);
    }
}

#[rstest]
#[case("--again 1 --of run", "was not left undecided")]
#[case("--again 4 --of run", "has no position 4; it has 1")]
#[case("--again 1", "there is no folder `out` here")]
#[case("--again 1 --serial 1=X", "cannot be used with")]
fn what_was_decided_or_is_not_there_is_not_tested_again(#[case] words: &str, #[case] expected: &str) {
    let workplace = Workplace::new();
    assert_eq!(rehearsed(&workplace, "--out run").code, Some(0));
    let said = workplace.run(&format!("rehearse {words}"));
    assert_eq!(said.code, Some(2), "{}", said.err);
    assert!(said.err.contains(expected), "{}", said.err);
}

#[test]
fn what_a_slow_line_can_not_decide_is_said_before_any_air_flows() {
    let workplace = Workplace::new();
    workplace.change("rig.toml", "tcp = \"127.0.0.1:1502\"", "serial = \"/dev/ttyUSB0\"\nbaud = 19200");
    workplace.write(
        "script.toml",
        "name = \"response\"\nrevision = \"1\"\nstate = \"released\"\n[[step]]\ndo = \"zero\"\n[[step]]\ndo = \"leak\"\n\
         [[step]]\ndo = \"switch-points\"\ncycles = 3\n[[step]]\ndo = \"response\"\noperations = 3\nlimit = \"5 ms\"\n[[step]]\ndo = \"zero\"\n",
    );
    let said = rehearsed(&workplace, "--out run");
    let foreseen = |name: &str| {
        said.err.lines().find(|line| line.contains("predicted") && line.contains(name)).unwrap_or_default()
    };
    assert!(
        foreseen("response, on").contains("not even a device at nominal can be decided on this rig"),
        "{}",
        said.err
    );
    assert!(foreseen("switch point").contains("undecided: 0 % of devices at nominal"), "{}", said.err);
    let record: Value = serde_json::from_str(&workplace.read("run/record.json")).expect("JSON");
    assert_eq!(record["header"]["predictions"][0]["quantity"], "switch-point");
}

/// A run that ends at a failed step had limits, but tested nothing against them.
#[rstest]
fn a_run_that_ends_at_a_step_that_failed_says_so(#[values("0.3", "0.5", "0.9")] leak: &str) {
    let workplace = Workplace::new();
    workplace.change("truth.toml", "leak = \"0.02 kPa/s\"", &format!("leak = \"{leak} kPa/s\""));
    assert!(workplace.read("script.toml").contains("do = \"leak\"\non_failure = \"stop\""));
    let said = rehearsed(&workplace, "--out run");
    assert_eq!(said.code, Some(3), "{}\n{}", said.out, said.err);
    let html = workplace.read("run/report.html");
    assert!(!html.contains("no limits were given"), "{html}");
    assert!(html.contains("ended at the step `leak`, which failed. Levels were not tested."), "{html}");
}

#[test]
fn analyse_reads_a_loggers_file_with_a_gap() {
    let workplace = Workplace::new();
    workplace.write(
        "map.toml",
        "separator = \";\"\ndecimal = \",\"\n[time]\ncolumn = \"t\"\nform = \"seconds\"\n[level]\ncolumn = \"p\"\nunit = \"mbar\"\n\
         [[signal]]\nname = \"part\"\ncolumn = \"DI\"\n",
    );
    let row = |second: i32| {
        // Up and down between 500 and 700 mbar every 20 s; the output turns on at 600 rising, off at 560 falling.
        let phase = second % 20;
        let level = if phase < 10 { 500 + 20 * phase } else { 700 - 20 * (phase - 10) };
        let on = if phase < 10 { level >= 600 } else { level > 560 };
        let time = if second < 90 { second } else { second + 50 };
        format!("{time};{level},0;{}", u8::from(on))
    };
    let rows: Vec<String> = std::iter::once(String::from("t;p;DI")).chain((0..100).map(row)).collect();
    workplace.write("log.csv", &(rows.join("\n") + "\n"));
    let said = workplace.run("analyse log.csv --columns map.toml --json");
    assert_eq!(said.code, Some(5), "{}", said.err);
    let found: Value = serde_json::from_str(&said.out).expect("JSON");
    let signal = &found["signals"][0];
    let within = |edge: &str, low: f64, high: f64| {
        let value = signal[edge]["level_pa"]["value"].as_f64().expect("a level");
        assert!(low <= value && value <= high, "{edge}: {value}");
    };
    within("on", 58_000.0, 60_000.0);
    within("off", 56_000.0, 58_000.0);
    assert_eq!(found["gaps_s"].as_array().map(Vec::len), Some(1));
    assert_eq!(signal["cycles"], 4);
    workplace.write("log.csv", "t;p;DI\n0;1,0;0\n1;low;1\n");
    let said = workplace.run("analyse log.csv --columns map.toml");
    assert_eq!(said.code, Some(2));
    assert!(said.err.contains("line 3, column `p`: `low` is not a number"), "{}", said.err);
}
