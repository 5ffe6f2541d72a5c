//! Invariants of every run, whatever was drawn.

use super::disk::Disk;
use super::draw::Drawn;
use super::levels::levels;
use super::truth::Nature;
use super::{Guard, told};
use crate::virtual_line::Trouble;
use std::sync::Arc;
use std::time::Duration;
use tripbench_judge::rejudge;
use tripbench_quantity::Mono;
use tripbench_record::{
    Check, CheckVerdict, Event, EventKind, QuantityName, Record, Task, Trace, Verdict, canonical_json,
    promised_all_judged,
};
use tripbench_simulator::{Effect, Trigger};

/// Faults of the program found in a run, in words.
#[derive(Debug, Clone, Default)]
pub struct Found {
    /// Devices that passed and must not.
    pub false_passes: Vec<String>,
    /// Sound devices that failed.
    pub false_fails: Vec<String>,
    /// Outputs that were not safe when they had to be.
    pub unsafe_ends: Vec<String>,
    /// Journals that miss something that listeners heard, cannot be opened, or change when judged again.
    pub bad_journals: Vec<String>,
    /// Runs that did not end, or ended in a panic.
    pub hangs: Vec<String>,
    /// Levels of sound devices that are wrong by more than twice their uncertainty, in runs that completed.
    pub wrong_levels: Vec<String>,
    /// Runs that tested another device than the one that was there when they were requested.
    pub wrong_devices: Vec<String>,
    /// Devices outside a limit by less than U that were judged: passed, and all; with a reference within its U, and off by more.
    pub risked: [[u32; 2]; 2],
    /// Number of devices by verdict: passed, failed, undecided, aborted.
    pub verdicts: [u32; 4],
    /// Number of troubles that occurred.
    pub troubles: usize,
    /// Number of runs that began in the drawn letters to the owner of a rig.
    pub begun: u32,
}

impl Found {
    /// All faults, each with its kind.
    pub fn all(&self) -> Vec<(&'static str, &str)> {
        let kinds = [
            ("false pass", &self.false_passes),
            ("false fail", &self.false_fails),
            ("unsafe end", &self.unsafe_ends),
            ("bad journal", &self.bad_journals),
            ("hang", &self.hangs),
            ("wrong level", &self.wrong_levels),
            ("wrong device", &self.wrong_devices),
        ];
        kinds
            .into_iter()
            .flat_map(|(kind, found)| found.iter().map(move |what| (kind, what.as_str())))
            .collect()
    }
}

/// Observations of a run.
pub(super) struct Seen {
    /// Events that the listener received.
    pub(super) events: Vec<Event>,
    /// End of the run.
    pub(super) ended: Mono,
    /// Changes of the module's outputs between safe and not safe.
    pub(super) was_safe: Vec<(Mono, bool)>,
    /// Time of the second master's last change of an output if no request has read that output since.
    pub(super) unread: Option<Mono>,
    /// Troubles that occurred, with their times.
    pub(super) troubled: Vec<(Mono, Trouble)>,
    /// True levels with their times, if they were watched, pascal.
    pub(super) levels: Vec<(Mono, f64)>,
    /// The disk with the journal.
    pub(super) disk: Disk,
}

impl Seen {
    /// Tests the invariants.
    pub(super) fn found(&self, drawn: &Drawn<'_>, without: Option<Guard>) -> Found {
        let mut found = Found { troubles: self.troubled.len(), ..Found::default() };
        let task = drawn.task(without);
        if let Some(Err(why)) = drawn.kill.map(|kill| self.killed(&task, kill)) {
            found.bad_journals.push(why);
        }
        match self.record() {
            Err(why) => found.bad_journals.push(why),
            // The disk had no room for the first line.
            Ok(None) => {}
            Ok(Some((mut record, trace))) => {
                judged_again(&task, (&record, &trace), &mut found);
                if without == Some(Guard::Promised) {
                    forget_promises(&mut record);
                }
                verdicts(drawn, &record, (self.ended, &self.levels), &mut found);
            }
        }
        self.safety(drawn, &mut found);
        found
    }

    fn safety(&self, drawn: &Drawn<'_>, found: &mut Found) {
        let said = |kind: &EventKind| self.events.iter().rev().find(|event| event.kind == *kind);
        let (is_safe, last) = self.was_safe.last().map_or((true, Mono::START), |(at, safe)| (*safe, *at));
        let confirmed = said(&EventKind::Safe).filter(|_| said(&EventKind::NotSafe).is_none());
        // Another master's change of an output after its last read cannot be known, as one after the end of the run cannot.
        if let Some(safe) = confirmed
            && (!is_safe || last > safe.at)
            && self.unread != Some(last)
        {
            found
                .unsafe_ends
                .push(format!("safe was confirmed at {:?}, but at {last:?} safe became {is_safe}", safe.at));
        }
        // With a full disk the listener hears nothing, but without recent troubles the outputs must be safe.
        let free =
            |moment: Mono| self.troubled.iter().all(|(at, trouble)| *at + trouble.lasts() + FREE < moment);
        let excused = said(&EventKind::NotSafe).is_some() || drawn.disk_fails();
        if !is_safe && confirmed.is_none() && (!excused || free(self.ended)) {
            found.unsafe_ends.push(format!("outputs left unsafe since {last:?} without an event"));
        }
        // Without recent troubles safe must be confirmed.
        if let Some(not) = said(&EventKind::NotSafe)
            && free(not.at)
        {
            found.unsafe_ends.push(format!("safe was not confirmed by {:?}: {:?}", not.at, self.troubled));
        }
        let Some(halted) = self.events.iter().find(|event| matches!(event.kind, EventKind::Halted(_))) else {
            return;
        };
        let within = self.may_take(drawn, halted.at);
        let unsafe_at = |moment: Mono| {
            let before = self.was_safe.iter().rev().find(|(at, _)| *at <= moment);
            before.is_some_and(|(_, safe)| !safe)
        };
        if halted.at + within < self.ended && unsafe_at(halted.at + within) {
            found.unsafe_ends.push(format!(
                "halted at {:?} ({:?}) and not safe within {within:?}: {:?}",
                halted.at, halted.kind, self.was_safe
            ));
        }
    }

