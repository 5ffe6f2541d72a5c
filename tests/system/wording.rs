//! What the command says when something is wrong: place, value, and what is allowed.

use rstest::rstest;
use serde_json::Value;
use std::io::{BufRead, BufReader, Read, Write};
use std::net::TcpListener;
use std::process::Stdio;
use tripbench_tests::command::{Said, Simulated, Workplace, quick};

const SHEETS: &str = "--rig rig.toml --type type.toml --settings settings.toml --script script.toml";

/// Each sheet with one line that is wrong.
#[rstest]
#[case("site.toml", "", "altitude = \"180\"", &["a height needs a unit, such as `180 m`"])]
#[case("site.toml", "", "altitude = \"1.5e3\"", &["a height needs a unit, such as `1.5e3 m`"])]
#[case("site.toml", "", "altitude = 180", &["a bare number is not a height", "\"200 m\""])]
#[case("site.toml", "", "language = \"fr\"", &["`fr`", "en, de"])]
#[case("site.toml", "", "language = \"DE\"", &["`DE`", "en, de"])]
#[case("site.toml", "", "\n[defaults]\nrig = \"none.toml\"", &["site.toml:4:7", "none.toml"])]
#[case("site.toml", "", "[defaults]\nsettings = \"gone/s.toml\"", &["site.toml:3:12", "s.toml"])]
#[case("rig.toml", "127.0.0.1:1502", "127.0.0.1:99999", &["99999", "1 to 65535"])]
#[case("rig.toml", "127.0.0.1:1502", "127.0.0.1:0", &["127.0.0.1:0", "1 to 65535"])]
#[case("rig.toml", "\"6.5 bar\"", "\"6.5\"", &["an air pressure needs a unit, such as `6.5 bar`"])]
#[case("rig.toml", "\"6.5 bar\"", "6.5", &["a bare number is not an air pressure"])]
fn a_wrong_value_is_told_with_what_is_allowed(
    #[case] file: &str,
    #[case] from: &str,
    #[case] to: &str,
    #[case] says: &[&str],
) {
    let workplace = Workplace::new();
    let rig = if to.contains("defaults") { "" } else { "--rig rig.toml" };
    if from.is_empty() {
        workplace.write(file, &format!("name = \"works\"\n{to}\n"));
    } else {
        workplace.change(file, from, to);
    }
    let said = workplace.run(&format!("check-sheets --script script.toml {rig}"));
    assert_eq!(said.code, Some(2), "{}\n{}", said.out, said.err);
    for words in says {
        assert!(said.err.contains(words), "{words}: {}", said.err);
    }
}

#[rstest]
#[case(1)]
#[case(3)]
#[case(40)]
fn a_sheet_in_another_encoding_is_told_with_its_line(#[case] line: usize) {
    let workplace = Workplace::new();
    let text = workplace.read("rig.toml");
    let mut lines: Vec<Vec<u8>> = text.lines().map(|line| line.as_bytes().to_vec()).collect();
    lines[line - 1].extend(b" # Pr\xfcfstand");
    std::fs::write(workplace.folder.join("rig.toml"), lines.join(&b'\n')).expect("a writable folder");
    let said = workplace.run("check-sheets --rig rig.toml");
    assert_eq!(said.code, Some(2));
    assert!(said.err.contains(&format!("`rig.toml`, line {line}: ")), "{}", said.err);
    assert!(said.err.contains("save the sheet as UTF-8"), "{}", said.err);
}

#[rstest]
#[case("rehearse goods-inn --rig rig.toml", &["there is no script `goods-inn`", "the first word names a script"])]
#[case("simulate --rig rig.toml --operate --listen 127.0.0.1:0", &["--operate", "--truth", "[[device]]"])]
fn a_wrong_command_is_told_with_what_to_write(#[case] arguments: &str, #[case] says: &[&str]) {
    let workplace = Workplace::new();
    let said = workplace.run(arguments);
    assert_eq!(said.code, Some(2), "{}", said.err);
    for words in says {
        assert!(said.err.contains(words), "{words}: {}", said.err);
    }
}

/// A server of another kind: its answer to every request.
fn other_server(answer: &'static str) -> String {
    let listener = TcpListener::bind("127.0.0.1:0").expect("a port");
    let base = format!("http://{}", listener.local_addr().expect("an address"));
    std::thread::spawn(move || {
        for mut stream in listener.incoming().flatten() {
            let _asked = stream.read(&mut [0; 2_048]);
            let head = "HTTP/1.1 200 OK\r\nconnection: close\r\ncontent-length";
            let _gone = stream.write_all(format!("{head}: {}\r\n\r\n{answer}", answer.len()).as_bytes());
        }
    });
    base
}

