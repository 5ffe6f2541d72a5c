use super::*;
use rstest::rstest;
use tripbench_quantity::{TimeSpan, VacuumLevel};

#[derive(Debug)]
struct Toy {
    level: At<VacuumLevel>,
    wait: At<TimeSpan>,
}

fn toy(reader: &Reader<'_>) -> Option<Toy> {
    let level = reader.required("level", "how deep");
    let wait = reader.or("wait", "how long", TimeSpan::new(1.0));
    let _list = reader.tables("inner", "tables within", |inner| inner.required::<u8>("number", "a number"));
    Some(Toy { level: level?, wait: wait? })
}

fn findings(text: &str) -> Vec<Finding> {
    let findings = Findings::new();
    let source = Source::new("toy.toml", text);
    let _toy = read_sheet(&source, &findings, toy);
    findings.into_sorted()
}

#[test]
fn a_good_text_has_no_findings_and_keeps_places() {
    let findings = Findings::new();
    let source = Source::new("toy.toml", "level = \"62 kPa\"\n");
    let toy = read_sheet(&source, &findings, toy).expect("good");
    assert!((toy.level.si() - 62e3).abs() < 1e-9 && (toy.wait.si() - 1.0).abs() < 1e-12);
    assert_eq!(toy.level.place.text(), "\"62 kPa\"");
    assert!(findings.into_sorted().is_empty());
}

#[rstest]
#[case("level = 62", "no-unit", "1:9")]
#[case("level = \"62 kpa\"", "not-a-quantity", "1:9")]
#[case("wait = \"1 s\"", "missing-key", "1:1")]
#[case("level = \"62 kPa\"\nwiat = \"1 s\"", "unknown-key", "2:1")]
#[case("level = \"62 kPa\"\ninner = [{ number = 300 }]", "out-of-range", "2:21")]
fn each_finding_names_rule_and_place(#[case] text: &str, #[case] rule: &str, #[case] place: &str) {
    let all = findings(text);
    let found =
        all.iter().find(|finding| finding.rule == rule).unwrap_or_else(|| panic!("{rule} in {all:?}"));
    assert_eq!(found.place.shown(), format!("toy.toml:{place}"));
}

#[test]
fn all_findings_come_at_once() {
    let rules: Vec<_> = findings("level = 62\nwiat = 1\ninner = [{ nummer = 1 }]")
        .iter()
        .map(|finding| finding.rule)
        .collect();
    assert_eq!(rules, ["no-unit", "unknown-key", "missing-key", "unknown-key"]);
}

#[test]
fn a_syntax_error_does_not_hide_what_else_is_wrong() {
    let rules: Vec<_> = findings("level = 62\nwait = \n").iter().map(|finding| finding.rule).collect();
    assert!(rules.contains(&"syntax") && rules.contains(&"no-unit"), "{rules:?}");
}

#[test]
fn a_misspelt_key_gets_the_nearest_one() {
    let all = findings("level = \"62 kPa\"\nwiat = \"1 s\"");
    assert_eq!(all[0].wording.help, "did you mean `wait`?");
    insta::assert_snapshot!(all[0].render(false));
}

#[test]
fn the_schema_comes_from_the_same_reading() {
    let schema = schema_of("toy", toy);
    assert_eq!(schema["required"], json!(["level"]));
    assert_eq!(schema["properties"]["inner"]["items"]["required"], json!(["number"]));
    assert_eq!(schema["additionalProperties"], json!(false));
}

