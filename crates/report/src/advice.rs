//! What to do with a device next.

use crate::quantity_name;
use std::fmt;
use tripbench_quantity::{LevelStyle, VacuumLevel};
use tripbench_record::{Check, CheckVerdict, PositionRecord, QuantityName, Role, Verdict};

/// What to do with a device next.
#[derive(Debug, Clone, PartialEq)]
pub enum Advice {
    /// Test it again: there was no judgement.
    TestAgain,
    /// Keep it apart.
    KeepApart,
    /// Keep it apart, and test it again.
    ApartAndAgain,
    /// Keep it apart: it lies at a limit.
    AtLimit,
    /// So many ramps decide it.
    Ramps {
        /// The position, for `run --again`.
        position: u8,
        /// How many.
        ramps: u16,
        /// How long, seconds, where it is known.
        seconds: Option<f64>,
        /// Whether all that is open would be decided; else something else may stay so.
        all: bool,
    },
    /// A smaller contribution to the uncertainty decides it.
    Reduce {
        /// Which.
        contribution: String,
        /// Down to this share of what it is, percent.
        percent: f64,
    },
    /// This rig does not decide it.
    NotHere,
    /// Select the delay of the settings sheet.
    SelectDelay,
    /// Look at what may make an output late: the device, or the rig.
    LookAtDelay,
    /// Test with ramps at two rates: they show the delay.
    TwoRates,
    /// Test with crossings that are located more closely: they show a spread.
    CloserCrossings,
    /// Let the device rest and test it again: its first operation differs.
    LetRest,
    /// Look at plug and cable of the device: an output comes and goes.
    LookAtOutput,
    /// Look at what all devices have in common: an output of each was wrong in the same moment.
    LookAtBench,
    /// Look at the wiring of the position's inputs.
    LookAtInputs,
    /// Set a level to the middle of its limits.
    Set {
        /// What is set.
        quantity: QuantityName,
        /// As found, in the unit of the site.
        from: String,
        /// As it should be.
        to: String,
        /// The difference, without a sign.
        by: String,
        /// Which way: `deeper`, `less deep`, `smaller`, `larger`.
        direction: &'static str,
    },
}

impl Advice {
    /// For a position; `None` if nothing is to be done.
    pub fn of(position: &PositionRecord, style: LevelStyle) -> Option<Self> {
        let check = position.decided_by();
        match position.verdict {
            Verdict::Pass | Verdict::Measured => None,
            Verdict::Aborted => Some(Self::TestAgain),
            Verdict::Undecided => Some(check.map_or(Self::ApartAndAgain, |check| {
                to_be_decided(check).map_or_else(|| open(check), |advice| advice.beside(position))
            })),
            Verdict::Fail => Some(check.and_then(|check| change(check, style)).unwrap_or(Self::KeepApart)),
        }
    }
}

impl Advice {
    /// The same, knowing what else was left open at the position.
    fn beside(self, of: &PositionRecord) -> Self {
        let open = |check: &&Check| {
            check.verdict == CheckVerdict::Undecided && matches!(check.role, Role::Required | Role::Screening)
        };
        let no_ramps = |check: &Check| check.to_decide.as_ref().is_none_or(|needed| needed.ramps.is_none());
        match self {
            Self::Ramps { position, ramps, seconds, all: _ } => {
                let most = of.checks.iter().filter_map(|check| check.to_decide.as_ref()?.ramps).max();
                let all = !of.checks.iter().filter(open).any(no_ramps);
                // The time is that of the ramps it was found for.
                let seconds = seconds.filter(|_| most == Some(ramps));
                Self::Ramps { position, ramps: most.unwrap_or(ramps), seconds, all }
            }
            Self::TestAgain
            | Self::KeepApart
            | Self::ApartAndAgain
            | Self::AtLimit
            | Self::Reduce { .. }
            | Self::NotHere
            | Self::SelectDelay
            | Self::LookAtDelay
            | Self::TwoRates
            | Self::CloserCrossings
            | Self::LetRest
            | Self::LookAtOutput
            | Self::LookAtBench
            | Self::LookAtInputs
            | Self::Set { .. } => self,
        }
    }
}

