//! The simulated bench: air, reference, devices and faults, advanced in steps of 1 ms.

use crate::air::{Gas, Openings, Plant};
use crate::device::Device;
use crate::hand::Hand;
use crate::lines::Lines;
use crate::noise::Noise;
use crate::reference::FirstOrder;
use crate::truth::{Effect, Fault, Trigger, Truth};
use crate::wiring::{Wiring, plant, safe_words, units};
use tripbench_quantity::Quantity;
use tripbench_rig::{OutputName, RigSheet};

/// Time for which a person operates an output at its plug, in seconds: a judgement of this project.
const OPERATED_S: f64 = 0.7;

/// Time step, in seconds.
pub(crate) const STEP_S: f64 = 1e-3;

/// Change of level after a reversal that moves the reference to the other branch of its hysteresis loop, in pascals.
const LOOP_PA: f64 = 300.0;
/// Level from which the errors of the reference away from ambient have their full size, in pascals; proportional below it.
const AWAY_PA: f64 = 10e3;

/// A fault and the number of crossings counted for its trigger.
#[derive(Debug, Clone)]
struct Armed {
    fault: Fault,
    crossings: u32,
    done: bool,
}

/// The word of an output, its previous word, and the time of the change.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Driven {
    pub(crate) word: u16,
    before: u16,
    since_s: f64,
}

impl Driven {
    /// The word at a time, without any delay.
    pub(crate) fn at(self, at_s: f64) -> u16 {
        if at_s >= self.since_s { self.word } else { self.before }
    }
}

/// A simulated rig with its devices, behind its module.
#[derive(Debug, Clone)]
pub struct SimulatedBench {
    pub(crate) rig: RigSheet,
    pub(crate) truth: Truth,
    pub(crate) plant: Plant,
    wiring: Wiring,
    gas: Gas,
    level_pa: f64,
    /// Number of steps taken.
    steps: u64,
    pub(crate) reference: FirstOrder,
    pub(crate) reference_before_pa: f64,
    /// Position between the falling (0) and the rising branch (1) of the reference's hysteresis loop.
    risen: f64,
    reference_noise: Noise,
    valve_noise: Noise,
    /// Last converted reading of the reference, and the number of the conversion.
    pub(crate) converted: (f64, u64),
    /// The reading of the conversion before.
    pub(crate) converted_before: f64,
    pub(crate) devices: Vec<Device>,
    /// Outputs in the order of the rig sheet.
    pub(crate) outputs: Vec<Driven>,
    pub(crate) lines: Lines,
    /// Units that answer.
    pub(crate) units: Vec<u8>,
    faults: Vec<Armed>,
    pub(crate) air_pressure_pa: f64,
    pub(crate) air_back_s: f64,
    open_hoses: f64,
    pub(crate) hand: Hand,
    evacuate_stuck: Option<bool>,
    vent_stuck_shut: bool,
    pub(crate) reference_frozen: bool,
    /// Time from which the digital inputs are frozen, in seconds.
    pub(crate) inputs_frozen_s: f64,
    pub(crate) last_request_s: f64,
    pub(crate) reads: u64,
    pub(crate) reference_reads: u64,
}

