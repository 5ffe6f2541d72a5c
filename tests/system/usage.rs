//! What a new user gets wrong at the command line and in sheets, and what the command says to it.

use rstest::rstest;
use std::process::Stdio;
use tripbench_tests::command::{Said, Workplace, undecided, with_site};

const SHEETS: &str = "--rig rig.toml --type type.toml --settings settings.toml";

/// A calibration for which every run would be refused is an error of the sheets, unless the site only warns.
#[rstest]
fn check_sheets_reports_a_calibration_for_which_runs_are_refused(
    #[values(("due = 2999-03-12", "due = 2026-04-01"), ("date = 2026-03-12", "date = 2998-01-01"))] (was, is): (
        &str,
        &str,
    ),
    #[values(None, Some("refuse"), Some("warn"))] site: Option<&str>,
) {
    let workplace = Workplace::new();
    workplace.change("rig.toml", was, is);
    if let Some(word) = site {
        workplace.write("site.toml", &format!("expired_calibration = \"{word}\"\n"));
    }
    let Said { code, out, err } = workplace.run(&format!("check-sheets {SHEETS} --script script.toml"));
    let all = out + &err;
    let refused = site != Some("warn");
    assert_eq!(code, Some(if refused { 2 } else { 0 }), "{all}");
    assert!(all.contains("The calibration of the reference"), "{all}");
    assert_eq!(all.contains("Every run on this rig is refused"), refused, "{all}");
    // Either may be wrong: the sheet or the clock.
    assert_eq!(all.contains("set the clock of this computer"), refused, "{all}");
    assert_eq!(all.contains("No errors in"), !refused, "{all}");
    let run = workplace.run(&format!("rehearse {SHEETS} --script script.toml"));
    assert_eq!(run.code == Some(2), refused, "as check-sheets says: {}", run.err);
}

/// A sheet given for another kind: what it looks like is the only thing said.
#[rstest]
fn a_sheet_of_another_kind_is_reported_first(
    #[values("rig", "type", "settings", "script", "site")] option: &str,
    #[values("rig", "type", "settings", "script", "site", "truth")] file: &str,
) {
    let workplace = with_site();
    let said = workplace.run(&format!("check-sheets --{option} {file}.toml"));
    let first = said.err.lines().find(|line| line.contains('×')).unwrap_or_default();
    let tells = first.contains(&format!("`{file}.toml` looks like a"));
    assert_eq!(tells, option != file, "{}", said.err);
    if option != file {
        assert_eq!(said.code, Some(2), "{}", said.err);
        let kind = match file {
            "script" => "a script",
            "truth" => "a truth sheet",
            "rig" => "a rig sheet",
            "type" => "a type sheet",
            "settings" => "a settings sheet",
            _ => "a site sheet",
        };
        assert!(first.contains(&format!("looks like {kind}")), "{first}");
        assert!(said.err.contains("1 error in these sheets"), "{}", said.err);
    }
}

/// A site sheet that names another kind of sheet: its line is shown, and no option that nobody gave.
#[rstest]
#[case("rig = \"settings.toml\"", "a settings sheet", "a rig sheet", "site.toml:2:7")]
#[case("type = \"rig.toml\"", "a rig sheet", "a type sheet", "site.toml:2:8")]
#[case("settings = \"truth.toml\"", "a truth sheet", "a settings sheet", "site.toml:2:12")]
fn a_site_sheet_that_names_another_kind_is_shown(
    #[case] line: &str,
    #[case] looks: &str,
    #[case] wanted: &str,
    #[case] place: &str,
    #[values("check-sheets", "rehearse --script script.toml --type type.toml A", "rig check")] command: &str,
) {
    let workplace = Workplace::new();
    let rig = if line.starts_with("rig") { "" } else { "rig = \"rig.toml\"\n" };
    let settings = if line.starts_with("settings") { "" } else { "settings = \"settings.toml\"\n" };
    workplace.write("site.toml", &format!("[defaults]\n{line}\n{rig}{settings}"));
    let command =
        if line.starts_with("type") { command.replace("--type type.toml ", "") } else { command.to_owned() };
    let said = workplace.run(&command);
    assert_eq!(said.code, Some(2), "{}", said.err);
    for words in [&format!("looks like {looks}"), wanted, place] {
        assert!(said.err.contains(words), "{words}: {}", said.err);
    }
    assert!(!said.err.contains("--rig") && !said.err.contains("--settings"), "{}", said.err);
}

