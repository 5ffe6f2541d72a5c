//! Identification of the module, requested once before the first order of a run, so that the record of a simulated module is not mistaken
//! for one of real hardware.

use tripbench_link::{Link, Transport, on_this_computer};
use tripbench_record::RunHeader;
use tripbench_rig::LinkSheet;

/// Requests the identification of the module and records it. Modules need not support this function: a refusal, silence or an invalid
/// answer counts as no identification and does not end the run. After silence or an invalid answer the link is in doubt and must be made
/// safe again.
pub(crate) async fn identify<T: Transport>(link: &mut Link<T>, sheet: &LinkSheet, header: &mut RunHeader) {
    let said = link.identify().await.unwrap_or_else(|doubt| {
        tracing::debug!(?doubt, "the module gives no identification");
        None
    });
    if said.is_none()
        && let Some(place) = on_this_computer(sheet)
    {
        header.warnings.push(format!(
            "The module was reached on this computer, at `{place}`, and gave no identification: it may be a simulated one."
        ));
    }
    header.take_module(said);
}
