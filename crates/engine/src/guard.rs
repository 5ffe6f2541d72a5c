//! Limits of a run and link faults, checked before every step sees a scan: no step can forget them.

use crate::bench::Break;
use crate::predict;
use crate::state::{Pause, Seen, State, Unchanged};
use std::time::Duration;
use tripbench_device::SupplyValve;
use tripbench_quantity::{AirPressure, Mono, VacuumLevel};
use tripbench_record::{EventKind, Halt, SetAsideReason, WaitReason};
use tripbench_rig::{Air, Doubt, LONGEST_GAP, Order, RigSheet, Scan};

/// A noisy raw reference changes within this time.
const NEVER_SO_LONG: Duration = Duration::from_secs(2);
/// A noisy raw reference changes within this many scans: the two readings at the ends of a pause may be equal by chance.
const NEVER_SO_MANY: u32 = 20;
/// Level above which the rig counts as being under vacuum, pascal.
const UNDER_VACUUM_PA: f64 = 5_000.0;
/// Time for which the air pressure has to stay inside its window before the run continues.
const AIR_STEADY: Duration = Duration::from_secs(1);

impl State {
    /// Decodes a scan, checks every limit of the run, and stores the scan.
    pub(crate) fn take_scan(&mut self, scan: Scan) -> Result<(), Halt> {
        if !self.decoder.accepts(&scan) {
            self.emit(EventKind::Doubt(Doubt::Short));
            return Err(Halt::Doubt(Doubt::Short));
        }
        let at = scan.end();
        let gap = self.last_scan.replace(at).is_some_and(|last| at.since(last) > LONGEST_GAP);
        let decoded = self.decode(&scan, at);
        let outputs = self.outputs_as_ordered(&scan);
        let plugs = self.plugs(&scan);
        let guards = self.guards(&scan);
        self.recording.push(scan.clone());
        self.emit(EventKind::Scan(scan));
        if gap {
            self.emit(EventKind::Doubt(Doubt::Gap));
            return Err(Halt::Doubt(Doubt::Gap));
        }
        guards?;
        outputs?;
        let seen = decoded?;
        self.level_allowed(&seen)?;
        self.reference_moves(&seen)?;
        self.seen = Some(seen.clone());
        self.seen_count += 1;
        for position in plugs {
            self.set_aside(position, SetAsideReason::Unplugged);
        }
        let positions = &self.task.positions;
        if !positions.is_empty() && positions.iter().all(|plan| !self.is_active(plan.number)) {
            return Err(Halt::NoPositionLeft);
        }
        self.air_pressure_allowed(seen.air_pressure)
    }

    fn decode(&self, scan: &Scan, at: Mono) -> Result<Seen, Halt> {
        let rig = &self.task.sheets.rig;
        let level =
            self.decoder.level(scan, rig).map_err(|fault| Halt::Reference { why: fault.to_string() })?;
        let air_pressure = match self.decoder.air_pressure(scan, rig) {
            Some(Ok(read)) => Some(read.value),
            Some(Err(fault)) => return Err(Halt::AirPressureInput { why: fault.to_string() }),
            None => None,
        };
        let switches = rig
            .positions
            .iter()
            .filter_map(|position| Some((*position.number, self.decoder.bit(scan, &position.switch)?.on)));
        let valves = rig.positions.iter().filter_map(|position| {
            Some((*position.number, self.decoder.bit(scan, position.valve.as_ref()?)?.on))
        });
        let read = level.value;
        let level = self.corrected(read);
        let (switches, valves) = (switches.collect(), valves.collect());
        Ok(Seen { at, read, level, air_pressure, switches, valves })
    }

    /// Level as it is judged: zero subtracted, corrected by the certificate. Near ambient only the zero counts: a vented rig is at 0,
    /// whatever the correction line says there.
    fn corrected(&self, read: VacuumLevel) -> VacuumLevel {
        const WHOLE_FROM_PA: f64 = 5_000.0;
        let zeroed = read.si() - self.zero_pa;
        let correction = self.task.sheets.rig.reference.calibration.corrected_pa(zeroed) - zeroed;
        VacuumLevel::new(zeroed + correction * (zeroed / WHOLE_FROM_PA).clamp(0.0, 1.0))
    }

