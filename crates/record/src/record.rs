//! The record of a run, the content of `record.json`. Version 0: may change until records are stored in a database.

use crate::check::{Check, QuantityName, Role};
use crate::event::RunHeader;
use crate::halt::{Halt, SetAside};
use crate::identity::{Identity, IdentityHow};
use crate::mark::{Mark, Thrown};
use crate::task::StepTask;
use crate::verdict::Verdict;
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};
use std::sync::Arc;

/// Name of the record format.
pub const FORMAT: &str = "tripbench record";
/// Version of the record format.
pub const VERSION: u32 = 0;

/// The program that wrote the record.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct Software {
    /// Name of the program.
    pub name: String,
    /// Version of the program.
    pub version: String,
}

/// Name, hash and length of the trace file.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct TraceRecord {
    /// Name of the file, in the folder of the record.
    pub file: String,
    /// SHA-256 of its bytes, hexadecimal.
    pub sha256: String,
    /// Number of scans.
    pub scans: u64,
}

/// Results of one position.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct PositionRecord {
    /// Number of the position.
    pub number: u8,
    /// Serial number or own number.
    pub serial: String,
    /// How the serial number was assigned to the position.
    pub identity: IdentityHow,
    /// Verdict of the position.
    pub verdict: Verdict,
    /// Quantities that were not checked, to be shown beside the verdict.
    #[serde(default)]
    pub not_checked: Vec<QuantityName>,
    /// Why and when the position was set aside, if it was.
    pub set_aside: Option<SetAside>,
    /// Checks of the position.
    pub checks: Vec<Arc<Check>>,
}

/// The record of a run.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Record {
    /// [`FORMAT`].
    pub format: String,
    /// [`VERSION`].
    pub version: u32,
    /// The program that wrote it.
    pub software: Software,
    /// Everything known at the start: run, clock, sheets, steps, positions.
    pub header: RunHeader,
    /// Wall-clock time of the end, RFC 3339; `null` if unknown.
    pub ended: Option<String>,
    /// Why the run was stopped early, if it was.
    pub halted: Option<Halt>,
    /// Whether the safe state was confirmed at the end.
    pub safe_confirmed: bool,
    /// Results by position.
    pub positions: Vec<PositionRecord>,
    /// Checks of the rig.
    pub rig_checks: Vec<Arc<Check>>,
    /// Indices of the completed steps, from 0.
    pub steps_done: Vec<u16>,
    /// Marks: the completed stretches of the trace.
    pub marks: Vec<Mark>,
    /// Stretches that were discarded and repeated.
    pub thrown: Vec<Thrown>,
    /// Prompts: question, answer, and who answered.
    pub answers: Vec<(String, String, String)>,
    /// Remarks by people.
    pub remarks: Vec<String>,
    /// Attachments, by SHA-256.
    pub attachments: Vec<String>,
    /// The trace file.
    pub trace: TraceRecord,
}

impl Record {
    /// The version of the program that planned or wrote the record, if it differs from `own`.
    pub fn other_version(&self, own: &str) -> Option<&str> {
        let versions = [&self.software.version, &self.header.software];
        versions.into_iter().map(String::as_str).find(|other| *other != own)
    }

    /// Whether this is the record of a rig check, in which no device takes part.
    pub fn is_rig_check(&self) -> bool {
        self.header.steps.iter().any(|step| matches!(step.task, StepTask::Signals { .. }))
    }

    /// Distributes checks to the rig and to the positions, in the given order.
    pub fn place_checks(&mut self, checks: &[Arc<Check>]) {
        self.rig_checks = checks.iter().filter(|check| check.position.is_none()).cloned().collect();
        self.positions.iter_mut().for_each(|position| position.place_checks(checks));
    }

    /// All checks, the checks of the rig first.
    pub fn checks(&self) -> impl Iterator<Item = &Check> {
        self.rig_checks
            .iter()
            .chain(self.positions.iter().flat_map(|position| &position.checks))
            .map(Arc::as_ref)
    }
}

impl PositionRecord {
    /// A position without results: verdict aborted, no checks.
    pub fn new(number: u8, identity: &Identity) -> Self {
        Self {
            number,
            serial: identity.serial.clone(),
            identity: identity.how,
            verdict: Verdict::Aborted,
            not_checked: Vec::new(),
            set_aside: None,
            checks: Vec::new(),
        }
    }

