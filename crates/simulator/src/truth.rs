//! The truth of a simulated bench: the real properties of air, reference, module and devices, and the faults.

use tripbench_quantity::{AirPressure, LevelRate, Temperature, TimeSpan, VacuumLevel};
use tripbench_rig::RigSheet;
use tripbench_sheet::words;

words! {
    /// Fault of a device.
    pub enum DeviceFault {
        /// Its switch output is always on.
        StuckOn = "stuck-on",
        /// Its switch output is always off.
        StuckOff = "stuck-off",
        /// Its comparator has almost no hysteresis and much noise.
        Chattering = "chattering",
        /// Its switch output returns to the old state once for 2 ms after each change.
        Bouncing = "bouncing",
    }
}

/// True properties of the air side.
#[derive(Debug, Clone, PartialEq)]
pub struct AirTruth {
    /// Deepest level that the pump reaches at full strength.
    pub ultimate: VacuumLevel,
    /// Leak rate at half vacuum, 50 kPa.
    pub leak: LevelRate,
    /// Delay of every valve.
    pub valve_delay: TimeSpan,
    /// Greatest random extra delay of a valve.
    pub valve_jitter: TimeSpan,
    /// Air pressure.
    pub pressure: AirPressure,
    /// Air pressure from which the pump has full strength.
    pub full_strength: AirPressure,
    /// Ambient temperature.
    pub temperature: Temperature,
}

/// True properties of the reference.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct ReferenceTruth {
    /// Reading at ambient, in pascals.
    pub offset_pa: f64,
    /// Relative gain error.
    pub gain: f64,
    /// Lag, in seconds.
    pub lag_s: f64,
    /// Standard deviation of the noise, in pascals.
    pub noise_pa: f64,
    /// Drift, in pascals per second.
    pub drift_pa_per_s: f64,
    /// Time after which the drift stops, in seconds; `None` if it continues.
    pub drift_for_s: Option<f64>,
    /// Excess of the reading away from ambient, the same at every level, in pascals.
    pub error_pa: f64,
    /// Excess of the reading after a rise and after a fall of the level, in pascals: a hysteresis loop that closes at ambient.
    pub loop_pa: [f64; 2],
}

/// True levels of air saving.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct AirSavingTruth {
    /// Level at which the device cuts its valve, in pascals.
    pub cut_off_pa: f64,
    /// Level at which the device feeds again, in pascals.
    pub resume_pa: f64,
    /// Whether the valve is open without power.
    pub open_without_power: bool,
}

/// True properties of the module.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct ModuleTruth {
    /// Fixed delay of the digital inputs, in seconds.
    pub input_filter_s: f64,
    /// Update period of the digital input image, in seconds; 0 for no delay.
    pub image_s: f64,
    /// Time without a request after which outputs become safe, in seconds; `None` if they never do.
    pub loss_of_master_s: Option<f64>,
}

/// The hose to a device, with the volume and leak behind it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct HoseTruth {
    /// Conductance at a pressure of 50 kPa, in m³/s; proportional to the pressure, as in laminar flow.
    pub conductance_m3_per_s: f64,
    /// Volume behind the restriction, in m³.
    pub volume_m3: f64,
    /// Leak of the device itself at half vacuum, in Pa m³/s.
    pub leak_pa_m3_per_s: f64,
}

/// Unusual behaviour of a device that no sheet mentions.
#[derive(Debug, Clone, PartialEq)]
pub struct Quirks {
    /// Extra delay of the valve output when it cuts and when it feeds, in seconds.
    pub valve_later_s: [f64; 2],
    /// Factors on the repeatability of switch point, reset point, cut-off and resume level.
    pub spread_factors: [f64; 4],
    /// How much deeper the switch output turns on the first time, in pascals.
    pub first_deeper_pa: f64,
    /// Intervals in which the switch output is inverted, in seconds since the start.
    pub dropouts_s: Vec<[f64; 2]>,
    /// The position whose device is wired to the inputs of this one, if not its own.
    pub wired_to: Option<u8>,
}

impl Quirks {
    /// No unusual behaviour.
    pub const NONE: Self = Self {
        valve_later_s: [0.0; 2],
        spread_factors: [1.0; 4],
        first_deeper_pa: 0.0,
        dropouts_s: Vec::new(),
        wired_to: None,
    };
}

