"""The firmware keeps to docs/rig-link.md."""

import random
import re
import unittest
from pathlib import Path

import rig
from rig import SECOND, STARTED, Run, changes, figures

DOCUMENT = Path(__file__).resolve().parents[2] / "docs" / "rig-link.md"
# A line from the host needs 1.4 ms at most, its answer 3 ms: by this it is there.
STEP = SECOND // 50


def spaced(actions, start=STARTED, step=STEP):
    """The actions one after the other, so far apart that each is answered before the next."""
    return [(start + n * step, action) for n, action in enumerate(actions)]


def answers(actions, **more):
    """The run of the actions, and what the firmware said after its start, without heartbeats."""
    script = spaced(actions)
    run = Run(script, script[-1][0] + STEP, **more)
    said = [content for cycle, content in run.lines if cycle >= STARTED]
    return run, [content for content in said if not content.startswith("H ")]


class Link(unittest.TestCase):
    def test_the_documents_examples_have_right_sums(self):
        examples = re.findall(r"^    [<>] (.+?)\*(\S\S)(?: |$)", DOCUMENT.read_text(), re.M)
        self.assertGreater(len(examples), 10)
        for content, total in examples:
            self.assertEqual(f"{rig.total(content):02X}", total, content)

    def test_identity_comes_after_a_reset_and_when_asked(self):
        run = Run([(STARTED, "send ?"), (2 * STARTED, "reset")], 3 * STARTED)
        identity = "1 0.1.0 2000000 4 unset".split()
        self.assertEqual(run.of("RIG"), [identity] * 3)
        self.assertGreater(run.lines[-1][0], 2 * STARTED)

    def test_the_serial_is_the_one_in_the_eeprom(self):
        full = "0123456789abcdef"
        for written, shown in (("pier-1", "pier-1"), (full, full), ("a*b", "a"), ("a b", "a"), (" ", "unset")):
            run = Run([], STARTED, serial=written)
            self.assertEqual(run.of("RIG"), [["1", "0.1.0", "2000000", "4", shown]])

    def test_bad_lines_are_dropped_and_the_next_good_one_is_answered(self):
        bad = [
            r"?*3E\n", r"?*3f\n", r"?3F\n", r"?*3F\r\n", r"?*3\n", r"*00\n", r"\n", r"\n\n\n", r"?*3FF\n", r"?*3G\n",
            r"?*3F?*3F\n", r"\x00\xff\x80\n", "?" * 31 + r"*3F\n", "?" * 300 + r"\n", r"\xbf*3F\n", r" ?*1F\n",
            r"S 00000001*03\n",
        ]
        for line in bad:
            _, said = answers([f"raw {line}", "send S 00000002"])
            self.assertEqual([content[:10] for content in said], ["S 00000002"], line)

    def test_unknown_lines_are_skipped(self):
        unknown = ["Q", "g", "??", "? ", "GX", "S", "S ", "S 1", "S 0000000g", "S 0000000a", "S 00000001 "]
        unknown += ["S  0000001", "S 000000001", "RIG 1 0.1.0 2000000 4 x", "E 0000 00000000 01", "H 00000000"]
        run, said = answers([f"send {line}" for line in unknown] + ["3", "0"])
        self.assertEqual(said, [])
        self.assertEqual(run.edges(), [])

    def test_no_line_of_noise_starts_or_stops_the_timing(self):
        # Sums are one byte: of random lines with a star in its place a few are right, so their content
        # must be wrong. Here every line is one bit away from a good one.
        lines = []
        for good in (b"G*47", b"S 00000001*02", b"?*3F"):
            for bit in range(8 * len(good)):
                flipped = bytearray(good)
                flipped[bit // 8] ^= 1 << bit % 8
                lines.append("".join(f"\\x{byte:02x}" for byte in flipped) + r"\n")
        run, said = answers([f"raw {line}" for line in lines] + ["1", "0"])
        self.assertEqual(said, [])
        run, said = answers(["send G"] + [f"raw {line.replace('47', '58')}" for line in lines] + ["1", "0"])
        self.assertEqual([content[:6] for content in said], ["E 0000", "E 0001"])

    def test_random_bytes_never_stop_the_firmware(self):
        draw = random.Random(7)
        script = []
        for n in range(60):
            noise = "".join(f"\\x{draw.randrange(256):02x}" for _ in range(400))
            script += [(STARTED + n * 10 * STEP, f"raw {noise}"), (STARTED + (n * 10 + 8) * STEP, r"raw \n"),
                       (STARTED + (n * 10 + 9) * STEP, f"send S {n:08X}")]
        run = Run(script, script[-1][0] + STEP)
        self.assertEqual([int(token, 16) for token, _ in run.of("S")], list(range(60)))

    def test_a_sync_is_answered_with_its_token_and_the_time_of_its_line_feed(self):
        tokens = [0, 1, 0xFFFFFFFF, 0x0123ABCD, 0x80000000]
        script = spaced([f"send S {token:08X}" for token in tokens])
        run = Run(script, script[-1][0] + STEP)
        self.assertEqual([int(token, 16) for token, _ in run.of("S")], tokens)
        for (sent, action), (_, tick) in zip(script, run.of("S")):
            # 14 bytes of 10 bits at 115,200 baud.
            came = sent + 14 * 1389 - run.zeros[0]
            late_us = int(tick, 16) / 2 - came / 16
            self.assertTrue(0 < late_us < 10, late_us)

    def test_syncs_around_an_overflow_keep_their_time(self):
        zero = Run([], STARTED).zeros[0]
        wait = 14 * 1389
        # The stamp is taken some 60 to 110 cycles after the line feed: each cycle around that meets the overflow.
        syncs = [(zero + (n << 19) - wait - 200 + n - 20, f"send S {n:08X}") for n in range(20, 320)]
        run = Run(syncs, syncs[-1][0] + SECOND)
        late = [int(tick, 16) / 2 - (sent + wait - zero) / 16 for (sent, _), (_, tick) in zip(syncs, run.of("S"))]
        self.assertEqual(len(late), len(syncs))
        # A heartbeat may be made at that time. A carry that is missed would be 32 ms.
        self.assertTrue(0 < min(late) and max(late) < 100, (min(late), max(late)))

    def test_an_edge_is_reported_at_once_whenever_it_comes(self):
        # The chip wakes at an overflow, and looks whether it may sleep again: no edge is overlooked in that.
        zero = Run([], STARTED).zeros[0]
        toggles = [(zero + (n << 19) + n - 20, 0) for n in range(20, 520)]
        run = Run([(STARTED - STEP, "send G")] + changes(toggles), toggles[-1][0] + SECOND)
        sent = [cycle for cycle, content in run.lines if content[0] == "E"]
        waits_ms = [(cycle - at) / 16_000 for cycle, (at, _) in zip(sent, toggles)]
        self.assertEqual(len(waits_ms), len(toggles))
        # 22 bytes are 1.9 ms; a heartbeat of 15 may be before.
        self.assertLess(max(waits_ms), 3.5)
        figures.append(f"an edge's line is out {min(waits_ms):.1f} to {max(waits_ms):.1f} ms after the edge")

    def test_syncs_among_edges_are_read_within_a_tenth_of_a_millisecond(self):
        draw = random.Random(8)
        cycle, toggles, syncs = STARTED, [], []
        for n in range(2000):
            cycle += draw.randrange(40_000, 60_000)
            toggles.append((cycle, draw.randrange(4)))
            if n % 4 == 0:
                syncs.append((cycle + draw.randrange(30_000), f"send S {n:08X}"))
        run = Run([(STARTED - STEP, "send G")] + changes(toggles) + syncs, cycle + SECOND)
        came = [(sent + 14 * 1389 - run.zeros[0]) / 16 for sent, _ in syncs]
        late = [int(tick, 16) / 2 - at for at, (_, tick) in zip(came, run.of("S"))]
        self.assertEqual(len(late), len(syncs))
        self.assertTrue(0 < min(late) and max(late) < 100, (min(late), max(late)))
        figures.append(f"a sync among edges is stamped {min(late):.0f} to {max(late):.0f} us after its line feed")

    def test_four_syncs_may_wait(self):
        # An identity line of 2.6 ms is on its way while they come in, 1.2 ms each.
        lines = "".join(rf"S {n:08X}*{rig.total(f'S {n:08X}'):02X}\n" for n in range(12))
        run = Run([(STARTED, r"raw ?*3F\n" + lines)], STARTED + SECOND // 10)
        tokens = [int(token, 16) for token, _ in run.of("S")]
        self.assertEqual(tokens[:4], [0, 1, 2, 3])
        self.assertEqual(tokens, sorted(set(tokens)))

    def test_heartbeats_come_each_second_over_the_wrap_of_the_counter(self):
        run = Run([], 2200 * SECOND)
        ticks = [int(tick, 16) for (tick,) in run.of("H")]
        self.assertEqual(len(ticks), 2199)
        for n, tick in enumerate(ticks, 1):
            late_ms = ((tick - n * 2_000_000) % rig.WRAP) / 2000
            self.assertLess(late_ms, 50)
        for cycle, content in run.lines[1:]:
            # The line needs 15 bytes, 1.3 ms, after its stamp.
            self.assertTrue(0 < (cycle - run.zeros[0]) / 8 % rig.WRAP - int(content[2:], 16) < 4000)

    def test_edges_are_timed_between_go_and_stop_only(self):
        _, said = answers(["1", "0", "send G", "1", "send G", "0", "send X", "2", "0", "send X", "send G", "4", "0"])
        self.assertEqual([content[:6] + content[-3:] for content in said],
                         ["E 0000 01", "E 0001 00", "E 0002 04", "E 0003 00"])

    def test_an_input_that_is_closed_at_go_shows_in_the_next_edge(self):
        _, said = answers(["8", "send G", "9", "8", "0"])
        self.assertEqual([content[-2:] for content in said], ["09", "08", "00"])

    def test_what_waits_at_stop_is_still_sent(self):
        toggles = [(STARTED + n * 2000, 0) for n in range(100)]
        run = Run([(STARTED - STEP, "send G")] + changes(toggles) + [(STARTED + 200_001, "send X")], STARTED + SECOND)
        self.assertEqual(len(run.edges()), 100)

    def test_a_reset_begins_anew_and_is_silent_until_go(self):
        script = spaced(["send G", "1", "0", "1", "reset", "0", "1", "send S 00000001", "send G", "0"])
        run = Run(script, STARTED + SECOND)
        contents = [content for _, content in run.lines if content[0] != "H"]
        self.assertEqual([content.split()[0] for content in contents], ["RIG", "E", "E", "E", "RIG", "S", "E"])
        sequence, tick, levels = contents[-1].split()[1:]
        self.assertEqual((sequence, levels), ("0000", "00"))
        self.assertLess(int(tick, 16), 2_000_000)

    def test_the_sequence_wraps_after_ffff(self):
        toggles = [(STARTED + n * 34_000, n % 4) for n in range(65_540)]
        run = Run([(STARTED - STEP, "send G")] + changes(toggles), toggles[-1][0] + SECOND)
        self.assertEqual([edge.sequence for edge in run.edges()], [n % 65_536 for n in range(65_540)])
