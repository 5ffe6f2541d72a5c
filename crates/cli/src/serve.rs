//! `tripbench serve`: the daemon of a bench, or of a simulated one.

use crate::args::{SchemaOf, ServeOptions};
use crate::exit::Exit;
use crate::load::{self, Texts};
use crate::{log, say};
use anyhow::{Context, Result};
use std::net::SocketAddr;
use std::path::Path;
use std::sync::{Arc, mpsc};
use tokio::sync::oneshot;
use tripbench_bench::{BenchError, BenchSheet, Defaults, Ended, NotPlanned, RigEntry, RigSheets, leave_safe};
use tripbench_daemon::{Limits, Serve, ServeError, serve as serve_bench};
use tripbench_device::SiteSheet;
use tripbench_rig::RigSheet;
use tripbench_runner::Signals;
use tripbench_sheet::{At, Findings, Source, read_sheet};
use tripbench_simulator::{SimulatedBench, Truth, serve as serve_module};

/// A simulated module; listens until dropped.
type Module = tripbench_simulator::Server;

pub(crate) fn serve(options: &ServeOptions) -> Result<Exit> {
    log::begin(options.log);
    // Before anything else: a signal that arrives while the rigs are made safe must not interrupt that.
    let signalled = first_signal().unwrap_or_else(|error| {
        say::error(&format!("cannot catch signals ({error:#}): stop each rig before you end this program"));
        // A receiver that never gets a signal.
        oneshot::channel().1
    });
    let (mut bench, _modules) = if options.demo {
        demo()?
    } else {
        match from_sheet(options.bench.as_deref().unwrap_or_else(|| Path::new("bench.toml")))? {
            Some(bench) => (bench, Vec::new()),
            None => return Ok(Exit::Usage),
        }
    };
    if let Some(listen) = options.listen {
        bench.listen = listen;
    }
    if let Some(runs) = &options.runs {
        bench.runs.clone_from(runs);
    }
    say::note(say::CAUTIONS);
    let until = async {
        match signalled.await {
            Ok("") => "a signal",
            Ok(by) => by,
            Err(_nobody_sends) => std::future::pending().await,
        }
    };
    let listening = |address: SocketAddr| {
        say::out(&format!(
            "Open http://{address}/ in a browser on this machine. Ctrl-C ends it; outputs are then set to their safe values and read back."
        ));
    };
    let served = serve_bench(bench, until, listening);
    log::end();
    match served {
        Ok(ended) => Ok(told(&ended)),
        Err(ServeError::Bench(BenchError::Sheets(NotPlanned::Findings(findings)))) => {
            for finding in &findings {
                say::note(finding);
            }
            Ok(Exit::Usage)
        }
        Err(error) => Err(error.into()),
    }
}

/// Catches the signals that would end this process, from now on; the receiver gets the first of them.
///
/// # Errors
/// If no thread can be spawned; signals then keep their default effect.
fn first_signal() -> Result<oneshot::Receiver<&'static str>> {
    let (first, signalled) = oneshot::channel();
    let (taken, wait_taken) = mpsc::channel();
    std::thread::Builder::new().name(String::from("signals")).spawn(move || {
        let Ok(runtime) = tokio::runtime::Builder::new_current_thread().enable_all().build() else { return };
        runtime.block_on(async {
            let mut signals = Signals::take();
            let _nobody_waits = taken.send(());
            let _nobody_serves = first.send(signals.first().await);
            say::note("Ending, once every rig is safe.");
            // Later signals are absorbed too, while the rigs are made safe.
            std::future::pending::<()>().await;
        });
    })?;
    wait_taken.recv()?;
    Ok(signalled)
}

/// Reports how the rigs were left.
fn told(ended: &Ended) -> Exit {
    if !ended.safe.is_empty() {
        say::note(&format!(
            "Ended; outputs set to their safe values and read back: {}.",
            ended.safe.join(", ")
        ));
    }
    if !ended.not_ours.is_empty() {
        let rigs = ended.not_ours.join(", ");
        say::note(&format!(
            "Another program owned the module of {rigs}: the state of its outputs is unknown here."
        ));
    }
    if ended.in_doubt.is_empty() {
        return Exit::Good;
    }
    let rigs = ended.in_doubt.join(", ");
    say::error(&format!("OUTPUTS NOT CONFIRMED SAFE: {rigs}. Shut off air and power by hand."));
    Exit::Aborted
}

