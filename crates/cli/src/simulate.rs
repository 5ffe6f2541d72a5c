//! `tripbench simulate`: a simulated rig for other programs.

use crate::args::SimulateOptions;
use crate::exit::Exit;
use crate::{load, say};
use anyhow::{Context, Result};
use std::io::Write;
use tripbench_link::resolve;
use tripbench_rig::RigSheet;
use tripbench_sheet::{Findings, read_sheet};
use tripbench_simulator::{SimulatedBench, Truth, serve};

pub(crate) fn simulate(options: &SimulateOptions) -> Result<Exit> {
    let findings = Findings::new();
    let rig = read_sheet(&load::source(&options.rig)?, &findings, RigSheet::read);
    let truth = match (&options.truth, &rig) {
        (Some(path), Some(rig)) => {
            read_sheet(&load::source(path)?, &findings, |reader| Truth::read(reader, rig))
        }
        (None, Some(rig)) => Some(Truth::as_declared(rig, 1)),
        (_, None) => None,
    };
    if load::show(findings) {
        return Ok(Exit::Usage);
    }
    let (rig, mut truth) = rig.zip(truth).context("the sheets are not whole")?;
    truth.seed = options.seed.unwrap_or(truth.seed);
    let address = match options.listen {
        Some(address) => address,
        None => resolve(&rig.link.tcp)?,
    };
    let devices = truth.devices.len();
    let server = serve(SimulatedBench::new(&rig, truth), *rig.link.unit, address)?;
    say::out(&format!(
        "Simulated rig {} with {devices} devices on Modbus TCP {}, unit {}.",
        *rig.header.name,
        server.address(),
        *rig.link.unit
    ));
    let _reader_gone = std::io::stdout().flush();
    server.wait();
    Ok(Exit::Good)
}
