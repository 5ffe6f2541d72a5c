//! RTU on a serial port and through a converter: bad answers, late ones, lost ports; with and without the discipline.

use rstest::rstest;
use std::os::unix::fs::symlink;
use std::sync::{Arc, Mutex};
use std::time::Duration;
use tripbench_link::{Clock, Discipline, LineDiscipline, Link, ModuleWire, StopLatch, Transport};
use tripbench_quantity::Mono;
use tripbench_rig::{
    Air, Area, Command, CommandId, Doubt, Order, OutputName, Query, Request, Response, RigSheet, SerialTiming,
};
use tripbench_simulator::{RtuServer, SerialPace, SimulatedBench, Truth, serve_rtu_over_tcp, serve_serial};
use tripbench_tests::command::Workplace;
use tripbench_tests::good;
use tripbench_tests::hosted::{Hosted, scans};
use tripbench_tests::line::{
    LineKind, Pieces, ScriptedSlave, babbling_converter, converter_link, port_path, sealed, serial_link,
    with_link,
};
use tripbench_tests::wire::Proxy;

const NOW: Duration = Duration::ZERO;
/// After the timeout of one request, in the middle of that of the next.
const LATE: Duration = Duration::from_millis(225);

fn block_on<T>(future: impl Future<Output = T>) -> T {
    let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build().expect("a runtime");
    runtime.block_on(future)
}

fn read(count: u16) -> Query {
    Query { unit: 0x11, request: Request::Read { area: Area::InputRegister, start: 0, count } }
}

async fn ask(wire: &mut ModuleWire, query: &Query) -> Result<Response, Doubt> {
    wire.transact(query, &Clock::start()).await.map(|(response, _)| response)
}

/// The answer of unit 11h with one register.
fn register(value: u16) -> Vec<u8> {
    sealed(&[&[0x11, 0x04, 2], &value.to_be_bytes()[..]].concat())
}

fn values(words: &[u16]) -> Response {
    Response::Values(words.to_vec())
}

/// A slave whose answers carry the number of the request, the first answer late.
fn counting(kind: LineKind) -> ScriptedSlave {
    ScriptedSlave::with(kind, |number, _| {
        let pause = if number == 0 { LATE } else { NOW };
        vec![(pause, register(u16::try_from(number).expect("few")))]
    })
}

#[rstest]
fn a_late_answer_never_answers_the_next_request(
    #[values(LineKind::Serial, LineKind::Converter)] kind: LineKind,
) {
    let slave = counting(kind);
    let mut wire = slave.wire(LineDiscipline::Kept);
    block_on(async {
        assert_eq!(ask(&mut wire, &read(1)).await, Err(Doubt::Late));
        for number in 1..5 {
            assert_eq!(ask(&mut wire, &read(1)).await, Ok(values(&[number])));
        }
    });
}

#[rstest]
fn without_waiting_for_silence_every_answer_is_the_one_before(
    #[values(LineKind::Serial, LineKind::Converter)] kind: LineKind,
) {
    let slave = counting(kind);
    let mut wire = slave.wire(LineDiscipline::NeverSuspect);
    block_on(async {
        assert_eq!(ask(&mut wire, &read(1)).await, Err(Doubt::Late));
        assert_eq!(ask(&mut wire, &read(1)).await, Ok(values(&[0])), "stale, without an error");
    });
}

/// Longest time without reading a rig; a longer gap ends its run.
const LONGEST_GAP: Duration = Duration::from_millis(250);

