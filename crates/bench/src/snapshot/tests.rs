//! What a published run shares with the state that it was made of, and what it says of the positions.

use super::*;
use crate::demo::planned;
use proptest::prelude::*;
use std::collections::{BTreeMap, BTreeSet};
use std::sync::LazyLock;
use tripbench_quantity::{Mono, VacuumLevel};
use tripbench_record::{
    Check, CheckVerdict, Event, EventKind, Halt, Mark, PositionRecord, QuantityName, Role, Segment, Seq,
    SetAside, SetAsideReason, TraceRecord, Verdict,
};
use tripbench_runner::Prepared;

/// Two devices, planned once.
static PREPARED: LazyLock<Prepared> = LazyLock::new(|| planned(&[1, 3]).prepared);
/// Steps that are drawn: those of the run, and one that it does not have.
const STEPS: u16 = 4;

fn started() -> EventKind {
    EventKind::Started(Box::new(RunHeader {
        steps: PREPARED.header.steps[..3].to_vec(),
        ..PREPARED.header.clone()
    }))
}

fn any_check() -> impl Strategy<Value = EventKind> {
    // Position 2 does not take part.
    let place = prop::option::of(1_u8..=3);
    let quantity = prop::sample::select(vec![QuantityName::SwitchPoint, QuantityName::Bounce]);
    let role = prop::sample::select(vec![Role::Required, Role::Informative]);
    let verdict = prop::sample::select(vec![CheckVerdict::Pass, CheckVerdict::Undecided]);
    (0..STEPS, place, quantity, role, verdict).prop_map(|(step, position, quantity, role, verdict)| {
        EventKind::Check(Arc::new(Check { step, position, role, verdict, ..Check::empty(quantity) }))
    })
}

fn any_kind() -> impl Strategy<Value = EventKind> {
    let aside = |position| SetAside {
        position,
        why: SetAsideReason::Unplugged,
        at: Mono::START,
        level: VacuumLevel::new(60e3),
    };
    let verdict = prop::sample::select(vec![Verdict::Pass, Verdict::Fail, Verdict::Undecided]);
    prop_oneof![
        2 => (0..STEPS).prop_map(EventKind::StepBegan),
        3 => (0..STEPS).prop_map(EventKind::StepDone),
        8 => any_check(),
        1 => (1_u8..=3).prop_map(move |position| EventKind::SetAside(aside(position))),
        2 => (1_u8..=3, verdict).prop_map(|(position, verdict)| EventKind::Verdict { position, verdict }),
        1 => Just(EventKind::Halted(Halt::Killed)),
        1 => Just(EventKind::Ended { ended: None }),
    ]
}

/// A run as events say it, by rules written down here once more.
#[derive(Debug, Default)]
struct Expected {
    done: BTreeSet<u16>,
    checks: Vec<Arc<Check>>,
    aside: BTreeMap<u8, SetAside>,
    verdicts: BTreeMap<u8, Verdict>,
}

impl Expected {
    fn take(&mut self, kind: &EventKind) {
        if let EventKind::StepBegan(step) = kind {
            self.done.remove(step);
        } else if let EventKind::StepDone(step) = kind {
            self.done.insert(*step);
        } else if let EventKind::Check(check) = kind {
            self.checks.push(Arc::clone(check));
        } else if let EventKind::SetAside(aside) = kind {
            self.aside.entry(aside.position).or_insert_with(|| aside.clone());
        } else if let EventKind::Verdict { position, verdict } = kind {
            self.verdicts.insert(*position, *verdict);
        } else if let EventKind::Halted(_) = kind {
            self.verdicts.clear();
        }
    }

    /// Checks of completed steps of the run, which has three.
    fn checks(&self, of: Option<u8>) -> Vec<Arc<Check>> {
        let counts =
            |check: &&Arc<Check>| check.position == of && check.step < 3 && self.done.contains(&check.step);
        self.checks.iter().filter(counts).cloned().collect()
    }

