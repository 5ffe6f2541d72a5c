"""The witness's own tests: its comparator, its reconstruction and its judge against closed forms and scipy's own fit."""

import types

import numpy
from scipy import stats

import levels
from devices import Comparator, Envelope, Reads, states
from runs import half_width, local_fits, quantity


def ramp(rate, from_pa, to_pa, step_s=1e-3):
    time = numpy.arange(0.0, abs(to_pa - from_pa) / rate, step_s)
    return time, from_pa + numpy.sign(to_pa - from_pa) * rate * time


def rising_then_falling(rate):
    up, level_up = ramp(rate, 50e3, 70e3)
    down, level_down = ramp(rate, level_up[-1], 50e3)
    return numpy.concatenate([up, up[-1] + 1e-3 + down]), numpy.concatenate([level_up, level_down])


def the_edge_is_where_level_and_delay_say():
    """A ramp of rate r: the edge lies at level L + r·D rising, L − r·D falling."""
    random = numpy.random.default_rng(1)
    for rate in (500.0, 6e3, 60e3):
        for delay in (0.0, 5e-3, 0.2):
            time, level = rising_then_falling(rate)
            device = Comparator(60e3, 55e3, delay_s=(delay, delay / 2.0))
            line = device.line(device.crossings(time, level, random))
            # The line may change after the end of the ramp, so the level comes from the closed form, not from the ramp.
            (on, _), (off, _) = line
            turn = time[level.argmax()]
            assert abs(50e3 + rate * on - (60e3 + rate * delay)) < rate * 2e-6 + 1e-6, (rate, delay)
            apparent = level.max() - rate * (off - turn - 1e-3)
            assert abs(apparent - (55e3 - rate * delay / 2.0)) < rate * 2e-6 + 1e-6, (rate, delay)


def a_later_decision_takes_back_what_was_to_come():
    device = Comparator(60e3, 55e3, delay_s=(0.5, 0.1))
    assert device.line([(1.0, True, 0.0), (1.2, False, 0.0), (2.0, True, 0.0)]) == [(2.5, True)]


def scatter_is_as_drawn():
    random, levels_found = numpy.random.default_rng(2), []
    time, level = rising_then_falling(6e3)
    for _ in range(400):
        device = Comparator(60e3, 55e3, spread_pa=(100.0, 0.0))
        levels_found.append(device.crossings(time, level, random)[0][2])
    # 95 % limits of a standard deviation of 400: 100·(1 ± 0.07); four sigma here.
    assert abs(numpy.std(levels_found) - 100.0) < 15.0 and abs(numpy.mean(levels_found) - 60e3) < 20.0


def a_first_operation_is_too_deep_or_missing_once():
    random = numpy.random.default_rng(3)
    time, level = rising_then_falling(6e3)
    time = numpy.concatenate([time, time + time[-1] + 1e-3])
    level = numpy.concatenate([level, level])
    deeper = [at for _, deep, at in Comparator(60e3, 55e3, first_extra_pa=4e3).crossings(time, level, random) if deep]
    assert numpy.allclose(deeper, [64e3, 60e3])
    missing = Comparator(60e3, 55e3, first_extra_pa=numpy.inf).crossings(time, level, random)
    assert [deep for _, deep, _ in missing] == [True, False] and missing[0][0] > time[-1] / 2.0


def a_read_shows_the_line_at_its_moment():
    moments = numpy.array([0.0, 0.999, 1.0, 1.5, 2.0])
    assert list(states([(1.0, True), (2.0, False)], moments)) == [False, False, True, True, False]
    reads = Reads(moments, numpy.array([True, True, True, False, True]))
    assert list(reads.bits([(1.0, True)], True)) == [0, 0, 1, 0, 1]
    assert list(reads.bits([(1.0, True)], False)) == [1, 1, 0, 0, 0]
    assert list(reads.bits([], True, inverted=[(0.9, 1.2)])) == [0, 1, 1, 0, 0]
    assert list(reads.bits([], True, stuck=(1.2, True))) == [0, 0, 0, 1, 1]