/// The label stands at a key of the kind that the sheet looks like.
#[rstest]
fn the_key_of_the_other_kind_is_underlined(
    #[values("linc", "name", "jam", "x")] first: &str,
    #[values("settings", "type", "script")] option: &str,
) {
    let workplace = Workplace::new();
    let rest = workplace.read("rig.toml");
    workplace.write("rig.toml", &format!("{first} = \"x\"\n{}", rest.replacen("name = ", "# ", 1)));
    let said = workplace.run(&format!("check-sheets --{option} rig.toml"));
    let at = said.err.lines().position(|line| line.contains("a key of a rig sheet")).expect("a label");
    let lines: Vec<&str> = said.err.lines().take(at).collect();
    let above = lines.iter().rev().find(|line| line.contains(" │ ")).expect("the line of the sheet");
    assert!(above.contains("revision") || above.contains("[link]"), "{above}\n{}", said.err);
}

/// One key that sheets of several kinds have decides nothing between them.
#[rstest]
#[case("unit = \"kPa\"", "a site sheet or a settings sheet")]
#[case("[[device]]\nposition = 1", "a truth sheet")]
#[case("[[step]]\ndo = \"zero\"", "a script")]
fn kinds_that_share_the_keys_are_all_named(#[case] text: &str, #[case] looks: &str) {
    let workplace = Workplace::new();
    workplace.write("few.toml", &format!("{text}\n"));
    let said = workplace.run("check-sheets --rig few.toml");
    assert_eq!(said.code, Some(2), "{}", said.err);
    assert!(
        said.err.contains(&format!("`few.toml` looks like {looks}, expected a rig sheet")),
        "{}",
        said.err
    );
}

/// Every command that takes a sheet.
#[rstest]
#[case("simulate --rig FILE", "rig")]
#[case("simulate --rig rig.toml --truth FILE", "truth")]
#[case(
    "rehearse --site none.toml --rig rig.toml --type type.toml --settings settings.toml --script script.toml --truth FILE A",
    "truth"
)]
#[case("serve --bench FILE", "bench")]
#[case("analyse logger.csv --columns FILE", "columns")]
#[case("rig check --rig FILE", "rig")]
fn every_command_reports_a_sheet_of_another_kind(
    #[case] command: &str,
    #[case] wanted: &str,
    #[values("rig", "type", "settings", "script", "truth")] file: &str,
) {
    if file == wanted {
        return;
    }
    let workplace = Workplace::new();
    workplace.write("none.toml", "");
    workplace.write("logger.csv", "t\n");
    let said = workplace.run(&command.replace("FILE", &format!("{file}.toml")));
    assert_eq!(said.code, Some(2), "{}\n{}", said.out, said.err);
    assert!(said.err.contains(&format!("`{file}.toml` looks like a")), "{}", said.err);
    assert!(
        said.err.contains("1 error in these sheets") && !said.err.contains("unknown-key"),
        "{}",
        said.err
    );
}

/// A pipe can be read once. Whichever sheet comes from one, it counts as it would from a file.
#[rstest]
fn a_sheet_from_a_pipe_counts_as_one_from_a_file(
    #[values("site", "rig", "type", "settings", "script")] piped: &str,
    #[values(
        ("not_checked = \"undecided\"", "rehearse A B C D", 3),
        ("not_checked = \"say\"", "rehearse A B C D", 0),
        ("expired_calibration = \"refuse\"", "check-sheets", 2),
        ("expired_calibration = \"warn\"", "check-sheets", 0),
        ("language = \"xx\"", "check-sheets", 2)
    )]
    (site, command, code): (&str, &str, i32),
) {
    use std::io::Write;
    let workplace = Workplace::new();
    workplace.write("site.toml", &format!("{site}\n"));
    if command == "check-sheets" {
        workplace.change("rig.toml", "due = 2999-03-12", "due = 2026-04-01");
    }
    let sheets = ["site", "rig", "type", "settings", "script"];
    let options = sheets.map(|sheet| {
        if sheet == piped { format!("--{sheet} /dev/stdin") } else { format!("--{sheet} {sheet}.toml") }
    });
    let mut run = workplace.command(&format!("{command} {}", options.join(" ")));
    let mut child =
        run.stdin(Stdio::piped()).stdout(Stdio::piped()).stderr(Stdio::piped()).spawn().expect("it starts");
    let mut pipe = child.stdin.take().expect("a pipe");
    pipe.write_all(workplace.read(&format!("{piped}.toml")).as_bytes()).expect("it fits");
    drop(pipe);
    let said = Said::from(child.wait_with_output().expect("it ends"));
    assert_eq!(said.code, Some(code), "{}\n{}", said.out, said.err);
}

