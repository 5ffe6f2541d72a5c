"""Prints the ten slowest tests of the last runs of cargo-nextest, by their JUnit files below a target folder, and the sum of all."""

import pathlib
import sys
import xml.etree.ElementTree as ElementTree


def main(target: str) -> None:
    cases = []
    for path in sorted(pathlib.Path(target).glob("nextest/*/junit.xml")):
        for case in ElementTree.parse(path).iter("testcase"):
            cases.append((float(case.get("time", "0")), path.parent.name, case.get("name")))
    cases.sort(reverse=True)
    print(f"{len(cases)} tests, {sum(time for time, _, _ in cases):.0f} s; the ten slowest:")
    for time, profile, name in cases[:10]:
        print(f"{time:7.1f} s  {profile:<8} {name}")


main(sys.argv[1])
