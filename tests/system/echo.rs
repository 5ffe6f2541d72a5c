//! A two-wire line whose converter sends back what it transmits (local echo): the answer to a write of one coil or register (functions 05
//! and 06) has the same bytes as the request, so that the echo is taken for it. The read-back decides.

use rand_core::SeedableRng;
use rand_distr::{Distribution, Uniform};
use rand_pcg::Pcg64Mcg;
use rstest::rstest;
use std::collections::VecDeque;
use std::io;
use std::pin::{Pin, pin};
use std::task::{Context, Poll, Waker};
use std::time::Duration;
use tokio::io::{AsyncRead, AsyncWrite, ReadBuf};
use tripbench_engine::Plan;
use tripbench_link::{Clock, Line, Link, RtuTimes, RtuTransport, StopLatch};
use tripbench_record::{EventKind, Halt};
use tripbench_rig::{Air, Command, CommandId, Doubt, Order, RigSheet, SerialTiming};
use tripbench_runner::{VirtualLink, VirtualRun, run_on_virtual_wire};
use tripbench_simulator::Truth;
use tripbench_tests::line::{serial_link, with_wire};
use tripbench_tests::virtual_line::{Planned, Trouble, VirtualLine, VirtualPort, When};
use tripbench_tests::ways::{in_holding_registers, in_whole_registers, one_by_one};
use tripbench_tests::{Bench, good, header, sheet_text};

/// A line with local echo.
#[derive(Debug, Clone)]
struct EchoLine(VirtualLine);

#[derive(Debug)]
struct EchoPort {
    port: VirtualPort,
    echo: VecDeque<u8>,
}

impl Line for EchoLine {
    type Port = EchoPort;

    async fn open(&self) -> io::Result<EchoPort> {
        Ok(EchoPort { port: self.0.open().await?, echo: VecDeque::new() })
    }

    fn timing(&self) -> Option<SerialTiming> {
        self.0.timing()
    }
}

impl AsyncRead for EchoPort {
    fn poll_read(
        mut self: Pin<&mut Self>,
        context: &mut Context<'_>,
        into: &mut ReadBuf<'_>,
    ) -> Poll<io::Result<()>> {
        if self.echo.is_empty() {
            return Pin::new(&mut self.port).poll_read(context, into);
        }
        let count = into.remaining().min(self.echo.len());
        let bytes: Vec<u8> = self.echo.drain(..count).collect();
        into.put_slice(&bytes);
        Poll::Ready(Ok(()))
    }
}

impl AsyncWrite for EchoPort {
    fn poll_write(
        mut self: Pin<&mut Self>,
        context: &mut Context<'_>,
        bytes: &[u8],
    ) -> Poll<io::Result<usize>> {
        self.echo.extend(bytes);
        Pin::new(&mut self.port).poll_write(context, bytes)
    }

    fn poll_flush(mut self: Pin<&mut Self>, context: &mut Context<'_>) -> Poll<io::Result<()>> {
        Pin::new(&mut self.port).poll_flush(context)
    }

    fn poll_shutdown(mut self: Pin<&mut Self>, context: &mut Context<'_>) -> Poll<io::Result<()>> {
        Pin::new(&mut self.port).poll_shutdown(context)
    }
}

/// A rig on a serial line: outputs as coils, bits or words of registers, written together or one by one.
fn rig(outputs: usize, single: bool, baud: u32) -> RigSheet {
    let demo = sheet_text("rigs/goods-in-1.toml");
    let sheet = match outputs {
        0 => demo,
        1 => in_holding_registers(&demo),
        _ => in_whole_registers(&demo, 1),
    };
    let sheet = if single { one_by_one(&sheet) } else { sheet };
    good(&with_wire(&sheet, &serial_link("/dev/ttyS0", baud)), RigSheet::read)
}

/// The output of a future that waits for nothing but virtual time.
fn at_once<T>(future: impl Future<Output = T>) -> T {
    match pin!(future).poll(&mut Context::from_waker(Waker::noop())) {
        Poll::Ready(value) => value,
        Poll::Pending => unreachable!("a wait on another clock"),
    }
}

/// Result of an order over a line with echo, and the outputs of the module then.
fn ordered(rig: &RigSheet, order: Order, troubles: Vec<Planned>) -> (Result<(), Doubt>, Vec<u16>) {
    let clock = Clock::in_virtual_time();
    let line = VirtualLine::new(rig, Truth::as_declared(rig, 1), &clock, troubles);
    let wire = RtuTransport::new(EchoLine(line.clone()), RtuTimes::of(&rig.link));
    let mut link = Link::new(wire, clock, StopLatch::armed(), rig);
    let command = Command { id: CommandId(1), order, not_after: None };
    let done = at_once(async {
        link.make_safe(rig).await?;
        link.carry_out(&command, rig).await.map(drop)
    });
    (done, line.outputs())
}

