//! The digital inputs of the module: the source of each, the number of its edges, and the time of the last one.

use crate::device::Device;
use crate::encode::raw_bit;
use tripbench_rig::{DigitalInput, RigSheet};

/// Source of an input.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Behind {
    Switch(u8),
    Valve(u8),
    Present(u8),
    /// Emergency stop or guard door, always released or closed.
    Guard,
    /// The output `loop` of the same module.
    Loop,
}

/// An input with its edge counters and the time of its last edge.
#[derive(Debug, Clone)]
pub(crate) struct Line {
    pub(crate) input: DigitalInput,
    behind: Behind,
    state: bool,
    pub(crate) rising: u64,
    pub(crate) both: u64,
    /// Time of the last edge, in seconds.
    pub(crate) edge_s: f64,
}

/// Every digital input.
#[derive(Debug, Clone)]
pub(crate) struct Lines(pub(crate) Vec<Line>);

impl Lines {
    pub(crate) fn of(rig: &RigSheet) -> Self {
        let positions = rig.positions.iter().flat_map(|position| {
            let number = *position.number;
            [
                Some((&position.switch, Behind::Switch(number))),
                position.valve.as_ref().map(|input| (input, Behind::Valve(number))),
                position.present.as_ref().map(|input| (input, Behind::Present(number))),
            ]
        });
        let guards = [&rig.run_limits.emergency_stop, &rig.run_limits.guard_door];
        let guards = guards.into_iter().map(|guard| guard.as_ref().map(|input| (input, Behind::Guard)));
        let looped = rig.module.looped.as_ref().map(|input| (input, Behind::Loop));
        let line = |(input, behind): (&DigitalInput, Behind)| Line {
            input: input.clone(),
            behind,
            state: false,
            rising: 0,
            both: 0,
            edge_s: 0.0,
        };
        Self(positions.chain(guards).chain([looped]).flatten().map(line).collect())
    }

    /// Records edges since the last step, delayed by the input filter.
    pub(crate) fn note(&mut self, devices: &[Device], now_s: f64, filter_s: f64) {
        for line in
            self.0.iter_mut().filter(|line| line.input.counter.is_some() || line.input.capture.is_some())
        {
            let state = line.state_at(devices, now_s - filter_s);
            if state != line.state {
                line.state = state;
                line.both += 1;
                line.rising += u64::from(raw_bit(&line.input, state));
                line.edge_s = line.changed_s(devices, now_s - filter_s) + filter_s;
            }
        }
    }
}

impl Line {
    /// Whether its source is the output `loop`.
    pub(crate) fn is_looped(&self) -> bool {
        self.behind == Behind::Loop
    }

    /// State of the wire at a time.
    pub(crate) fn state_at(&self, devices: &[Device], at_s: f64) -> bool {
        let at = |number: u8| devices.iter().find(|device| device.truth.position == number);
        // A wire may be connected to the terminal of another position.
        let device = |number: u8| {
            let wired_to = at(number).and_then(|device| device.truth.quirks.wired_to);
            at(wired_to.unwrap_or(number))
        };
        match self.behind {
            Behind::Switch(number) => device(number).is_some_and(|device| device.output_at(at_s)),
            Behind::Valve(number) => device(number).is_some_and(|device| device.valve_at(at_s)),
            Behind::Present(number) => device(number).is_some_and(|device| device.plugged),
            // Not a device: the module itself supplies this state.
            Behind::Loop => false,
            Behind::Guard => true,
        }
    }

    /// Time of the last change on the wire: exact for device outputs, otherwise `now_s`.
    fn changed_s(&self, devices: &[Device], now_s: f64) -> f64 {
        let device = |number: u8| devices.iter().find(|device| device.truth.position == number);
        let exact = match self.behind {
            Behind::Switch(number) => device(number).and_then(|device| device.output_changed(now_s)),
            Behind::Valve(number) => device(number).and_then(|device| device.valve_changed(now_s)),
            Behind::Present(_) | Behind::Guard | Behind::Loop => None,
        };
        exact.unwrap_or(now_s)
    }
}