/// The bench of a sheet; `None` after findings were shown. If the bench cannot be served, its rigs are made safe anyway.
fn from_sheet(path: &Path) -> Result<Option<Serve>> {
    let source = load::source(path)
        .context("a daemon needs a bench sheet: give --bench, or try `tripbench serve --demo`")?;
    let beside = path.parent().unwrap_or_else(|| Path::new("."));
    let bench = bench(&source, beside);
    if !matches!(bench, Ok(Some(_))) {
        let (sheets, others) = BenchSheet::rig_sheets(&source, beside);
        told(&leave_safe(sheets));
        for path in others {
            say::error(&format!(
                "`{path}` is not a valid rig sheet: the outputs of its rig are unknown. Shut off air and power by hand."
            ));
        }
    }
    bench
}

/// The bench sheet with the defaults that its site sheet names; `None` after findings were shown.
fn bench(source: &Arc<Source>, beside: &Path) -> Result<Option<Serve>> {
    let findings = Findings::new();
    let sheet = load::read_given(SchemaOf::Bench, source, &findings, BenchSheet::read);
    let site_path = sheet.as_ref().and_then(|sheet| sheet.site.as_ref()).map(|site| beside.join(&site.value));
    // A missing site sheet is reported with the other findings.
    let site = match site_path.as_ref().filter(|path| path.exists()) {
        Some(path) => read_sheet(&load::source(path)?, &findings, SiteSheet::read),
        None => None,
    };
    if load::show(findings) {
        return Ok(None);
    }
    let sheet = sheet.context("the bench sheet has errors")?;
    let folder = site_path.as_deref().and_then(Path::parent).unwrap_or(beside);
    let at = |path: &Option<At<String>>| path.as_ref().map(|path| folder.join(&path.value));
    let defaults = site.map_or_else(Defaults::default, |site| Defaults {
        device_type: at(&site.defaults.device_type),
        settings: at(&site.defaults.settings),
    });
    match sheet.rigs(beside, &defaults) {
        Ok(rigs) => Ok(Some(Serve {
            listen: sheet.listen,
            runs: beside.join(&sheet.runs),
            users: sheet.users,
            rigs,
            limits: Limits::default(),
        })),
        Err(BenchError::Sheets(NotPlanned::Findings(findings))) => {
            for finding in &findings {
                say::note(finding);
            }
            Ok(None)
        }
        Err(error) => Err(error.into()),
    }
}

/// The demo: two simulated rigs of the jam factory's goods-in bench, on Modbus TCP of this machine.
fn demo() -> Result<(Serve, Vec<Module>)> {
    let rigs = [
        (
            include_str!("../../../bench-scripts/rigs/goods-in-1.toml"),
            "127.0.0.1:1502",
            include_str!("../../../bench-scripts/simulated/four-devices.toml"),
        ),
        (
            include_str!("../../../bench-scripts/rigs/goods-in-2.toml"),
            "127.0.0.1:1503",
            include_str!("../../../bench-scripts/simulated/eight-devices.toml"),
        ),
    ];
    let (mut entries, mut modules) = (Vec::new(), Vec::new());
    for (rig, address, truth) in rigs {
        let findings = Findings::new();
        let sheet = read_sheet(&Source::new("rig.toml", rig), &findings, RigSheet::read)
            .context("the demo's rig sheet has errors")?;
        let truth =
            read_sheet(&Source::new("truth.toml", truth), &findings, |reader| Truth::read(reader, &sheet))
                .context("the demo's truth sheet has errors")?;
        let module = serve_module(SimulatedBench::new(&sheet, truth), ([127, 0, 0, 1], 0).into())?;
        let text = rig.replace(address, &module.address().to_string());
        say::note(&format!(
            "{}: a simulated rig on Modbus TCP {}.",
            sheet.header.name.value,
            module.address()
        ));
        let sheets = RigSheets::from_texts(texts(&sheet.header.name.value, &text))?;
        entries.push(RigEntry { sheets, simulated: true, probes: None });
        modules.push(module);
    }
    let bench = Serve {
        listen: ([127, 0, 0, 1], 7420).into(),
        runs: "runs".into(),
        users: Vec::new(),
        rigs: entries,
        limits: Limits::default(),
    };
    Ok((bench, modules))
}

fn texts(name: &str, rig: &str) -> Texts {
    let source = |name: &str, text: &str| Some(Source::new(name, text));
    Texts {
        site: source("site.toml", include_str!("../../../bench-scripts/site.toml")),
        rig: source(&format!("{name}.toml"), rig),
        device_type: source(
            "jar-switch-a.toml",
            include_str!("../../../bench-scripts/types/jar-switch-a.toml"),
        ),
        settings: source(
            "depalletiser.toml",
            include_str!("../../../bench-scripts/settings/depalletiser.toml"),
        ),
        script: source("goods-in.toml", include_str!("../../../bench-scripts/scripts/goods-in.toml")),
    }
}
