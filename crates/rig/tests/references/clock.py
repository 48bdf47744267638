"""Reference values for the clock alignment, from SciPy: the line nearest below (above) all bounds
as a linear programme (Moon, Skelly & Towsley 1999), the extreme skews and offsets of all lines
between the bounds, and least squares through the middles of the exchanges.
Run as: python clock.py OUTPUT.json (needs numpy and scipy)."""

import json
import sys

import numpy as np
import scipy
from scipy.optimize import linprog
from scipy.stats import linregress

TICK_HZ = 2_000_000


def exchanges(rng, count, span, skew, offset, out, back):
    """Host times in whole microseconds, so that the file keeps them exactly."""
    at = np.sort(rng.uniform(0.0, span, count))
    sent = offset + at
    taken = sent + out(rng, count)
    received = taken + back(rng, count)
    tick = np.floor((taken - offset + 3.0) / (1.0 + skew) * TICK_HZ).astype(np.int64)
    return np.round(sent, 6) - 2e-6, tick, np.round(received, 6) + 2e-6


def solve(objective, sent, tick, received, x0):
    """Minimises `objective . (a, b)` over sent <= x + a + b (x - x0) <= received."""
    x = (tick - tick[0]) / TICK_HZ
    ones = np.ones_like(x)
    rows = np.vstack([np.column_stack([ones, x - x0]), np.column_stack([-ones, -(x - x0)])])
    # In milliseconds and parts per thousand, so that the solver's tolerance is far below a digit.
    base = sent[0]
    limits = np.concatenate([received - base - x, -(sent - base - x)]) * 1e3
    answer = linprog(objective, A_ub=rows, b_ub=limits,
                     bounds=[(None, None), (-5.0, 5.0)], method="highs-ds",
                     options={"primal_feasibility_tolerance": 1e-10,
                              "dual_feasibility_tolerance": 1e-10})
    assert answer.status == 0, answer.message
    return answer.x[0] * 1e-3 + base, answer.x[1] * 1e-3


def one_sided(y, x):
    """The slope of the line below all `y` with the least sum of distances."""
    rows = np.column_stack([np.ones_like(x), x])
    answer = linprog([-len(x), -x.sum()], A_ub=rows, b_ub=(y - y[0]) * 1e3,
                     bounds=[(None, None), (None, None)], method="highs-ds",
                     options={"primal_feasibility_tolerance": 1e-10,
                              "dual_feasibility_tolerance": 1e-10})
    assert answer.status == 0, answer.message
    return answer.x[1] * 1e-3


def main():
    rng = np.random.default_rng(20260)
    laws = {
        "exponential": lambda r, n: 0.0012 + r.exponential(0.002, n),
        "gamma": lambda r, n: 0.0012 + r.gamma(2.0, 0.001, n),
        "polled": lambda r, n: 0.0012 + r.uniform(0.0, 0.016, n),
        "rare": lambda r, n: 0.0012 + r.exponential(0.0002, n) + 0.03 * (r.uniform(0, 1, n) < 0.05),
    }
    cases = []
    for out, back in [("exponential", "exponential"), ("exponential", "polled"),
                      ("gamma", "rare"), ("rare", "gamma"), ("polled", "polled")]:
        for count, span, skew in [(12, 30.0, 4e-5), (120, 120.0, -2.3e-4), (400, 600.0, 1.1e-3)]:
            offset = float(np.round(rng.uniform(10.0, 1000.0), 6))
            sent, tick, received = exchanges(rng, count, span, skew, offset, laws[out], laws[back])
            x = (tick - tick[0]) / TICK_HZ
            at = int(tick[0] + (tick[-1] - tick[0]) * 2 // 3)
            x0 = (at - tick[0]) / TICK_HZ
            low = solve([1, 0], sent, tick, received, x0)[0]
            high = solve([-1, 0], sent, tick, received, x0)[0]
            line = linregress(x, 0.5 * (sent + received) - sent[0] - x)
            cases.append({
                "out": out, "back": back, "true_skew": skew,
                "sent_s": sent.tolist(), "tick": tick.tolist(), "received_s": received.tolist(),
                "skew_upper": one_sided(received - x, x),
                "skew_lower": -one_sided(x - sent, x),
                "skew_least": solve([0, 1], sent, tick, received, x0)[1],
                "skew_most": solve([0, -1], sent, tick, received, x0)[1],
                "at_tick": at, "host_least_s": low + x0, "host_most_s": high + x0,
                "true_host_s": offset - 3.0 + at * (1.0 + skew) / TICK_HZ,
                "least_squares_skew": float(line.slope),
            })
    kept = {"versions": {"numpy": np.__version__, "scipy": scipy.__version__}, "cases": cases}
    with open(sys.argv[1], "w") as file:
        json.dump(kept, file)


main()
