"""Reads the folder of a run, trace.csv and record.json, from docs/record.md alone; uses nothing else of the project."""

import json
import pathlib
import re
import tomllib

import numpy

PASCAL = {"Pa": 1.0, "hPa": 100.0, "mbar": 100.0, "kPa": 1e3, "bar": 1e5, "inHg": 3386.389, "mmHg": 133.322387}
SECOND = {"us": 1e-6, "ms": 1e-3, "s": 1.0, "min": 60.0}


def quantity(text):
    """The value of a text with a unit, in pascal or seconds; gauge pressure is vacuum with the other sign."""
    number, unit = re.fullmatch(r"\s*(-?[0-9.]+)\s*([A-Za-z]+)(?:\s+gauge)?\s*", text).groups()
    sign = -1.0 if text.strip().endswith("gauge") else 1.0
    return sign * float(number) * (PASCAL | SECOND)[unit]


def half_width(text, full_scale_pa, digit_pa):
    """A tolerance such as `1 %FS + 1 digit`, as half width in pascal."""
    whole = 0.0
    for part in text.split("+"):
        number, unit = re.fullmatch(r"\s*([0-9.]+)\s*(%FS|digits?|[A-Za-z]+)\s*", part).groups()
        scale = full_scale_pa / 100.0 if unit == "%FS" else digit_pa if unit.startswith("digit") else PASCAL[unit]
        whole += float(number) * scale
    return whole


class Run:
    """One run: the columns of its trace, its sheets, its marks."""

    def __init__(self, folder):
        folder = pathlib.Path(folder)
        self.record = json.loads((folder / "record.json").read_text())
        lines = (folder / "trace.csv").read_text().splitlines()
        self.names, self.lines = lines[0].split(","), lines[1:]
        self.data = numpy.loadtxt(self.lines, delimiter=",", dtype=numpy.int64, ndmin=2)
        texts = {sheet["role"]: tomllib.loads(sheet["text"]) for sheet in self.record["header"]["sheets"]}
        self.rig, self.type, self.settings = texts["rig"], texts["type"], texts["settings"]
        self.column = {name: index for index, name in enumerate(self.names)}
        after = [index for index, name in enumerate(self.names) if name.endswith("_after_ns")]
        self.end_ns = self.data[:, after].max(axis=1)
        self._read_reference()

    # Addresses and columns.

    def place(self, at):
        """The column name of an address such as `discrete-input 3`, and of the first address of its read."""
        area, number = re.fullmatch(r"([a-z-]+) (\d+)", at).groups()
        area, number = area.replace("-", "_"), int(number)
        starts = [int(m[1]) for name in self.names if (m := re.fullmatch(rf"{area}_(\d+)_before_ns", name))]
        start = max(first for first in starts if first <= number)
        return f"{area}_{number}", f"{area}_{start}"

    def values(self, at):
        return self.data[:, self.column[self.place(at)[0]]]

    def span_s(self, at):
        """Before and after of the transaction that read an address, seconds, in each scan."""
        start = self.place(at)[1]
        return tuple(self.data[:, self.column[f"{start}_{end}_ns"]] * 1e-9 for end in ("before", "after"))

    def position(self, number):
        return next(position for position in self.rig["position"] if position["number"] == number)

    def numbers(self):
        return [position["number"] for position in self.record["header"]["positions"]]

    def powered(self):
        """Whether the devices have power, in each scan."""
        power = [output for output in self.rig["output"] if output["name"] == "device-power"]
        return self.values(power[0]["at"]) != 0 if power else numpy.ones(len(self.lines), dtype=bool)

    def drives_air(self):
        return any(output["name"] != "device-power" for output in self.rig["output"])

    # Steps and marks.

    def steps(self, kind):
        return [index for index, step in enumerate(self.record["header"]["steps"]) if step["do"] == kind]

    def marks(self, kind, step=None):
        """Marked stretches of a kind (`vented`, `rising`, ...): from, to in nanoseconds, cycle."""
        found = []
        for mark in self.record["marks"]:
            segment = mark["segment"]
            name, inner = (segment, {}) if isinstance(segment, str) else next(iter(segment.items()))
            if name == kind and step in (None, mark["step"]):
                found.append((mark["from"], mark["to"], inner.get("cycle", 0)))
        return found

    def rows(self, mark):
        """Indices of the scans that ended within a mark."""
        return numpy.flatnonzero((mark[0] <= self.end_ns) & (self.end_ns <= mark[1]))

    def around_step(self, step):
        """From the last mark before a step to the first after it, seconds."""
        before = [mark["to"] for mark in self.record["marks"] if mark["step"] < step]
        after = [mark["from"] for mark in self.record["marks"] if mark["step"] > step]
        return max(before, default=0) * 1e-9, min(after, default=self.end_ns[-1]) * 1e-9

    # Promises of the sheets.

    def half_tolerance_pa(self):
        digits = {text.split()[1]: quantity(text) for text in self.type["digits"]}
        full_scale = quantity(self.type["full_scale"])
        digit = digits[self.settings["unit"]]
        promise = self.type["promise"]
        return half_width(promise["accuracy"], full_scale, digit), half_width(promise["hysteresis"], full_scale, digit)

    def promised_spread_pa(self):
        """The promised repeatability as a standard deviation: half of the half width."""
        return half_width(self.type["promise"]["repeatability"], quantity(self.type["full_scale"]), 0.0) / 2.0

    def delays_s(self):
        """The selected delay and the promised response, seconds."""
        return quantity(self.settings["switch"]["delay"]), quantity(self.type["promise"]["response_time"])

    def nominal_pa(self):
        """Level of each output and direction: (switch, deep), (switch, shallow), (valve, deep), (valve, shallow)."""
        switch, saving = self.settings["switch"], self.settings.get("air_saving")
        nominal = {("switch", True): quantity(switch["switch_point"]), ("switch", False): quantity(switch["reset_point"])}
        if saving:
            nominal |= {("valve", True): quantity(saving["cut_off"]), ("valve", False): quantity(saving["resume"])}
        return nominal

    def on_when_deep(self, output):
        """Whether a line is on beyond its deep level."""
        if output == "switch":
            return self.settings["switch"].get("logic") != "normally-closed"
        return self.settings["air_saving"]["supply_valve"] != "closed-without-power"

    def calibration_pa(self):
        """Expanded uncertainty of the calibration."""
        return quantity(self.rig["reference"]["calibration"]["expanded_uncertainty"])

    def lag_s(self):
        lag = self.rig["reference"]["lag"]
        return quantity(lag["value"]), quantity(lag["uncertainty"])

    def scan_s(self):
        return quantity(self.rig["link"]["scan_interval"])

    def converter_s(self):
        return quantity(self.rig["module"].get("converter", "0 s"))

    # The reference.

    def _read_reference(self):
        reference = self.rig["reference"]
        source = reference["input"]
        words = self.values(source["at"])
        if source.get("raw", "i16") == "i16":
            words = numpy.where(words >= 1 << 15, words - (1 << 16), words)
        (count, next_count), (low, high) = source["counts"], map(quantity, source["values"])
        scale = (high - low) / (next_count - count)
        level, before_after = low + (words - count) * scale, self.span_s(source["at"])
        time = (before_after[0] + before_after[1]) / 2.0
        converter, scan = self.converter_s(), self.scan_s()
        if converter > scan:
            # Several reads return one conversion; at the first of them it is at most one scan old.
            new = numpy.concatenate([[True], numpy.diff(words) != 0])
            time, level, age = time[new], level[new], scan / 2.0
        else:
            age = converter / 2.0
        zero_from, zero_to, _ = self.marks("vented")[0]
        vented = (zero_from * 1e-9 <= time) & (time <= zero_to * 1e-9)
        level = level - level[vented].mean()
        calibration = reference["calibration"]
        slope = float(calibration.get("correction_slope", 0.0))
        self.times_s, self.read_pa = time - age, level * (1.0 + slope)
        self.resolution_pa = abs(scale)


