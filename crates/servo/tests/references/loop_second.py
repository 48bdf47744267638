"""A guiding loop on one axis, simulated from its equations in small steps of time.

The true error e(t) is a disturbance d(t) minus a correction c(t). A camera measures e averaged over each exposure (with seeing
and centroid noise on top), a control law turns the measurement into a wanted correction, and the correction becomes a pulse
during which the mount moves at a fixed rate. Random processes are drawn exactly on a grid of STEP_S; averages over time are
trapezoid sums on that grid. The correction is the sum of the motions of the pulses, each known exactly at every grid time.
Angles are arcsec on the sky, times are seconds unless a name ends in _ms. All trials of a case run side by side.

Install: pip install numpy
Run:     python loop_second.py

Reads nothing; prints JSON: the versions used, and for each case its setup and the variance of e over the long exposure, about
its mean and about zero, each as [value, standard error over the trials].
"""

import copy
import json
import math
import platform

import numpy as np

SEED = 20250611
TRIALS = 3000
STEP_S = 0.01

BASE = {  # the case "plain"
    "exposure_s": 1.0, "readout_s": 0.5, "cadence_s": 3.0, "warm_up_s": 90.0, "span_s": 300.0, "rate": 7.52, "backlash": 0.0,
    "law": {"law": "proportional", "gain": 0.6}, "dead_band": 0.0, "shortest_ms": 0.0, "longest_ms": 2000.0,
    "drift": 0.0, "periodic": {"period_s": 480.0, "waves": []}, "gear": [0.4, 12.0], "gusts": [0.0, 0.0, 2.0],
    "seeing": [], "centroid": 0.3, "chain": {"model": "perfect"}, "missing": 0.0, "axis": 0,
}

CHANGES = [
    ("plain", {}),
    ("worm, drift, memory, long pulses", {
        "law": {"law": "memory", "gain": 0.8, "memory": 0.35}, "drift": 0.01, "gear": [0.0, 10.0], "centroid": 0.2,
        "periodic": {"period_s": 240.0, "waves": [[1, 8.0, 0.3], [3, 1.0, 2.0]]},
        "chain": {"model": "constant", "error_ms": 12.0, "delay_ms": 300.0}}),
    ("pulses that reach into the next exposure", {
        "exposure_s": 2.0, "readout_s": 0.4, "cadence_s": 2.4, "rate": 1.0, "gear": [0.3, 8.0], "centroid": 0.0,
        "law": {"law": "integral", "gain": 0.4, "integral_gain": 0.06},
        "periodic": {"period_s": 160.0, "waves": [[1, 6.0, 0.0]]},
        "chain": {"model": "constant", "error_ms": 15.0, "delay_ms": 200.0}}),
    ("backlash, dead band, shortest width", {
        "backlash": 1.2, "dead_band": 0.25, "shortest_ms": 60.0, "drift": -0.02, "gear": [0.3, 6.0], "centroid": 0.25,
        "chain": {"model": "constant", "error_ms": 12.0, "delay_ms": 20.0}, "axis": 1}),
    ("skewed chain with losses, gusts", {
        "cadence_s": 2.0, "gear": [0.2, 10.0], "gusts": [0.02, 1.5, 3.0], "centroid": 0.1,
        "chain": {"model": "skewed", "mean": 8.0, "sd": 2.0, "tau": 6.0, "delay_ms": 40.0}, "missing": 0.15}),
    ("chasing the seeing, clipped", {
        "cadence_s": 1.6, "law": {"law": "proportional", "gain": 1.1}, "longest_ms": 60.0,
        "gear": [0.3, 20.0], "seeing": [[0.5, 1.2], [0.3, 0.2]], "centroid": 0.0,
        "chain": {"model": "constant", "error_ms": 10.0, "delay_ms": 0.0}}),
    ("a late chain", {
        "law": {"law": "proportional", "gain": 0.35}, "gear": [0.5, 15.0], "centroid": 0.2,
        "chain": {"model": "constant", "error_ms": 0.0, "delay_ms": 4200.0}}),
    ("predictor", {
        "warm_up_s": 600.0, "drift": 0.01, "gear": [0.1, 20.0],
        "periodic": {"period_s": 240.0, "waves": [[1, 7.0, 0.0], [2, 1.0, 1.0]]},
        "law": {"law": "predictor", "gain": 0.8, "period_s": 240.0, "harmonics": 2, "measurement_noise_arcsec": 0.3,
                "position_walk": 0.05, "rate_walk": 0.0005, "harmonic_walk": 0.01, "rate_prior": 0.05, "harmonic_prior": 7.0}}),
]


def steps_in(seconds):
    """Whole number of grid steps in a time; the grid must fit, or exposures would not end on a grid time."""
    steps = round(seconds / STEP_S)
    if abs(steps * STEP_S - seconds) > 1e-9:
        raise ValueError(f"{seconds} s is not a whole number of steps of {STEP_S} s")
    return steps


def whole_frames(seconds, cadence):
    """Frames that cover a time, rounded up (the small term keeps 300 / 2.4 at 125)."""
    return math.ceil(seconds / cadence - 1e-9)


