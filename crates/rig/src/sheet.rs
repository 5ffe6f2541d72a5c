//! The rig sheet: the description of one rig.

use crate::address::PointAddress;
use crate::command::{Order, OutputName};
use crate::modbus::Request;
use crate::read_plan::{Cell, ReadPlan};
use crate::serial::{Parity, SerialTiming};
use crate::signal::{AnalogInput, DigitalInput, RegisterInput, Scale};
use std::time::Duration;
use tripbench_quantity::{
    AbsolutePressure, AirPressure, Length, LevelDifference, LevelRate, TimeSpan, VacuumLevel, Volume,
};
use tripbench_sheet::{At, Header, Place, words};

mod calibration;
mod link;
mod read;
mod rules;

pub use calibration::{Calibration, CertificateZero, LineUncertainty};

words! {
    /// Zero of the reference.
    pub enum ReferenceKind {
        /// Measures the pressure difference to ambient.
        Gauge = "gauge",
        /// Measures absolute pressure; the rig then needs an ambient input.
        Absolute = "absolute",
    }
}

words! {
    /// State of a valve without power.
    pub enum WithoutPower {
        /// Closes.
        Closed = "closed",
        /// Opens.
        Open = "open",
    }
}

/// A serial port and its settings.
#[derive(Debug, Clone, PartialEq)]
pub struct SerialPort {
    /// Path of the port.
    pub path: At<String>,
    /// Bits per second.
    pub baud: At<u32>,
    /// Parity.
    pub parity: Parity,
    /// Stop bits, 1 or 2.
    pub stop_bits: u8,
}

/// Transport of the frames.
#[derive(Debug, Clone, PartialEq)]
pub enum Wire {
    /// Modbus TCP to `host:port`.
    Tcp(At<String>),
    /// Modbus RTU on a serial port.
    Serial(SerialPort),
    /// Modbus RTU frames through a TCP connection to `host:port`, as with a serial converter.
    RtuOverTcp(At<String>),
}

/// The link to the module.
#[derive(Debug, Clone, PartialEq)]
pub struct LinkSheet {
    /// Transport of the frames.
    pub wire: Wire,
    /// Unit identifier for addresses that give none.
    pub unit: At<u8>,
    /// Longest time for an answer; after it the link is in doubt.
    pub answer_timeout: At<TimeSpan>,
    /// Longest time after which the module can still act on a request.
    pub slowest_answer: At<TimeSpan>,
    /// Shortest time between the starts of two scans.
    pub scan_interval: At<TimeSpan>,
    /// Largest number of unused addresses between two used ones that may be read to save a request.
    pub largest_hole: At<u16>,
    /// Typical response time of the module, without the wire time of a serial line; used for predictions.
    pub answer_time: At<TimeSpan>,
    /// Shortest silence after an answer, if the module needs more than the standard.
    pub minimum_gap: At<TimeSpan>,
    /// Number of outputs that one request writes.
    pub writes: At<Writes>,
}

words! {
    /// Number of outputs that one request writes.
    pub enum Writes {
        /// All at adjacent addresses: functions 0F and 10.
        Together = "together",
        /// One coil or register: functions 05 and 06.
        OneByOne = "one-by-one",
    }
}

/// A free-running clock counter with which the module stamps edges.
#[derive(Debug, Clone, PartialEq)]
pub struct ModuleClock {
    /// Its registers.
    pub register: RegisterInput,
    /// Duration of one count.
    pub tick: TimeSpan,
}

/// Delays inside the module.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct ModuleTimes {
    /// Fixed delay of the filter of the digital inputs.
    pub input_filter: TimeSpan,
    /// Greatest age of the input image in an answer.
    pub image_age: TimeSpan,
    /// Time between two analog conversions.
    pub converter: TimeSpan,
    /// Time without a request after which the module sets its outputs to safe; `None` if it does not.
    pub loss_of_master: Option<TimeSpan>,
    /// Its clock, if it stamps edges.
    pub clock: Option<ModuleClock>,
    /// The input that the output `loop` is wired to.
    pub looped: Option<DigitalInput>,
}

/// A first-order lag with its uncertainty.
#[derive(Debug, Clone, PartialEq)]
pub struct Lag {
    /// Time constant.
    pub value: At<TimeSpan>,
    /// Half width of the interval in which it is known to lie.
    pub uncertainty: At<TimeSpan>,
    /// How it was found.
    pub how: At<String>,
}

