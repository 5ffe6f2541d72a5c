//! The demo: a simulated bench on loopback, the demo's sheets, and the expected verdicts.

use super::{finish, introduce, live, prepare};
use crate::args::{DemoOptions, DeviceOptions, OutputOptions};
use crate::exit::Exit;
use crate::load::{self, Texts};
use crate::say;
use anyhow::{Context, Result};
use tripbench_record::Verdict;
use tripbench_rig::RigSheet;
use tripbench_sheet::{Findings, Source, read_sheet};
use tripbench_simulator::{SimulatedBench, Truth, serve};

/// `tripbench demo`.
pub(crate) fn demo(options: &DemoOptions) -> Result<Exit> {
    const EXPECTED: [Verdict; 4] = [Verdict::Pass, Verdict::Pass, Verdict::Fail, Verdict::Pass];
    let findings = Findings::new();
    let mut texts = demo_texts(include_str!("../../../../bench-scripts/rigs/goods-in-1.toml"));
    let truth_source = Source::new(
        "four-devices.toml",
        include_str!("../../../../bench-scripts/simulated/four-devices.toml"),
    );
    let rig = texts
        .rig
        .as_ref()
        .and_then(|source| read_sheet(source, &findings, RigSheet::read))
        .context("the demo's rig sheet has errors")?;
    let truth = read_sheet(&truth_source, &findings, |reader| Truth::read(reader, &rig))
        .context("the demo's truth sheet has errors")?;
    let server = serve(SimulatedBench::new(&rig, truth), ([127, 0, 0, 1], 0).into())?;
    say::note(&format!(
        "A simulated goods-in bench of a jam factory listens on Modbus TCP {}.",
        server.address()
    ));
    say::note("Four vacuum switches of the jar depalletiser are tested together; one of them is set wrong.");
    say::note(say::CAUTIONS);
    texts = demo_texts(
        &include_str!("../../../../bench-scripts/rigs/goods-in-1.toml")
            .replace("127.0.0.1:1502", &server.address().to_string()),
    );
    let loaded = load::load(&texts, &findings);
    if load::show(findings) {
        return Ok(Exit::Usage);
    }
    let serials: Vec<String> = (17..=20).map(|number| format!("7731-{number:03}")).collect();
    let output = OutputOptions { out: options.out.clone(), json: false };
    let sheets = loaded.sheets.clone().context("the sheets have errors")?;
    let stamp = jiff::ZonedDateTime::now().strftime("%Y%m%d-%H%M%S").to_string();
    let positions = crate::identity::positions(&DeviceOptions::default(), &serials, &sheets.rig, &stamp)?;
    let Some(mut prepared) = prepare(&loaded, positions, &[], &output)? else {
        return Ok(Exit::Usage);
    };
    prepared.header.simulated = true;
    let (record, trace) = live::run(&prepared, live::Show::Progress, || introduce(&prepared))?;
    finish(&prepared, &record, &trace, false, false)?;
    let found: Vec<Verdict> = record.positions.iter().map(|position| position.verdict).collect();
    if found == EXPECTED {
        say::out("The demo found what it expected: three good devices, one with a wrong switch point.");
        return Ok(Exit::Good);
    }
    say::error(&format!("the demo expected {EXPECTED:?} and found {found:?}"));
    Ok(Exit::Failed)
}

fn demo_texts(rig: &str) -> Texts {
    let source = |name: &str, text: &str| Some(Source::new(name, text));
    Texts {
        site: source("site.toml", include_str!("../../../../bench-scripts/site.toml")),
        rig: source("goods-in-1.toml", rig),
        device_type: source(
            "jar-switch-a.toml",
            include_str!("../../../../bench-scripts/types/jar-switch-a.toml"),
        ),
        settings: source(
            "depalletiser.toml",
            include_str!("../../../../bench-scripts/settings/depalletiser.toml"),
        ),
        script: source("goods-in.toml", include_str!("../../../../bench-scripts/scripts/goods-in.toml")),
    }
}
