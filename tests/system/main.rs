//! Whole-system tests: from sheets to verdicts, over a simulated bench, and over real Modbus.

mod acceptance;
mod analyse;
mod attacks;
mod browser;
mod browser_looks;
mod closed_loop;
mod command;
mod coverage;
mod daemon;
mod daemon_keeps;
mod delays;
mod explained;
mod faults;
mod hose;
mod link;
mod links;
mod module;
mod python;
mod rejudge;
mod rig_check;
mod serial;
mod sheets;
mod tidy;
mod ways;
mod witness;
mod zones;
