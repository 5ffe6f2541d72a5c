//! The `tripbench` command: reads sheets, starts runs, shows their progress and their results.
//!
//! Connects the other crates; computes no figure itself.

mod analyse;
mod args;
mod believed;
mod exit;
mod explain;
mod identity;
mod kind;
mod load;
mod log;
mod output;
mod progress;
mod prompt;
mod rejudge;
mod report;
mod run;
mod say;
mod schema;
mod scripts;
mod serve;
mod simulate;
mod site;
mod table;

use clap::Parser;
use std::process::ExitCode;

fn main() -> ExitCode {
    let args = args::Args::parse();
    let ended = match args.command {
        args::Command::Demo(options) => run::demo(&options),
        args::Command::CheckSheets(options) => load::check_sheets(&options),
        args::Command::Rehearse(options) => run::rehearse(&options),
        args::Command::Run(options) => run::run(&options),
        args::Command::Rig(args::RigCommand::Check(options)) => run::rig_check(&options),
        args::Command::Serve(options) => serve::serve(&options),
        args::Command::Simulate(options) => simulate::simulate(&options),
        args::Command::Report(options) => report::report(&options),
        args::Command::Analyse(options) => analyse::analyse(&options),
        args::Command::Explain(options) => explain::explain(&options),
        args::Command::Rejudge(options) => rejudge::rejudge(&options),
        args::Command::Schema(options) => schema::schema(&options),
    };
    match ended {
        Ok(exit) => exit.code(),
        Err(error) => {
            say::error(&format!("{error:#}"));
            // Neither is wrong usage: air has flowed, or somebody stopped the run.
            let stopped = matches!(error.downcast_ref(), Some(tripbench_runner::JobError::Stopped));
            let over = error.is::<run::NotRecorded>() || stopped;
            let exit = if over { exit::Exit::Aborted } else { exit::Exit::Usage };
            exit.code()
        }
    }
}
