//! Preview of a start: what the sheets of a rig, as they are on the disk now, would do.

use std::sync::Arc;
use tripbench_record::{Identity, IdentityHow, LoadedSheets, PositionPlan, sha256_hex};
use tripbench_rig::{Position, RigSheet};
use tripbench_runner::{Texts, Today, dated_ahead, expired, load, refused_by_unknown_date, task};
use tripbench_sheet::{Finding, Findings, Severity};

/// Preview of what the sheets of a rig would do.
#[derive(Debug, Clone)]
pub struct SheetPreview {
    /// Names of the sheets.
    pub names: SheetNames,
    /// Whether the calibration of the reference has expired.
    pub expired: bool,
    /// Whether the calibration of the reference is dated in the future.
    pub dated_ahead: bool,
    /// The sheets; those of an earlier look if they cannot be read now.
    pub sheets: Arc<LoadedSheets>,
    /// Predicted duration of the script, seconds; `None` if it cannot be planned.
    pub predicted_s: Option<f64>,
    /// Errors of the sheets, as text; empty if a run could start.
    pub findings: Vec<String>,
}

/// Names of the sheets that a run uses by default.
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

impl SheetPreview {
    /// Preview of sheet texts. Where they cannot be read, the sheets of `before` are shown.
    pub(crate) fn of(texts: &Texts, before: &Arc<LoadedSheets>, today: &Today) -> Self {
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
        let [expired, dated_ahead] = calibration_of(&sheets.rig, today);
        let unknown = refused_by_unknown_date(&sheets, today);
        let preview = Self { names, expired, dated_ahead, sheets, predicted_s, findings: errors(findings) };
        match unknown {
            Some(unknown) => preview.lacking(unknown),
            None => preview,
        }
    }

    /// The same preview after the sheets became unreadable for the reason `why`.
    pub(crate) fn unread(&self, why: String) -> Self {
        let names = SheetNames { digest: sha256_hex(why.as_bytes()), ..self.names.clone() };
        Self { names, sheets: Arc::clone(&self.sheets), findings: vec![why], ..*self }
    }

    /// The same preview with one more finding, which keeps runs from starting.
    pub(crate) fn lacking(mut self, what: String) -> Self {
        self.names.digest = sha256_hex(format!("{} {what}", self.names.digest).as_bytes());
        self.findings.insert(0, what);
        self
    }

    /// Whether the texts or the state of the calibration differ from an earlier look.
    pub(crate) fn differs(&self, before: &Self) -> bool {
        let known = |of: &Self| (of.names.digest.clone(), of.expired, of.dated_ahead);
        known(self) != known(before)
    }
}

/// Whether today is past the calibration's last day, and whether it is before its first.
pub(crate) fn calibration_of(rig: &RigSheet, today: &Today) -> [bool; 2] {
    [expired(rig, today).is_some(), dated_ahead(rig, today).is_some()]
}

/// SHA-256 over the texts of sheets, hexadecimal: it differs if any of the texts differs.
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
