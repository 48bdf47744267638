"""A second derivation of the loop: the equations of the design in small steps of time.

Everything goes in steps of DT for all trials at once: disturbances step by step, the correction as
motion per step, the play of the gear as a clipped difference. It makes loop_second.json: for each
setup the variance of the true error about its mean over the exposure and about zero, with standard
errors over the trials.

Install: pip install numpy
Run: python loop_second.py > loop_second.json
"""

import json
import sys

import numpy as np

DT = 0.02
TRIALS = 600

BASE = {
    "exposure_s": 1.0,
    "readout_s": 0.5,
    "cadence_s": 3.0,
    "warm_up_s": 90.0,
    "span_s": 300.0,
    "rate": 7.52,
    "backlash": 0.0,
    "law": {"law": "proportional", "gain": 0.6},
    "dead_band": 0.0,
    "shortest_ms": 0.0,
    "longest_ms": 2000.0,
    "drift": 0.0,
    "periodic": {"period_s": 480.0, "waves": []},
    "gear": [0.0, 10.0],
    "gusts": [0.0, 0.0, 2.0],
    "seeing": [],
    "centroid": 0.0,
    "chain": {"model": "perfect"},
    "missing": 0.0,
    "axis": 0,
}

SETUPS = {
    "plain": {"gear": [0.4, 12.0], "centroid": 0.3},
    "worm, drift, memory, long pulses": {
        "law": {"law": "memory", "gain": 0.8, "memory": 0.35},
        "periodic": {"period_s": 240.0, "waves": [[1, 8.0, 0.3], [3, 1.0, 2.0]]},
        "drift": 0.01,
        "centroid": 0.2,
        "chain": {"model": "constant", "error_ms": 12.0, "delay_ms": 300.0},
    },
    "pulses that reach into the next exposure": {
        "exposure_s": 2.0,
        "readout_s": 0.4,
        "cadence_s": 2.4,
        "rate": 1.0,
        "law": {"law": "integral", "gain": 0.4, "integral_gain": 0.06},
        "periodic": {"period_s": 160.0, "waves": [[1, 6.0, 0.0]]},
        "gear": [0.3, 8.0],
        "chain": {"model": "constant", "error_ms": 15.0, "delay_ms": 200.0},
    },
    "backlash, dead band, shortest width": {
        "axis": 1,
        "backlash": 1.2,
        "dead_band": 0.25,
        "shortest_ms": 60.0,
        "drift": -0.02,
        "gear": [0.3, 6.0],
        "centroid": 0.25,
        "chain": {"model": "constant", "error_ms": 12.0, "delay_ms": 20.0},
    },
    "skewed chain with losses, gusts": {
        "cadence_s": 2.0,
        "gusts": [0.02, 1.5, 3.0],
        "gear": [0.2, 10.0],
        "centroid": 0.1,
        "chain": {"model": "skewed", "mean": 8.0, "sd": 2.0, "tau": 6.0, "delay_ms": 40.0},
        "missing": 0.15,
    },
    "chasing the seeing, clipped": {
        "cadence_s": 1.6,
        "law": {"law": "proportional", "gain": 1.1},
        "seeing": [[0.5, 1.2], [0.3, 0.2]],
        "longest_ms": 60.0,
        "gear": [0.3, 20.0],
        "chain": {"model": "constant", "error_ms": 10.0, "delay_ms": 0.0},
    },
    "a late chain": {
        "law": {"law": "proportional", "gain": 0.35},
        "gear": [0.5, 15.0],
        "centroid": 0.2,
        "chain": {"model": "constant", "error_ms": 0.0, "delay_ms": 4200.0},
    },
    "predictor": {
        "warm_up_s": 600.0,
        "periodic": {"period_s": 240.0, "waves": [[1, 7.0, 0.0], [2, 1.0, 1.0]]},
        "drift": 0.01,
        "gear": [0.1, 20.0],
        "centroid": 0.3,
        "law": {
            "law": "predictor",
            "gain": 0.8,
            "period_s": 240.0,
            "harmonics": 2,
            "measurement_noise_arcsec": 0.3,
            "position_walk": 0.05,
            "rate_walk": 0.0005,
            "harmonic_walk": 0.01,
            "rate_prior": 0.05,
            "harmonic_prior": 7.0,
        },
    },
}


class Kalman:
    """Position, drift and pairs of harmonics; the covariance is the same for all trials."""

    def __init__(self, law, cadence, trials):
        n = 2 + 2 * law["harmonics"]
        self.f = np.eye(n)
        self.f[0, 1] = cadence
        self.h = np.zeros(n)
        self.h[0] = 1
        for j in range(1, law["harmonics"] + 1):
            a = 2 * np.pi * j * cadence / law["period_s"]
            block = [[np.cos(a), np.sin(a)], [-np.sin(a), np.cos(a)]]
            self.f[2 * j : 2 * j + 2, 2 * j : 2 * j + 2] = block
            self.h[2 * j] = 1
        self.r = law["measurement_noise_arcsec"] ** 2
        walks = [law["position_walk"], law["rate_walk"]] + [law["harmonic_walk"]] * (n - 2)
        self.q = np.diag(np.square(walks)) * cadence
        first = [9 * self.r + walks[0] ** 2 * cadence, law["rate_prior"] ** 2]
        self.p = np.diag(first + [law["harmonic_prior"] ** 2] * (n - 2))
        self.x = np.zeros((trials, n))
        self.gain = law["gain"]

    def respond(self, m):
        k = self.p @ self.h / (self.h @ self.p @ self.h + self.r)
        self.x += np.outer(m - self.x @ self.h, k)
        self.p = (np.eye(len(k)) - np.outer(k, self.h)) @ self.p
        later = self.x @ self.f.T
        return self.gain * (self.x @ self.h) + (later - self.x) @ self.h

    def sent(self, u):
        self.x = self.x @ self.f.T
        self.x[:, 0] -= u
        self.p = self.f @ self.p @ self.f.T + self.q


