use super::*;
use rstest::rstest;
use std::cell::RefCell;
use std::future::Future as _;
use std::rc::Rc;
use tripbench_rig::{Air, Area, CommandId, IdentityObject, Request};
use tripbench_sheet::{Findings, Source, read_sheet};

/// Coils 0, 1 and 5: two writes, and two reads to read them back. A request can take effect for 60 ms.
const RIG: &str = r#"
name = "bench"
[link]
tcp = "127.0.0.1:1502"
unit = 3
answer_timeout = "20 ms"
slowest_answer = "60 ms"
[reference]
name = "R"
range = "100 kPa"
noise = "20 Pa"
input = { at = "input-register 0", counts = [0, 10000], values = ["0 kPa", "100 kPa"] }
lag = { value = "0 ms", uncertainty = "1 ms", how = "certificate" }
calibration = { date = 2026-03-12, due = 2027-03-12, certificate = "test reference", expanded_uncertainty = "0.25 kPa" }
[[output]]
name = "evacuate"
at = "coil 0"
safe = false
[[output]]
name = "bleed"
at = "coil 1"
safe = false
[[output]]
name = "vent"
at = "coil 5"
safe = true
[run_limits]
deepest_level = "90 kPa"
[manifold]
volume = "1.2 L"
ultimate_vacuum = "95 kPa"
evacuate = "3 s"
vent = "0.5 s"
bleed = "6 s"
largest_leak = "0.2 kPa/s"
[[position]]
number = 1
switch = { at = "discrete-input 0" }
"#;
const SLOWEST: Duration = Duration::from_millis(60);

fn rig() -> RigSheet {
    let findings = Findings::new();
    let rig = read_sheet(&Source::new("rig", RIG), &findings, RigSheet::read);
    rig.unwrap_or_else(|| panic!("{:?}", findings.into_sorted()))
}

type Answer = Result<Response, Doubt>;
type Script = Box<dyn FnMut(usize, &Query, &mut [u16]) -> Option<Answer>>;

/// A module with eight coils that follows a script, and answers normally if the script gives no answer.
struct Module {
    coils: [u16; 8],
    sent: Rc<RefCell<Vec<(Query, Mono)>>>,
    script: Script,
    identity: Result<Vec<IdentityObject>, Doubt>,
}

impl Transport for Module {
    async fn identify(&mut self, unit: u8, _: &Clock) -> Result<Vec<IdentityObject>, Doubt> {
        assert_eq!(unit, 3, "the unit of the rig");
        self.identity.clone()
    }

    async fn transact(&mut self, query: &Query, clock: &Clock) -> Result<(Response, Span), Doubt> {
        let before = clock.now();
        let index = self.sent.borrow().len();
        self.sent.borrow_mut().push((query.clone(), before));
        if let Some(answer) = (self.script)(index, query, &mut self.coils) {
            return answer.map(|response| (response, Span { before, after: clock.now() }));
        }
        let response = match &query.request {
            Request::Read { area: Area::Coil, start, count } => {
                let from = usize::from(*start);
                Response::Values(self.coils[from..from + usize::from(*count)].to_vec())
            }
            Request::Read { start, count, .. } => Response::Values((*start..*start + *count).collect()),
            Request::WriteCoils { start, states } => {
                for (coil, state) in self.coils[usize::from(*start)..].iter_mut().zip(states) {
                    *coil = u16::from(*state);
                }
                Response::Written
            }
            // The rig of these tests has neither single writes nor output registers.
            Request::WriteRegisters { .. } | Request::WriteCoil { .. } | Request::WriteRegister { .. } => {
                Response::Written
            }
        };
        Ok((response, Span { before, after: clock.now() }))
    }
}

/// A link with a log of its requests.
struct Wired {
    link: Link<Module>,
    sent: Rc<RefCell<Vec<(Query, Mono)>>>,
    latch: StopLatch,
    rig: RigSheet,
}

impl Wired {
    /// A link in virtual time; the module answers in no time.
    fn new(script: impl FnMut(usize, &Query, &mut [u16]) -> Option<Answer> + 'static) -> Self {
        Self::on(Clock::in_virtual_time(), script)
    }

    fn on(clock: Clock, script: impl FnMut(usize, &Query, &mut [u16]) -> Option<Answer> + 'static) -> Self {
        let (sent, latch, rig) = (Rc::default(), StopLatch::armed(), rig());
        let identity = Err(Doubt::Refused(1));
        let module = Module { coils: [1; 8], sent: Rc::clone(&sent), script: Box::new(script), identity };
        let link = Link::new(module, clock, latch.clone(), &rig);
        Self { link, sent, latch, rig }
    }

