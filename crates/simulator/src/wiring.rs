//! Data of the rig sheet looked up once for the simulated bench: outputs by name, safe words, units, the plant.

use crate::air::{Nozzle, Plant};
use crate::truth::Truth;
use tripbench_quantity::Quantity;
use tripbench_rig::{OutputName, RigSheet};

/// Indices of the outputs that control air or device power; `None` for those that the rig lacks.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Wiring {
    pub(crate) evacuate: Option<usize>,
    pub(crate) evacuate_fine: Option<usize>,
    pub(crate) bleed: Option<usize>,
    pub(crate) vent: Option<usize>,
    pub(crate) power: Option<usize>,
    pub(crate) regulator: Option<usize>,
    pub(crate) hands_over: bool,
}

impl Wiring {
    pub(crate) fn of(rig: &RigSheet) -> Self {
        let index = |name| rig.outputs.iter().position(|output| output.name == name);
        Self {
            evacuate: index(OutputName::Evacuate),
            evacuate_fine: index(OutputName::EvacuateFine),
            bleed: index(OutputName::Bleed),
            vent: index(OutputName::Vent),
            power: index(OutputName::DevicePower),
            regulator: index(OutputName::Regulator),
            hands_over: index(OutputName::HandOver).is_some(),
        }
    }
}

/// Units of the rig sheet, sorted.
pub(crate) fn units(rig: &RigSheet) -> Vec<u8> {
    let own = *rig.link.unit;
    let plan = rig.read_plan();
    let mut units: Vec<u8> = plan.reads.iter().map(|read| read.unit.unwrap_or(own)).chain([own]).collect();
    units.sort_unstable();
    units.dedup();
    units
}

/// Safe words of all outputs, in the order of the rig sheet.
pub(crate) fn safe_words(rig: &RigSheet) -> Vec<u16> {
    let word = |output: &tripbench_rig::Output| {
        let Some(scale) = output.scale.filter(|_| output.name == OutputName::Regulator) else {
            return u16::from(*output.safe);
        };
        let [low, high] = scale.values.map(Quantity::si);
        let counts = scale.counts[0] - low * (scale.counts[1] - scale.counts[0]) / (high - low);
        #[expect(
            clippy::cast_possible_truncation,
            clippy::cast_sign_loss,
            reason = "clamped to the register"
        )]
        let word = counts.round().clamp(0.0, 65_535.0) as u16;
        word
    };
    rig.outputs.iter().map(word).collect()
}

pub(crate) fn plant(rig: &RigSheet, truth: &Truth) -> Plant {
    let (manifold, ambient_pa) = (&rig.manifold, 101_325.0);
    let volume_m3 = manifold.volume.si();
    let ambient_k = truth.air.temperature.si();
    let nozzle = |seconds: f64| Plant::nozzle_for(ambient_pa, volume_m3, 50e3 / seconds);
    let fine = manifold.evacuate_fine.as_ref().map_or(manifold.evacuate.si() * 10.0, |time| time.si());
    Plant {
        volume_m3,
        ambient_pa,
        ambient_k,
        ultimate_pa: truth.air.ultimate.si(),
        evacuate_s: manifold.evacuate.si(),
        evacuate_fine_s: fine,
        bleed: nozzle(manifold.bleed.as_ref().map_or(8.0, |time| time.si())),
        vent: nozzle(manifold.vent.si()),
        leak: Plant::nozzle_for(ambient_pa, volume_m3, truth.air.leak.si()),
        // Hose of 4 mm bore, about 1 m long: a judgement of this project.
        hose: Nozzle { conductance: 1e-8, critical_ratio: 0.3 },
        wall_w_per_k: Plant::wall_for(volume_m3, ambient_k, manifold.thermal.si()),
    }
}
