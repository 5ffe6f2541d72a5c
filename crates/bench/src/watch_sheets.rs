//! Watches the sheets of the rigs on the disk, on a thread of its own because the disk may hang.

use crate::rig::Rig;
use crate::runs::Runs;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::Duration;

/// Time between two looks.
const LOOK_EVERY: Duration = Duration::from_secs(2);

/// Watches the sheets of rigs until `ended` is set.
///
/// # Errors
/// If the thread cannot be spawned.
pub(crate) fn watch(rigs: Vec<Arc<Rig>>, runs: Arc<Runs>, ended: Arc<AtomicBool>) -> std::io::Result<()> {
    std::thread::Builder::new().name(String::from("sheets")).spawn(move || {
        while !ended.load(Ordering::SeqCst) {
            std::thread::park_timeout(LOOK_EVERY);
            for rig in &rigs {
                rig.look_at_sheets(&runs.today());
            }
        }
    })?;
    Ok(())
}
