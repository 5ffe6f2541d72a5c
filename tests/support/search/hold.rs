//! Invariants of every run, whatever was drawn.

use super::draw::{Drawn, Nature};
use super::{Guard, told};
use crate::virtual_line::Trouble;
use std::time::Duration;
use tripbench_device::{LevelLimits, expected};
use tripbench_judge::rejudge;
use tripbench_quantity::{LevelDifference, Mono, VacuumLevel};
use tripbench_record::journal::{MAGIC, Tally, closing_line, line};
use tripbench_record::{
    Check, CheckVerdict, Event, EventKind, Halt, QuantityName, Record, RunView, Task, Trace, TraceRecord,
    Verdict, canonical_json, promised_all_judged, sha256_hex,
};
use tripbench_runner::closed;
use tripbench_simulator::{DeviceTruth, Effect, Trigger};

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
    /// Number of devices by verdict: passed, failed, undecided, aborted.
    pub verdicts: [u32; 4],
    /// Number of troubles that occurred.
    pub troubles: usize,
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
    /// Troubles that occurred, with their times.
    pub(super) troubled: Vec<(Mono, Trouble)>,
    /// Bytes written of the line at which the disk became full.
    pub(super) torn: usize,
}

impl Seen {
    /// Tests the invariants.
    pub(super) fn found(&self, drawn: &Drawn<'_>, without: Option<Guard>) -> Found {
        let mut found = Found { troubles: self.troubled.len(), ..Found::default() };
        let task = drawn.task(without);
        match self.record(drawn) {
            Err(why) => found.bad_journals.push(why),
            // The disk had no room for the first line.
            Ok(None) => {}
            Ok(Some((mut record, trace))) => {
                judged_again(&task, (&record, &trace), &mut found);
                if without == Some(Guard::Promised) {
                    forget_promises(&mut record);
                }
                verdicts(drawn, (&record, self.ended), &mut found);
            }
        }
        self.safety(drawn, &mut found);
        found
    }

    /// Record and trace from the journal, as far as it was written; `None` if nothing was written, and an error for a bad journal.
    fn record(&self, drawn: &Drawn<'_>) -> Result<Option<(Record, Trace)>, String> {
        // The listener may have heard more than the disk had room for.
        let written = drawn.disk.full_at.unwrap_or(usize::MAX).min(self.events.len());
        let bytes = journal(&self.events[..written], drawn.disk.full_at.map(|_| self.torn))?;
        let events = closed(&bytes, Halt::Killed).map_err(|error| format!("cannot be opened: {error}"))?;
        let mut view = RunView::default();
        for event in &events {
            view.fold(event);
        }
        let missing = self.events.iter().find(|heard| {
            let counts = matches!(heard.kind, EventKind::Verdict { .. } | EventKind::Halted(_));
            counts && !events.iter().any(|event| event.kind == heard.kind)
        });
        if let Some(missing) = missing {
            return Err(format!("the listener heard `{:?}`, but the journal lacks it", missing.kind));
        }
        if !matches!(events.last().map(|event| &event.kind), Some(EventKind::Ended { .. })) {
            return Err(String::from("the closed journal has no end"));
        }
        if written == 0 {
            return Ok(None);
        }
        let trace = view.trace().ok_or("the journal has no header")?;
        let csv = trace.to_csv();
        let kept = TraceRecord {
            file: String::from("trace.csv"),
            sha256: sha256_hex(csv.as_bytes()),
            scans: trace.scans.len() as u64,
        };
        let record = view.record(kept).ok_or("the journal gives no record")?;
        let complete =
            self.events[..written].iter().any(|event| matches!(event.kind, EventKind::Ended { .. }));
        let judged = record.positions.iter().any(|one| matches!(one.verdict, Verdict::Pass | Verdict::Fail));
        if !complete && (record.halted.is_none() || judged) {
            return Err(String::from("left open, but the record is not halted or has verdicts"));
        }
        Ok(Some((record, trace)))
    }

