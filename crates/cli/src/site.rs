//! The site sheet of a command, read once: what it says, and where the sheets are that it names.

use crate::args::SheetOptions;
use crate::load::source;
use anyhow::Result;
use std::path::{Path, PathBuf};
use std::sync::Arc;
use tripbench_device::SiteSheet;
use tripbench_sheet::{At, Findings, Place, Source, read_sheet};

/// The site sheet, or what counts without one. It is never read again: a pipe would then be empty.
#[derive(Debug, Default)]
pub(crate) struct Site {
    path: Option<PathBuf>,
    /// Whether it was given by `--site`.
    given: bool,
    text: Option<Arc<Source>>,
    sheet: SiteSheet,
}

impl Site {
    /// Reads the site sheet that was given, else the one that `TRIPBENCH_SITE` names, else site.toml in this folder. Its errors are found
    /// when it is loaded with the other sheets.
    ///
    /// # Errors
    /// If it cannot be read.
    pub(crate) fn of(options: &SheetOptions) -> Result<Self> {
        let here = || Some(PathBuf::from("site.toml")).filter(|path| path.exists());
        let named = || std::env::var_os("TRIPBENCH_SITE").map(PathBuf::from);
        let Some(path) = options.site.clone().or_else(named).or_else(here) else {
            return Ok(Self::default());
        };
        let text = source(&path)?;
        let sheet = read_sheet(&text, &Findings::new(), SiteSheet::read).unwrap_or_default();
        Ok(Self { path: Some(path), given: options.site.is_some(), text: Some(text), sheet })
    }

    /// Its text; `None` if there is no site sheet.
    pub(crate) fn text(&self) -> Option<Arc<Source>> {
        self.text.clone()
    }

    pub(crate) const fn is_given(&self) -> bool {
        self.given
    }

    /// What it says.
    pub(crate) const fn sheet(&self) -> &SiteSheet {
        &self.sheet
    }

    /// A path as the site sheet means it: from the sheet's own folder.
    pub(crate) fn beside(&self, path: &str) -> PathBuf {
        self.path.as_deref().and_then(Path::parent).unwrap_or_else(|| Path::new(".")).join(path)
    }

    /// The folder of the scripts: the one that the site sheet names, else this one; and the place where it is named.
    pub(crate) fn scripts(&self) -> (PathBuf, Option<&Place>) {
        match &self.sheet.defaults.scripts {
            Some(At { value, place }) => (self.beside(value), Some(place)),
            None => (PathBuf::new(), None),
        }
    }
}
