//! Questions of a run at its terminal or pipe: which lines answer them, and which do not.

use rstest::rstest;
use rustix::process::{Pid, Signal, kill_process};
use serde_json::{Value, json};
use std::io::{BufRead, BufReader, Write};
use std::process::{Command, Stdio};
use tripbench_tests::command::{Said, Simulated, Workplace, quick};
use tripbench_tests::line::keyboard;

const RUN: &str = "run --rig rig.toml --script asks.toml --no-serial --out run";
/// The text of the first question.
const ASKED: &str = "Is the seal dry? (yes/no)";

/// A workplace with a script that asks, and then measures no device: after a yes the run ends undecided.
fn asking() -> Workplace {
    let workplace = quick();
    let ask = "do = \"ask\"\ntext = { en = \"Is the seal dry?\", de = \"Dichtung trocken?\" }\n";
    let head = "name = \"asks\"\nstate = \"released\"\n";
    workplace.write("asks.toml", &format!("{head}[[step]]\n{ask}[[step]]\ndo = \"zero\"\n"));
    workplace
}

/// The answers that the record has.
fn answers(workplace: &Workplace) -> Vec<Value> {
    let record: Value = serde_json::from_str(&workplace.read("run/record.json")).expect("json");
    let answers = record["answers"].as_array().expect("answers").iter();
    answers.map(|answer| answer[1].clone()).collect()
}

#[rstest]
#[case("yes", 3)]
#[case(" JA", 3)]
#[case("no", 4)]
#[case("Nein ", 4)]
fn live_a_question_is_answered_on_standard_input(#[case] answer: &str, #[case] code: i32) {
    let workplace = asking();
    let _rig = Simulated::start(&workplace);
    let said = workplace.run_answered(RUN, "", [&*format!("{answer}\n")]);
    assert_eq!(said.code, Some(code), "{}\n{}", said.out, said.err);
    assert!(said.err.contains(ASKED), "{}", said.err);
    assert_eq!(answers(&workplace), [json!(answer.trim())]);
}

/// Before the question, and with it.
#[rstest]
#[case::one("yes\n", "no\n", "no", "ignored: `yes` was typed before the question")]
#[case::the_other_way_round("no\n", "yes\n", "yes", "ignored: `no` was typed before the question")]
#[case::several("y\nyes\nja\n", "no\n", "no", "ignored: `y` and 2 more lines were typed before the question")]
#[case::a_part("ye", "s\nno\n", "no", "ignored: `yes` was typed before the question")]
#[case::a_word_and_a_part("yes\nye", "s\nno\n", "no", "ignored: `yes` was typed before the question")]
fn live_a_line_in_the_pipe_before_the_question_is_no_answer(
    #[case] early: &str,
    #[case] answer: &str,
    #[case] counts: &str,
    #[case] ignored: &str,
) {
    let workplace = asking();
    let _rig = Simulated::start(&workplace);
    let said = workplace.run_answered(RUN, early, [answer]);
    let code = if counts == "yes" { 3 } else { 4 };
    assert_eq!(said.code, Some(code), "{}\n{}", said.out, said.err);
    assert_eq!(answers(&workplace), [counts]);
    assert!(said.err.contains(ignored), "{}", said.err);
}

/// At a terminal; `early` is typed as soon as the program runs.
#[rstest]
#[case::one("yes\n", "no\n", "no")]
#[case::the_other_way_round("no\n", "yes\n", "yes")]
#[case::several("y\nyes\nja\n", "no\n", "no")]
#[case::a_part("ye", "no\n", "no")]
fn live_what_is_typed_before_the_question_is_no_answer(
    #[case] early: &str,
    #[case] answer: &str,
    #[case] counts: &str,
) {
    let workplace = asking();
    let _rig = Simulated::start(&workplace);
    let (mut keys, terminal) = keyboard();
    keys.write_all(early.as_bytes()).expect("typed");
    let mut command = workplace.command(RUN);
    command.stdin(terminal).stdout(Stdio::piped()).stderr(Stdio::piped());
    let mut child = command.spawn().expect("it starts");
    let mut err = String::new();
    for line in BufReader::new(child.stderr.take().expect("its questions")).lines() {
        let line = line.expect("text");
        if line.contains(ASKED) {
            keys.write_all(answer.as_bytes()).expect("typed");
        }
        err += &(line + "\n");
    }
    let said = Said::from(child.wait_with_output().expect("it ends"));
    let code = if counts == "yes" { 3 } else { 4 };
    assert_eq!(said.code, Some(code), "{}\n{err}", said.out);
    assert_eq!(answers(&workplace), [counts]);
}

#[rstest]
#[case("\n", "an empty line")]
#[case("yed\n", "`yed`")]
#[case("not now\n", "`not now`")]
#[case("1\n\n ye s\n", "`1`")]
fn live_any_other_word_is_asked_again(#[case] words: &str, #[case] names: &str) {
    let workplace = asking();
    let _rig = Simulated::start(&workplace);
    let said = workplace.run_answered(RUN, "", [&*format!("{words}yes\n")]);
    assert_eq!(said.code, Some(3), "{}\n{}", said.out, said.err);
    assert_eq!(answers(&workplace), ["yes"]);
    let again = format!("{names} does not answer the question: type one of yes, no, y, ja, j, ok, n, nein");
    assert!(said.err.contains(&again), "{}", said.err);
}

