//! The files that a run leaves: a folder with record, report and trace.

pub(crate) use tripbench_runner::folder::{
    JOURNAL, RECORD, REPORT, TRACE, create, free, record, write, write_report,
};
