//! Identification of the module, requested once before the first order of a run, so that the record of a simulated module is not mistaken
//! for one of real hardware.

use tripbench_link::{Link, Transport};
use tripbench_record::RunHeader;

/// Requests the identification of the module and records it. Modules need not support this function: a refusal, silence or an invalid
/// answer counts as no identification and does not end the run. After silence or an invalid answer the link is in doubt and must be made
/// safe again. `place` is where the module is, if it is on this computer; it is only looked up for a module without identification.
pub(crate) async fn identify<T: Transport>(
    link: &mut Link<T>,
    header: &mut RunHeader,
    place: impl FnOnce() -> Option<String>,
) {
    let said = link.identify().await.unwrap_or_else(|doubt| {
        tracing::debug!(?doubt, "the module gives no identification");
        None
    });
    if said.is_none()
        && let Some(place) = place()
    {
        header.warnings.push(format!(
            "The module was reached on this computer, at `{place}`, and gave no identification: it may be a simulated one."
        ));
    }
    header.take_module(said);
}
