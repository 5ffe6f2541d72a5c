//! The supervisor: watches the threads of the runs, and ends the process where one shows no sign of life.
//!
//! A step that loops without end holds its thread; nothing in the process can take it away, and its valve is open. Safe is written
//! over a fresh connection, and the process ends at once: the service manager starts it again, and the start writes safe.

use crate::rig::Rig;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::Duration;
use tripbench_job::make_safe;
use tripbench_link::Clock;
use tripbench_record::Halt;

/// A run's thread that shows no sign of life for so long hangs.
const LONGEST_SILENCE: Duration = Duration::from_secs(1);
/// Time between two looks.
const LOOK_EVERY: Duration = Duration::from_millis(100);

/// Watches until `ended` is set. Tells the service manager that all is well as long as it is.
///
/// # Errors
/// If there is no thread to have.
pub(crate) fn watch(rigs: Vec<Arc<Rig>>, ended: Arc<AtomicBool>) -> std::io::Result<()> {
    std::thread::Builder::new().name(String::from("supervisor")).spawn(move || {
        let clock = Clock::start();
        let mut looked = clock.now();
        while !ended.load(Ordering::SeqCst) {
            let now = clock.now();
            if now.since(looked) > LONGEST_SILENCE / 2 {
                // Nobody looked either: the process stood still, or the machine did. The engine sees the hole in its scans.
                for rig in &rigs {
                    rig.pulse.excuse();
                }
            }
            looked = now;
            for rig in &rigs {
                if rig.pulse.silent_for().is_some_and(|silence| silence > LONGEST_SILENCE) {
                    hangs(&rigs);
                }
            }
            let _nobody_listens = sd_notify::notify(&[sd_notify::NotifyState::Watchdog]);
            std::thread::park_timeout(LOOK_EVERY);
        }
    })?;
    Ok(())
}

/// Every run is stopped in order, for the process ends for all of them; what hangs is made safe from here. Nothing is written to the
/// log before that: it may hang too.
fn hangs(rigs: &[Arc<Rig>]) -> ! {
    const OTHERS_HAVE: Duration = Duration::from_millis(2_500);
    let silent = |rig: &&Arc<Rig>| rig.pulse.silent_for().is_some_and(|silence| silence > LONGEST_SILENCE);
    let hanging: Vec<Arc<Rig>> = rigs.iter().filter(silent).cloned().collect();
    for rig in rigs {
        rig.stop(Halt::StepFault { why: String::from("a rig's thread showed no sign of life") });
    }
    let making: Vec<_> = hanging
        .into_iter()
        .map(|rig| std::thread::spawn(move || (rig.name.clone(), make_safe(rig.sheets.rig()))))
        .collect();
    std::thread::park_timeout(OTHERS_HAVE);
    for one in making {
        if let Ok((rig, safe)) = one.join() {
            tracing::error!(
                rig,
                safe,
                "the run's thread showed no sign of life: made safe, and the process ends"
            );
        }
    }
    // The log is written by a thread of its own; one that hangs is not waited for.
    std::thread::park_timeout(Duration::from_millis(200));
    std::process::abort();
}
