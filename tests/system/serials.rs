//! Which word of the command line is the script, and which are serial numbers; what the command says to a word in the wrong place.

use rstest::rstest;
use tripbench_tests::command::{Workplace, with_site};

const SHEETS: &str = "--rig rig.toml --type type.toml --settings settings.toml";

/// Whatever else names the script, a serial number that is the name of one is a slip, and would give a verdict under a wrong serial.
#[rstest]
fn a_serial_that_names_a_script_is_refused(
    #[values(
        "goods-in",
        "look",
        "Goods-In",
        "look.toml",
        "scripts/look.toml",
        "scripts/look",
        "../Look",
        "./scripts/goods-in"
    )]
    word: &str,
    #[values(
        "rehearse --script scripts/goods-in.toml WORD A",
        "run --script scripts/goods-in.toml A WORD",
        "rehearse goods-in A WORD",
        "rehearse goods-in --serial 2=WORD",
        "rehearse --script script.toml WORD A"
    )]
    how: &str,
) {
    let workplace = with_site();
    let said = workplace.run(&how.replace("WORD", word));
    assert_eq!(said.code, Some(2), "{}\n{}", said.out, said.err);
    assert!(said.err.contains(&format!("serial number `{word}` is the name of the script")), "{}", said.err);
    assert!(!workplace.folder.join("out").exists());
}

/// Scripts of this folder are known by name if no site sheet names another folder. No other sheet is a script.
#[rstest]
fn a_script_of_this_folder_is_no_serial(
    #[values(
        ("script", true),
        ("SCRIPT.toml", true),
        ("look", true),
        ("../look", true),
        ("./look.toml", true),
        ("rig", false),
        ("settings.toml", false),
        ("truth", false),
        ("site", false),
        ("pipe", false),
        ("scripts", false),
        ("7731-031", false)
    )]
    (word, refused): (&str, bool),
    #[values("[defaults]\nrig = \"rig.toml\"", "[defaults]\nscripts = \".\"")] site: &str,
    #[values("--script script.toml WORD", "script A --serial 2=WORD")] how: &str,
) {
    let workplace = Workplace::new();
    workplace.write("site.toml", &format!("{site}\n"));
    // Nobody writes into it: whoever reads it waits for ever.
    let fifo = workplace.folder.join("pipe.toml");
    assert!(std::process::Command::new("mkfifo").arg(fifo).status().expect("mkfifo").success());
    let said = workplace.run(&format!("rehearse {SHEETS} {}", how.replace("WORD", word)));
    assert_eq!(said.code == Some(2), refused, "{}\n{}", said.out, said.err);
    assert_eq!(said.err.contains("is the name of the script"), refused, "{}", said.err);
}

/// A script beside the given one, in a folder that no site sheet names.
#[rstest]
fn a_script_beside_the_given_one_is_no_serial(#[values("look", "goods-in")] word: &str) {
    let workplace = with_site();
    workplace.change("site.toml", "scripts = \"scripts\"", "scripts = \"rigs\"");
    let said = workplace.run(&format!("rehearse --script scripts/goods-in.toml A {word}"));
    assert_eq!(said.code, Some(2), "{}\n{}", said.out, said.err);
    assert!(said.err.contains(&format!("is the name of the script `scripts/{word}.toml`")), "{}", said.err);
}

/// `--serial` was left out.
#[rstest]
fn a_position_with_its_serial_is_no_serial(
    #[values("3=7731-031", "1=A", "12=7731-031", "0=x", "3=goods-in")] word: &str,
    #[values(
        "rehearse goods-in WORD",
        "rehearse goods-in A WORD",
        "rehearse WORD",
        "rehearse WORD goods-in",
        "rehearse --script script.toml WORD",
        "run goods-in WORD"
    )]
    how: &str,
) {
    let workplace = with_site();
    let said = workplace.run(&how.replace("WORD", word));
    assert_eq!(said.code, Some(2), "{}\n{}", said.out, said.err);
    assert!(said.err.contains(&format!("write --serial {word}")), "{}", said.err);
    assert!(!workplace.folder.join("out").exists());
}

