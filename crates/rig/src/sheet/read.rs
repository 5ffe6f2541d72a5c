//! Reading of the keys of the rig sheet.

use super::{
    Calibration, Hose, Lag, LinkSheet, Manifold, ModuleClock, ModuleTimes, Output, Position, ReferenceKind,
    ReferenceSheet, RigSheet, RunLimits, rules,
};
use crate::address::{Area, PointAddress};
use crate::command::OutputName;
use crate::signal::{AnalogInput, DigitalInput, RegisterInput, Scale};
use tripbench_quantity::{Length, LevelDifference, TimeSpan, VacuumLevel, Volume};
use tripbench_sheet::{At, Header, Reader};

impl RigSheet {
    /// Reads a rig sheet.
    pub fn read(reader: &Reader<'_>) -> Option<Self> {
        let header = Header::read(reader);
        let link = reader.table("link", "the link to the module", LinkSheet::read);
        let module = reader.optional_table("module", "delays inside the module", ModuleTimes::read);
        let reference = reader.table("reference", "the calibrated vacuum transducer", ReferenceSheet::read);
        let air_pressure = reader.optional_table("air_pressure", "air pressure input", AnalogInput::read);
        let ambient = reader.optional_table("ambient", "ambient pressure input", AnalogInput::read);
        let outputs = reader.tables("output", "an output", Output::read);
        let run_limits = reader.table("run_limits", "limits checked throughout a run", RunLimits::read);
        let manifold = reader.table("manifold", "the air side: volume, leak, time constants", Manifold::read);
        let positions = reader.tables("position", "a place for one device", Position::read);
        let mut sheet = Self {
            header: header?,
            link: link?,
            module: module?.unwrap_or_default(),
            reference: reference?,
            air_pressure: air_pressure?,
            ambient: ambient?,
            outputs: outputs?,
            run_limits: run_limits?,
            manifold: manifold?,
            positions: positions?,
        };
        sheet.own_unit();
        rules::check(&sheet, reader)?;
        sheet.outputs.sort_by_key(|output| output.at.value);
        sheet.positions.sort_by_key(|position| *position.number);
        Some(sheet)
    }

    /// Removes the unit from addresses that name the unit of the link, so that equal addresses compare equal.
    fn own_unit(&mut self) {
        let own = *self.link.unit;
        let registers = |input: &mut DigitalInput| {
            let DigitalInput { at, counter, capture, .. } = input;
            for at in [
                Some(at),
                counter.as_mut().map(|counter| &mut counter.register.at),
                capture.as_mut().map(|c| &mut c.at),
            ]
            .into_iter()
            .flatten()
            {
                at.value.unit = at.unit.filter(|unit| *unit != own);
            }
        };
        for position in &mut self.positions {
            let Position { switch, valve, present, .. } = position;
            [Some(switch), valve.as_mut(), present.as_mut()].into_iter().flatten().for_each(registers);
        }
        let guards = [
            self.run_limits.emergency_stop.as_mut(),
            self.run_limits.guard_door.as_mut(),
            self.module.looped.as_mut(),
        ];
        guards.into_iter().flatten().for_each(registers);
        let mut others = vec![&mut self.reference.input.at];
        others.extend(self.air_pressure.as_mut().map(|input| &mut input.at));
        others.extend(self.ambient.as_mut().map(|input| &mut input.at));
        others.extend(self.module.clock.as_mut().map(|clock| &mut clock.register.at));
        others.extend(self.outputs.iter_mut().map(|output| &mut output.at));
        for at in others {
            at.value.unit = at.unit.filter(|unit| *unit != own);
        }
    }
}

impl ModuleTimes {
    fn read(reader: &Reader<'_>) -> Option<Self> {
        let filter = reader.or("input_filter", "fixed delay of the digital inputs", TimeSpan::ZERO);
        let age = reader.or("image_age", "greatest age of the inputs in an answer", TimeSpan::ZERO);
        let converter = reader.or("converter", "time between two analog conversions", TimeSpan::ZERO);
        let loss = reader.optional(
            "loss_of_master",
            "time without a request after which the module sets its outputs to safe",
        );
        let clock = reader.optional_table(
            "clock",
            "clock counter with which the module stamps edges",
            ModuleClock::read,
        );
        let about = "the input that the output `loop` is wired to, for rig check";
        let looped = reader.optional_table("looped", about, DigitalInput::read);
        Some(Self {
            input_filter: filter?.value,
            image_age: age?.value,
            converter: converter?.value,
            loss_of_master: loss?.map(|time| time.value),
            clock: clock?,
            looped: looped?,
        })
    }
}

impl ModuleClock {
    fn read(reader: &Reader<'_>) -> Option<Self> {
        let register = RegisterInput::read(reader);
        let tick = reader.required("tick", "duration of one count, such as \"1 ms\"");
        let tick = reader.tested(tick, "1 µs to 1 s", |tick: &TimeSpan| (1e-6..=1.0).contains(&tick.si()));
        Some(Self { register: register?, tick: tick?.value })
    }
}

