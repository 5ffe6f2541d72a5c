//! What a new user gets wrong at the command line and in sheets, and what the command says to it.

use rstest::rstest;
use tripbench_tests::command::{Said, Workplace};

const SHEETS: &str = "--rig rig.toml --type type.toml --settings settings.toml";

/// A workplace with a site sheet whose scripts are in a folder of their own.
fn site() -> Workplace {
    let workplace = Workplace::new();
    std::fs::create_dir(workplace.folder.join("scripts")).expect("a folder");
    for script in ["goods-in", "look"] {
        let from = if script == "look" { "look.toml" } else { "script.toml" };
        workplace.write(&format!("scripts/{script}.toml"), &workplace.read(from));
    }
    workplace.write(
        "site.toml",
        "[defaults]\nrig = \"rig.toml\"\ntype = \"type.toml\"\nsettings = \"settings.toml\"\nscripts = \"scripts\"\n",
    );
    workplace
}

/// Whatever else names the script, a serial number that is the name of one is a slip, and would give a verdict under a wrong serial.
#[rstest]
fn a_serial_that_names_a_script_is_refused(
    #[values("goods-in", "look", "Goods-In", "look.toml", "scripts/look.toml")] word: &str,
    #[values(
        "rehearse --script scripts/goods-in.toml WORD A",
        "run --script scripts/goods-in.toml A WORD",
        "rehearse goods-in A WORD",
        "rehearse goods-in --serial 2=WORD",
        "rehearse --script script.toml WORD A"
    )]
    how: &str,
) {
    let workplace = site();
    let said = workplace.run(&how.replace("WORD", word));
    assert_eq!(said.code, Some(2), "{}\n{}", said.out, said.err);
    assert!(said.err.contains(&format!("serial number `{word}` is the name of the script")), "{}", said.err);
    assert!(!workplace.folder.join("out").exists());
}

/// Without a site sheet the given file alone is known.
#[rstest]
#[case("script", true)]
#[case("SCRIPT.toml", true)]
#[case("scripts", false)]
#[case("7731-031", false)]
fn the_stem_of_the_given_script_is_no_serial(#[case] word: &str, #[case] refused: bool) {
    let said = Workplace::new().run(&format!("rehearse {SHEETS} --script script.toml {word}"));
    assert_eq!(said.code == Some(2), refused, "{}\n{}", said.out, said.err);
    assert_eq!(said.err.contains("is the name of the script"), refused, "{}", said.err);
}

#[rstest]
#[case("goods-inn", "did you mean `goods-in`?")]
#[case("lok", "did you mean `look`?")]
#[case("7731-031", "Scripts there: goods-in, look.")]
fn an_unknown_script_is_told_what_is_near(#[case] word: &str, #[case] says: &str) {
    let said = site().run(&format!("rehearse {word} A"));
    assert_eq!(said.code, Some(2));
    assert!(said.err.contains(says), "{}", said.err);
}

#[test]
fn a_folder_without_scripts_is_told() {
    let workplace = site();
    std::fs::create_dir(workplace.folder.join("none")).expect("a folder");
    workplace.change("site.toml", "scripts = \"scripts\"", "scripts = \"none\"");
    let said = workplace.run("rehearse goods-in A");
    assert!(said.err.contains("there are no scripts there") && !said.err.contains(": ."), "{}", said.err);
}

#[rstest]
fn a_position_that_the_rig_lacks_is_told_without_brackets(#[values(0, 5, 200)] position: u8) {
    let said = Workplace::new().run(&format!("rehearse {SHEETS} --script script.toml --serial {position}=A"));
    assert_eq!(said.code, Some(2));
    assert!(said.err.contains("has positions 1, 2, 3, 4"), "{}", said.err);
}

/// A calibration for which every run would be refused is an error of the sheets, unless the site only warns.
#[rstest]
fn check_sheets_tells_a_calibration_for_which_runs_are_refused(
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
    assert_eq!(all.contains("every run on this rig is refused"), refused, "{all}");
    assert_eq!(all.contains("No errors in"), !refused, "{all}");
    let run = workplace.run(&format!("rehearse {SHEETS} --script script.toml"));
    assert_eq!(run.code == Some(2), refused, "as check-sheets says: {}", run.err);
}

/// A sheet given for another kind: what it looks like is the only thing said.
#[rstest]
fn a_sheet_of_another_kind_is_told_first(
    #[values("rig", "type", "settings", "script", "site")] option: &str,
    #[values("rig", "type", "settings", "script", "site", "truth")] file: &str,
) {
    let workplace = site();
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

/// A misspelt key does not make another kind of a sheet.
#[rstest]
#[case("rig.toml", "[reference]", "[referense]")]
#[case("settings.toml", "switch_point = ", "switchpoint = ")]
#[case("type.toml", "full_scale", "fullscale")]
fn a_misspelt_key_is_told_as_such(#[case] file: &str, #[case] was: &str, #[case] is: &str) {
    let workplace = Workplace::new();
    workplace.change(file, was, is);
    let said = workplace.run(&format!("check-sheets {SHEETS}"));
    assert_eq!(said.code, Some(2));
    assert!(!said.err.contains("looks like") && said.err.contains("unknown-key"), "{}", said.err);
}

/// One byte of the trace: its file is named, and nothing is said of the form of the record.
#[rstest]
fn one_byte_of_the_trace_is_told_by_its_file(#[values(700, 1_500, 3_000)] line: usize) {
    let workplace = Workplace::new();
    workplace.run(&format!("rehearse {SHEETS} --script script.toml --out run"));
    let trace = workplace.read("run/trace.csv");
    let start = trace.lines().take(line).map(|line| line.len() + 1).sum::<usize>();
    let digit = start + trace[start..].find(|c: char| c.is_ascii_digit()).expect("a digit");
    // The first digit of a time: its last but one keeps the order of the scans.
    let end = digit + trace[digit..].find(',').expect("a comma") - 1;
    let other = if &trace[end..=end] == "4" { "5" } else { "4" };
    workplace.write("run/trace.csv", &format!("{}{other}{}", &trace[..end], &trace[end + 1..]));
    let said = workplace.run("rejudge run");
    assert_eq!(said.code, Some(6), "{}", said.err);
    assert!(said.err.contains("`trace.csv`"), "{}", said.err);
    assert!(!said.err.contains("another form or order") && !said.err.contains("1 differ."), "{}", said.err);
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

/// A level on its limit: no number of ramps decides it, which is told before the repeat starts.
#[rstest]
#[case("61.1 kPa", "56.0 kPa")]
#[case("58.9 kPa", "54.0 kPa")]
fn a_repeat_that_ramps_cannot_decide_is_warned_of(#[case] switch_point: &str, #[case] reset_point: &str) {
    let workplace = Workplace::new();
    let levels =
        |switch: &str, reset: &str| format!("switch_point = \"{switch}\"\nreset_point = \"{reset}\"");
    workplace.change("truth.toml", &levels("62.9 kPa", "55.0 kPa"), &levels(switch_point, reset_point));
    workplace.run(&format!("rehearse {SHEETS} --script script.toml --truth truth.toml --out first"));
    let said = workplace.run("rehearse --again 3 --of first --truth truth.toml --out second");
    let warned = said.err.find("warning: more ramps will not decide");
    assert!(warned.is_some() && warned < said.err.find("Rehearsed"), "{}", said.err);
}