impl SimulatedBench {
    /// A bench at ambient pressure, with every output at its safe value.
    pub fn new(rig: &RigSheet, truth: Truth) -> Self {
        let plant = plant(rig, &truth);
        let gas = plant.at_ambient();
        Self {
            rig: rig.clone(),
            wiring: Wiring::of(rig),
            plant,
            gas,
            level_pa: 0.0,
            steps: 0,
            reference: FirstOrder::new(truth.reference.lag_s),
            reference_before_pa: 0.0,
            risen: 0.0,
            reference_noise: Noise::new(truth.seed, 1),
            valve_noise: Noise::new(truth.seed, 2),
            converted: (truth.reference.offset_pa, 0),
            converted_before: truth.reference.offset_pa,
            devices: truth.devices.iter().map(|device| Device::new(device, truth.seed)).collect(),
            outputs: safe_words(rig)
                .into_iter()
                .map(|word| Driven { word, before: word, since_s: 0.0 })
                .collect(),
            lines: Lines::of(rig),
            units: units(rig),
            faults: truth
                .faults
                .iter()
                .map(|fault| Armed { fault: *fault, crossings: 0, done: false })
                .collect(),
            air_pressure_pa: truth.air.pressure.si(),
            air_back_s: f64::INFINITY,
            open_hoses: 0.0,
            hand: Hand::default(),
            evacuate_stuck: None,
            vent_stuck_shut: false,
            reference_frozen: false,
            inputs_frozen_s: f64::INFINITY,
            last_request_s: 0.0,
            reads: 0,
            reference_reads: 0,
            truth,
        }
    }

    /// Connects or disconnects the plug of the device at a position.
    pub fn plug(&mut self, position: u8, is_in: bool) {
        for device in self.devices.iter_mut().filter(|device| device.truth.position == position) {
            device.plugged = is_in;
        }
    }

    /// Operates an output of the device at a position at its plug for 0.7 s from now; returns whether there is a device.
    pub fn operate(&mut self, position: u8, valve: bool) -> bool {
        self.take_effect(Effect::Operate { position, valve, for_s: OPERATED_S }, self.time_s());
        self.devices.iter().any(|device| device.truth.position == position)
    }

    /// The true vacuum level, in pascals.
    pub const fn level_pa(&self) -> f64 {
        self.level_pa
    }

    /// Number of reads in the table of the reference's register.
    pub const fn reference_reads(&self) -> u64 {
        self.reference_reads
    }

    /// Whether an output is not 0; `None` if the rig has no such output.
    pub fn coil(&self, name: OutputName) -> Option<bool> {
        let mut outputs = self.rig.outputs.iter().zip(&self.outputs);
        outputs.find(|(output, _)| output.name == name).map(|(_, driven)| driven.word != 0)
    }

    #[expect(clippy::cast_precision_loss, reason = "2^53 ms are 285,000 years")]
    pub(crate) fn time_s(&self) -> f64 {
        self.steps as f64 * STEP_S
    }

    pub(crate) fn advance_to(&mut self, at_s: f64) {
        while self.time_s() < at_s {
            self.step();
        }
    }

    fn step(&mut self) {
        let from_s = self.time_s();
        self.lose_master(from_s);
        let openings = self.openings(from_s);
        self.gas = self.plant.step(self.gas, &openings, STEP_S);
        let before = std::mem::replace(&mut self.level_pa, self.plant.level_pa(self.gas));
        self.reference_before_pa = self.reference.output();
        let moved = self.reference.advance(self.level_pa, STEP_S) - self.reference_before_pa;
        self.risen = (self.risen + moved / LOOP_PA).clamp(0.0, 1.0);
        let power = self.is_on(self.wiring.power).unwrap_or(true);
        for device in &mut self.devices {
            let manifold = if device.plugged || self.open_hoses == 0.0 { self.level_pa } else { 0.0 };
            let level = device.behind_hose(manifold, self.plant.ambient_pa, STEP_S);
            device.advance(from_s, level, STEP_S, power);
        }
        self.steps += 1;
        self.convert(from_s);
        self.note_edges();
        self.happen(before);
    }

    /// Sets the outputs to safe if the module has not received a request for its loss-of-master time.
    fn lose_master(&mut self, now_s: f64) {
        let Some(longest_s) = self.truth.module.loss_of_master_s else { return };
        if now_s - self.last_request_s > longest_s {
            let safe = safe_words(&self.rig);
            self.set_outputs(now_s, safe.into_iter().map(Some));
        }
    }

