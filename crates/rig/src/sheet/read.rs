//! Reading the rig sheet's keys.

use super::{
    Calibration, Hose, Interlocks, Lag, LinkSheet, Manifold, ModuleTimes, Output, Position, ReferenceKind,
    ReferenceSheet, RigSheet, rules,
};
use crate::address::{Area, PointAddress};
use crate::signal::{AnalogInput, DigitalInput};
use tripbench_quantity::{LevelDifference, TimeSpan};
use tripbench_sheet::{Header, Reader};

impl RigSheet {
    /// Reads a rig sheet.
    pub fn read(reader: &Reader<'_>) -> Option<Self> {
        let header = Header::read(reader);
        let link = reader.table("link", "how the module is reached", LinkSheet::read);
        let module = reader.optional_table("module", "delays inside the module", ModuleTimes::read);
        let reference = reader.table("reference", "the calibrated vacuum transducer", ReferenceSheet::read);
        let air_pressure = reader.optional_table("air_pressure", "air pressure input", AnalogInput::read);
        let ambient = reader.optional_table("ambient", "ambient pressure input", AnalogInput::read);
        let outputs = reader.tables("output", "an output", Output::read);
        let interlocks = reader.table("interlocks", "limits held at every moment", Interlocks::read);
        let manifold = reader.table("manifold", "the air side", Manifold::read);
        let positions = reader.tables("position", "a place for one device", Position::read);
        let mut sheet = Self {
            header: header?,
            link: link?,
            module: module?.unwrap_or_default(),
            reference: reference?,
            air_pressure: air_pressure?,
            ambient: ambient?,
            outputs: outputs?,
            interlocks: interlocks?,
            manifold: manifold?,
            positions: positions?,
        };
        rules::check(&sheet, reader)?;
        sheet.outputs.sort_by_key(|output| output.at.number);
        sheet.positions.sort_by_key(|position| *position.number);
        Some(sheet)
    }
}

impl LinkSheet {
    fn read(reader: &Reader<'_>) -> Option<Self> {
        let milliseconds = |count: f64| TimeSpan::new(count * 1e-3);
        let tcp = reader.required("tcp", "host and port, such as \"127.0.0.1:502\"");
        let tcp = reader.tested(tcp, "host:port, such as \"192.168.1.20:502\"", |text: &String| {
            text.rsplit_once(':').is_some_and(|(host, port)| !host.is_empty() && port.parse::<u16>().is_ok())
        });
        let unit = reader.or("unit", "unit identifier, 1 to 247; 0 and 255 where a TCP module wants them", 1);
        let timeout =
            reader.or("answer_timeout", "longest time that an answer may take", milliseconds(100.0));
        let timeout = reader.tested(timeout, "1 ms to 10 s", |t| (1e-3..=10.0).contains(&t.si()));
        let slowest = reader.or(
            "slowest_answer",
            "longest time after which something sent can still act",
            milliseconds(500.0),
        );
        let slowest = reader.tested(slowest, "1 ms to 10 s", |t| (1e-3..=10.0).contains(&t.si()));
        let interval = reader.or("scan_interval", "shortest time between two scans", milliseconds(5.0));
        let interval = reader.tested(interval, "0 ms to 200 ms", |t| t.si() <= 0.2);
        let hole = reader.or("largest_hole", "addresses nobody wants that may be read to save a request", 0);
        Some(Self {
            tcp: tcp?,
            unit: unit?,
            answer_timeout: timeout?,
            slowest_answer: slowest?,
            scan_interval: interval?,
            largest_hole: hole?,
        })
    }
}

impl ModuleTimes {
    fn read(reader: &Reader<'_>) -> Option<Self> {
        let filter = reader.or("input_filter", "fixed delay of the digital inputs", TimeSpan::ZERO);
        let age = reader.or("image_age", "oldest that an answered input can be", TimeSpan::ZERO);
        let converter = reader.or("converter", "time between two analog conversions", TimeSpan::ZERO);
        let loss = reader.optional("loss_of_master", "outputs fall to safe after this time without a master");
        Some(Self {
            input_filter: filter?.value,
            image_age: age?.value,
            converter: converter?.value,
            loss_of_master: loss?.map(|time| time.value),
        })
    }
}

impl ReferenceSheet {
    fn read(reader: &Reader<'_>) -> Option<Self> {
        let pascal = LevelDifference::new;
        let name = reader.required("name", "what is on its label");
        let kind = reader.or("kind", "gauge or absolute", ReferenceKind::Gauge);
        let input = reader.table("input", "its analog input", AnalogInput::read);
        let range = reader.required("range", "deepest level that it measures");
        let lag = reader.table("lag", "its lag, first order", Lag::read);
        let noise = reader.required("noise", "standard deviation of its noise");
        let hysteresis = reader.or("hysteresis", "half width of its own hysteresis", pascal(0.0));
        let drift = reader.or("drift", "half width of its zero drift during a run", pascal(50.0));
        let zero = reader.or("largest_zero", "largest zero reading that is corrected", pascal(1_000.0));
        let calibration = reader.table("calibration", "its calibration", Calibration::read);
        Some(Self {
            name: name?,
            kind: kind?.value,
            input: input?,
            range: range?,
            lag: lag?,
            noise: noise?,
            hysteresis: hysteresis?,
            drift: drift?,
            largest_zero: zero?,
            calibration: calibration?,
        })
    }
}