/// Runs that do not start: nothing listens at the module's address, or something else than a daemon answers.
#[rstest]
#[case(None, "nothing answers at 127.0.0.1:9")]
#[case(Some("<html>It works!</html>"), "is not a tripbench daemon of this version (HTTP status 200)")]
#[case(Some("{\"jam\": 1}"), "is not a tripbench daemon of this version (HTTP status 200)")]
#[case(Some(""), "is not a tripbench daemon of this version (HTTP status 200)")]
fn a_run_that_does_not_start_says_why_and_leaves_no_folder(
    #[case] server: Option<&'static str>,
    #[case] says: &str,
    #[values("", "--out here")] out: &str,
) {
    let workplace = Workplace::new();
    workplace.change("rig.toml", "127.0.0.1:1502", "127.0.0.1:9");
    let on = server.map_or_else(String::new, |answer| format!("--on {}", other_server(answer)));
    let said = workplace.run(&format!("run {SHEETS} --no-serial {out} {on}"));
    assert_eq!(said.code, Some(2), "{}", said.err);
    assert!(said.err.contains(says), "{}", said.err);
    let left = std::fs::read_dir(workplace.folder.join("out")).map_or(0, Iterator::count);
    assert_eq!((left, workplace.folder.join("here").exists()), (0, false));
}

/// A folder in place of a file: as on a full disk, the file cannot be written at the end.
#[rstest]
fn live_a_record_that_cannot_be_made_is_no_wrong_usage(#[values("trace.csv", "report.html")] file: &str) {
    let workplace = quick();
    workplace.write("brief.toml", "name = \"brief\"\nstate = \"released\"\n[[step]]\ndo = \"zero\"\n");
    let _rig = Simulated::start(&workplace);
    let in_the_way = workplace.folder.join("run").join(file);
    std::fs::create_dir_all(in_the_way.join("full")).expect("a folder");
    let said = workplace.run("run --rig rig.toml --script brief.toml --no-serial --out run");
    assert_eq!(said.code, Some(4), "{}\n{}", said.out, said.err);
    for words in ["Outputs safe, read back.", "`tripbench report run` makes the record", file] {
        assert!(said.err.contains(words), "{words}: {}", said.err);
    }
    std::fs::remove_dir_all(in_the_way).expect("it is there");
    assert_eq!(workplace.run("report run").code, Some(3));
    let record: Value = serde_json::from_str(&workplace.read("run/record.json")).expect("JSON");
    assert_eq!(record["safe_confirmed"], true);
}

/// The module is gone in the middle of a run: the next line says what that means, long before the program gives up.
#[rstest]
fn live_a_lost_module_is_told_with_what_to_do(#[values(true, false)] frozen: bool) {
    let workplace = quick();
    let rig = Simulated::start(&workplace);
    let mut command = workplace.command(&format!("run {SHEETS} --no-serial --out run"));
    let mut child = command.stdout(Stdio::piped()).stderr(Stdio::piped()).spawn().expect("it starts");
    let mut lines = BufReader::new(child.stderr.take().expect("its words")).lines().map_while(Result::ok);
    let mut until = |words: &str| lines.by_ref().find(|line| line.contains(words)).expect("it says so");
    until("zero           done");
    if frozen {
        rig.freeze();
    } else {
        drop(rig);
    }
    until("STOPPED");
    let next = lines.next().expect("a line");
    assert!(next.contains("not confirmed safe") && next.contains("shut off air and power by hand"), "{next}");
    drop(child.kill());
    drop(child.wait());
}

/// A rehearsal has no outputs.
#[test]
fn a_rehearsal_without_its_end_says_nothing_of_outputs_that_are_not_safe() {
    let workplace = Workplace::new();
    workplace.run(&format!("rehearse {SHEETS} --no-serial --out run"));
    let journal = workplace.read("run/run.journal");
    for file in ["record.json", "trace.csv", "report.html"] {
        std::fs::remove_file(workplace.folder.join("run").join(file)).expect("a file");
    }
    let some: String = journal.split_inclusive('\n').take(400).collect();
    workplace.write("run/run.journal", &some);
    let said: Said = workplace.run("report run");
    assert_eq!(said.code, Some(4), "{}\n{}", said.out, said.err);
    assert!(said.out.contains("The rehearsal ended before its outputs were safe."), "{}", said.out);
    assert!(!said.out.contains("Shut off"), "{}", said.out);
}
