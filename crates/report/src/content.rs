//! The content model: a record in words and figures, before it becomes a page, a table or a drawing.

use std::sync::Arc;
use tripbench_quantity::SignConvention;
use tripbench_quantity::{LevelStyle, significant};
use tripbench_record::{
    Check, CheckVerdict, Halt, PositionRecord, QuantityName, Record, Role, RunHeader, SheetRole, Verdict,
};

/// What a run says about its positions, in words: a run in progress, or a record.
#[derive(Debug, Clone, Copy)]
pub struct Content<'r> {
    /// Header of the run.
    pub header: &'r RunHeader,
    /// Why the run was stopped early, if it was.
    pub halted: Option<&'r Halt>,
    /// Checks of the rig.
    pub rig_checks: &'r [Arc<Check>],
    /// Unit and sign of levels.
    pub style: LevelStyle,
}

/// One check as a row.
#[derive(Debug, Clone, PartialEq)]
pub struct Row {
    /// Name of the quantity.
    pub name: String,
    /// Limits with unit, or a dash.
    pub limits: String,
    /// Value with unit, or a dash.
    pub value: String,
    /// Expanded uncertainty with unit, or empty.
    pub uncertainty: String,
    /// Place of the value between its limits: 0 at the lower, 1 at the upper limit.
    pub place: Option<f64>,
    /// Result of the check, as a word.
    pub word: &'static str,
    /// Reason for the result, if the figures do not show it; else empty.
    pub remark: String,
}

/// Name of a quantity for people.
pub const fn quantity_name(quantity: QuantityName) -> &'static str {
    match quantity {
        QuantityName::Zero => "zero reading",
        QuantityName::ZeroDrift => "zero drift",
        QuantityName::LeakRate => "leak of the rig",
        QuantityName::EvacuationSteady => "steadiness of evacuation",
        QuantityName::SwitchPoint => "switch point",
        QuantityName::ResetPoint => "reset point",
        QuantityName::Hysteresis => "hysteresis",
        QuantityName::Repeatability => "repeatability",
        QuantityName::ResetSpread => "repeatability of the reset point",
        QuantityName::CutOffSpread => "repeatability of the cut-off",
        QuantityName::ResumeSpread => "repeatability of the resume level",
        QuantityName::CutOff => "cut-off",
        QuantityName::Resume => "resume",
        QuantityName::Chatter => "chatter",
        QuantityName::OnDelay => "delay of the output, on",
        QuantityName::OffDelay => "delay of the output, off",
        QuantityName::CutOffDelay => "delay of the valve output, cut-off",
        QuantityName::ResumeDelay => "delay of the valve output, resume",
        QuantityName::SelectedDelay => "selected delay",
        QuantityName::Bounce => "bounce",
        QuantityName::Hose => "hose",
        QuantityName::FirstOperation => "first operation after rest",
        QuantityName::OutputStates => "states of the outputs",
        QuantityName::OwnEdges => "edges of its own",
        QuantityName::OwnInput => "input of the output",
        QuantityName::InputsAsRead => "inputs as read",
        QuantityName::SeenToAct => "seen to act",
        QuantityName::ResponseOn => "response, on",
        QuantityName::ResponseOff => "response, off",
        QuantityName::ScanPeriod => "scan period",
        QuantityName::ScanGap => "longest gap between scans",
        QuantityName::StopLatency => "longest stop time",
        QuantityName::ClockTick => "tick of the module's clock",
        QuantityName::Noise => "noise of the reference",
        QuantityName::ValveDelay => "valve delay",
        QuantityName::PathLag => "path lag of an input",
        QuantityName::ImageAge => "image age of the inputs",
        QuantityName::LossOfMaster => "loss of master",
        QuantityName::ThermalTime => "thermal time constant",
        QuantityName::LeastDeepLevel => "least deep level, saving air",
    }
}

fn verdict_word(check: &Check) -> &'static str {
    if check.not_checked() {
        return "not checked";
    }
    match check.verdict {
        CheckVerdict::Pass => "pass",
        CheckVerdict::Fail => "FAIL",
        CheckVerdict::Undecided => "undecided",
        CheckVerdict::Measured => "measured",
        CheckVerdict::Met => "met",
        CheckVerdict::NotMet => "NOT MET",
    }
}

