//! Runs over a line in virtual time.

use super::VirtualLine;
use crate::search::Disk;
use tripbench_engine::Plan;
use tripbench_link::{
    Clock, Discipline, LineDiscipline, Link, RtuTimes, RtuTransport, StopLatch, TcpTransport, Transport,
};
use tripbench_record::{Event, Task};
use tripbench_rig::Wire;
use tripbench_runner::{VirtualLink, VirtualRun, run_on_virtual_wire};

/// Surroundings of a run over a line.
#[derive(Debug)]
pub struct OnLine {
    /// Disk, operator stop, operator answers.
    pub run: VirtualRun,
    /// Guards of the link that are active.
    pub discipline: Discipline,
    /// Guards of the line that are active.
    pub of_line: LineDiscipline,
    /// The disk that keeps the journal; `None` for a run without a journal.
    pub journal: Option<Disk>,
}

impl Default for OnLine {
    fn default() -> Self {
        Self {
            run: VirtualRun::default(),
            discipline: Discipline::Kept,
            of_line: LineDiscipline::Kept,
            journal: None,
        }
    }
}

/// Runs a task over a line in virtual time, with the real master code for that wire; every event that listeners received.
pub fn run_over(line: &VirtualLine, clock: &Clock, task: Task, with: OnLine) -> Vec<Event> {
    let mut events = Vec::new();
    run_and_hear(line, clock, (task, with), |event| events.push(event));
    events
}

/// As [`run_over`], but passes the events to `listen`.
pub fn run_and_hear(
    line: &VirtualLine,
    clock: &Clock,
    (task, with): (Task, OnLine),
    listen: impl FnMut(Event),
) {
    let link = &task.sheets.rig.link;
    if matches!(link.wire, Wire::Tcp(_)) {
        let wire = TcpTransport::over(line.clone(), link.answer_timeout.duration());
        run_on(wire.with_discipline(with.of_line), (line, clock), (task, with), listen);
    } else {
        let wire = RtuTransport::new(line.clone(), RtuTimes::of(link));
        run_on(wire.with_discipline(with.of_line), (line, clock), (task, with), listen);
    }
}

fn run_on(
    wire: impl Transport,
    (line, clock): (&VirtualLine, &Clock),
    (task, mut with): (Task, OnLine),
    mut listen: impl FnMut(Event),
) {
    let latch = StopLatch::armed();
    line.lock().latch = latch.clone();
    let link = Link::new(wire, clock.clone(), latch.clone(), &task.sheets.rig);
    let link = link.with_discipline(with.discipline);
    let plan = Plan { header: crate::header(&task), task };
    let over = VirtualLink { plan, link, clock: clock.clone(), latch };
    if let Some(disk) = &with.journal {
        with.run.disk.journal = Some(Box::new(disk.clone()));
    }
    let heard = |event: Event| {
        line.heard(event.seq);
        with.journal.iter().for_each(Disk::heard);
        listen(event);
    };
    run_on_virtual_wire(over, with.run, |at, guide| line.guided(at, guide), heard);
}