/// As fast as the connection allows: noise, complete frames of another unit, beginnings of an answer. Another master in the same
/// process keeps its scan rate meanwhile.
#[rstest]
fn a_peer_that_babbles_is_doubted_in_time_and_another_master_keeps_its_scans(
    #[values(
        (0..=255_u8).map(|byte| byte.wrapping_mul(167)).collect(),
        sealed(&[0x12, 0x04, 2, 0, 9]),
        vec![0x11, 0x10, 0, 1]
    )]
    bytes: Vec<u8>,
) {
    let sheet = with_link(&converter_link(babbling_converter(bytes))).replace("\"500 ms\"", "\"150 ms\"");
    let babbling = good(&sheet, RigSheet::read);
    let workplace = Workplace::new();
    let module = Hosted::start(&workplace, "rig.toml");
    // A write goes out although the line is never silent.
    let write = Query { unit: 0x11, request: Request::WriteRegisters { start: 1, values: vec![9; 9] } };
    let (answer, took, trace) = std::thread::scope(|scope| {
        let asking = scope.spawn(|| {
            let clock = Clock::start();
            let mut wire = ModuleWire::of(&babbling.link).expect("an address");
            (block_on(ask(&mut wire, &write)), clock.now().since(Mono::START))
        });
        let (_, trace) = scans(&module.rig, &module.rig.read_plan(), Duration::from_millis(900));
        let (answer, took) = asking.join().expect("an answer");
        (answer, took, trace)
    });
    assert!(matches!(answer, Err(Doubt::Corrupt | Doubt::Foreign | Doubt::Short)), "{answer:?}");
    let times = [4 * babbling.link.slowest_answer.duration(), babbling.link.answer_timeout.duration()];
    assert!(took < times.iter().sum::<Duration>() + LONGEST_GAP, "{took:?}");
    let gaps = trace.scans.windows(2).map(|pair| pair[1].end().since(pair[0].end()));
    assert!(gaps.max().is_some_and(|gap| gap < LONGEST_GAP));
}

/// How a bad line treats an answer.
#[rstest]
#[case::short(Doubt::Short, |good: &[u8]| vec![(NOW, good[..4].to_vec())])]
#[case::too_little(Doubt::Short, |_: &[u8]| vec![(NOW, sealed(&[0x11, 0x04, 1, 9]))])]
#[case::foreign_unit(Doubt::Foreign, |_: &[u8]| vec![(NOW, sealed(&[0x12, 0x04, 2, 0, 9]))])]
#[case::foreign_function(Doubt::Foreign, |_: &[u8]| vec![(NOW, sealed(&[0x11, 0x03, 2, 0, 9]))])]
#[case::corrupt(Doubt::Corrupt, |good: &[u8]| {
    let mut bytes = good.to_vec();
    bytes[4] ^= 0x40;
    vec![(NOW, bytes)]
})]
#[case::garbage(Doubt::Corrupt, |_: &[u8]| vec![(NOW, vec![0x5A; 60])])]
#[case::missing(Doubt::Late, |_: &[u8]| Vec::new())]
fn an_answer_that_is_none_is_a_doubt_and_the_next_one_is_right(
    #[case] doubt: Doubt,
    #[case] spoil: fn(&[u8]) -> Pieces,
    #[values(LineKind::Serial, LineKind::Converter)] kind: LineKind,
) {
    let slave = ScriptedSlave::with(kind, move |number, _| {
        let good = register(u16::try_from(number).expect("few"));
        if number == 0 { spoil(&good) } else { vec![(NOW, good)] }
    });
    let mut wire = slave.wire(LineDiscipline::Kept);
    block_on(async {
        assert_eq!(ask(&mut wire, &read(1)).await, Err(doubt));
        assert_eq!(ask(&mut wire, &read(1)).await, Ok(values(&[1])));
    });
}

#[rstest]
#[case::corrupt(|good: &[u8]| {
    let mut bytes = good.to_vec();
    bytes[4] ^= 0x40;
    bytes
})]
#[case::foreign(|_: &[u8]| sealed(&[0x12, 0x04, 2, 0, 9]))]
fn without_the_checks_a_bad_answer_is_a_value(
    #[case] spoil: fn(&[u8]) -> Vec<u8>,
    #[values(LineKind::Serial, LineKind::Converter)] kind: LineKind,
) {
    let slave = ScriptedSlave::with(kind, move |_, _| vec![(NOW, spoil(&register(0)))]);
    let mut wire = slave.wire(LineDiscipline::AnyBytes);
    let answer = block_on(ask(&mut wire, &read(1)));
    assert!(matches!(answer, Ok(Response::Values(ref words)) if words[0] != 0), "{answer:?}");
}

