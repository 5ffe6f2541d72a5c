//! A simulated module in the test's own process, so that the test sees its coils, with the daemon in another.

use crate::command::Workplace;
use std::process::Command;
use std::time::{Duration, Instant};
use tripbench_rig::{OutputName, RigSheet};
use tripbench_simulator::{Server, SimulatedBench, Truth, serve};

/// A module whose coils can be looked at.
#[derive(Debug)]
pub struct Hosted {
    server: Server,
    /// The rig sheet.
    pub rig: RigSheet,
}

impl Hosted {
    /// Serves the rig of a sheet on a free port, and puts its address into the sheet.
    ///
    /// # Panics
    /// If it does not start.
    pub fn start(workplace: &Workplace, sheet: &str) -> Self {
        let rig = crate::good(&workplace.read(sheet), RigSheet::read);
        let truth = crate::good(&workplace.read("truth.toml"), |reader| Truth::read(reader, &rig));
        let server = serve(SimulatedBench::new(&rig, truth), ([127, 0, 0, 1], 0).into()).expect("a port");
        workplace.change(sheet, "127.0.0.1:1502", &server.address().to_string());
        Self { server, rig }
    }

    /// Whether vacuum is being pulled, as the module has it.
    ///
    /// # Panics
    /// If the rig has no such output.
    pub fn pulls(&self) -> bool {
        let coil = |name| self.server.look(|bench| bench.coil(name));
        let main = coil(OutputName::Evacuate).expect("the demo's rig pulls vacuum");
        main || coil(OutputName::EvacuateFine).unwrap_or(false)
    }

    /// Waits until it is so; how long that took.
    ///
    /// # Panics
    /// If it is never so within a minute.
    pub fn until_pulls(&self, pulls: bool) -> Duration {
        let began = now();
        while self.pulls() != pulls {
            assert!(began.elapsed() < Duration::from_secs(60), "never pulls = {pulls}");
            wait(Duration::from_micros(500));
        }
        began.elapsed()
    }

    /// Whether vacuum was pulled at any time within a span from now.
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

/// The daemon whose runs go wrong on demand; `program` is its path.
pub fn faulty(workplace: &Workplace, program: &str) -> Command {
    let mut command = Command::new(program);
    command.current_dir(&workplace.folder);
    command
}

/// Waits in real time.
#[expect(clippy::disallowed_methods, reason = "a daemon in real time is watched")]
pub fn wait(time: Duration) {
    std::thread::sleep(time);
}

#[expect(clippy::disallowed_methods, reason = "a daemon in real time is watched")]
fn now() -> Instant {
    Instant::now()
}