def time_mean(path):
    """Mean over time of a path on the grid (axis 0), by the trapezoid rule."""
    return (path[1:-1].sum(axis=0) + 0.5 * (path[0] + path[-1])) / (len(path) - 1)


def decaying(start, kicks, keep):
    """Path on the grid, both ends included, of x <- keep * x + kick from `start`; kicks: (steps, trials)."""
    path = np.concatenate([start[None, :], kicks])
    for i in range(len(kicks)):
        path[i + 1] += keep * path[i]
    return path


class OrnsteinUhlenbeck:
    """Stationary process with a given standard deviation and correlation exp(-lag/time), exact on the grid."""

    def __init__(self, sd, time, rng):
        self.rng, self.keep = rng, math.exp(-STEP_S / time)
        self.kick = sd * math.sqrt(1.0 - self.keep ** 2)
        self.now = sd * rng.standard_normal(TRIALS)

    def advance(self, steps):
        path = decaying(self.now, self.kick * self.rng.standard_normal((steps, TRIALS)), self.keep)
        self.now = path[-1].copy()
        return path


class Gusts:
    """Jumps at Poisson times that decay exponentially; nothing before the start."""

    def __init__(self, per_s, size, decay, rng):
        self.per_step, self.size, self.decay, self.rng = per_s * STEP_S, size, decay, rng
        self.now = np.zeros(TRIALS)

    def advance(self, steps):
        # Arrivals of a step come at uniform times in it, and have decayed a little by the step's end.
        arrivals = self.rng.poisson(self.per_step, (steps, TRIALS)).ravel()
        where = np.repeat(np.arange(arrivals.size), arrivals)
        jumps = self.size * self.rng.standard_normal(where.size) * np.exp(-STEP_S * self.rng.random(where.size) / self.decay)
        kicks = np.bincount(where, jumps, arrivals.size).reshape(steps, TRIALS)
        path = decaying(self.now, kicks, math.exp(-STEP_S / self.decay))
        self.now = path[-1].copy()
        return path


class Predictor:
    """Kalman filter on [p, v, a_1, b_1, a_2, b_2, ...]. Its covariance does not depend on the data: one serves all trials."""

    def __init__(self, law, frame):
        count = law["harmonics"]
        size = 2 + 2 * count
        self.noise = law["measurement_noise_arcsec"] ** 2
        self.move = np.eye(size)
        self.move[0, 1] = frame
        for j in range(1, count + 1):
            turn = j * 2.0 * math.pi / law["period_s"] * frame
            self.move[2 * j:2 * j + 2, 2 * j:2 * j + 2] = [[math.cos(turn), math.sin(turn)], [-math.sin(turn), math.cos(turn)]]
        walk = frame * law["position_walk"] ** 2
        self.process = np.diag([walk, frame * law["rate_walk"] ** 2] + [frame * law["harmonic_walk"] ** 2] * (2 * count))
        self.cov = np.diag([9.0 * self.noise + walk, law["rate_prior"] ** 2] + [law["harmonic_prior"] ** 2] * (2 * count))
        self.seen = np.array([1.0, 0.0] * (count + 1))
        self.state = np.zeros((size, TRIALS))

    def update(self, measured):
        """Takes in a measurement; gives the estimated error now, and how much it will change in one frame if left alone."""
        gain = self.cov @ self.seen / (self.seen @ self.cov @ self.seen + self.noise)
        self.state += np.outer(gain, measured - self.seen @ self.state)
        kept = np.eye(len(self.seen)) - np.outer(gain, self.seen)
        self.cov = kept @ self.cov @ kept.T + self.noise * np.outer(gain, gain)
        estimate = self.seen @ self.state
        # p grows by T v and each a_j turns: the change of the seen sum is exactly T v + sum (a_j later - a_j).
        return estimate, self.seen @ (self.move @ self.state) - estimate

    def advance(self, sent):
        """Moves on by one frame, in which the correction `sent` was asked for."""
        self.state = self.move @ self.state
        self.state[0] -= sent
        self.cov = self.move @ self.cov @ self.move.T + self.process


class Mount:
    """Turns pulses into motion of the star: rate, waiting for the pulse before, and play lost on a reversal."""

    def __init__(self, rate, backlash):
        self.rate, self.backlash = rate, backlash
        self.play = np.full(TRIALS, backlash)
        self.busy_until = np.full(TRIALS, -np.inf)
        self.done = np.zeros(TRIALS)
        self.pulses = []

    def pulse(self, start, sign, width):
        """Adds one pulse in each trial (width 0: none)."""
        real = width > 0.0
        start = np.maximum(start, self.busy_until)
        self.busy_until = np.where(real, start + width, self.busy_until)
        # Pulses never overlap, so the play each one must take up is known as soon as it is asked for.
        travel = np.where(real, self.rate * width, 0.0)
        lost = np.where(sign > 0, self.backlash - self.play, self.play)
        self.play = np.clip(self.play + sign * travel, 0.0, self.backlash)
        self.pulses.append((start, sign, travel, lost, start + width))

    def correction(self, times):
        """c at the given times, shape (times, trials); pulses over in all trials by the first time are folded into one sum."""
        pulses, self.pulses = self.pulses, []
        for pulse in pulses:
            _, sign, travel, lost, end = pulse
            if np.all((end <= times[0]) | (travel == 0.0)):
                self.done += sign * np.maximum(travel - lost, 0.0)
            else:
                self.pulses.append(pulse)
        c = np.repeat(self.done[None, :], len(times), axis=0)
        for start, sign, travel, lost, _ in self.pulses:
            c += sign * np.maximum(np.clip(self.rate * (times[:, None] - start), 0.0, travel) - lost, 0.0)
        return c


