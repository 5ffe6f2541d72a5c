//! A long run contains its trace once: no step copies it.

use std::time::Duration;
use tripbench_record::EventKind;
use tripbench_runner::{VirtualRun, run_in_virtual_time};
use tripbench_simulator::SimulatedBench;
use tripbench_tests::header;
use tripbench_tests::hour::{long_bench, memory, scan_bytes};

/// Memory grows by the trace and a little more, however many steps are judged. A second copy would double it.
#[test]
fn a_long_run_contains_its_trace_once() {
    /// Allowed beside the trace: the growth of the list of scans, one decoded level and a mark for each scan.
    const BESIDE: f64 = 0.6;
    let bench = long_bench(4, 1, Duration::from_mins(1));
    let task = bench.task();
    let mut module = SimulatedBench::new(&task.sheets.rig, bench.truth.clone());
    // Everything that grows once, and not with the trace, must have grown before.
    let warm = long_bench(1, 1, Duration::from_secs(1));
    warm.rehearse(&warm.task());
    let before = memory("VmHWM");
    let plan = tripbench_engine::Plan { header: header(&task), task };
    let (mut trace, mut steps, mut halted) = (0, 0, None);
    run_in_virtual_time(plan, &mut module, VirtualRun::default(), |event| {
        if let EventKind::Scan(scan) = &event.kind {
            trace += scan_bytes(scan);
        } else if let EventKind::StepDone(_) = event.kind {
            steps += 1;
        } else if let EventKind::Halted(halt) = event.kind {
            halted = Some(halt);
        }
    });
    let grown = memory("VmHWM") - before;
    assert!(halted.is_none() && steps >= 10, "{halted:?}, {steps} steps");
    assert!(trace > 8 << 20, "{trace} bytes are too few to see");
    #[expect(clippy::cast_precision_loss, reason = "megabytes")]
    let beside = grown as f64 / trace as f64 - 1.0;
    assert!(
        beside < BESIDE,
        "the run took {grown} bytes, its trace {trace}: {beside:.2} of it beside the trace"
    );
}
