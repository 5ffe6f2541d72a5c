//! `tripbench simulate`: a simulated rig for other programs.

use crate::args::{SchemaOf, SimulateOptions};
use crate::exit::Exit;
use crate::{load, prompt, say};
use anyhow::{Context, Result, bail};
use std::io::Write;
use std::net::SocketAddr;
use std::path::{Path, PathBuf};
use tripbench_link::resolve_first;
use tripbench_record::DeviceOutput;
use tripbench_rig::{Guide, Hint, RigSheet, Wire};
use tripbench_sheet::{Findings, Reader};
use tripbench_simulator::{SerialPace, SimulatedBench, Truth, serve, serve_rtu_over_tcp, serve_serial};

pub(crate) fn simulate(options: &SimulateOptions) -> Result<Exit> {
    let findings = Findings::new();
    let rig = load::read_given(SchemaOf::Rig, &load::source(&options.rig)?, &findings, RigSheet::read);
    let truth = match (&options.truth, &rig) {
        (Some(path), Some(rig)) => {
            let read = |reader: &Reader<'_>| Truth::read(reader, rig);
            load::read_given(SchemaOf::Truth, &load::source(path)?, &findings, read)
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
    let introduction = match truth.devices.len() {
        1 => format!("Simulated rig {name} with 1 device on"),
        count => format!("Simulated rig {name} with {count} devices on"),
    };
    if truth.devices.is_empty() && options.operate {
        bail!("--operate needs devices at their plugs: give --truth with at least one [[device]]");
    }
    if truth.devices.is_empty() {
        say::note("No device is plugged in: give --truth with the devices to simulate.");
    }
    let there: Vec<String> = truth.devices.iter().map(|device| device.position.to_string()).collect();
    let bench = SimulatedBench::new(&rig, truth);
    let listens = Listens { by_hand: rig.by_hand(), operate: options.operate, there: there.join(", ") };
    let units = bench.units().iter().map(u8::to_string).collect::<Vec<_>>().join(", ");
    let said = |place: String| {
        say::out(&format!("{introduction} {place}, unit {units}."));
        let _reader_gone = std::io::stdout().flush();
    };
    match &rig.link.wire {
        Wire::Tcp(address) => {
            let server = serve(bench, listen(options, address)?)?;
            listens.listen(server.hand(), server.operate());
            said(format!("Modbus TCP {}", server.address()));
            server.wait();
        }
        Wire::RtuOverTcp(address) => {
            let server = serve_rtu_over_tcp(bench, listen(options, address)?)?;
            listens.listen(server.hand(), server.operate());
            said(server.address().map_or_else(String::new, |address| format!("RTU over TCP {address}")));
            server.wait();
        }
        Wire::Serial(port) => {
            if options.listen.is_some() {
                bail!("--listen is for TCP: the rig sheet has the serial port `{}`", port.path.value);
            }
            let pace = SerialPace { timing: rig.link.timing(), slave: rig.link.answer_time.duration() };
            let server = serve_serial(bench, pace)?;
            listens.listen(server.hand(), server.operate());
            let terminal = server.port().context("a pseudo-terminal has a path")?;
            let link = PortLink::make(Path::new(&port.path.value), terminal)?;
            said(format!("serial port {} ({} baud)", link.0.display(), *port.baud));
            server.wait();
        }
    }
    Ok(Exit::Good)
}

/// Source of a simulated person's actions: the lines on standard input.
struct Listens {
    /// Whether a person operates the air by hand, following the guide.
    by_hand: bool,
    /// Whether a person operates devices at their plugs.
    operate: bool,
    /// Positions with a device, as a list for messages.
    there: String,
}

impl Listens {
    /// Reads standard input on a thread of its own, if there is a person. A line is a word of the guide (`deeper`, `slower`, `hold`
    /// …), a line of `tripbench run --events`, of which only the guide events count, or the output to operate, `operate 2 valve`.
    fn listen(
        self,
        tell: impl Fn(Guide) + Send + 'static,
        operate: impl Fn(u8, bool) -> bool + Send + 'static,
    ) {
        if !self.by_hand && !self.operate {
            return;
        }
        std::thread::spawn(move || {
            while let Some(text) = prompt::line() {
                match self.read(&text) {
                    Ok(Some(Word::Guide(guide))) => tell(guide),
                    Ok(Some(Word::Operate(position, output))) => {
                        if operate(position, output == DeviceOutput::Valve) {
                            say::note(&format!("Operated: the {output} output of position {position}."));
                        } else {
                            let there = &self.there;
                            say::note(&format!(
                                "position {position} has no device; positions with a device: {there}"
                            ));
                        }
                    }
                    Ok(None) => {}
                    Err(why) => say::note(&why),
                }
            }
        });
    }

    /// Parses a line. Events other than those of the guide are ignored; an unknown word is an error for the person who typed it.
    fn read(&self, text: &str) -> Result<Option<Word>, String> {
        if self.operate && text.split_whitespace().next() == Some("operate") {
            return operated(text).map(Some).ok_or_else(|| {
                format!("`{text}` does not name an output: expected `operate`, a position, then `switch` (default) or `valve`, such as `operate 2 valve`")
            });
        }
        if let Some(guide) = told(text).filter(|_| self.by_hand) {
            return Ok(Some(Word::Guide(guide)));
        }
        if text.is_empty() || (self.by_hand && text.contains(' ')) {
            return Ok(None);
        }
        let guide: &[&str] = if self.by_hand { Hint::WORDS } else { &[] };
        let own = if self.operate { Some("operate 2 valve") } else { None };
        let allowed: Vec<&str> = guide.iter().copied().chain(own).collect();
        Err(format!("unknown word `{text}`: expected {}", allowed.join(", ")))
    }
}

/// An action of the person at the bench.
#[derive(Debug, PartialEq)]
enum Word {
    Guide(Guide),
    Operate(u8, DeviceOutput),
}

/// The output in a line such as `operate 2` or `operate 2 valve`.
fn operated(text: &str) -> Option<Word> {
    let mut words = text.split_whitespace().skip(1);
    let position = words.next()?.parse().ok()?;
    let output = match (words.next(), words.next()) {
        (None | Some("switch"), None) => DeviceOutput::Switch,
        (Some("valve"), None) => DeviceOutput::Valve,
        _ => return None,
    };
    Some(Word::Operate(position, output))
}

/// The guide in a line, if there is one.
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
        None => resolve_first(address)?,
    })
}