def simulate(s, seed):
    rng = np.random.default_rng(seed)
    n = TRIALS
    cadence = round(s["cadence_s"] / DT)
    exposure = round(s["exposure_s"] / DT)
    warm = int(np.ceil(s["warm_up_s"] / s["cadence_s"]))
    frames = warm + int(np.ceil(s["span_s"] / s["cadence_s"]))
    steps = frames * cadence
    horizon = steps + round(30 / DT)
    motion = np.zeros((n, horizon))  # motor motion of each step in arcsec
    position = np.zeros(n)  # of the motor side of the gear
    correction = np.zeros(n)  # of the star's side
    free_at = np.zeros(n)
    ou = lambda sd: sd * rng.standard_normal(n)
    gear = ou(s["gear"][0])
    seeing = [ou(sd) for sd, _ in s["seeing"]]
    phase = rng.uniform(0, 2 * np.pi, n)
    gust = np.zeros(n)
    law = s["law"]
    memory = np.zeros(n)
    kalman = Kalman(law, s["cadence_s"], n) if law["law"] == "predictor" else None

    def worm(t):
        turn = 2 * np.pi * t / s["periodic"]["period_s"] + phase
        return sum(a * np.sin(k * turn + p) for k, a, p in s["periodic"]["waves"])

    offset = gear + worm(0.0)
    total, square, count = np.zeros(n), np.zeros(n), 0
    seen = np.zeros(n)
    for step in range(steps):
        # Midway in the step: half of its motion, and the mean of the disturbance's ends.
        before = gear + worm(step * DT) + s["drift"] * step * DT + gust
        keep = np.exp(-DT / s["gear"][1])
        gear = gear * keep + s["gear"][0] * np.sqrt(1 - keep**2) * rng.standard_normal(n)
        gust = gust * np.exp(-DT / s["gusts"][2])
        if s["gusts"][0]:
            arrived = rng.random(n) < s["gusts"][0] * DT
            gust = gust + arrived * s["gusts"][1] * rng.standard_normal(n)
        after = gear + worm((step + 1) * DT) + s["drift"] * (step + 1) * DT + gust
        position = position + motion[:, step]
        moved = np.clip(correction, position, position + s["backlash"])
        error = 0.5 * (before + after) - offset - 0.5 * (correction + moved)
        correction = moved
        frame, within = divmod(step, cadence)
        if frame >= warm:
            total += error
            square += error**2
            count += 1
        shaken = np.zeros(n)
        for i, (sd, time) in enumerate(s["seeing"]):
            keep = np.exp(-DT / time)
            old = seeing[i]
            seeing[i] = old * keep + sd * np.sqrt(1 - keep**2) * rng.standard_normal(n)
            shaken += 0.5 * (old + seeing[i])
        if within < exposure:
            seen += error + shaken
        if within == exposure - 1:
            m = seen / exposure + s["centroid"] * rng.standard_normal(n)
            seen = np.zeros(n)
            if law["law"] == "proportional":
                u = law["gain"] * np.where(np.abs(m) < s["dead_band"], 0, m)
            elif law["law"] == "memory":
                memory = (1 - law["memory"]) * m + law["memory"] * memory
                u = law["gain"] * memory
            elif law["law"] == "integral":
                memory = memory + m
                u = law["gain"] * m + law["integral_gain"] * memory
            else:
                u = kalman.respond(m)
            wanted = np.abs(u) / s["rate"]  # in s
            sent = wanted >= s["shortest_ms"] / 1000
            sent &= u != 0
            width = np.minimum(wanted, s["longest_ms"] / 1000)
            if law["law"] == "integral":
                memory = np.where(wanted > s["longest_ms"] / 1000, memory - m, memory)
            if kalman:
                kalman.sent(np.sign(u) * width * sent * s["rate"])
            chain = s["chain"]
            delay = chain.get("delay_ms", 0.0) / 1000
            longer = chain.get("error_ms", 0.0)
            if chain["model"] == "skewed":
                longer = (
                    chain["mean"]
                    + chain["sd"] * rng.standard_normal(n)
                    + chain["tau"] * rng.exponential(size=n)
                )
            real = np.maximum(width + np.asarray(longer) / 1000, 0)
            sent &= rng.random(n) >= s["missing"]
            issued = frame * s["cadence_s"] + s["exposure_s"] + s["readout_s"] + delay
            start = np.where(sent, np.maximum(issued, free_at), 0)
            end = np.where(sent, start + real, 0)
            free_at = np.where(sent, end, free_at)
            first = step
            last = min(int(np.max(end) / DT) + 2, horizon)
            if last > first:
                edges = np.arange(first, last) * DT
                on = np.minimum(end[:, None], edges + DT) - np.maximum(start[:, None], edges)
                motion[:, first:last] += (np.sign(u) * s["rate"])[:, None] * np.maximum(on, 0)
    mean, mean_square = total / count, square / count
    spread = mean_square - mean**2
    row = lambda v: [float(np.mean(v)), float(np.std(v, ddof=1) / np.sqrt(n))]
    return {"about_mean": row(spread), "about_zero": row(mean_square)}


if __name__ == "__main__":
    cases = []
    for i, (name, change) in enumerate(SETUPS.items()):
        setup = {**BASE, **change}
        cases.append({"name": name, "setup": setup, "variance": simulate(setup, 100 + i)})
    made = {"numpy": np.__version__, "trials": TRIALS, "step_s": DT, "cases": cases}
    json.dump(made, sys.stdout, indent=1)
    print()
