//! The command from the user's side: separate processes, real sockets, exit codes, files.

use rstest::rstest;
use rustix::process::{Pid, Signal, kill_process};
use serde_json::Value;
use std::fs::Permissions;
use std::io::{BufRead, BufReader};
use std::os::unix::fs::PermissionsExt;
use std::process::{Command, Stdio};
use tripbench_tests::command::{Said, Simulated, Workplace, decided, quick};
use tripbench_tests::kill::kill_many;

const SHEETS: &str = "--rig rig.toml --type type.toml --settings settings.toml --script script.toml";

#[test]
fn run_tests_devices_on_a_rig_in_another_process_and_leaves_everything() {
    let workplace = decided();
    let _rig = Simulated::start(&workplace);
    let said = workplace.run(&format!("run {SHEETS} --serial 1=A-1 --serial 3=A-3 --operator Kim --out run"));
    assert_eq!(said.code, Some(1), "{}\n{}", said.out, said.err);
    assert!(said.err.contains("WARNING  Compressed air, vacuum and moving parts can injure."));
    assert!(said.out.contains("decided by") && said.out.contains("Outputs safe, read back."), "{}", said.out);
    let record: Value = serde_json::from_str(&workplace.read("run/record.json")).expect("json");
    let positions = record["positions"].as_array().expect("positions");
    let serials: Vec<_> = positions
        .iter()
        .map(|position| (position["serial"].as_str(), position["verdict"].as_str()))
        .collect();
    assert_eq!(serials, [(Some("A-1"), Some("pass")), (Some("A-3"), Some("fail"))]);
    let check = &positions[1]["checks"][0];
    assert_eq!((check["quantity"].as_str(), check["unit"].as_str()), (Some("switch-point"), Some("Pa")));
    assert_eq!((check["step"].as_u64(), check["verdict"].as_str()), (Some(2), Some("fail")));
    for key in ["value", "expanded_uncertainty", "coverage_factor", "conformance_probability"] {
        assert!(check[key].is_number(), "{key}: {check}");
    }
    assert!(check["limits"]["low"].as_f64() < check["limits"]["high"].as_f64());
    assert_eq!(record["header"]["operators"][0], "Kim");
    assert!(workplace.read("run/report.html").contains("<svg class=\"chart\""));
    let again = workplace.run("rejudge run --out again.json");
    assert_eq!(again.code, Some(1), "{}", again.err);
    assert!(again.err.contains("the same checks and verdicts"), "{}", again.err);
    assert_eq!(workplace.read("again.json"), workplace.read("run/record.json"));
}

#[test]
fn a_folder_that_holds_a_run_is_not_written_over() {
    let workplace = Workplace::new();
    assert_eq!(workplace.run(&format!("rehearse {SHEETS} --truth truth.toml --out run")).code, Some(1));
    let before = workplace.read("run/record.json");
    let said = workplace.run(&format!("rehearse {SHEETS} --out run"));
    assert_eq!(said.code, Some(2));
    assert!(said.err.contains("already contains a run"), "{}", said.err);
    assert_eq!(workplace.read("run/record.json"), before);
}

#[rstest]
#[case::all_good("", "", SHEETS, 0)]
#[case::one_off("switch_point = \"62.9 kPa\"", "", SHEETS, 1)]
#[case::near_a_limit("switch_point = \"61.1 kPa\"", "", SHEETS, 3)]
#[case::measured("", "", "--rig rig.toml --script look.toml", 5)]
#[case::aborted("", "\n[[fault]]\nat = \"10 s\"\npull_plug = 2\n", SHEETS, 4)]
#[case::failed_before_aborted(
    "switch_point = \"62.9 kPa\"",
    "\n[[fault]]\nat = \"10 s\"\npull_plug = 2\n",
    SHEETS,
    1
)]
fn exit_codes_say_the_worst(
    #[case] third: &str,
    #[case] more: &str,
    #[case] sheets: &str,
    #[case] code: i32,
) {
    let workplace = Workplace::new();
    let third = if third.is_empty() { "switch_point = \"60.0 kPa\"" } else { third };
    workplace.change("truth.toml", "switch_point = \"62.9 kPa\"", third);
    if code == 3 {
        workplace.change("truth.toml", "reset_point = \"55.0 kPa\"", "reset_point = \"56.0 kPa\"");
    }
    workplace.write("truth.toml", &(workplace.read("truth.toml") + more));
    let said = workplace.run(&format!("rehearse {sheets} --truth truth.toml --out run"));
    assert_eq!(said.code, Some(code), "{}\n{}", said.out, said.err);
    if code == 5 {
        let all =
            said.out + &said.err + &workplace.read("run/report.html") + &workplace.read("run/record.json");
        assert!(!all.to_lowercase().contains("pass"), "the text contains the word `pass`");
    }
}

