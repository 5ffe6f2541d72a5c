"""Draws good and misbehaving devices, and derives the allowed verdicts from their truth alone."""

import dataclasses

import numpy
from scipy import stats

from devices import Comparator, Envelope, within

# A level is off if it is outside its limits by more than the calibration's U, and open if it is inside by less than this share of U.
NEAR = 0.8
# An output later than promised by less than this is open.
LEAST_EXCESS_S = 10e-3
# From this number on, impossible reads are no longer explained by margins.
MANY_READS = 4
# A realized scatter less probable than WORSE is worse than promised; less probable than OPEN, it is open. A device exactly as promised
# falls below WORSE once in five hundred. A larger value would count too many good devices as bad, over four levels.
WORSE, OPEN = 0.002, 0.2
# Rates by hand within this ratio cannot distinguish a level from a delay.
ALIKE = 2.0


@dataclasses.dataclass
class Device:
    """A device: a comparator for each output, stretches with inverted lines, lines stuck from a moment on."""

    outputs: dict
    inverted: dict = dataclasses.field(default_factory=dict)
    stuck: dict = dataclasses.field(default_factory=dict)
    misbehaviour: str = "good"


class Bench:
    """The run for which devices are drawn: settings, promises, true level, and where something can happen."""

    def __init__(self, run, truth):
        self.run, self.truth = run, truth
        self.nominal = run.nominal_pa()
        self.half_pa, self.half_hysteresis_pa = run.half_tolerance_pa()
        self.spread_pa = run.promised_spread_pa()
        self.selected_s, self.promised_s = run.delays_s()
        self.u_pa = run.calibration_pa()
        step = run.steps("switch-points")[0]
        self.ramps = {True: run.marks("rising", step), False: run.marks("falling", step)}
        fast = {True: run.marks("fast-rising"), False: run.marks("fast-falling")}
        valves = run.settings.get("air_saving") and all("valve" in run.position(n) for n in run.numbers())
        self.all_outputs = ["switch", "valve"] if valves else ["switch"]
        # While a device drove the air itself, its valve line determined the level.
        self.saving = [run.around_step(step) for step in run.steps("air-saving")]
        self.envelopes, self.rates = {}, {}
        longest = self.selected_s + self.promised_s + 15e-3
        for output in self.all_outputs:
            limits = [self.limits(output, True), self.limits(output, False)]
            margin = 1.5 * self.u_pa + 3.0 * self.spread_pa
            self.envelopes[output] = Envelope(truth, limits, margin, longest)
            plain = Comparator(self.nominal[output, True], self.nominal[output, False])
            changes = plain.crossings(truth.time_s, truth.level_pa, numpy.random.default_rng(0))
            for deep in (True, False):
                marks = self.ramps[deep] + fast[deep]
                at = [when for when, to, _ in changes if to == deep and in_marks(marks, when)]
                self.rates[output, deep] = [abs(float(truth.rate_at(when))) for when in at]

    def limits(self, output, deep):
        nominal = self.nominal[output, deep]
        return nominal - self.half_pa, nominal + self.half_pa

    def one_rate_by_hand(self, output, deep):
        """Whether nothing in the run distinguishes a level from a delay: one rate, and no valve that could make another."""
        rates = self.rates[output, deep]
        return not self.run.drives_air() and (not rates or max(rates) < ALIKE * min(rates))

    def under_vacuum_between(self, output):
        """Stretches of the switch-points step outside all ramps in which a sound line is deep."""
        step = self.run.steps("switch-points")[0]
        begin, end = self.run.around_step(step)
        time = self.truth.time_s
        free = (begin <= time) & (time < end) & within(self.envelopes[output].must_deep, time)
        for marks in self.ramps.values():
            free &= ~within([(mark[0] * 1e-9, mark[1] * 1e-9) for mark in marks], time)
        edges = numpy.flatnonzero(numpy.diff(numpy.concatenate([[0], free.astype(int), [0]])))
        found = [(time[a], time[b - 1]) for a, b in edges.reshape(-1, 2)]
        return [(a, b) for a, b in found if b - a > 25e-3]


def in_marks(marks, when_s):
    return any(mark[0] * 1e-9 <= when_s <= mark[1] * 1e-9 for mark in marks)


def log_uniform(random, low, high):
    return float(numpy.exp(random.uniform(numpy.log(low), numpy.log(high))))


