"""Reference values for normality, families and the hidden tick, from SciPy, statsmodels and
astropy. Run as: python stats_b.py OUTPUT.json (needs scipy, statsmodels, astropy)."""

import json
import sys

import astropy
import numpy as np
import scipy
import statsmodels
from astropy.stats import rayleightest
from scipy import optimize, special, stats
from statsmodels.stats.diagnostic import normal_ad


def listed(values):
    return [float(v) for v in np.asarray(values).ravel()]


def normality(rng):
    cases = []
    samples = {
        "normal": rng.normal(250.0, 3.0, 200),
        "lognormal": 8.0 + rng.lognormal(1.0, 0.6, 150),
        "exponential": rng.exponential(4.0, 60),
        "uniform": rng.uniform(-1.0, 1.0, 40),
        "student": rng.standard_t(2, 300),
        "ties": np.round(rng.normal(12.0, 2.0, 80)),
        "offset": 1e7 + rng.normal(0.0, 1.0, 100),
        "straggler": np.append(rng.normal(12.0, 1.0, 30), 500.0),
    }
    for n in (3, 4, 5, 6, 7, 8, 9, 11, 12, 13, 20, 50, 5000):
        samples[f"normal{n}"] = rng.normal(0.0, 1.0, n)
        samples[f"gamma{n}"] = rng.gamma(1.5, 2.0, n)
    samples["three"] = np.array([1.0, 2.0, 2.5])
    for name, x in samples.items():
        w, p = stats.shapiro(x)
        case = {"name": name, "x": listed(x), "w": float(w), "w_p": float(p)}
        if len(x) >= 8:
            # The straggler's 1 - cdf is 0 in doubles, and statsmodels' statistic infinite.
            a2, p = normal_ad(x)
            if np.isfinite(a2):
                case["a2"], case["a2_p"] = float(a2), float(p)
        cases.append(case)
    return cases


def functions():
    """Densities and quantiles; places run far into both tails."""
    families = [
        ("normal", [12.0, 3.0], stats.norm(12.0, 3.0)),
        ("shifted_lognormal", [5.0, 1.5, 0.6], stats.lognorm(0.6, 5.0, np.exp(1.5))),
        ("shifted_lognormal", [-3.0, 0.2, 0.05], stats.lognorm(0.05, -3.0, np.exp(0.2))),
        ("shifted_gamma", [8.0, 1.0, 3.0], stats.gamma(1.0, 8.0, 3.0)),
        ("shifted_gamma", [8.0, 2.7, 3.0], stats.gamma(2.7, 8.0, 3.0)),
        ("shifted_gamma", [-90.0, 400.0, 0.25], stats.gamma(400.0, -90.0, 0.25)),
        ("shifted_weibull", [4.0, 1.0, 6.0], stats.weibull_min(1.0, 4.0, 6.0)),
        ("shifted_weibull", [4.0, 2.3, 6.0], stats.weibull_min(2.3, 4.0, 6.0)),
    ]
    for mean, sd, tau in ((9.0, 1.0, 4.0), (9.0, 3.0, 1.0), (9.0, 0.05, 5.0), (9.0, 4.0, 0.02)):
        families.append(
            ("exponentially_modified_normal", [mean, sd, tau], stats.exponnorm(tau / sd, mean, sd))
        )
    shares = [1e-12, 1e-6, 1e-3, 0.01, 0.1, 0.3, 0.5, 0.7, 0.9, 0.99, 0.999, 1 - 1e-6, 1 - 1e-9]
    cases = []
    for name, parameters, law in families:
        x = law.ppf(shares)
        if name == "exponentially_modified_normal":
            # SciPy finds these by a search of its own and to fewer digits: places near them do.
            x = np.round(x, 6)
        middle, spread = law.mean(), law.std()
        x = np.append(x, middle + spread * np.array([-8.0, -5.0, -3.0, -1.0, 0.0, 2.0, 6.0, 15.0, 40.0]))
        cases.append(
            {
                "family": name,
                "parameters": parameters,
                "p": shares,
                "quantile": None if name == "exponentially_modified_normal" else listed(law.ppf(shares)),
                "x": listed(x),
                "ln_pdf": [None if not np.isfinite(v) else float(v) for v in law.logpdf(x)],
                "cdf": listed(law.cdf(x)),
                "sf": listed(law.sf(x)),
            }
        )
    return cases


def modified_normal_tails():
    """The exponentially modified normal by 40-digit arithmetic, where SciPy's own loses digits."""
    import mpmath as mp

    mp.mp.dps = 60
    rows = []
    for mean, sd, tau in ((9.0, 1.0, 4.0), (9.0, 3.0, 1.0), (9.0, 0.05, 5.0), (9.0, 4.0, 0.02), (0.0, 1.0, 90.0)):
        for z in (-30, -12, -6, -3, -1, 0, 0.5, 1, 3, 8, 25, 120):
            x = mean + z * sd
            m, s, t = mp.mpf(mean), mp.mpf(sd), mp.mpf(tau)
            y = (mp.mpf(x) - m) / s
            k = s / t
            part = mp.exp(k * k / 2 - k * y) * mp.ncdf(y - k)
            rows.append(
                {
                    "parameters": [mean, sd, tau],
                    "x": x,
                    "ln_pdf": float(mp.log(part / t)),
                    "cdf": float(mp.ncdf(y) - part),
                    "sf": float(mp.ncdf(-y) + part),
                }
            )
    return rows