// Gregorian calendar: 1900 was not a leap year, 2000 was.
#[rstest]
#[case("\"2026-02-28\"", None)]
#[case("2026-11-30", None)]
#[case("2024-02-29", None)]
#[case("\"2000-02-29\"", None)]
#[case("\"2026-02-29\"", Some("no-such-date"))]
#[case("\"2026-02-31\"", Some("no-such-date"))]
#[case("\"1900-02-29\"", Some("no-such-date"))]
#[case("\"2026-04-31\"", Some("no-such-date"))]
#[case("\"2026-13-01\"", Some("no-such-date"))]
#[case("\"2026-00-01\"", Some("no-such-date"))]
#[case("\"2026-2-1\"", Some("not-a-date"))]
#[case("\"20260201\"", Some("not-a-date"))]
#[case("\"2026-W05-1\"", Some("not-a-date"))]
fn a_date_is_one_of_the_calendar(#[case] date: &str, #[case] rule: Option<&str>) {
    let findings = Findings::new();
    let read = |reader: &Reader<'_>| reader.required::<crate::Date>("due", "when");
    let found = read_sheet(&Source::new("toy.toml", format!("due = {date}\n")), &findings, read);
    assert_eq!(findings.into_sorted().first().map(|finding| finding.rule), rule);
    assert_eq!(found.map(|date| date.as_str().to_owned()), rule.is_none().then(|| date.replace('"', "")));
}

/// A quantity with a comma: message and help do not contradict each other.
#[rstest]
#[case("0,25kpa", "write `0.25 kPa`")]
#[case("60,5 kPa", "write `60.5 kPa`")]
#[case("1,000 Pa", "write `1.000 Pa`, or `1000 Pa`")]
#[case("6,2", "such as `6.2 kPa`")]
fn a_comma_is_corrected_once(#[case] value: &str, #[case] says: &str) {
    let all = findings(&format!("level = \"{value}\""));
    assert_eq!(all.len(), 1, "{all:?}");
    assert!(all[0].wording.message.contains(says), "{all:?}");
    assert!(!all[0].wording.help.contains(',') && !all[0].wording.help.contains("did you mean"), "{all:?}");
}

/// A value without quotes, with a comma or with its unit: the syntax error says what to write.
#[rstest]
#[case("level = 2,5", "write `level = \"2.5 UNIT\"` with its unit; if it has none, `level = 2.5`")]
#[case("level = -2,5 # deep", "write `level = \"-2.5 UNIT\"` with its unit; if it has none, `level = -2.5`")]
#[case(
    "level = 1,000",
    "write `level = \"1.000 UNIT\"` with its unit; if it has none, `level = 1.000`, or `level = 1000` if"
)]
#[case("level = 60,0 kPa", "write `level = \"60.0 kPa\"`")]
#[case("level = 60.0 kPa", "write `level = \"60.0 kPa\"`")]
#[case("level = 60kPa", "write `level = \"60 kPa\"`")]
#[case("level=60,5kPa   ", "write `level = \"60.5 kPa\"`")]
#[case("level = -60 kPa gauge # deep", "write `level = \"-60 kPa gauge\"`")]
#[case("level = 0.2 kPa/s", "write `level = \"0.2 kPa/s\"`")]
#[case("level = 0,5 %FS", "write `level = \"0.5 %FS\"`")]
#[case(
    "level = 1,000 Pa",
    "write `level = \"1.000 Pa\"`, or `level = \"1000 Pa\"` if the comma separates thousands"
)]
#[case("level = 1.000,5 Pa", "write `level = \"1000.5 Pa\"`")]
#[case("inner = [{ number = 2,5 ms, word = 1 }]", "write `number = \"2.5 ms\"`")]
fn a_value_without_quotes_gets_what_to_write(#[case] line: &str, #[case] says: &str) {
    let all = findings(&format!("wait = \"1 s\"\n{line}\n"));
    let helps: Vec<&str> = all.iter().map(|finding| finding.wording.help.as_str()).collect();
    assert!(helps.iter().any(|help| help.starts_with(says)), "{helps:?}");
}

/// Other syntax errors get no advice that is not meant for them.
#[rstest]
#[case("level = ")]
#[case("level = kPa")]
#[case("level \"62 kPa\"")]
#[case("level = \"62 kPa")]
#[case("[level")]
#[case("level = 62 62")]
#[case("level = 2026-13-40")]
fn another_syntax_error_gets_no_advice_about_numbers(#[case] line: &str) {
    let all = findings(&format!("{line}\n"));
    let syntax: Vec<&Finding> = all.iter().filter(|finding| finding.rule == "syntax").collect();
    assert!(
        !syntax.is_empty() && syntax.iter().all(|finding| !finding.wording.help.contains("write")),
        "{all:?}"
    );
}