    fn position(&self, number: u8) -> PositionRecord {
        let plan =
            PREPARED.header.positions.iter().find(|plan| plan.number == number).expect("it takes part");
        let checks = self.checks(Some(number));
        let open = |check: &&Arc<Check>| {
            check.quantity == QuantityName::Bounce
                && check.role == Role::Informative
                && check.verdict == CheckVerdict::Undecided
        };
        PositionRecord {
            verdict: self.verdicts.get(&number).copied().unwrap_or(Verdict::Aborted),
            not_checked: checks.iter().filter(open).map(|check| check.quantity).collect(),
            set_aside: self.aside.get(&number).cloned(),
            checks,
            ..PositionRecord::new(number, &plan.identity)
        }
    }
}

/// The states of a run after each of its events, the first before any.
fn phases(kinds: &[EventKind]) -> impl Iterator<Item = RunView> {
    let mut view = RunView::default();
    let folded =
        (0..).zip(std::iter::once(started()).chain(kinds.iter().cloned())).map(move |(seq, kind)| {
            view.fold(&Event { seq: Seq(seq), at: Mono::START, kind });
            view.clone()
        });
    std::iter::once(RunView::default()).chain(folded)
}

fn published(view: &RunView) -> RunSnapshot {
    let sheets = Arc::clone(&PREPARED.task.sheets);
    RunSnapshot::new(view.clone(), sheets, PathBuf::new()).expect("a header")
}

proptest! {
    #[test]
    fn what_is_said_of_a_position_so_far_is_what_the_record_says(kinds in prop::collection::vec(any_kind(), 0..40)) {
        let nothing = || TraceRecord { file: String::new(), sha256: String::new(), scans: 0 };
        let mut expected = Expected::default();
        for (index, view) in phases(&kinds).enumerate() {
            // Before the header, and after it, no drawn event has come.
            if let Some(kind) = index.checked_sub(2).map(|index| &kinds[index]) {
                expected.take(kind);
            }
            let positions: &[u8] = if index == 0 { &[] } else { &[1, 3] };
            let positions: Vec<_> = positions.iter().map(|number| expected.position(*number)).collect();
            prop_assert_eq!(&view.positions_so_far(), &positions);
            prop_assert_eq!(&view.rig_checks_so_far(), &expected.checks(None));
            let record = view.record(nothing());
            let said = record.map(|record| (record.positions, record.rig_checks)).unwrap_or_default();
            prop_assert_eq!(said, (positions, expected.checks(None)));
        }
    }

    #[test]
    fn a_published_run_copies_no_check(checks in prop::collection::vec(any_check(), 0..200)) {
        let done = (0..3).map(EventKind::StepDone);
        let kinds: Vec<EventKind> = checks.iter().cloned().chain(done).collect();
        let view = phases(&kinds).last().expect("a state");
        let snapshot = published(&view);
        let made: BTreeSet<*const Check> = checks
            .iter()
            .filter_map(|kind| if let EventKind::Check(check) = kind { Some(Arc::as_ptr(check)) } else { None })
            .collect();
        let is_one = |check: &Arc<Check>| made.contains(&Arc::as_ptr(check));
        prop_assert_eq!(snapshot.view.checks.len(), checks.len());
        prop_assert!(snapshot.view.checks.iter().all(is_one));
        let positions = snapshot.view.positions_so_far();
        prop_assert!(positions.iter().flat_map(|position| &position.checks).all(is_one));
        prop_assert!(snapshot.view.rig_checks_so_far().iter().all(is_one));
    }
}

#[test]
fn what_only_the_record_needs_is_dropped_and_nothing_else() {
    let mark = Mark { step: 0, segment: Segment::Rising { cycle: 1 }, from: Mono::START, to: Mono::START };
    let check = Check { position: Some(3), ..Check::empty(QuantityName::Bounce) };
    let kinds = [EventKind::Mark(mark), EventKind::Check(Arc::new(check)), EventKind::StepDone(0)];
    let mut view = phases(&kinds).last().expect("a state");
    assert_eq!(view.marks.len(), 1);
    let before = view.positions_so_far();
    view.drop_stretches();
    assert!(view.marks.is_empty());
    assert_eq!(view.positions_so_far(), before);
    assert_eq!(before[1].not_checked, [QuantityName::Bounce]);
}
