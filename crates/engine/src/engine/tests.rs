use super::*;
use crate::plan::{PlanInput, plan};
use crate::script::Script;
use crate::state::Prompt;
use rstest::rstest;
use std::sync::Arc;
use tripbench_device::SiteSheet;
use tripbench_quantity::Span;
use tripbench_record::{ClockState, Identity, IdentityHow, LoadedSheets, PositionPlan, Verdict};
use tripbench_rig::RigSheet;
use tripbench_sheet::{Findings, Source, read_sheet};

const RIG: &str = include_str!("../../../../bench-scripts/rigs/goods-in-1.toml");
const SCRIPT: &str = "name = \"ask\"\n[[step]]\ndo = \"ask\"\ntext = \"ready?\"\n";

fn task() -> Task {
    let findings = Findings::new();
    let rig = read_sheet(&Source::new("rig", RIG), &findings, RigSheet::read).expect("a rig");
    let script = read_sheet(&Source::new("script", SCRIPT), &findings, Script::read).expect("a script");
    let sheets = Arc::new(LoadedSheets { rig, site: SiteSheet::default(), device: None, settings: None });
    let identity = Identity { serial: "S1".into(), how: IdentityHow::ByOperator };
    plan(
        PlanInput { script: &script, sheets, positions: vec![PositionPlan { number: 1, identity }] },
        &findings,
    )
    .expect("a plan")
}

fn engine() -> Engine {
    let task = task();
    let header = RunHeader {
        run: "r".into(),
        rig: "rig".into(),
        number: None,
        started: "2026-11-25T07:00:00Z".into(),
        clock: ClockState::default(),
        software: "test".into(),
        trial: false,
        simulated: true,
        module: None,
        warnings: vec![],
        abilities: vec![],
        again: None,
        predictions: vec![],
        operators: vec![],
        sheets: vec![],
        steps: task.steps.clone(),
        positions: task.positions.clone(),
        plan: task.plan.clone(),
    };
    Engine::new(Plan { task, header }, Mono::START)
}

fn events(engine: &mut Engine) -> Vec<EventKind> {
    std::iter::from_fn(|| engine.poll_event()).map(|event| event.kind).collect()
}

/// Confirms every command as ordered, at `now`.
fn obey(engine: &mut Engine, now: Mono) {
    let rig = task().sheets.rig.clone();
    while let Some(command) = engine.poll_command() {
        let outputs = rig.image_of(command.order);
        let read_back = ReadBack { outputs, span: Span { before: now, after: now } };
        engine.handle(now, Input::Done { id: command.id, read_back });
    }
}

fn ends_aborted_and_safe(mut engine: Engine) -> Halt {
    let orders: Vec<_> = std::iter::from_fn(|| engine.poll_command()).map(|command| command.order).collect();
    assert_eq!(orders.last(), Some(&Order::Safe), "the last order is safe");
    let pending = engine.state.borrow().pending.expect("safe is pending").id;
    let outputs = task().sheets.rig.image_of(Order::Safe);
    let span = Span { before: Mono::START, after: Mono::START };
    engine.handle(Mono::START, Input::Done { id: pending, read_back: ReadBack { outputs, span } });
    assert_eq!(engine.phase(), Phase::Ended);
    let all = events(&mut engine);
    assert!(all.contains(&EventKind::Safe));
    assert!(all.contains(&EventKind::Verdict { position: 1, verdict: Verdict::Aborted }));
    let halted =
        all.into_iter().find_map(|kind| if let EventKind::Halted(halt) = kind { Some(halt) } else { None });
    halted.expect("the run states why it was halted")
}

#[test]
fn a_panic_in_a_step_leaves_the_engine_able_to_order_safe() {
    let mut engine = engine();
    engine.run = Some(Box::pin(async { panic!("a wrong index") }));
    engine.poll();
    assert_eq!(ends_aborted_and_safe(engine), Halt::StepFault { why: "a wrong index".into() });
}

#[test]
fn a_step_that_waits_for_nothing_is_a_fault_and_no_hang() {
    let mut engine = engine();
    engine.run = Some(Box::pin(std::future::pending()));
    engine.poll();
    assert!(matches!(ends_aborted_and_safe(engine), Halt::StepFault { .. }));
}

#[test]
fn an_answer_to_a_question_that_is_not_open_is_refused() {
    let mut engine = engine();
    let answer = |to| Input::Answer { to: PromptId(to), answer: "yes".into(), by: "somebody".into() };
    engine.handle(Mono::START, answer(7));
    assert!(events(&mut engine).contains(&EventKind::AnswerRefused(PromptId(7))));
    obey(&mut engine, Mono::START);
    assert_eq!(engine.phase(), Phase::Running);
}

#[rstest]
#[case("yes", Some(Answer::Yes))]
#[case(" Ok ", Some(Answer::Yes))]
#[case("NEIN", Some(Answer::No))]
#[case("", None)]
#[case("yed", None)]
#[case("yes yes", None)]
#[case("true", None)]
fn after_any_word_but_yes_and_no_the_question_stays_open(#[case] text: &str, #[case] meant: Option<Answer>) {
    let mut engine = engine();
    let to = {
        let mut state = engine.state.borrow_mut();
        let id = state.next_prompt();
        state.prompt = Some(Prompt { id, since: Mono::START, answer: None });
        take_answer(&mut state, id, text.into(), "somebody".into());
        id
    };
    assert_eq!(engine.state.borrow().prompt.as_ref().map(|prompt| prompt.answer), Some(meant));
    assert_eq!(events(&mut engine).contains(&EventKind::AnswerRefused(to)), meant.is_none());
}

#[test]
fn a_record_that_can_not_be_written_ends_the_run() {
    let mut engine = engine();
    engine.handle(Mono::START, Input::RecordLost);
    assert_eq!(ends_aborted_and_safe(engine), Halt::RecordLost);
}

#[test]
fn safe_that_is_never_confirmed_is_said_to_be_so() {
    let mut engine = engine();
    engine.handle(Mono::START, Input::Abort(Halt::Signal));
    while let Some(command) = engine.poll_command() {
        if engine.poll_deadline().is_some_and(|deadline| deadline.seconds() > 60.0) {
            break;
        }
        engine.handle(
            Mono::START + Duration::from_secs(5),
            Input::NotDone { id: command.id, why: Doubt::Lost },
        );
        engine.handle(Mono::START + Duration::from_secs(20), Input::Deadline);
    }
    assert_eq!(engine.phase(), Phase::Ended);
    assert!(events(&mut engine).contains(&EventKind::NotSafe));
}
