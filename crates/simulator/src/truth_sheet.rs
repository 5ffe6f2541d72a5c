//! Reading of the truth of a simulated bench from a sheet, with the rig sheet as default.

use crate::truth::{
    AirSavingTruth, AirTruth, DeviceTruth, Effect, Fault, HoseTruth, ModuleTruth, Quirks, ReferenceTruth,
    Trigger, Truth,
};
use tripbench_quantity::{AirPressure, LevelDifference, TimeSpan, VacuumLevel, Volume};
use tripbench_rig::RigSheet;
use tripbench_sheet::Reader;

impl Truth {
    /// Reads a truth; keys that are left out are as declared in the rig sheet.
    pub fn read(reader: &Reader<'_>, rig: &RigSheet) -> Option<Self> {
        let declared = Self::as_declared(rig, 0);
        let seed = reader.or("seed", "seed of all random numbers", 1_u32);
        let leak = reader.or("leak", "leak at half vacuum", declared.air.leak);
        let pressure = reader.or("air_pressure", "air pressure", declared.air.pressure);
        let temperature = reader.or("temperature", "ambient temperature", declared.air.temperature);
        let jitter = reader.or("valve_jitter", "greatest random extra delay of a valve", TimeSpan::ZERO);
        let reference = reader.optional_table("reference", "errors of the reference", |table| {
            read_reference(table, declared.reference)
        });
        let module = reader
            .optional_table("module", "delays of the module", |table| read_module(table, declared.module));
        let devices = reader.tables("device", "a device", read_device);
        let faults = reader.tables("fault", "a fault with its trigger", read_fault);
        Some(Self {
            seed: u64::from(seed?.value),
            air: AirTruth {
                leak: leak?.value,
                pressure: pressure?.value,
                temperature: temperature?.value,
                valve_jitter: jitter?.value,
                ..declared.air
            },
            reference: reference?.unwrap_or(declared.reference),
            module: module?.unwrap_or(declared.module),
            devices: devices?,
            faults: faults?,
        })
    }
}

fn read_reference(reader: &Reader<'_>, declared: ReferenceTruth) -> Option<ReferenceTruth> {
    let offset = reader.or("offset_pa", "reading at ambient, pascal", 0.0);
    let gain = reader.or("gain", "relative gain error", 0.0);
    let lag = reader.or("lag", "lag", TimeSpan::new(declared.lag_s));
    let noise = reader.or("noise", "standard deviation of noise", LevelDifference::new(declared.noise_pa));
    let drift = reader.or("drift_pa_per_s", "drift, pascal per second", 0.0);
    let rests =
        reader.optional::<TimeSpan>("drift_for", "time after which the drift stops; by default it continues");
    let error = reader.or("error_pa", "excess of the reading away from ambient, pascal", 0.0);
    let rising = reader.or("after_rising_pa", "excess of the reading after a rise, pascal", 0.0);
    let falling = reader.or("after_falling_pa", "excess of the reading after a fall, pascal", 0.0);
    Some(ReferenceTruth {
        offset_pa: offset?.value,
        gain: gain?.value,
        lag_s: lag?.si(),
        noise_pa: noise?.si(),
        drift_pa_per_s: drift?.value,
        drift_for_s: rests?.map(|time| time.si()),
        error_pa: error?.value,
        loop_pa: [rising?.value, falling?.value],
    })
}

fn read_module(reader: &Reader<'_>, declared: ModuleTruth) -> Option<ModuleTruth> {
    let filter =
        reader.or("input_filter", "fixed delay of the inputs", TimeSpan::new(declared.input_filter_s));
    let image = reader.or("image", "update period of the input image", TimeSpan::new(declared.image_s));
    let loss = reader
        .optional::<TimeSpan>("loss_of_master", "time without a request after which outputs become safe");
    Some(ModuleTruth {
        input_filter_s: filter?.si(),
        image_s: image?.si(),
        loss_of_master_s: loss?.map(|time| time.si()).or(declared.loss_of_master_s),
    })
}

