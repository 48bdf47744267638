"""The interrupts' own registers are used by nothing else: neither by the C code, nor by what it links."""

import re
import subprocess
import unittest

from rig import BUILD

INTERRUPTS = {"PCINT1_vect", "TIMER1_OVF_vect", "__vector_4", "__vector_13", "restore", "nothing", "counted", "no_room"}


class Registers(unittest.TestCase):
    def test_r2_r3_and_r4_belong_to_the_interrupts(self):
        command = ["avr-objdump", "-d", BUILD / "rig.elf"]
        listing = subprocess.run(command, capture_output=True, text=True, check=True).stdout
        function, used = "", set()
        for row in listing.splitlines():
            label = re.match(r"[0-9a-f]+ <(.+)>:$", row)
            if label:
                function = label[1]
            # Each instruction names what it uses, but for movw, which names the lower one of two: r2 for r3.
            elif re.search(r"\br[234]\b", row.split(";")[0]):
                used.add(function)
        # The two that do use them, so that the search is known to find something.
        self.assertIn("counted", used)
        self.assertEqual(used - INTERRUPTS, set())