def run(setup, rng):
    """Runs all trials of one setup; gives the mean and mean square of e over the long exposure, one value per trial each."""
    law, chain, cadence, rate = setup["law"], setup["chain"], setup["cadence_s"], setup["rate"]
    steps, exposed = steps_in(cadence), steps_in(setup["exposure_s"])
    warm_up, span = whole_frames(setup["warm_up_s"], cadence), whole_frames(setup["span_s"], cadence)
    gear = OrnsteinUhlenbeck(*setup["gear"], rng)
    gear_start, gusts = gear.now, Gusts(*setup["gusts"], rng)
    seeing = [OrnsteinUhlenbeck(sd, time, rng) for sd, time in setup["seeing"]]
    period = setup["periodic"]["period_s"]
    t0 = period * rng.random(TRIALS)
    mount = Mount(rate, setup["backlash"])
    predictor = Predictor(law, cadence) if law["law"] == "predictor" else None
    smooth, total = np.zeros(TRIALS), np.zeros(TRIALS)
    mean, mean_square = np.zeros(TRIALS), np.zeros(TRIALS)

    def dead_band(x):
        return np.where(np.abs(x) < setup["dead_band"], 0.0, x)

    for frame in range(warm_up + span):
        begin = frame * cadence
        times = begin + STEP_S * np.arange(steps + 1)
        d = setup["drift"] * times[:, None] + gear.advance(steps) - gear_start + gusts.advance(steps)
        for order, amplitude, phase in setup["periodic"]["waves"]:
            turn = 2.0 * math.pi * order / period
            d += amplitude * (np.sin(turn * (times[:, None] + t0) + phase) - np.sin(turn * t0 + phase))

        # The frame is measured. No pulse asked for at or after the end of the exposure can move the star in it.
        measured = time_mean(d[:exposed + 1] - mount.correction(times[:exposed + 1]))
        for part in seeing:
            measured += time_mean(part.advance(steps)[:exposed + 1])
        measured += setup["centroid"] * rng.standard_normal(TRIALS)

        x = dead_band(measured)
        if law["law"] == "proportional":
            u = law["gain"] * x
        elif law["law"] == "memory":
            smooth = (1.0 - law["memory"]) * measured + law["memory"] * smooth
            u = law["gain"] * dead_band(smooth)
        elif law["law"] == "integral":
            total += x
            u = law["gain"] * x + law["integral_gain"] * total
        else:
            estimate, change = predictor.update(measured)
            u = law["gain"] * dead_band(estimate) + change

        wanted_ms = np.abs(u) / rate * 1000.0
        cut = wanted_ms > setup["longest_ms"]
        wanted_ms = np.where((wanted_ms < setup["shortest_ms"]) | (u == 0.0), 0.0, np.minimum(wanted_ms, setup["longest_ms"]))
        if law["law"] == "integral":
            total -= np.where(cut, x, 0.0)
        if predictor:
            predictor.advance(np.sign(u) * rate * wanted_ms / 1000.0)

        if chain["model"] == "skewed":
            error_ms = chain["mean"] + chain["sd"] * rng.standard_normal(TRIALS) + chain["tau"] * rng.exponential(1.0, TRIALS)
        else:
            error_ms = chain.get("error_ms", 0.0)
        arrives = (wanted_ms > 0.0) & (rng.random(TRIALS) >= setup["missing"])
        width = np.where(arrives, np.maximum(wanted_ms + error_ms, 0.0), 0.0) / 1000.0
        mount.pulse(begin + setup["exposure_s"] + setup["readout_s"] + chain.get("delay_ms", 0.0) / 1000.0, np.sign(u), width)

        if frame >= warm_up:
            e = d - mount.correction(times)
            mean += time_mean(e) / span
            mean_square += time_mean(e ** 2) / span
    return mean, mean_square


def summary(values):
    """Mean over trials and its standard error."""
    return [float(values.mean()), float(values.std(ddof=1) / math.sqrt(len(values)))]


def main():
    cases = []
    for index, (name, changes) in enumerate(CHANGES):
        setup = copy.deepcopy(BASE) | changes
        mean, mean_square = run(setup, np.random.default_rng([SEED, index]))
        variance = {"about_mean": summary(mean_square - mean ** 2), "about_zero": summary(mean_square)}
        cases.append({"name": name, "setup": setup, "variance": variance})
    versions = {"python": platform.python_version(), "numpy": np.__version__}
    print(json.dumps({"versions": versions, "cases": cases}, indent=1))


if __name__ == "__main__":
    main()