impl Lag {
    fn read(reader: &Reader<'_>) -> Option<Self> {
        let value = reader.required("value", "time constant");
        let uncertainty =
            reader.required("uncertainty", "half width of the interval that it is known to be in");
        let how = reader.required("how", "how it was found: certificate, data sheet, measured");
        Some(Self { value: value?, uncertainty: uncertainty?, how: how? })
    }
}

impl Calibration {
    fn read(reader: &Reader<'_>) -> Option<Self> {
        let date = reader.required("date", "when it was calibrated");
        let due = reader.required("due", "until when the calibration holds");
        let certificate = reader.required("certificate", "number of the certificate");
        let correction =
            reader.or("correction_pa", "fixed part of the correction added to a reading, in pascal", 0.0);
        let slope = reader.or("correction_slope", "part of the reading that is added to it", 0.0);
        let slope = reader.tested(slope, "-0.1 to 0.1", |slope: &f64| slope.abs() <= 0.1);
        let uncertainty =
            reader.required("expanded_uncertainty", "expanded uncertainty of a corrected reading");
        let uncertainty = reader.tested(uncertainty, "more than zero", |u: &LevelDifference| u.si() > 0.0);
        let factor = reader.or("coverage_factor", "coverage factor of that uncertainty", 2.0);
        let factor = reader.tested(factor, "1 to 4", |k: &f64| (1.0..=4.0).contains(k));
        Some(Self {
            date: date?,
            due: due?,
            certificate: certificate?,
            correction: correction?.map(LevelDifference::new),
            correction_slope: slope?,
            expanded_uncertainty: uncertainty?,
            coverage_factor: factor?,
        })
    }
}

impl Output {
    fn read(reader: &Reader<'_>) -> Option<Self> {
        let name = reader.required("name", "evacuate, evacuate-fine, bleed, vent or device-power");
        let at = reader.required("at", "its coil, such as \"coil 0\"");
        let at = reader.tested(at, "a coil, such as \"coil 0\"", |at: &PointAddress| at.area == Area::Coil);
        let safe = reader.required("safe", "its safe value: true is on");
        let without_power = reader.optional("without_power", "what its valve does without power");
        Some(Self {
            name: name?.value,
            at: at?,
            safe: safe?,
            without_power: without_power?.map(|word| word.value),
            place: reader.place(),
        })
    }
}

impl Interlocks {
    fn read(reader: &Reader<'_>) -> Option<Self> {
        let highest = reader.required("highest_level", "no deeper than this");
        let longest =
            reader.or("longest_at_vacuum", "no longer than this under vacuum", TimeSpan::new(120.0));
        let longest = reader.tested(longest, "1 s to 1 h", |time| (1.0..=3_600.0).contains(&time.si()));
        let longest = reader.tested(longest, "1 s to 1 h", |time| (1.0..=3_600.0).contains(&time.si()));
        let air = reader.optional("air_pressure", "lowest and highest air pressure with which valves move");
        let stop = reader.optional_table(
            "emergency_stop",
            "on while the emergency stop is released",
            DigitalInput::read,
        );
        let door =
            reader.optional_table("guard_door", "on while the guard door is closed", DigitalInput::read);
        Some(Self {
            highest_level: highest?,
            longest_at_vacuum: longest?,
            air_pressure: air?,
            emergency_stop: stop?,
            guard_door: door?,
        })
    }
}

impl Manifold {
    fn read(reader: &Reader<'_>) -> Option<Self> {
        let positive = |time: &TimeSpan| time.si() > 0.0;
        let volume = reader.required("volume", "volume of manifold, tee and hoses");
        let ultimate = reader.required("ultimate_vacuum", "deepest level that is reached");
        let evacuate = reader.required("evacuate", "time constant of evacuation at full flow");
        let evacuate = reader.tested(evacuate, "more than zero", positive);
        let fine = reader.optional("evacuate_fine", "time constant of evacuation through the throttle");
        let bleed = reader.optional("bleed", "time constant of the bleed valve");
        let vent = reader.required("vent", "time constant of the vent valve");
        let thermal = reader.or(
            "thermal",
            "time constant of the gas taking the wall's temperature",
            TimeSpan::new(1.0),
        );
        let leak = reader.required("largest_leak", "largest leak with which levels can still be judged");
        let delay = reader.or("valve_delay", "longest time that a valve takes to act", TimeSpan::new(0.3));
        Some(Self {
            volume: volume?,
            ultimate_vacuum: ultimate?,
            evacuate: evacuate?,
            evacuate_fine: fine?,
            bleed: bleed?,
            vent: vent?,
            thermal: thermal?,
            largest_leak: leak?,
            valve_delay: delay?,
        })
    }
}

impl Hose {
    fn read(reader: &Reader<'_>) -> Option<Self> {
        let bore = reader.required("bore", "inner diameter");
        let length = reader.required("length", "length");
        Some(Self { bore: bore?.value, length: length?.value })
    }
}

impl Position {
    fn read(reader: &Reader<'_>) -> Option<Self> {
        let number = reader.required("number", "its number, from 1");
        let number = reader.tested(number, "1 to 64", |number| (1..=64).contains(number));
        let switch = reader.table("switch", "the device's switch output", DigitalInput::read);
        let valve = reader.optional_table("valve", "the device's valve output", DigitalInput::read);
        let present =
            reader.optional_table("present", "on while the device's plug is connected", DigitalInput::read);
        let hose = reader.optional_table("hose", "its hose", Hose::read);
        Some(Self { number: number?, switch: switch?, valve: valve?, present: present?, hose: hose? })
    }
}