impl ReferenceSheet {
    fn read(reader: &Reader<'_>) -> Option<Self> {
        let pascal = LevelDifference::new;
        let name = reader.required("name", "name on its label");
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
        let value = reader.tested(value, "0 s to 0.5 s", |lag: &TimeSpan| (0.0..=0.5).contains(&lag.si()));
        let uncertainty =
            reader.required("uncertainty", "half width of the interval in which it is known to lie");
        let how = reader.required("how", "how it was found: certificate, data sheet, measured");
        Some(Self { value: value?, uncertainty: uncertainty?, how: how? })
    }
}

impl Output {
    fn read(reader: &Reader<'_>) -> Option<Self> {
        let name = reader.required(
            "name",
            "evacuate, evacuate-fine, bleed, vent, regulator, hand-over, loop or device-power",
        );
        let regulator = name.as_ref().is_some_and(|name| name.value == OutputName::Regulator);
        let at = reader.required(
            "at",
            "its coil \"coil 0\", register bit \"holding-register 2 bit 5\", or the register of a regulator or of an output with `on`",
        );
        let on = reader.optional::<u16>(
            "on",
            "for an output that is a whole holding register: the word that turns it on, 1 to 65535; 0 turns it off",
        );
        let whole = regulator || matches!(on, Some(Some(_)));
        let on = match on {
            Some(Some(at)) => {
                let allowed =
                    if regulator { "no `on` for a regulator" } else { "1 to 65535; 0 turns the output off" };
                reader.tested(Some(at), allowed, |on| !regulator && *on > 0).map(Some)
            }
            other => other,
        };
        let allowed = if whole {
            "a whole register, such as \"holding-register 5\""
        } else {
            "a coil or the bit of a holding register; a whole register needs the word that turns it on, such as on = 1"
        };
        let at = reader.tested(at, allowed, |at: &PointAddress| match at.area {
            Area::Coil => !whole,
            Area::HoldingRegister => whole == at.bit.is_none(),
            Area::DiscreteInput | Area::InputRegister => false,
        });
        let safe = reader
            .required("safe", "safe value, true for on; false for a regulator, which then asks for ambient");
        let counts: Option<Option<At<[f64; 2]>>> =
            reader.optional("counts", "a regulator's counts at two points, 0 to 65535");
        let values: Option<Option<At<[VacuumLevel; 2]>>> =
            reader.optional("values", "set points of a regulator at the same two points");
        let position = reader.optional::<u8>(
            "position",
            "for a hand-over: the position whose device gets the evacuation valve",
        );
        let without_power =
            reader.optional("without_power", "state of its valve without power: closed or open");
        let scale =
            counts?.zip(values?).map(|(counts, values)| Scale { counts: counts.value, values: values.value });
        Some(Self {
            name: name?.value,
            at: at?,
            on: on?.map(|word| word.value),
            safe: safe?,
            scale,
            position: position?.map(|position| position.value),
            without_power: without_power?.map(|word| word.value),
            place: reader.place(),
        })
    }
}

impl RunLimits {
    fn read(reader: &Reader<'_>) -> Option<Self> {
        let highest = reader.required("deepest_level", "deepest level allowed");
        let longest =
            reader.or("longest_at_vacuum", "longest time under vacuum without a break", TimeSpan::new(120.0));
        let longest = reader.tested(longest, "1 s to 1 h", |time| (1.0..=3_600.0).contains(&time.si()));
        let air =
            reader.optional("air_pressure", "lowest and highest air pressure at which valves are operated");
        let stop = reader.optional_table(
            "emergency_stop",
            "on while the emergency stop is released",
            DigitalInput::read,
        );
        let door =
            reader.optional_table("guard_door", "on while the guard door is closed", DigitalInput::read);
        Some(Self {
            deepest_level: highest?,
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
        let ultimate = reader.required("ultimate_vacuum", "deepest level that the pump reaches");
        let evacuate = reader.required("evacuate", "time constant of evacuation at full flow");
        let evacuate = reader.tested(evacuate, "more than zero", positive);
        let fine = reader.optional("evacuate_fine", "time constant of evacuation through the throttle");
        let bleed = reader.optional("bleed", "time constant of the bleed valve");
        let vent = reader.required("vent", "time constant of the vent valve");
        let thermal = reader.or(
            "thermal",
            "time constant of the gas temperature approaching that of the wall",
            TimeSpan::new(1.0),
        );
        let leak = reader.required("largest_leak", "largest leak at which levels can still be judged");
        let delay = reader.or("valve_delay", "longest time until a valve acts", TimeSpan::new(0.3));
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
        let bore = reader.tested(bore, "0.3 mm to 50 mm", |bore: &Length| (3e-4..=0.05).contains(&bore.si()));
        let length =
            reader.tested(length, "1 mm to 200 m", |length: &Length| (1e-3..=200.0).contains(&length.si()));
        let about = "smallest volume behind a possible restriction, that of the device with its fitting; by default that of the hose";
        let behind = match reader.optional::<Volume>("behind", about) {
            Some(Some(at)) => reader.tested(Some(at), "more than 0 L", |volume| volume.si() > 0.0).map(Some),
            other => other,
        };
        Some(Self { bore: bore?.value, length: length?.value, behind: behind?.map(|at| at.value) })
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
