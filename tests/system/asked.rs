//! Questions of a run at its terminal or pipe: which lines answer them, and which do not.

use rstest::rstest;
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
