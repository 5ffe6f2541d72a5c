//! The files that a run leaves: a folder with record, report and trace.

pub(crate) use tripbench_runner::folder::{
    JOURNAL, RECORD, REPORT, TRACE, folder, record, write, write_report,
};
