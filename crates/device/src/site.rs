//! The site sheet: what applies to a whole site. Every entry has a default, so a bench also works without a site sheet.

use tripbench_quantity::{
    AbsolutePressure, Altitude, Length, LevelStyle, PressureUnit, SignConvention, TimeSpan, VacuumLevel,
};
use tripbench_sheet::{At, Finding, Findings, Reader, Source, Text, Wording, read_sheet, words};

words! {
    /// Rule by which a result near a limit is decided.
    pub enum DecisionRule {
        /// Pass if inside the limits by U or more, fail if outside by U or more, otherwise undecided.
        GuardBand = "guard-band",
        /// Pass inside the limits, fail outside; the uncertainty is shown but does not count.
        Simple = "simple",
        /// Pass or fail only if the risk of a wrong decision is at most `highest_risk`, otherwise undecided.
        HighestRisk = "highest-risk",
    }
}

words! {
    /// What happens if the calibration of the reference has expired.
    pub enum ExpiredCalibration {
        /// The run is refused.
        Refuse = "refuse",
        /// The run goes ahead with a warning.
        Warn = "warn",
    }
}

words! {
    /// What becomes of a pass if the selected delay, the delay of an output or bounce was not checked.
    pub enum NotChecked {
        /// The device still passes; what was not checked is shown beside the verdict.
        Say = "say",
        /// The device is undecided instead.
        Undecided = "undecided",
    }
}

words! {
    /// Sign convention for vacuum levels.
    pub enum SignWord {
        /// Positive below ambient.
        Vacuum = "vacuum",
        /// Negative below ambient.
        Gauge = "gauge",
    }
}

words! {
    /// Language of the page and of the texts that sheets give in several.
    pub enum Language {
        /// English.
        English = "en",
        /// German.
        German = "de",
    }
}

/// How long the bench waits before it aborts.
#[derive(Debug, Clone, PartialEq)]
pub struct Waiting {
    /// Longest wait for the air pressure to recover.
    pub air: TimeSpan,
    /// Longest wait for an answer to a prompt.
    pub answer: TimeSpan,
}

/// The site sheet.
#[derive(Debug, Clone, PartialEq)]
pub struct SiteSheet {
    /// Name of the site.
    pub name: String,
    /// Language of the page and of texts.
    pub language: Language,
    /// Unit and sign convention of displayed levels.
    pub style: LevelStyle,
    /// Height above sea level.
    pub altitude: Altitude,
    /// Decision rule.
    pub decision: DecisionRule,
    /// Highest allowed risk of a wrong pass or fail, 0 to 1, for [`DecisionRule::HighestRisk`].
    pub highest_risk: f64,
    /// Standard deviation of the devices around nominal, as a share of half the tolerance; if given, that rule takes it into
    /// account.
    pub process_spread: Option<f64>,
    /// What becomes of a pass if something was not checked.
    pub not_checked: NotChecked,
    /// What happens if the calibration of the reference has expired.
    pub expired_calibration: ExpiredCalibration,
    /// Waiting limits.
    pub waiting: Waiting,
    /// Sheets to use when the command line names none.
    pub defaults: Defaults,
    /// Additional cautions to show.
    pub cautions: Option<Text>,
    /// Width of the visible screen at the bench, from which the page makes its buttons large enough for gloves.
    pub screen_width: Option<Length>,
}

/// Default of `highest_risk`: the share of wrong decisions with a guard band of U (ILAC-G8:09/2019).
const HIGHEST_RISK: f64 = 0.025;

/// Paths of default sheets, relative to the site sheet.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Defaults {
    /// Rig sheet.
    pub rig: Option<At<String>>,
    /// Type sheet.
    pub device_type: Option<At<String>>,
    /// Settings sheet.
    pub settings: Option<At<String>>,
    /// Folder of scripts; the script `goods-in` is `goods-in.toml` in it.
    pub scripts: Option<At<String>>,
}

