//! A simulated module in the test's own process, so that the test can read its coils while the daemon runs in another process.

use crate::command::Workplace;
use std::path::Path;
use std::process::Command;
use std::sync::Arc;
use std::time::{Duration, Instant};
use tripbench_device::SiteSheet;
use tripbench_engine::{PersonAtPlugs, rig_check};
use tripbench_judge::judge_step;
use tripbench_link::{Clock, Link, ModuleWire, StopLatch, Transport};
use tripbench_quantity::Mono;
use tripbench_record::{LoadedSheets, Mark, QuantityName, Segment, Trace};
use tripbench_rig::{Order, Output, OutputName, ReadPlan, RigSheet, Scan};
use tripbench_simulator::{Server, SimulatedBench, Truth, serve};

/// A simulated module with coils that the test can read.
#[derive(Debug)]
pub struct Hosted {
    server: Server,
    /// The rig sheet with the module's address.
    pub rig: RigSheet,
}

impl Hosted {
    /// Serves the rig of a sheet on a free port, and writes its address to the sheet.
    ///
    /// # Panics
    /// If it does not start.
    pub fn start(workplace: &Workplace, sheet: &str) -> Self {
        let rig = crate::good(&workplace.read(sheet), RigSheet::read);
        let truth = crate::good(&workplace.read("truth.toml"), |reader| Truth::read(reader, &rig));
        let server = serve(SimulatedBench::new(&rig, truth), ([127, 0, 0, 1], 0).into()).expect("a port");
        workplace.change(sheet, "127.0.0.1:1502", &server.address().to_string());
        let rig = crate::good(&workplace.read(sheet), RigSheet::read);
        Self { server, rig }
    }

    /// Sets the outputs as a second master, over a separate connection.
    ///
    /// # Panics
    /// If the module does not accept it.
    pub fn set_by_another_master(&self, order: Order) {
        let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build().expect("a runtime");
        runtime.block_on(async {
            let mut wire = ModuleWire::of(&self.rig.link).expect("a wire");
            for write in self.rig.writes(&self.rig.image_of(order)) {
                wire.transact(&write, &Clock::start()).await.expect("it is written");
            }
        });
    }

    /// Restarts the module: nothing answers for `off`, then a second master immediately sets the outputs to `order`.
    ///
    /// # Panics
    /// If the module does not restart at its address.
    #[must_use]
    pub fn restart(self, workplace: &Workplace, off: Duration, order: Order) -> Self {
        let (address, rig) = (self.server.address(), self.rig);
        drop(self.server);
        wait(off);
        let truth = crate::good(&workplace.read("truth.toml"), |reader| Truth::read(reader, &rig));
        let server = serve(SimulatedBench::new(&rig, truth), address).expect("its port");
        let again = Self { server, rig };
        again.set_by_another_master(order);
        again
    }

    /// Plugs the device at a position in or out.
    pub fn plug(&self, position: u8, is_in: bool) {
        self.server.plug(position, is_in);
    }

    /// Whether every output has its safe value.
    ///
    /// # Panics
    /// If the module lacks an output of the sheet.
    pub fn is_safe(&self) -> bool {
        let is_safe = |output: &Output| {
            let coil = self.server.look(|bench| bench.coil(output.name));
            coil.expect("an output of the sheet") == output.safe.value
        };
        self.rig.outputs.iter().all(is_safe)
    }

    /// Waits until every output has its safe value; the time that took.
    ///
    /// # Errors
    /// If it takes longer than `within`, with that time.
    pub fn until_safe(&self, within: Duration) -> Result<Duration, Duration> {
        let began = now();
        while !self.is_safe() {
            if began.elapsed() > within {
                return Err(within);
            }
            wait(Duration::from_millis(1));
        }
        Ok(began.elapsed())
    }

    /// Whether an output for evacuation is on in the module.
    ///
    /// # Panics
    /// If the rig has no evacuation output.
    pub fn pulls(&self) -> bool {
        let coil = |name| self.server.look(|bench| bench.coil(name));
        let main = coil(OutputName::Evacuate).expect("the demo's rig pulls vacuum");
        main || coil(OutputName::EvacuateFine).unwrap_or(false)
    }

