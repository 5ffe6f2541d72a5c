//! `run`, `rehearse` and `demo`: one path from sheets to a record.

use crate::args::{
    DeviceOptions, OutputOptions, RehearseOptions, RunOptions, SchemaOf, SheetOptions, WhatOptions,
};
use crate::exit::Exit;
use crate::load::{self, Loaded, Today};
use crate::site::Site;
use crate::{identity, output, say, scripts, table};
use anyhow::{Context, Result, bail};
use jiff::ZonedDateTime;
use std::path::{Path, PathBuf};
use thiserror::Error;
use tripbench_device::{SettingsSheet, expected};
use tripbench_engine::Plan;
use tripbench_quantity::Mono;
use tripbench_record::journal::{MAGIC, Tally, closing_line, line};
use tripbench_record::{Event, PositionPlan, Record, RunView, StepTask, Task, Trace, canonical_json};
use tripbench_runner::{JobError, Prepared, VirtualRun, header, run_in_virtual_time};
use tripbench_sheet::{Findings, Reader};
use tripbench_simulator::{AirSavingTruth, DeviceTruth, SimulatedBench, Truth};

mod again;
mod demo;
mod introduce;
mod live;
mod remote;
mod rig_check;

pub(crate) use demo::demo;
use introduce::introduce;
pub(crate) use rig_check::rig_check;

/// `tripbench run`.
pub(crate) fn run(options: &RunOptions) -> Result<Exit> {
    let Some(prepared) = prepared(&options.what, &options.what.devices, false)? else {
        return Ok(Exit::Usage);
    };
    let show = if options.events { live::Show::EventLines } else { live::Show::Progress };
    let (quiet, json) = (options.what.output.json || options.events, options.what.output.json);
    let announce = || {
        introduce(&prepared);
        say::note(say::CAUTIONS);
    };
    if let Some(url) = &options.on {
        let record = remote::run(&prepared, show, url, announce).inspect_err(|_| {
            // A run that was refused leaves no empty folder.
            let _has_a_journal = std::fs::remove_dir(&prepared.folder);
        })?;
        return show_result(&prepared, &record, quiet, json);
    }
    let (record, trace) = live::run(&prepared, show, announce)?;
    finish(&prepared, &record, &trace, quiet, json)
}

/// `tripbench rehearse`.
pub(crate) fn rehearse(options: &RehearseOptions) -> Result<Exit> {
    let mut devices = options.what.devices.clone();
    devices.no_serial |= devices.serial.is_empty() && devices.words.len() < 2;
    let Some(mut prepared) = prepared(&options.what, &devices, true)? else { return Ok(Exit::Usage) };
    prepared.header.simulated = true;
    let again = options.what.again.is_some();
    let Some(truth) = truth(options.truth.as_deref(), &prepared.task, again)? else { return Ok(Exit::Usage) };
    introduce(&prepared);
    let started = ZonedDateTime::now();
    let (events, view, lasted) = in_virtual_time(&prepared, truth);
    let took = started.duration_until(&ZonedDateTime::now()).as_secs_f64();
    let (record, trace) = output::record(&view).context("the rehearsal produced no record")?;
    say::note(&format!(
        "Rehearsed {:.1} s in {took:.3} s, {:.0} times real time; predicted {:.0} s.",
        lasted.seconds(),
        lasted.seconds() / took.max(1e-6),
        prepared.task.predicted().si()
    ));
    output::create(&prepared.folder)?;
    write_journal(&prepared.folder, &events)?;
    finish(&prepared, &record, &trace, options.what.output.json, options.what.output.json)
}

/// Prepares what the command line asks for, or the repeat of an earlier run; `None` after findings were shown.
fn prepared(what: &WhatOptions, devices: &DeviceOptions, rehearsed: bool) -> Result<Option<Prepared>> {
    let devices = &DeviceOptions { operator: identity::operators(&devices.operator)?, ..devices.clone() };
    if let Some(position) = what.again {
        return again::prepare(position, what, &devices.operator, rehearsed);
    }
    let Some((loaded, serials)) = load_all(&what.sheets, devices)? else { return Ok(None) };
    let sheets = loaded.sheets.clone().context("the sheets have errors")?;
    let stamp = ZonedDateTime::now().strftime("%Y%m%d-%H%M%S").to_string();
    let positions = identity::positions(devices, &serials, &sheets.rig, &stamp)?;
    prepare(&loaded, positions, &devices.operator, &what.output)
}

