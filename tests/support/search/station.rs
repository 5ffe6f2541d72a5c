//! Stations that the search draws from: rigs with script and settings, read and planned once.

use crate::line::with_link;
use crate::{Bench, sheet_text};
use std::sync::OnceLock;
use tripbench_record::Task;

/// A rig with script, type and settings.
#[derive(Debug)]
pub struct Station {
    /// Name: wire and test.
    pub name: String,
    /// Sheets; the truth is drawn anew for each run.
    pub bench: Bench,
    /// The planned task.
    pub task: Task,
    /// The task planned with a lag of the reference of 0 ms, although the true lag is about 8 ms.
    pub without_lag: Task,
}

/// Name of the wire to a module whose outputs are registers, each written by function 06.
const REGISTERS: &str = "TCP, registers one by one";

/// Wires: name, keys of the rig sheet, and time between two scans.
const WIRES: [(&str, &str, &str); 6] = [
    ("TCP", "tcp = \"127.0.0.1:1502\"", "5 ms"),
    ("TCP, 10 ms", "tcp = \"127.0.0.1:1502\"", "10 ms"),
    ("serial line", "serial = \"/dev/ttyS0\"\nbaud = 115200\nparity = \"even\"", "5 ms"),
    ("TCP, one by one", "tcp = \"127.0.0.1:1502\"\nwrites = \"one-by-one\"", "5 ms"),
    (REGISTERS, "tcp = \"127.0.0.1:1502\"\nwrites = \"one-by-one\"", "5 ms"),
    ("converter", "rtu_over_tcp = \"127.0.0.1:4001\"", "10 ms"),
];

/// Tests: name, steps after `zero` and `leak`, selected delay, and whether the devices save air.
const TESTS: [(&str, &str, &str, bool); 6] = [
    ("full flow", "[[step]]\ndo = \"switch-points\"\ncycles = 2\nway = \"full-flow\"\n", "0 ms", true),
    (
        "air saving",
        "[[step]]\ndo = \"switch-points\"\ncycles = 2\nway = \"throttled\"\n[[step]]\ndo = \"air-saving\"\ncycles = 2\n[[step]]\ndo = \"leak\"\nsettle = \"1.2 s\"\nwatch = \"1.5 s\"\n",
        "0 ms",
        true,
    ),
    ("throttled", "[[step]]\ndo = \"switch-points\"\ncycles = 3\nway = \"throttled\"\n", "0 ms", false),
    ("20 ms", "[[step]]\ndo = \"switch-points\"\ncycles = 2\nway = \"throttled\"\n", "20 ms", false),
    (
        "response",
        "[[step]]\ndo = \"switch-points\"\ncycles = 2\nway = \"throttled\"\n[[step]]\ndo = \"response\"\noperations = 2\nlimit = \"80 ms\"\n",
        "0 ms",
        false,
    ),
    (
        "ends at a failure",
        "[[step]]\ndo = \"switch-points\"\ncycles = 2\nway = \"throttled\"\non_failure = \"stop\"\n[[step]]\ndo = \"response\"\noperations = 2\nlimit = \"80 ms\"\n",
        "0 ms",
        false,
    ),
];

/// All stations: every wire with every test, each planned when it is first drawn.
#[derive(Debug)]
pub struct Stations(Vec<OnceLock<Station>>);

impl Stations {
    /// Number of stations.
    pub(super) const COUNT: usize = WIRES.len() * TESTS.len();

    /// A station.
    ///
    /// # Panics
    /// If a sheet of the demo lacks a text that is replaced.
    pub(super) fn get(&self, index: usize) -> &Station {
        let (wire, test) = (index / TESTS.len(), index % TESTS.len());
        self.0[index].get_or_init(|| Station::new(WIRES[wire], TESTS[test]))
    }
}

/// All stations.
pub fn stations() -> Stations {
    Stations((0..Stations::COUNT).map(|_| OnceLock::new()).collect())
}

impl Station {
    fn new(
        (wire, keys, scan): (&str, &str, &str),
        (test, steps, delay, saves): (&str, &str, &str, bool),
    ) -> Self {
        let mut bench = Bench::demo();
        bench.rig = changed(
            &with_link(keys),
            &[
                ("scan_interval = \"5 ms\"", &format!("scan_interval = \"{scan}\"")),
                ("answer_timeout = \"150 ms\"", "answer_timeout = \"100 ms\""),
                ("slowest_answer = \"500 ms\"", "slowest_answer = \"200 ms\""),
                ("evacuate = \"3 s\"", "evacuate = \"1.5 s\""),
                ("evacuate_fine = \"40 s\"", "evacuate_fine = \"6 s\""),
                ("bleed = \"6 s\"", "bleed = \"3 s\""),
                ("thermal = \"1 s\"", "thermal = \"0.2 s\""),
                ("deepest_level = \"85 kPa\"", "deepest_level = \"88 kPa\""),
                ("value = \"2 ms\"", "value = \"8 ms\""),
            ],
        );
        if wire == REGISTERS {
            // Each output in a register of its own, so that there are several writes.
            bench.rig = (0..5).fold(bench.rig, |rig, number| {
                rig.replace(&format!("\"coil {number}\""), &format!("\"holding-register {number} bit 0\""))
            });
        }
        bench.script = format!(
            "name = \"search\"\nrevision = \"1\"\nstate = \"released\"\n[[step]]\ndo = \"zero\"\n\
             [[step]]\ndo = \"leak\"\nsettle = \"1.2 s\"\nwatch = \"1.5 s\"\n{steps}[[step]]\ndo = \"zero\"\n"
        );
        let mut settings = sheet_text("settings/depalletiser.toml")
            .replace("delay = \"0 ms\"", &format!("delay = \"{delay}\""));
        if !saves {
            let start = settings.find("[air_saving]").expect("air saving");
            let end = start + settings[start..].find("\n\n").expect("something after it");
            settings.replace_range(start..end, "");
        }
        bench.settings = Some(settings);
        bench.positions = vec![1, 3];
        bench.truth.faults.clear();
        let task = bench.task();
        let no_lag = [
            ("value = \"8 ms\"", "value = \"0 ms\""),
            ("uncertainty = \"1 ms\"", "uncertainty = \"0.1 ms\""),
        ];
        let without_lag = Bench { rig: changed(&bench.rig, &no_lag), ..bench.clone() }.task();
        Self { name: format!("{wire}, {test}"), bench, task, without_lag }
    }
}

/// Replaces the first occurrence of each text in a sheet; panics if one does not occur.
fn changed(sheet: &str, changes: &[(&str, &str)]) -> String {
    changes.iter().fold(sheet.to_owned(), |sheet, (from, to)| {
        assert!(sheet.contains(from), "the sheet does not contain `{from}`");
        sheet.replacen(from, to, 1)
    })
}
