//! `tripbench simulate`: a simulated rig for other programs.

use crate::args::SimulateOptions;
use crate::exit::Exit;
use crate::{load, prompt, say};
use anyhow::{Context, Result, bail};
use std::io::Write;
use std::net::SocketAddr;
use std::path::{Path, PathBuf};
use tripbench_link::resolve;
use tripbench_rig::{Guide, Hint, RigSheet, Wire};
use tripbench_sheet::{Findings, read_sheet};
use tripbench_simulator::{SerialPace, SimulatedBench, Truth, serve, serve_rtu_over_tcp, serve_serial};

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
    let (rig, mut truth) = rig.zip(truth).context("the sheets have errors")?;
    truth.seed = options.seed.unwrap_or(truth.seed);
    let name = rig.header.name.value.clone();
    let introduction = format!("Simulated rig {name} with {} devices on", truth.devices.len());
    let bench = SimulatedBench::new(&rig, truth);
    let by_hand = rig.by_hand();
    let units = bench.units().iter().map(u8::to_string).collect::<Vec<_>>().join(", ");
    let said = |place: String| {
        say::out(&format!("{introduction} {place}, unit {units}."));
        let _reader_gone = std::io::stdout().flush();
    };
    match &rig.link.wire {
        Wire::Tcp(address) => {
            let server = serve(bench, listen(options, address)?)?;
            by_hand.then(|| listen_to_words(server.hand()));
            said(format!("Modbus TCP {}", server.address()));
            server.wait();
        }
        Wire::RtuOverTcp(address) => {
            let server = serve_rtu_over_tcp(bench, listen(options, address)?)?;
            by_hand.then(|| listen_to_words(server.hand()));
            said(server.address().map_or_else(String::new, |address| format!("RTU over TCP {address}")));
            server.wait();
        }
        Wire::Serial(port) => {
            if options.listen.is_some() {
                bail!("--listen is for TCP: the rig sheet has the serial port `{}`", port.path.value);
            }
            let pace = SerialPace { timing: rig.link.timing(), slave: rig.link.answer_time.duration() };
            let server = serve_serial(bench, pace)?;
            by_hand.then(|| listen_to_words(server.hand()));
            let terminal = server.port().context("a pseudo-terminal has a path")?;
            let link = PortLink::make(Path::new(&port.path.value), terminal)?;
            said(format!("serial port {} ({} baud)", link.0.display(), *port.baud));
            server.wait();
        }
    }
    Ok(Exit::Good)
}

/// A rig without valves has a person at it. Here it is who writes to standard input: a word of the guide in each line
/// (`deeper`, `slower`, `hold` …), or the lines of `tripbench run --events`, of which those of the guide are followed.
fn listen_to_words(tell: impl Fn(Guide) + Send + 'static) {
    std::thread::spawn(move || {
        while let Some(text) = prompt::line() {
            match told(&text) {
                Some(guide) => tell(guide),
                // Other events are none of its business; a word that is none is a slip of the fingers.
                None if text.contains(' ') || text.is_empty() => {}
                None => say::note(&format!("`{text}` is no word of the guide: {}", Hint::WORDS.join(", "))),
            }
        }
    });
}

/// What a line says to a hand, if anything.
fn told(text: &str) -> Option<Guide> {
    if let Some((_, json)) = text.split_once(" guide ") {
        return serde_json::from_str(json).ok();
    }
    let hint = serde_json::from_value(serde_json::Value::from(text.trim())).ok()?;
    Some(Guide { hint, toward: None, rate: None })
}

fn listen(options: &SimulateOptions, address: &str) -> Result<SocketAddr> {
    Ok(match options.listen {
        Some(address) => address,
        None => resolve(address)?,
    })
}

/// The path of the rig sheet's port, as a symbolic link to the pseudo-terminal; taken away at the end.
struct PortLink(PathBuf);

impl PortLink {
    /// Where something else than such a link is, nothing is touched.
    fn make(wanted: &Path, terminal: &Path) -> Result<Self> {
        let old = std::fs::symlink_metadata(wanted);
        if old.as_ref().is_ok_and(|old| old.file_type().is_symlink()) {
            let stale = std::fs::read_link(wanted).is_ok_and(|target| target.starts_with("/dev/pts"));
            if !stale {
                bail!(
                    "`{}` is a link to something else: write another `link.serial` for a simulated rig",
                    wanted.display()
                );
            }
            std::fs::remove_file(wanted).with_context(|| format!("cannot replace `{}`", wanted.display()))?;
        } else if old.is_ok() {
            bail!(
                "`{}` is a real port or file: write another `link.serial` for a simulated rig",
                wanted.display()
            );
        }
        std::os::unix::fs::symlink(terminal, wanted)
            .with_context(|| format!("cannot make the port `{}`", wanted.display()))?;
        Ok(Self(wanted.to_owned()))
    }
}

impl Drop for PortLink {
    fn drop(&mut self) {
        drop(std::fs::remove_file(&self.0));
    }
}
