//! The simulated bench: everything advanced on one grid of time, and the Modbus module in front of it.

use crate::air::{Gas, Nozzle, Openings, Plant};
use crate::device::Device;
use crate::encode::{raw_bit, registers};
use crate::noise::Noise;
use crate::reference::FirstOrder;
use crate::truth::{Effect, Fault, Trigger, Truth};
use tripbench_quantity::{Mono, Quantity};
use tripbench_rig::{
    AnalogInput, Area, DigitalInput, Exception, OutputName, PointAddress, Request, Response, RigSheet,
    VirtualModule,
};

/// Grid of time, seconds.
const STEP_S: f64 = 1e-3;

/// A fault and how often its trigger was met.
#[derive(Debug, Clone)]
struct Armed {
    fault: Fault,
    crossings: u32,
    done: bool,
}

/// A simulated rig with its devices, behind its module.
#[derive(Debug, Clone)]
pub struct SimulatedBench {
    rig: RigSheet,
    truth: Truth,
    plant: Plant,
    gas: Gas,
    level_pa: f64,
    /// Grid steps taken.
    steps: u64,
    reference: FirstOrder,
    reference_before_pa: f64,
    reference_noise: Noise,
    /// Converted reference and the number of its conversion.
    converted: (f64, u64),
    devices: Vec<Device>,
    /// Outputs in order of the rig sheet, and when each last changed.
    outputs: Vec<(bool, bool, f64)>,
    faults: Vec<Armed>,
    air_pressure_pa: f64,
    air_back_s: f64,
    open_hoses: f64,
    evacuate_stuck: Option<bool>,
    vent_stuck_shut: bool,
    reference_frozen: bool,
    /// From when on the digital inputs stand still, seconds.
    inputs_frozen_s: f64,
    last_request_s: f64,
    reads: u64,
    reference_reads: u64,
}

impl SimulatedBench {
    /// A bench at ambient, vented, without power.
    pub fn new(rig: &RigSheet, truth: Truth) -> Self {
        let plant = plant(rig, &truth);
        let gas = plant.at_ambient();
        Self {
            rig: rig.clone(),
            plant,
            gas,
            level_pa: 0.0,
            steps: 0,
            reference: FirstOrder::new(truth.reference.lag_s),
            reference_before_pa: 0.0,
            reference_noise: Noise::new(truth.seed, 1),
            converted: (truth.reference.offset_pa, 0),
            devices: truth.devices.iter().map(|device| Device::new(device, truth.seed)).collect(),
            outputs: rig.outputs.iter().map(|output| (*output.safe, *output.safe, 0.0)).collect(),
            faults: truth
                .faults
                .iter()
                .map(|fault| Armed { fault: *fault, crossings: 0, done: false })
                .collect(),
            air_pressure_pa: truth.air.pressure.si(),
            air_back_s: f64::INFINITY,
            open_hoses: 0.0,
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

    /// The true vacuum level, pascal.
    pub const fn level_pa(&self) -> f64 {
        self.level_pa
    }

    /// How often the area of the reference's register was read.
    pub const fn reference_reads(&self) -> u64 {
        self.reference_reads
    }

    /// State of an output's coil; `None` if the rig has no such output.
    pub fn coil(&self, name: OutputName) -> Option<bool> {
        self.rig
            .outputs
            .iter()
            .zip(&self.outputs)
            .find(|(output, _)| output.name == name)
            .map(|(_, state)| state.0)
    }

    #[expect(clippy::cast_precision_loss, reason = "2^53 ms are 285,000 years")]
    fn time_s(&self) -> f64 {
        self.steps as f64 * STEP_S
    }

    fn advance_to(&mut self, at_s: f64) {
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
        self.reference.advance(self.level_pa, STEP_S);
        let power = self.is_on(OutputName::DevicePower).unwrap_or(true);
        for device in &mut self.devices {
            let level = if device.plugged || self.open_hoses == 0.0 { self.level_pa } else { 0.0 };
            device.advance(from_s, level, STEP_S, power);
        }
        self.steps += 1;
        self.convert(from_s);
        self.happen(before);
    }

    /// Outputs fall to safe when the module has not heard anything for the time on its sheet.
    fn lose_master(&mut self, now_s: f64) {
        let Some(longest) = self.rig.module.loss_of_master else { return };
        if now_s - self.last_request_s > longest.si() {
            let safe: Vec<bool> = self.rig.outputs.iter().map(|output| *output.safe).collect();
            self.set_outputs(now_s, safe.into_iter().map(Some));
        }
    }

    fn set_outputs(&mut self, at_s: f64, states: impl Iterator<Item = Option<bool>>) {
        for (output, state) in self.outputs.iter_mut().zip(states) {
            if let Some(state) = state.filter(|state| *state != output.0) {
                *output = (state, output.0, at_s);
            }
        }
    }

    /// What an output's valve does, its delay included.
    fn is_on(&self, name: OutputName) -> Option<bool> {
        let index = self.rig.outputs.iter().position(|output| output.name == name)?;
        let (state, before, since_s) = self.outputs[index];
        Some(if self.time_s() >= since_s + self.truth.air.valve_delay.si() { state } else { before })
    }

    fn openings(&self, now_s: f64) -> Openings {
        let share = |name| f64::from(u8::from(self.is_on(name).unwrap_or(false)));
        let pressure =
            if now_s >= self.air_back_s { self.truth.air.pressure.si() } else { self.air_pressure_pa };
        let evacuate =
            self.evacuate_stuck.map_or_else(|| share(OutputName::Evacuate), |open| f64::from(u8::from(open)));
        Openings {
            evacuate,
            evacuate_fine: share(OutputName::EvacuateFine),
            bleed: share(OutputName::Bleed),
            vent: if self.vent_stuck_shut { 0.0 } else { share(OutputName::Vent) },
            pump: (pressure / self.truth.air.full_strength.si()).min(1.0),
            open_hoses: self.open_hoses,
        }
    }

    /// Takes a new conversion of the reference when its time has come within the last step.
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
            self.converted = (self.reading(level, number), number);
        }
    }