def the_envelope_knows_what_no_sound_device_shows():
    time, level = rising_then_falling(6e3)
    truth = types.SimpleNamespace(time_s=time, level_pa=level)
    envelope = Envelope(truth, [(59e3, 61e3), (54e3, 56e3)], 250.0, 0.01)
    moments = numpy.arange(0.0, time[-1], 5e-3)
    reads = Reads(moments, numpy.ones(len(moments), dtype=bool))
    random = numpy.random.default_rng(4)
    for deep, shallow, delay, sound in ((60e3, 55e3, 0.005, True), (63e3, 55e3, 0.005, False), (60e3, 58e3, 0.005, False), (60e3, 55e3, 0.4, False)):
        device = Comparator(deep, shallow, delay_s=(delay, delay))
        bits = reads.bits(device.line(device.crossings(time, level, random)), True)
        assert (envelope.contradicted(reads, bits, True) == (0, 0)) == sound, (deep, shallow, delay)
    # A drop of 60 ms at a level where a sound device may be on or off.
    begin = moments[numpy.flatnonzero(numpy.interp(moments, time, level) > 60e3)[0]]
    device = Comparator(59.5e3, 55e3)
    bits = reads.bits(device.line(device.crossings(time, level, random)), True, inverted=[(begin, begin + 0.06)])
    assert envelope.contradicted(reads, bits, True)[1] >= 1


def intervals_agree_with_scipy():
    random = numpy.random.default_rng(5)
    for _ in range(40):
        spread, count = random.uniform(5.0, 80.0), int(random.integers(2, 8))
        low = random.normal(0.0, spread, count) - random.uniform(5.0, 60.0, count)
        intervals = numpy.stack([low, low + random.uniform(20.0, 90.0, count)], axis=1)
        expected, _ = stats.norm.fit(stats.CensoredData(interval=intervals), fscale=spread)
        found = levels.most_likely_known_spread(intervals, spread)
        assert abs(found - expected) < 0.01 * spread, (found, expected)


def two_rates_give_level_and_delay():
    """Narrow intervals at two rates: L = (r2 y1 − r1 y2)/(r2 − r1), D = (y2 − y1)/(r2 − r1)."""
    random = numpy.random.default_rng(6)
    for _ in range(10):
        level, delay = random.uniform(40e3, 70e3), random.uniform(-0.05, 0.3)
        rates = [500.0, 500.0, 6e3, 6e3]
        at = [level + rate * delay + random.uniform(-1.0, 1.0) for rate in rates]
        crossings = [(y - 1.0, y + 1.0, rate, 1.0) for y, rate in zip(at, rates)]
        found, found_delay, _ = levels.most_likely(crossings, 10.0, 10.0)
        slow, fast = numpy.mean(at[:2]), numpy.mean(at[2:])
        assert abs(found - (6e3 * slow - 500.0 * fast) / 5.5e3) < 1.0, (found, level)
        assert abs(found_delay - (fast - slow) / 5.5e3) < 5e-4, (found_delay, delay)


def tails_are_as_good_as_logarithms_can_tell():
    # Between 39 and 40 sigma: ln φ(39) − ln 39 to first order, from the asymptotic series.
    expected = stats.norm.logsf(39.0)
    for low, high in ((39.0, 40.0), (-40.0, -39.0)):
        found = levels.log_mass(numpy.array([low]), numpy.array([high]))[0]
        assert abs(found - expected) < 1e-6


def the_level_is_found_in_noise_and_at_a_kink():
    random = numpy.random.default_rng(7)
    time = numpy.cumsum(random.uniform(4.8e-3, 5.2e-3, 2000))
    true = numpy.where(time < 5.0, 90e3 * (1.0 - numpy.exp(-time / 3.0)), 90e3 * (1.0 - numpy.exp(-5.0 / 3.0)) * numpy.exp(-(time - 5.0) / 0.5))
    value = local_fits(time, true + random.normal(0.0, 20.0, len(time)), 10)
    rising, falling = (0.2 < time) & (time < 4.8), (5.2 < time) & (time < 6.0)
    assert numpy.std((value - true)[rising]) < 12.0 and abs(numpy.mean((value - true)[rising])) < 3.0
    assert numpy.abs((value - true)[falling]).max() < 60.0
    assert numpy.abs(value - true).max() < 400.0


def texts_have_their_units():
    assert quantity("60 kPa") == 60e3 and quantity("-60 kPa gauge") == 60e3 and abs(quantity("6 ms") - 6e-3) < 1e-15
    assert half_width("1 %FS + 1 digit", 100e3, 100.0) == 1100.0 and half_width("200 Pa", 1.0, 1.0) == 200.0


TESTS = [
    the_edge_is_where_level_and_delay_say,
    a_later_decision_takes_back_what_was_to_come,
    scatter_is_as_drawn,
    a_first_operation_is_too_deep_or_missing_once,
    a_read_shows_the_line_at_its_moment,
    the_envelope_knows_what_no_sound_device_shows,
    intervals_agree_with_scipy,
    two_rates_give_level_and_delay,
    tails_are_as_good_as_logarithms_can_tell,
    the_level_is_found_in_noise_and_at_a_kink,
    texts_have_their_units,
]


def main():
    for test in TESTS:
        test()
        print(f"{test.__name__}: holds")
    print(f"{len(TESTS)} self-tests hold")
    return 0
