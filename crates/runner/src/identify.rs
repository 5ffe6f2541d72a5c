//! What the module says it is, asked once before a run's first order, so that no record of a simulated module is taken for one of
//! real hardware.

use tripbench_link::{Link, Transport, on_this_computer};
use tripbench_record::RunHeader;
use tripbench_rig::LinkSheet;

/// Asks the module what it is, and records the answer. Modules need not know the function: a refusal, silence, or something that is no
/// answer is no identification and never ends a run. After silence the link is in doubt, and has to be made safe again.
pub(crate) async fn identify<T: Transport>(link: &mut Link<T>, sheet: &LinkSheet, header: &mut RunHeader) {
    let said = link.identify().await.unwrap_or_else(|doubt| {
        tracing::debug!(?doubt, "the module gives no identification");
        None
    });
    if said.is_none()
        && let Some(place) = on_this_computer(sheet)
    {
        header.warnings.push(format!(
            "The module was reached on this computer, at `{place}`, and does not say what it is: it may be a simulated one."
        ));
    }
    header.take_module(said);
}