#[rstest]
fn a_serial_may_have_an_equals_sign(
    #[values("SN=12", "a1=3", "=3")] word: &str,
    #[values("goods-in WORD", "goods-in --serial 2=WORD", "goods-in --serial 2=3=WORD")] how: &str,
) {
    let said = with_site().run(&format!("rehearse {}", how.replace("WORD", word)));
    assert_eq!(said.code, Some(0), "{}\n{}", said.out, said.err);
    assert!(said.out.contains(word), "{}", said.out);
}

#[rstest]
#[case("goods-inn", "did you mean `goods-in`?")]
#[case("lok", "did you mean `look`?")]
#[case("7731-031", "Scripts there: goods-in, look.")]
fn an_unknown_script_is_reported_what_is_near(#[case] word: &str, #[case] says: &str) {
    let said = with_site().run(&format!("rehearse {word} A"));
    assert_eq!(said.code, Some(2));
    assert!(said.err.contains(says), "{}", said.err);
}

/// The folder that the site sheet names: empty, absent, not a folder, without scripts. The site sheet itself is there.
#[rstest]
#[case("none", "there are no scripts there")]
#[case("absent", "cannot be read")]
#[case("rig.toml", "cannot be read")]
#[case("others", "there are no scripts there")]
fn a_folder_without_scripts_is_reported(#[case] folder: &str, #[case] says: &str) {
    let workplace = with_site();
    std::fs::create_dir(workplace.folder.join("none")).expect("a folder");
    std::fs::create_dir(workplace.folder.join("others")).expect("a folder");
    workplace.write("others/rig.toml", &workplace.read("rig.toml"));
    workplace.change("site.toml", "scripts = \"scripts\"", &format!("scripts = \"{folder}\""));
    let said = workplace.run("rehearse goods-in A");
    assert_eq!(said.code, Some(2));
    assert!(said.err.contains(says) && !said.err.contains(": ."), "{}", said.err);
    assert!(
        said.err.contains("site.toml:5:11") && !said.err.contains("Is a site sheet missing"),
        "{}",
        said.err
    );
}

/// Without a site sheet the scripts of this folder are meant, or those of a site sheet elsewhere.
#[rstest]
#[case("goods-in", "there is no script `goods-in`")]
#[case("loook", "did you mean `look`?")]
fn where_no_site_sheet_was_found_it_is_asked_for(#[case] word: &str, #[case] says: &str) {
    let said = Workplace::new().run(&format!("rehearse {SHEETS} {word} A"));
    assert_eq!(said.code, Some(2));
    assert!(said.err.contains(says) && said.err.contains("Is a site sheet missing"), "{}", said.err);
    assert!(said.err.contains("Scripts there: look, script."), "{}", said.err);
}

/// A script of the site with its folder, as it is completed by the shell.
#[rstest]
#[case("scripts/goods-in.toml", "goods-in")]
#[case("scripts/look", "look")]
#[case("./scripts/look.toml", "look")]
fn a_script_of_the_site_is_named_without_folder(#[case] word: &str, #[case] name: &str) {
    let said = with_site().run(&format!("rehearse {word} A"));
    assert_eq!(said.code, Some(2), "{}\n{}", said.out, said.err);
    assert!(said.err.contains(&format!("name it without its folder: `{name}`")), "{}", said.err);
    assert!(!said.err.contains("scripts/scripts"), "{}", said.err);
}

#[rstest]
fn a_position_that_the_rig_lacks_is_reported_without_brackets(#[values(0, 5, 200)] position: u8) {
    let said = Workplace::new().run(&format!("rehearse {SHEETS} --script script.toml --serial {position}=A"));
    assert_eq!(said.code, Some(2));
    assert!(said.err.contains("has positions 1, 2, 3, 4"), "{}", said.err);
}
