//! The module of a rig, as it was first reached: a name or a path may lead to another one later.

use std::sync::{Mutex, PoisonError};
use tripbench_link::ModuleWire;
use tripbench_rig::RigSheet;
use tripbench_runner::make_safe_over;

/// The wire to the module, from its first answer on. All connections of looks, runs and supervisor go to the same address or serial device
/// until it is released.
#[derive(Debug, Default)]
pub(crate) struct Pin(Mutex<Option<ModuleWire>>);

impl Pin {
    /// A fresh wire to the same module; `None` if none has been reached.
    pub(crate) fn wire(&self) -> Option<ModuleWire> {
        self.0.lock().unwrap_or_else(PoisonError::into_inner).as_ref().map(ModuleWire::again)
    }

    /// Keeps to the module of a wire.
    pub(crate) fn set(&self, wire: &ModuleWire) {
        *self.0.lock().unwrap_or_else(PoisonError::into_inner) = Some(wire.again());
    }

    /// Lets the name or the path be looked up again. Only for a module whose outputs were safe when it was last reached: otherwise another
    /// module would be made safe in its place.
    pub(crate) fn release(&self) {
        *self.0.lock().unwrap_or_else(PoisonError::into_inner) = None;
    }

    /// Tries once to make the outputs of this module safe, and returns whether that was confirmed. A module that is not reached, or not
    /// again since it was released, is not: another program may use what is there now.
    pub(crate) fn make_safe(&self, sheet: &RigSheet) -> bool {
        self.wire().is_some_and(|wire| make_safe_over(&wire, sheet))
    }
}
