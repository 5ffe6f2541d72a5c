//! Planning of `response` and `air-saving`: what they need from the rig, the settings and the steps before them.

use super::{FAST_END, Planner, deepest};
use crate::predict::motion_rate;
use crate::script::{Script, StepKind};
use tripbench_device::SupplyValve;
use tripbench_judge::unanswered_s;
use tripbench_quantity::{LevelDifference, TimeSpan, VacuumLevel};
use tripbench_record::{AirSavingTask, Drive, Motion, ResponseTask, StepTask, SwitchPointsTask};
use tripbench_rig::{Air, OutputName, WithoutPower};
use tripbench_sheet::{At, Finding, Place, Wording};

/// Share of the deepest level that a rig reaches at its site, just below the largest that a script may ask for.
const NEARLY_REACHED: f64 = 0.979;

/// A planned step: its name, its task, its predicted time in seconds.
type Planned = (&'static str, StepTask, f64);

impl Planner<'_> {
    pub(super) fn response(&self, script: &Script, index: usize) -> Option<Planned> {
        let step = script.steps.get(index)?;
        let StepKind::Response { operations, limit } = &step.kind else { return None };
        let place = &step.place;
        let expected = self.judged_against(place, "response")?;
        self.moved_by_valves(place, "response")?;
        let (levels_of, ramps) = self.ramps_before(script, index)?;
        for deeper in [true, false] {
            self.slow_enough(&ramps, deeper, place)?;
        }
        let top = deepest(&expected) + LevelDifference::new(1_500.0);
        self.reachable(top, place)?;
        if let Some(limit) = limit {
            self.limit_can_be_kept(limit)?;
        }
        let limit = limit.as_ref().map_or(TimeSpan::new(self.response_s()), |limit| limit.value);
        self.foresee_response(limit, &ramps, &expected, place);
        let answered_s = 2.0 * limit.si() + self.sheets.rig.input_time().si() + 0.1;
        let once_s = self.time_of(Air::Evacuate, (FAST_END, top)) + self.time_of(Air::Vent, (top, FAST_END));
        let predicted = f64::from(*operations) * (once_s + 3.0 * answered_s);
        let task = ResponseTask { operations: *operations, top, levels_of, limit };
        Some(("response", StepTask::Response(task), predicted))
    }

    /// The switch-points step before, whose ramps show the levels at another rate.
    fn ramps_before(&self, script: &Script, index: usize) -> Option<(u16, SwitchPointsTask)> {
        let before =
            script.steps[..index].iter().rposition(|step| matches!(step.kind, StepKind::SwitchPoints { .. }));
        let Some(before) = before else {
            let help = "put a step with do = \"switch-points\" before it: a response is measured from the levels found in the same run";
            self.finding(
                "no-levels-before",
                &script.steps[index].place,
                "response without switch-points before",
                help,
            );
            return None;
        };
        let StepTask::SwitchPoints(task) = self.switch_points(script, before)?.1 else { return None };
        Some((u16::try_from(before).ok()?, task))
    }

    /// Checks that the ramps of the levels are slow compared with a fast crossing: at one rate a level and a delay cannot be
    /// separated.
    fn slow_enough(&self, ramps: &SwitchPointsTask, deeper: bool, place: &Place) -> Option<()> {
        let expected = self.expected()?;
        if ramps.two_rates(deeper) {
            return Some(());
        }
        let (motion, level) =
            if deeper { (ramps.rising, expected.on.low) } else { (ramps.falling, expected.off.high) };
        if matches!(motion, Motion::Pulses { .. }) {
            return Some(());
        }
        let rate = |motion| motion_rate(&self.sheets.rig, self.reached(), (motion, deeper), level).si();
        if 2.0 * rate(motion) <= rate(Motion::FullFlow) {
            return Some(());
        }
        let direction = if deeper { "rising" } else { "falling" };
        let help = "find the levels at half the rate or less: way = \"throttled\", \"regulated\" or \"pulses\" in the switch-points step, and a bleed valve for the fall";
        let message = format!("response needs levels from slower {direction} ramps");
        self.finding("response-needs-slower", place, &message, help);
        None
    }

    /// Checks that a limit is longer than the delay that is set; warns where it is shorter than the sheets allow a device to take.
    fn limit_can_be_kept(&self, limit: &At<TimeSpan>) -> Option<()> {
        let set_s = self.sheets.settings.as_ref().map_or(0.0, |settings| settings.delay.si());
        let longest_s = self.response_s();
        // To a microsecond: no sheet states times more finely, and rounding hides the last digits of a sum.
        let [limit_ms, set_ms, longest_ms] =
            [limit.si(), set_s, longest_s].map(|time_s| (time_s * 1e6).round() / 1e3);
        let help = format!("{longest_ms} ms or more, or leave `limit` out to use what the sheets promise");
        let finding = |kind: fn(&'static str, &Place, Wording) -> Finding, rule, message: String| {
            self.findings.add(kind(rule, &limit.place, Wording::new(message, "this limit", &help)));
        };
        if limit.si() <= set_s {
            let message = format!(
                "the response limit of {limit_ms} ms is no longer than the delay that is set, {set_ms} ms: no device can meet it"
            );
            finding(Finding::error, "response-limit-too-short", message);
            return None;
        }
        if limit.si() < longest_s {
            let message = format!(
                "the response limit of {limit_ms} ms is less than the {longest_ms} ms that the sheets allow a device: a device that meets its sheets can fail"
            );
            finding(Finding::warning, "response-limit-below-promise", message);
        }
        Some(())
    }

    /// Warns where the reads are too far apart to show a response within its limit.
    fn foresee_response(
        &self,
        limit: TimeSpan,
        ramps: &SwitchPointsTask,
        expected: &tripbench_device::Expected,
        place: &Place,
    ) {
        let told_s = self.responses_told_s(ramps, expected).into_iter().fold(0.0, f64::max);
        let stamped = self.sheets.rig.positions.iter().all(|position| position.switch.capture.is_some());
        if 2.0 * told_s <= limit.si() {
            return;
        }
        let message = format!(
            "a response can be resolved only to about {:.0} ms here; compliance with {:.0} ms will often be undecided",
            told_s * 1e3,
            limit.si() * 1e3
        );
        let help = if stamped {
            "more cycles in the switch-points step, a reference whose lag is known more closely, or a device that scatters less"
        } else {
            "inputs that the module stamps (capture), a faster wire, or a reference whose lag is known more closely"
        };
        self.findings.add(Finding::warning(
            "response-not-told",
            place,
            Wording::new(message, "this step", help),
        ));
    }

    pub(super) fn air_saving(&self, script: &Script, index: usize) -> Option<Planned> {
        let step = script.steps.get(index)?;
        let StepKind::AirSaving { cycles, drive, leak_only } = &step.kind else { return None };
        let place = &step.place;
        let expected = self.judged_against(place, "air-saving")?;
        self.moved_by_valves(place, "air-saving")?;
        let settings = self.sheets.settings.as_ref()?;
        let Some(saving) = &settings.air_saving else {
            let help = "add [air_saving] to the settings sheet, or leave this step out";
            self.finding("no-air-saving", place, "these settings have no air saving", help);
            return None;
        };
        self.sees_valves(place)?;
        let before = &script.steps[..index];
        if !before.iter().any(|step| matches!(step.kind, StepKind::SwitchPoints { .. })) {
            let help = "put a step with do = \"switch-points\" before it: that step shows the selected delay and the switch output";
            self.finding("no-levels-before", place, "air-saving without switch-points before", help);
            return None;
        }
        self.watched_after(script, index, "air-saving")?;
        let drive = self.drive(drive.as_ref(), saving.supply_valve, place)?;
        let falling = if *leak_only || !self.sheets.rig.can(Air::Bleed) { Air::Hold } else { Air::Bleed };
        let [bottom, top] = self.saving_range(&expected, falling);
        // If the pump cannot reach `top`, the step ends by its time.
        let end = self.reached().si() * NEARLY_REACHED;
        let least = deepest(&expected) + LevelDifference::new(1_500.0);
        self.reachable(VacuumLevel::new(top.si().min(end).max(least.si())), place)?;
        self.warn_of_fall(&expected, falling, place);
        let feeding = saving.supply_valve == SupplyValve::ClosedWithoutPower;
        let between = (saving.resume.value, saving.cut_off.value);
        let fall_s = self.fall_s(falling, (between.1, between.0));
        let rise_s = self.time_of(Air::Evacuate, between);
        let first_s = self.time_of(Air::Evacuate, (bottom, between.1));
        let answers_s = unanswered_s(&self.blank);
        let late_s = 2.0 * self.response_s();
        let whole_s = first_s + f64::from(*cycles) * (rise_s + fall_s + late_s) + 0.5;
        self.short_enough(whole_s, place)?;
        let within = TimeSpan::new(2.0 * (fall_s + first_s) + 5.0 + answers_s);
        let task = AirSavingTask { cycles: *cycles, bottom, top, drive, falling, feeding, within };
        #[expect(clippy::cast_precision_loss, reason = "64 positions at most")]
        let positions = self.positions.len() as f64;
        let back_s = self.fall_s(falling, (between.0, bottom));
        Some(("air-saving", StepTask::AirSaving(task), positions * (whole_s + back_s)))
    }

    /// Predicted time of a fall, by the bleed valve or by the largest leak of the rig sheet, seconds.
    fn fall_s(&self, falling: Air, levels: (VacuumLevel, VacuumLevel)) -> f64 {
        if falling == Air::Hold {
            (levels.0.si() - levels.1.si()).abs() / self.sheets.rig.manifold.largest_leak.si().max(1.0)
        } else {
            self.time_of(falling, levels)
        }
    }

    /// How the devices get the valve: as asked, refused where the rig cannot; by default by wire where the rig can.
    fn drive(&self, asked: Option<&At<Drive>>, valve: SupplyValve, place: &Place) -> Option<Drive> {
        let rig = &self.sheets.rig;
        let wired = self.positions.iter().all(|position| rig.hands_over(position.number));
        let drive = asked.map_or(if wired { Drive::ByWire } else { Drive::ThroughRig }, |drive| drive.value);
        let place = asked.map_or(place, |drive| &drive.place);
        if drive == Drive::ThroughRig {
            return Some(drive);
        }
        if !wired {
            let help = "add an [[output]] with name = \"hand-over\" and position = n for each, or write drive = \"through-rig\"";
            self.finding("no-hand-over", place, "the rig cannot hand its evacuation valve over", help);
            return None;
        }
        let evacuate = rig.outputs.iter().find(|output| output.name == OutputName::Evacuate)?;
        let needed = match valve {
            SupplyValve::ClosedWithoutPower => WithoutPower::Closed,
            SupplyValve::OpenWithoutPower => WithoutPower::Open,
        };
        if evacuate.without_power == Some(needed) {
            return Some(drive);
        }
        let message = format!(
            "this device drives a valve that is {needed} without power; the rig sheet does not say that the rig's valve is"
        );
        let help = "write without_power at the output `evacuate` if it is, or drive = \"through-rig\", which works with either kind";
        let finding = Finding::error("valve-of-other-kind", place, Wording::new(message, "by wire", help));
        self.findings.add(finding.with(&evacuate.place, "the rig's valve"));
        None
    }

    fn judged_against(&self, place: &Place, what: &str) -> Option<tripbench_device::Expected> {
        let expected = self.expected();
        if expected.is_none() {
            let message = format!("{what} needs a settings and a type sheet");
            self.finding(
                "nothing-promised",
                place,
                &message,
                "give --type and --settings: without them there is nothing to judge against",
            );
        }
        expected
    }

    /// Checks that valves move the air: a hand is not fast, and no device can drive it.
    fn moved_by_valves(&self, place: &Place, what: &str) -> Option<()> {
        let rig = &self.sheets.rig;
        if rig.has(OutputName::Evacuate) && rig.has(OutputName::Vent) {
            return Some(());
        }
        let name = &rig.header.name;
        let wording = Wording::new(
            format!("{what} needs valves: the rig `{}` is operated by hand", name.value),
            "this step",
            "leave this step out, or add outputs `evacuate` and `vent`",
        );
        self.findings
            .add(Finding::error("valves-missing", place, wording).with(&name.place, "the rig sheet"));
        None
    }

    fn sees_valves(&self, place: &Place) -> Option<()> {
        let Some(number) = self.blind_position() else { return Some(()) };
        let message = format!("the rig has no valve input at position {number}");
        self.finding(
            "valve-not-seen",
            place,
            &message,
            "add it to the rig sheet: without it the rig cannot see when the device cuts off",
        );
        None
    }

    /// The first position taking part whose valve output the rig cannot see.
    pub(super) fn blind_position(&self) -> Option<u8> {
        let rig = &self.sheets.rig;
        let blind = |number: &u8| rig.position(*number).is_some_and(|position| position.valve.is_none());
        self.positions.iter().map(|plan| plan.number).find(blind)
    }
}