    pub(crate) fn set_outputs(&mut self, at_s: f64, words: impl Iterator<Item = Option<u16>>) {
        for (driven, word) in self.outputs.iter_mut().zip(words) {
            if let Some(word) = word.filter(|word| *word != driven.word) {
                *driven = Driven { word, before: driven.word, since_s: at_s };
            }
        }
    }

    /// Whether an output acts as on, after the valve delay; `None` if the rig lacks it.
    fn is_on(&self, output: Option<usize>) -> Option<bool> {
        self.acting(output).map(|word| word != 0)
    }

    /// The word by which an output acts, after the valve delay; `None` if the rig lacks it.
    fn acting(&self, output: Option<usize>) -> Option<u16> {
        let driven = self.outputs[output?];
        let jitter_s = self.truth.air.valve_jitter.si();
        let later_s =
            if jitter_s > 0.0 { jitter_s * self.valve_noise.even(moment(driven.since_s)) } else { 0.0 };
        Some(driven.at(self.time_s() - self.truth.air.valve_delay.si() - later_s))
    }

    /// Whether a device that controls the evacuation valve holds it open, after the valve delay.
    fn handed_over(&self) -> bool {
        if !self.wiring.hands_over {
            return false;
        }
        let seen_s = self.time_s() - self.truth.air.valve_delay.si();
        let handed = self.rig.outputs.iter().zip(&self.outputs);
        let handed =
            handed.filter(|(output, driven)| output.name == OutputName::HandOver && driven.word != 0);
        let mut positions = handed.filter_map(|(output, _)| output.position);
        positions.any(|position| {
            self.devices
                .iter()
                .find(|device| device.truth.position == position)
                .is_some_and(|device| device.valve_at(seen_s))
        })
    }

    /// Set point of the regulator, in pascals; `None` without a regulator.
    fn set_point_pa(&self) -> Option<f64> {
        let word = self.acting(self.wiring.regulator)?;
        let output = self.rig.outputs.get(self.wiring.regulator?)?;
        let scale = output.scale.as_ref()?;
        let share = (f64::from(word) - scale.counts[0]) / (scale.counts[1] - scale.counts[0]);
        let [low, high] = scale.values.map(Quantity::si);
        Some(low + share * (high - low))
    }

    fn openings(&mut self, now_s: f64) -> Openings {
        let wiring = self.wiring;
        let share = |output| f64::from(u8::from(self.is_on(output).unwrap_or(false)));
        let pressure =
            if now_s >= self.air_back_s { self.truth.air.pressure.si() } else { self.air_pressure_pa };
        let evacuate = self
            .evacuate_stuck
            .unwrap_or_else(|| self.is_on(wiring.evacuate).unwrap_or(false) || self.handed_over());
        Openings {
            evacuate: f64::from(u8::from(evacuate)),
            evacuate_fine: share(wiring.evacuate_fine),
            bleed: share(wiring.bleed),
            vent: if self.vent_stuck_shut { 0.0 } else { share(wiring.vent) },
            pump: (pressure / self.truth.air.full_strength.si()).min(1.0),
            open_hoses: self.open_hoses,
            hand: self.hand.grip(now_s),
            set_point_pa: self.set_point_pa(),
            through_hoses: self.devices.iter().map(Device::leaks_in).sum(),
        }
    }