/// As after `yes |` in a shell.
#[test]
fn live_a_stream_of_words_that_never_ends_answers_nothing() {
    let workplace = asking();
    let _rig = Simulated::start(&workplace);
    let mut yes = Command::new("yes").stdout(Stdio::piped()).spawn().expect("it starts");
    let mut command = workplace.command(RUN);
    let said = command.stdin(yes.stdout.take().expect("a pipe")).output().map(Said::from).expect("it starts");
    drop(yes.kill());
    drop(yes.wait());
    assert_eq!(said.code, Some(4), "{}\n{}", said.out, said.err);
    assert_eq!(answers(&workplace), [json!(null); 0]);
    assert!(said.err.contains("does not wait for the question"), "{}", said.err);
}

#[rstest]
#[case("")]
#[case("yes\nyes\nyes\nyes\nyes\n")]
fn live_rig_check_without_an_answer_after_its_question_tries_no_output(#[case] early: &str) {
    let workplace = quick();
    let _rig = Simulated::start(&workplace);
    let said = workplace.run_answered("rig check --rig rig.toml --out run", early, []);
    assert_eq!(said.code, Some(4), "{}\n{}", said.out, said.err);
    assert!(!said.err.contains("Next: output"), "{}", said.err);
    assert!(said.err.contains("standard input has ended"), "{}", said.err);
    assert!(said.out.contains("Outputs safe, read back."), "{}", said.out);
}

/// A rig check: the number of the question that is answered with no, for what a person saw and for clear hands, and of the last one that is
/// answered at all.
#[rstest]
#[case::not_as_read(&[2], 40, 1, "1 NOT MET, the rest not checked.")]
#[case::did_not_act_and_stopped(&[8, 9], 40, 1, "1 NOT MET, stopped.")]
#[case::did_not_act_and_nobody_answers(&[8], 8, 1, "1 NOT MET, stopped.")]
fn live_what_was_not_met_counts_before_a_stop(
    #[case] no: &[usize],
    #[case] last: usize,
    #[case] code: i32,
    #[case] summary: &str,
) {
    let workplace = quick();
    workplace.change("rig.toml", "slowest_answer = \"100 ms\"", "slowest_answer = \"400 ms\"");
    workplace.write("truth.toml", "seed = 1\n");
    let _rig = Simulated::start(&workplace);
    let answers = (1..=last).map(|question| if no.contains(&question) { "no\n" } else { "yes\n" });
    let said = workplace.run_answered("rig check --rig rig.toml --out check", "", answers);
    assert_eq!(said.code, Some(code), "{}\n{}", said.out, said.err);
    assert!(said.out.contains(summary), "{}", said.out);
    assert_eq!(said.out.contains("Stopped early"), code == 4 || summary.contains("stopped"), "{}", said.out);
    assert_eq!(workplace.run("report check").code, Some(code));
    assert_eq!(workplace.run("rejudge check").code, Some(code));
}

/// Ctrl-C before the run has begun: while it is announced, or as it begins. It ends in order, and never leaves an empty folder or journal.
#[rstest]
fn live_a_signal_before_the_run_ends_in_order(
    #[values("Rig ", "  predicted", "- Before you connect", "- This program is not")] line: &str,
    #[values("--out run", "")] out: &str,
    #[values(Signal::INT, Signal::TERM)] signal: Signal,
) {
    let workplace = quick();
    let _rig = Simulated::start(&workplace);
    let sheets = "--rig rig.toml --type type.toml --settings settings.toml --script script.toml";
    let mut command = workplace.command(&format!("run {sheets} --no-serial {out}"));
    let mut child = command.stdout(Stdio::null()).stderr(Stdio::piped()).spawn().expect("it starts");
    let mut said = BufReader::new(child.stderr.take().expect("its words")).lines().map_while(Result::ok);
    said.by_ref().find(|said| said.starts_with(line)).expect("it says so");
    let process = Pid::from_raw(i32::try_from(child.id()).expect("a process id")).expect("a process");
    kill_process(process, signal).expect("sent");
    let rest: Vec<String> = said.collect();
    assert_eq!(child.wait().expect("it ended").code(), Some(4), "{rest:#?}");
    let left =
        |folder: &str| std::fs::read_dir(workplace.folder.join(folder)).into_iter().flatten().flatten();
    let runs = left(if out.is_empty() { "out" } else { "." })
        .filter(|entry| out.is_empty() || entry.file_name() == "run");
    for run in runs {
        // It had begun: then there is a record, and the outputs were safe.
        let record = std::fs::read_to_string(run.path().join("record.json")).expect("a record");
        let record: Value = serde_json::from_str(&record).expect("JSON");
        assert_eq!(record["safe_confirmed"], true);
    }
}
