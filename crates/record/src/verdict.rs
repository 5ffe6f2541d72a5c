//! The verdict of a position: derived from the promised checks, so that a check that is missing never gives a pass.

use crate::check::{Check, CheckVerdict, QuantityName, Role};
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};
use std::fmt;

/// Verdict of a run for one position.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum Verdict {
    /// Every required check was made and lies inside its limits by at least the guard band.
    Pass,
    /// A required or screening check failed.
    Fail,
    /// The rig cannot decide.
    Undecided,
    /// No judgement: stopped or set aside.
    Aborted,
    /// Complete, but without limits to judge against.
    Measured,
}

impl Verdict {
    /// The verdict for a position, from the promised checks, each as `(step, quantity, role)`, and the checks that were judged.
    ///
    /// A pass needs at least one promised required check and a pass for each required check. A condition of the rig that is not met
    /// leaves the device undecided, whatever was found. A screening check can fail the device or leave it undecided, as a required
    /// check can, but is satisfied if it found nothing. A promised check that was not made counts as undecided. A check that counts
    /// against the device or the rig counts even if it was not promised.
    pub fn of(promised: &[(u16, QuantityName, Role)], judged: &[&Check]) -> Self {
        let found = |&(step, quantity, role): &(u16, QuantityName, Role)| {
            let made = judged
                .iter()
                .find(|check| check.step == step && check.quantity == quantity && check.role == role);
            made.map_or(CheckVerdict::Undecided, |check| check.verdict)
        };
        let of_role = |wanted: Role| {
            let promised = promised.iter().filter(move |(_, _, role)| *role == wanted).map(found);
            let made = judged.iter().filter(move |check| check.role == wanted).map(|check| check.verdict);
            promised.chain(made)
        };
        let conditions_met = of_role(Role::Condition).all(|verdict| verdict == CheckVerdict::Met);
        let required: Vec<_> = of_role(Role::Required).collect();
        let all = |wanted| required.iter().all(|verdict| *verdict == wanted);
        let screened: Vec<_> = of_role(Role::Screening).collect();
        let any = |wanted| required.contains(&wanted) || screened.contains(&wanted);
        let any_promised = promised.iter().any(|(_, _, role)| *role == Role::Required);
        if !conditions_met {
            Self::Undecided
        } else if !any_promised {
            if judged.iter().any(|check| check.verdict == CheckVerdict::Measured) {
                Self::Measured
            } else {
                Self::Undecided
            }
        } else if all(CheckVerdict::Pass) && screened.iter().all(|verdict| *verdict == CheckVerdict::Measured)
        {
            Self::Pass
        } else if any(CheckVerdict::Fail) {
            Self::Fail
        } else {
            Self::Undecided
        }
    }

    /// The verdict in capital letters, for display.
    pub const fn word(self) -> &'static str {
        match self {
            Self::Pass => "PASS",
            Self::Fail => "FAIL",
            Self::Undecided => "UNDECIDED",
            Self::Aborted => "ABORTED",
            Self::Measured => "MEASURED",
        }
    }
}

impl fmt::Display for Verdict {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(self.word())
    }
}