    fn guards(&self, scan: &Scan) -> Result<(), Halt> {
        let run_limits = &self.task.sheets.rig.run_limits;
        let open = |input: &Option<_>| {
            input.as_ref().is_some_and(|input| !self.decoder.bit(scan, input).is_some_and(|bit| bit.on))
        };
        if open(&run_limits.emergency_stop) {
            return Err(Halt::EmergencyStop);
        }
        if open(&run_limits.guard_door) {
            return Err(Halt::GuardDoor);
        }
        Ok(())
    }

    /// Compares the outputs of a scan with the last confirmed order, unless an order is pending or the scan began before it was
    /// confirmed.
    fn outputs_as_ordered(&self, scan: &Scan) -> Result<(), Halt> {
        let Some((_, since, image)) = self.confirmed.as_ref().filter(|_| self.pending.is_none()) else {
            return Ok(());
        };
        let started = scan.start();
        let same = self.decoder.outputs(scan, &self.task.sheets.rig).is_some_and(|read| read == *image);
        if started < *since || same { Ok(()) } else { Err(Halt::Doubt(Doubt::OutputsDiffer)) }
    }

    /// Positions whose plug was out in two consecutive scans.
    fn plugs(&mut self, scan: &Scan) -> Vec<u8> {
        let mut out = Vec::new();
        for plan in &self.task.positions {
            let Some(present) =
                self.task.sheets.rig.position(plan.number).and_then(|position| position.present.as_ref())
            else {
                continue;
            };
            let plugged = self.decoder.bit(scan, present).is_some_and(|bit| bit.on);
            let count = self.absent.entry(plan.number).or_default();
            *count = if plugged { 0 } else { count.saturating_add(1) };
            if *count >= 2 {
                out.push(plan.number);
            }
        }
        out
    }

    /// Longest time allowed under vacuum. Halved where the module does not go to safe by itself: nothing else ends a forgotten vacuum.
    pub(crate) fn longest_at_vacuum(&self) -> Duration {
        let rig = &self.task.sheets.rig;
        let share = if rig.module.loss_of_master.is_some() { 1.0 } else { 0.5 };
        rig.run_limits.longest_at_vacuum.duration().mul_f64(share)
    }

    fn level_allowed(&mut self, seen: &Seen) -> Result<(), Halt> {
        let rig = &self.task.sheets.rig;
        let level = seen.level;
        // The deeper of the reading and the corrected level.
        let deeper = if level > seen.read { level } else { seen.read };
        if deeper > rig.run_limits.deepest_level.value {
            return Err(Halt::TooDeep(deeper));
        }
        let longest = self.longest_at_vacuum();
        self.vacuum_since = (level.si() > UNDER_VACUUM_PA).then(|| self.vacuum_since.unwrap_or(self.now));
        match self.vacuum_since {
            Some(since) if self.now.since(since) > longest => Err(Halt::TooLongAtVacuum),
            _ => Ok(()),
        }
    }

