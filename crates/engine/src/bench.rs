//! The bench as a step sees it: scan, air, ask, sleep, mark, now. Nothing else.

use crate::predict::motion_time;
use crate::state::{Prompt, Seen, State};
use std::cell::RefCell;
use std::future::poll_fn;
use std::rc::Rc;
use std::task::Poll;
use std::time::Duration;
use tripbench_quantity::{LevelRate, Mono, Span, VacuumLevel};
use tripbench_record::{
    Answer, Check, EventKind, Halt, Mark, Motion, Segment, SetAsideReason, SwitchPointsTask, Thrown,
};
use tripbench_rig::{Air, Guide, Hint, LONGEST_GAP, Order, OutputName};

/// Why a wait of a step ended early.
#[derive(Debug, Clone, PartialEq)]
pub enum Break {
    /// The run has to wait; the work in progress is thrown away and repeated after the wait.
    Wait(String),
    /// The work in progress is thrown away and repeated at once.
    Again(String),
    /// The run ends.
    Halt(Halt),
}

impl From<Halt> for Break {
    fn from(halt: Halt) -> Self {
        Self::Halt(halt)
    }
}

/// A step's whole access to the rig.
#[derive(Debug, Clone)]
pub struct Bench {
    pub(crate) state: Rc<RefCell<State>>,
    pub(crate) step: u16,
}

impl Bench {
    /// Time of the last input.
    pub fn now(&self) -> Mono {
        self.state.borrow().now
    }

    /// Waits for the next scan.
    ///
    /// # Errors
    /// If the run has to pause or is halted meanwhile.
    pub async fn scan(&self) -> Result<Seen, Break> {
        let before = self.state.borrow().seen_count;
        self.wait(|state| if state.seen_count > before { state.seen.clone() } else { None }).await
    }

    /// Orders an air state and returns once the outputs have been read back.
    ///
    /// # Errors
    /// If the run has to pause or is halted meanwhile.
    pub async fn air(&self, air: Air) -> Result<(), Break> {
        self.air_toward(air, None).await
    }

    /// Like [`Bench::air`], with the target level, which is shown to the operator of a rig without valves.
    ///
    /// # Errors
    /// As [`Bench::air`].
    pub async fn air_toward(&self, air: Air, toward: Option<VacuumLevel>) -> Result<(), Break> {
        if let Some(hint) = by_hand(air).filter(|_| self.state.borrow().task.sheets.rig.by_hand()) {
            self.guide(Guide { hint, toward, rate: None });
        }
        self.order(Order::Powered(air)).await
    }

