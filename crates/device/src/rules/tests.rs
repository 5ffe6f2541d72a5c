use super::*;
use crate::settings::SettingsDraft;
use rstest::rstest;
use tripbench_sheet::{Source, read_sheet};

const TYPE: &str = r#"
name = "jar switch A"
full_scale = "100 kPa"
digits = ["0.1 kPa", "1 mbar"]
[promise]
accuracy = "1 %FS + 1 digit"
repeatability = "0.2 %FS"
response_time = "10 ms"
delays = ["0 ms", "20 ms"]
[setting]
least_deep = "5 kPa"
deepest = "95 kPa"
smallest_resume_margin = "2 kPa"
noise = "0.3 kPa"
"#;

const GOOD: &str = r#"
name = "station 3"
type = "jar switch A"
[switch]
switch_point = "60 kPa"
reset_point = "55 kPa"
delay = "0 ms"
[air_saving]
cut_off = "70 kPa"
resume = "64 kPa"
supply_valve = "closed-without-power"
"#;

fn check(text: &str) -> (Option<SettingsSheet>, Vec<Finding>) {
    let findings = Findings::new();
    let device = read_sheet(&Source::new("type.toml", TYPE), &findings, TypeSheet::read).expect("type sheet");
    let draft =
        read_sheet(&Source::new("settings.toml", text), &findings, SettingsDraft::read).expect("draft");
    let around = Surroundings { reached: VacuumLevel::new(88e3) };
    let sheet = check_settings(draft, &device, around, &findings);
    (sheet, findings.into_sorted())
}

#[test]
fn good_settings_break_no_rule() {
    let (sheet, findings) = check(GOOD);
    assert!(findings.is_empty(), "{findings:?}");
    let sheet = sheet.expect("complete");
    assert!((sheet.reset_point.si() - 55e3).abs() < 1e-9);
}

#[rstest]
#[case("jar switch A", "jar switch B", "type-differs")]
#[case("reset_point = \"55 kPa\"\n", "", "reset-missing")]
#[case("reset_point = \"55 kPa\"", "reset_point = \"60 kPa\"", "reset-below-switch")]
#[case("reset_point = \"55 kPa\"", "hysteresis = \"61 kPa\"", "reset-below-switch")]
#[case("cut_off = \"70 kPa\"\n", "", "levels-missing")]
#[case("resume = \"64 kPa\"", "resume = \"58 kPa\"", "resume-at-or-above-switch")]
#[case("resume = \"64 kPa\"", "resume = \"61 kPa\"", "resume-margin")]
#[case("cut_off = \"70 kPa\"", "cut_off = \"63 kPa\"", "cut-off-above-resume")]
#[case("cut_off = \"70 kPa\"", "cut_off = \"88 kPa\"", "deepest-reached")]
#[case("reset_point = \"55 kPa\"", "reset_point = \"4 kPa\"", "inside-range")]
#[case("\"55 kPa\"", "\"55.05 kPa\"", "multiple-of-digit")]
#[case("type = \"jar switch A\"", "type = \"jar switch A\"\nunit = \"inHg\"", "multiple-of-digit")]
#[case("\"55 kPa\"", "\"59.8 kPa\"", "hysteresis-above-noise")]
#[case("\"0 ms\"", "\"15 ms\"", "delay-selectable")]
#[case("[switch]", "[switch]\nmode = \"two-point\"", "mode-offered")]
fn each_rule_is_found_by_its_name(#[case] from: &str, #[case] to: &str, #[case] rule: &str) {
    let (sheet, findings) = check(&GOOD.replacen(from, to, 1));
    assert!(sheet.is_none(), "accepted");
    assert!(findings.iter().any(|finding| finding.rule == rule), "{rule} not in {findings:?}");
}

#[test]
fn rules_run_although_a_field_is_wrong() {
    let text = GOOD.replace("reset_point = \"55 kPa\"", "reset_point = 55").replace("70 kPa", "63 kPa");
    let rules: Vec<_> = check(&text).1.iter().map(|finding| finding.rule).collect();
    assert!(rules.contains(&"no-unit") && rules.contains(&"cut-off-above-resume"), "{rules:?}");
}

// Holding force of one 50 mm pad at 60 kPa: 117.80972450961725 N (F = Δp · A, closed form).
#[rstest]
#[case(11.0, true)]
#[case(13.0, false)]
fn the_workpiece_stays_held_at_the_resume_level(#[case] mass_kg: f64, #[case] held: bool) {
    let workpiece =
        format!("[workpiece]\nmass = \"{mass_kg} kg\"\npads = 1\npad_diameter = \"50 mm\"\nfactor = 1\n");
    let (_, findings) =
        check(&format!("{}{workpiece}", GOOD.replace("resume = \"64 kPa\"", "resume = \"62 kPa\"")));
    assert_eq!(findings.is_empty(), held, "{findings:?}");
}

#[test]
fn every_rule_has_a_name_of_its_own_and_a_reason() {
    for (index, rule) in RULES.iter().enumerate() {
        assert!(!rule.reason.is_empty());
        assert!(RULES[..index].iter().all(|other| other.name != rule.name));
    }
}