def good(bench, random, outputs=None):
    """A device well within all its promises."""
    lasts_s = bench.truth.time_s[-1]
    found = {}
    for output in outputs or bench.all_outputs:
        about = random.uniform(-0.45, 0.45) * bench.half_pa
        apart = random.uniform(-0.35, 0.35) * bench.half_hysteresis_pa
        found[output] = Comparator(
            bench.nominal[output, True] + about + apart / 2.0,
            bench.nominal[output, False] + about - apart / 2.0,
            spread_pa=tuple(random.uniform(0.1, 0.7, 2) * bench.spread_pa),
            delay_s=tuple(bench.selected_s + random.uniform(0.0, bench.promised_s, 2)),
            drift_pa_per_s=random.uniform(-40.0, 40.0) / lasts_s,
            noise_pa=random.uniform(0.0, 4.0),
        )
    return Device(found)


def an_output(bench, random, likely_switch=0.6):
    return "switch" if "valve" not in bench.all_outputs or random.random() < likely_switch else "valve"


def changed(device, output, **to):
    device.outputs[output] = dataclasses.replace(device.outputs[output], **to)


def first_too_deep(bench, device, random):
    changed(device, an_output(bench, random, 0.8), first_extra_pa=random.uniform(2e3, 12e3))


def first_missing(bench, device, random):
    changed(device, an_output(bench, random, 0.8), first_extra_pa=numpy.inf)


def invert(device, output, random, stretches):
    begin, end = stretches[random.integers(len(stretches))]
    length = log_uniform(random, 0.02, min(0.5, end - begin))
    start = random.uniform(begin, end - length)
    device.inverted.setdefault(output, []).append((start, start + length))


def seconds(marks):
    return [(mark[0] * 1e-9, mark[1] * 1e-9) for mark in marks]


def drop_closed(bench, device, random):
    invert(device, an_output(bench, random, 0.8), random, seconds(bench.run.marks("closed")))


def drop_between(bench, device, random):
    output = an_output(bench, random, 0.8)
    invert(device, output, random, bench.under_vacuum_between(output) or seconds(bench.run.marks("closed")))


def on_vented(bench, device, random):
    invert(device, an_output(bench, random, 0.8), random, seconds(bench.run.marks("vented")))


def late_valve(bench, device, random):
    deep, shallow = device.outputs["valve"].delay_s
    by, which = log_uniform(random, 0.05, 1.0), random.integers(3)
    changed(device, "valve", delay_s=(deep + by * (which != 1), shallow + by * (which != 0)))


def late_on(bench, device, random):
    deep, shallow = device.outputs["switch"].delay_s
    changed(device, "switch", delay_s=(deep + log_uniform(random, 0.05, 1.0), shallow))


def late_off(bench, device, random):
    deep, shallow = device.outputs["switch"].delay_s
    changed(device, "switch", delay_s=(deep, shallow + log_uniform(random, 0.05, 1.0)))


def level_off(bench, device, random):
    """Moves one level, or both of an output as a sensor offset does, beyond the limits by 1.5 to 6 U."""
    output, deep, together = an_output(bench, random), bool(random.integers(2)), bool(random.integers(2))
    sign = float(random.choice([-1.0, 1.0]))
    wanted = bench.nominal[output, deep] + sign * (bench.half_pa + random.uniform(1.5, 6.0) * bench.u_pa)
    comparator = device.outputs[output]
    by = wanted - comparator.level_pa(deep)
    changed(
        device,
        output,
        deep_pa=comparator.deep_pa + by * (deep or together),
        shallow_pa=comparator.shallow_pa + by * (together or not deep),
    )


def late_hides_level(bench, device, random):
    """Moves a level beyond its limit, and delays the output so that at the usual rate of the run it changes near nominal."""
    options = [key for key, rates in bench.rates.items() if rates]
    output, deep = options[random.integers(len(options))]
    sign = -1.0 if deep else 1.0
    off = bench.half_pa + random.uniform(1.5, 3.0) * bench.u_pa
    comparator, rate = device.outputs[output], float(numpy.median(bench.rates[output, deep]))
    by = bench.nominal[output, deep] + sign * off - comparator.level_pa(deep)
    delays = list(comparator.delay_s)
    delays[0 if deep else 1] = bench.selected_s + off / rate
    changed(device, output, deep_pa=comparator.deep_pa + by, shallow_pa=comparator.shallow_pa + by, delay_s=tuple(delays))


def scatter(output, deep):
    def misbehave(bench, device, random):
        spread = list(device.outputs[output].spread_pa)
        spread[0 if deep else 1] = random.uniform(2.0, 4.0) * bench.spread_pa
        changed(device, output, spread_pa=tuple(spread))

    return misbehave


def wrong_delay(bench, device, random):
    """Selects another delay than the settings sheet says, for every output and direction."""
    others = [delay for delay in (0.0, 0.02, 0.06, 0.2) if abs(delay - bench.selected_s) > 1e-3]
    by = others[random.integers(len(others))] - bench.selected_s
    for output, comparator in device.outputs.items():
        changed(device, output, delay_s=tuple(delay + by for delay in comparator.delay_s))