/// Whether every promised check was judged, with any result.
pub fn promised_all_judged(promised: &[(u16, QuantityName, Role)], judged: &[&Check]) -> bool {
    promised.iter().all(|&(step, quantity, role)| {
        judged.iter().any(|check| check.step == step && check.quantity == quantity && check.role == role)
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;
    use rstest::rstest;

    const LEVELS: [QuantityName; 3] =
        [QuantityName::SwitchPoint, QuantityName::ResetPoint, QuantityName::Hysteresis];

    fn check(step: u16, quantity: QuantityName, role: Role, verdict: CheckVerdict) -> Check {
        Check { step, role, verdict, ..Check::empty(quantity) }
    }

    fn any_required() -> impl Strategy<Value = CheckVerdict> {
        prop_oneof![Just(CheckVerdict::Pass), Just(CheckVerdict::Fail), Just(CheckVerdict::Undecided)]
    }

    #[test]
    fn nothing_promised_is_never_a_pass() {
        let judged = [check(0, QuantityName::SwitchPoint, Role::Required, CheckVerdict::Pass)];
        let judged: Vec<_> = judged.iter().collect();
        assert_eq!(Verdict::of(&[], &judged), Verdict::Undecided);
        assert_eq!(Verdict::of(&[], &[]), Verdict::Undecided);
    }

    #[test]
    fn a_condition_that_is_not_met_leaves_a_good_and_a_bad_device_undecided() {
        let promised =
            [(0, QuantityName::LeakRate, Role::Condition), (1, QuantityName::SwitchPoint, Role::Required)];
        for verdict in [CheckVerdict::Pass, CheckVerdict::Fail] {
            let leak = check(0, QuantityName::LeakRate, Role::Condition, CheckVerdict::NotMet);
            let level = check(1, QuantityName::SwitchPoint, Role::Required, verdict);
            assert_eq!(Verdict::of(&promised, &[&leak, &level]), Verdict::Undecided);
        }
    }

    // A check that was not promised: an output was found to be late, or a promised quantity was judged twice with different results.
    #[rstest]
    #[case(QuantityName::OffDelay, Role::Screening, CheckVerdict::Fail, Verdict::Fail)]
    #[case(QuantityName::OffDelay, Role::Screening, CheckVerdict::Undecided, Verdict::Undecided)]
    #[case(QuantityName::OffDelay, Role::Screening, CheckVerdict::Measured, Verdict::Pass)]
    #[case(QuantityName::OffDelay, Role::Informative, CheckVerdict::Undecided, Verdict::Pass)]
    #[case(QuantityName::SwitchPoint, Role::Required, CheckVerdict::Fail, Verdict::Fail)]
    #[case(QuantityName::SwitchPoint, Role::Required, CheckVerdict::Undecided, Verdict::Undecided)]
    #[case(QuantityName::LeakRate, Role::Condition, CheckVerdict::NotMet, Verdict::Undecided)]
    fn what_speaks_against_counts_unpromised(
        #[case] quantity: QuantityName,
        #[case] role: Role,
        #[case] found: CheckVerdict,
        #[case] expected: Verdict,
    ) {
        let promised = [(1, QuantityName::SwitchPoint, Role::Required)];
        let level = check(1, QuantityName::SwitchPoint, Role::Required, CheckVerdict::Pass);
        let other = check(1, quantity, role, found);
        assert_eq!(Verdict::of(&promised, &[&level, &other]), expected);
        assert_eq!(Verdict::of(&promised, &[&other, &level]), expected);
        assert_eq!(Verdict::of(&promised, &[&level]), Verdict::Pass);
    }

    proptest! {
        #[test]
        fn leaving_out_any_required_check_never_gives_pass(verdicts in prop::collection::vec(any_required(), 3), left_out in 0_usize..3) {
            let promised: Vec<_> = LEVELS.iter().map(|&quantity| (1, quantity, Role::Required)).collect();
            let checks: Vec<_> = LEVELS.iter().zip(&verdicts).map(|(&q, &v)| check(1, q, Role::Required, v)).collect();
            let all: Vec<_> = checks.iter().collect();
            let passes = verdicts.iter().all(|verdict| *verdict == CheckVerdict::Pass);
            prop_assert_eq!(Verdict::of(&promised, &all) == Verdict::Pass, passes);
            let some: Vec<_> = checks.iter().enumerate().filter(|(i, _)| *i != left_out).map(|(_, c)| c).collect();
            prop_assert_ne!(Verdict::of(&promised, &some), Verdict::Pass);
        }

        #[test]
        fn a_fail_is_a_fail_with_every_condition_met(verdicts in prop::collection::vec(any_required(), 3)) {
            let promised: Vec<_> = LEVELS.iter().map(|&quantity| (1, quantity, Role::Required)).collect();
            let checks: Vec<_> = LEVELS.iter().zip(&verdicts).map(|(&q, &v)| check(1, q, Role::Required, v)).collect();
            let all: Vec<_> = checks.iter().collect();
            prop_assert_eq!(Verdict::of(&promised, &all) == Verdict::Fail, verdicts.contains(&CheckVerdict::Fail));
        }
    }
}
