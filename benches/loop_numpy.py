"""The loop with NumPy, vectorised over trials: the peer of the simulation's speed.

Every disturbance on, as in the simulation in Rust: ends and means by the exact discrete laws, pulses
with start delay that may reach into the next exposure, width errors drawn from a measured run and
interpolated between two widths, backlash, the mean square of the error in continuous time. The numbers
of the case come as JSON in the file that the first argument names. Prints the seconds of one run (the
second of two, so that memory is at hand) and the RMS in arcsec, of one axis.

Install: pip install numpy
Run: python loop_numpy.py case.json
"""

import json
import sys
import time

import numpy as np

with open(sys.argv[1], encoding="utf-8") as file:
    CASE = json.load(file)
TRIALS, FRAMES, WARM = CASE["trials"], CASE["frames"], CASE["warm"]
E, R, T = CASE["exposure"], CASE["readout"], CASE["cadence"]
RATE, GAIN, DEAD_BAND = CASE["rate"], CASE["gain"], CASE["dead_band"]
SHORTEST, LONGEST = CASE["shortest"], CASE["longest"]
CENTROID, GEAR, GEAR_TIME = CASE["centroid"], CASE["gear"], CASE["gear_time"]
WAVES, PERIOD, DRIFT = CASE["waves"], CASE["period"], CASE["drift"]
GUSTS, GUST, GUST_TIME = CASE["gusts_per_s"], CASE["gust"], CASE["gust_time"]
BACKLASH = CASE["backlash"]


def mean_variance(sd, tau):
    """Variance of the mean over an exposure, given the value at its start."""
    x = E / tau
    return sd * sd * (2 * x - 3 + 4 * np.exp(-x) - np.exp(-2 * x)) / (x * x)


# What is quicker than a twentieth of the exposure is white.
SEEING = [(sd, tau) for sd, tau in CASE["seeing"] if E / tau <= 20]
WHITE = np.sqrt(
    sum(
        mean_variance(sd, tau) + (sd * tau / E * -np.expm1(-E / tau)) ** 2
        for sd, tau in CASE["seeing"]
        if E / tau > 20
    )
)


def seeing_terms():
    for sd, tau in SEEING:
        x = E / tau
        lost = -np.expm1(-x)
        v = sd * sd
        spread = np.sqrt(mean_variance(sd, tau))
        shared = np.exp(-(T - E) / tau) * v * lost**2 / x / spread
        rest = np.sqrt(max(-v * np.expm1(-2 * T / tau) - shared**2, 0.0))
        yield lost / x, spread, np.exp(-T / tau), shared, rest


