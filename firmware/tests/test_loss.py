"""How many edges go through, and that each lost one is counted."""

import random
import unittest

from rig import SECOND, STARTED, Run, changes, figures

GO = (STARTED - SECOND // 50, "send G")
# Edges on one input that are this far apart are all told from each other, in cycles: 5 us.
RESOLVED = 80
# What the buffer holds, and the line at the same time.
BUFFER = 255
# A full buffer is out in half a second.
DRAIN = SECOND


def run_of(cycles):
    """A run in which input 0 toggles at each of the cycles."""
    toggles = changes([(cycle, 0) for cycle in cycles])
    return Run([GO] + toggles, toggles[-1][0] + DRAIN)


def evenly(count, apart, start=STARTED):
    """`count` cycles, so far apart."""
    return [start + round(n * apart) for n in range(count)]


class Loss(unittest.TestCase):
    def account(self, run):
        """Checks that what was driven is what was reported and what was counted as lost, edge by edge."""
        edges, at = run.edges(), 0
        lost = 0
        sequence = 0
        for _, content in run.lines:
            if content.startswith("L "):
                self.assertGreater(int(content[2:]), 0)
                lost += int(content[2:])
                sequence += int(content[2:])
            elif content.startswith("E "):
                edge = edges[at]
                at += 1
                self.assertEqual(edge.sequence, sequence % 65_536)
                # The sequence is the number of the edge: of just this one are levels and time.
                cycle, levels = run.truth[sequence]
                self.assertEqual(edge.levels, levels)
                self.assertTrue(-1 < run.error_us(edge, cycle) < 4)
                sequence += 1
        self.assertEqual(len(edges) + lost, len(run.truth))
        self.assertEqual(sequence, len(run.truth))
        return lost

    def test_a_burst_of_the_buffers_size_is_held_at_any_spacing(self):
        for apart in (RESOLVED, 133, 160, 800, 16_000):
            with self.subTest(apart=apart):
                self.assertEqual(self.account(run_of(evenly(BUFFER, apart))), 0)

    def test_a_burst_beyond_the_buffer_is_counted_exactly(self):
        bursts = [(257, RESOLVED), (300, RESOLVED), (1000, 81), (1000, 160), (2000, 803), (5000, 3200), (70_000, 160)]
        for count, apart in bursts:
            with self.subTest(count=count, apart=apart):
                self.assertGreater(self.account(run_of(evenly(count, apart))), 0)

    def test_bursts_at_random_are_counted_exactly(self):
        draw = random.Random(9)
        cycle, cycles = STARTED, []
        for _ in range(150):
            cycle += draw.randrange(SECOND)
            for _ in range(draw.randrange(600)):
                cycle += round(RESOLVED * 60 ** draw.random())
                cycles.append(cycle)
        run = run_of(cycles)
        lost = self.account(run)
        self.assertGreater(lost, 1000)
        figures.append(f"{len(cycles)} edges in bursts: {len(run.edges())} received, {lost} counted as lost "
                       f"in {len(run.of('L'))} holes")

    def test_timing_goes_on_after_a_hole(self):
        cycles = evenly(1000, 160) + evenly(10, 100_000, STARTED + 2 * SECOND)
        run = run_of(cycles)
        self.account(run)
        self.assertEqual([edge.sequence for edge in run.edges()][-10:], list(range(1000, 1010)))

    def test_the_stated_rate_goes_on_for_as_long_as_one_likes(self):
        # 500 edges a second, for a minute, with a sync each 250 ms: 0.25 s more or less would tell.
        cycles = evenly(30_000, SECOND / 500)
        syncs = [(STARTED + n * SECOND // 4, f"send S {n:08X}") for n in range(240)]
        run = Run([GO] + changes([(cycle, 0) for cycle in cycles]) + syncs, cycles[-1] + DRAIN)
        self.assertEqual(self.account(run), 0)
        self.assertEqual(len(run.of("S")), 240)

    def test_the_rate_that_goes_on_is_measured(self):
        low, high = 400, 700
        while high - low > 1:
            rate = (low + high) // 2
            lost = self.account(run_of(evenly(20 * rate, SECOND / rate)))
            low, high = (rate, high) if lost == 0 else (low, rate)
        # 117,647 baud / 10 bits / 22 bytes are 534.
        self.assertTrue(500 <= low <= 540, low)
        figures.append(f"sustained for 20 s: {low} edges a second on the simulated line (the line itself: 534)")

    def test_the_resolution_is_measured(self):
        def all_seen(apart):
            run = run_of(evenly(2000, apart))
            return len(run.edges()) + run.lost() == 2000

        apart = RESOLVED
        while all_seen(apart):
            apart -= 1
        self.assertTrue(40 < apart < RESOLVED, apart)
        figures.append(f"edges on one input {(apart + 1) / 16:.2f} us apart are all told from each other")

    def test_commands_get_through_in_a_burst(self):
        # 40,000 edges a second for a second: the interrupt takes 0.2 of the time.
        cycles = evenly(40_000, 400)
        syncs = [(STARTED + n * SECOND // 20, f"send S {n:08X}") for n in range(20)]
        run = Run([GO] + changes([(cycle, 0) for cycle in cycles]) + syncs, cycles[-1] + DRAIN)
        self.account(run)
        self.assertEqual(len(run.of("S")), 20)