fn read_device(reader: &Reader<'_>) -> Option<DeviceTruth> {
    let position = reader.required::<u8>("position", "its position");
    let switch_point = reader.required::<VacuumLevel>("switch_point", "level at which it turns on");
    let reset_point = reader.required::<VacuumLevel>("reset_point", "level at which it turns off");
    let offset = reader.or("offset_pa", "offset of its sensor, pascal", 0.0);
    let gain = reader.or("gain", "relative gain error of its sensor", 0.0);
    let lag =
        reader.or("lag", "lag of its sensor, by default 2 ms; adds to the delays", TimeSpan::new(0.002));
    let repeatability = reader.or(
        "repeatability",
        "standard deviation from crossing to crossing",
        LevelDifference::new(20.0),
    );
    let noise = reader.or("noise", "fast noise in its comparator", LevelDifference::ZERO);
    let delay_on = reader.or("delay_on", "delay of turning on, by default 3 ms", TimeSpan::new(0.003));
    let delay_off = reader.or("delay_off", "delay of turning off, by default 3 ms", TimeSpan::new(0.003));
    let closed = reader.or("normally_closed", "on below its switch point", false);
    let saving = reader.optional_table("air_saving", "air saving", |table| {
        let cut_off = table.required::<VacuumLevel>("cut_off", "level at which it cuts its valve");
        let resume = table.required::<VacuumLevel>("resume", "level at which it feeds again");
        let open = table.or("open_without_power", "valve open without power", false);
        Some(AirSavingTruth {
            cut_off_pa: cut_off?.si(),
            resume_pa: resume?.si(),
            open_without_power: open?.value,
        })
    });
    let hose = reader.optional_table("hose", "the hose to it; negligible if left out", |table| {
        let conductance = table.required::<f64>("conductance_m3_per_s", "conductance at 50 kPa absolute");
        let volume = table.required::<Volume>("volume", "volume behind the restriction");
        let leak = table.or("leak_pa_m3_per_s", "leak of the device at half vacuum", 0.0);
        Some(HoseTruth {
            conductance_m3_per_s: conductance?.value,
            volume_m3: volume?.si(),
            leak_pa_m3_per_s: leak?.value,
        })
    });
    let ratio = reader.or("wrong_unit_ratio", "factor on all its levels, as if set in a wrong unit", 1.0);
    let fault = reader.optional("fault", "stuck-on, stuck-off, chattering or bouncing");
    let ratio = ratio?.value;
    let scaled = |saving: AirSavingTruth| AirSavingTruth {
        cut_off_pa: saving.cut_off_pa * ratio,
        resume_pa: saving.resume_pa * ratio,
        ..saving
    };
    Some(DeviceTruth {
        position: position?.value,
        switch_point_pa: switch_point?.si() * ratio,
        reset_point_pa: reset_point?.si() * ratio,
        offset_pa: offset?.value,
        gain: gain?.value,
        lag_s: lag?.si(),
        repeatability_pa: repeatability?.si(),
        noise_pa: noise?.si(),
        delay_on_s: delay_on?.si(),
        delay_off_s: delay_off?.si(),
        normally_closed: closed?.value,
        air_saving: saving?.map(scaled),
        hose: hose?,
        fault: fault?.map(|fault| fault.value),
        quirks: Quirks::NONE,
    })
}

fn read_fault(reader: &Reader<'_>) -> Option<Fault> {
    let at = reader.optional::<TimeSpan>("at", "time since the start");
    let through =
        reader.optional::<VacuumLevel>("rising_through", "instead of at: when the level rises through this");
    let time = reader.or("time", "number of the passage that counts, from 1", 1_u32);
    let plug = reader.optional::<u8>("pull_plug", "position whose plug is pulled");
    let hose = reader.or("pull_hose", "a hose comes off", false);
    let pressure = reader.optional::<AirPressure>("air_pressure", "the air pressure changes to this");
    let duration = reader.or("for", "how long the air pressure stays changed", TimeSpan::new(20.0));
    let when = match (at?, through?) {
        (Some(at), _) => Trigger::At(at.si()),
        (None, Some(level)) => Trigger::RisingThrough { level_pa: level.si(), time: time?.value },
        (None, None) => Trigger::At(0.0),
    };
    let effect = match (plug?, hose?.value, pressure?) {
        (Some(position), _, _) => Effect::PullPlug(position.value),
        (None, true, _) => Effect::PullHose,
        (None, false, Some(pressure)) => {
            Effect::AirPressure { pressure_pa: pressure.si(), for_s: duration?.si() }
        }
        (None, false, None) => Effect::VentStuckShut,
    };
    Some(Fault { when, effect })
}
