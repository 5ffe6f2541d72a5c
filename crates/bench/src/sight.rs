//! When the plugs of a rig were last in sight, by looks between runs and by the scans of runs.

use std::sync::{Mutex, PoisonError};
use std::time::Duration;
use tripbench_quantity::Mono;

/// Longest time between two sightings in which no device can be exchanged unseen: four looks at rest. A longer gap, for example because the
/// computer was suspended, the program was stopped or a disk hung, is as if the daemon had been restarted. Judgement of this project.
const LONGEST_GAP: Duration = Duration::from_secs(2);

/// Time of the last sighting, by a clock that counts the time in which the computer is suspended.
#[derive(Debug, Default)]
pub(crate) struct Sight(Mutex<Option<Mono>>);

impl Sight {
    /// Records a sighting. Returns whether the plugs were out of sight for too long before it.
    pub(crate) fn sees(&self, now: Mono) -> bool {
        let last = self.0.lock().unwrap_or_else(PoisonError::into_inner).replace(now);
        last.is_some_and(|last| now.since(last) > LONGEST_GAP)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_gap_between_two_sightings_is_found_once() {
        let (sight, mut now) = (Sight::default(), Mono::START + Duration::from_hours(1));
        let gaps_ms = [0, 500, 2_000, 2_001, 500, 3_600_000, 100];
        let found = gaps_ms.map(|gap_ms| {
            now = now + Duration::from_millis(gap_ms);
            sight.sees(now)
        });
        assert_eq!(found, [false, false, false, true, false, true, false]);
    }
}
