//! How fast rigs are scanned and recorded in runs, for monitoring. No figure of a device depends on it.

use prometheus_client::encoding::EncodeLabelSet;
use prometheus_client::metrics::family::Family;
use prometheus_client::metrics::histogram::Histogram;
use tripbench_quantity::Mono;
use tripbench_rig::Scan;

/// The rig of a metric.
#[derive(Debug, Clone, PartialEq, Eq, Hash, EncodeLabelSet)]
pub(crate) struct OfRig {
    pub rig: String,
}

/// A histogram for each rig, seconds.
pub(crate) type Histograms = Family<OfRig, Histogram, fn() -> Histogram>;

/// Upper bounds of the classes, seconds: from a fast answer on this machine to the longest gap between two scans that a run survives,
/// and beyond.
const CLASSES: [f64; 12] = [0.001, 0.002, 0.005, 0.01, 0.02, 0.03, 0.05, 0.1, 0.15, 0.25, 0.5, 1.0];

/// Times of all rigs.
#[derive(Debug, Clone)]
pub(crate) struct Timing {
    /// From the start of a scan to the start of the next one.
    pub(crate) scan_period: Histograms,
    /// From a request to its answer.
    pub(crate) transaction: Histograms,
    /// From an event to its publication, above the shortest of its run.
    pub(crate) journal_lag: Histograms,
}

impl Default for Timing {
    fn default() -> Self {
        let histograms = || Histograms::new_with_constructor(|| Histogram::new(CLASSES));
        Self { scan_period: histograms(), transaction: histograms(), journal_lag: histograms() }
    }
}

impl Timing {
    /// The times of one rig.
    pub(crate) fn of(&self, rig: &str) -> RigTiming {
        let of = OfRig { rig: rig.to_owned() };
        RigTiming {
            scan_period: self.scan_period.get_or_create_owned(&of),
            transaction: self.transaction.get_or_create_owned(&of),
            journal_lag: self.journal_lag.get_or_create_owned(&of),
            last: None,
        }
    }
}

/// Times of one rig.
#[derive(Debug, Clone)]
pub(crate) struct RigTiming {
    scan_period: Histogram,
    transaction: Histogram,
    journal_lag: Histogram,
    /// Start of the scan before, in the present run.
    last: Option<Mono>,
}

impl RigTiming {
    /// Takes a scan of a run.
    pub(crate) fn scan(&mut self, scan: &Scan) {
        for block in scan.blocks.iter() {
            self.transaction.observe(block.span.after.since(block.span.before).as_secs_f64());
        }
        let start = scan.start();
        if let Some(last) = self.last.replace(start) {
            self.scan_period.observe(start.since(last).as_secs_f64());
        }
    }

    /// Takes how late an event was published.
    pub(crate) fn lag(&self, late_ms: f64) {
        self.journal_lag.observe(late_ms.max(0.0) / 1e3);
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use prometheus_client::encoding::text::encode;
    use prometheus_client::registry::Registry;
    use tripbench_quantity::Span;
    use tripbench_rig::Block;

    #[test]
    fn periods_and_transactions_of_scans_are_counted() {
        let timing = Timing::default();
        let mut of = timing.of("goods-in-1");
        let at = |ms: u64| Mono::from_nanos(ms * 1_000_000);
        let block = |from, to| Block { span: Span { before: at(from), after: at(to) }, words: Vec::new() };
        of.scan(&Scan { blocks: [block(0, 4), block(4, 7)].into() });
        of.scan(&Scan { blocks: [block(20, 24)].into() });
        // Another run: its times begin again.
        timing.of("goods-in-1").scan(&Scan { blocks: [block(5, 6)].into() });
        of.lag(-1.0);
        of.lag(30.0);
        let mut registry = Registry::default();
        registry.register("period", "P", timing.scan_period.clone());
        registry.register("transaction", "T", timing.transaction.clone());
        registry.register("lag", "L", timing.journal_lag.clone());
        let mut text = String::new();
        encode(&mut text, &registry).expect("text");
        for (name, count, sum_s) in [("period", 1, 0.020), ("transaction", 4, 0.012), ("lag", 2, 0.030)] {
            let value = |what: &str| {
                let start = format!("{name}_{what}{{rig=\"goods-in-1\"}} ");
                let found = text.lines().find_map(|line| line.strip_prefix(&start)?.parse::<f64>().ok());
                found.unwrap_or_else(|| panic!("no {start} in {text}"))
            };
            assert!((value("count") - f64::from(count)).abs() < 1e-9, "{text}");
            assert!((value("sum") - sum_s).abs() < 1e-9, "{text}");
        }
    }
}