    fn safety(&self, drawn: &Drawn<'_>, found: &mut Found) {
        let said = |kind: &EventKind| self.events.iter().rev().find(|event| event.kind == *kind);
        let (is_safe, last) = self.was_safe.last().map_or((true, Mono::START), |(at, safe)| (*safe, *at));
        let confirmed = said(&EventKind::Safe).filter(|_| said(&EventKind::NotSafe).is_none());
        // Changes after the end of the run do not count.
        if let Some(safe) = confirmed
            && (!is_safe || last > safe.at)
        {
            found
                .unsafe_ends
                .push(format!("safe was confirmed at {:?}, but at {last:?} safe became {is_safe}", safe.at));
        }
        // With a full disk the listener hears nothing, but without recent troubles the outputs must be safe.
        let free =
            |moment: Mono| self.troubled.iter().all(|(at, trouble)| *at + trouble.lasts() + FREE < moment);
        let excused = said(&EventKind::NotSafe).is_some() || drawn.disk.full_at.is_some();
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

/// Bytes of a journal; if it is incomplete, followed by up to `torn` bytes of another line, as on a full disk.
fn journal(events: &[Event], torn: Option<usize>) -> Result<Vec<u8>, String> {
    let mut tally = Tally::default();
    let mut bytes = MAGIC.as_bytes().to_vec();
    tally.add(MAGIC.as_bytes());
    for event in events {
        let closing = matches!(event.kind, EventKind::Ended { .. });
        let text = if closing { closing_line(event, &tally) } else { line(event, None) };
        let text = text.map_err(|error| format!("`{:?}` cannot be written: {error}", event.kind))?;
        tally.add(text.as_bytes());
        bytes.extend(text.as_bytes());
    }
    let complete = events.iter().any(|event| matches!(event.kind, EventKind::Ended { .. }));
    if let (Some(torn), Some(last), false) = (torn, events.last(), complete) {
        let text = line(last, None).unwrap_or_default();
        bytes.extend(text.as_bytes().iter().take(torn.min(text.len() / 2)));
    }
    Ok(bytes)
}

/// Replaces the verdicts by those of the checks that were judged, whatever was promised.
fn forget_promises(record: &mut Record) {
    if record.halted.is_some() {
        return;
    }
    for position in record.positions.iter_mut().filter(|position| position.set_aside.is_none()) {
        let mine: Vec<&Check> = position.checks.iter().chain(&record.rig_checks).collect();
        let judged: Vec<_> = mine.iter().map(|check| (check.step, check.quantity, check.role)).collect();
        debug_assert!(promised_all_judged(&judged, &mine));
        position.verdict = Verdict::of(&judged, &mine);
    }
}

/// Tests the verdict and levels of each device against the truth.
fn verdicts(drawn: &Drawn<'_>, (record, ended): (&Record, Mono), found: &mut Found) {
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
        let levels = levels(drawn, device, &position.checks);
        let wrong = levels.iter().find(|level| level.error_pa.abs() > 2.0 * level.u_pa);
        if let (Some(level), None, Nature::Sound) = (wrong, &record.halted, nature)
            && drawn.truth.faults.is_empty()
        {
            found.wrong_levels.push(of(&format!("{level:?}")));
        }
        let outside = levels.iter().find(|level| level.inside_pa < -level.u_pa);
        let not_done = record.header.steps.len() - record.steps_done.len();
        let why = match (outside, nature) {
            _ if not_done > 0 => Some(format!("{not_done} steps were not done")),
            (Some(level), _) => Some(format!("{level:?}")),
            _ if levels.iter().any(|level| !level.found) => {
                Some(format!("not every level was found: {levels:?}"))
            }
            (None, Nature::Unsound(why)) => Some((*why).to_owned()),
            (None, _) => {
                unplugged(drawn, device.position, ended).then(|| String::from("its plug was pulled"))
            }
        };
        if let (Some(why), Verdict::Pass) = (why, position.verdict) {
            found.false_passes.push(of(&why));
        }
        let failed = position.checks.iter().find(|check| check.verdict == CheckVerdict::Fail);
        if position.verdict == Verdict::Fail
            && *nature == Nature::Sound
            && drawn.truth.faults.is_empty()
            && levels.iter().all(|level| level.inside_pa > level.u_pa)
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

/// A true level of a device, compared with the result and the limits, pascal.
#[derive(Debug, Clone, Copy)]
#[expect(dead_code, reason = "printed with a fault")]
struct Level {
    quantity: QuantityName,
    truth_pa: f64,
    /// Whether the run found the level.
    found: bool,
    /// Value minus truth.
    error_pa: f64,
    u_pa: f64,
    /// How far the truth is inside the limits; negative outside.
    inside_pa: f64,
}

/// U assumed for a level that was not found.
const NOT_FOUND_PA: f64 = 500.0;

/// All levels that the settings sheet limits. Results come from the checks; limits and truth are independent of them.
fn levels(drawn: &Drawn<'_>, device: &DeviceTruth, checks: &[Check]) -> Vec<Level> {
    let sheets = &drawn.station.task.sheets;
    let Some((settings, of_type)) = sheets.settings.as_ref().zip(sheets.device.as_ref()) else {
        return Vec::new();
    };
    let limits = expected(settings, of_type);
    let (on_pa, off_pa) = (device.on_level_pa(), device.off_level_pa());
    let saving = device.air_saving;
    let pa = |limits: LevelLimits| [limits.low, limits.high].map(VacuumLevel::si);
    let truths = [
        (QuantityName::SwitchPoint, Some(on_pa), Some(pa(limits.on))),
        (QuantityName::ResetPoint, Some(off_pa), Some(pa(limits.off))),
        (
            QuantityName::Hysteresis,
            Some(on_pa - off_pa),
            limits.hysteresis.map(|limits| limits.map(LevelDifference::si)),
        ),
        (QuantityName::CutOff, saving.map(|saving| saving.cut_off_pa), limits.cut_off.map(pa)),
        (QuantityName::Resume, saving.map(|saving| saving.resume_pa), limits.resume.map(pa)),
    ];
    let level = |(quantity, truth_pa, limits): (QuantityName, Option<f64>, Option<[f64; 2]>)| {
        let (truth_pa, [low_pa, high_pa]) = truth_pa.zip(limits)?;
        let check = checks.iter().find(|check| check.quantity == quantity);
        let measured = check.and_then(|check| check.measured.as_ref());
        let found = measured.map(|found| (found.value, found.expanded_uncertainty));
        let (value_pa, u_pa) = found.unwrap_or((truth_pa, NOT_FOUND_PA));
        Some(Level {
            quantity,
            truth_pa,
            found: found.is_some(),
            error_pa: value_pa - truth_pa,
            u_pa,
            inside_pa: (truth_pa - low_pa).min(high_pa - truth_pa),
        })
    };
    truths.into_iter().filter_map(level).collect()
}

/// Whether a device's plug was pulled well before the end.
fn unplugged(drawn: &Drawn<'_>, position: u8, ended: Mono) -> bool {
    const SEEN_WITHIN_S: f64 = 2.0;
    drawn.truth.faults.iter().any(|fault| {
        let early = matches!(fault.when, Trigger::At(at_s) if at_s + SEEN_WITHIN_S < ended.seconds());
        fault.effect == Effect::PullPlug(position) && early
    })
}
