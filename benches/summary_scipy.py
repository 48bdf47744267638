"""The numbers of a run's summary from SciPy and statsmodels; prints the seconds that they take.

What the libraries do not have (the exact bootstrap, the mixture of two normals, the chi-squared test
with bracketed p-value) is left out, so that the comparison is in their favour.
"""

import sys
import time
import warnings

import numpy as np
import statsmodels.api as sm
from scipy import stats
from statsmodels.robust.scale import qn_scale
from statsmodels.stats.diagnostic import normal_ad

warnings.filterwarnings("ignore")


def spread(errors):
    n = len(errors)
    ordered = np.sort(errors)
    low = int(stats.binom.ppf(0.025, n, 0.5))
    np.median(ordered), ordered[max(low - 1, 0)], ordered[min(n - low, n - 1)]
    np.mean(errors), np.std(errors, ddof=1)
    stats.bootstrap((errors,), np.mean, n_resamples=2000, method="BCa", vectorized=True)
    stats.bootstrap((errors,), lambda x, axis: np.std(x, axis=axis, ddof=1), n_resamples=2000, method="BCa", vectorized=True)
    stats.trim_mean(errors, 0.1)
    stats.median_abs_deviation(errors, scale="normal")
    qn_scale(errors)
    stats.skew(errors, bias=False), stats.kurtosis(errors, bias=False)
    np.quantile(errors, [0.025, 0.05, 0.25, 0.75, 0.95, 0.975, 0.99], method="median_unbiased")
    normal_ad(errors)
    stats.shapiro(errors)
    for family in (stats.norm, stats.lognorm, stats.gamma, stats.weibull_min, stats.exponnorm):
        parameters = family.fit(errors)
        family.logpdf(errors, *parameters).sum()


def tick(values, span):
    frequencies = np.arange(1 / 20.0, 1 / 0.1, 0.25 / span)
    for block in np.array_split(frequencies, 64):
        np.abs(np.exp(2j * np.pi * np.outer(block, values)).mean(axis=1))


def main(path):
    rows = [line.strip().split(",") for line in open(path)]
    direction = np.array([r[0] for r in rows])
    requested = np.array([float(r[1]) for r in rows])
    width = np.array([float(r[2]) for r in rows])
    start = np.array([float(r[3]) for r in rows])
    begun = time.perf_counter()
    errors = width - requested
    spread(errors)
    for d in np.unique(direction):
        for w in np.unique(requested):
            spread(errors[(direction == d) & (requested == w)])
    stats.theilslopes(errors, requested)
    sm.RLM(errors, sm.add_constant(requested), M=sm.robust.norms.HuberT()).fit()
    stats.theilslopes(errors, start)
    stats.kendalltau(start, errors)
    np.corrcoef(errors[:-1], errors[1:])
    tick(errors, np.ptp(errors))
    tick(width, np.ptp(width))
    print(time.perf_counter() - begun)


main(sys.argv[1])