#[rstest]
#[case("run --rig rig.toml", "no script")]
#[case("run --script script.toml --no-serial", "no rig sheet")]
#[case("run --rig rig.toml --script script.toml --type type.toml --no-serial", "must be given together")]
#[case("run --rig nowhere.toml --script script.toml --no-serial", "cannot read the sheet `nowhere.toml`")]
#[case("rejudge nowhere", "cannot read")]
#[case("report .", "contains neither")]
fn wrong_usage_is_told_and_ends_with_two(#[case] arguments: &str, #[case] says: &str) {
    let said = Workplace::new().run(arguments);
    assert_eq!(said.code, Some(2));
    assert!(said.err.contains(says), "{}", said.err);
}

#[rstest]
#[case("--serial 1=A --serial 2=A", "serial A is given for position 1 and position 2")]
#[case("--serial 1=A --serial 1=B", "position 1 has two serial numbers")]
#[case("--serial 9=A", "there is no position 9")]
#[case("--serial A", "POSITION=NUMBER")]
#[case("", "no device")]
fn devices_have_to_be_told_apart(#[case] serials: &str, #[case] says: &str) {
    let said = Workplace::new().run(&format!("run {SHEETS} {serials}"));
    assert_eq!(said.code, Some(2));
    assert!(said.err.contains(says), "{}", said.err);
}

#[test]
fn with_a_site_sheet_a_script_and_serials_are_enough() {
    let workplace = Workplace::new();
    workplace.write("site.toml", "[defaults]\nrig = \"rig.toml\"\ntype = \"type.toml\"\nsettings = \"settings.toml\"\nscripts = \".\"\n");
    let said = workplace.run("rehearse script S1 S2 --truth truth.toml --json");
    assert_eq!(said.code, Some(0), "{}", said.err);
    let record: Value = serde_json::from_str(&said.out).expect("json alone on standard output");
    assert_eq!(record["positions"][1]["serial"], "S2");
}

#[test]
fn an_expired_calibration_is_refused_unless_the_site_only_warns() {
    let workplace = Workplace::new();
    workplace.change("rig.toml", "due = 2999-03-12", "due = 2026-04-01");
    let said = workplace.run(&format!("rehearse {SHEETS}"));
    assert_eq!(said.code, Some(2));
    assert!(said.err.contains("was due on 2026-04-01"), "{}", said.err);
    workplace.write("site.toml", "expired_calibration = \"warn\"\n");
    let said = workplace.run(&format!("rehearse {SHEETS}"));
    assert_eq!(said.code, Some(0), "{}", said.err);
    assert!(said.err.contains("warning: The calibration"));
}

/// A date in the future, which no certificate can have.
#[rstest]
#[case("2998-01-01")]
#[case("2999-03-12")]
fn a_calibration_of_the_future_is_refused_unless_the_site_only_warns(#[case] date: &str) {
    let workplace = Workplace::new();
    workplace.change("rig.toml", "date = 2026-03-12", &format!("date = {date}"));
    let said = workplace.run(&format!("rehearse {SHEETS}"));
    assert_eq!(said.code, Some(2), "{}", said.err);
    assert!(said.err.contains(&format!("is dated {date}, and today is ")), "{}", said.err);
    workplace.write("site.toml", "expired_calibration = \"warn\"\n");
    let said = workplace.run(&format!("rehearse {SHEETS}"));
    assert_eq!(said.code, Some(0), "{}", said.err);
    assert!(said.err.contains("warning: The calibration of the reference"), "{}", said.err);
    let said = workplace.run("check-sheets --rig rig.toml");
    assert!(said.out.contains(&format!("is dated {date}")), "{}", said.out);
}

#[test]
fn a_draft_marks_the_run_as_a_trial_everywhere() {
    let workplace = Workplace::new();
    workplace.change("settings.toml", "state = \"released\"", "state = \"draft\"");
    let said = workplace.run(&format!("rehearse {SHEETS} --out run"));
    assert!(said.out.contains("TRIAL") && said.err.contains("TRIAL"), "{}{}", said.out, said.err);
    assert!(workplace.read("run/report.html").contains("TRIAL"));
    assert!(workplace.read("run/record.json").contains("\"trial\":true"));
}