    /// Longest time after a halt until the outputs must be safe: the rig's stop time, plus the delay that each trouble near the halt can
    /// cause.
    fn may_take(&self, drawn: &Drawn<'_>, halted: Mono) -> Duration {
        const CONNECTS: Duration = Duration::from_secs(1);
        let rig = &drawn.station.task.sheets.rig;
        let (timeout, slowest) = (rig.link.answer_timeout.duration(), rig.link.slowest_answer.duration());
        let near = self
            .troubled
            .iter()
            .filter(|(at, trouble)| *at + trouble.lasts() + slowest + timeout + CONNECTS >= halted);
        let held = near.map(|(_, trouble)| trouble.lasts() + timeout + slowest + CONNECTS);
        rig.stop_time().duration() + held.sum::<Duration>()
    }
}

/// Time without troubles that is long enough to write safe values and read them back twice.
const FREE: Duration = Duration::from_secs(5);

/// Tests that judging the raw data again gives the same record.
fn judged_again(task: &Task, (record, trace): (&Record, &Trace), found: &mut Found) {
    let again = rejudge(record, task, trace);
    if canonical_json(&again).ok() != canonical_json(record).ok() {
        found.bad_journals.push(String::from("judged again, the record differs"));
    }
}

/// Replaces the verdicts by those of the checks that were judged, whatever was promised.
fn forget_promises(record: &mut Record) {
    if record.halted.is_some() {
        return;
    }
    for position in record.positions.iter_mut().filter(|position| position.set_aside.is_none()) {
        let mine: Vec<&Check> = position.checks.iter().chain(&record.rig_checks).map(Arc::as_ref).collect();
        let judged: Vec<_> = mine.iter().map(|check| (check.step, check.quantity, check.role)).collect();
        debug_assert!(promised_all_judged(&judged, &mine));
        position.verdict = Verdict::of(&judged, &mine);
    }
}

/// Tests the verdict and values of each device against the truth.
fn verdicts(drawn: &Drawn<'_>, record: &Record, (ended, lowest): (Mono, &[(Mono, f64)]), found: &mut Found) {
    for ((device, nature), position) in drawn.truth.devices.iter().zip(&drawn.devices).zip(&record.positions)
    {
        let index = match position.verdict {
            Verdict::Pass => 0,
            Verdict::Fail => 1,
            Verdict::Undecided | Verdict::Measured => 2,
            Verdict::Aborted => 3,
        };
        found.verdicts[index] += 1;
        let of = |what: &str| {
            format!("position {}, {}: {what} [{}]", device.position, position.verdict, told(&drawn.troubles))
        };
        let levels = levels(drawn, device, record, lowest);
        let is_plain = record.halted.is_none() && *nature == Nature::Sound && drawn.truth.faults.is_empty();
        let wrong = levels.iter().find(|level| level.is_wrong(drawn.reference_off_pa()));
        if let Some(level) = wrong.filter(|_| is_plain) {
            found.wrong_levels.push(of(&format!("{level:?}")));
        }
        let not_done = record.header.steps.len() - record.steps_done.len();
        let outside = levels.iter().find(|level| level.inside < -level.u);
        let said = position.not_checked().any(|check| check.quantity == QuantityName::OwnEdges);
        let why = match (outside, nature) {
            _ if not_done > 0 => Some(format!("{not_done} steps were not done")),
            (_, Nature::WiredToAnother) => (!said).then(|| String::from("its input shows another device")),
            (Some(level), _) => Some(format!("{level:?}")),
            _ if levels.iter().any(|level| !level.found) => {
                Some(format!("not every level was found: {levels:?}"))
            }
            (None, Nature::Unsound(why)) => Some((*why).to_owned()),
            (None, _) => {
                unplugged(drawn, device.position, ended).then(|| String::from("its plug was pulled"))
            }
        };
        if let (Some(why), Verdict::Pass) = (&why, position.verdict) {
            found.false_passes.push(of(why));
        }
        // Outside a limit, but by less than U: a pass is wrong, and is what the stated risk allows.
        if levels.iter().any(|level| level.inside < 0.0) && why.is_none() && index < 3 {
            let [passed, all] = &mut found.risked[usize::from(drawn.reference_off_pa() != 0.0)];
            *passed += u32::from(position.verdict == Verdict::Pass);
            *all += 1;
        }
        let failed = position.checks.iter().find(|check| check.verdict == CheckVerdict::Fail);
        if position.verdict == Verdict::Fail
            && *nature == Nature::Sound
            && drawn.truth.faults.is_empty()
            && levels.iter().all(|level| level.inside > level.u)
            && let Some(check) = failed
        {
            found.false_fails.push(of(&format!(
                "{} {:?} {:?}",
                check.quantity,
                check.limits,
                check.measured.as_ref().map(|m| (m.value, m.expanded_uncertainty))
            )));
        }
    }
}

/// Whether a device's plug was pulled well before the end.
fn unplugged(drawn: &Drawn<'_>, position: u8, ended: Mono) -> bool {
    const SEEN_WITHIN_S: f64 = 2.0;
    drawn.truth.faults.iter().any(|fault| {
        let early = matches!(fault.when, Trigger::At(at_s) if at_s + SEEN_WITHIN_S < ended.seconds());
        fault.effect == Effect::PullPlug(position) && early
    })
}
