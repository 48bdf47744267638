"""The harness: its ports, real time, and the script that is streamed to it."""

import os
import select
import subprocess
import tempfile
import time
import unittest

import rig
from rig import BUILD

COMMAND = [BUILD / "rig-sim", "--elf", BUILD / "rig.elf"]


def line(content):
    return f"{content}*{rig.total(content):02X}\n".encode()


def read_until(descriptor, wanted, seconds=10):
    """All that comes until `wanted` (bytes) is in it."""
    got, end = b"", time.monotonic() + seconds
    while wanted not in got:
        left = end - time.monotonic()
        if left <= 0 or not select.select([descriptor], [], [], left)[0]:
            raise AssertionError(f"{wanted} didn't come: {got}")
        got += os.read(descriptor, 4096)
    return got


class Harness(unittest.TestCase):
    def test_standard_input_and_output_are_the_serial_port(self):
        sent = line("?") + line("S 0000002A")
        command = COMMAND + ["--stdio", "--serial", "std"]
        done = subprocess.run(command, input=sent, capture_output=True, check=True, timeout=60)
        # The input is there before the firmware has said who it is, unasked.
        lines = [row.split(b"*")[0][:10] for row in done.stdout.splitlines()]
        self.assertIn(b"RIG 1 0.1.", lines)
        self.assertIn(b"S 0000002A", lines)

    def test_a_terminal_in_real_time_with_edges_from_a_pipe(self):
        reader, writer = os.pipe()
        command = COMMAND + ["--pty", "--realtime", "--serial", "bench", "--script-fd", str(reader)]
        with subprocess.Popen(command, stdout=subprocess.PIPE, pass_fds=[reader]) as harness:
            try:
                path = harness.stdout.readline().decode().split()[1]
                # Nobody listens yet: heartbeats of this time must not be there later.
                time.sleep(1.5)
                port = os.open(path, os.O_RDWR | os.O_NOCTTY)
                asked = time.monotonic()
                os.write(port, line("?"))
                got = read_until(port, b"bench*")
                self.assertTrue(got.startswith(b"RIG 1 "), got)
                self.assertLess(time.monotonic() - asked, 0.5)
                os.write(port, line("G"))
                time.sleep(0.1)
                os.write(writer, b"+1ms 1\n+251.5ms 0\n")
                begun = time.monotonic()
                got = read_until(port, b"E 0001 ")
                passed = time.monotonic() - begun
                got += read_until(port, b"\n")
                ticks = [int(part.split()[2], 16) for part in got.decode().splitlines() if part.startswith("E ")]
                # One tick each for the two edges, which were read within a slice.
                self.assertLessEqual(abs(ticks[1] - ticks[0] - 501_000), 2)
                # Real time, with all the patience that a busy machine needs.
                self.assertTrue(0.2 < passed < 2, passed)
                os.close(port)
                port = os.open(path, os.O_RDWR | os.O_NOCTTY)
                os.write(port, line("S 00000007"))
                read_until(port, b"S 00000007 ")
                os.close(port)
            finally:
                harness.terminate()
                os.close(writer)
                os.close(reader)

    def test_a_bad_script_is_refused_with_its_line(self):
        for bad in ("5 10", "5", "x 1", "-5 1", "5s 1", "1e30 1", "5 raw \\q", "5 sendX"):
            with self.subTest(bad=bad):
                command = COMMAND + ["--script", "/dev/stdin", "--until", "1"]
                done = subprocess.run(command, input=bad.encode(), capture_output=True)
                self.assertEqual(done.returncode, 2)
                self.assertIn(bad.encode(), done.stderr)

    def test_a_descriptor_that_is_not_open_is_refused(self):
        done = subprocess.run(COMMAND + ["--script-fd", "99", "--until", "1"], capture_output=True)
        self.assertEqual(done.returncode, 2)

    def test_the_log_is_whole_after_a_signal(self):
        with tempfile.TemporaryDirectory() as folder:
            log = os.path.join(folder, "log")
            with subprocess.Popen(COMMAND + ["--realtime", "--log", log]) as harness:
                time.sleep(1.5)
                harness.terminate()
                self.assertEqual(harness.wait(10), 0)
            with open(log, encoding="ascii") as text:
                rows = text.read()
        self.assertTrue(rows.endswith("\n"))
        self.assertEqual([row.split()[0] for row in rows.splitlines()][:2], ["zero", "line"])

    def test_a_missing_firmware_is_refused(self):
        done = subprocess.run([BUILD / "rig-sim", "--elf", "no-such-file"], capture_output=True)
        self.assertEqual(done.returncode, 2)
        self.assertIn(b"no-such-file", done.stderr)