/// Loads the sheets; returns them with the serial numbers among the words of the command line.
fn load_all(options: &SheetOptions, devices: &DeviceOptions) -> Result<Option<(Loaded, Vec<String>)>> {
    let (name, serials) = match (&options.script, devices.words.split_first()) {
        (None, Some((name, serials))) => (Some(name.as_str()), serials.to_vec()),
        (Some(_), _) | (None, None) => (None, devices.words.clone()),
    };
    let site = Site::of(options)?;
    scripts::refuse_slips(options, devices, (name, serials.as_slice()), &site)?;
    let given = load::texts(options, name, &site)?;
    let texts = &given.texts;
    if texts.rig.is_none() {
        bail!("no rig sheet: give --rig, or a site sheet that names one");
    }
    if texts.script.is_none() {
        bail!("no script: give --script, or the name of a script of the site");
    }
    if texts.settings.is_some() != texts.device_type.is_some() {
        bail!("--type and --settings must be given together");
    }
    let findings = Findings::new();
    let loaded = load::load_given(&given, &findings);
    Ok(if load::show(findings) { None } else { Some((loaded, serials)) })
}

/// Plans the run and names its folder; `None` after findings were shown.
fn prepare(
    loaded: &Loaded,
    positions: Vec<PositionPlan>,
    operators: &[String],
    output: &OutputOptions,
) -> Result<Option<Prepared>> {
    let stamp = ZonedDateTime::now().strftime("%Y-%m-%d-%H%M%S").to_string();
    let findings = Findings::new();
    let task = load::task(loaded, positions, &findings);
    if load::show(findings) {
        return Ok(None);
    }
    let task = task.context("the run cannot be planned")?;
    let warnings = calibration(&task)?;
    let folder = output::free(output.out.as_ref(), &stamp)?;
    let header = header(&task, loaded, operators, warnings);
    Ok(Some(Prepared { task, header, folder }))
}

/// Checks the calibration of the reference; returns the warnings for the record.
///
/// # Errors
/// If the calibration is not valid today.
fn calibration(task: &Task) -> Result<Vec<String>> {
    let warnings = tripbench_runner::calibration(task, &Today::by_clock())?;
    for text in &warnings {
        say::note(&format!("warning: {text}"));
    }
    Ok(warnings)
}

/// Writes all files and shows the table.
fn finish(prepared: &Prepared, record: &Record, trace: &Trace, quiet: bool, json: bool) -> Result<Exit> {
    keep(prepared, record, trace)?;
    show_result(prepared, record, quiet, json)
}

/// Writes all files of a run that is over.
fn keep(prepared: &Prepared, record: &Record, trace: &Trace) -> Result<(), NotRecorded> {
    let folder = &prepared.folder;
    let written = output::write(folder, record, trace, &prepared.task.sheets);
    written.map(drop).map_err(|source| NotRecorded {
        folder: folder.clone(),
        safe: record.safe_confirmed,
        source,
    })
}

/// A run that is over, and whose record could not be made.
#[derive(Debug, Error)]
#[error(
    "{} The journal of the run is in `{}`: once it can be written there, `tripbench report {}` makes the record. It could not be made now",
    if *safe { "Outputs safe, read back." } else { "OUTPUTS NOT CONFIRMED SAFE. Shut off air and power by hand." },
    folder.display(),
    folder.display()
)]
pub(crate) struct NotRecorded {
    folder: PathBuf,
    /// Whether the outputs were confirmed safe.
    safe: bool,
    source: JobError,
}

/// Shows the table of a run whose files are written.
fn show_result(prepared: &Prepared, record: &Record, quiet: bool, json: bool) -> Result<Exit> {
    let sheets = &prepared.task.sheets;
    if json {
        let bytes = canonical_json(record).context("the record contains a non-finite number")?;
        say::json(&String::from_utf8_lossy(&bytes));
    }
    if !quiet {
        table::print(record, sheets.site.style);
        say::out(&format!("Report: {}", prepared.folder.join(output::REPORT).display()));
    }
    if quiet && !json {
        // Standard output is reserved for the events.
        say::note(&table::one_line(record, sheets.site.style));
        say::note(&format!("Report: {}", prepared.folder.join(output::REPORT).display()));
    }
    Ok(Exit::of(record))
}

/// Runs in virtual time; returns the events, the folded view, and the duration of the run.
fn in_virtual_time(prepared: &Prepared, truth: Truth) -> (Vec<Event>, RunView, Mono) {
    let rig = &prepared.task.sheets.rig;
    let plan = Plan { task: prepared.task.clone(), header: prepared.header.clone() };
    let mut module = SimulatedBench::new(rig, truth);
    let (mut events, mut view) = (Vec::new(), RunView::default());
    let run = VirtualRun::default();
    let lasted = run_in_virtual_time(plan, &mut module, run, |event: Event| {
        view.fold(&event);
        events.push(event);
    });
    (events, view, lasted)
}

