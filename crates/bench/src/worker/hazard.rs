//! Outputs that could not be made safe.

use crate::phase::{Fault, Rest};
use tripbench_rig::Doubt;

/// Why the outputs could not be made safe. Outputs that were found not safe stay so, whatever a later look says, until they are made safe.
#[derive(Debug, Default)]
pub(super) struct Hazard(Option<Doubt>);

impl Hazard {
    /// What a look has found, with the outputs as they are known.
    pub(super) fn after(&mut self, found: Result<Rest, Fault>) -> Result<Rest, Fault> {
        match found {
            Err(Fault::NotSafe(doubt)) => {
                self.0 = Some(doubt.clone());
                Err(Fault::NotSafe(doubt))
            }
            Ok(_) | Err(Fault::Opened) => {
                self.is_over();
                found
            }
            Err(fault) => Err(self.0.clone().map_or(fault, Fault::NotSafe)),
        }
    }

    /// The outputs were made safe.
    pub(super) fn is_over(&mut self) {
        self.0 = None;
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use rstest::rstest;
    use tripbench_quantity::VacuumLevel;

    const REST: Rest = Rest { level: VacuumLevel::new(0.0), vented: true };

    /// Faults that say nothing about the outputs.
    #[rstest]
    fn outputs_that_were_not_safe_stay_so_until_they_are_made_safe(
        #[values(
            Fault::Unreachable(String::from("no route")),
            Fault::Taken(String::from("by another program")),
            Fault::PortInUse(String::from("open in another program")),
            Fault::Silent(Doubt::Late),
            Fault::Reference(String::from("out of range")),
            Fault::Inside
        )]
        silent: Fault,
        #[values(Ok(REST), Err(Fault::Opened))] made_safe: Result<Rest, Fault>,
    ) {
        let mut hazard = Hazard::default();
        assert_eq!(hazard.after(Err(silent.clone())), Err(silent.clone()));
        for doubt in [Doubt::Lost, Doubt::Late] {
            let not_safe = Err(Fault::NotSafe(doubt));
            assert_eq!(hazard.after(not_safe.clone()), not_safe);
            for _ in 0..2 {
                assert_eq!(hazard.after(Err(silent.clone())), not_safe);
            }
        }
        // A look says so only after it has made the outputs safe.
        assert_eq!(hazard.after(made_safe.clone()), made_safe);
        assert_eq!(hazard.after(Err(silent.clone())), Err(silent));
    }
}
