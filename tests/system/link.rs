//! The link on good and bad wires: bytes on the wire, faults, and the way back to safe.

use rstest::rstest;
use std::net::SocketAddr;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::Duration;
use tripbench_link::{Clock, Discipline, Link, StopLatch, TcpTransport, Transport};
use tripbench_quantity::Span;
use tripbench_rig::{
    Air, Area, Command, CommandId, Doubt, Order, OutputName, Query, Request, Response, RigSheet,
};
use tripbench_simulator::{Server, SimulatedBench, Truth, serve};
use tripbench_tests::wire::{Canned, Proxy, frame};
use tripbench_tests::{good, sheet_text};

const ANSWER_TIMEOUT: Duration = Duration::from_millis(150);
const LATE: Duration = Duration::from_millis(400);

fn rig() -> RigSheet {
    good(&sheet_text("rigs/goods-in-1.toml"), RigSheet::read)
}

fn simulated() -> Server {
    let rig = rig();
    let bench = SimulatedBench::new(&rig, Truth::as_declared(&rig, 1));
    serve(bench, ([127, 0, 0, 1], 0).into()).expect("a port")
}

fn transport(address: SocketAddr) -> TcpTransport {
    TcpTransport::new(address, ANSWER_TIMEOUT)
}

fn link(address: SocketAddr, latch: &StopLatch) -> Link<TcpTransport> {
    let transport = TcpTransport::new(address, ANSWER_TIMEOUT);
    Link::new(transport, Clock::start(), latch.clone(), &rig())
}

/// Asks unit 11h over a transport; returns only its answer.
async fn ask(transport: &mut impl Transport, request: &Request) -> Result<Response, Doubt> {
    let query = Query { unit: 0x11, request: request.clone() };
    transport.transact(&query, &Clock::start()).await.map(|(response, _)| response)
}

fn block_on<T>(future: impl Future<Output = T>) -> T {
    let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build().expect("a runtime");
    runtime.block_on(future)
}

fn order(air: Air) -> Command {
    Command { id: CommandId(1), order: Order::Powered(air), not_after: None }
}

fn read(area: Area, start: u16, count: u16) -> Request {
    Request::Read { area, start, count }
}

// MODBUS Application Protocol V1.1b3, request and response PDUs of clauses 6.1 to 6.6 and 6.11, byte for byte.
#[rstest]
#[case(read(Area::Coil, 0x13, 0x13), "01 00 13 00 13", "01 03 CD 6B 05")]
#[case(read(Area::DiscreteInput, 0xC4, 0x16), "02 00 C4 00 16", "02 03 AC DB 35")]
#[case(read(Area::HoldingRegister, 0x6B, 3), "03 00 6B 00 03", "03 06 02 2B 00 00 00 64")]
#[case(read(Area::InputRegister, 8, 1), "04 00 08 00 01", "04 02 00 0A")]
#[case(
    Request::WriteCoils { start: 0x13, states: bits(&[0xCD, 0x01], 10) },
    "0F 00 13 00 0A 02 CD 01",
    "0F 00 13 00 0A"
)]
#[case(Request::WriteCoil { at: 0xAC, state: true }, "05 00 AC FF 00", "05 00 AC FF 00")]
#[case(Request::WriteRegister { at: 1, value: 3 }, "06 00 01 00 03", "06 00 01 00 03")]
fn requests_and_answers_are_the_standards_bytes(
    #[case] request: Request,
    #[case] asked: &str,
    #[case] answered: &str,
) {
    let answer = hex(answered);
    let server = Canned::with({
        let answer = answer.clone();
        move |_, request| (Duration::ZERO, frame(request, &answer))
    });
    let response = block_on(ask(&mut transport(server.address), &request)).expect("an answer");
    let sent = server.requests().remove(0);
    assert_eq!(sent[7..], hex(asked));
    assert_eq!((sent[2], sent[3], sent[6]), (0, 0, 0x11), "protocol and unit");
    let expected = match &request {
        Request::Read { area, count, .. } if area.is_bits() => {
            Response::Values(bits(&answer[2..], usize::from(*count)).into_iter().map(u16::from).collect())
        }
        Request::Read { .. } => Response::Values(
            answer[2..].chunks(2).map(|pair| u16::from_be_bytes([pair[0], pair[1]])).collect(),
        ),
        Request::WriteCoils { .. }
        | Request::WriteRegisters { .. }
        | Request::WriteCoil { .. }
        | Request::WriteRegister { .. } => Response::Written,
    };
    assert_eq!(response, expected);
}

