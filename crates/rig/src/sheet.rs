//! The rig sheet: everything that is known of one rig.

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
    /// Against what the reference measures.
    pub enum ReferenceKind {
        /// Against ambient.
        Gauge = "gauge",
        /// Against vacuum; the rig needs an ambient input then.
        Absolute = "absolute",
    }
}

words! {
    /// What a valve does when power fails.
    pub enum WithoutPower {
        /// Closes.
        Closed = "closed",
        /// Opens.
        Open = "open",
    }
}

/// A serial port with its setting.
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

/// What the frames travel on.
#[derive(Debug, Clone, PartialEq)]
pub enum Wire {
    /// Modbus TCP to `host:port`.
    Tcp(At<String>),
    /// Modbus RTU on a serial port.
    Serial(SerialPort),
    /// Modbus RTU frames through a TCP connection to `host:port`, as serial converters have it.
    RtuOverTcp(At<String>),
}

/// How the module is reached.
#[derive(Debug, Clone, PartialEq)]
pub struct LinkSheet {
    /// What the frames travel on.
    pub wire: Wire,
    /// Unit identifier of every address that gives none.
    pub unit: At<u8>,
    /// Longest time that an answer may take before the link is in doubt.
    pub answer_timeout: At<TimeSpan>,
    /// Longest time after which the module could still act on something sent before.
    pub slowest_answer: At<TimeSpan>,
    /// Shortest time between the starts of two scans.
    pub scan_interval: At<TimeSpan>,
    /// Addresses that nobody wants but that may be read to save a request.
    pub largest_hole: At<u16>,
    /// Typical time of an answer, wire time on a serial line not counted: for what is predicted.
    pub answer_time: At<TimeSpan>,
    /// Shortest silence after an answer, where the module wants more than the standard.
    pub minimum_gap: At<TimeSpan>,
    /// How outputs are written.
    pub writes: At<Writes>,
}

words! {
    /// How many outputs one request writes.
    pub enum Writes {
        /// All neighbours: functions 0F and 10.
        Together = "together",
        /// One: functions 05 and 06.
        OneByOne = "one-by-one",
    }
}

/// A counter that runs in the module, for edges that it stamps itself.
#[derive(Debug, Clone, PartialEq)]
pub struct ModuleClock {
    /// Where it is.
    pub register: RegisterInput,
    /// Time of one count.
    pub tick: TimeSpan,
}

/// Delays inside the module.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct ModuleTimes {
    /// Fixed delay of the digital inputs' filter.
    pub input_filter: TimeSpan,
    /// Oldest that an answered input image can be.
    pub image_age: TimeSpan,
    /// Time between two analog conversions.
    pub converter: TimeSpan,
    /// Outputs fall to safe after this time without a master, where the module does that.
    pub loss_of_master: Option<TimeSpan>,
    /// Its clock, where it stamps edges.
    pub clock: Option<ModuleClock>,
    /// The input that the output `loop` is wired to.
    pub looped: Option<DigitalInput>,
}

/// A lag, first order, with its uncertainty as a half width.
#[derive(Debug, Clone, PartialEq)]
pub struct Lag {
    /// Time constant.
    pub value: At<TimeSpan>,
    /// Half width of the interval it is known to be in.
    pub uncertainty: At<TimeSpan>,
    /// How it was found.
    pub how: At<String>,
}

/// The reference: the rig's calibrated analog vacuum transducer.
#[derive(Debug, Clone, PartialEq)]
pub struct ReferenceSheet {
    /// What is on its label.
    pub name: At<String>,
    /// Gauge or absolute.
    pub kind: ReferenceKind,
    /// Its input.
    pub input: AnalogInput<VacuumLevel>,
    /// Its range.
    pub range: At<VacuumLevel>,
    /// Its lag.
    pub lag: Lag,
    /// Standard deviation of its noise.
    pub noise: At<LevelDifference>,
    /// Half width of its own hysteresis.
    pub hysteresis: At<LevelDifference>,
    /// Half width of its zero drift during a run.
    pub drift: At<LevelDifference>,
    /// Largest zero reading that is corrected; more is a doubt.
    pub largest_zero: At<LevelDifference>,
    /// Its calibration.
    pub calibration: Calibration,
}

/// An output with its safe value.
#[derive(Debug, Clone, PartialEq)]
pub struct Output {
    /// Which.
    pub name: OutputName,
    /// Its coil, register bit, or register of a regulator.
    pub at: At<PointAddress>,
    /// Its safe value; of a regulator `false`: it asks for ambient.
    pub safe: At<bool>,
    /// Counts of a regulator's set point.
    pub scale: Option<Scale<VacuumLevel>>,
    /// The position whose device gets the evacuation valve by it, of a hand-over.
    pub position: Option<u8>,
    /// What its valve does without power.
    pub without_power: Option<WithoutPower>,
    /// Where the sheet states it.
    pub place: Place,
}

