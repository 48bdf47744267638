"""Time stamps: what they are off by, cycle by cycle."""

import random
import unittest

import rig
from rig import CYCLES_PER_US, SECOND, STARTED, Run, by_input, changes, figures

GO = (STARTED - SECOND // 100, "send G")
# The bounds of the README, in us. Late: the edge came while another was being stored. Early: it came between the stamp
# and the look at the pins of the edge before, and shares its stamp. A width is off by 5 at most.
EARLY_US, LATE_US = -1.0, 4.0
BOUND_US = LATE_US - EARLY_US
# An edge that nothing delays: the latency of the interrupt, 7 to 15 cycles by the instruction that it
# interrupts and whether the chip sleeps, less what the tick cuts off, 0 to 8 cycles.
ALONE_US = (0.0, 1.0)
# An edge that only the overflow's interrupt can delay, by 20 cycles.
OVERFLOW_US = (0.0, 2.3)
TURN = 1 << 19  # cycles from one overflow of the 16-bit counter to the next
CARRY = TURN << 8  # ... to the next of the lower byte of the high word
FULL = TURN << 16  # ... of all 32 bits


def errors_by_input(run, before=lambda cycle: True):
    """Error of each single input's edge, with the cycle at which it was; every edge must be there."""
    truth = by_input(run.truth)
    found = by_input([(edge.tick, edge.levels) for edge in run.edges()])
    errors = []
    for true, seen in zip(truth, found):
        if [level for _, level in true] != [level for _, level in seen]:
            raise AssertionError(f"{len(true)} edges became {len(seen)}")
        for (cycle, _), (tick, _) in zip(true, seen):
            if before(cycle):
                errors.append(((tick * 8 - (cycle - run.zeros[0])) / CYCLES_PER_US, cycle))
    return errors


class Time(unittest.TestCase):
    def bounded(self, errors, low=EARLY_US, high=LATE_US):
        least, most = min(errors)[0], max(errors)[0]
        self.assertGreaterEqual(least, low)
        self.assertLessEqual(most, high)
        return f"{least:+.2f} to {most:+.2f} us"

    def test_ten_thousand_random_pulses_are_timed_within_the_bound(self):
        draw = random.Random(4)
        toggles = []
        for which in range(4):
            cycle = STARTED + draw.randrange(SECOND)
            for _ in range(2500):
                # From 50 us to 70 s, each decade as often as the other.
                width = round(16 * 50 * (70e6 / 50) ** draw.random())
                toggles += [(cycle, which), (cycle + width, which)]
                cycle += width + round(16 * 50 * (1e6 / 50) ** draw.random())
        script = changes(toggles)
        times = range(STARTED, script[-1][0], 40 * SECOND)
        syncs = [(cycle, f"send S {n:08X}") for n, cycle in enumerate(times)]
        run = Run([GO] + script + syncs, script[-1][0] + SECOND)
        self.assertEqual(run.lost(), 0)
        text = self.bounded(errors_by_input(run))
        widths = []
        found = by_input([(edge.tick, edge.levels) for edge in run.edges()])
        for true, seen in zip(by_input(run.truth), found):
            for at in range(0, len(true), 2):
                true_us = (true[at + 1][0] - true[at][0]) / CYCLES_PER_US
                widths.append((seen[at + 1][0] - seen[at][0]) / 2 - true_us)
        self.assertEqual(len(widths), 10_000)
        self.assertLessEqual(max(map(abs, widths)), BOUND_US)
        # The half tick of each edge, and the latency's few cycles; what is beyond met another edge.
        near = sum(abs(width) <= 1.0 for width in widths) / len(widths)
        self.assertGreater(near, 0.99)
        rms = (sum(width**2 for width in widths) / len(widths)) ** 0.5
        hours = run.truth[-1][0] / SECOND / 3600
        figures.append(f"10,000 random pulses, {hours:.1f} h of the chip's time: stamps {text}; widths")
        figures.append(f"    {min(widths):+.2f} to {max(widths):+.2f} us, RMS {rms:.2f} us, {100 * near:.2f} % within 1 us")

    def test_edges_around_each_carry_of_the_counter_keep_their_time(self):
        # The counter starts at the same cycle in every run.
        zero = Run([], STARTED).zeros[0]
        toggles, n = [], 1
        for offset in range(-40, 41):
            # One edge, and one with a second input at every distance that could matter.
            toggles.append((zero + n * CARRY + offset, 0))
            n += 1
        run = Run([GO] + changes(toggles), zero + n * CARRY)
        text = self.bounded(errors_by_input(run), *OVERFLOW_US)
        figures.append(f"one edge at each cycle from -40 to +40 around a carry: stamps {text}")

    def test_two_edges_around_each_overflow_keep_their_time(self):
        zero = Run([], STARTED).zeros[0]
        toggles, n = [], 40
        for offset in range(-40, 41):
            for apart in (1, 9, 23, 47, 90, 120):
                toggles += [(zero + n * TURN + offset, 0), (zero + n * TURN + offset + apart, 1)]
                n += 1
        run = Run([GO] + changes(toggles), zero + n * TURN)
        text = self.bounded(errors_by_input(run))
        figures.append(f"two edges around an overflow: stamps {text}")

    def test_edges_around_the_wrap_of_all_32_bits_keep_their_time(self):
        zero = Run([], STARTED).zeros[0]
        toggles = [(zero + FULL + offset, 0) for offset in range(-4000, 4000, 163)]
        run = Run([GO] + changes(toggles), zero + FULL + SECOND)
        self.bounded(errors_by_input(run), *OVERFLOW_US)
        ticks = [int(tick, 16) for _, tick, _ in run.of("E")]
        self.assertTrue(min(ticks) < 1000 and max(ticks) > rig.WRAP - 1000)

    def test_inputs_that_change_in_the_same_cycle_share_a_line(self):
        script = [GO]
        for n in range(200):
            script.append((STARTED + n * 50_021, "F" if n % 2 == 0 else "0"))
        run = Run(script, script[-1][0] + SECOND)
        self.assertEqual([edge.levels for edge in run.edges()], [15, 0] * 100)
        self.bounded([(run.error_us(e, t[0]), t[0]) for e, t in zip(run.edges(), run.truth)], *ALONE_US)

    def test_a_second_input_at_any_distance_is_stamped_within_the_bound(self):
        toggles, cycle = [], STARTED
        for apart in range(0, 200):
            for phase in range(8):
                cycle += 100_000 + phase
                toggles += [(cycle, 0), (cycle + apart, 1)]
        run = Run([GO] + changes(toggles), cycle + SECOND)
        text = self.bounded(errors_by_input(run))
        figures.append(f"a second input 0 to 200 cycles after the first: stamps {text}")

    def test_an_edge_alone_is_off_by_latency_and_tick_alone(self):
        draw = random.Random(5)
        cycle, toggles = STARTED, []
        for _ in range(5000):
            cycle += draw.randrange(3_000_000, 4_000_000)  # the line of the edge before is out by far
            toggles.append((cycle, draw.randrange(4)))
        run = Run([GO] + changes(toggles), cycle + SECOND)
        zero = run.zeros[0]
        # Away from overflows and the heartbeats.
        quiet = errors_by_input(run, lambda cycle: 200 < (cycle - zero) % TURN < TURN - 200)
        text = self.bounded(quiet, *ALONE_US)
        spread = max(quiet)[0] - min(quiet)[0]
        figures.append(f"an edge alone: stamps {text}, so widths within {spread:.2f} us")

    def test_a_busy_line_delays_no_stamp_beyond_the_bound(self):
        draw = random.Random(6)
        cycle, toggles, syncs = STARTED, [], []
        for n in range(20_000):
            # About 400 edges a second, and a sync every 20th.
            cycle += draw.randrange(200, 80_000)
            toggles.append((cycle, draw.randrange(4)))
            if n % 20 == 0:
                syncs.append((cycle + draw.randrange(80_000), f"send S {n:08X}"))
        run = Run([GO] + changes(toggles) + syncs, cycle + SECOND)
        self.assertEqual(len(run.of("S")), len(syncs))
        self.assertEqual(run.lost(), 0)
        text = self.bounded(errors_by_input(run))
        figures.append(f"20,000 edges with a busy line, no two within 12.5 us: stamps {text}")
