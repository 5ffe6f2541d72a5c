//! The truth of a simulated bench: what its air, reference and devices really are, and what goes wrong when.

use tripbench_quantity::{AirPressure, LevelDifference, LevelRate, Temperature, TimeSpan, VacuumLevel};
use tripbench_rig::RigSheet;
use tripbench_sheet::{Reader, words};

words! {
    /// How a device misbehaves.
    pub enum DeviceFault {
        /// Its switch output is always on.
        StuckOn = "stuck-on",
        /// Its switch output is always off.
        StuckOff = "stuck-off",
        /// Its comparator has next to no hysteresis and much noise.
        Chattering = "chattering",
        /// Its switch output goes back once for 2 ms after each change.
        Bouncing = "bouncing",
    }
}

/// The air as it really is.
#[derive(Debug, Clone, PartialEq)]
pub struct AirTruth {
    /// Volume, evacuation and venting relative to the rig sheet: 1 is as declared.
    pub ultimate: VacuumLevel,
    /// Leak at half vacuum.
    pub leak: LevelRate,
    /// Delay of every valve.
    pub valve_delay: TimeSpan,
    /// How much later a valve may act, differently each time.
    pub valve_jitter: TimeSpan,
    /// Air pressure.
    pub pressure: AirPressure,
    /// Air pressure at which the pump is at full strength.
    pub full_strength: AirPressure,
    /// Temperature around.
    pub temperature: Temperature,
}

/// The reference as it really is.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct ReferenceTruth {
    /// Reading at ambient, pascal.
    pub offset_pa: f64,
    /// Relative gain error.
    pub gain: f64,
    /// Lag, seconds.
    pub lag_s: f64,
    /// Standard deviation of noise, pascal.
    pub noise_pa: f64,
    /// Drift, pascal per second.
    pub drift_pa_per_s: f64,
    /// What it reads too much away from ambient, pascal, whatever the level.
    pub error_pa: f64,
    /// What it reads too much after the level has risen and after it has fallen, pascal; a loop that closes at ambient.
    pub loop_pa: [f64; 2],
}

/// Air saving as it is really set.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct AirSavingTruth {
    /// Cuts its valve here, pascal.
    pub cut_off_pa: f64,
    /// Feeds again here, pascal.
    pub resume_pa: f64,
    /// Whether the valve is open without power.
    pub open_without_power: bool,
}

/// The module as it really is.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct ModuleTruth {
    /// Fixed delay of the digital inputs, seconds.
    pub input_filter_s: f64,
    /// Period with which the image of the digital inputs is renewed, seconds; 0 is at once.
    pub image_s: f64,
    /// Outputs fall to safe after this time without a request, seconds.
    pub loss_of_master_s: Option<f64>,
}

/// A device as it really is.
#[derive(Debug, Clone, PartialEq)]
pub struct DeviceTruth {
    /// Its position.
    pub position: u8,
    /// Level at which it turns on when moved slowly, pascal, before its own errors.
    pub switch_point_pa: f64,
    /// Level at which it turns off, pascal, before its own errors.
    pub reset_point_pa: f64,
    /// Offset of its sensor, pascal.
    pub offset_pa: f64,
    /// Relative gain error of its sensor.
    pub gain: f64,
    /// Lag of its sensor, seconds.
    pub lag_s: f64,
    /// Standard deviation of its comparator from one crossing to the next, pascal.
    pub repeatability_pa: f64,
    /// Standard deviation of fast noise in its comparator, pascal.
    pub noise_pa: f64,
    /// Delay from comparator to output, on, seconds.
    pub delay_on_s: f64,
    /// Delay from comparator to output, off, seconds.
    pub delay_off_s: f64,
    /// On below its switch point.
    pub normally_closed: bool,
    /// Air saving.
    pub air_saving: Option<AirSavingTruth>,
    /// How it misbehaves.
    pub fault: Option<DeviceFault>,
}

/// When something happens.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Trigger {
    /// At a time, seconds since the start.
    At(f64),
    /// When the level rises through a value for the n-th time.
    RisingThrough {
        /// The level, pascal.
        level_pa: f64,
        /// Which time, from 1.
        time: u32,
    },
}