/// Writes the journal of a run that has already ended, so that its record can be checked like any other.
fn write_journal(folder: &Path, events: &[Event]) -> Result<()> {
    let mut text = String::from(MAGIC);
    let (last, before) = events.split_last().context("the rehearsal produced no event")?;
    for event in before {
        text.push_str(&line(event, None)?);
    }
    let mut tally = Tally::default();
    tally.add(text.as_bytes());
    text.push_str(&closing_line(last, &tally)?);
    let path = folder.join(output::JOURNAL);
    std::fs::write(&path, text).with_context(|| format!("cannot write `{}`", path.display()))
}

/// The truth of a rehearsal: from a file, or good devices as set.
fn truth(path: Option<&Path>, task: &Task, again: bool) -> Result<Option<Truth>> {
    let rig = &task.sheets.rig;
    let Some(path) = path else {
        if again {
            say::note(
                "No --truth: these simulated devices are good, even if those of the first rehearsal were not.",
            );
        }
        return Ok(Some(as_set(task)));
    };
    let findings = Findings::new();
    let read = |reader: &Reader<'_>| Truth::read(reader, rig);
    let truth = load::read_given(SchemaOf::Truth, &load::source(path)?, &findings, read);
    Ok(if load::show(findings) { None } else { truth })
}

fn as_set(task: &Task) -> Truth {
    let mut truth = Truth::as_declared(&task.sheets.rig, 1);
    let Some(settings) = &task.sheets.settings else {
        truth.devices = in_window(task);
        return truth;
    };
    let device = |(position, away_pa): (&PositionPlan, f64)| DeviceTruth {
        air_saving: settings.air_saving.as_ref().map(|saving| AirSavingTruth {
            cut_off_pa: saving.cut_off.si() + away_pa,
            resume_pa: saving.resume.si() + away_pa,
            open_without_power: saving.supply_valve == tripbench_device::SupplyValve::OpenWithoutPower,
        }),
        normally_closed: settings.logic == tripbench_device::Logic::NormallyClosed,
        delay_on_s: 0.003 + settings.delay.si(),
        delay_off_s: 0.003 + settings.delay.si(),
        repeatability_pa: spread_pa(task, settings),
        ..DeviceTruth::good(
            position.number,
            settings.switch_point.si() + away_pa,
            settings.reset_point.si() + away_pa,
        )
    };
    truth.devices = task.positions.iter().zip(away_pa(task, settings)).map(device).collect();
    truth
}

/// By how much the levels of each device are away from its settings, pascal: evenly over a part of the tolerance. Devices that are exactly
/// alike could be one device whose wire lies on several inputs.
fn away_pa(task: &Task, settings: &SettingsSheet) -> Vec<f64> {
    /// Largest distance as a share of half of the tolerance. Judgement of this project.
    const LARGEST: f64 = 0.15;
    let half_pa = task.sheets.device.as_ref().map_or(0.0, |device| {
        let on = expected(settings, device).on;
        (on.high.si() - on.low.si()) / 2.0
    });
    let last = task.positions.len().saturating_sub(1).max(1);
    #[expect(clippy::cast_precision_loss, reason = "a rig has few positions")]
    let share = |index: usize| 2.0 * index as f64 / last as f64 - 1.0;
    let alone = task.positions.len() == 1;
    (0..task.positions.len())
        .map(|index| if alone { 0.0 } else { LARGEST * half_pa * share(index) })
        .collect()
}

/// Standard deviation of a good device's crossings, pascal: 20 Pa, or half of the promised repeatability where that is less.
fn spread_pa(task: &Task, settings: &SettingsSheet) -> f64 {
    const USUAL_PA: f64 = 20.0;
    task.sheets.device.as_ref().map_or(USUAL_PA, |device| {
        let (level, scale) = (settings.switch_point.value, device.scale(settings.unit.value));
        USUAL_PA.min(device.promise.repeatability.half_width(level, scale).si() / 2.0)
    })
}

/// Devices for a run without settings: they switch within the window of the script.
fn in_window(task: &Task) -> Vec<DeviceTruth> {
    let window = task.steps.iter().find_map(|step| match &step.task {
        StepTask::SwitchPoints(window) => Some((window.bottom.si(), window.top.si() - window.bottom.si())),
        StepTask::Zero { .. }
        | StepTask::Leak(_)
        | StepTask::Response(_)
        | StepTask::AirSaving(_)
        | StepTask::Signals { .. }
        | StepTask::TryOutput { .. }
        | StepTask::OwnInput { .. }
        | StepTask::PathLag { .. }
        | StepTask::Silence { .. }
        | StepTask::Settling { .. }
        | StepTask::Drive { .. }
        | StepTask::Hold { .. }
        | StepTask::WaitUntil { .. }
        | StepTask::Ask { .. } => None,
    });
    let (bottom, width) = window.unwrap_or((40e3, 20e3));
    let device = |position: &PositionPlan| {
        DeviceTruth::good(position.number, bottom + 0.6 * width, bottom + 0.4 * width)
    };
    task.positions.iter().map(device).collect()
}
