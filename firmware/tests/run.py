"""Tests of the firmware on the simulated chip: `make test`. Needs nothing beyond Python 3."""

import os
import sys
import unittest
from pathlib import Path

if len(sys.argv) > 1:
    os.environ["RIG_BUILD"] = sys.argv[1]

folder = Path(__file__).resolve().parent
sys.path.insert(0, str(folder))
import rig  # noqa: E402  (after the path and the build folder are known)

result = unittest.TextTestRunner(verbosity=2).run(unittest.TestLoader().discover(str(folder)))
print("\nMeasured:")
print("\n".join("  " + figure for figure in rig.figures))
sys.exit(not result.wasSuccessful())