/// What happens.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Effect {
    /// A device's plug is pulled.
    PullPlug(u8),
    /// A hose comes off.
    PullHose,
    /// The air pressure changes for a time.
    AirPressure {
        /// The pressure, pascal.
        pressure_pa: f64,
        /// How long, seconds.
        for_s: f64,
    },
    /// The evacuation valve does not move any more.
    EvacuateStuck {
        /// Whether it stays open.
        open: bool,
    },
    /// The vent valve stays shut.
    VentStuckShut,
    /// The reference's register keeps its value.
    ReferenceFrozen,
    /// The digital inputs keep their values.
    InputsFrozen,
}

/// Something that goes wrong.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Fault {
    /// When.
    pub when: Trigger,
    /// What.
    pub effect: Effect,
}

/// The whole truth.
#[derive(Debug, Clone, PartialEq)]
pub struct Truth {
    /// Seed of everything random.
    pub seed: u64,
    /// The air.
    pub air: AirTruth,
    /// The reference.
    pub reference: ReferenceTruth,
    /// The module.
    pub module: ModuleTruth,
    /// The devices.
    pub devices: Vec<DeviceTruth>,
    /// What goes wrong.
    pub faults: Vec<Fault>,
}

impl DeviceTruth {
    /// A good device with the levels of its setting.
    pub const fn good(position: u8, switch_point_pa: f64, reset_point_pa: f64) -> Self {
        Self {
            position,
            switch_point_pa,
            reset_point_pa,
            offset_pa: 0.0,
            gain: 0.0,
            lag_s: 0.002,
            repeatability_pa: 20.0,
            noise_pa: 0.0,
            delay_on_s: 0.003,
            delay_off_s: 0.003,
            normally_closed: false,
            air_saving: None,
            fault: None,
        }
    }

    /// Level at which it turns on when moved slowly, its sensor's errors included, pascal.
    pub fn on_level_pa(&self) -> f64 {
        (self.switch_point_pa - self.offset_pa) / (1.0 + self.gain)
    }

    /// Level at which it turns off when moved slowly, its sensor's errors included, pascal.
    pub fn off_level_pa(&self) -> f64 {
        (self.reset_point_pa - self.offset_pa) / (1.0 + self.gain)
    }
}

impl Truth {
    /// A rig that is just as its sheet says, without devices.
    pub fn as_declared(rig: &RigSheet, seed: u64) -> Self {
        let window = rig.interlocks.air_pressure.as_ref().map(|window| window.value);
        let pressure = window.map_or(5.5e5, |[low, high]| f64::midpoint(low.si(), high.si()));
        Self {
            seed,
            air: AirTruth {
                ultimate: rig.manifold.ultimate_vacuum.value,
                leak: LevelRate::new(rig.manifold.largest_leak.si() * 0.1),
                valve_delay: TimeSpan::new(0.02),
                valve_jitter: TimeSpan::ZERO,
                pressure: AirPressure::new(pressure),
                full_strength: AirPressure::new(pressure * 0.8),
                temperature: Temperature::new(293.15),
            },
            reference: ReferenceTruth {
                lag_s: rig.reference.lag.value.si(),
                noise_pa: rig.reference.noise.si(),
                ..ReferenceTruth::default()
            },
            module: ModuleTruth {
                input_filter_s: rig.module.input_filter.si(),
                image_s: rig.module.image_age.si(),
                loss_of_master_s: rig.module.loss_of_master.map(TimeSpan::si),
            },
            devices: Vec::new(),
            faults: Vec::new(),
        }
    }