def run(rng, run_errors):
    n = TRIALS
    gear = GEAR * rng.standard_normal(n)
    seeing = [sd * rng.standard_normal(n) for sd, _ in SEEING]
    terms = list(seeing_terms())
    phase = rng.uniform(0, 2 * np.pi, n)
    correction, gust = np.zeros(n), np.zeros(n)
    square = np.zeros(n)
    keep_e, keep_g = np.exp(-E / GEAR_TIME), np.exp(-(T - E) / GEAR_TIME)
    spread_e, spread_g = GEAR * np.sqrt(1 - keep_e**2), GEAR * np.sqrt(1 - keep_g**2)
    x = E / GEAR_TIME
    bridge = GEAR * np.sqrt(2 * (x - 2 * np.tanh(x / 2))) / x
    slope = np.tanh(x / 2) / x
    start = sum(a * np.sin(k * phase + p) for k, a, p in WAVES) + gear
    p0, p1, v, play = np.zeros(n), np.zeros(n), np.zeros(n), np.zeros(n)

    def cross(a, b, da, db):
        """Mean correction and mean square of the error from a to b; the pulse may be on."""
        nonlocal correction, square
        s0, s1 = np.clip(p0, a, b), np.clip(p1, a, b)
        moved = v * (s1 - s0)
        after = correction + moved
        slope = (db - da) / (b - a)
        e0, e3 = da - correction, db - after
        e1, e2 = e0 + slope * (s0 - a), e3 - slope * (b - s1)
        for h, x, y in ((s0 - a, e0, e1), (s1 - s0, e1, e2), (b - s1, e2, e3)):
            square += h * (x * x + x * y + y * y) / 3
        mean = correction + moved * (b - 0.5 * (s0 + s1)) / (b - a)
        correction = after
        return mean

    worm = lambda turn: sum(a * np.sin(k * turn + p) for k, a, p in WAVES)
    for frame in range(WARM + FRAMES):
        if frame == WARM:
            square[:] = 0
        t = frame * T
        turn = 2 * np.pi * t / PERIOD + phase
        turned = 2 * np.pi * (t + E) / PERIOD + phase
        later = gear * keep_e + spread_e * rng.standard_normal(n)
        mean = slope * (gear + later) + bridge * rng.standard_normal(n)
        for k, a, p in WAVES:
            width = 2 * np.pi * k * E / PERIOD
            mean += a * (np.cos(k * turn + p) - np.cos(k * turned + p)) / width
        mean += DRIFT * (t + E / 2) + gust * (GUST_TIME / E) * (1 - np.exp(-E / GUST_TIME))
        d0 = gear + worm(turn) + DRIFT * t + gust - start
        d1 = later + worm(turned) + DRIFT * (t + E) + gust * np.exp(-E / GUST_TIME) - start
        error = mean - start - cross(t, t + E, d0, d1)
        m = error + WHITE * rng.standard_normal(n) + CENTROID * rng.standard_normal(n)
        for i, (gain, spread, keep, shared, rest) in enumerate(terms):
            z = rng.standard_normal(n)
            m += gain * seeing[i] + spread * z
            seeing[i] = keep * seeing[i] + shared * z + rest * rng.standard_normal(n)
        m[np.abs(m) < DEAD_BAND] = 0
        width = np.minimum(np.abs(GAIN * m) / RATE, LONGEST)
        rank = rng.integers(0, len(run_errors), n)
        part = np.clip((width - W0) / (W1 - W0), 0, 1)
        drawn = (1 - part) * run_errors[rank] + part * run_errors2[rank]
        lost = rng.random(n) < CASE["loss"]
        sent = (width >= SHORTEST) & ~lost
        width = np.where(sent, np.maximum(width + drawn, 0), 0)
        issue = t + E + R + run_delays[rank]
        p0 = np.where(sent, np.maximum(issue, p1), p0)
        v = np.where(sent, np.sign(m) * RATE, v)
        free = np.where(v > 0, BACKLASH - play, play)
        taken = np.where(sent, np.minimum(free, RATE * width), 0)
        play += np.sign(v) * taken
        p1 = np.where(sent, p0 + width, p1)
        p0 = np.where(sent, p0 + taken / RATE, p0)
        gear = later * keep_g + spread_g * rng.standard_normal(n)
        gust *= np.exp(-T / GUST_TIME)
        gust += (rng.random(n) < GUSTS * T) * GUST * rng.standard_normal(n)
        turn = 2 * np.pi * (t + T) / PERIOD + phase
        cross(t + E, t + T, d1, gear + worm(turn) + DRIFT * (t + T) + gust - start)
    hidden = (E * (1 - keep_e) + (T - E) * (1 - keep_g)) / T * GEAR**2 / 3
    return square.mean() / (FRAMES * T) + hidden


rng = np.random.default_rng(CASE["seed"])
W0, W1 = CASE["widths"]
errors, run_errors2, run_delays = (np.array(CASE[k]) for k in ("errors", "errors2", "delays"))
for _ in range(2):
    start = time.perf_counter()
    result = run(rng, errors)
    seconds = time.perf_counter() - start
print(seconds, np.sqrt(result))