    /// A link that is not in doubt and has sent nothing.
    fn sure(script: impl FnMut(usize, &Query, &mut [u16]) -> Option<Answer> + 'static) -> Self {
        let mut wired = Self::new(script);
        wired.link.doubt_at = None;
        wired
    }

    /// The same link in real time.
    fn sure_in_real_time() -> Self {
        let mut wired = Self::on(Clock::start(), |_, _, _| None);
        wired.link.doubt_at = None;
        wired
    }

    async fn order(&mut self, order: Order, not_after: Option<Mono>) -> Result<ReadBack, Doubt> {
        let command = Command { id: CommandId(1), order, not_after };
        self.link.carry_out(&command, &self.rig).await
    }

    async fn evacuate(&mut self) -> Result<ReadBack, Doubt> {
        self.order(Order::Powered(Air::Evacuate), None).await
    }

    /// The requests sent: `w` for a write, `r` for a read, each with its first address.
    fn log(&self) -> String {
        let one = |(query, _): &(Query, Mono)| {
            let kind = if query.request.is_write() { 'w' } else { 'r' };
            format!("{kind}{}", query.request.first())
        };
        self.sent.borrow().iter().map(one).collect::<Vec<_>>().join(" ")
    }

    fn times(&self) -> Vec<Mono> {
        self.sent.borrow().iter().map(|(_, at)| *at).collect()
    }
}

const EVACUATED: [u16; 3] = [1, 0, 0];
const SAFE: [u16; 3] = [0, 0, 1];

#[tokio::test]
async fn an_order_is_written_and_read_back() {
    let mut wired = Wired::sure(|_, _, _| None);
    let done = wired.evacuate().await.expect("done");
    assert_eq!(done.outputs, EVACUATED);
    assert_eq!(wired.log(), "w5 w0 r0 r5");
    assert!(wired.sent.borrow().iter().all(|(query, _)| query.unit == 3));
    assert!(done.span.before <= wired.times()[0] && wired.times()[3] <= done.span.after);
    let later = wired.link.clock.now() + Duration::from_secs(9);
    assert!(wired.order(Order::Powered(Air::Hold), Some(later)).await.is_ok());
}

#[tokio::test]
async fn a_new_link_is_in_doubt_until_safe_has_lasted() {
    let mut wired = Wired::new(|_, _, _| None);
    assert_eq!(wired.evacuate().await, Err(Doubt::Late));
    assert_eq!(wired.log(), "");
    let made = wired.order(Order::Safe, None).await.expect("safe");
    assert_eq!(made.outputs, SAFE);
    assert!(wired.log().starts_with("w0 w5 r0 r5 w0 w5 r0 r5 r0 r5"), "{}", wired.log());
    let times = wired.times();
    // Written again once no earlier request can take effect, then watched for as long again.
    assert_eq!((times[0], times[4]), (Mono::START, Mono::START + SLOWEST));
    assert_eq!(times[times.len() - 1], Mono::START + 2 * SLOWEST);
    assert_eq!(made.span.length(), 2 * SLOWEST);
    assert!(wired.evacuate().await.is_ok());
}

#[tokio::test]
async fn safe_without_a_doubt_is_written_once_and_watched() {
    let mut wired = Wired::sure(|_, _, _| None);
    wired.link.make_safe(&wired.rig).await.expect("safe");
    let log = wired.log();
    assert_eq!(log.matches("w0").count(), 1, "{log}");
    // Read back, then read after 20, 40 and 60 ms.
    assert_eq!(log.matches("r0").count(), 4, "{log}");
}

#[tokio::test]
async fn without_its_guard_a_link_takes_safe_at_first_sight() {
    let wired = Wired::new(|_, _, _| None);
    let mut wired = Wired { link: wired.link.with_discipline(Discipline::SafeAtFirstSight), ..wired };
    wired.link.make_safe(&wired.rig).await.expect("safe");
    assert_eq!(wired.log(), "w0 w5 r0 r5");
    assert!(wired.evacuate().await.is_ok());
}

