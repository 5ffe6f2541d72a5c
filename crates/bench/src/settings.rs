//! The bench sheet: the rigs of a daemon, its address, and the folder of its runs.

use crate::bench::BenchError;
use crate::entry::RigEntry;
use crate::not_planned::NotPlanned;
use crate::sheet_preview::errors;
use crate::sheets::{RigSheets, SheetFiles};
use std::net::SocketAddr;
use std::path::{Path, PathBuf};
use std::sync::Arc;
use tripbench_rig::RigSheet;
use tripbench_sheet::{At, Finding, Findings, Reader, Source, Wording, read_sheet};

/// The bench sheet as read; its paths are relative to its folder.
#[derive(Debug, Clone)]
pub struct BenchSheet {
    /// Address and port where the daemon listens.
    pub listen: SocketAddr,
    /// Folder of the runs.
    pub runs: String,
    /// Identifiers of the users who may operate the bench, besides the daemon's own and root.
    pub users: Vec<u32>,
    /// Site sheet.
    pub site: Option<At<String>>,
    /// The rigs.
    pub rigs: Vec<BenchRig>,
}

/// A rig of a bench sheet.
#[derive(Debug, Clone)]
pub struct BenchRig {
    /// The rig sheet.
    pub sheet: At<String>,
    /// Type sheet of its devices.
    pub device_type: Option<At<String>>,
    /// Settings sheet of its devices.
    pub settings: Option<At<String>>,
    /// The script that START runs.
    pub script: Option<At<String>>,
    /// Whether its module is simulated: then no device is tested, and page, record and report say so.
    pub simulated: bool,
}

/// Identifier of a user by name, as in passwd(5), or by number.
fn user_id(name: &str) -> Option<u32> {
    name.parse().ok().or_else(|| {
        let users = std::fs::read_to_string("/etc/passwd").ok()?;
        let fields = users.lines().map(|line| line.split(':').collect::<Vec<_>>());
        let mut found = fields.filter(|fields| fields.first() == Some(&name));
        found.next()?.get(2)?.parse().ok()
    })
}

/// Default address where a daemon listens.
const LISTEN: &str = "127.0.0.1:7420";

impl BenchSheet {
    /// Reads a bench sheet.
    pub fn read(reader: &Reader<'_>) -> Option<Self> {
        let about = "address and port where the daemon listens, on this machine only";
        let listen = reader.or("listen", about, LISTEN.to_owned());
        let is_loopback =
            |text: &String| text.parse::<SocketAddr>().is_ok_and(|address| address.ip().is_loopback());
        let listen =
            reader.tested(listen, "an address of this machine alone, such as 127.0.0.1:7420", is_loopback);
        let runs = reader.or("runs", "folder of the runs", String::from("runs"));
        let about = "users of this machine who may operate the bench, besides the daemon's own and root; names or numbers";
        let users = reader.or("users", about, Vec::<String>::new());
        let users = reader.tested(users, "names of `/etc/passwd`, or numbers", |names: &Vec<String>| {
            names.iter().all(|name| user_id(name).is_some())
        });
        let site = reader.optional("site", "site sheet");
        let rigs = reader.tables("rig", "the rigs of this bench", BenchRig::read);
        Some(Self {
            listen: listen?.value.parse().ok()?,
            runs: runs?.value,
            users: users?.value.iter().filter_map(|name| user_id(name)).collect(),
            site: site?,
            rigs: rigs?,
        })
    }

    /// The rig sheets that can be used, whatever else is wrong with the bench sheet or other sheets, and the paths of the unusable ones.
    pub fn rig_sheets(source: &Arc<Source>, beside: &Path) -> (Vec<RigSheet>, Vec<String>) {
        let path = |rig: &Reader<'_>| Some(rig.required::<String>("sheet", "its rig sheet"));
        let named = |reader: &Reader<'_>| reader.tables("rig", "the rigs of this bench", path);
        let named = read_sheet(source, &Findings::new(), named).unwrap_or_default();
        let (mut good, mut others) = (Vec::new(), Vec::new());
        for path in named.into_iter().flatten() {
            match rig_sheet(&beside.join(&path.value)) {
                Some(sheet) => good.push(sheet),
                None => others.push(path.value),
            }
        }
        (good, others)
    }

