"""Independent results by scipy: reads one JSON object per line of standard input and prints the answer to each."""

import json
import sys

import numpy
from scipy import stats


def answer(case):
    if case["kind"] == "t":
        return stats.t.ppf(0.975, case["nu"])
    if case["kind"] == "inside":
        return stats.norm.cdf((case["high"] - case["y"]) / case["u"]) - stats.norm.cdf(
            (case["low"] - case["y"]) / case["u"]
        )
    intervals = numpy.array(case["intervals"])
    if case["kind"] == "most-likely":
        data = stats.CensoredData(interval=intervals)
        location, _ = stats.norm.fit(data, fscale=case["spread"])
        return location
    if case["kind"] == "posterior":
        middle = intervals.mean()
        reach = numpy.ptp(intervals) + 8.0 * case["spread"]
        levels = numpy.linspace(middle - reach, middle + reach, 40001)
        logs = numpy.zeros_like(levels)
        for low, high in intervals:
            below, above = (low - levels) / case["spread"], (high - levels) / case["spread"]
            flip = below > 0
            mass = numpy.where(
                flip,
                stats.norm.cdf(-below) - stats.norm.cdf(-above),
                stats.norm.cdf(above) - stats.norm.cdf(below),
            )
            logs += numpy.log(numpy.maximum(mass, 1e-300))
        weights = numpy.exp(logs - logs.max())
        mean = (levels * weights).sum() / weights.sum()
        deviation = numpy.sqrt((weights * (levels - mean) ** 2).sum() / weights.sum())
        return [mean, deviation]
    raise ValueError(case["kind"])


for line in sys.stdin:
    print(json.dumps(answer(json.loads(line))))
