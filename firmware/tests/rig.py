"""Runs the firmware on the simulated chip with a script, and reads what came of it."""

import os
import re
import subprocess
import tempfile
from bisect import bisect_right
from functools import reduce
from pathlib import Path

FIRMWARE = Path(__file__).resolve().parent.parent
BUILD = Path(os.environ.get("RIG_BUILD", FIRMWARE / "build")).resolve()

CYCLES_PER_US = 16
CYCLES_PER_TICK = 8
SECOND = 16_000_000
WRAP = 1 << 32
# The firmware has started, and its first line is out, well before this (3.5 ms).
STARTED = 4_000_000

# Figures that the tests measure, printed at the end.
figures = []


def total(content):
    """The sum of a line: XOR of its bytes."""
    return reduce(lambda a, b: a ^ b, content.encode("latin-1"), 0)


class Edge:
    """An edge as reported: sequence, counter counted on over its wraps, levels."""

    def __init__(self, sequence, tick, levels):
        self.sequence, self.tick, self.levels = sequence, tick, levels


class Run:
    """What came of a script of (cycle, action) pairs: `truth` is (cycle, levels) for each edge driven, `lines`
    (cycle, content) for each line of the firmware; every line is checked against its sum."""

    def __init__(self, script, until, serial=None):
        with tempfile.TemporaryDirectory() as folder:
            path, log = Path(folder, "script"), Path(folder, "log")
            path.write_text("".join(f"{cycle} {action}\n" for cycle, action in script))
            command = [BUILD / "rig-sim", "--elf", BUILD / "rig.elf", "--script", path, "--log", log]
            command += ["--until", str(until)] + (["--serial", serial] if serial else [])
            subprocess.run(command, check=True)
            text = log.read_text(encoding="latin-1")
        self.zeros, self.truth, self.lines = [], [], []
        for row in text.splitlines():
            kind, cycle, rest = (row + " ").split(" ", 2)
            if kind == "zero":
                self.zeros.append(int(cycle))
            elif kind == "edge":
                self.truth.append((int(cycle), int(rest, 16)))
            else:
                found = re.fullmatch(r"([ -)+-~]+)\*([0-9A-F]{2})", rest[:-1])
                if not found or total(found[1]) != int(found[2], 16):
                    raise AssertionError(f"a line with a wrong sum: {rest!r}")
                self.lines.append((int(cycle), found[1]))

    def of(self, word):
        """The fields of the lines that begin with `word`."""
        return [content.split(" ")[1:] for _, content in self.lines if content.split(" ")[0] == word]

    def edges(self):
        """The edges, of a run without a reset."""
        result = []
        for cycle, content in self.lines:
            found = re.fullmatch(r"E ([0-9A-F]{4}) ([0-9A-F]{8}) ([0-9A-F]{2})", content)
            if found:
                # The line was sent less than a turn of the counter after the edge.
                sent = (cycle - self.zeros[0]) // CYCLES_PER_TICK
                tick = sent - (sent - int(found[2], 16)) % WRAP
                result.append(Edge(int(found[1], 16), tick, int(found[3], 16)))
        return result

    def lost(self):
        """The sum of all counts of lost edges."""
        return sum(int(count) for (count,) in self.of("L"))

    def error_us(self, edge, cycle):
        """Stamp minus truth."""
        return (edge.tick * CYCLES_PER_TICK - (cycle - self.zeros[0])) / CYCLES_PER_US


def changes(levels_of):
    """Script of (cycle, levels) from (cycle, input) toggles, in any order; those at the same cycle become one."""
    levels, script = 0, []
    for cycle, which in sorted(levels_of):
        levels ^= 1 << which
        if script and script[-1][0] == cycle:
            script.pop()
        script.append((cycle, f"{levels:X}"))
    return script


def by_input(events):
    """For each input the (time, level) of its own edges, from (time, levels) of all."""
    result, before = [[] for _ in range(4)], 0
    for time, levels in events:
        for which in range(4):
            if (levels ^ before) >> which & 1:
                result[which].append((time, levels >> which & 1))
        before = levels
    return result


def nearest_before(cycles, cycle):
    """The greatest of the sorted `cycles` that is less than `cycle`, or None."""
    at = bisect_right(cycles, cycle - 1)
    return cycles[at - 1] if at else None