/// An order that counts as carried out is what the outputs are, whatever became of its writes. Otherwise the doubt is named.
#[test]
fn an_echo_never_confirms_an_order_that_the_module_does_not_have() {
    let mut random = Pcg64Mcg::seed_from_u64(0xec);
    let mut draw = |count: usize| Uniform::new(0, count).expect("a range").sample(&mut random);
    let (mut carried_out, mut doubted) = (0, 0);
    for _ in 0..400 {
        let rig = rig(draw(3), draw(4) > 0, [9_600, 19_200, 115_200][draw(3)]);
        let airs = [Air::Rest, Air::Hold, Air::Evacuate, Air::EvacuateFine, Air::Bleed, Air::Vent];
        let order = Order::Powered(airs[draw(airs.len())]);
        let troubles = [
            Trouble::LostRequest,
            Trouble::LostAnswer,
            Trouble::LateRequest(Duration::from_millis(300)),
            Trouble::Corrupt(13),
            Trouble::Refused(4),
            Trouble::Short,
            Trouble::SecondMaster(draw(5)),
            Trouble::Restarted,
        ];
        let trouble = troubles[draw(troubles.len())];
        let planned = if draw(4) == 0 { Vec::new() } else { vec![(When::Request(draw(70) as u64), trouble)] };
        let (done, outputs) = ordered(&rig, order, planned.clone());
        match done {
            Ok(()) => assert_eq!(outputs, rig.image_of(order), "{order:?} {planned:?}"),
            Err(ref doubt) => assert!(!planned.is_empty(), "{doubt:?} of nothing"),
        }
        (carried_out, doubted) = (carried_out + u32::from(done.is_ok()), doubted + u32::from(done.is_err()));
    }
    assert!(carried_out > 100 && doubted > 30, "{carried_out} carried out, {doubted} doubted");
}

/// A module that gets nothing: every write of one output seems to be answered, and the outputs are still not confirmed.
#[rstest]
fn a_module_that_gets_nothing_is_not_made_safe_by_an_echo(
    #[values(0, 1, 2)] outputs: usize,
    #[values(9_600, 115_200)] baud: u32,
) {
    let rig = rig(outputs, true, baud);
    let deaf = (0..1_000).map(|number| (When::Request(number), Trouble::LostRequest)).collect();
    let (done, _) = ordered(&rig, Order::Powered(Air::Rest), deaf);
    assert!(matches!(done, Err(Doubt::Late | Doubt::Short | Doubt::Foreign)), "{done:?}");
}

/// A whole run: where outputs are written together it is as without an echo. Where they are written one by one, the true answers are taken
/// for strays, after which the line must be silent: the run ends with the gap that this makes, and the rig is safe.
#[rstest]
fn a_run_over_a_line_with_echo_passes_or_names_its_doubt(#[values(false, true)] single: bool) {
    let demo = sheet_text("rigs/goods-in-1.toml");
    let sheet = if single { one_by_one(&demo) } else { demo };
    let bench = Bench { rig: with_wire(&sheet, &serial_link("/dev/ttyS0", 115_200)), ..Bench::demo() };
    let task = bench.task();
    let clock = Clock::in_virtual_time();
    let line = VirtualLine::new(&task.sheets.rig, bench.truth.clone(), &clock, Vec::new());
    let wire = RtuTransport::new(EchoLine(line.clone()), RtuTimes::of(&task.sheets.rig.link));
    let latch = StopLatch::armed();
    let link = Link::new(wire, clock.clone(), latch.clone(), &task.sheets.rig);
    let safe = task.sheets.rig.image_of(Order::Safe);
    let plan = Plan { header: header(&task), task };
    let mut halts = Vec::new();
    let over = VirtualLink { plan, link, clock, latch };
    run_on_virtual_wire(
        over,
        VirtualRun::default(),
        |at, guide| line.guided(at, guide),
        |event| {
            if let EventKind::Halted(halt) = event.kind {
                halts.push(halt);
            }
        },
    );
    assert_eq!(halts, if single { vec![Halt::Doubt(Doubt::Gap)] } else { Vec::new() });
    assert_eq!(line.outputs(), safe);
}
