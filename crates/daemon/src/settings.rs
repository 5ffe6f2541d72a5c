//! The bench sheet: which rigs a daemon owns, where it listens, where its runs go.

use crate::daemon::{Bench, RigEntry, ServeError};
use crate::sheets::{NotPlanned, RigSheets, SheetFiles};
use std::net::SocketAddr;
use std::path::{Path, PathBuf};
use tripbench_sheet::{At, Reader};

/// The bench sheet, as it was read; paths in it are relative to it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct BenchSheet {
    /// Where it listens.
    pub listen: SocketAddr,
    /// Folder of the runs.
    pub runs: String,
    /// Site sheet.
    pub site: Option<String>,
    /// The rigs.
    pub rigs: Vec<BenchRig>,
}

/// A rig of a bench sheet.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct BenchRig {
    /// Its sheet.
    pub sheet: String,
    /// Type sheet of its devices.
    pub device_type: Option<String>,
    /// Settings sheet of its devices.
    pub settings: Option<String>,
    /// The script that START runs.
    pub script: Option<String>,
}

/// Where a daemon listens when nothing says otherwise.
const LISTEN: &str = "127.0.0.1:7420";

impl BenchSheet {
    /// Reads a bench sheet.
    pub fn read(reader: &Reader<'_>) -> Option<Self> {
        let about = "address and port where the daemon listens, of this machine only";
        let listen = reader.or("listen", about, LISTEN.to_owned());
        let is_loopback =
            |text: &String| text.parse::<SocketAddr>().is_ok_and(|address| address.ip().is_loopback());
        let listen =
            reader.tested(listen, "an address of this machine alone, such as 127.0.0.1:7420", is_loopback);
        let runs = reader.or("runs", "folder of the runs", String::from("runs"));
        let site = reader.optional("site", "site sheet");
        let rigs = reader.tables("rig", "the rigs of this bench", BenchRig::read);
        Some(Self {
            listen: listen?.value.parse().ok()?,
            runs: runs?.value,
            site: site?.map(|at: At<String>| at.value),
            rigs: rigs?,
        })
    }

    /// What is to be served: every sheet is read.
    ///
    /// # Errors
    /// If a sheet can not be read or has errors.
    pub fn bench(&self, beside: &Path, defaults: &Defaults) -> Result<Bench, ServeError> {
        let at = |path: &String| beside.join(path);
        let or =
            |given: &Option<String>, default: &Option<PathBuf>| given.as_ref().map(at).or(default.clone());
        let entry = |rig: &BenchRig| -> Result<RigEntry, NotPlanned> {
            let sheets = RigSheets::from_files(SheetFiles {
                site: self.site.as_ref().map(at),
                rig: at(&rig.sheet),
                device_type: or(&rig.device_type, &defaults.device_type),
                settings: or(&rig.settings, &defaults.settings),
                script: rig.script.as_ref().map(at),
            })?;
            Ok(RigEntry { sheets, simulated: false, probes: None })
        };
        let rigs = self.rigs.iter().map(entry).collect::<Result<Vec<_>, _>>()?;
        Ok(Bench { listen: self.listen, runs: at(&self.runs), rigs })
    }
}

/// Paths that the site sheet names, for what a rig leaves out.
#[derive(Debug, Clone, Default)]
pub struct Defaults {
    /// Type sheet.
    pub device_type: Option<PathBuf>,
    /// Settings sheet.
    pub settings: Option<PathBuf>,
}

impl BenchRig {
    fn read(reader: &Reader<'_>) -> Option<Self> {
        let sheet = reader.required("sheet", "its rig sheet");
        let device_type = reader.optional("type", "type sheet of its devices; else the site's");
        let settings = reader.optional("settings", "settings sheet of its devices; else the site's");
        let script = reader.optional("script", "the script that START runs");
        Some(Self {
            sheet: sheet?.value,
            device_type: device_type?.map(|at: At<String>| at.value),
            settings: settings?.map(|at: At<String>| at.value),
            script: script?.map(|at: At<String>| at.value),
        })
    }
}