    /// What the reference sends for a lagged level.
    fn reading(&self, level_pa: f64, number: u64) -> f64 {
        let truth = &self.truth.reference;
        let drift = truth.drift_pa_per_s * self.time_s();
        level_pa * (1.0 + truth.gain)
            + truth.offset_pa
            + drift
            + truth.noise_pa * self.reference_noise.normal(number)
    }

    /// Faults whose time has come.
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
            Effect::PullPlug(position) => {
                let device = self.devices.iter_mut().find(|device| device.truth.position == position);
                if let Some(device) = device {
                    device.plugged = false;
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
        }
    }

    /// Fills in what the rig sheet has of the addresses asked for.
    fn fill(&mut self, at_s: f64, image: &mut Image) {
        self.reads += 1;
        for (output, (state, _, _)) in self.rig.outputs.iter().zip(&self.outputs) {
            image.put(output.at.value, u16::from(*state));
        }
        let instant = self.rig.module.converter.si() < STEP_S;
        let reference =
            if instant { self.reading(self.reference_at(at_s), self.reads) } else { self.converted.0 };
        image.put_analog(&self.rig.reference.input, reference);
        if let Some(input) = &self.rig.air_pressure {
            let pressure =
                if at_s >= self.air_back_s { self.truth.air.pressure.si() } else { self.air_pressure_pa };
            image.put_analog(input, pressure);
        }
        if let Some(input) = &self.rig.ambient {
            image.put_analog(input, self.plant.ambient_pa);
        }
        let seen_s = (at_s - self.rig.module.input_filter.si()).min(self.inputs_frozen_s);
        for position in &self.rig.positions {
            let device = self.devices.iter().find(|device| device.truth.position == *position.number);
            image.put_bit(&position.switch, || device.is_some_and(|device| device.output_at(seen_s)));
            if let Some(valve) = &position.valve {
                image.put_bit(valve, || device.is_some_and(|device| device.valve_at(seen_s)));
            }
            if let Some(present) = &position.present {
                image.put_bit(present, || device.is_some_and(|device| device.plugged));
            }
        }
        for guard in
            [&self.rig.interlocks.emergency_stop, &self.rig.interlocks.guard_door].into_iter().flatten()
        {
            image.put_bit(guard, || true);
        }
    }

