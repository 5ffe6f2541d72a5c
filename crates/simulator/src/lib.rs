//! A simulated bench: the true state of air, reference and devices, behind a simulated Modbus module.
//!
//! The state at any time is a pure function of the truth, the seed, and everything written to the module before. The simulator uses
//! neither `measure` nor the device rules nor the decoding of the rig, so that an error in them cannot cancel itself.

mod air;
mod bench;
mod device;
mod encode;
mod frames;
mod hand;
mod identity;
mod lines;
mod module;
mod noise;
mod reference;
mod rtu;
mod rtu_server;
mod server;
mod truth;
mod truth_sheet;
mod wiring;

pub use air::{Nozzle, nozzle_mass_flow};
pub use bench::SimulatedBench;
pub use frames::Framing;
pub use rtu_server::{RtuServer, SerialPace, serve_rtu_over_tcp, serve_serial};
pub use server::{ServeError, Server, serve};
pub use truth::{
    AirSavingTruth, AirTruth, DeviceFault, DeviceTruth, Effect, Fault, HoseTruth, ModuleTruth, Quirks,
    ReferenceTruth, Trigger, Truth,
};
