"""Independent device models: comparator, delays, scatter, drift, misbehaviours; and the states impossible for a sound device."""

import dataclasses

import numpy

CHUNK = 4096


def first_at(values, wanted, start):
    """First index from `start` on where `wanted(values)` is true, or None."""
    for at in range(start, len(values), CHUNK):
        found = wanted(values[at : at + CHUNK])
        index = int(found.argmax())
        if found[index]:
            return at + index
    return None


@dataclasses.dataclass
class Comparator:
    """One output: `deep` above its deep level, not deep below its shallow level; each direction reaches the line with its own delay."""

    deep_pa: float
    shallow_pa: float
    spread_pa: tuple = (0.0, 0.0)  # of the deep and of the shallow level, standard deviations
    delay_s: tuple = (0.0, 0.0)  # to deep and back
    drift_pa_per_s: float = 0.0
    noise_pa: float = 0.0
    first_extra_pa: float = 0.0  # by how much its first operation is too deep; infinite: it does not happen

    def level_pa(self, deep):
        return self.deep_pa if deep else self.shallow_pa

    def crossings(self, time, level, random):
        """All decisions of the comparator: time, whether to deep, and the level at which it decided."""
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
        """The changes as they reach the line: a later decision cancels changes still delayed."""
        line = []
        for when, deep, _ in changes:
            at = when + self.delay_s[0 if deep else 1]
            while line and line[-1][0] >= at:
                line.pop()
            if (line[-1][1] if line else False) != deep:
                line.append((at, deep))
        return line


def states(line, moments):
    """States of a line at given moments; False before its first change."""
    times = numpy.array([at for at, _ in line])
    values = numpy.array([False] + [state for _, state in line])
    return values[numpy.searchsorted(times, moments, side="right")]


@dataclasses.dataclass
class Reads:
    """Reads of an input: a moment within each transaction, and whether the device has power then."""

    moments_s: numpy.ndarray
    powered: numpy.ndarray

    @staticmethod
    def of(run, at, random):
        before, after = run.span_s(at)
        return Reads(before + (after - before) * random.random(len(before)), run.powered())

    def bits(self, line, on_when_deep, inverted=(), stuck=None):
        """The bits read of a line, inverted in given stretches, or stuck at a state from a moment on."""
        deep = states(line, self.moments_s)
        for begin, end in inverted:
            deep = deep ^ ((begin <= self.moments_s) & (self.moments_s < end))
        bits = (deep == on_when_deep) & self.powered
        if stuck is not None:
            bits = numpy.where(self.moments_s >= stuck[0], stuck[1], bits)
        return bits.astype(numpy.int64)


class Envelope:
    """The stretches in which the line of every sound device must be deep, or must not, wherever its levels lie within the promise."""

    WAKES_S = 0.3

    def __init__(self, truth, limits, margin_pa, longest_s):
        """`limits`: deep (low, high), shallow (low, high); `longest_s`: longest promised delay, with its uncertainty."""
        (deep_low, deep_high), (shallow_low, shallow_high) = limits
        random = numpy.random.default_rng(0)  # unused: there is no scatter
        time, level = truth.time_s, truth.level_pa
        last = Comparator(deep_high + margin_pa, shallow_high + margin_pa).crossings(time, level, random)
        soonest = Comparator(deep_low - margin_pa, shallow_low - margin_pa).crossings(time, level, random)
        end = time[-1]
        self.truth, self.longest_s = truth, longest_s
        self.least_way_pa = deep_low - shallow_high - margin_pa
        self.must_deep = shrunk(stretches(last, time[0], end, True), longest_s)
        self.must_not = shrunk(stretches(soonest, time[0], end, False), longest_s)

    def contradicted(self, reads, bits, on_when_deep):
        """Number of reads impossible for a sound device, and of changes and returns impossible for one."""
        awake = reads.powered.copy()
        rises = numpy.flatnonzero(numpy.diff(reads.powered.astype(int)) > 0)
        for row in rises:
            woken = reads.moments_s[row + 1]
            awake &= ~((woken <= reads.moments_s) & (reads.moments_s < woken + self.WAKES_S))
        deep = (bits != 0) == on_when_deep
        wrong = (within(self.must_deep, reads.moments_s) & ~deep) | (within(self.must_not, reads.moments_s) & deep)
        return int((wrong & awake).sum()), self.hops(reads.moments_s, deep, awake)

    def hops(self, moments, deep, awake):
        """Number of changes that last two reads or more and return, though the vacuum did not move from one level to the other."""
        time, level, count = self.truth.time_s, self.truth.level_pa, 0
        rows = numpy.flatnonzero((deep[1:] != deep[:-1]) & awake[1:] & awake[:-1]) + 1
        for row, back in zip(rows, rows[1:]):
            begin, end = numpy.searchsorted(time, [moments[row - 1] - self.longest_s, moments[back]])
            way = level[begin : end + 1]
            count += back - row >= 2 and len(way) > 0 and way.max() - way.min() < self.least_way_pa
        return int(count)


def stretches(changes, start, end, wanted):
    """Stretches of time in which a comparator that starts shallow is in the wanted state."""
    times = [start] + [when for when, _, _ in changes] + [end]
    are = [False] + [deep for _, deep, _ in changes]
    return [(begin, over) for begin, over, deep in zip(times, times[1:], are) if deep == wanted]


def shrunk(all_stretches, by_s):
    """The stretches, each starting later by a delay; empty ones are dropped."""
    return [(begin + by_s, end) for begin, end in all_stretches if begin + by_s < end]


def within(all_stretches, moments):
    inside = numpy.zeros(len(moments), dtype=bool)
    for begin, end in all_stretches:
        inside |= (begin <= moments) & (moments < end)
    return inside
