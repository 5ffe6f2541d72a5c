//! The truth of a simulated bench: what its air, reference and devices really are, and what goes wrong when.

use tripbench_quantity::{AirPressure, LevelRate, Temperature, TimeSpan, VacuumLevel};
use tripbench_rig::RigSheet;
use tripbench_sheet::words;

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
    /// Seconds after which the drift has come to rest; `None` goes on.
    pub drift_for_s: Option<f64>,
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

/// The hose to a device, with what is behind it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct HoseTruth {
    /// Its conductance at half an atmosphere, m³/s; in laminar flow it goes with the pressure.
    pub conductance_m3_per_s: f64,
    /// Volume behind what throttles it, m³.
    pub volume_m3: f64,
    /// Leak of the device itself at half vacuum, Pa m³/s.
    pub leak_pa_m3_per_s: f64,
}

/// What a device does that no sheet promises and few tests look for.
#[derive(Debug, Clone, PartialEq)]
pub struct Quirks {
    /// How much later its valve output is than its delay, when it cuts and when it feeds, seconds.
    pub valve_later_s: [f64; 2],
    /// Factors on its spread: switch point, reset point, cut-off, resume.
    pub spread_factors: [f64; 4],
    /// How much deeper its first operation comes, pascal.
    pub first_deeper_pa: f64,
    /// From when to when its switch output is in the other state, seconds since the start.
    pub dropouts_s: Vec<[f64; 2]>,
    /// The position whose lines come in at its inputs.
    pub wired_to: Option<u8>,
}

impl Quirks {
    /// A device without any.
    pub const NONE: Self = Self {
        valve_later_s: [0.0; 2],
        spread_factors: [1.0; 4],
        first_deeper_pa: 0.0,
        dropouts_s: Vec::new(),
        wired_to: None,
    };
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
    /// The hose to it, where that is not as good as none.
    pub hose: Option<HoseTruth>,
    /// How it misbehaves.
    pub fault: Option<DeviceFault>,
    /// What else it does.
    pub quirks: Quirks,
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
    /// When the level falls through a value for the n-th time.
    FallingThrough {
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
    /// A person operates an output at its plug.
    Operate {
        /// Whose.
        position: u8,
        /// Its valve output, not its switch output.
        valve: bool,
        /// How long, seconds.
        for_s: f64,
    },
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
    /// The hand that moves the air goes the other way for a time.
    HandTurns {
        /// How long, seconds.
        for_s: f64,
    },
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
            hose: None,
            fault: None,
            quirks: Quirks::NONE,
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
}