def local_fits(time, level, half):
    """The level at each sample, from the best fitting parabola of three windows: before, around and after it."""
    width = 2 * half + 1
    windows = numpy.lib.stride_tricks.sliding_window_view
    best_error = numpy.full(len(time), numpy.inf)
    value = level.astype(float)
    times, levels = windows(time, width), windows(level, width)
    for offset, handicap in ((half, 1.0), (0, 3.0), (width - 1, 3.0)):
        # Window k starts at sample k; the sample it serves is k + offset.
        served = numpy.arange(len(times)) + offset
        x = times - time[served][:, None]
        scale = numpy.abs(x).max(axis=1, keepdims=True)
        basis = numpy.stack([numpy.ones_like(x), x / scale, (x / scale) ** 2], axis=2)
        normal = numpy.einsum("kwi,kwj->kij", basis, basis)
        right = numpy.einsum("kwi,kw->ki", basis, levels)
        found = numpy.linalg.solve(normal, right[:, :, None])[:, :, 0]
        error = ((levels - numpy.einsum("kwi,ki->kw", basis, found)) ** 2).sum(axis=1) * handicap
        better = error < best_error[served]
        chosen = served[better]
        best_error[chosen] = error[better]
        value[chosen] = found[better, 0]
    return value


class TrueLevel:
    """The level at the devices: the reference, smoothed and moved back by its lag, on an even time grid."""

    STEP_S = 1e-3

    def __init__(self, run, half=10):
        value = local_fits(run.times_s, run.read_pa, half)
        moved = run.times_s - run.lag_s()[0]
        self.time_s = numpy.arange(moved[0], moved[-1], self.STEP_S)
        self.level_pa = numpy.interp(self.time_s, moved, value)

    def rate_at(self, time_s):
        """Mean rate over 0.1 s around a moment, pascal per second."""
        before, after = numpy.interp([time_s - 0.05, time_s + 0.05], self.time_s, self.level_pa)
        return (after - before) / 0.1