    /// Converts the reference if a conversion was due within the last step.
    fn convert(&mut self, from_s: f64) {
        let period_s = self.rig.module.converter.si();
        let now_s = self.time_s();
        if period_s < STEP_S || self.reference_frozen {
            return;
        }
        #[expect(
            clippy::cast_possible_truncation,
            clippy::cast_sign_loss,
            reason = "times are positive and far below 2^53 periods"
        )]
        let number = (now_s / period_s) as u64;
        if number != self.converted.1 {
            #[expect(clippy::cast_precision_loss, reason = "far below 2^53")]
            let share = ((number as f64 * period_s - from_s) / STEP_S).clamp(0.0, 1.0);
            let level =
                self.reference_before_pa + share * (self.reference.output() - self.reference_before_pa);
            self.converted_before = self.converted.0;
            self.converted = (self.reading(level, number), number);
        }
    }

    /// The converted reading at a time, which may be before the current one by less than a step.
    pub(crate) fn converted_at(&self, at_s: f64) -> f64 {
        #[expect(clippy::cast_precision_loss, reason = "far below 2^53")]
        let since_s = self.converted.1 as f64 * self.rig.module.converter.si();
        if at_s < since_s && !self.reference_frozen { self.converted_before } else { self.converted.0 }
    }

    /// The reading of the reference for a lagged level, in pascals.
    pub(crate) fn reading(&self, level_pa: f64, number: u64) -> f64 {
        let truth = &self.truth.reference;
        let drift = truth.drift_pa_per_s
            * truth.drift_for_s.map_or(self.time_s(), |rests_s| rests_s.min(self.time_s()));
        let [after_rising, after_falling] = truth.loop_pa;
        let away = truth.error_pa + self.risen * after_rising + (1.0 - self.risen) * after_falling;
        level_pa * (1.0 + truth.gain)
            + away * (level_pa / AWAY_PA).clamp(0.0, 1.0)
            + truth.offset_pa
            + drift
            + truth.noise_pa * self.reference_noise.normal(number)
    }

    /// Triggers the faults that are due.
    fn happen(&mut self, before_pa: f64) {
        let (now_s, level) = (self.time_s(), self.level_pa);
        let mut effects = Vec::new();
        for armed in self.faults.iter_mut().filter(|armed| !armed.done) {
            let due = match armed.fault.when {
                Trigger::At(at_s) => now_s >= at_s,
                Trigger::RisingThrough { level_pa, time } => {
                    armed.crossings += u32::from(before_pa < level_pa && level_pa <= level);
                    armed.crossings >= time
                }
                Trigger::FallingThrough { level_pa, time } => {
                    armed.crossings += u32::from(before_pa > level_pa && level_pa >= level);
                    armed.crossings >= time
                }
            };
            if due {
                armed.done = true;
                effects.push(armed.fault.effect);
            }
        }
        for effect in effects {
            self.take_effect(effect, now_s);
        }
    }

    fn take_effect(&mut self, effect: Effect, now_s: f64) {
        match effect {
            Effect::PullPlug(position) => self.plug(position, false),
            Effect::Operate { position, valve, for_s } => {
                for device in self.devices.iter_mut().filter(|device| device.truth.position == position) {
                    device.operated[usize::from(valve)] = [now_s, now_s + for_s];
                }
            }
            Effect::PullHose => self.open_hoses += 1.0,
            Effect::AirPressure { pressure_pa, for_s } => {
                self.air_pressure_pa = pressure_pa;
                self.air_back_s = now_s + for_s;
            }
            Effect::EvacuateStuck { open } => self.evacuate_stuck = Some(open),
            Effect::VentStuckShut => self.vent_stuck_shut = true,
            Effect::ReferenceFrozen => self.reference_frozen = true,
            Effect::InputsFrozen => self.inputs_frozen_s = now_s,
            Effect::HandTurns { for_s } => self.hand.turn(now_s + for_s),
        }
    }

    /// The lagged level at the reference, interpolated within the last step.
    pub(crate) fn reference_at(&self, at_s: f64) -> f64 {
        let share = (1.0 - (self.time_s() - at_s) / STEP_S).clamp(0.0, 1.0);
        self.reference_before_pa + share * (self.reference.output() - self.reference_before_pa)
    }
}

/// A time in whole nanoseconds, as an index of random numbers.
#[expect(
    clippy::cast_possible_truncation,
    clippy::cast_sign_loss,
    reason = "times are positive and far below 2^63 ns"
)]
const fn moment(at_s: f64) -> u64 {
    (at_s * 1e9) as u64
}