/// Symbolic link from the port of the rig sheet to the pseudo-terminal; removed on drop.
struct PortLink(PathBuf);

impl PortLink {
    /// Creates the link. Anything at this path that is not such a link is left untouched.
    ///
    /// # Errors
    /// If something else is at the path, or the link cannot be created.
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
            .with_context(|| format!("cannot create the port `{}`", wanted.display()))?;
        Ok(Self(wanted.to_owned()))
    }
}

impl Drop for PortLink {
    fn drop(&mut self) {
        drop(std::fs::remove_file(&self.0));
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use rstest::rstest;

    fn listens(by_hand: bool, operate: bool) -> Listens {
        Listens { by_hand, operate, there: String::from("1, 2") }
    }

    #[rstest]
    #[case("operate 2", 2, DeviceOutput::Switch)]
    #[case("operate  2 switch ", 2, DeviceOutput::Switch)]
    #[case("operate 64 valve", 64, DeviceOutput::Valve)]
    fn a_line_names_the_output_to_operate(
        #[case] text: &str,
        #[case] position: u8,
        #[case] output: DeviceOutput,
        #[values(false, true)] by_hand: bool,
    ) {
        assert_eq!(listens(by_hand, true).read(text), Ok(Some(Word::Operate(position, output))));
    }

    #[rstest]
    fn what_is_no_output_is_told_with_what_is_expected(
        #[values(
            "operate",
            "operate x",
            "operate 300",
            "operate 2 vent",
            "operate 2 valve 3",
            "2 valve",
            "deeper"
        )]
        text: &str,
    ) {
        let why = listens(false, true).read(text).expect_err("no output");
        assert!(why.contains(&format!("`{text}`")) && why.contains("operate 2 valve"), "{why}");
    }

    #[test]
    fn a_rig_that_is_worked_by_hand_still_follows_the_guide() {
        let guide = listens(true, false).read("deeper");
        assert_eq!(guide, Ok(told("deeper").map(Word::Guide)));
        assert_eq!(listens(true, false).read("12 34 operate 2"), Ok(None));
        assert!(listens(true, false).read("deper").is_err_and(|why| why.contains("deeper")));
    }
}
