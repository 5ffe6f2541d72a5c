"""A second, independent implementation: rewrites the digital inputs of a run with devices of its own, and finds their levels.

    attacks.py RUN OUT --seed N --traces N --first N    writes OUT/0/trace.csv, ...; prints one JSON line for each
    attacks.py RUN                                      prints the levels of its own devices
    attacks.py --self-test                              checks its comparator and its judge against closed forms and scipy

It reads trace.csv and record.json of RUN and shares nothing with the program that wrote them.
"""

import argparse
import itertools
import json
import pathlib
import sys

import numpy

import draws
import levels
from devices import Reads
from draws import Bench, Truth
from runs import Run, TrueLevel

QUANTITIES = {
    ("switch", True): "switch-point",
    ("switch", False): "reset-point",
    ("valve", True): "cut-off",
    ("valve", False): "resume",
}


class Rewriter:
    """A run whose inputs are rewritten repeatedly."""

    def __init__(self, folder):
        self.run = Run(folder)
        self.bench = Bench(self.run, TrueLevel(self.run))
        self.fields = [line.split(",") for line in self.run.lines]
        inputs = [self.run.position(number)[output] for number in self.run.numbers() for output in self.bench.all_outputs]
        module = self.run.rig.get("module", {})
        # This program does not simulate counters, stamps, filters or images of a module.
        assert not any({"counter", "capture", "active"} & set(one) for one in inputs)
        assert not {"input_filter", "image_age"} & set(module)

    def address(self, number, output):
        return self.run.position(number)[output]["at"]

    def plays(self, number, device, random):
        """The bits that are read of each output of a device at a position, and the verdicts allowed for the device."""
        run, bench = self.run, self.bench
        bits, crossings, contradictions = {}, {}, {}
        for output, comparator in device.outputs.items():
            at = self.address(number, output)
            reads = Reads.of(run, at, random)
            on_when_deep = run.on_when_deep(output)
            crossings[output] = comparator.crossings(bench.truth.time_s, bench.truth.level_pa, random)
            line = comparator.line(crossings[output])
            found = reads.bits(line, on_when_deep, device.inverted.get(output, ()), device.stuck.get(output))
            if output == "valve":
                driven = draws.within(bench.saving, reads.moments_s)
                found = numpy.where(driven, run.values(at), found)
                reads.powered = reads.powered & ~driven
            bits[output] = found
            contradictions[output] = bench.envelopes[output].contradicted(reads, found, on_when_deep)
        return bits, Truth(bench, device, crossings, contradictions).said()

    def drawn(self, misbehaviour, random):
        """A drawn device. If devices drive the air in the run, its valve line stays as recorded unless the valve misbehaves."""
        device = draws.good(self.bench, random)
        draws.MISBEHAVIOURS[misbehaviour](self.bench, device, random)
        device.misbehaviour = misbehaviour
        if self.bench.saving:
            touched = misbehaviour in draws.OF_VALVE + ("level-off", "late-hides-level", "wrong-delay")
            touched |= "valve" in device.stuck or "valve" in device.inverted
            if "valve" in device.outputs and not touched and not device.outputs["valve"].first_extra_pa:
                del device.outputs["valve"]
        return device

    def single(self, misbehaviour, number, random):
        """One device at its own position."""
        device = self.drawn(misbehaviour, random)
        bits, said = self.plays(number, device, random)
        return [(number, misbehaviour, bits, said, device)]

    def pair(self, misbehaviour, numbers, random):
        """Two positions with wrong wires, the device at the first being bad."""
        first, second = numbers
        bad, other = self.drawn("level-off", random), self.drawn("good", random)
        outputs = [output for output in bad.outputs if output in other.outputs]
        bad.outputs = {output: bad.outputs[output] for output in outputs}
        other.outputs = {output: other.outputs[output] for output in outputs}
        bits, said = self.plays(first, bad, random)
        others, of_other = self.plays(second, other, random)
        if misbehaviour == "wired-together":
            second_said = ("gray", ["another position hangs on its wire"])
            return [(first, misbehaviour, dict(others), said, bad), (second, "its-neighbour", others, second_said, other)]
        blind = ("blind", ["every line shows the other device, a good one"])
        return [(first, "crossed-holds-bad", others, blind, bad), (second, "crossed-reads-bad", bits, said, bad)]

    def write(self, path, placed):
        """Writes the trace with new inputs. Inputs not in `placed` are as recorded, whatever was written before."""
        new = {(number, output): found for number, _, bits, _, _ in placed for output, found in bits.items()}
        for number in self.run.numbers():
            for output in self.bench.all_outputs:
                at = self.address(number, output)
                column = self.run.column[self.run.place(at)[0]]
                for fields, bit in zip(self.fields, new.get((number, output), self.run.values(at))):
                    fields[column] = "1" if bit else "0"
        with open(path, "w", newline="\n") as file:
            file.write(",".join(self.run.names) + "\n")
            file.writelines(",".join(fields) + "\n" for fields in self.fields)

    def levels(self, number, bits):
        """The levels that this implementation finds from the same lines."""
        found = {}
        for (output, deep), name in QUANTITIES.items():
            if output in bits:
                found[name] = levels.level(self.run, output, self.address(number, output), bits[output], deep)
        return found