    /// Orders a regulator's set point and returns once it has been read back.
    ///
    /// # Errors
    /// As [`Bench::air`].
    pub async fn regulate(&self, level: VacuumLevel) -> Result<(), Break> {
        #[expect(
            clippy::cast_possible_truncation,
            clippy::cast_sign_loss,
            reason = "a level in pascal, not negative"
        )]
        let pascal = level.si().max(0.0).round() as u32;
        self.order(Order::Regulated(pascal)).await
    }

    /// Sets every valve to its safe value. In a rig check the devices are unpowered too, until the operator has agreed to power them.
    ///
    /// # Errors
    /// As [`Bench::air`].
    pub async fn rest(&self) -> Result<(), Break> {
        let nobody = self.state.borrow().task.positions.is_empty();
        if nobody { self.order(Order::Safe).await } else { self.air(Air::Rest).await }
    }

    /// Hands the evacuation valve over to the device at a position; returns once this has been read back.
    ///
    /// # Errors
    /// As [`Bench::air`].
    pub async fn hand_over(&self, position: u8, air: Air) -> Result<(), Break> {
        self.order(Order::HandedOver { position, air }).await
    }

    /// Carries out any order; returns the span from before its write to after the read that confirmed it.
    ///
    /// # Errors
    /// As [`Bench::air`].
    pub(crate) async fn carry_out(&self, order: Order) -> Result<Span, Break> {
        self.order(order).await?;
        let now = self.now();
        Ok(self.state.borrow().carried_out.unwrap_or(Span { before: now, after: now }))
    }

    /// Longest time that a valve takes to act.
    pub(crate) fn valve_delay(&self) -> Duration {
        self.state.borrow().task.sheets.rig.manifold.valve_delay.duration()
    }

    /// Longest time between the ends of two consecutive scans since `from`.
    pub(crate) fn longest_gap_since(&self, from: Mono) -> Duration {
        let state = self.state.borrow();
        let ends = state.recording.newest().map(tripbench_rig::Scan::end).take_while(|end| *end >= from);
        let ends: Vec<Mono> = ends.collect();
        ends.windows(2).map(|pair| pair[0].since(pair[1])).max().unwrap_or_default()
    }

    /// Longest time between two scans that still counts as usual: four times one scan and one write.
    pub(crate) fn usual_gap(&self) -> Duration {
        let rig = &self.state.borrow().task.sheets.rig;
        (rig.scan_time().duration() + rig.order_time().duration()) * 4
    }

    /// Time after which every output has responded to a level, whichever delay is selected.
    pub(crate) fn answered(&self) -> Duration {
        let state = self.state.borrow();
        let promise = state.task.sheets.device.as_ref().map(|device| &device.promise);
        let delays =
            promise.into_iter().flat_map(|promise| promise.delays.iter().map(|delay| delay.duration()));
        let response = promise.map_or(Duration::ZERO, |promise| promise.response_time.duration());
        let shown = state.task.sheets.rig.input_time().duration();
        delays.max().unwrap_or_default() + response + shown + Duration::from_millis(100)
    }

    /// Time until the gas has reached the temperature of the walls: three thermal time constants.
    pub(crate) fn settled(&self) -> Duration {
        self.state.borrow().task.sheets.rig.manifold.thermal.duration() * 3
    }

    /// Predicted time of one cycle through the window, including the time for the gas to settle before a throttled ramp.
    pub(crate) fn cycle_time(&self, task: &SwitchPointsTask, cycle: u16) -> Duration {
        let state = self.state.borrow();
        let sheets = &state.task.sheets;
        let reached = sheets.site.reached(sheets.rig.manifold.ultimate_vacuum.value);
        let time = |motion, deeper, levels| motion_time(&sheets.rig, reached, (motion, deeper), levels);
        let SwitchPointsTask { bottom, slow_top, top, .. } = *task;
        let (up, down) = (task.motion(true, cycle), task.motion(false, cycle));
        let rise = if task.slow(true).contains(cycle) && !task.throttled_to_the_top(cycle) {
            time(up, true, (bottom, slow_top)) + time(task.rising, true, (slow_top, top))
        } else {
            time(up, true, (bottom, top))
        };
        let settles = if up == Motion::Throttled { self.settled().as_secs_f64() } else { 0.0 };
        Duration::from_secs_f64((settles + rise + time(down, false, (top, bottom))).max(0.0))
    }

    /// Longest time that an input takes to show a change at its terminal.
    pub(crate) fn input_time(&self) -> Duration {
        self.state.borrow().task.sheets.rig.input_time().duration()
    }

    /// Longest time that a good output takes to show its answer.
    pub(crate) fn unanswered(&self) -> Duration {
        Duration::from_secs_f64(tripbench_judge::unanswered_s(&self.state.borrow().task))
    }

    /// Time after which an input certainly shows the state of its terminal.
    pub(crate) fn shown_within(&self) -> Duration {
        Duration::from_millis(300) + self.input_time() * 2
    }

    /// Whether a position's plug is connected; `None` if the rig has no input for it.
    pub(crate) fn plug(&self, position: u8) -> Option<bool> {
        let state = self.state.borrow();
        let present = state.task.sheets.rig.position(position)?.present.as_ref()?;
        let scan = state.recording.newest().next()?;
        state.decoder.bit(scan, present).map(|bit| bit.on)
    }

    /// Names of the guards that the rig has an input for: emergency stop, guard door.
    pub(crate) fn guards(&self) -> Vec<&'static str> {
        let state = self.state.borrow();
        let run_limits = &state.task.sheets.rig.run_limits;
        let all = [("emergency stop", &run_limits.emergency_stop), ("guard door", &run_limits.guard_door)];
        all.into_iter().filter(|(_, input)| input.is_some()).map(|(name, _)| name).collect()
    }

    /// Smallest and largest set point of a regulator on the way to a level, pascal: ahead of the level by its lag, and short of the
    /// limit of a run.
    pub(crate) fn set_points(&self, to: VacuumLevel, rate: LevelRate) -> [f64; 2] {
        const SPARE_PA: f64 = 500.0;
        let rig = &self.state.borrow().task.sheets.rig;
        let ahead = 3.0 * rate.si() * rig.manifold.evacuate.si();
        let scale = rig.outputs.iter().find(|output| output.name == OutputName::Regulator);
        let deepest = scale
            .and_then(|output| output.scale)
            .map_or(f64::INFINITY, |scale| scale.values.iter().map(|level| level.si()).fold(0.0, f64::max));
        let most = (to.si() + ahead).min(rig.run_limits.deepest_level.si() - SPARE_PA).min(deepest);
        [(to.si() - ahead).max(0.0).min(most), most.max(0.0)]
    }

    /// Whether this air state is the last one ordered, and has been read back.
    pub(crate) fn is_on(&self, air: Air) -> bool {
        let state = self.state.borrow();
        state.pending.is_none() && state.confirmed_order == Some(Order::Powered(air))
    }

    /// Time until the limit ends the present time under vacuum.
    pub(crate) fn time_left_under_vacuum(&self) -> Duration {
        let state = self.state.borrow();
        let passed = state.vacuum_since.map_or(Duration::ZERO, |since| state.now.since(since));
        state.longest_at_vacuum().saturating_sub(passed)
    }

    /// Tells the operator what to do, unless it was the last thing said.
    pub(crate) fn guide(&self, guide: Guide) {
        self.state.borrow_mut().guide(guide);
    }

    async fn order(&self, order: Order) -> Result<(), Break> {
        let id = {
            let mut state = self.state.borrow_mut();
            state.air_since = state.now;
            state.order(order)
        };
        self.wait(|state| state.confirmed.as_ref().filter(|(confirmed, _, _)| *confirmed == id).map(|_| ()))
            .await
    }

    /// Waits for a time.
    ///
    /// # Errors
    /// If the run has to pause or is halted meanwhile.
    pub async fn sleep(&self, time: Duration) -> Result<(), Break> {
        let until = self.now() + time;
        self.wait(|state| {
            state.wake_at(until);
            (state.now >= until).then_some(())
        })
        .await
    }

    /// Asks a person, valves in safe state, and returns the answer.
    ///
    /// # Errors
    /// If nobody answers within the site's time, or the run pauses or is halted meanwhile.
    pub async fn ask(&self, text: &str) -> Result<Answer, Break> {
        self.rest().await?;
        let longest = {
            let mut state = self.state.borrow_mut();
            let id = state.next_prompt();
            state.prompt = Some(Prompt { id, since: state.now, answer: None });
            state.emit(EventKind::Asked { id, text: text.to_owned() });
            state.task.sheets.site.waiting.answer.duration()
        };
        let answer = self
            .wait(|state| {
                let prompt = state.prompt.clone()?;
                let until = prompt.since + longest;
                state.wake_at(until);
                match prompt.answer {
                    Some(answer) => Some(Ok(answer)),
                    None if state.now >= until => Some(Err(Break::Halt(Halt::NoAnswer))),
                    None => None,
                }
            })
            .await?;
        self.state.borrow_mut().prompt = None;
        answer
    }

    /// Returns once the reason to wait is gone.
    pub(crate) async fn ready(&self) -> Result<(), Break> {
        poll_fn(|_| {
            let mut state = self.state.borrow_mut();
            state.waited = true;
            // Only a halt ends a wait: a further reason to wait extends the same wait.
            if let Some(Break::Halt(halt)) = state.breaking.take() {
                return Poll::Ready(Err(Break::Halt(halt)));
            }
            if state.pause.is_none() { Poll::Ready(Ok(())) } else { Poll::Pending }
        })
        .await
    }

    /// Requests the checks of this step, which are made outside the engine, and waits for them. Only a halt ends the wait early: no
    /// work is in progress that could be repeated.
    pub(crate) async fn judged(&self) -> Result<Vec<Check>, Halt> {
        self.state.borrow_mut().ask_for_checks(self.step);
        poll_fn(|_| {
            let mut state = self.state.borrow_mut();
            state.waited = true;
            if let Some(Break::Halt(halt)) = &state.breaking {
                return Poll::Ready(Err(halt.clone()));
            }
            state.judged.take().map_or(Poll::Pending, |checks| Poll::Ready(Ok(checks)))
        })
        .await
    }

    /// Marks a complete stretch of the trace from `from` to now.
    pub fn mark(&self, segment: Segment, from: Mono) {
        self.mark_between(segment, from, self.now());
    }

    /// Marks a complete stretch of the trace.
    pub fn mark_between(&self, segment: Segment, from: Mono, to: Mono) {
        let mut state = self.state.borrow_mut();
        let mark = Mark { step: self.step, segment, from, to };
        state.marks.push(mark);
        state.emit(EventKind::Mark(mark));
    }

    /// Records that a stretch of the trace was thrown away.
    pub(crate) fn thrown(&self, from: Mono, why: String) {
        let mut state = self.state.borrow_mut();
        let thrown = Thrown { step: self.step, from, to: state.now, why };
        state.emit(EventKind::Thrown(thrown));
    }

    /// Reports the cycle in progress.
    pub fn cycle(&self, cycle: u16, of: u16) {
        self.state.borrow_mut().emit(EventKind::Cycle(cycle, of));
    }

    /// A function that reports the cycle in progress out of `of` cycles.
    pub(crate) fn cycle_of(&self, of: u16) -> impl Fn(u16) + '_ {
        move |cycle| self.cycle(cycle, of)
    }

    /// Delays the scans that follow, once, by a share of the scan period; limited so that no gap arises.
    pub(crate) fn shift_scans(&self, share: f64, period: Duration) {
        let most = (LONGEST_GAP * 4 / 5).saturating_sub(period);
        self.state.borrow_mut().shift = period.mul_f64(share.clamp(0.0, 1.0)).min(most);
    }

    /// Takes a position out of the round.
    pub fn set_aside(&self, position: u8, why: SetAsideReason) {
        self.state.borrow_mut().set_aside(position, why);
    }

    /// Whether the rig has an input for a position's plug.
    pub(crate) fn shows_plug(&self, position: u8) -> bool {
        let state = self.state.borrow();
        state.task.sheets.rig.position(position).is_some_and(|position| position.present.is_some())
    }

    /// Numbers of the positions that have not been set aside.
    pub fn active(&self) -> Vec<u8> {
        let state = self.state.borrow();
        state
            .task
            .positions
            .iter()
            .map(|plan| plan.number)
            .filter(|number| state.is_active(*number))
            .collect()
    }

    /// Sets the zero that is subtracted from every level from now on.
    pub(crate) fn set_zero(&self, level: VacuumLevel) {
        self.state.borrow_mut().zero_pa = level.si();
    }

    /// Polls `ready` at every input until it returns a value; a break takes precedence.
    async fn wait<T>(&self, mut ready: impl FnMut(&mut State) -> Option<T>) -> Result<T, Break> {
        poll_fn(|_| {
            let mut state = self.state.borrow_mut();
            state.waited = true;
            if let Some(reason) = state.breaking.take() {
                return Poll::Ready(Err(reason));
            }
            ready(&mut state).map_or(Poll::Pending, |value| Poll::Ready(Ok(value)))
        })
        .await
    }
}

/// What a person does in place of a valve; `None` where the air is at rest.
const fn by_hand(air: Air) -> Option<Hint> {
    match air {
        Air::Rest => None,
        Air::Hold => Some(Hint::Hold),
        Air::Evacuate | Air::EvacuateFine => Some(Hint::Deeper),
        Air::Bleed => Some(Hint::LessDeep),
        Air::Vent => Some(Hint::LetIn),
    }
}