    /// Waits until [`Self::pulls`] equals `pulls`; the time that took.
    ///
    /// # Panics
    /// If it takes longer than a minute.
    pub fn until_pulls(&self, pulls: bool) -> Duration {
        let began = now();
        while self.pulls() != pulls {
            assert!(began.elapsed() < Duration::from_mins(1), "pulls is not {pulls} after a minute");
            wait(Duration::from_micros(500));
        }
        began.elapsed()
    }

    /// Whether vacuum is pulled at any time within a span from now.
    pub fn pulls_within(&self, span: Duration) -> bool {
        let began = now();
        while began.elapsed() < span {
            if self.pulls() {
                return true;
            }
            wait(Duration::from_millis(1));
        }
        false
    }
}

/// Command for the daemon whose runs fail on demand; `program` is its path.
pub fn faulty(workplace: &Workplace, program: &str) -> Command {
    let mut command = Command::new(program);
    command.current_dir(&workplace.folder);
    command
}

/// Waits in real time.
#[expect(clippy::disallowed_methods, reason = "watches a daemon in real time")]
pub fn wait(time: Duration) {
    std::thread::sleep(time);
}

#[expect(clippy::disallowed_methods, reason = "watches a daemon in real time")]
fn now() -> Instant {
    Instant::now()
}

/// Scans a module for a time; scans per second, and the trace of all scans.
///
/// # Panics
/// If the module does not answer.
pub fn scans(rig: &RigSheet, plan: &ReadPlan, measured: Duration) -> (f64, Trace) {
    let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build().expect("a runtime");
    runtime.block_on(async {
        let transport = ModuleWire::of(&rig.link).expect("a wire");
        let mut link = Link::new(transport, Clock::start(), StopLatch::armed(), rig);
        link.scan(plan).await.expect("a first scan");
        let mut trace = Trace::new(plan.clone());
        let started = now();
        while started.elapsed() < measured {
            trace.scans.push(link.scan(plan).await.expect("a scan"));
        }
        (f64::from(u32::try_from(trace.scans.len()).expect("few")) / started.elapsed().as_secs_f64(), trace)
    })
}

/// Longest time of a stop that `rig check` states, from scans over the time `measured`.
///
/// # Panics
/// If the module does not answer.
pub fn stated_stop(rig: &RigSheet, measured: Duration) -> Duration {
    let (device, settings) = (None, None);
    let sheets = LoadedSheets { rig: rig.clone(), site: SiteSheet::default(), device, settings };
    let task = rig_check(Arc::new(sheets), PersonAtPlugs::Absent);
    let signals = task.steps.iter().position(|step| step.name == "signals").expect("the step signals");
    let step = u16::try_from(signals).expect("few steps");
    let (_, trace) = scans(rig, &task.plan, measured);
    let to = trace.scans.last().map_or(Mono::START, Scan::end);
    let mark = Mark { step, segment: Segment::AtRest, from: Mono::START, to };
    let checks = judge_step(&task, &trace, &[mark], step);
    let stop = checks.iter().find(|check| check.quantity == QuantityName::StopLatency);
    let stated_s = stop.and_then(|check| check.measured.as_ref()).expect("a stop latency").value;
    Duration::from_secs_f64(stated_s)
}

/// Lets every access of a faulty daemon to a file by its path hang, as on a hung disk. Who has it open is not disturbed.
///
/// # Panics
/// If its folder is not there.
pub fn hangs(path: &Path) {
    let name = path.file_name().expect("a file").to_string_lossy().into_owned();
    std::fs::write(path.with_file_name("hangs"), name).expect("a folder");
}

/// Ends that.
///
/// # Panics
/// If no file beside it hangs.
pub fn hangs_no_more(path: &Path) {
    std::fs::remove_file(path.with_file_name("hangs")).expect("one hangs");
}

/// Longest time of five that something takes.
pub fn takes_up_to(mut what: impl FnMut()) -> Duration {
    let mut took = || {
        let begun = now();
        what();
        begun.elapsed()
    };
    (0..5).map(|_| took()).max().unwrap_or_default()
}