#[tokio::test]
async fn somebody_else_who_writes_puts_safe_in_doubt() {
    let late = |index: usize, _: &Query, coils: &mut [u16]| {
        if index == 8 {
            coils[0] = 1;
        }
        None
    };
    let mut wired = Wired::new(late);
    let rig = wired.rig.clone();
    assert_eq!(wired.link.make_safe(&rig).await, Err(Doubt::OutputsDiffer));
    assert_eq!(wired.evacuate().await, Err(Doubt::Late));
    let at_once = |_: usize, query: &Query, coils: &mut [u16]| {
        if matches!(query.request, Request::Read { .. }) {
            coils[0] = 1;
        }
        None
    };
    let mut wired = Wired::new(at_once);
    assert_eq!(wired.link.make_safe(&rig).await, Err(Doubt::OutputsDiffer));
    assert_eq!(wired.log(), "w0 w5 r0 r5");
}

#[tokio::test]
async fn every_write_of_safe_goes_out_even_after_a_refusal() {
    let mut wired = Wired::new(|index, _, _| (index == 0).then_some(Err(Doubt::Refused(4))));
    let rig = wired.rig.clone();
    assert_eq!(wired.link.make_safe(&rig).await, Err(Doubt::Refused(4)));
    assert_eq!(wired.log(), "w0 w5");
    assert_eq!(wired.evacuate().await, Err(Doubt::Late));
}

#[tokio::test]
async fn an_order_that_comes_too_late_is_not_sent() {
    let mut wired = Wired::sure(|_, _, _| None);
    let just = Mono::START + Duration::from_nanos(1);
    wired.link.clock.sleep_until(just).await;
    assert_eq!(wired.order(Order::Powered(Air::Evacuate), Some(Mono::START)).await, Err(Doubt::Gap));
    assert_eq!(wired.log(), "");
    assert!(wired.order(Order::Powered(Air::Evacuate), Some(just)).await.is_ok());
}

#[tokio::test]
async fn outputs_that_read_back_otherwise_are_a_doubt() {
    let mut wired = Wired::sure(|_, query, coils| {
        if matches!(query.request, Request::Read { start: 5, .. }) {
            coils[5] = 1;
        }
        None
    });
    assert_eq!(wired.evacuate().await, Err(Doubt::OutputsDiffer));
    assert_eq!(wired.evacuate().await, Err(Doubt::Late));
}

#[tokio::test]
async fn a_stop_goes_between_two_writes_and_before_the_reads() {
    for stopped_at in [0, 1] {
        let slot: Rc<RefCell<Option<StopLatch>>> = Rc::default();
        let latch = Rc::clone(&slot);
        let mut wired = Wired::sure(move |index, _, _| {
            if let (true, Some(latch)) = (index == stopped_at, latch.borrow().as_ref()) {
                latch.set();
            }
            None
        });
        *slot.borrow_mut() = Some(wired.latch.clone());
        assert_eq!(wired.evacuate().await, Err(Doubt::Stopped));
        assert_eq!(wired.log(), ["w5", "w5 w0"][stopped_at]);
        assert_eq!(wired.evacuate().await, Err(Doubt::Stopped));
        assert!(wired.order(Order::Safe, None).await.is_ok());
    }
}

#[tokio::test]
async fn an_illegal_quantity_is_refused_and_nothing_is_sent() {
    let mut wired = Wired::sure(|_, _, _| None);
    let query = |count| Query { unit: 1, request: Request::Read { area: Area::Coil, start: 0, count } };
    assert_eq!(wired.link.transact(&query(0)).await, Err(Doubt::Refused(3)));
    assert_eq!(wired.log(), "");
    let (response, span) = wired.link.transact(&query(2)).await.expect("an answer");
    assert_eq!(response, Response::Values(vec![1, 1]));
    assert!(span.before <= span.after);
    assert!(wired.link.doubt_at.is_none());
}

#[tokio::test]
async fn an_answer_of_another_form_is_a_doubt_and_a_refusal_is_none() {
    let answers: [(Answer, Doubt, bool); 3] = [
        (Ok(Response::Values(vec![1])), Doubt::Short, true),
        (Err(Doubt::Late), Doubt::Late, true),
        (Err(Doubt::Refused(2)), Doubt::Refused(2), false),
    ];
    for (answer, expected, doubts) in answers {
        let mut wired = Wired::sure(move |index, _, _| (index == 0).then(|| answer.clone()));
        let query = Query { unit: 1, request: Request::Read { area: Area::Coil, start: 0, count: 2 } };
        assert_eq!(wired.link.transact(&query).await, Err(expected));
        assert_eq!(wired.link.doubt_at.is_some(), doubts);
        // The next answer is valid, but the doubt remains.
        assert!(wired.link.transact(&query).await.is_ok());
        assert_eq!(wired.evacuate().await.is_ok(), !doubts);
    }
}