/// A value of a check in the unit of the site, with as many digits as its uncertainty supports.
pub fn value_text(check: &Check, value: f64, style: LevelStyle) -> String {
    let uncertainty = check.measured.as_ref().map_or(0.0, |measured| measured.expanded_uncertainty);
    let scale = style.unit.pascal();
    let is_level = matches!(
        check.quantity,
        QuantityName::SwitchPoint
            | QuantityName::ResetPoint
            | QuantityName::CutOff
            | QuantityName::Resume
            | QuantityName::LeastDeepLevel
            | QuantityName::FirstOperation
    );
    match check.unit.as_str() {
        "Pa" => {
            let sign = if is_level && style.sign == SignConvention::Gauge { -1.0 } else { 1.0 };
            let digits = significant(uncertainty / scale).min(style.decimals() + 2);
            format!("{} {}", fixed(sign * value / scale, digits), style.unit.symbol())
        }
        "Pa/s" => {
            let digits = significant(uncertainty / scale).min(style.decimals() + 2);
            format!("{} {}/s", fixed(value / scale, digits), style.unit.symbol())
        }
        "s" if check.quantity == QuantityName::ClockTick => format!("{} µs", fixed(value * 1e6, 2)),
        "s" => format!("{} ms", fixed(value * 1e3, 1)),
        _ => format!("{value:.2}"),
    }
}

/// A number with `digits` decimals; minus zero becomes zero.
fn fixed(value: f64, digits: usize) -> String {
    let text = format!("{value:.digits$}");
    let is_zero = text.chars().all(|c| matches!(c, '-' | '0' | '.'));
    if is_zero { text.trim_start_matches('-').to_owned() } else { text }
}

impl<'r> Content<'r> {
    /// The content of a record.
    pub fn of(record: &'r Record, style: LevelStyle) -> Self {
        let Record { header, halted, rig_checks, .. } = record;
        Self { header, halted: halted.as_ref(), rig_checks, style }
    }

    /// A row for a check.
    pub fn row(&self, check: &Check) -> Row {
        let text = |value: f64| value_text(check, value, self.style);
        let limits = check.limits.map_or_else(
            || String::from("–"),
            |limits| match (limits.low, limits.high) {
                (Some(low), Some(high)) => {
                    let (low, high) = (text(low), text(high));
                    let bare = low.split(' ').next().unwrap_or_default().to_owned();
                    format!("{bare} … {high}")
                }
                (None, Some(high)) => format!("≤ {}", text(high)),
                (Some(low), None) => format!("≥ {}", text(low)),
                (None, None) => String::from("–"),
            },
        );
        let measured = check.measured.as_ref();
        // A screening check does not require the value to lie inside the limits, so it has no bar.
        let drawn = check.limits.filter(|_| check.verdict != CheckVerdict::Measured);
        let place = measured.zip(drawn).and_then(|(measured, limits)| match (limits.low, limits.high) {
            (Some(low), Some(high)) => Some((measured.value - low) / (high - low)),
            (None, Some(high)) => Some((measured.value / high).max(0.0)),
            (Some(_) | None, None) => None,
        });
        Row {
            name: if matches!(
                check.quantity,
                QuantityName::ValveDelay | QuantityName::OwnInput | QuantityName::SeenToAct
            ) {
                format!("{}: {}", check.step_name, quantity_name(check.quantity))
            } else if check.step_name == "air-saving"
                && matches!(check.quantity, QuantityName::CutOff | QuantityName::Resume)
            {
                format!("{}, driving the valve", quantity_name(check.quantity))
            } else {
                quantity_name(check.quantity).to_owned()
            },
            limits,
            value: measured.map_or_else(|| String::from("–"), |measured| text(measured.value)),
            uncertainty: measured
                .map_or_else(String::new, |measured| text(measured.expanded_uncertainty))
                .trim_start_matches('-')
                .to_owned(),
            place,
            word: verdict_word(check),
            remark: check.remark.clone().unwrap_or_default(),
        }
    }

    /// Sentences about the other checks of a position with the same result as the deciding one: failed or undecided.
    pub fn also_failed(&self, position: &PositionRecord) -> Vec<String> {
        let decided = position.decided_by();
        let wanted = match position.verdict {
            Verdict::Fail => CheckVerdict::Fail,
            Verdict::Undecided => CheckVerdict::Undecided,
            Verdict::Pass | Verdict::Aborted | Verdict::Measured => return Vec::new(),
        };
        let others = position.checks.iter().map(Arc::as_ref).filter(|check| {
            matches!(check.role, Role::Required | Role::Screening)
                && check.verdict == wanted
                && Some(check.quantity) != decided.map(|by| by.quantity)
        });
        let say = |check: &Check| {
            let row = self.row(check);
            if row.uncertainty.is_empty() && row.remark.is_empty() {
                format!("Also {}: not measured.", row.name)
            } else if row.uncertainty.is_empty() || check.limits.is_none() {
                format!("Also {}. {}", row.name, ended(&row.remark))
            } else {
                let found =
                    format!("{}: {} ± {}. Allowed: {}.", row.name, row.value, row.uncertainty, row.limits);
                let why =
                    if row.remark.is_empty() { String::new() } else { format!(" {}", ended(&row.remark)) };
                format!("Also {found}{why}")
            }
        };
        others.map(say).collect()
    }

