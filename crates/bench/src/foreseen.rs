//! What the sheets of a rig, as they are on the disk now, would do: shown before a start.

use std::sync::Arc;
use tripbench_job::{Texts, dated_ahead, expired, load, task};
use tripbench_record::{Identity, IdentityHow, LoadedSheets, PositionPlan, sha256_hex};
use tripbench_rig::{Position, RigSheet};
use tripbench_sheet::{Finding, Findings, Severity};

/// What the sheets of a rig would do.
#[derive(Debug, Clone)]
pub struct Foreseen {
    /// Names of the sheets.
    pub names: SheetNames,
    /// Whether the calibration of the reference has expired.
    pub expired: bool,
    /// Whether the calibration of the reference is dated in the future.
    pub dated_ahead: bool,
    /// The sheets; those of an earlier look where they cannot be read now.
    pub sheets: Arc<LoadedSheets>,
    /// Predicted duration of the script, seconds; `None` if it cannot be planned.
    pub predicted_s: Option<f64>,
    /// What is wrong with the sheets, as text; empty when a run could start.
    pub findings: Vec<String>,
}

/// Names of the sheets that a run takes by default.
#[derive(Debug, Clone, Default)]
pub struct SheetNames {
    /// The script.
    pub script: Option<String>,
    /// The type sheet.
    pub device_type: Option<String>,
    /// The settings sheet, with its revision.
    pub settings: Option<String>,
    /// SHA-256 over the texts of all sheets, hexadecimal.
    pub digest: String,
}

impl Foreseen {
    /// Of texts; what cannot be read of them is shown as in `before`.
    pub(crate) fn of(texts: &Texts, before: &Arc<LoadedSheets>) -> Self {
        let findings = Findings::new();
        let loaded = load(texts, &findings);
        let whole = loaded.sheets.as_ref();
        let sheets = Arc::clone(whole.unwrap_or(before));
        let names = SheetNames {
            script: loaded.script.as_ref().map(|script| script.header.name.value.clone()),
            device_type: whole.and_then(|sheets| Some(sheets.device.as_ref()?.header.name.value.clone())),
            settings: whole.and_then(|sheets| {
                let header = &sheets.settings.as_ref()?.header;
                Some(format!("{} rev {}", header.name.value, header.revision.value))
            }),
            digest: digest(texts),
        };
        let number = |position: &Position| PositionPlan {
            number: *position.number,
            identity: Identity { serial: String::new(), how: IdentityHow::OwnNumber },
        };
        let everywhere = sheets.rig.positions.iter().map(number).collect();
        let predicted_s = task(&loaded, everywhere, &findings).map(|task| task.predicted().si());
        let [expired, dated_ahead] = calibration_of(&sheets.rig);
        Self { names, expired, dated_ahead, sheets, predicted_s, findings: errors(findings) }
    }

    /// As before, though it cannot be read any more.
    pub(crate) fn unread(&self, why: String) -> Self {
        let names = SheetNames { digest: sha256_hex(why.as_bytes()), ..self.names.clone() };
        Self { names, sheets: Arc::clone(&self.sheets), findings: vec![why], ..*self }
    }

    /// The same, with one more thing that keeps runs from starting.
    pub(crate) fn lacking(mut self, what: String) -> Self {
        self.names.digest = sha256_hex(format!("{} {what}", self.names.digest).as_bytes());
        self.findings.insert(0, what);
        self
    }

    /// Whether something is other than at an earlier look.
    pub(crate) fn differs(&self, before: &Self) -> bool {
        let known = |of: &Self| (of.names.digest.clone(), of.expired, of.dated_ahead);
        known(self) != known(before)
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