/// Limits that are held by the engine at every moment.
#[derive(Debug, Clone, PartialEq)]
pub struct Interlocks {
    /// No deeper than this.
    pub highest_level: At<VacuumLevel>,
    /// No longer than this away from ambient without a break.
    pub longest_at_vacuum: At<TimeSpan>,
    /// Air pressure below and above which nothing moves.
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
    /// Deepest level that is reached.
    pub ultimate_vacuum: At<VacuumLevel>,
    /// Time constant of evacuation at full flow.
    pub evacuate: At<TimeSpan>,
    /// Time constant through the throttle.
    pub evacuate_fine: Option<At<TimeSpan>>,
    /// Time constant of the bleed valve.
    pub bleed: Option<At<TimeSpan>>,
    /// Time constant of the vent valve.
    pub vent: At<TimeSpan>,
    /// Time constant with which the gas takes the wall's temperature.
    pub thermal: At<TimeSpan>,
    /// Largest leak with which levels can still be judged.
    pub largest_leak: At<LevelRate>,
    /// Longest time that a valve takes to act.
    pub valve_delay: At<TimeSpan>,
}

/// The hose from manifold to a position.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Hose {
    /// Inner diameter.
    pub bore: Length,
    /// Length.
    pub length: Length,
    /// Least volume behind whatever may throttle it, the device with its fitting; `None` if the hose's own is meant.
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
    /// The module.
    pub link: LinkSheet,
    /// Delays inside it.
    pub module: ModuleTimes,
    /// The reference.
    pub reference: ReferenceSheet,
    /// The air pressure input.
    pub air_pressure: Option<AnalogInput<AirPressure>>,
    /// The ambient pressure input.
    pub ambient: Option<AnalogInput<AbsolutePressure>>,
    /// The outputs, by address.
    pub outputs: Vec<Output>,
    /// The interlocks.
    pub interlocks: Interlocks,
    /// The air side.
    pub manifold: Manifold,
    /// The positions, by number.
    pub positions: Vec<Position>,
}

impl RigSheet {
    /// The position with a number.
    pub fn position(&self, number: u8) -> Option<&Position> {
        self.positions.iter().find(|position| *position.number == number)
    }

    /// The reads of a scan. Outputs come first, analog inputs next, digital inputs last.
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

    /// Every digital input: of the positions in order, then of the guards.
    pub fn digital_inputs(&self) -> Vec<&DigitalInput> {
        let positions = self.positions.iter().flat_map(|position| {
            [Some(&position.switch), position.valve.as_ref(), position.present.as_ref()].into_iter().flatten()
        });
        let others = [
            self.interlocks.emergency_stop.as_ref(),
            self.interlocks.guard_door.as_ref(),
            self.module.looped.as_ref(),
        ];
        positions.chain(others.into_iter().flatten()).collect()
    }

    /// Whether no output moves air: a person pulls and vents by hand, and is told the rate.
    pub fn by_hand(&self) -> bool {
        let without_air = |name| matches!(name, OutputName::DevicePower | OutputName::Loop);
        self.outputs.iter().all(|output| without_air(output.name))
    }

    /// Predicted time of an order: its writes, and the reads that confirm it.
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

    /// Longest time that an input takes to show a change of its wire, scans not counted: its filter, and the age of the image.
    pub fn input_time(&self) -> TimeSpan {
        TimeSpan::new(self.module.input_filter.si() + self.module.image_age.si())
    }

    /// Longest time, foreseen, between the last moment at which an input can have been as before and the first at which it can
    /// have changed: two reads a scan apart, each of which looks at some moment before its answer, at an image of some age.
    pub fn edge_time(&self) -> TimeSpan {
        TimeSpan::new(self.scan_time().si() + self.link.answer_time.si() + self.module.image_age.si())
    }
}

/// The loop of a run looks for a stop at least so often, and the machine is given as much again three times over.
const LOOKED_FOR: Duration = Duration::from_millis(20);

impl RigSheet {
    /// Longest time, foreseen, from a stop until the module has the safe outputs, while it answers. A request that was sent is
    /// waited for.
    pub fn stop_time(&self) -> TimeSpan {
        let reads = self.read_plan().reads;
        let reads = reads.iter().map(|read| self.link.transaction(&read.query(*self.link.unit).request));
        let writes = self.writes(&self.image_of(Order::Safe));
        let writes: Duration = writes.iter().map(|query| self.link.transaction(&query.request)).sum();
        TimeSpan::new((LOOKED_FOR + reads.max().unwrap_or_default() + writes).as_secs_f64())
    }
}

impl LinkSheet {
    /// Silences and characters of a serial line; `None` for TCP.
    pub fn timing(&self) -> Option<SerialTiming> {
        match &self.wire {
            Wire::Serial(port) => Some(SerialTiming::at(*port.baud)),
            Wire::Tcp(_) | Wire::RtuOverTcp(_) => None,
        }
    }

    /// Where the sheet states the wire.
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