def described(device):
    comparators = {
        output: {key: value if not numpy.isinf(numpy.max(value)) else None for key, value in vars(comparator).items()}
        for output, comparator in device.outputs.items()
    }
    return {"outputs": comparators, "inverted": device.inverted, "stuck": device.stuck}


def order(first):
    """An endless sequence of misbehaviours, starting at index `first` of their list, with good devices between them."""
    names = [name for name in draws.MISBEHAVIOURS if name != "good"] + list(draws.PAIRED)
    for after in range(len(names), 0, -4):
        names.insert(after, "good")
    return itertools.islice(itertools.cycle(names), first % len(names), None)


def place(rewriter, names, waiting, random):
    """Fills the positions of one trace, in order of `names`; a pair without room waits for the next trace."""
    free = rewriter.run.numbers()
    alone, placed = len(free) < 2, []
    while free:
        name = waiting.pop() if waiting else next(names)
        if name in draws.OF_VALVE and "valve" not in rewriter.bench.all_outputs:
            continue
        if name not in draws.PAIRED:
            placed += rewriter.single(name, free.pop(0), random)
        elif len(free) >= 2:
            placed += rewriter.pair(name, (free.pop(0), free.pop(0)), random)
        elif not alone:
            waiting.append(name)
            placed += rewriter.single("good", free.pop(0), random)
    return placed


def rewrite(options):
    rewriter, waiting, out = Rewriter(options.run), [], options.out
    names = itertools.repeat(options.only) if options.only else order(options.first)
    for index in range(options.traces):
        random = numpy.random.default_rng([options.seed, index])
        placed = place(rewriter, names, waiting, random)
        path = pathlib.Path(out) / str(index)
        path.mkdir(parents=True, exist_ok=True)
        rewriter.write(path / "trace.csv", placed)
        positions = [
            {
                "number": number,
                "misbehaviour": name,
                "may": said[0],
                "why": said[1],
                "levels": rewriter.levels(number, bits),
                "device": described(device),
            }
            for number, name, bits, said, device in placed
        ]
        print(json.dumps({"trace": str(path / "trace.csv"), "positions": positions}, default=float), flush=True)


def as_it_is(folder):
    """Prints the levels of a run's own devices, and the number of states impossible for a sound device, to compare with the truth."""
    rewriter, random = Rewriter(folder), numpy.random.default_rng(0)
    found = {}
    for number in rewriter.run.numbers():
        addresses = {output: rewriter.address(number, output) for output in rewriter.bench.all_outputs}
        bits = {output: rewriter.run.values(at) for output, at in addresses.items()}
        wrong = 0
        for output, at in addresses.items():
            reads, envelope = Reads.of(rewriter.run, at, random), rewriter.bench.envelopes[output]
            wrong += sum(envelope.contradicted(reads, bits[output], rewriter.run.on_when_deep(output)))
        found[number] = rewriter.levels(number, bits) | {"wrong": wrong}
    print(json.dumps(found), flush=True)


def main():
    parser = argparse.ArgumentParser()
    parser.add_argument("run", nargs="?")
    parser.add_argument("out", nargs="?")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--traces", type=int, default=1)
    parser.add_argument("--first", type=int, default=0)
    parser.add_argument("--only", choices=[*draws.MISBEHAVIOURS, *draws.PAIRED])
    parser.add_argument("--self-test", action="store_true")
    options = parser.parse_args()
    if options.self_test:
        import self_test

        sys.exit(self_test.main())
    if options.out is None:
        as_it_is(options.run)
    else:
        rewrite(options)


if __name__ == "__main__":
    main()