    /// Halts where the raw reference does not change although the air should move it: a frozen register, a blocked tube.
    fn reference_moves(&mut self, seen: &Seen) -> Result<(), Halt> {
        const SHORTEST_S: f64 = 0.5;
        /// Counts by which the reference should have moved before an unchanged reading is a fault.
        const COUNTS: f64 = 20.0;
        /// Within this share of its end level, the level may have come to rest earlier than the rig sheet says.
        const AT_REST: f64 = 0.1;
        let (raw, level) = (seen.read.si(), seen.level);
        let unchanged = match self.unchanged {
            Some(last) if last.raw.total_cmp(&raw).is_eq() => Unchanged { scans: last.scans + 1, ..last },
            Some(_) | None => Unchanged { raw, since: self.now, scans: 1 },
        };
        self.unchanged = Some(unchanged);
        let since = unchanged.since;
        let sheets = &self.task.sheets;
        // A reading whose noise exceeds its resolution does not stay equal for seconds, whatever moves the air.
        let step_pa = coarse_step_pa(&sheets.rig);
        let noisy = sheets.rig.reference.noise.si() >= step_pa;
        if noisy && unchanged.scans >= NEVER_SO_MANY && self.now.since(since) > NEVER_SO_LONG {
            return Err(Halt::Reference { why: String::from("its raw reading never changes") });
        }
        let Some(order) = self.confirmed_order.filter(|_| !sheets.rig.by_hand()) else { return Ok(()) };
        let reached = sheets.site.reached(sheets.rig.manifold.ultimate_vacuum.value);
        let air = order.air();
        let rate = match order {
            Order::Powered(air) => predict::rate(&sheets.rig, reached, air, level).si(),
            Order::Regulated(pascal) => {
                (f64::from(pascal) - level.si()).abs() / sheets.rig.manifold.evacuate.si()
            }
            Order::HandedOver { position, .. } if self.feeds(position) => {
                predict::rate(&sheets.rig, reached, Air::Evacuate, level).si()
            }
            Order::Safe | Order::HandedOver { .. } | Order::Looped(_) | Order::Silent(_) => return Ok(()),
        };
        let fast = rate * SHORTEST_S > COUNTS * step_pa;
        let left = if air.evacuates() { reached.si() - level.si() } else { level.si() };
        // Slow air, or a coarse reference, is watched for longer.
        let moves = fast || (matches!(order, Order::Powered(_)) && left > AT_REST * reached.si());
        let watched_s = (COUNTS * step_pa / rate).max(SHORTEST_S);
        let from = since.max(self.air_since + sheets.rig.manifold.valve_delay.duration());
        if moves && self.pending.is_none() && self.now.since(from).as_secs_f64() > watched_s {
            return Err(Halt::Reference { why: format!("no change although the air is on `{air}`") });
        }
        Ok(())
    }

    /// Whether a device drives its supply valve open: by its valve output and the kind of valve in the settings.
    fn feeds(&self, position: u8) -> bool {
        let saving = self.task.sheets.settings.as_ref().and_then(|settings| settings.air_saving.as_ref());
        let on = saving.is_none_or(|saving| saving.supply_valve == SupplyValve::ClosedWithoutPower);
        self.seen.as_ref().is_some_and(|seen| seen.valves.get(position) == Some(on))
    }

    /// Outside its window the run waits; back inside for a while, it continues; outside for too long, it ends.
    fn air_pressure_allowed(&mut self, pressure: Option<AirPressure>) -> Result<(), Halt> {
        let window = self.task.sheets.rig.run_limits.air_pressure.as_ref().map(|window| window.value);
        let (Some(pressure), Some(window)) = (pressure, window) else { return Ok(()) };
        let inside = window[0] <= pressure && pressure <= window[1];
        match self.pause {
            None if !inside => self.begin_pause(pressure, window),
            None => {}
            Some(pause) => {
                let good_since = inside.then(|| pause.good_since.unwrap_or(self.now));
                self.pause = Some(Pause { good_since, ..pause });
                if good_since.is_some_and(|since| self.now.since(since) >= AIR_STEADY)
                    && self.pending.is_none()
                {
                    self.pause = None;
                    self.emit(EventKind::GoesOn);
                } else if self.now.since(pause.since) > self.task.sheets.site.waiting.air.duration() {
                    return Err(Halt::AirPressure { pressure, window: Some(window) });
                }
            }
        }
        Ok(())
    }

    fn begin_pause(&mut self, pressure: AirPressure, window: [AirPressure; 2]) {
        let why = WaitReason::AirPressure { pressure, window };
        self.pause = Some(Pause { since: self.now, good_since: None });
        self.breaking = Some(Break::Wait(why.to_string()));
        self.commands.clear();
        self.emit(EventKind::Waiting(why));
        self.order(Order::Powered(Air::Rest));
    }
}

/// Smallest step of the reference, pascal. Where the converter behind a floating-point number is unknown: 12 bits of the range.
fn coarse_step_pa(rig: &RigSheet) -> f64 {
    const BITS_12: f64 = 4_096.0;
    let reference = &rig.reference;
    if reference.input.step_unknown() { reference.range.si() / BITS_12 } else { reference.input.resolution() }
}
