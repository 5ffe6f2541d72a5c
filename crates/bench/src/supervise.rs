//! The supervisor: watches the threads of the runs and the owners of the rigs, and ends the process if one of them shows no sign of life.
//!
//! A step in an endless loop keeps its thread, which nothing in the process can end, and its valve may be open. The supervisor writes the
//! safe values over a fresh connection and ends the process at once; the service manager restarts it, and the start writes them again.

use crate::rig::Rig;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::Duration;
use tripbench_link::Clock;
use tripbench_quantity::Mono;
use tripbench_record::Halt;

/// Longest time without a heartbeat before a thread counts as hung.
const LONGEST_SILENCE: Duration = Duration::from_secs(1);
/// Time between two looks.
const LOOK_EVERY: Duration = Duration::from_millis(100);

/// Watches until `ended` is set, and notifies the watchdog of the service manager as long as all threads are alive.
///
/// # Errors
/// If the thread cannot be spawned.
pub(crate) fn watch(rigs: Vec<Arc<Rig>>, ended: Arc<AtomicBool>) -> std::io::Result<()> {
    std::thread::Builder::new().name(String::from("supervisor")).spawn(move || {
        let clock = Clock::start();
        let mut looked = clock.now();
        for rig in &rigs {
            // From now on each owner has to answer.
            rig.owner_heartbeat.beat();
        }
        while !ended.load(Ordering::SeqCst) {
            let now = clock.now();
            if now.since(looked) > LONGEST_SILENCE / 2 {
                // The supervisor did not run either: the process or the machine stood still. The engine sees the gap between its scans.
                for rig in &rigs {
                    rig.heartbeat.excuse();
                    rig.owner_heartbeat.excuse();
                }
            }
            looked = now;
            for rig in &rigs {
                if is_silent(rig) {
                    hangs(&rigs);
                }
                rig.ping();
            }
            let _nobody_listens = sd_notify::notify(&[sd_notify::NotifyState::Watchdog]);
            std::thread::park_timeout(LOOK_EVERY);
        }
    })?;
    Ok(())
}

/// Whether the run of a rig or its owner has been silent for too long.
fn is_silent(rig: &Rig) -> bool {
    let silences = [rig.heartbeat.silent_for(), rig.owner_heartbeat.silent_for()];
    silences.into_iter().flatten().any(|silence| silence > LONGEST_SILENCE)
}

/// Stops every run, because the process ends for all of them, and makes safe the rigs that hang. Nothing is logged before that: the log
/// may hang too.
fn hangs(rigs: &[Arc<Rig>]) -> ! {
    const OTHERS_HAVE: Duration = Duration::from_millis(2_500);
    const MAKING_SAFE_HAS: Duration = Duration::from_secs(5);
    // A module that another program holds is left alone.
    let hangs = |rig: &&Arc<Rig>| is_silent(rig) && rig.is_ours();
    let hanging: Vec<Arc<Rig>> = rigs.iter().filter(hangs).cloned().collect();
    for rig in rigs {
        // Also where its owner hangs.
        rig.stop(Halt::StepFault { why: String::from("a rig's thread showed no sign of life") });
    }
    let making: Vec<_> = hanging
        .into_iter()
        .filter_map(|rig| {
            let making = move || (rig.name.clone(), rig.pin.make_safe(rig.sheets.rig()));
            std::thread::Builder::new().spawn(making).ok()
        })
        .collect();
    std::thread::park_timeout(OTHERS_HAVE);
    let clock = Clock::start();
    for one in making {
        // A rig that takes longer, for example because its module does not answer, is not waited for.
        while !one.is_finished() && clock.now().since(Mono::START) < MAKING_SAFE_HAS {
            std::thread::park_timeout(Duration::from_millis(20));
        }
        if !one.is_finished() {
            continue;
        }
        if let Ok((rig, safe)) = one.join() {
            tracing::error!(
                rig,
                safe,
                "a thread of this rig showed no sign of life: making safe, ending the process"
            );
        }
    }
    // The log is written on its own thread; if it hangs, it is not waited for.
    std::thread::park_timeout(Duration::from_millis(200));
    std::process::abort();
}