impl fmt::Display for Advice {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::TestAgain => f.write_str("test again"),
            Self::KeepApart => f.write_str("keep apart"),
            Self::ApartAndAgain => f.write_str("keep apart, test again"),
            Self::AtLimit => f.write_str("keep apart: it lies at a limit"),
            Self::Ramps { position, ramps, seconds, all } => {
                let may = if *all { "" } else { "may " };
                let within = seconds.map_or_else(String::new, |seconds| format!(" in {seconds:.0} s"));
                write!(f, "keep apart; {ramps} ramps {may}decide it{within}: run --again {position}")
            }
            Self::Reduce { contribution, percent } => {
                write!(f, "keep apart; decided if {contribution} were {percent:.0} % of what it is")
            }
            Self::NotHere => f.write_str("keep apart: this rig does not decide it"),
            Self::SelectDelay => f.write_str("keep apart; select the delay of the settings sheet"),
            Self::LookAtDelay => f.write_str(
                "keep apart; look at the selected delay, and at the input filter of the module in the rig sheet",
            ),
            Self::TwoRates => f.write_str("keep apart; ramps at two rates show the delay"),
            Self::CloserCrossings => {
                f.write_str("keep apart; slower ramps, faster reads or more ramps show the spread")
            }
            Self::LetRest => {
                f.write_str("keep apart; let it rest and test it again: does its seal or its sensor stick?")
            }
            Self::LookAtOutput => {
                f.write_str("keep apart; look at its plug and cable: an output comes and goes")
            }
            Self::LookAtBench => {
                f.write_str("look at device power, plugs and module of the bench, then test again")
            }
            Self::LookAtInputs => {
                f.write_str("look at the wiring of this position's inputs, then test again")
            }
            Self::Set { quantity, from, to, by, direction } => {
                write!(f, "{} {from} → {to} ({by} {direction})", quantity_name(*quantity))
            }
        }
    }
}

/// What to do with a device next, as text; empty where nothing is.
pub fn advice(position: &PositionRecord, style: LevelStyle) -> String {
    Advice::of(position, style).map_or_else(String::new, |advice| advice.to_string())
}

/// How a check that U left open would be decided.
fn to_be_decided(check: &Check) -> Option<Advice> {
    let needed = check.to_decide.as_ref()?;
    Some(match (needed.expanded_uncertainty, needed.ramps, needed.to) {
        (None, _, _) => Advice::AtLimit,
        (Some(_), Some(ramps), _) => {
            let (position, seconds) = (check.position.unwrap_or_default(), needed.takes_s);
            Advice::Ramps { position, ramps, seconds, all: true }
        }
        (Some(_), None, Some(to)) => {
            Advice::Reduce { contribution: needed.contribution.clone(), percent: 100.0 * to / needed.from }
        }
        (Some(_), None, None) => Advice::NotHere,
    })
}

/// What leads on where a check was left open for another reason than U.
fn open(check: &Check) -> Advice {
    let is = |quantity| check.quantity == quantity;
    // A delay that is needed, and that no ramp shows: so the site has it.
    let not_timed =
        is(QuantityName::SelectedDelay) || (check.quantity.is_delay() && check.role == Role::Required);
    if is(QuantityName::OutputStates) {
        Advice::LookAtBench
    } else if is(QuantityName::OwnEdges) {
        Advice::LookAtInputs
    } else if is(QuantityName::Bounce) {
        Advice::NotHere
    } else if check.quantity.is_spread() && check.role == Role::Required && check.measured.is_none() {
        Advice::CloserCrossings
    } else if not_timed && check.measured.is_none() {
        Advice::TwoRates
    } else if is(QuantityName::SelectedDelay) {
        Advice::SelectDelay
    } else if check.is_surely_late() {
        Advice::LookAtDelay
    } else {
        Advice::ApartAndAgain
    }
}

/// What leads on where a check failed: the change that brings a level to the middle of its limits, or where to look.
fn change(check: &Check, style: LevelStyle) -> Option<Advice> {
    if check.quantity == QuantityName::FirstOperation {
        return Some(Advice::LetRest);
    }
    if check.quantity == QuantityName::OutputStates {
        return Some(Advice::LookAtOutput);
    }
    if check.quantity.is_delay() {
        return check.measured.as_ref().map(|_| Advice::SelectDelay);
    }
    let (measured, limits) = (check.measured.as_ref()?, check.limits?);
    let (low, high) = (limits.low?, limits.high?);
    // A level that fails for another reason than its figure is not turned.
    if (low..=high).contains(&measured.value) {
        return None;
    }
    let target = f64::midpoint(low, high);
    let difference = (measured.value - target).abs() / style.unit.pascal();
    let digits = style.decimals();
    let number = |level| style.number(VacuumLevel::new(level));
    let above = measured.value > target;
    let direction = match (check.quantity == QuantityName::Hysteresis, above) {
        (true, true) => "smaller",
        (true, false) => "larger",
        (false, true) => "less deep",
        (false, false) => "deeper",
    };
    let (from, to, by) = (number(measured.value), number(target), format!("{difference:.digits$}"));
    Some(Advice::Set { quantity: check.quantity, from, to, by, direction })
}

#[cfg(test)]
mod tests {
    use super::*;
    use rstest::rstest;
    use tripbench_measure::{Contribution, combine};
    use tripbench_record::{Identity, IdentityHow, LimitsRecord, Measured};