#[test]
fn a_trace_that_was_changed_is_told_and_the_record_left_alone() {
    let workplace = Workplace::new();
    workplace.run(&format!("rehearse {SHEETS} --out run"));
    let before = workplace.read("run/record.json");
    let trace = workplace.read("run/trace.csv");
    let middle = trace.lines().nth(3_000).expect("a line").to_owned();
    let changed = middle.replace(",1,", ",0,");
    workplace.write("run/trace.csv", &trace.replace(&middle, &changed));
    let said = workplace.run("rejudge run");
    assert!(said.err.contains("its SHA-256 differs") && said.code == Some(6), "{}", said.err);
    assert_eq!(workplace.read("run/record.json"), before);
}

#[test]
fn killed_runs_keep_what_was_seen_and_say_aborted() {
    let count = std::env::var("TRIPBENCH_KILLS").ok().and_then(|text| text.parse().ok()).unwrap_or(8);
    let (faults, lost, seen) = kill_many(count, 4);
    println!("{count} kills: at most {lost} scans lost, {seen} events seen by listeners");
    assert!(faults.is_empty(), "{faults:#?}");
    assert!(seen > 100, "the listeners saw only {seen} events");
}

/// Who else tries to use the module.
#[derive(Debug, Clone, Copy, PartialEq)]
enum Other {
    SameUser,
    PrivateTemporaryFolder,
    /// Only where the tests may become another user.
    Nobody,
}

#[rstest]
fn a_second_run_on_the_same_module_is_refused(
    #[values(Other::SameUser, Other::PrivateTemporaryFolder, Other::Nobody)] other: Other,
) {
    if other == Other::Nobody && !rustix::process::geteuid().is_root() {
        assert!(std::env::var_os("CI").is_none(), "only root can become another user");
        return;
    }
    let workplace = quick();
    let _rig = Simulated::start(&workplace);
    let mut first = workplace
        .command(&format!("run {SHEETS} --no-serial --out first --events"))
        .stdout(Stdio::piped())
        .stderr(Stdio::null())
        .spawn()
        .expect("it starts");
    let mut line = String::new();
    BufReader::new(first.stdout.take().expect("output")).read_line(&mut line).expect("a first event");
    let mut second = match other {
        Other::SameUser | Other::PrivateTemporaryFolder => {
            workplace.command(&format!("run {SHEETS} --no-serial --out second"))
        }
        Other::Nobody => nobody(&workplace, &format!("run {SHEETS} --no-serial --out second")),
    };
    if other != Other::SameUser {
        std::fs::create_dir(workplace.folder.join("private")).expect("a folder");
        second.env("TMPDIR", workplace.folder.join("private"));
    }
    let said = Said::from(second.output().expect("it starts"));
    drop(first.kill());
    drop(first.wait());
    assert_eq!(said.code, Some(2), "{}", said.err);
    assert!(said.err.contains("is in use by another tripbench"), "{}", said.err);
}

#[rstest]
#[case(Signal::TERM)]
#[case(Signal::HUP)]
#[case(Signal::QUIT)]
#[case(Signal::TSTP)]
#[case(Signal::USR1)]
#[case(Signal::XFSZ)]
fn a_signal_ends_the_run_aborted_and_safe(#[case] name: Signal) {
    let (rest, code, record) = disturbed(|_, process| signal(name, process));
    assert_eq!(code, Some(4));
    assert!(rest.iter().any(|line| line.contains(" safe null")), "safe was confirmed");
    assert_eq!(record["positions"][0]["verdict"], "aborted");
    assert_eq!(
        (&record["safe_confirmed"], &record["header"]["simulated"]),
        (&Value::Bool(true), &Value::Bool(true))
    );
}

/// The command as user `nobody`, who may read and write in the workplace.
fn nobody(workplace: &Workplace, arguments: &str) -> Command {
    let copy = workplace.folder.join("tripbench");
    std::fs::copy(tripbench_tests::command::program(), &copy).expect("it can be copied");
    std::fs::set_permissions(&workplace.folder, Permissions::from_mode(0o777)).expect("a mode");
    let mut command = Command::new("setpriv");
    command.args(["--reuid", "65534", "--regid", "65534", "--clear-groups"]).arg(copy);
    command.args(arguments.split_whitespace()).current_dir(&workplace.folder).stdin(Stdio::null());
    command
}