/// A misspelt key does not make another kind of a sheet.
#[rstest]
#[case("rig.toml", "[reference]", "[referense]")]
#[case("settings.toml", "switch_point = ", "switchpoint = ")]
#[case("type.toml", "full_scale", "fullscale")]
fn a_misspelt_key_is_reported_as_such(#[case] file: &str, #[case] was: &str, #[case] is: &str) {
    let workplace = Workplace::new();
    workplace.change(file, was, is);
    let said = workplace.run(&format!("check-sheets {SHEETS}"));
    assert_eq!(said.code, Some(2));
    assert!(!said.err.contains("looks like") && said.err.contains("unknown-key"), "{}", said.err);
}

/// One byte of the trace: its file is named, and nothing is said of the form of the record.
#[rstest]
fn one_byte_of_the_trace_is_reported_by_its_file(#[values(700, 1_500, 3_000)] line: usize) {
    let workplace = Workplace::new();
    workplace.run(&format!("rehearse {SHEETS} --script script.toml --out run"));
    let trace = workplace.read("run/trace.csv");
    let start = trace.lines().take(line).map(|line| line.len() + 1).sum::<usize>();
    // The last digit of the first number, a time in steps that keep the order of the scans.
    let end = start + trace[start..].find(',').expect("a comma") - 1;
    let other = if &trace[end..=end] == "4" { "5" } else { "4" };
    workplace.write("run/trace.csv", &format!("{}{other}{}", &trace[..end], &trace[end + 1..]));
    let said = workplace.run("rejudge run");

    assert_eq!(said.code, Some(6), "{}", said.err);
    assert!(said.err.contains("`trace.csv`"), "{}", said.err);
    assert!(!said.err.contains("something else in it"), "{}", said.err);
}

/// A run that cannot start says so alone, not below a page of predictions.
#[test]
fn nothing_is_predicted_for_a_run_that_cannot_start() {
    let workplace = Workplace::new();
    // A port that was free a moment ago.
    let free = std::net::TcpListener::bind("127.0.0.1:0").expect("a port").local_addr().expect("its address");
    workplace.change("rig.toml", "127.0.0.1:1502", &free.to_string());
    let said = workplace.run(&format!("run {SHEETS} --script script.toml A"));
    assert_eq!(said.code, Some(2), "{}", said.err);
    assert!(said.err.contains("nothing answers at") && !said.err.contains("predicted"), "{}", said.err);
}

/// A level on its limit: no number of ramps decides it, which is said before the repeat starts.
#[rstest]
#[case("61.1 kPa", "56.0 kPa")]
#[case("58.9 kPa", "54.0 kPa")]
fn a_repeat_that_ramps_cannot_decide_is_warned_of(#[case] switch_point: &str, #[case] reset_point: &str) {
    let (workplace, said) = again_on_a_limit(switch_point, reset_point, None);
    let warned = said.err.find("warning: more ramps alone will not decide");
    assert!(warned.is_some() && warned < said.err.find("Rehearsed"), "{}", said.err);
    let line = said.err.lines().find(|line| line.contains("more ramps alone")).unwrap_or_default();
    assert!(line.contains("switch point"), "{line}");
    assert!(line.contains("unless something was changed at the rig, expect the same result"), "{line}");
    drop(workplace);
}

