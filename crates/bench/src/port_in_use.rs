//! Safe values for a module whose serial port another program has open.

use tripbench_link::Module;
use tripbench_rig::RigSheet;
use tripbench_runner::make_safe_over;

/// Writes the safe values to a module whose port another program has open, while no other tripbench uses it. They are in doubt afterwards,
/// even if they were read back: the other program may write too.
pub(crate) fn written_beside_another_program(module: &Module, sheet: &RigSheet) {
    let rig = &sheet.header.name.value;
    if make_safe_over(&module.wire_beside_others(), sheet) {
        tracing::warn!(rig, "safe values written and read back, but another program has the port open");
    } else {
        tracing::error!(rig, "safe values NOT confirmed: another program has the port open");
    }
}