/// A run in its own process, disturbed once it has begun to evacuate; returns the rest of its lines, and its exit code and record once
/// it has ended.
fn disturbed(disturb: impl FnOnce(&Workplace, u32)) -> (Vec<String>, Option<i32>, Value) {
    let workplace = quick();
    let _rig = Simulated::start(&workplace);
    let mut child = workplace
        .command(&format!("run {SHEETS} --no-serial --out run --events"))
        .stdout(Stdio::piped())
        .stderr(Stdio::null())
        .spawn()
        .expect("it starts");
    let mut lines = BufReader::new(child.stdout.take().expect("output")).lines();
    let evacuates = |line: &String| line.contains(" confirmed ") && line.contains("[1,0,0,0,1]");
    lines.by_ref().map_while(Result::ok).find(evacuates).expect("it evacuates");
    disturb(&workplace, child.id());
    let rest: Vec<String> = lines.map_while(Result::ok).collect();
    let code = child.wait().expect("it ended").code();
    (rest, code, serde_json::from_str(&workplace.read("run/record.json")).expect("json"))
}

fn signal(signal: Signal, process: u32) {
    let process = Pid::from_raw(i32::try_from(process).expect("a process id")).expect("a process");
    kill_process(process, signal).expect("sent");
}

#[test]
#[expect(clippy::disallowed_methods, reason = "a machine that sleeps, in real time")]
fn a_process_that_was_stopped_for_a_while_ends_aborted_and_safe() {
    let (rest, code, record) = disturbed(|_, process| {
        signal(Signal::STOP, process);
        std::thread::sleep(std::time::Duration::from_millis(800));
        signal(Signal::CONT, process);
    });
    assert_eq!(code, Some(4));
    assert!(rest.iter().any(|line| line.contains(" safe null")));
    assert_eq!(record["safe_confirmed"], true);
}

#[test]
fn a_second_master_that_writes_an_output_ends_the_run_aborted_and_safe() {
    let (rest, code, record) = disturbed(|workplace, _| {
        use std::io::{Read, Write};
        let rig = workplace.read("rig.toml");
        let address =
            rig.lines().find_map(|line| line.strip_prefix("tcp = ")).expect("an address").trim_matches('"');
        let mut stream = std::net::TcpStream::connect(address).expect("a connection");
        // Function 05: coil 2, bleed, on.
        stream.write_all(&[0, 9, 0, 0, 0, 6, 1, 5, 0, 2, 0xFF, 0]).expect("sent");
        stream.read_exact(&mut [0; 12]).expect("done");
    });
    assert_eq!(code, Some(4));
    assert!(rest.iter().any(|line| line.contains("outputs-differ")), "{rest:?}");
    assert_eq!(record["safe_confirmed"], true);
}

#[test]
fn rig_check_asks_before_every_output_and_says_what_the_rig_is() {
    let workplace = quick();
    // Safe is watched for longer than the longest gap between scans.
    workplace.change("rig.toml", "slowest_answer = \"100 ms\"", "slowest_answer = \"400 ms\"");
    workplace.change("rig.toml", "[module]\n", "[module]\nlooped = { at = \"discrete-input 14\" }\n");
    let output = "[[output]]\nname = \"loop\"\nat = \"coil 5\"\nsafe = false\n\n[run_limits]";
    workplace.change("rig.toml", "[run_limits]", output);
    let _rig = Simulated::start(&workplace);
    let said = workplace.run_answered("rig check --rig rig.toml --out check", "", ["yes\n"; 40]);
    assert_eq!(said.code, Some(0), "{}\n{}", said.out, said.err);
    assert!(said.out.contains("RIG MATCHES ITS SHEET."), "{}", said.out);
    assert!(said.out.contains("What this rig can decide"), "{}", said.out);
    for name in ["evacuate", "evacuate-fine", "bleed", "vent", "device-power"] {
        assert!(said.err.contains(&format!("Next: output `{name}`")), "{name}: {}", said.err);
    }
    let again = workplace.run("rejudge check");
    assert_eq!(again.code, Some(0), "{}\n{}", again.out, again.err);
}

#[test]
fn rig_check_with_nobody_to_say_yes_moves_nothing() {
    let workplace = quick();
    let _rig = Simulated::start(&workplace);
    let said = workplace.run("rig check --rig rig.toml --out check");
    assert_eq!(said.code, Some(4), "{}\n{}", said.out, said.err);
    assert!(said.out.contains("RIG CHECK INCOMPLETE"), "{}", said.out);
    assert!(said.out.contains("Outputs safe, read back."), "{}", said.out);
}