impl SiteSheet {
    /// Reads a site sheet.
    pub fn read(reader: &Reader<'_>) -> Option<Self> {
        let name = reader.or("name", "name of the site", String::from("this site"));
        let language =
            reader.or("language", "language of the page and of questions: en or de", Language::English);
        let unit = reader.or("unit", "unit of displayed levels", PressureUnit::KILOPASCAL);
        let sign = reader.or("sign", "vacuum (positive below ambient) or gauge (negative)", SignWord::Vacuum);
        let altitude = reader.or("altitude", "height above sea level, such as \"200 m\"", Altitude::ZERO);
        let altitude = reader
            .tested(altitude, "0 m to 5000 m", |height: &Altitude| (0.0..=5000.0).contains(&height.si()));
        let decision = reader.or("decision", "guard-band, simple or highest-risk", DecisionRule::GuardBand);
        let about = "for highest-risk: largest share of wrong passes or fails, such as 0.025";
        let risk = of_rule(reader, decision.as_ref(), "highest_risk", about);
        let risk = some_tested(reader, risk, "0.0001 to 0.5", |risk| (1e-4..=0.5).contains(risk));
        let about = "for highest-risk: standard deviation of the devices around nominal, as a share of half the tolerance";
        let process = of_rule(reader, decision.as_ref(), "process_spread", about);
        let process = some_tested(reader, process, "0.01 to 10", |share| (0.01..=10.0).contains(share));
        let not_checked = reader.or(
            "not_checked",
            "what becomes of a pass if a delay or bounce was not checked: say or undecided",
            NotChecked::Say,
        );
        let expired = reader.or("expired_calibration", "refuse or warn", ExpiredCalibration::Refuse);
        let waiting =
            reader.optional_table("waiting", "how long the bench waits before it aborts", Waiting::read);
        let defaults = reader.optional_table(
            "defaults",
            "sheets to use when the command line names none",
            Defaults::read,
        );
        let cautions = reader.optional("cautions", "additional cautions to show");
        let screen = reader.optional_table("screen", "the screen at the bench", |reader: &Reader<'_>| {
            let width = reader.required::<Length>("width", "width of its visible area, such as \"222 mm\"");
            reader.tested(width, "100 mm to 2 m", |width: &Length| (0.1..=2.0).contains(&width.si()))
        });
        let sign = match sign?.value {
            SignWord::Vacuum => SignConvention::Vacuum,
            SignWord::Gauge => SignConvention::Gauge,
        };
        Some(Self {
            name: name?.value,
            language: language?.value,
            style: LevelStyle { unit: unit?.value, sign },
            altitude: altitude?.value,
            decision: decision?.value,
            highest_risk: risk?.unwrap_or(HIGHEST_RISK),
            process_spread: process?,
            not_checked: not_checked?.value,
            expired_calibration: expired?.value,
            waiting: waiting?.unwrap_or_default(),
            defaults: defaults?.unwrap_or_default(),
            cautions: cautions?.map(|text| text.value),
            screen_width: screen?.map(|width| width.value),
        })
    }

    /// Ambient pressure at the altitude of this site, in the standard atmosphere.
    pub fn ambient(&self) -> AbsolutePressure {
        ambient_at(self.altitude)
    }

    /// Deepest level that the pump reaches at this site, given its deepest level at sea level.
    pub fn reached(&self, ultimate_at_sea_level: VacuumLevel) -> VacuumLevel {
        let share = self.ambient().si() / ambient_at(Altitude::ZERO).si();
        VacuumLevel::new(ultimate_at_sea_level.si() * share)
    }
}

/// Reads a key that only the rule highest-risk uses; with another rule it is an error, because it would have no effect.
#[expect(clippy::option_option, reason = "outer `None`: wrong; inner `None`: left out")]
fn of_rule(
    reader: &Reader<'_>,
    decision: Option<&At<DecisionRule>>,
    key: &'static str,
    about: &str,
) -> Option<Option<At<f64>>> {
    let found = reader.optional::<f64>(key, about)?;
    let (Some(at), Some(rule)) = (&found, decision) else { return Some(found) };
    if rule.value == DecisionRule::HighestRisk {
        return Some(found);
    }
    let wording = Wording::new(
        format!("`{key} = {}` is not used with decision = \"{}\"", at.value, rule.value),
        "only for decision = \"highest-risk\"",
        format!("write decision = \"highest-risk\", or leave `{key}` out"),
    );
    reader.finding(Finding::error("key-of-another-rule", &at.place, wording));
    None
}

/// An optional number that must pass `test`; `allowed` tells people which values do.
#[expect(clippy::option_option, reason = "outer `None`: wrong; inner `None`: left out")]
fn some_tested(
    reader: &Reader<'_>,
    found: Option<Option<At<f64>>>,
    allowed: &str,
    test: impl Fn(&f64) -> bool,
) -> Option<Option<f64>> {
    match found? {
        Some(at) => reader.tested(Some(at), allowed, test).map(|at| Some(at.value)),
        None => Some(None),
    }
}

