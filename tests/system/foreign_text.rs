//! Text that comes from a file, a journal, a daemon or the command line and would control the terminal: it is shown as an escape. And
//! text that identifies something: it has no hidden characters.

use rstest::rstest;
use tripbench_sheet::is_hidden;
use tripbench_tests::command::{Said, Workplace};
use tripbench_tests::daemon::in_place_of_a_daemon;

/// Clears the screen and says PASS; the same with a control of C1; writes from right to left.
const EVIL: &str = "\u{1b}[2JPASS \u{9b}2J \u{202e}LIAF";
const SEEN: &str = "\\u{1b}[2JPASS \\u{9b}2J \\u{202e}LIAF";

/// Runs the command with its colours on, as on a terminal: without one they are left out, and so are some escapes.
fn run(workplace: &Workplace, words: &[&str]) -> Said {
    let mut command = workplace.command("");
    command.args(words).env("CLICOLOR_FORCE", "1");
    command.output().map(Said::from).expect("the command starts")
}

/// Nothing hidden but the colours of this program.
fn is_clean(text: &str) -> bool {
    let colours = ["\u{1b}[0m", "\u{1b}[1;31m", "\u{1b}[1;32m", "\u{1b}[1;33m"];
    let rest = colours.iter().fold(text.to_owned(), |text, colour| text.replace(colour, ""));
    rest.chars().all(|c| !is_hidden(c) || matches!(c, '\n' | '\t'))
}

fn check(said: &Said, shows: &str) {
    assert!(is_clean(&said.out) && is_clean(&said.err), "{:?}\n{:?}", said.out, said.err);
    assert!(said.out.contains(shows) || said.err.contains(shows), "{}\n{}", said.out, said.err);
}

#[test]
fn an_escape_in_the_name_of_a_file_is_shown() {
    let workplace = Workplace::new();
    check(&run(&workplace, &["check-sheets", "--rig", EVIL]), SEEN);
}

/// In the name of a rig, as the sheet writes it and as the command reads it.
#[rstest]
#[case::written("\u{202e}LIAF", "\\u{202e}LIAF")]
#[case::as_an_escape_of_toml("\\u001b[2JPASS", "\\u001b[2JPASS")]
fn an_escape_in_a_sheet_is_shown(#[case] name: &str, #[case] shows: &str) {
    let workplace = Workplace::new();
    workplace.change("rig.toml", "name = \"goods-in-1\"", &format!("name = \"{name}\"\nnot-a-key = 1"));
    check(&run(&workplace, &["check-sheets", "--rig", "rig.toml"]), shows);
}

const REHEARSE: &str =
    "rehearse --rig rig.toml --type type.toml --settings settings.toml --script script.toml --out out";

/// Every way in: after the script, with a position, and the operator.
#[rstest]
#[case::serial("--serial=1=A\u{200b}1", "the serial number `A\\u{200b}1` has U+200B")]
#[case::word("A\u{202e}1", "the serial number `A\\u{202e}1` has U+202E")]
#[case::operator("--operator=Ann\u{ad}a", "--operator `Ann\\u{ad}a` has U+00AD")]
fn what_identifies_has_no_hidden_characters(#[case] word: &str, #[case] shows: &str) {
    let workplace = Workplace::new();
    let words: Vec<&str> = REHEARSE.split(' ').chain([word, "--no-serial"]).collect();
    let said = run(&workplace, &words);
    assert_eq!(said.code, Some(2), "{}", said.err);
    check(&said, shows);
    assert!(said.err.contains("allowed are visible characters"), "{}", said.err);
    assert!(!workplace.folder.join("out").exists(), "nothing was begun");
}

#[test]
fn an_escape_in_what_a_daemon_says_is_shown() {
    let workplace = Workplace::new();
    let base = in_place_of_a_daemon(|_| ("503 No", serde_json::json!({"detail": EVIL})));
    let words = REHEARSE.replace("rehearse", &format!("run --on {base}"));
    let words: Vec<&str> = words.split(' ').chain(["--serial=1=A-1"]).collect();
    check(&run(&workplace, &words), &format!("the daemon refuses: {SEEN}"));
}