def stuck(bench, device, random):
    from_s = 0.0 if random.random() < 0.5 else random.uniform(0.0, 0.7) * bench.truth.time_s[-1]
    device.stuck[an_output(bench, random)] = (from_s, bool(random.integers(2)))


MISBEHAVIOURS = {
    "good": lambda bench, device, random: None,
    "first-too-deep": first_too_deep,
    "first-missing": first_missing,
    "drop-closed": drop_closed,
    "drop-between-ramps": drop_between,
    "on-vented": on_vented,
    "late-valve": late_valve,
    "late-on": late_on,
    "late-off": late_off,
    "level-off": level_off,
    "late-hides-level": late_hides_level,
    "scatter-reset": scatter("switch", False),
    "scatter-cut-off": scatter("valve", True),
    "scatter-resume": scatter("valve", False),
    "wrong-delay": wrong_delay,
    "stuck": stuck,
}
# These take two positions each.
PAIRED = ("wired-together", "crossed")
# These need a valve output.
OF_VALVE = ("late-valve", "scatter-cut-off", "scatter-resume")


class Truth:
    """The allowed verdicts on a device: reasons why it must not pass, why it is open, why no trace can show its fault."""

    def __init__(self, bench, device, crossings, contradictions):
        self.not_pass, self.gray, self.blind = [], [], []
        for output, comparator in device.outputs.items():
            for deep in (True, False):
                self._level(bench, output, comparator, deep)
                self._delay(bench, output, comparator, deep)
                self._scatter(bench, output, crossings[output], deep)
            reads, hops = contradictions[output]
            if reads or hops:
                clear = reads >= MANY_READS or hops
                words = f"{output}: no sound device gives {reads} of its reads, nor reverses {hops} of its changes"
                (self.not_pass if clear else self.gray).append(words)
        self._hysteresis(bench, device.outputs.get("switch"))
        if device.misbehaviour != "good" and not (self.not_pass or self.blind):
            self.gray.append("misbehaves, and nothing of it shows that matters")

    def _outside(self, off_pa, u_pa, words):
        if off_pa > u_pa:
            self.not_pass.append(f"{words} is outside by {off_pa:.0f} Pa")
        elif off_pa > -NEAR * u_pa:
            self.gray.append(f"{words} is near a limit")

    def _level(self, bench, output, comparator, deep):
        low, high = bench.limits(output, deep)
        level = comparator.level_pa(deep) + comparator.drift_pa_per_s * bench.truth.time_s[-1] / 2.0
        self._outside(max(low - level, level - high), bench.u_pa, f"{output} {'deep' if deep else 'shallow'}")

    def _hysteresis(self, bench, switch):
        if switch is not None:
            nominal = bench.nominal["switch", True] - bench.nominal["switch", False]
            off = abs(switch.deep_pa - switch.shallow_pa - nominal) - bench.half_hysteresis_pa
            self._outside(off, bench.u_pa, "hysteresis")

    def _delay(self, bench, output, comparator, deep):
        delay, rates = comparator.delay_s[0 if deep else 1], bench.rates[output, deep]
        excess = max(delay - bench.selected_s - bench.promised_s, bench.selected_s - delay)
        if excess <= 1e-9 or not rates:
            return
        words = f"{output} {'deep' if deep else 'shallow'} is off its delay by {excess * 1e3:.0f} ms"
        if excess * max(rates) <= bench.u_pa or excess <= LEAST_EXCESS_S:
            self.gray.append(words)
        elif bench.one_rate_by_hand(output, deep):
            self.blind.append(words)
        else:
            self.not_pass.append(words)

    def _scatter(self, bench, output, changes, deep):
        levels = [level for when, to, level in changes if to == deep and in_marks(bench.ramps[deep], when)]
        if len(levels) < 3 or not bench.rates[output, deep]:
            return
        # A crossing is known to the width of a read and a conversion at its rate: much less well in a fast fall than in a slow one.
        rate = float(numpy.sqrt(numpy.mean(numpy.square(bench.rates[output, deep]))))
        seen = rate * numpy.hypot(bench.run.scan_s(), bench.run.converter_s())
        promised = bench.spread_pa**2 + seen**2 / 12.0
        chance = stats.chi2.sf(numpy.var(levels, ddof=1) * (len(levels) - 1) / promised, len(levels) - 1)
        words = f"{output} {'deep' if deep else 'shallow'} scatters by {numpy.std(levels, ddof=1):.0f} Pa"
        if chance < WORSE:
            self.not_pass.append(words)
        elif chance < OPEN:
            self.gray.append(words)

    def said(self):
        if self.not_pass:
            return "not-pass", self.not_pass
        return ("blind", self.blind) if self.blind else ("gray", self.gray) if self.gray else ("may", [])
