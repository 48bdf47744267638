"""Makes servo.json: margins and responses by python-control, filter gains by SciPy.

Install: python3 -m venv v; v/bin/pip install numpy scipy control
Run: v/bin/python servo.py > servo.json
"""

import json
import math
import sys

import control
import numpy as np
import scipy
from scipy.linalg import solve_discrete_are

FREQUENCIES_PER_FRAME = [0.001, 0.01, 0.07, 0.2, 0.37, 0.5]


def plant(exposure, readout, cadence, delay):
    """sum (h_j - h_(j-1)) z^-j / (1 - z^-1) as a transfer function in z."""
    arrives = exposure + readout + delay
    shares, before, j = [], 0.0, 0
    while before < 1.0:
        share = min(max((j * cadence + exposure - arrives) / exposure, 0.0), 1.0)
        if share > 1 - 1e-9:
            share = 1.0
        shares.append(share - before)
        before = share
        j += 1
    n = len(shares) - 1
    return control.tf(shares, [1.0] + [0.0] * n, cadence) * control.tf(
        [1.0, 0.0], [1.0, -1.0], cadence
    )


def predictor(p, cadence):
    """The settled filter by the Riccati equation, and the law as a state space."""
    n = 2 + 2 * p["harmonics"]
    f = np.zeros((n, n))
    f[0, 0] = f[1, 1] = 1.0
    f[0, 1] = cadence
    h = np.zeros((1, n))
    h[0, 0] = 1.0
    for j in range(1, p["harmonics"] + 1):
        turn = 2 * math.pi * j * cadence / p["period_s"]
        i = 2 * j
        f[i : i + 2, i : i + 2] = [
            [math.cos(turn), math.sin(turn)],
            [-math.sin(turn), math.cos(turn)],
        ]
        h[0, i] = 1.0
    walk = [p["position_walk"], p["rate_walk"]] + [p["harmonic_walk"]] * (n - 2)
    q = np.diag(np.square(walk) * cadence)
    r = np.array([[p["measurement_noise_arcsec"] ** 2]])
    ahead = solve_discrete_are(f.T, h.T, q, r)
    k = ahead @ h.T / (h @ ahead @ h.T + r)
    # What a frame adds to the error: the first component's share of (F - I), summed as H does.
    foreseen = h @ (f - np.eye(n))
    u = p["gain"] * h + foreseen
    b = np.zeros((n, 1))
    b[0, 0] = 1.0
    take = np.eye(n) - k @ h
    a_law = (f - b @ u) @ take
    b_law = (f - b @ u) @ k
    law = control.ss(a_law, b_law, u @ take, u @ k, cadence)
    return k[:, 0].tolist(), law


def law_of(law, cadence):
    if law["law"] == "proportional":
        return control.tf([law["gain"]], [1], cadence)
    if law["law"] == "memory":
        mu = law["memory"]
        return control.tf([law["gain"] * (1 - mu), 0], [1, -mu], cadence)
    if law["law"] == "integral":
        g, i = law["gain"], law["integral_gain"]
        return control.tf([g + i, -g], [1, -1], cadence)
    return predictor(law, cadence)[1]


PREDICTOR = {
    "law": "predictor",
    "gain": 0.8,
    "period_s": 480.0,
    "harmonics": 2,
    "measurement_noise_arcsec": 0.4,
    "position_walk": 0.1,
    "rate_walk": 0.002,
    "harmonic_walk": 0.03,
}

CASES = [
    ({"law": "proportional", "gain": 0.6}, (1.0, 0.5, 3.0, 0.0)),
    ({"law": "proportional", "gain": 0.7}, (1.0, 0.5, 3.0, 3.0)),
    ({"law": "proportional", "gain": 0.4}, (2.0, 0.5, 2.5, 0.8)),
    ({"law": "proportional", "gain": 1.2}, (1.0, 0.5, 3.0, 3.0)),
    ({"law": "memory", "gain": 0.6, "memory": 0.3}, (1.0, 0.5, 3.0, 0.0)),
    ({"law": "memory", "gain": 0.9, "memory": 0.6}, (1.0, 0.2, 2.0, 1.3)),
    ({"law": "integral", "gain": 0.5, "integral_gain": 0.05}, (1.0, 0.5, 3.0, 0.0)),
    ({"law": "integral", "gain": 0.4, "integral_gain": 0.1}, (2.0, 0.5, 3.0, 1.0)),
    (PREDICTOR, (2.0, 0.5, 3.0, 0.0)),
    (dict(PREDICTOR, harmonics=0, gain=0.5), (1.0, 0.5, 2.0, 1.5)),
]


def describe(law, timing):
    exposure, readout, cadence, delay = timing
    controller = law_of(law, cadence)
    loop = control.ss(controller) * control.ss(plant(*timing))
    poles = np.abs(np.linalg.eigvals(control.feedback(loop, 1).A))
    stable = bool(np.max(poles) < 1)
    gm, pm, sm, wpc, wgc, wms = control.stability_margins(loop, returnall=True)
    # The gain may grow to the smallest phase crossover above 1 (below 1 for an unstable loop).
    # python-control leaves out the crossing at half a cycle per frame, where L(-1) is real.
    at_half = complex(loop(-1.0))
    gm = list(gm) + ([-1 / at_half.real] if at_half.real < 0 else [])
    # A crossing of the negative real axis counts if the closed loop's poles change sides there.
    outside = lambda g: np.max(np.abs(np.linalg.eigvals(control.feedback(g * loop, 1).A))) >= 1
    gm = [g for g in gm if math.isfinite(g) and outside(g * 1.0001) != outside(g * 0.9999)]
    above = [g for g in gm if g > 1]
    below = [g for g in gm if 0 < g <= 1]
    if stable:
        gain_margin = min(above) if above else None
    else:
        gain_margin = max(below) if below else None
    # Roots of the high-order polynomial of the predictor are inexact: kept if |L| is 1 there.
    size = lambda w: abs(complex(loop(np.exp(1j * w * cadence))))
    crossings = [(p, w) for p, w in zip(pm, wgc) if w > 0 and abs(size(w) - 1) < 1e-6]
    delays = [math.radians(p % 360) / w for p, w in crossings]
    responses = []
    for f in FREQUENCIES_PER_FRAME:
        w = 2 * math.pi * f / cadence
        point = np.exp(1j * w * cadence)
        c, l = complex(controller(point)), complex(loop(point))
        responses.append(
            {"cycles_per_frame": f, "law": [c.real, c.imag], "loop": [l.real, l.imag]}
        )
    return {
        "law": law,
        "exposure_s": exposure,
        "readout_s": readout,
        "cadence_s": cadence,
        "delay_s": delay,
        "stable": stable,
        "gain_margin": gain_margin,
        "delay_margin_s": min(delays) if stable and delays else None,
        "responses": responses,
    }


FILTERS = [
    (PREDICTOR, 3.0),
    (dict(PREDICTOR, harmonics=4, harmonic_walk=0.01, rate_walk=0.0005), 2.0),
    (dict(PREDICTOR, harmonics=0, position_walk=0.3), 1.0),
]

json.dump(
    {
        "versions": {
            "python": sys.version.split()[0],
            "numpy": np.__version__,
            "scipy": scipy.__version__,
            "control": control.__version__,
        },
        "loops": [describe(*case) for case in CASES],
        "filters": [
            {"predictor": p, "cadence_s": t, "gains": predictor(p, t)[0]} for p, t in FILTERS
        ],
    },
    sys.stdout,
    indent=1,
)
print()