#[rstest]
#[case::byte_by_byte(|good: &[u8]| good.iter().map(|byte| (Duration::from_millis(2), vec![*byte])).collect())]
#[case::noise_before(|good: &[u8]| vec![(NOW, [&[0x00, 0xFF, 0x00][..], good].concat())])]
#[case::a_stranger_before(|good: &[u8]| vec![(NOW, sealed(&[0x12, 0x04, 2, 0, 9])), (NOW, good.to_vec())])]
#[case::in_two_pieces(|good: &[u8]| vec![(NOW, good[..3].to_vec()), (Duration::from_millis(20), good[3..].to_vec())])]
fn a_good_answer_is_found_however_it_comes(
    #[case] way: fn(&[u8]) -> Pieces,
    #[values(LineKind::Serial, LineKind::Converter)] kind: LineKind,
) {
    let slave =
        ScriptedSlave::with(kind, move |number, _| way(&register(u16::try_from(number).expect("few"))));
    let mut wire = slave.wire(LineDiscipline::Kept);
    block_on(async {
        for number in 0..4 {
            assert_eq!(ask(&mut wire, &read(1)).await, Ok(values(&[number])));
        }
    });
}

#[rstest]
fn a_second_answer_to_one_request_never_answers_the_next(
    #[values(LineKind::Serial, LineKind::Converter)] kind: LineKind,
) {
    let slave = ScriptedSlave::with(kind, |number, _| {
        let good = register(u16::try_from(number).expect("few"));
        if number == 0 {
            vec![(NOW, good.clone()), (Duration::from_millis(100), good)]
        } else {
            vec![(NOW, good)]
        }
    });
    let mut wire = slave.wire(LineDiscipline::Kept);
    block_on(async {
        assert_eq!(ask(&mut wire, &read(1)).await, Ok(values(&[0])));
        tokio::time::sleep(Duration::from_millis(150)).await;
        assert_eq!(ask(&mut wire, &read(1)).await, Ok(values(&[1])));
    });
}

#[rstest]
fn a_dropped_request_leaves_the_line_suspect(
    #[values(LineKind::Serial, LineKind::Converter)] kind: LineKind,
) {
    let slave = ScriptedSlave::with(kind, |number, _| {
        let pause = if number == 0 { Duration::from_millis(60) } else { NOW };
        vec![(pause, register(u16::try_from(number).expect("few")))]
    });
    let mut wire = slave.wire(LineDiscipline::Kept);
    block_on(async {
        let dropped = tokio::time::timeout(Duration::from_millis(530), ask(&mut wire, &read(1))).await;
        assert!(dropped.is_err(), "dropped before its answer came: {dropped:?}");
        assert_eq!(slave.requests().len(), 1);
        assert_eq!(ask(&mut wire, &read(1)).await, Ok(values(&[1])));
    });
}

/// A rig on a given kind of wire.
struct Rig {
    server: RtuServer,
    sheet: RigSheet,
}

fn rig(kind: LineKind, path: &std::path::Path) -> Rig {
    let declared = good(&with_link("tcp = \"127.0.0.1:1\""), RigSheet::read);
    let bench = SimulatedBench::new(&declared, Truth::as_declared(&declared, 1));
    match kind {
        LineKind::Serial => {
            let pace = SerialPace { timing: Some(SerialTiming::at(115_200)), slave: NOW };
            let server = serve_serial(bench, pace).expect("a pseudo-terminal");
            drop(std::fs::remove_file(path));
            symlink(server.port().expect("a port"), path).expect("a link");
            let sheet = good(&with_link(&serial_link(&path.to_string_lossy(), 115_200)), RigSheet::read);
            Rig { server, sheet }
        }
        LineKind::Converter => {
            let server = serve_rtu_over_tcp(bench, ([127, 0, 0, 1], 0).into()).expect("a port");
            let sheet =
                good(&with_link(&converter_link(server.address().expect("an address"))), RigSheet::read);
            Rig { server, sheet }
        }
    }
}