    /// A position whose verdict one check made.
    fn position(verdict: Verdict, check: Check) -> PositionRecord {
        let identity = Identity { serial: String::from("A1"), how: IdentityHow::ByOperator };
        PositionRecord { verdict, checks: vec![check], ..PositionRecord::new(1, &identity) }
    }

    fn measured(value: f64) -> Measured {
        let result = combine(value, 1.0, vec![Contribution::normal("all", 50.0)]).expect("a result");
        Measured::from(&result)
    }

    fn required(quantity: QuantityName, verdict: CheckVerdict) -> Check {
        Check { verdict, role: Role::Required, ..Check::empty(quantity) }
    }

    #[rstest]
    #[case::first(QuantityName::FirstOperation, "keep apart; let it rest and test it again")]
    #[case::states(QuantityName::OutputStates, "keep apart; look at its plug and cable")]
    #[case::chatter(QuantityName::Chatter, "keep apart")]
    fn what_failed_without_a_figure_says_where_to_look(#[case] quantity: QuantityName, #[case] says: &str) {
        let failed = position(Verdict::Fail, required(quantity, CheckVerdict::Fail));
        let text = advice(&failed, LevelStyle::default());
        assert!(text.starts_with(says), "{text}");
    }

    #[rstest]
    #[case(QuantityName::OutputStates, "look at device power, plugs and module of the bench")]
    #[case(QuantityName::OwnEdges, "look at the wiring of this position's inputs")]
    #[case(QuantityName::Bounce, "keep apart: this rig does not decide it")]
    #[case(QuantityName::SelectedDelay, "keep apart; ramps at two rates show the delay")]
    #[case(QuantityName::ResumeDelay, "keep apart; ramps at two rates show the delay")]
    #[case(QuantityName::FirstOperation, "keep apart, test again")]
    fn what_was_left_open_without_a_figure_says_where_to_look(
        #[case] quantity: QuantityName,
        #[case] says: &str,
    ) {
        let open = position(Verdict::Undecided, required(quantity, CheckVerdict::Undecided));
        let text = advice(&open, LevelStyle::default());
        assert!(text.starts_with(says), "{text}");
    }

    #[rstest]
    #[case::level(QuantityName::CutOff, "cut-off 63.0 → 60.0 (3.0 less deep)")]
    #[case::valve_delay(QuantityName::CutOffDelay, "keep apart; select the delay of the settings sheet")]
    #[case::first(QuantityName::FirstOperation, "keep apart; let it rest and test it again: does")]
    fn a_figure_outside_its_limits_is_set_only_where_it_can_be(
        #[case] quantity: QuantityName,
        #[case] says: &str,
    ) {
        let check = Check {
            measured: Some(measured(63e3)),
            limits: Some(LimitsRecord { low: Some(59e3), high: Some(61e3) }),
            ..required(quantity, CheckVerdict::Fail)
        };
        let text = advice(&position(Verdict::Fail, check), LevelStyle::default());
        assert!(text.starts_with(says), "{text}");
    }

    // It is where it should be, and failed because it did not come in every ramp.
    #[test]
    fn a_level_that_is_inside_is_not_turned() {
        let check = Check {
            measured: Some(measured(60.5e3)),
            limits: Some(LimitsRecord { low: Some(59e3), high: Some(61e3) }),
            ..required(QuantityName::CutOff, CheckVerdict::Fail)
        };
        assert_eq!(advice(&position(Verdict::Fail, check), LevelStyle::default()), "keep apart");
    }

    // 6 ms are promised. By more than 1.8 U beyond them the output is late; by less it may seem so.
    #[rstest]
    #[case(203.0, 2.0, "keep apart; look at the selected delay, and at the input filter")]
    #[case(11.5, 3.0, "keep apart; look at the selected delay, and at the input filter")]
    #[case(11.2, 3.0, "keep apart, test again")]
    #[case(-60.0, 3.0, "keep apart, test again")]
    fn an_output_that_is_late_says_where_to_look(
        #[case] delay_ms: f64,
        #[case] expanded_ms: f64,
        #[case] says: &str,
    ) {
        let part = Contribution::normal("all", expanded_ms / 1e3 / 1.959_963_984_540_054);
        let result = combine(delay_ms / 1e3, 0.0, vec![part]).expect("a result");
        let check = Check {
            measured: Some(Measured::from(&result)),
            limits: Some(LimitsRecord { low: None, high: Some(6e-3) }),
            role: Role::Screening,
            ..required(QuantityName::OnDelay, CheckVerdict::Undecided)
        };
        let text = advice(&position(Verdict::Undecided, check), LevelStyle::default());
        assert!(text.starts_with(says), "{text}");
    }
}
