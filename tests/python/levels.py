"""An independent estimate of levels: the most likely level, delay and scatter of interval-censored crossings, with scipy."""

import numpy
from scipy import optimize, special

HALF_WINDOW = 20


def log_mass(low, high):
    """Logarithm of the standard normal probability between two limits, accurate far into the tails."""
    flip = low > 0.0
    low, high = numpy.where(flip, -high, low), numpy.where(flip, -low, high)
    above, below = special.log_ndtr(high), special.log_ndtr(low)
    return above + numpy.log1p(-numpy.exp(numpy.minimum(below - above, -1e-15)))


def parabola(time, level, centre):
    """A least-squares parabola: its coefficients about `centre`, the standard error of its value there, and the residual scatter."""
    x = time - centre
    scale = max(numpy.abs(x).max(), 1e-9)
    basis = numpy.stack([numpy.ones_like(x), x / scale, (x / scale) ** 2], axis=1)
    found, _, _, _ = numpy.linalg.lstsq(basis, level, rcond=None)
    residual = level - basis @ found
    spread = numpy.sqrt((residual**2).sum() / max(len(x) - 3, 1))
    error = spread * numpy.sqrt(numpy.linalg.inv(basis.T @ basis)[0, 0])
    return found / numpy.array([1.0, scale, scale**2]), error, spread


def crossing(run, mark, bits, span_s, to, delay_s):
    """Interval of levels, slope and fit error at the change of an input to a state within a mark; None without a change.

    The level is that of the reference as read, `delay_s` before the edge.
    """
    rows = run.rows(mark)
    states = bits[rows]
    if len(rows) < 3 or states[0] == to or not (states == to).any():
        return None
    new = int((states == to).argmax())
    earliest, latest = span_s[0][rows[new - 1]] - delay_s, span_s[1][rows[new]] - delay_s
    centre = (earliest + latest) / 2.0
    inside = numpy.flatnonzero((mark[0] * 1e-9 <= run.times_s) & (run.times_s <= mark[1] * 1e-9))
    time, level = run.times_s[inside], run.read_pa[inside]
    at = int(numpy.searchsorted(time, centre))
    noise = max(numpy.std(numpy.diff(run.read_pa[:50])) / numpy.sqrt(2.0), run.resolution_pa / 3.0)
    for half in (HALF_WINDOW, 10, 6):
        near = slice(max(at - half, 0), at + half)
        if len(time[near]) < 6 or time[near][0] > centre or time[near][-1] < centre:
            return None
        curve, error, spread = parabola(time[near], level[near], centre)
        # A valve that moves within the window shows as scatter: use a smaller window.
        if spread < 1.6 * noise:
            break
    ends = [curve[0] + curve[1] * x + curve[2] * x * x for x in (earliest - centre, latest - centre)]
    return min(ends), max(ends), curve[1], error


def most_likely(crossings, spread_pa, delay_spread_s):
    """The most likely level, remaining delay and scatter of crossings (low, high, slope, fit error).

    `spread_pa` is the promised scatter, known to a factor of two. `delay_spread_s` is the prior standard deviation of the delay, above 0.
    """
    low, high, slope, fit = (numpy.array(column) for column in zip(*crossings))
    middle = (low + high) / 2.0

    # Starting point and scale of the search: least squares of the middles, with the delay as one more observation.
    weight = 1.0 / numpy.sqrt((high - low) ** 2 / 12.0 + spread_pa**2 + fit**2)
    design = numpy.stack([weight, weight * slope], axis=1)
    design = numpy.concatenate([design, [[0.0, 1.0 / delay_spread_s]]])
    centre = middle.mean()
    start, _, _, _ = numpy.linalg.lstsq(design, numpy.append(weight * (middle - centre), 0.0), rcond=None)
    widen = numpy.linalg.cholesky(numpy.linalg.inv(design.T @ design))

    def of(values):
        level, delay = start + widen @ values[:2]
        return level + centre, delay, spread_pa * numpy.exp(values[2])

    def against(values):
        level, delay, scatter = of(values)
        spread = numpy.hypot(scatter, fit)
        at = level + slope * delay
        chance = log_mass((low - at) / spread, (high - at) / spread).sum()
        return -chance + 0.5 * (delay / delay_spread_s) ** 2 + 0.5 * (values[2] / numpy.log(2.0)) ** 2

    simplex = numpy.concatenate([numpy.zeros((1, 3)), 0.7 * numpy.eye(3)])
    found = optimize.minimize(
        against,
        numpy.zeros(3),
        method="Nelder-Mead",
        options={"initial_simplex": simplex, "xatol": 1e-3, "fatol": 1e-6, "maxiter": 2000},
    )
    return of(found.x)


def most_likely_known_spread(intervals, spread_pa):
    """The most likely level of plain intervals with a known scatter and no delay, for the self-test."""
    low, high = numpy.array(intervals).T
    against = lambda level: -log_mass((low - level) / spread_pa, (high - level) / spread_pa).sum()
    ends = (low.min() - 5.0 * spread_pa, high.max() + 5.0 * spread_pa)
    return optimize.minimize_scalar(against, bounds=ends, method="bounded", options={"xatol": 1e-6}).x


def level(run, output, at, bits, deep):
    """Level of an output in one direction from the ramps of the run's switch-points step, pascal; None if none is found."""
    step = run.steps("switch-points")[0]
    selected, promised = run.delays_s()
    lag, lag_u = run.lag_s()
    to = int(deep == run.on_when_deep(output))
    delay = selected + promised / 2.0 - lag
    span = run.span_s(at)
    marks = run.marks("rising" if deep else "falling", step)
    found = [crossing(run, mark, bits, span, to, delay) for mark in marks]
    found = [one for one in found if one is not None and (one[2] > 0.0) == deep]
    if not found:
        return None
    delay_spread = numpy.hypot(promised / 2.0, lag_u) / numpy.sqrt(3.0)
    return float(most_likely(found, run.promised_spread_pa(), max(delay_spread, 1e-9))[0])