fn link(rig: &Rig, discipline: LineDiscipline) -> Link<ModuleWire> {
    let wire = ModuleWire::of(&rig.sheet.link).expect("an address").with_line_discipline(discipline);
    Link::new(wire, Clock::start(), StopLatch::armed(), &rig.sheet)
}

pub(crate) fn order(air: Air) -> Command {
    Command { id: CommandId(1), order: Order::Powered(air), not_after: None }
}

pub(crate) fn evacuates(server: &RtuServer) -> bool {
    server.look(|bench| bench.coil(OutputName::Evacuate)).expect("the output")
}

/// The port disappears while the rig evacuates and comes back; returns whether safe was confirmed then.
fn unplugged(kind: LineKind, discipline: LineDiscipline) -> bool {
    let path = port_path();
    let first = rig(kind, &path);
    let sheet = first.sheet.clone();
    let mut link = link(&first, discipline);
    block_on(async {
        link.make_safe(&sheet).await.expect("safe at the start");
        link.carry_out(&order(Air::Evacuate), &sheet).await.expect("evacuates");
        assert!(evacuates(&first.server));
        let address = first.server.address();
        drop(first);
        let plan = sheet.read_plan();
        assert!(link.scan(&plan).await.is_err(), "no value from a port that is gone");
        assert!(link.make_safe(&sheet).await.is_err(), "never safe while nobody answers");
        let again = match (kind, address) {
            (LineKind::Converter, Some(address)) => {
                let bench = SimulatedBench::new(&sheet, Truth::as_declared(&sheet, 1));
                serve_rtu_over_tcp(bench, address).expect("the same port")
            }
            _ => rig(kind, &path).server,
        };
        let safe = link.make_safe(&sheet).await.is_ok();
        assert!(!evacuates(&again));
        drop(std::fs::remove_file(&path));
        safe && link.scan(&plan).await.is_ok()
    })
}

/// The supervisor's task: a run's thread that hangs holds its port, with vacuum on.
#[test]
fn a_port_that_is_held_is_made_safe_over_another_opening() {
    let path = port_path();
    let rig = rig(LineKind::Serial, &path);
    let mut hangs = link(&rig, LineDiscipline::Kept);
    let mut supervisor = link(&rig, LineDiscipline::Kept);
    block_on(async {
        hangs.make_safe(&rig.sheet).await.expect("safe at the start");
        hangs.carry_out(&order(Air::Evacuate), &rig.sheet).await.expect("evacuates");
        assert!(evacuates(&rig.server));
        supervisor.make_safe(&rig.sheet).await.expect("made safe");
        assert!(!evacuates(&rig.server));
    });
    drop(std::fs::remove_file(&path));
}

#[rstest]
fn a_port_that_was_unplugged_is_found_again_and_made_safe(
    #[values(LineKind::Serial, LineKind::Converter)] kind: LineKind,
) {
    // A pseudo-terminal never comes back: the next one is another device.
    let serial = kind == LineKind::Serial;
    assert!(unplugged(kind, if serial { LineDiscipline::AnyDevice } else { LineDiscipline::Kept }));
}

#[rstest]
fn without_opening_again_a_lost_port_stays_lost(
    #[values(LineKind::Serial, LineKind::Converter)] kind: LineKind,
) {
    assert!(!unplugged(kind, LineDiscipline::OpenedOnce));
}