/// The reference: the rig's calibrated analog vacuum transducer.
#[derive(Debug, Clone, PartialEq)]
pub struct ReferenceSheet {
    /// Name on its label.
    pub name: At<String>,
    /// Gauge or absolute.
    pub kind: ReferenceKind,
    /// Its input.
    pub input: AnalogInput<VacuumLevel>,
    /// Deepest level that it measures.
    pub range: At<VacuumLevel>,
    /// Its lag.
    pub lag: Lag,
    /// Standard deviation of its noise.
    pub noise: At<LevelDifference>,
    /// Half width of its own hysteresis.
    pub hysteresis: At<LevelDifference>,
    /// Half width of its zero drift during a run.
    pub drift: At<LevelDifference>,
    /// Largest zero reading that is corrected; with more, the zero check is not met.
    pub largest_zero: At<LevelDifference>,
    /// Its calibration.
    pub calibration: Calibration,
}

/// An output with its safe value.
#[derive(Debug, Clone, PartialEq)]
pub struct Output {
    /// Which output.
    pub name: OutputName,
    /// Address of its coil or register bit; of its register for a regulator, or if it has a word that turns it on.
    pub at: At<PointAddress>,
    /// Word that turns it on if it is a whole holding register, 1 to 65535; 0 turns it off. `None` for a coil, a bit or a regulator.
    pub on: Option<u16>,
    /// Safe value; `false` for a regulator, which then asks for ambient.
    pub safe: At<bool>,
    /// Scale of the set point of a regulator.
    pub scale: Option<Scale<VacuumLevel>>,
    /// For a hand-over: the position whose device gets the evacuation valve.
    pub position: Option<u8>,
    /// State of its valve without power.
    pub without_power: Option<WithoutPower>,
    /// Its place in the sheet.
    pub place: Place,
}

/// Limits that the engine checks throughout a run. Not a safety function: hard-wired circuits must cut the energy by themselves.
#[derive(Debug, Clone, PartialEq)]
pub struct RunLimits {
    /// Deepest level allowed.
    pub deepest_level: At<VacuumLevel>,
    /// Longest time under vacuum without a break.
    pub longest_at_vacuum: At<TimeSpan>,
    /// Lowest and highest air pressure at which valves are operated.
    pub air_pressure: Option<At<[AirPressure; 2]>>,
    /// On while the emergency stop is released.
    pub emergency_stop: Option<DigitalInput>,
    /// On while the guard door is closed.
    pub guard_door: Option<DigitalInput>,
}

/// The air side of the rig.
#[derive(Debug, Clone, PartialEq)]
pub struct Manifold {
    /// Volume of manifold, reference tee and hoses.
    pub volume: At<Volume>,
    /// Deepest level that the pump reaches.
    pub ultimate_vacuum: At<VacuumLevel>,
    /// Time constant of evacuation at full flow.
    pub evacuate: At<TimeSpan>,
    /// Time constant of evacuation through the throttle.
    pub evacuate_fine: Option<At<TimeSpan>>,
    /// Time constant of the bleed valve.
    pub bleed: Option<At<TimeSpan>>,
    /// Time constant of the vent valve.
    pub vent: At<TimeSpan>,
    /// Time constant of the gas temperature approaching that of the wall.
    pub thermal: At<TimeSpan>,
    /// Largest leak at which levels can still be judged.
    pub largest_leak: At<LevelRate>,
    /// Longest time until a valve acts.
    pub valve_delay: At<TimeSpan>,
}

/// The hose from the manifold to a position.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Hose {
    /// Inner diameter.
    pub bore: Length,
    /// Length.
    pub length: Length,
    /// Smallest volume behind a possible restriction, that of the device with its fitting; `None` for that of the hose itself.
    pub behind: Option<Volume>,
}

/// A place for one device.
#[derive(Debug, Clone, PartialEq)]
pub struct Position {
    /// Its number, from 1.
    pub number: At<u8>,
    /// The device's switch output.
    pub switch: DigitalInput,
    /// The device's valve output.
    pub valve: Option<DigitalInput>,
    /// On while the device's plug is connected.
    pub present: Option<DigitalInput>,
    /// Its hose.
    pub hose: Option<Hose>,
}

/// The rig sheet.
#[derive(Debug, Clone, PartialEq)]
pub struct RigSheet {
    /// Name, revision, state.
    pub header: Header,
    /// The link to the module.
    pub link: LinkSheet,
    /// Delays and clock of the module.
    pub module: ModuleTimes,
    /// The reference.
    pub reference: ReferenceSheet,
    /// The air pressure input.
    pub air_pressure: Option<AnalogInput<AirPressure>>,
    /// The ambient pressure input.
    pub ambient: Option<AnalogInput<AbsolutePressure>>,
    /// The outputs, sorted by address.
    pub outputs: Vec<Output>,
    /// Limits of a run.
    pub run_limits: RunLimits,
    /// The air side.
    pub manifold: Manifold,
    /// The positions, sorted by number.
    pub positions: Vec<Position>,
}

impl RigSheet {
    /// The position with a number.
    pub fn position(&self, number: u8) -> Option<&Position> {
        self.positions.iter().find(|position| *position.number == number)
    }

