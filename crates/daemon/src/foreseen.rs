//! What the sheets of a rig, as they are on the disk now, would do: what is shown before a start. Looked at again every two seconds,
//! on a thread of its own, for a disk may hang.

use crate::rig::Rig;
use crate::state::{DefaultSheets, ReferenceState, RigState};
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::Duration;
use tripbench_job::{Texts, dated_ahead, expired, load, task};
use tripbench_quantity::LevelStyle;
use tripbench_record::{Identity, IdentityHow, LoadedSheets, PositionPlan, sha256_hex};
use tripbench_rig::{Position, RigSheet};
use tripbench_sheet::{Finding, Findings, Severity};

/// Time between two looks at the sheets.
const LOOK_EVERY: Duration = Duration::from_secs(2);

/// What the sheets of a rig would do.
#[derive(Debug)]
pub(crate) struct Foreseen {
    /// SHA-256 over the texts, hexadecimal.
    pub(crate) digest: String,
    /// Whether the calibration of the reference was past its day.
    pub(crate) expired: bool,
    /// Whether it is of a day to come.
    pub(crate) dated_ahead: bool,
    pub(crate) sheets: Arc<LoadedSheets>,
    names: DefaultSheets,
    predicted_s: Option<f64>,
    findings: Vec<String>,
}

impl Foreseen {
    /// Of texts; what cannot be read of them is shown as in `before`.
    pub(crate) fn of(texts: &Texts, before: &Arc<LoadedSheets>) -> Self {
        let findings = Findings::new();
        let loaded = load(texts, &findings);
        let whole = loaded.sheets.as_ref();
        let sheets = Arc::clone(whole.unwrap_or(before));
        let digest = digest(texts);
        let names = DefaultSheets {
            script: loaded.script.as_ref().map(|script| script.header.name.value.clone()),
            device_type: whole.and_then(|sheets| Some(sheets.device.as_ref()?.header.name.value.clone())),
            settings: whole.and_then(|sheets| {
                let header = &sheets.settings.as_ref()?.header;
                Some(format!("{} rev {}", header.name.value, header.revision.value))
            }),
            digest: digest.clone(),
        };
        let number = |position: &Position| PositionPlan {
            number: *position.number,
            identity: Identity { serial: String::new(), how: IdentityHow::OwnNumber },
        };
        let everywhere = sheets.rig.positions.iter().map(number).collect();
        let predicted_s = task(&loaded, everywhere, &findings).map(|task| task.predicted().si());
        let [expired, dated_ahead] = calibration_of(&sheets.rig);
        Self { digest, expired, dated_ahead, sheets, names, predicted_s, findings: errors(findings) }
    }

    /// As before, though it cannot be read any more.
    pub(crate) fn unread(&self, why: String) -> Self {
        let digest = sha256_hex(why.as_bytes());
        let names = DefaultSheets { digest: digest.clone(), ..self.names.clone() };
        Self { digest, names, sheets: Arc::clone(&self.sheets), findings: vec![why], ..*self }
    }

    /// The same, with one more thing that keeps runs from starting.
    pub(crate) fn lacking(mut self, what: String) -> Self {
        self.digest = sha256_hex(format!("{} {what}", self.digest).as_bytes());
        self.names.digest.clone_from(&self.digest);
        self.findings.insert(0, what);
        self
    }

    /// Puts it into what is shown of the rig.
    pub(crate) fn show(&self, shown: &mut RigState) {
        let (rig, site) = (&self.sheets.rig, &self.sheets.site);
        site.style.unit.symbol().clone_into(&mut shown.unit);
        shown.decimals = site.style.decimals();
        shown.language.clone_from(&site.language);
        shown.sheets = self.names.clone();
        shown.reference = ReferenceState {
            name: rig.reference.name.value.clone(),
            due: rig.reference.calibration.due.value.to_string(),
            expired: self.expired,
            dated_ahead: self.dated_ahead.then(|| rig.reference.calibration.date.value.to_string()),
        };
        shown.predicted_s = self.predicted_s;
        shown.findings.clone_from(&self.findings);
        shown.screen_width_mm = site.screen_width.map(|width| (width.si() * 1e3).round());
        shown.cautions = site.cautions.as_ref().map(|text| text.get(&site.language).to_owned());
    }

    /// How levels are shown.
    pub(crate) fn style(&self) -> LevelStyle {
        self.sheets.site.style
    }
}

/// Whether today is past the calibration's last day, and whether it is before its first.
pub(crate) fn calibration_of(rig: &RigSheet) -> [bool; 2] {
    [expired(rig).is_some(), dated_ahead(rig).is_some()]
}

/// SHA-256 over the texts of sheets, hexadecimal: another one where any of them is another.
pub(crate) fn digest(texts: &Texts) -> String {
    let all = [&texts.site, &texts.rig, &texts.device_type, &texts.settings, &texts.script];
    let each =
        all.map(|sheet| sheet.as_ref().map_or_else(String::new, |sheet| sha256_hex(sheet.text.as_bytes())));
    sha256_hex(each.join("\n").as_bytes())
}

/// Findings that are errors, as texts without colour.
pub(crate) fn errors(findings: Findings) -> Vec<String> {
    let is_error = |finding: &Finding| finding.severity == Severity::Error;
    findings.into_sorted().into_iter().filter(is_error).map(|finding| finding.render(false)).collect()
}

/// Looks at the sheets of rigs until `ended` is set.
///
/// # Errors
/// If there is no thread to have.
pub(crate) fn watch(rigs: Vec<Arc<Rig>>, ended: Arc<AtomicBool>) -> std::io::Result<()> {
    std::thread::Builder::new().name(String::from("sheets")).spawn(move || {
        while !ended.load(Ordering::SeqCst) {
            std::thread::park_timeout(LOOK_EVERY);
            for rig in &rigs {
                rig.look_at_sheets();
            }
        }
    })?;
    Ok(())
}