// The worked exception of clause 7: 01 04 A1 00 01 is answered with 81 02.
#[test]
fn the_worked_exception_of_the_standard_is_a_refusal_and_no_broken_link() {
    let server = Canned::with(|_, request| (Duration::ZERO, frame(request, &[0x81, 0x02])));
    block_on(async {
        let mut transport = transport(server.address);
        let request = read(Area::Coil, 0x04A1, 1);
        assert_eq!(ask(&mut transport, &request).await, Err(Doubt::Refused(2)));
        assert_eq!(ask(&mut transport, &request).await, Err(Doubt::Refused(2)));
    });
    assert_eq!(server.requests()[0][7..], [0x01, 0x04, 0xA1, 0x00, 0x01]);
}

#[rstest]
#[case("01 04 A1 00 01", "81 02")]
#[case("02 00 00 00 00", "82 03")]
#[case("02 00 00 07 D1", "82 03")]
#[case("04 00 00 00 7E", "84 03")]
#[case("07", "87 01")]
fn the_simulated_module_refuses_as_the_standard_says(#[case] asked: &str, #[case] answered: &str) {
    use std::io::{Read, Write};
    let server = simulated();
    let mut stream = std::net::TcpStream::connect(server.address()).expect("a connection");
    let request = frame(&[0, 1, 0, 0, 0, 0, 1], &hex(asked));
    stream.write_all(&request).expect("sent");
    let mut answer = [0_u8; 9];
    stream.read_exact(&mut answer).expect("an answer");
    assert_eq!(answer[7..], hex(answered));
}

#[rstest]
#[case(Doubt::Late, |_: &[u8]| (LATE, vec![]))]
#[case(Doubt::Short, |request: &[u8]| (Duration::ZERO, frame(request, &[0x04, 0x02, 0x00, 0x0A])))]
#[case(Doubt::Foreign, |request: &[u8]| (Duration::ZERO, frame(request, &[0x03, 0x04, 0, 1, 0, 2])))]
#[case(Doubt::Foreign, |_: &[u8]| (Duration::ZERO, vec![0xAB, 0xCD, 0, 0, 0, 7, 0x11, 0x04, 4, 0, 1, 0, 2]))]
fn an_answer_that_is_none_is_a_doubt_and_the_next_call_is_not_touched(
    #[case] doubt: Doubt,
    #[case] first: fn(&[u8]) -> tripbench_tests::wire::Reply,
) {
    let good = |request: &[u8]| (Duration::ZERO, frame(request, &[0x04, 4, 0, 7, 0, 8]));
    let server =
        Canned::with(move |number, request| if number == 0 { first(request) } else { good(request) });
    block_on(async {
        let mut transport = transport(server.address);
        let request = read(Area::InputRegister, 0, 2);
        assert_eq!(ask(&mut transport, &request).await, Err(doubt));
        assert_eq!(ask(&mut transport, &request).await, Ok(Response::Values(vec![7, 8])));
    });
}

/// A module whose answers carry the number of the request, the first answer late.
fn counting() -> Canned {
    Canned::with(|number, request| {
        let delay = if number == 0 { LATE } else { Duration::ZERO };
        (delay, frame(request, &[0x04, 2, 0, u8::try_from(number).expect("few")]))
    })
}

#[test]
fn a_late_answer_never_answers_the_next_request() {
    let server = counting();
    block_on(async {
        let mut transport = transport(server.address);
        let request = read(Area::InputRegister, 0, 1);
        assert_eq!(ask(&mut transport, &request).await, Err(Doubt::Late));
        tokio::time::sleep(LATE).await;
        for number in 1..5 {
            assert_eq!(ask(&mut transport, &request).await, Ok(Response::Values(vec![number])));
        }
    });
}

/// A master without the guard: it keeps its connection and accepts any answer.
struct Trusting(tokio::net::TcpStream);

impl Transport for Trusting {
    async fn transact(&mut self, _query: &Query, _clock: &Clock) -> Result<(Response, Span), Doubt> {
        use tokio::io::{AsyncReadExt, AsyncWriteExt};
        let ask = async {
            self.0.write_all(&[0, 1, 0, 0, 0, 6, 0x11, 4, 0, 0, 0, 1]).await.map_err(|_| Doubt::Lost)?;
            let mut answer = [0_u8; 11];
            self.0.read_exact(&mut answer).await.map_err(|_| Doubt::Lost)?;
            Ok((Response::Values(vec![u16::from(answer[10])]), Span::default()))
        };
        tokio::time::timeout(ANSWER_TIMEOUT, ask).await.unwrap_or(Err(Doubt::Late))
    }
}

#[test]
fn a_master_without_the_guard_takes_the_late_answer_for_the_next_one() {
    let server = counting();
    block_on(async {
        let mut trusting =
            Trusting(tokio::net::TcpStream::connect(server.address).await.expect("a connection"));
        let request = read(Area::InputRegister, 0, 1);
        assert_eq!(ask(&mut trusting, &request).await, Err(Doubt::Late));
        tokio::time::sleep(LATE).await;
        assert_eq!(
            ask(&mut trusting, &request).await,
            Ok(Response::Values(vec![0])),
            "stale, without an error"
        );
    });
}