    /// The rigs of the bench, with every sheet read.
    ///
    /// # Errors
    /// If a sheet cannot be read or has errors, or two rigs have the same name.
    pub fn rigs(&self, beside: &Path, defaults: &Defaults) -> Result<Vec<RigEntry>, BenchError> {
        let unread = self.unread(beside);
        if !unread.is_empty() {
            return Err(NotPlanned::Findings(unread).into());
        }
        let at = |path: &At<String>| beside.join(&path.value);
        let or = |given: &Option<At<String>>, default: &Option<PathBuf>| {
            given.as_ref().map(at).or(default.clone())
        };
        let mut rigs: Vec<RigEntry> = Vec::new();
        for rig in &self.rigs {
            let sheets = RigSheets::from_files(SheetFiles {
                site: self.site.as_ref().map(at),
                rig: at(&rig.sheet),
                device_type: or(&rig.device_type, &defaults.device_type),
                settings: or(&rig.settings, &defaults.settings),
                script: rig.script.as_ref().map(at),
            })?;
            let name = sheets.name();
            if rigs.iter().any(|other| other.sheets.name() == name) {
                let message = format!("a rig above is called `{name}` too");
                let help = "allowed: a different name for every rig; the name is in the rig sheet";
                let finding =
                    Finding::error("two-rigs", &rig.sheet.place, Wording::new(message, "this rig", help));
                return Err(NotPlanned::Findings(vec![finding.render(false)]).into());
            }
            rigs.push(RigEntry { sheets, simulated: rig.simulated, probes: None });
        }
        Ok(rigs)
    }

    /// Findings for files that are missing or cannot be read.
    fn unread(&self, beside: &Path) -> Vec<String> {
        let of_rig = |rig: &'_ BenchRig| {
            [Some(rig.sheet.clone()), rig.device_type.clone(), rig.settings.clone(), rig.script.clone()]
        };
        let all = [self.site.clone()].into_iter().chain(self.rigs.iter().flat_map(of_rig)).flatten();
        let finding = |path: At<String>| {
            let error = std::fs::File::open(beside.join(&path.value)).err()?;
            let message = format!("`{}` cannot be read: {error}", path.value);
            let help = "allowed: the path of a sheet, relative to the folder of this one";
            Some(
                Finding::error("unread", &path.place, Wording::new(message, "this file", help)).render(false),
            )
        };
        all.filter_map(finding).collect()
    }
}

/// Default paths from the site sheet, for rigs that name none.
#[derive(Debug, Clone, Default)]
pub struct Defaults {
    /// Type sheet.
    pub device_type: Option<PathBuf>,
    /// Settings sheet.
    pub settings: Option<PathBuf>,
}

/// A rig sheet, if it has no errors; its findings are reported when the bench is read.
fn rig_sheet(path: &Path) -> Option<RigSheet> {
    let findings = Findings::new();
    let sheet = read_sheet(&tripbench_runner::source(path).ok()?, &findings, RigSheet::read);
    sheet.filter(|_| errors(findings).is_empty())
}

impl BenchRig {
    fn read(reader: &Reader<'_>) -> Option<Self> {
        let sheet = reader.required("sheet", "its rig sheet");
        let device_type = reader.optional("type", "type sheet of its devices; else the site's");
        let settings = reader.optional("settings", "settings sheet of its devices; else the site's");
        let script = reader.optional("script", "the script that START runs");
        let about =
            "whether the module is simulated: then no device is tested, and page, record and report say so";
        let simulated = reader.or("simulated", about, false)?.value;
        Some(Self {
            sheet: sheet?,
            device_type: device_type?,
            settings: settings?,
            script: script?,
            simulated,
        })
    }
}