impl Default for SiteSheet {
    fn default() -> Self {
        let read = read_sheet(&Source::new("default site", ""), &Findings::new(), Self::read);
        read.unwrap_or_else(|| Self {
            name: String::from("this site"),
            language: Language::English,
            style: LevelStyle::default(),
            altitude: Altitude::ZERO,
            decision: DecisionRule::GuardBand,
            highest_risk: HIGHEST_RISK,
            process_spread: None,
            not_checked: NotChecked::Say,
            expired_calibration: ExpiredCalibration::Refuse,
            waiting: Waiting::default(),
            defaults: Defaults::default(),
            cautions: None,
            screen_width: None,
        })
    }
}

impl Waiting {
    fn read(reader: &Reader<'_>) -> Option<Self> {
        let default = Self::default();
        let air = reader.or("air", "longest wait for the air pressure to recover", default.air);
        let answer = reader.or("answer", "longest wait for an answer to a prompt", default.answer);
        Some(Self { air: air?.value, answer: answer?.value })
    }
}

impl Default for Waiting {
    fn default() -> Self {
        Self { air: TimeSpan::new(60.0), answer: TimeSpan::new(900.0) }
    }
}

impl Defaults {
    fn read(reader: &Reader<'_>) -> Option<Self> {
        let rig = reader.optional("rig", "rig sheet");
        let device_type = reader.optional("type", "type sheet");
        let settings = reader.optional("settings", "settings sheet");
        let scripts = reader.optional("scripts", "folder of scripts");
        Some(Self { rig: rig?, device_type: device_type?, settings: settings?, scripts: scripts? })
    }
}

/// Pressure of the standard atmosphere at a geopotential height below 11 km (ISO 2533, with its published constants).
pub fn ambient_at(height: Altitude) -> AbsolutePressure {
    const SEA_LEVEL_PA: f64 = 101_325.0;
    const SEA_LEVEL_K: f64 = 288.15;
    const LAPSE_K_PER_M: f64 = -0.006_5;
    const GRAVITY: f64 = 9.806_65;
    const MOLAR_MASS: f64 = 28.964_4;
    const GAS_CONSTANT: f64 = 8_314.32;
    let ratio = 1.0 + LAPSE_K_PER_M * height.si() / SEA_LEVEL_K;
    let exponent = -GRAVITY * MOLAR_MASS / (GAS_CONSTANT * LAPSE_K_PER_M);
    AbsolutePressure::new(SEA_LEVEL_PA * ratio.powf(exponent))
}

#[cfg(test)]
mod tests {
    use super::*;
    use rstest::rstest;

    // ISO 2533 / US Standard Atmosphere 1976, geopotential heights, hPa (constants as published, recomputed).
    #[rstest]
    #[case(0.0, 1013.25)]
    #[case(200.0, 989.4533)]
    #[case(500.0, 954.6084)]
    #[case(800.0, 920.7639)]
    #[case(1000.0, 898.7457)]
    #[case(2000.0, 794.9522)]
    #[case(5000.0, 540.1991)]
    fn ambient_agrees_with_the_standard_atmosphere(#[case] metre: f64, #[case] hectopascal: f64) {
        assert!((ambient_at(Altitude::new(metre)).si() / 100.0 - hectopascal).abs() < 5e-5);
    }

    #[rstest]
    fn a_key_of_highest_risk_is_refused_with_another_rule(
        #[values("", "decision = \"guard-band\"", "decision = \"simple\"", "decision = \"highest-risk\"")]
        rule: &str,
        #[values("highest_risk = 0.01", "highest_risk = 0.025", "process_spread = 0.3")] key: &str,
    ) {
        let findings = Findings::new();
        let text = format!("{key}\n{rule}");
        let read = read_sheet(&Source::new("site", &text), &findings, SiteSheet::read);
        let said: Vec<String> = findings.into_sorted().iter().map(|one| one.render(false)).collect();
        let used = rule.contains("highest-risk");
        assert_eq!((read.is_some(), said.len()), (used, usize::from(!used)), "{said:?}");
        let named = said.iter().all(|one| one.contains("key-of-another-rule") && one.contains("site:1:"));
        assert!(named, "{said:?}");
    }

    #[test]
    fn a_site_without_a_sheet_has_every_default() {
        let site = SiteSheet::default();
        assert_eq!(site.decision, DecisionRule::GuardBand);
        assert!((site.ambient().si() - 101_325.0).abs() < 1e-9);
    }
}
