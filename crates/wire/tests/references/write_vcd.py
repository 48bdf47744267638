"""Writes a VCD with pyvcd and, to standard error, the pulses that it holds, for tests/independent.rs.

Usage: write_vcd.py TIMESCALE SEED FILE
Needs pyvcd (pip install pyvcd); written with 0.5.1.
"""

import random
import sys

import vcd

timescale, seed, path = sys.argv[1:]
generator = random.Random(int(seed))
time = generator.randrange(1000)
with open(path, "w") as file, vcd.VCDWriter(
    file, timescale=timescale, comment="guide port", date="today", init_timestamp=time
) as writer:
    bus = writer.register_var("rig.port", "bus", "wire", size=8, init=0)
    volts = writer.register_var("rig.supply", "volts", "real", init=12.0)
    name = writer.register_var("rig", "step", "string", init="begin")
    other = writer.register_var("rig.port", "ENABLE", "wire", size=1, init="x")
    wire = writer.register_var("rig.port", "DATA", "wire", size=1, init=0)
    writer.register_alias("rig.front", "LINE", wire)
    for step in range(300):
        time += generator.randrange(1, 5_000_000)
        start = time
        writer.change(wire, time, 1)
        for _ in range(generator.randrange(3)):
            writer.change(bus, time, generator.choice([0, 7, 255, "x", "z"]))
            writer.change(volts, time, generator.uniform(-1, 15))
            writer.change(name, time, f"step_{step}")
        time += generator.randrange(1, 1_000_000)
        if step % 50 == 7:
            writer.dump_off(time)
            writer.dump_on(time)
        writer.change(other, time, generator.choice([0, 1, "x", "z"]))
        writer.change(wire, time, 0)
        print(start, time, file=sys.stderr)
    writer.close(time + 9)