    /// The lagged reference between two grid points.
    fn reference_at(&self, at_s: f64) -> f64 {
        let share = (1.0 - (self.time_s() - at_s) / STEP_S).clamp(0.0, 1.0);
        self.reference_before_pa + share * (self.reference.output() - self.reference_before_pa)
    }

    fn write(&mut self, at_s: f64, start: u16, states: &[bool]) -> Result<Response, Exception> {
        let numbers: Vec<u16> = self.rig.outputs.iter().map(|output| output.at.number).collect();
        let known = (0..states.len()).all(|offset| {
            u16::try_from(offset)
                .ok()
                .and_then(|offset| start.checked_add(offset))
                .is_some_and(|number| numbers.contains(&number))
        });
        if !known {
            return Err(Exception::ILLEGAL_DATA_ADDRESS);
        }
        let states = numbers.iter().map(|number| {
            number.checked_sub(start).and_then(|offset| states.get(usize::from(offset)).copied())
        });
        self.set_outputs(at_s, states.collect::<Vec<_>>().into_iter());
        Ok(Response::Written)
    }
}

impl VirtualModule for SimulatedBench {
    fn answer(&mut self, at: Mono, request: &Request) -> Result<Response, Exception> {
        let at_s = at.seconds();
        self.advance_to(at_s);
        self.last_request_s = at_s;
        if !request.is_legal() {
            return Err(Exception::ILLEGAL_DATA_VALUE);
        }
        match request {
            Request::Read { area, start, count } => {
                self.reference_reads += u64::from(*area == self.rig.reference.input.at.area);
                let mut image = Image { area: *area, start: *start, words: vec![None; usize::from(*count)] };
                self.fill(at_s, &mut image);
                let words: Option<Vec<u16>> = image.words.into_iter().collect();
                words.map(Response::Values).ok_or(Exception::ILLEGAL_DATA_ADDRESS)
            }
            Request::WriteCoils { start, states } => self.write(at_s, *start, states),
        }
    }
}

/// The addresses of one read; what nothing was put into does not exist.
struct Image {
    area: Area,
    start: u16,
    words: Vec<Option<u16>>,
}

impl Image {
    fn word(&mut self, area: Area, number: u16) -> Option<&mut Option<u16>> {
        let offset = number.checked_sub(self.start).filter(|_| area == self.area)?;
        self.words.get_mut(usize::from(offset))
    }

    fn put(&mut self, at: PointAddress, word: u16) {
        if let Some(place) = self.word(at.area, at.number) {
            *place = Some(word);
        }
    }

    fn put_analog<Q: Quantity>(&mut self, input: &AnalogInput<Q>, si: f64) {
        if self.area != input.at.area {
            return;
        }
        for (offset, word) in (0..).zip(registers(input, si)) {
            self.put(PointAddress { number: input.at.number.saturating_add(offset), ..input.at.value }, word);
        }
    }

    fn put_bit(&mut self, input: &DigitalInput, on: impl Fn() -> bool) {
        if let Some(place) = self.word(input.at.area, input.at.number) {
            let raw = u16::from(raw_bit(input, on()));
            *place = Some(place.unwrap_or(0) | raw << input.at.bit.unwrap_or(0));
        }
    }
}

fn plant(rig: &RigSheet, truth: &Truth) -> Plant {
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
        // A hose of 4 mm bore and about a metre: common practice, no source.
        hose: Nozzle { conductance: 1e-8, critical_ratio: 0.3 },
        wall_w_per_k: Plant::wall_for(volume_m3, ambient_k, manifold.thermal.si()),
    }
}
