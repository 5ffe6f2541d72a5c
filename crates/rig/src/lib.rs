//! The rig: its sheet, the reads of its module and their decoding, the commands to its outputs, and their safe values.
//!
//! No I/O: a [`Request`] is data; the link or a [`VirtualModule`] carries it out.

mod address;
mod command;
mod decode;
mod doubt;
mod guide;
mod identification;
mod modbus;
mod read_plan;
mod scan;
mod serial;
mod sheet;
mod signal;

pub use address::{Area, PointAddress};
pub use command::{Air, Command, CommandId, Order, OutputImage, OutputName, ReadBack};
pub use decode::{Analog, AnalogFault, Bit, Decoder};
pub use doubt::{Doubt, LONGEST_GAP};
pub use guide::{Guide, Hint};
pub use identification::{Identification, IdentityObject};
pub use modbus::{
    COIL_ON, Exception, MOST_BITS_READ, MOST_BITS_WRITTEN, MOST_REGISTERS_READ, MOST_REGISTERS_WRITTEN,
    Query, Request, Response, VirtualModule,
};
pub use read_plan::{Cell, Read, ReadPlan};
pub use scan::{Block, Scan};
pub use serial::{Parity, SerialTiming};
pub use sheet::{
    Calibration, CertificateZero, Hose, Lag, LineUncertainty, LinkSheet, Manifold, ModuleClock, ModuleTimes,
    Output, Position, ReferenceKind, ReferenceSheet, RigSheet, RunLimits, SerialPort, Wire, WithoutPower,
    Writes,
};
pub use signal::{
    ActiveState, AnalogInput, AnalogSignal, DigitalInput, EdgeCounter, Edges, RawType, RegisterInput, Scale,
    WordOrder,
};