    /// Note to be shown with the verdicts of a simulated run; empty for a real one.
    pub const fn simulated(&self) -> &'static str {
        if self.header.simulated { "SIMULATED BENCH: no device was tested." } else { "" }
    }

    /// Number of this test of the device, to be shown with the verdict if it was tested before; else empty.
    pub fn attempt(&self) -> String {
        let again = self.header.again.as_ref();
        again.map_or_else(String::new, |again| format!("Test {} of this device.", again.attempt))
    }

    /// Identification of the module, unchanged; empty if it gave none or was not asked.
    pub fn module(&self) -> String {
        let Some(module) = &self.header.module else { return String::new() };
        let said = [&module.vendor, &module.product, &module.revision].map(String::as_str);
        let said: Vec<&str> = said.into_iter().filter(|text| !text.is_empty()).collect();
        format!("The module identifies itself as: {}.", said.join(", "))
    }

    /// The first condition of the rig that is not met.
    fn unmet(&self) -> Option<&Check> {
        let unmet = |check: &&Check| check.role == Role::Condition && check.verdict != CheckVerdict::Met;
        self.rig_checks.iter().map(Arc::as_ref).find(unmet)
    }

    /// The check that decided a position: a condition of the rig that is not met, else a check of the position.
    pub fn decided_by<'c>(&'c self, position: &'c PositionRecord) -> Option<&'c Check> {
        self.unmet().filter(|_| position.verdict == Verdict::Undecided).or_else(|| position.decided_by())
    }

    /// The sentence that goes with a position's verdict.
    pub fn sentence(&self, position: &PositionRecord) -> String {
        if let Some(aside) = &position.set_aside {
            let level = self.style.level(aside.level);
            return format!("Set aside at {:.1} s, {level}: {}.", aside.at.seconds(), aside.why);
        }
        if let (Verdict::Aborted, Some(halt)) = (position.verdict, self.halted) {
            return format!("No judgement: {halt}.");
        }
        if let Some(unmet) = self.unmet().filter(|_| position.verdict == Verdict::Undecided) {
            let row = self.row(unmet);
            return format!(
                "The rig cannot tell: {} {} ({}). {}",
                row.name, row.value, row.limits, row.remark
            );
        }
        let Some(check) = position.decided_by() else {
            let remark = position.checks.iter().find_map(|check| check.remark.clone());
            if let (Verdict::Undecided, Some(remark)) = (position.verdict, remark) {
                return format!("No result: {remark}.");
            }
            let limits = self.header.sheets.iter().any(|sheet| sheet.role == SheetRole::Settings);
            return String::from(match position.verdict {
                Verdict::Measured if limits => {
                    "Measured; no step of this script is judged against the settings sheet."
                }
                Verdict::Measured => "Measured; no limits were given.",
                Verdict::Pass | Verdict::Fail | Verdict::Undecided | Verdict::Aborted => {
                    "Nothing was judged."
                }
            });
        };
        let row = self.row(check);
        if check.measured.is_none() {
            return format!("{}: {}.", row.name, row.remark);
        }
        let remark = if row.remark.is_empty() { String::new() } else { format!(" {}", ended(&row.remark)) };
        let beyond =
            || format!("{}: {} ± {}. Allowed: {}.{remark}", row.name, row.value, row.uncertainty, row.limits);
        match position.verdict {
            Verdict::Fail => beyond(),
            // An output that is certainly late is undecided for another reason than U.
            Verdict::Undecided if check.is_surely_late() => beyond(),
            Verdict::Undecided if check.limits.is_none() => {
                format!("{}: {} ± {}.{remark}", row.name, row.value, row.uncertainty)
            }
            Verdict::Pass => format!(
                "Nearest limit: {} {} ± {}, allowed {}.",
                row.name, row.value, row.uncertainty, row.limits
            ),
            Verdict::Undecided | Verdict::Aborted | Verdict::Measured => {
                format!(
                    "Too close to a limit, or not enough data: {} {} ± {}, allowed {}.{remark}",
                    row.name, row.value, row.uncertainty, row.limits
                )
            }
        }
    }
}

/// A remark as a sentence: capitalised and with a full stop.
fn ended(remark: &str) -> String {
    let mut letters = remark.chars();
    let first: String = letters.next().into_iter().flat_map(char::to_uppercase).collect();
    let end = if remark.ends_with(['?', '.', '!']) { "" } else { "." };
    format!("{first}{}{end}", letters.as_str())
}