    /// Reads a truth over what a rig sheet declares.
    pub fn read(reader: &Reader<'_>, rig: &RigSheet) -> Option<Self> {
        let declared = Self::as_declared(rig, 0);
        let seed = reader.or("seed", "seed of everything random", 1_u32);
        let leak = reader.or("leak", "leak at half vacuum", declared.air.leak);
        let pressure = reader.or("air_pressure", "air pressure", declared.air.pressure);
        let temperature = reader.or("temperature", "temperature around", declared.air.temperature);
        let jitter = reader.or(
            "valve_jitter",
            "how much later a valve may act, differently each time",
            TimeSpan::ZERO,
        );
        let reference = reader.optional_table("reference", "errors of the reference", |table| {
            read_reference(table, declared.reference)
        });
        let module = reader
            .optional_table("module", "delays of the module", |table| read_module(table, declared.module));
        let devices = reader.tables("device", "a device", read_device);
        let faults = reader.tables("fault", "something that goes wrong", read_fault);
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
    let error = reader.or("error_pa", "what it reads too much away from ambient, pascal", 0.0);
    let rising = reader.or("after_rising_pa", "what it reads too much after rising, pascal", 0.0);
    let falling = reader.or("after_falling_pa", "what it reads too much after falling, pascal", 0.0);
    Some(ReferenceTruth {
        offset_pa: offset?.value,
        gain: gain?.value,
        lag_s: lag?.si(),
        noise_pa: noise?.si(),
        drift_pa_per_s: drift?.value,
        error_pa: error?.value,
        loop_pa: [rising?.value, falling?.value],
    })
}

fn read_module(reader: &Reader<'_>, declared: ModuleTruth) -> Option<ModuleTruth> {
    let filter =
        reader.or("input_filter", "fixed delay of the inputs", TimeSpan::new(declared.input_filter_s));
    let image = reader.or(
        "image",
        "period with which the image of the inputs is renewed",
        TimeSpan::new(declared.image_s),
    );
    let loss = reader
        .optional::<TimeSpan>("loss_of_master", "outputs fall to safe after this time without a request");
    Some(ModuleTruth {
        input_filter_s: filter?.si(),
        image_s: image?.si(),
        loss_of_master_s: loss?.map(|time| time.si()).or(declared.loss_of_master_s),
    })
}

fn read_device(reader: &Reader<'_>) -> Option<DeviceTruth> {
    let position = reader.required::<u8>("position", "its position");
    let switch_point = reader.required::<VacuumLevel>("switch_point", "turns on here");
    let reset_point = reader.required::<VacuumLevel>("reset_point", "turns off here");
    let offset = reader.or("offset_pa", "offset of its sensor, pascal", 0.0);
    let gain = reader.or("gain", "relative gain error of its sensor", 0.0);
    let lag = reader.or("lag", "lag of its sensor", TimeSpan::new(0.002));
    let repeatability =
        reader.or("repeatability", "spread from crossing to crossing", LevelDifference::new(20.0));
    let noise = reader.or("noise", "fast noise in its comparator", LevelDifference::ZERO);
    let delay_on = reader.or("delay_on", "delay to the output, on", TimeSpan::new(0.003));
    let delay_off = reader.or("delay_off", "delay to the output, off", TimeSpan::new(0.003));
    let closed = reader.or("normally_closed", "on below its switch point", false);
    let saving = reader.optional_table("air_saving", "air saving", |table| {
        let cut_off = table.required::<VacuumLevel>("cut_off", "cuts its valve here");
        let resume = table.required::<VacuumLevel>("resume", "feeds again here");
        let open = table.or("open_without_power", "valve open without power", false);
        Some(AirSavingTruth {
            cut_off_pa: cut_off?.si(),
            resume_pa: resume?.si(),
            open_without_power: open?.value,
        })
    });
    let ratio = reader.or("wrong_unit_ratio", "levels as if set in a wrong unit: multiplied by this", 1.0);
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
        fault: fault?.map(|fault| fault.value),
    })
}

fn read_fault(reader: &Reader<'_>) -> Option<Fault> {
    let at = reader.optional::<TimeSpan>("at", "time since the start");
    let through = reader.optional::<VacuumLevel>("rising_through", "or: when the level rises through this");
    let time = reader.or("time", "for the which time", 1_u32);
    let plug = reader.optional::<u8>("pull_plug", "position whose plug is pulled");
    let hose = reader.or("pull_hose", "a hose comes off", false);
    let pressure = reader.optional::<AirPressure>("air_pressure", "the air pressure changes to this");
    let duration = reader.or("for", "for how long the air pressure changes", TimeSpan::new(20.0));
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