/// The rig was mended between the two: the repeat decides what more ramps alone would not.
#[rstest]
#[case("61.1 kPa", "56.0 kPa")]
#[case("58.9 kPa", "53.8 kPa")]
fn a_repeat_after_a_change_at_the_rig_may_decide(#[case] switch_point: &str, #[case] reset_point: &str) {
    let (workplace, said) = again_on_a_limit(switch_point, reset_point, Some(("60.0 kPa", "55.0 kPa")));
    assert!(said.err.contains("unless something was changed at the rig, expect the same"), "{}", said.err);
    assert_eq!(said.code, Some(0), "{}\n{}", said.out, said.err);
    drop(workplace);
}

/// A repeat of an undecided device at position 3, with levels on a limit at first, and with others the second time.
fn again_on_a_limit(switch: &str, reset: &str, then: Option<(&str, &str)>) -> (Workplace, Said) {
    let levels =
        |switch: &str, reset: &str| format!("switch_point = \"{switch}\"\nreset_point = \"{reset}\"");
    let workplace = Workplace::new();
    workplace.change("truth.toml", &levels("62.9 kPa", "55.0 kPa"), &levels(switch, reset));
    workplace.run(&format!("rehearse {SHEETS} --script script.toml --truth truth.toml --out first"));
    if let Some((then_switch, then_reset)) = then {
        workplace.change("truth.toml", &levels(switch, reset), &levels(then_switch, then_reset));
    }
    let said = workplace.run("rehearse --again 3 --of first --truth truth.toml --out second");
    (workplace, said)
}

/// A scattered level near its limit, which more ramps decide: nothing is warned of.
#[rstest]
#[case("70.95 kPa", "80 Pa")]
#[case("70.95 kPa", "100 Pa")]
#[case("70.96 kPa", "100 Pa")]
#[case("70.97 kPa", "80 Pa")]
fn a_repeat_that_ramps_decide_has_no_warning(#[case] cut_off: &str, #[case] spread: &str) {
    let workplace = undecided();
    workplace.change("script.toml", "do = \"switch-points\"", "do = \"switch-points\"\nway = \"full-flow\"");
    for (was, is) in [("60.96", "60.0"), ("55.9", "55.0"), ("70.0 kPa", cut_off), ("150 Pa", spread)] {
        workplace.change("truth.toml", was, is);
    }
    let first =
        workplace.run(&format!("rehearse {SHEETS} --script script.toml --truth truth.toml --out first A"));
    assert!(first.out.contains("ramps decide it in"), "{}", first.out);
    let said = workplace.run("rehearse --again 1 --of first --truth truth.toml --out second");
    assert!(said.err.contains("Again: position 1") && !said.err.contains("will not decide"), "{}", said.err);
}

/// A run or a rehearsal that does not happen leaves no folder.
#[rstest]
#[case("rehearse --truth nope.toml", "nope.toml")]
#[case("rehearse --truth rig.toml", "looks like a rig sheet")]
#[case("rehearse --truth wrong.toml", "unknown-key")]
fn a_rehearsal_that_does_not_happen_leaves_no_folder(
    #[case] command: &str,
    #[case] says: &str,
    #[values("", "--out x")] out: &str,
) {
    let workplace = Workplace::new();
    let truth = workplace.read("truth.toml");
    workplace.write("wrong.toml", &format!("sed = 1\n{truth}"));
    let said = workplace.run(&format!("{command} {SHEETS} --script script.toml {out} A"));
    assert_eq!(said.code, Some(2), "{}", said.err);
    assert!(said.err.contains(says), "{}", said.err);
    assert!(!workplace.folder.join("x").exists() && !workplace.folder.join("out").exists());
}

/// A power cut before the first event: no command sends the reader to another that sends him back.
#[rstest]
fn a_journal_without_a_run_is_reported_by_every_command(
    #[values("report run", "rejudge run", "explain run")] command: &str,
    #[values("", "0", "0123abcd 0 0 started {")] torn: &str,
) {
    let workplace = Workplace::new();
    std::fs::create_dir(workplace.folder.join("run")).expect("a folder");
    workplace.write("run/run.journal", &format!("{}{torn}", tripbench_record::journal::MAGIC));
    for _ in 0..2 {
        let said = workplace.run(command);
        assert_eq!(said.code, Some(2), "{}\n{}", said.out, said.err);
        assert!(said.err.contains("`run` contains no run: no event of it was recorded"), "{}", said.err);
        assert!(!said.err.contains("closed") && !said.err.contains("first run"), "{}", said.err);
    }
}
