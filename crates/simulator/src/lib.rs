//! A simulated bench: the truth of air, reference and devices, and a Modbus module in front of them.
//!
//! State at a moment is a pure function of the truth, the seed, and what was written to the module up to then. Nothing of
//! `measure`, of the device rules, or of the rig's decoding is used: a wrong rule must not cancel against itself.

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