    /// Takes its own checks from those of the run, in the given order.
    pub(crate) fn place_checks<'c>(&mut self, checks: impl IntoIterator<Item = &'c Arc<Check>>) {
        let own = checks.into_iter().filter(|check| check.position == Some(self.number));
        self.checks = own.cloned().collect();
        self.not_checked = self.not_checked().map(|check| check.quantity).collect();
    }

    /// Checks that cover something that was not checked, to be shown beside the verdict.
    pub fn not_checked(&self) -> impl Iterator<Item = &Check> {
        self.checks.iter().map(Arc::as_ref).filter(|check| check.not_checked())
    }

    /// The check that decided the verdict: the worst failed check, else an output that is certainly late, else the first undecided
    /// check, else the check nearest to its limit in units of its U. A level takes precedence over the hysteresis that depends on it.
    pub fn decided_by(&self) -> Option<&Check> {
        // A screening check decides only if it counts against the device. A passed check without a margin is no near miss.
        let is_deciding = |check: &&Check| match check.role {
            Role::Required => check.margin().is_some() || check.verdict != crate::CheckVerdict::Pass,
            Role::Screening => {
                matches!(check.verdict, crate::CheckVerdict::Fail | crate::CheckVerdict::Undecided)
            }
            Role::Condition | Role::Informative => false,
        };
        let judged = self.checks.iter().map(Arc::as_ref).filter(is_deciding);
        let rank = |check: &&Check| match check.verdict {
            crate::CheckVerdict::Fail => 0,
            crate::CheckVerdict::Undecided | crate::CheckVerdict::NotMet => 1,
            crate::CheckVerdict::Pass | crate::CheckVerdict::Measured | crate::CheckVerdict::Met => 2,
        };
        let key = |check: &&Check| {
            let rank = rank(check);
            let delay = check.quantity.is_delay();
            (
                rank,
                // A measured value says more than the observed output states.
                (rank == 0 && check.measured.is_none()) || (rank == 1 && !check.is_surely_late()),
                // An undecided delay follows from a level near its limit.
                (rank == 0 && (check.quantity == QuantityName::Hysteresis || check.role == Role::Screening))
                    || (rank == 1 && delay),
                if rank == 2 { check.margin_in_u() } else { check.margin() }.unwrap_or(f64::NEG_INFINITY),
            )
        };
        judged.min_by(|a, b| {
            let (a, b) = (key(a), key(b));
            (a.0, a.1, a.2).cmp(&(b.0, b.1, b.2)).then(a.3.total_cmp(&b.3))
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::{CheckVerdict, LimitsRecord, Measured};
    use rstest::rstest;

    /// A required check with a value, a U, and limits.
    fn check(
        (quantity, verdict): (QuantityName, CheckVerdict),
        (value, expanded): (f64, f64),
        limits: [Option<f64>; 2],
    ) -> Arc<Check> {
        let measured = Measured {
            value,
            standard_uncertainty: expanded / 2.0,
            expanded_uncertainty: expanded,
            coverage_factor: 2.0,
            degrees_of_freedom: None,
            welch_satterthwaite: expanded,
            contributions: Vec::new(),
        };
        let [low, high] = limits;
        let limits = (low.is_some() || high.is_some()).then_some(LimitsRecord { low, high });
        Arc::new(Check {
            role: Role::Required,
            verdict,
            measured: Some(measured),
            limits,
            ..Check::empty(quantity)
        })
    }

    // A level 1.3 U inside its limits is nearer than one 30 U above its single limit, although that is only a tenth of the limit. A
    // selected delay has a value but no limits, so it is near none. Of the failed checks, the farthest outside relative to its tolerance
    // decides.
    #[rstest]
    #[case(CheckVerdict::Pass, 60.76, 0.26, QuantityName::SwitchPoint)]
    #[case(CheckVerdict::Pass, 60.0, 0.02, QuantityName::LeastDeepLevel)]
    #[case(CheckVerdict::Fail, 61.2, 0.05, QuantityName::SwitchPoint)]
    #[case(CheckVerdict::Undecided, 61.0, 0.26, QuantityName::SwitchPoint)]
    fn a_verdict_is_decided_by_what_is_nearest_to_its_limit(
        #[case] verdict: CheckVerdict,
        #[case] level: f64,
        #[case] expanded: f64,
        #[case] decides: QuantityName,
    ) {
        let identity = Identity { serial: String::from("A1"), how: IdentityHow::ByOperator };
        let mut position = PositionRecord::new(1, &identity);
        let selected = (QuantityName::SelectedDelay, CheckVerdict::Pass);
        let lowest = (QuantityName::LeastDeepLevel, CheckVerdict::Pass);
        position.checks = vec![
            check(selected, (0.006, 0.0044), [None, None]),
            check(lowest, (63.62, 0.25), [Some(56.1), None]),
            check((QuantityName::SwitchPoint, verdict), (level, expanded), [Some(58.9), Some(61.1)]),
        ];
        assert_eq!(position.decided_by().map(|check| check.quantity), Some(decides));
    }

    // Beside an undecided level: a delay that exceeds its 6 ms by more than 1.8 U names the fault, while an undecided delay follows from
    // the level and the output states take precedence. A failed check always decides.
    #[rstest]
    #[case(CheckVerdict::Undecided, 203.0, 2.0, QuantityName::OnDelay)]
    #[case(CheckVerdict::Undecided, 9.0, 1.6, QuantityName::OnDelay)]
    #[case(CheckVerdict::Undecided, 9.0, 1.8, QuantityName::OutputStates)]
    #[case(CheckVerdict::Undecided, 3.0, 50.0, QuantityName::OutputStates)]
    #[case(CheckVerdict::Fail, 203.0, 2.0, QuantityName::SwitchPoint)]
    fn a_delay_beyond_its_limit_decides_before_what_is_open(
        #[case] level: CheckVerdict,
        #[case] delay_ms: f64,
        #[case] expanded_ms: f64,
        #[case] decides: QuantityName,
    ) {
        let identity = Identity { serial: String::from("A1"), how: IdentityHow::ByOperator };
        let mut position = PositionRecord::new(1, &identity);
        let delay = (QuantityName::OnDelay, CheckVerdict::Undecided);
        position.checks = vec![
            check((QuantityName::SwitchPoint, level), (61.0, 0.26), [Some(58.9), Some(61.1)]),
            check((QuantityName::OutputStates, CheckVerdict::Undecided), (0.0, 0.0), [None, None]),
            check(delay, (delay_ms, expanded_ms), [None, Some(6.0)]),
        ];
        Arc::make_mut(&mut position.checks[1]).measured = None;
        Arc::make_mut(&mut position.checks[2]).role = Role::Screening;
        assert_eq!(position.decided_by().map(|check| check.quantity), Some(decides));
    }
}
