//! One master for each module on this machine: a lock by the module's address.

use std::fs::{File, OpenOptions, TryLockError};
use std::io::{Read, Write};
use std::path::PathBuf;
use thiserror::Error;

/// A lock that is held while a module is in use; the system frees it when the process ends, however that is.
#[derive(Debug)]
pub struct ModuleLock(#[expect(dead_code, reason = "held for its lock")] File);

/// Why a module cannot be taken.
#[derive(Debug, Error)]
pub enum LockError {
    /// Another process has it.
    #[error(
        "`{address}` is in use by another tripbench on this machine (process {process}: a run, or a daemon, which takes runs with `run --on`)"
    )]
    Taken {
        /// The module's address.
        address: String,
        /// The process that has it, as far as the lock file says.
        process: String,
    },
    /// The lock file cannot be used.
    #[error("the lock file `{}` cannot be used", path.display())]
    File {
        /// The file.
        path: PathBuf,
        /// Why not.
        #[source]
        source: std::io::Error,
    },
}

impl ModuleLock {
    /// Takes the module at an address.
    ///
    /// # Errors
    /// If another process has it, or the lock file cannot be made.
    pub fn take(address: &str) -> Result<Self, LockError> {
        let name: String = address.chars().map(|c| if c.is_ascii_alphanumeric() { c } else { '-' }).collect();
        let path = std::env::temp_dir().join(format!("tripbench-module-{name}.lock"));
        let unusable = |source| LockError::File { path: path.clone(), source };
        let mut options = OpenOptions::new();
        let mut file =
            options.create(true).truncate(false).read(true).write(true).open(&path).map_err(unusable)?;
        match file.try_lock() {
            Ok(()) => {
                file.set_len(0).map_err(unusable)?;
                write!(file, "{}", std::process::id()).map_err(unusable)?;
                Ok(Self(file))
            }
            Err(TryLockError::WouldBlock) => {
                let mut process = String::new();
                file.read_to_string(&mut process).map_err(unusable)?;
                Err(LockError::Taken { address: address.to_owned(), process })
            }
            Err(TryLockError::Error(source)) => Err(unusable(source)),
        }
    }
}