/// Orders evacuation over a connection that has become late, makes safe, and reads the coil: at once, and later.
fn evacuate_left_in_an_old_connection(discipline: Discipline) -> (bool, bool) {
    let server = simulated();
    let proxy = Proxy::before(server.address(), LATE);
    let rig = rig();
    let coil = || server.look(|bench| bench.coil(OutputName::Evacuate)).expect("the output");
    block_on(async {
        let mut link = link(proxy.address, &StopLatch::armed()).with_discipline(discipline);
        link.make_safe(&rig).await.expect("safe at the start");
        link.carry_out(&order(Air::Evacuate), &rig).await.expect("evacuates");
        assert!(coil(), "the order arrived");
        link.carry_out(&order(Air::Rest), &rig).await.expect("rests");
        proxy.make_late();
        assert_eq!(link.carry_out(&order(Air::Evacuate), &rig).await, Err(Doubt::Late));
        link.make_safe(&rig).await.expect("safe over a new connection");
        let at_once = coil();
        tokio::time::sleep(2 * LATE).await;
        (at_once, coil())
    })
}

#[test]
fn no_write_left_in_an_old_connection_undoes_safe() {
    assert_eq!(evacuate_left_in_an_old_connection(Discipline::Kept), (false, false));
}

#[test]
fn without_the_guard_the_old_write_lands_after_safe_was_confirmed() {
    assert_eq!(evacuate_left_in_an_old_connection(Discipline::SafeAtFirstSight), (false, true));
}

#[test]
fn in_doubt_and_after_stop_nothing_but_safe_goes_out() {
    let server = simulated();
    let rig = rig();
    let latch = StopLatch::armed();
    block_on(async {
        let mut link = link(server.address(), &latch);
        assert_eq!(
            link.carry_out(&order(Air::Evacuate), &rig).await,
            Err(Doubt::Late),
            "faulty until safe was confirmed"
        );
        link.make_safe(&rig).await.expect("safe");
        link.carry_out(&order(Air::Hold), &rig).await.expect("holds");
        latch.set();
        assert_eq!(link.carry_out(&order(Air::Evacuate), &rig).await, Err(Doubt::Stopped));
        link.make_safe(&rig).await.expect("safe is still sent");
    });
    assert_eq!(server.look(|bench| bench.coil(OutputName::Evacuate)), Some(false));
    assert_eq!(server.look(|bench| bench.coil(OutputName::Vent)), Some(true));
}

#[test]
fn a_module_that_hears_nothing_falls_to_safe_by_itself() {
    let server = simulated();
    let rig = rig();
    block_on(async {
        let mut link = link(server.address(), &StopLatch::armed());
        link.make_safe(&rig).await.expect("safe");
        link.carry_out(&order(Air::Evacuate), &rig).await.expect("evacuates");
        tokio::time::sleep(Duration::from_millis(2_200)).await;
        let image =
            link.transact(&Query { unit: 1, request: read(Area::Coil, 0, 1) }).await.expect("an answer").0;
        assert_eq!(image, Response::Values(vec![0]));
    });
}

fn hex(text: &str) -> Vec<u8> {
    text.split_whitespace().map(|byte| u8::from_str_radix(byte, 16).expect("hex")).collect()
}

fn bits(bytes: &[u8], count: usize) -> Vec<bool> {
    (0..count).map(|index| bytes[index / 8] >> (index % 8) & 1 == 1).collect()
}

#[test]
fn safe_that_somebody_else_undoes_is_not_called_safe() {
    let server = simulated();
    let rig = rig();
    let going = Arc::new(AtomicBool::new(true));
    let (address, on) = (server.address(), Arc::clone(&going));
    let other = std::thread::spawn(move || {
        let write = Request::WriteCoils { start: 0, states: vec![true] };
        block_on(async {
            let mut other = TcpTransport::new(address, ANSWER_TIMEOUT);
            let query = Query { unit: 1, request: write };
            while on.load(Ordering::SeqCst) {
                other.transact(&query, &Clock::start()).await.expect("written");
                tokio::time::sleep(Duration::from_millis(50)).await;
            }
        });
    });
    block_on(async {
        let mut link = link(server.address(), &StopLatch::armed());
        assert_eq!(link.make_safe(&rig).await, Err(Doubt::OutputsDiffer));
        going.store(false, Ordering::SeqCst);
        tokio::time::sleep(Duration::from_millis(100)).await;
        assert!(link.make_safe(&rig).await.is_ok());
    });
    other.join().expect("the other master");
}