/// Another module gets the path of the port, with its outputs on; returns the doubt of the next writes, and whether they reached it.
fn swapped(discipline: LineDiscipline) -> (Option<Doubt>, bool) {
    let path = port_path();
    let first = rig(LineKind::Serial, &path);
    let sheet = first.sheet.clone();
    let mut run = link(&first, discipline);
    block_on(async {
        run.make_safe(&sheet).await.expect("safe at the start");
        run.carry_out(&order(Air::Evacuate), &sheet).await.expect("evacuates");
        drop(first);
        let other = rig(LineKind::Serial, &path);
        let mut others = link(&other, LineDiscipline::Kept);
        others.make_safe(&sheet).await.expect("safe");
        others.carry_out(&order(Air::Evacuate), &sheet).await.expect("evacuates");
        assert_eq!(run.scan(&sheet.read_plan()).await, Err(Doubt::Lost));
        let (first, second) = (run.make_safe(&sheet).await.err(), run.make_safe(&sheet).await.err());
        assert_eq!(first, second);
        drop(std::fs::remove_file(&path));
        (first, !evacuates(&other.server))
    })
}

#[test]
fn nothing_is_sent_to_another_device_that_has_the_path_of_the_port() {
    assert_eq!(swapped(LineDiscipline::Kept), (Some(Doubt::OtherDevice), false));
}

#[test]
fn without_comparing_devices_another_module_is_written_to() {
    assert_eq!(swapped(LineDiscipline::AnyDevice), (None, true));
}

/// Orders evacuation through a converter that has become late, makes safe, and reads the coil: at once, and later.
fn left_in_a_converter(discipline: Discipline) -> (bool, bool) {
    let behind = rig(LineKind::Converter, &port_path());
    let proxy = Proxy::before(behind.server.address().expect("an address"), Duration::from_millis(400));
    let sheet = good(&with_link(&converter_link(proxy.address)), RigSheet::read);
    let wire = ModuleWire::of(&sheet.link).expect("an address");
    let mut link = Link::new(wire, Clock::start(), StopLatch::armed(), &sheet).with_discipline(discipline);
    block_on(async {
        link.make_safe(&sheet).await.expect("safe at the start");
        link.carry_out(&order(Air::Rest), &sheet).await.expect("rests");
        proxy.make_late();
        assert_eq!(link.carry_out(&order(Air::Evacuate), &sheet).await, Err(Doubt::Late));
        let mut safe = false;
        for _ in 0..5 {
            safe = safe || link.make_safe(&sheet).await.is_ok();
        }
        assert!(safe, "safe over a new connection");
        let at_once = evacuates(&behind.server);
        tokio::time::sleep(Duration::from_millis(800)).await;
        (at_once, evacuates(&behind.server))
    })
}

#[test]
fn no_write_left_in_a_converter_undoes_safe() {
    assert_eq!(left_in_a_converter(Discipline::Kept), (false, false));
}

#[rstest]
#[case(9_600)]
#[case(19_200)]
#[case(115_200)]
fn silences_are_kept_between_frames(#[case] baud: u32) {
    // As the slave saw it: it answers after the request arrived, so no pause of this machine makes the silence look shorter.
    let asked = Arc::new(Mutex::new(Vec::new()));
    let kept = Arc::clone(&asked);
    let clock = Clock::start();
    let at_slave = clock.clone();
    let slave = ScriptedSlave::with(LineKind::Serial, move |_, _| {
        kept.lock().expect("whole").push(at_slave.now());
        vec![(NOW, register(5))]
    });
    let keys = slave.link().replace("115200", &baud.to_string());
    let sheet = good(&with_link(&keys), RigSheet::read);
    let mut wire = ModuleWire::of(&sheet.link).expect("a port");
    block_on(async {
        for _ in 0..5 {
            wire.transact(&read(1), &clock).await.expect("an answer");
        }
    });
    let asked = asked.lock().expect("whole");
    assert_eq!(asked.len(), 5);
    for pair in asked.windows(2) {
        assert!(pair[1].since(pair[0]) >= SerialTiming::at(baud).between_frames());
    }
}
