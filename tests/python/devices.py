"""Devices of another make: comparator, delays, scatter, drift, and how they misbehave; and what no sound device could show."""

import dataclasses

import numpy

CHUNK = 4096


def first_at(values, wanted, start):
    """First index from `start` on where `wanted(values)` holds, or None."""
    for at in range(start, len(values), CHUNK):
        found = wanted(values[at : at + CHUNK])
        index = int(found.argmax())
        if found[index]:
            return at + index
    return None


@dataclasses.dataclass
class Comparator:
    """One output: above its deep level it is `deep`, below its shallow level not; each change comes to the line by a delay of its own."""

    deep_pa: float
    shallow_pa: float
    spread_pa: tuple = (0.0, 0.0)  # of the deep and of the shallow level, standard deviations
    delay_s: tuple = (0.0, 0.0)  # to deep and back
    drift_pa_per_s: float = 0.0
    noise_pa: float = 0.0
    first_extra_pa: float = 0.0  # by how much its first operation is too deep; infinite: there is none

    def level_pa(self, deep):
        return self.deep_pa if deep else self.shallow_pa

    def crossings(self, time, level, random):
        """Every change of its mind: time, whether to deep, and the level at which it came."""
        sensed = level - self.drift_pa_per_s * (time - time[0])
        if self.noise_pa > 0.0:
            sensed = sensed + self.noise_pa * random.standard_normal(len(time))
        changes, at, deep, first = [], 1, False, True
        while True:
            spread = self.spread_pa[0 if not deep else 1]
            threshold = self.level_pa(not deep) + spread * random.standard_normal()
            if first and self.first_extra_pa > 0.0:
                began = first_at(sensed, lambda part: part >= threshold, at)
                if began is None:
                    return changes
                over = first_at(sensed, lambda part: part < self.shallow_pa, began)
                over = len(sensed) if over is None else over
                first = False
                threshold += self.first_extra_pa
                found = first_at(sensed[:over], lambda part: part >= threshold, began)
                if found is None:
                    at = over
                    continue
            elif deep:
                found = first_at(sensed, lambda part: part < threshold, at)
            else:
                found = first_at(sensed, lambda part: part >= threshold, at)
            if found is None:
                return changes
            found = max(found, 1)
            moved = sensed[found] - sensed[found - 1]
            share = numpy.clip((threshold - sensed[found - 1]) / moved, 0.0, 1.0) if abs(moved) > 1e-9 else 1.0
            when = time[found - 1] + share * (time[found] - time[found - 1])
            deep, first = not deep, False
            changes.append((when, deep, threshold + self.drift_pa_per_s * (when - time[0])))
            at = found + 1

    def line(self, changes):
        """The changes as they come to the line: a later decision takes back what was still to come."""
        line = []
        for when, deep, _ in changes:
            at = when + self.delay_s[0 if deep else 1]
            while line and line[-1][0] >= at:
                line.pop()
            if (line[-1][1] if line else False) != deep:
                line.append((at, deep))
        return line


def states(line, moments):
    """States of a line (False before its first change) at moments."""
    times = numpy.array([at for at, _ in line])
    values = numpy.array([False] + [state for _, state in line])
    return values[numpy.searchsorted(times, moments, side="right")]


@dataclasses.dataclass
class Reads:
    """How an input is read: a moment of each transaction, and whether its device has power then."""

    moments_s: numpy.ndarray
    powered: numpy.ndarray

    @staticmethod
    def of(run, at, random):
        before, after = run.span_s(at)
        return Reads(before + (after - before) * random.random(len(before)), run.powered())

    def bits(self, line, on_when_deep, inverted=(), stuck=None):
        """What is read of a line: inverted in some stretches, or stuck at a state from a moment on."""
        deep = states(line, self.moments_s)
        for begin, end in inverted:
            deep = deep ^ ((begin <= self.moments_s) & (self.moments_s < end))
        bits = (deep == on_when_deep) & self.powered
        if stuck is not None:
            bits = numpy.where(self.moments_s >= stuck[0], stuck[1], bits)
        return bits.astype(numpy.int64)


class Envelope:
    """What every sound device shows: where its line must be deep and where it must not, whatever it is within its promises."""

    WAKES_S = 0.3

    def __init__(self, truth, limits, margin_pa, longest_s):
        """`limits`: deep (low, high), shallow (low, high); `longest_s`: longest delay that is promised, with its doubt."""
        (deep_low, deep_high), (shallow_low, shallow_high) = limits
        random = numpy.random.default_rng(0)  # without scatter it draws nothing that counts
        time, level = truth.time_s, truth.level_pa
        last = Comparator(deep_high + margin_pa, shallow_high + margin_pa).crossings(time, level, random)
        soonest = Comparator(deep_low - margin_pa, shallow_low - margin_pa).crossings(time, level, random)
        end = time[-1]
        self.truth, self.longest_s = truth, longest_s
        self.least_way_pa = deep_low - shallow_high - margin_pa
        self.must_deep = shrunk(stretches(last, time[0], end, True), longest_s)
        self.must_not = shrunk(stretches(soonest, time[0], end, False), longest_s)

    def contradicted(self, reads, bits, on_when_deep):
        """Reads that no sound device could have given, and changes taken back that none could have made: how many of each."""
        awake = reads.powered.copy()
        rises = numpy.flatnonzero(numpy.diff(reads.powered.astype(int)) > 0)
        for row in rises:
            woken = reads.moments_s[row + 1]
            awake &= ~((woken <= reads.moments_s) & (reads.moments_s < woken + self.WAKES_S))
        deep = (bits != 0) == on_when_deep
        wrong = (within(self.must_deep, reads.moments_s) & ~deep) | (within(self.must_not, reads.moments_s) & deep)
        return int((wrong & awake).sum()), self.hops(reads.moments_s, deep, awake)

    def hops(self, moments, deep, awake):
        """Changes that stand for two reads or more and are taken back, though the level has not gone from one level to the other."""
        time, level, count = self.truth.time_s, self.truth.level_pa, 0
        rows = numpy.flatnonzero((deep[1:] != deep[:-1]) & awake[1:] & awake[:-1]) + 1
        for row, back in zip(rows, rows[1:]):
            begin, end = numpy.searchsorted(time, [moments[row - 1] - self.longest_s, moments[back]])
            way = level[begin : end + 1]
            count += back - row >= 2 and len(way) > 0 and way.max() - way.min() < self.least_way_pa
        return int(count)


def stretches(changes, start, end, wanted):
    """Stretches of time in which a comparator that starts shallow is as wanted."""
    times = [start] + [when for when, _, _ in changes] + [end]
    are = [False] + [deep for _, deep, _ in changes]
    return [(begin, over) for begin, over, deep in zip(times, times[1:], are) if deep == wanted]


def shrunk(all_stretches, by_s):
    """Stretches that begin later by a delay."""
    return [(begin + by_s, end) for begin, end in all_stretches if begin + by_s < end]


def within(all_stretches, moments):
    inside = numpy.zeros(len(moments), dtype=bool)
    for begin, end in all_stretches:
        inside |= (begin <= moments) & (moments < end)
    return inside