/// The identification of a unit is returned. A refusal or an empty answer is no doubt; any other failure is.
#[rstest]
#[case::says(Ok(vec![(0, b"Jam works".to_vec()), (2, b"3".to_vec())]), Ok(Some(["Jam works", "", "3"])), false)]
#[case::says_nothing(Ok(Vec::new()), Ok(None), false)]
#[case::does_not_know_it(Err(Doubt::Refused(1)), Ok(None), false)]
#[case::late(Err(Doubt::Late), Err(Doubt::Late), true)]
#[case::corrupt(Err(Doubt::Corrupt), Err(Doubt::Corrupt), true)]
#[tokio::test]
async fn what_a_unit_says_it_is_is_told(
    #[case] identity: Result<Vec<IdentityObject>, Doubt>,
    #[case] told: Result<Option<[&str; 3]>, Doubt>,
    #[case] doubts: bool,
) {
    let mut wired = Wired::sure(|_, _, _| None);
    wired.link.transport.identity = identity;
    let said = wired.link.identify().await;
    let said = said.map(|said| said.map(|said| [said.vendor, said.product, said.revision]));
    assert_eq!(said, told.map(|told| told.map(|texts| texts.map(String::from))));
    assert_eq!(wired.link.is_in_doubt(), doubts);
}

/// An earlier doubt remains after an identification.
#[tokio::test]
async fn saying_what_it_is_ends_no_doubt() {
    let mut wired = Wired::new(|_, _, _| None);
    wired.link.transport.identity = Ok(vec![(0, b"Jam works".to_vec())]);
    assert!(wired.link.identify().await.is_ok());
    assert!(wired.link.is_in_doubt());
}

#[tokio::test]
async fn a_scan_is_every_read_of_its_plan() {
    let plan = ReadPlan::covering([(None, Area::InputRegister, 4), (Some(9), Area::InputRegister, 7)], 0);
    let mut wired = Wired::sure(|_, _, _| None);
    let scan = wired.link.scan(&plan).await.expect("a scan");
    let words: Vec<_> = scan.blocks.iter().map(|block| block.words.clone()).collect();
    assert_eq!(words, [[4], [7]]);
    let units: Vec<u8> = wired.sent.borrow().iter().map(|(query, _)| query.unit).collect();
    assert_eq!(units, [3, 9]);
    wired.latch.set();
    assert_eq!(wired.link.scan(&plan).await, Err(Doubt::Stopped));
    assert_eq!(wired.sent.borrow().len(), 2);
    let mut wired = Wired::sure(|_, _, _| Some(Err(Doubt::Corrupt)));
    assert_eq!(wired.link.scan(&plan).await, Err(Doubt::Corrupt));
}

#[tokio::test]
async fn in_silence_nothing_is_sent_and_then_the_outputs_are_read() {
    let mut wired = Wired::sure(|_, _, _| None);
    let done = wired.order(Order::Silent(60), None).await.expect("done");
    assert_eq!(wired.log(), "r0 r5");
    assert_eq!(done.outputs, [1, 1, 1]);
    assert_eq!(wired.times()[0].since(done.span.before), Duration::from_millis(60));
    assert_eq!(done.span.length(), Duration::from_millis(60));
}

#[tokio::test]
async fn a_stop_ends_a_silence_at_once() {
    let mut wired = Wired::sure_in_real_time();
    let latch = wired.latch.clone();
    let clock = wired.link.clock.clone();
    let stop = async {
        tokio::time::sleep(Duration::from_millis(10)).await;
        latch.set();
    };
    let (ended, ()) = tokio::join!(wired.order(Order::Silent(2_000), None), stop);
    assert_eq!(ended, Err(Doubt::Stopped));
    assert!(clock.now() < Mono::START + Duration::from_millis(500));
}

// The latch is checked every 20 ms, so the future is polled a few times, neither once nor thousands of times.
#[tokio::test]
async fn a_silence_sleeps_between_its_looks() {
    let mut wired = Wired::sure_in_real_time();
    let mut polls = 0;
    {
        let mut silence = std::pin::pin!(wired.order(Order::Silent(100), None));
        let counted = std::future::poll_fn(|context| {
            polls += 1;
            silence.as_mut().poll(context)
        });
        counted.await.expect("done");
    }
    assert!((3..=20).contains(&polls), "{polls} polls");
}