/// True properties of a device.
#[derive(Debug, Clone, PartialEq)]
pub struct DeviceTruth {
    /// Its position.
    pub position: u8,
    /// Level at which it turns on at a slow rate, before the errors of its sensor, in pascals.
    pub switch_point_pa: f64,
    /// Level at which it turns off at a slow rate, before the errors of its sensor, in pascals.
    pub reset_point_pa: f64,
    /// Offset of its sensor, in pascals.
    pub offset_pa: f64,
    /// Relative gain error of its sensor.
    pub gain: f64,
    /// Lag of its sensor, in seconds.
    pub lag_s: f64,
    /// Standard deviation of its levels from one crossing to the next, in pascals.
    pub repeatability_pa: f64,
    /// Standard deviation of the fast noise of its comparator, in pascals.
    pub noise_pa: f64,
    /// Delay from comparator to output when turning on, in seconds.
    pub delay_on_s: f64,
    /// Delay from comparator to output when turning off, in seconds.
    pub delay_off_s: f64,
    /// Whether it is on below its switch point.
    pub normally_closed: bool,
    /// Air saving; `None` if it has no valve output.
    pub air_saving: Option<AirSavingTruth>,
    /// The hose to it; `None` if its effect is negligible.
    pub hose: Option<HoseTruth>,
    /// Its fault, if any.
    pub fault: Option<DeviceFault>,
    /// Its unusual behaviour.
    pub quirks: Quirks,
}

/// Time or event at which a fault occurs.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Trigger {
    /// At a time, in seconds since the start.
    At(f64),
    /// When the level rises through a value for the n-th time.
    RisingThrough {
        /// The level, in pascals.
        level_pa: f64,
        /// The number n, from 1.
        time: u32,
    },
    /// When the level falls through a value for the n-th time.
    FallingThrough {
        /// The level, in pascals.
        level_pa: f64,
        /// The number n, from 1.
        time: u32,
    },
}

/// Effect of a fault.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Effect {
    /// A device's plug is pulled.
    PullPlug(u8),
    /// A person operates an output at its plug.
    Operate {
        /// The position of the device.
        position: u8,
        /// Whether it is the valve output instead of the switch output.
        valve: bool,
        /// Duration, in seconds.
        for_s: f64,
    },
    /// A hose comes off.
    PullHose,
    /// The air pressure changes for some time.
    AirPressure {
        /// The pressure, in pascals.
        pressure_pa: f64,
        /// Duration, in seconds.
        for_s: f64,
    },
    /// The evacuation valve is stuck.
    EvacuateStuck {
        /// Whether it is stuck open.
        open: bool,
    },
    /// The vent valve is stuck closed.
    VentStuckShut,
    /// The register of the reference keeps its value.
    ReferenceFrozen,
    /// The digital inputs keep their values.
    InputsFrozen,
    /// The hand that moves the air goes in the wrong direction for some time.
    HandTurns {
        /// Duration, in seconds.
        for_s: f64,
    },
}

/// A fault with its trigger.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Fault {
    /// When it occurs.
    pub when: Trigger,
    /// What it does.
    pub effect: Effect,
}

/// The truth of a simulated bench.
#[derive(Debug, Clone, PartialEq)]
pub struct Truth {
    /// Seed of all random numbers.
    pub seed: u64,
    /// The air side.
    pub air: AirTruth,
    /// The reference.
    pub reference: ReferenceTruth,
    /// The module.
    pub module: ModuleTruth,
    /// The devices.
    pub devices: Vec<DeviceTruth>,
    /// The faults.
    pub faults: Vec<Fault>,
}

impl DeviceTruth {
    /// A good device with these levels, in pascals.
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

    /// True level at which it turns on at a slow rate, including the errors of its sensor, in pascals.
    pub fn on_level_pa(&self) -> f64 {
        (self.switch_point_pa - self.offset_pa) / (1.0 + self.gain)
    }

    /// True level at which it turns off at a slow rate, including the errors of its sensor, in pascals.
    pub fn off_level_pa(&self) -> f64 {
        (self.reset_point_pa - self.offset_pa) / (1.0 + self.gain)
    }
}

impl Truth {
    /// A rig exactly as declared in its sheet, without devices.
    pub fn as_declared(rig: &RigSheet, seed: u64) -> Self {
        let window = rig.run_limits.air_pressure.as_ref().map(|window| window.value);
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
