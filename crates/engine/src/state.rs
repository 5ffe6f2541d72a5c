//! The engine's state; shared between its loop and the bench that steps see.

use crate::bench::Break;
use crate::input_states::InputStates;
use crate::judging::Judging;
use crate::recording::Recording;
use std::collections::{BTreeMap, VecDeque};
use std::sync::Arc;
use tripbench_judge::Judge;
use tripbench_quantity::{AirPressure, Mono, Span, VacuumLevel};
use tripbench_record::{Answer, Event, EventKind, Mark, PromptId, Seq, SetAside, SetAsideReason, Task};
use tripbench_rig::{Command, CommandId, Decoder, Guide, Order, OutputImage};

/// A scan as steps see it.
#[derive(Debug, Clone, PartialEq)]
pub struct Seen {
    /// End of the scan.
    pub at: Mono,
    /// Level as the reference reads it.
    pub read: VacuumLevel,
    /// Level with the zero subtracted, corrected by the certificate.
    pub level: VacuumLevel,
    /// Air pressure, where the rig measures it.
    pub air_pressure: Option<AirPressure>,
    /// Switch outputs by position.
    pub switches: InputStates,
    /// Valve outputs by position, where the rig reads them.
    pub valves: InputStates,
}

/// A pause because the air pressure is outside its window.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Pause {
    pub(crate) since: Mono,
    pub(crate) good_since: Option<Mono>,
}

/// A raw reading of the reference that repeats unchanged.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Unchanged {
    /// Pascal, before the zero is subtracted.
    pub(crate) raw: f64,
    pub(crate) since: Mono,
    pub(crate) scans: u32,
}

/// A command not yet confirmed.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Pending {
    pub(crate) id: CommandId,
    pub(crate) order: Order,
}

/// A question not yet answered.
#[derive(Debug, Clone)]
pub(crate) struct Prompt {
    pub(crate) id: PromptId,
    pub(crate) since: Mono,
    pub(crate) answer: Option<Answer>,
}

#[derive(Debug)]
pub(crate) struct State {
    pub(crate) task: Task,
    pub(crate) decoder: Decoder,
    pub(crate) now: Mono,
    pub(crate) recording: Recording,
    pub(crate) seen: Option<Seen>,
    pub(crate) seen_count: u64,
    pub(crate) last_scan: Option<Mono>,
    pub(crate) events: VecDeque<Event>,
    next_seq: u64,
    pub(crate) recorded: Option<Seq>,
    pub(crate) commands: VecDeque<Command>,
    next_command: u32,
    pub(crate) pending: Option<Pending>,
    pub(crate) confirmed: Option<(CommandId, Mono, OutputImage)>,
    /// The last confirmed order.
    pub(crate) confirmed_order: Option<Order>,
    /// Span of the last order, from before the write to after the read that confirmed it.
    pub(crate) carried_out: Option<Span>,
    pub(crate) air_since: Mono,
    /// The last instruction to the operator.
    pub(crate) guide: Option<Guide>,
    pub(crate) breaking: Option<Break>,
    pub(crate) pause: Option<Pause>,
    pub(crate) prompt: Option<Prompt>,
    next_prompt: u32,
    pub(crate) deadline: Option<Mono>,
    pub(crate) waited: bool,
    pub(crate) zero_pa: f64,
    pub(crate) vacuum_since: Option<Mono>,
    pub(crate) marks: Vec<Mark>,
    pub(crate) checks: Vec<tripbench_record::Check>,
    pub(crate) judge: Arc<Judge>,
    /// The step given out to be judged, and its checks once they are there.
    pub(crate) judging: Option<Judging>,
    pub(crate) judged: Option<Vec<tripbench_record::Check>>,
    pub(crate) set_aside: Vec<SetAside>,
    pub(crate) absent: BTreeMap<u8, u8>,
    /// Delay of the next scan beyond its regular time, once.
    pub(crate) shift: std::time::Duration,
    /// The present raw reading of the reference, for as long as it repeats unchanged.
    pub(crate) unchanged: Option<Unchanged>,
}

impl State {
    /// Gives a step out to be judged by everything known now.
    pub(crate) fn ask_for_checks(&mut self, step: u16) {
        self.judging = Some(Judging {
            judge: Arc::clone(&self.judge),
            task: self.task.clone(),
            trace: self.recording.share(),
            marks: self.marks.clone(),
            step,
        });
    }

    pub(crate) fn new(task: Task, now: Mono) -> Self {
        let judge = Arc::new(Judge::of(&task));
        Self {
            decoder: Decoder::new(task.plan.clone()),
            recording: Recording::new(task.plan.clone()),
            task,
            now,
            seen: None,
            seen_count: 0,
            last_scan: None,
            events: VecDeque::new(),
            next_seq: 0,
            recorded: None,
            commands: VecDeque::new(),
            next_command: 0,
            pending: None,
            confirmed: None,
            confirmed_order: None,
            carried_out: None,
            air_since: now,
            guide: None,
            breaking: None,
            pause: None,
            prompt: None,
            next_prompt: 0,
            deadline: None,
            waited: false,
            zero_pa: 0.0,
            vacuum_since: None,
            marks: Vec::new(),
            checks: Vec::new(),
            judge,
            judging: None,
            judged: None,
            set_aside: Vec::new(),
            absent: BTreeMap::new(),
            shift: std::time::Duration::ZERO,
            unchanged: None,
        }
    }

    pub(crate) fn emit(&mut self, kind: EventKind) {
        let seq = Seq(self.next_seq);
        self.next_seq += 1;
        self.events.push_back(Event { seq, at: self.now, kind });
    }

    /// Number of the last event emitted.
    pub(crate) fn last_seq(&self) -> Option<Seq> {
        self.next_seq.checked_sub(1).map(Seq)
    }

    pub(crate) fn order(&mut self, order: Order) -> CommandId {
        let id = CommandId(self.next_command);
        self.next_command += 1;
        // An order does not wait for delayed scans, least of all the safe order.
        self.shift = std::time::Duration::ZERO;
        let not_after = match order {
            Order::Safe => None,
            Order::Powered(_)
            | Order::Regulated(_)
            | Order::HandedOver { .. }
            | Order::Looped(_)
            | Order::Silent(_) => Some(self.now + std::time::Duration::from_millis(500)),
        };
        self.commands.push_back(Command { id, order, not_after });
        self.pending = Some(Pending { id, order });
        self.emit(EventKind::Ordered { id, order });
        id
    }

    pub(crate) fn guide(&mut self, guide: Guide) {
        if self.guide != Some(guide) {
            self.guide = Some(guide);
            self.emit(EventKind::Guide(guide));
        }
    }

    pub(crate) fn next_prompt(&mut self) -> PromptId {
        let id = PromptId(self.next_prompt);
        self.next_prompt += 1;
        id
    }

    pub(crate) fn is_active(&self, position: u8) -> bool {
        !self.set_aside.iter().any(|aside| aside.position == position)
    }

    pub(crate) fn set_aside(&mut self, position: u8, why: SetAsideReason) {
        if !self.is_active(position) {
            return;
        }
        let level = self.seen.as_ref().map_or(VacuumLevel::ZERO, |seen| seen.level);
        let aside = SetAside { position, why, at: self.now, level };
        self.set_aside.push(aside.clone());
        self.emit(EventKind::SetAside(aside));
    }

    /// Requests a wake-up at a time.
    pub(crate) fn wake_at(&mut self, at: Mono) {
        self.deadline = Some(self.deadline.map_or(at, |earlier| earlier.min(at)));
    }
}