    /// The reads of a scan, sorted by unit, table and address.
    pub fn read_plan(&self) -> ReadPlan {
        let digital = self.digital_inputs().into_iter().flat_map(DigitalInput::cells);
        let analog = [
            Some(self.reference.input.cells()),
            self.air_pressure.as_ref().map(AnalogInput::cells),
            self.ambient.as_ref().map(AnalogInput::cells),
            self.module.clock.as_ref().map(|clock| clock.register.cells()),
        ];
        let outputs = self.outputs.iter().map(|output| output.at.cell());
        let wanted: Vec<Cell> =
            digital.chain(analog.into_iter().flatten().flatten()).chain(outputs).collect();
        ReadPlan::covering(wanted, *self.link.largest_hole)
    }

    /// Every digital input: those of the positions in order, then emergency stop, guard door and loop.
    pub fn digital_inputs(&self) -> Vec<&DigitalInput> {
        let positions = self.positions.iter().flat_map(|position| {
            [Some(&position.switch), position.valve.as_ref(), position.present.as_ref()].into_iter().flatten()
        });
        let others = [
            self.run_limits.emergency_stop.as_ref(),
            self.run_limits.guard_door.as_ref(),
            self.module.looped.as_ref(),
        ];
        positions.chain(others.into_iter().flatten()).collect()
    }

    /// Whether no output moves air, so that the operator pulls and vents by hand.
    pub fn by_hand(&self) -> bool {
        let without_air = |name| matches!(name, OutputName::DevicePower | OutputName::Loop);
        self.outputs.iter().all(|output| without_air(output.name))
    }

    /// Predicted time of an order: its writes and the reads that confirm them.
    pub fn order_time(&self) -> TimeSpan {
        let queries = self.writes(&self.image_of(Order::Safe)).into_iter().chain(self.output_reads());
        let all: Duration = queries.map(|query| self.link.transaction(&query.request)).sum();
        TimeSpan::new(all.as_secs_f64())
    }

    /// Predicted time of a whole scan.
    pub fn scan_time(&self) -> TimeSpan {
        let reads = self.read_plan().reads;
        let all: Duration =
            reads.iter().map(|read| self.link.transaction(&read.query(*self.link.unit).request)).sum();
        TimeSpan::new(all.as_secs_f64().max(self.link.scan_interval.si()))
    }

    /// Longest time until an input shows a change on its wire, apart from scans: its filter delay plus the image age.
    pub fn input_time(&self) -> TimeSpan {
        TimeSpan::new(self.module.input_filter.si() + self.module.image_age.si())
    }

    /// Predicted width of the interval in which an edge is known to lie. It lies between two reads that are one scan apart; each
    /// read shows an unknown moment before its answer, in an image of unknown age.
    pub fn edge_time(&self) -> TimeSpan {
        TimeSpan::new(self.scan_time().si() + self.link.answer_time.si() + self.module.image_age.si())
    }
}

/// Time until the run loop notices a stop: four times its longest sleep of 5 ms, to allow for late wake-ups.
const LOOKED_FOR: Duration = Duration::from_millis(20);

impl RigSheet {
    /// Predicted longest time from a stop until the safe outputs are written, if the module answers. It includes waiting for the
    /// answer to a request already sent.
    pub fn stop_time(&self) -> TimeSpan {
        let reads = self.read_plan().reads;
        let reads = reads.iter().map(|read| self.link.transaction(&read.query(*self.link.unit).request));
        let writes = self.writes(&self.image_of(Order::Safe));
        let writes: Duration = writes.iter().map(|query| self.link.transaction(&query.request)).sum();
        TimeSpan::new((LOOKED_FOR + reads.max().unwrap_or_default() + writes).as_secs_f64())
    }
}

impl LinkSheet {
    /// Times of the serial line; `None` for TCP.
    pub fn timing(&self) -> Option<SerialTiming> {
        match &self.wire {
            Wire::Serial(port) => Some(SerialTiming::at(*port.baud)),
            Wire::Tcp(_) | Wire::RtuOverTcp(_) => None,
        }
    }

    /// Place in the sheet of the address or serial port.
    pub const fn place(&self) -> &Place {
        match &self.wire {
            Wire::Tcp(address) | Wire::RtuOverTcp(address) => &address.place,
            Wire::Serial(port) => &port.path.place,
        }
    }

    /// Predicted time from the start of a request to the start of the next.
    pub fn transaction(&self, request: &Request) -> Duration {
        let answer = self.answer_time.duration();
        let gap = self.minimum_gap.duration();
        self.timing().map_or(answer + gap, |timing| {
            timing.transaction(request) + answer + gap.saturating_sub(timing.between_frames())
        })
    }
}