def best_likelihood(name, x, start):
    """SciPy's fit, started at the truth and sharpened by a simplex search of our own call."""
    low = x.min()
    law = {
        "shifted_lognormal": stats.lognorm,
        "shifted_gamma": stats.gamma,
        "shifted_weibull": stats.weibull_min,
        "exponentially_modified_normal": stats.exponnorm,
    }[name]
    fitted = law.fit(x, start[0], loc=start[1], scale=start[2])

    def loss(p):
        if p[0] <= 0 or p[2] <= 0 or (name != "exponentially_modified_normal" and p[1] >= low):
            return 1e300
        return -np.sum(law.logpdf(x, p[0], p[1], p[2]))

    best = None
    for first in (fitted, start):
        place = np.asarray(first, float)
        for _ in range(4):
            found = optimize.minimize(
                loss, place, method="Nelder-Mead",
                options={"xatol": 1e-10, "fatol": 1e-11, "maxiter": 20000, "maxfev": 20000},
            )
            place = found.x
        if best is None or found.fun < best.fun:
            best = found
    return float(-best.fun), listed(best.x), float(-loss(fitted))


def fits(rng):
    cases = []
    plans = [
        ("shifted_lognormal", lambda n: 5.0 + rng.lognormal(1.5, 0.5, n), (0.5, 5.0, np.exp(1.5))),
        ("shifted_gamma", lambda n: 8.0 + rng.gamma(2.5, 3.0, n), (2.5, 8.0, 3.0)),
        ("shifted_weibull", lambda n: 4.0 + 6.0 * rng.weibull(1.8, n), (1.8, 4.0, 6.0)),
        (
            "exponentially_modified_normal",
            lambda n: rng.normal(9.0, 1.0, n) + rng.exponential(4.0, n),
            (4.0, 9.0, 1.0),
        ),
    ]
    for name, draw, start in plans:
        for n in (40, 200, 1500):
            x = np.round(draw(n), 9)
            value, parameters, plain = best_likelihood(name, x, start)
            cases.append(
                {"family": name, "x": listed(x), "log_likelihood": value,
                 "scipy_fit": plain, "scipy_parameters": parameters}
            )
    for n in (60, 300, 1500):
        first = rng.uniform(size=n) < 0.85
        x = np.round(np.where(first, rng.normal(12.0, 1.0, n), rng.normal(25.0, 6.0, n)), 9)

        def loss(p):
            weight = special.expit(p[0])
            return -np.sum(
                np.logaddexp(
                    np.log(weight) + stats.norm.logpdf(x, p[1], np.exp(p[2])),
                    np.log1p(-weight) + stats.norm.logpdf(x, p[3], np.exp(p[4])),
                )
            )

        place = np.array([special.logit(0.85), 12.0, 0.0, 25.0, np.log(6.0)])
        for _ in range(4):
            found = optimize.minimize(
                loss, place, method="Nelder-Mead",
                options={"xatol": 1e-10, "fatol": 1e-11, "maxiter": 40000, "maxfev": 40000},
            )
            place = found.x
        cases.append(
            {"family": "two_normal_mixture", "x": listed(x), "log_likelihood": float(-found.fun)}
        )
    return cases


def goodness(rng):
    """Chi-squared of a normal fit on equally likely cells, by SciPy's own parts."""
    cases = []
    for n in (60, 400, 3000):
        x = rng.gamma(6.0, 2.0, n)
        mean, sd = x.mean(), x.std()
        cells = int(min(np.floor(2.0 * n**0.4), n // 5))
        borders = stats.norm.ppf(np.arange(1, cells) / cells, mean, sd)
        seen = np.bincount(np.searchsorted(borders, x), minlength=cells)
        high = stats.chisquare(seen)
        low = stats.chisquare(seen, ddof=2)
        cases.append(
            {"x": listed(x), "cells": cells, "statistic": float(high.statistic),
             "p_high": float(high.pvalue), "p_low": float(low.pvalue)}
        )
    return cases


def rayleigh(rng):
    """Astropy's Rayleigh test is the power n R^2 at one period."""
    cases = []
    for period in (1.0, 4.0, 15.6):
        x = period * np.round(rng.normal(0.0, 2.0, 60)) + rng.normal(0.0, 0.12 * period, 60)
        angle = 2.0 * np.pi * x / period
        resultant = float(np.hypot(np.cos(angle).mean(), np.sin(angle).mean()))
        cases.append(
            {"period": period, "x": listed(x), "power": resultant,
             "p": float(rayleightest(angle))}
        )
    return cases


def main(path):
    rng = np.random.default_rng(20240611)
    x = np.concatenate([np.linspace(0.0, 12.0, 121), np.geomspace(12.5, 1e6, 40)])
    content = {
        "versions": {
            "numpy": np.__version__,
            "scipy": scipy.__version__,
            "statsmodels": statsmodels.__version__,
            "astropy": astropy.__version__,
        },
        "erfcx": {"x": listed(x), "y": listed(special.erfcx(x))},
        "normality": normality(rng),
        "functions": functions(),
        "modified_normal_tails": modified_normal_tails(),
        "fits": fits(rng),
        "goodness": goodness(rng),
        "rayleigh": rayleigh(rng),
    }
    with open(path, "w", encoding="utf-8") as file:
        json.dump(content, file, allow_nan=False)
        file.write("\n")


if __name__ == "__main__":
    main(sys.argv[1])
