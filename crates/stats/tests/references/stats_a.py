"""Reference values for the stats crate: special functions, moments, robust scale, intervals,
regressions, trend and comparison.

Usage: python stats_a.py OUTPUT.json      Needs: pip install numpy scipy statsmodels mpmath

SciPy and statsmodels give the values wherever they have the function; mpmath gives the special
functions to 30 digits; what neither has is computed here from its definition by brute force,
and says so ("by definition").
"""

import json
import sys

import mpmath
import numpy as np
import scipy
import statsmodels
import statsmodels.api as sm
from scipy import stats
from statsmodels.robust.scale import qn_scale
from statsmodels.stats.multitest import multipletests

mpmath.mp.dps = 30


def samples():
    """Named samples; those of a generator are rounded so that the file stays short."""
    rng = np.random.default_rng(20240611)
    made = {
        "normal": np.round(rng.normal(12.0, 3.0, 60), 4),
        "normal_odd": np.round(rng.normal(-1.0, 0.5, 41), 4),
        "skewed": np.round(10.0 + rng.gamma(1.5, 4.0, 75), 4),
        "coarse": np.round(rng.normal(12.0, 3.0, 80)),
        "outliers": np.round(np.append(rng.normal(12.0, 1.0, 30), [60.0, -80.0, 1e6]), 4),
        "offset": np.round(1e9 + rng.normal(0.0, 0.01, 50), 4),
        "tiny": np.round(rng.normal(0.0, 1.0, 25), 3) * 1e-150,
        "two": np.array([3.0, 7.5]),
        "three": np.array([1.0, 2.0, 10.0]),
        "four": np.array([-1.0, 0.0, 0.25, 9.0]),
        "mostly_equal": np.array([5.0] * 12 + [6.0, 4.0, 9.0]),
        "large": np.round(rng.normal(100.0, 15.0, 1500), 3),
    }
    return made


def special():
    mp = mpmath
    out = []

    def row(name, arguments, value):
        out.append({"function": name, "arguments": list(arguments), "value": float(value)})

    for x in [-37.5, -20.0, -8.3, -5.0, -2.5, -1.0, -0.1, 0.0, 0.3, 1.96, 4.0, 7.7]:
        row("normal_pdf", [x], mp.npdf(x))
        row("normal_cdf", [x], mp.ncdf(mp.mpf(x)))
        row("normal_sf", [x], mp.ncdf(-mp.mpf(x)))
        row("normal_ln_cdf", [x], mp.log(mp.ncdf(mp.mpf(x))))
    for x in [-24.9, -25.1, -30.0, -100.0, -1e4]:
        z = -mp.mpf(x)
        tail = mp.erfc(z / mp.sqrt(2)) / 2
        row("normal_ln_cdf", [x], mp.log(tail))
    for p in [1e-300, 1e-100, 1e-20, 1e-9, 1e-3, 0.025, 0.07, 0.1, 0.3, 0.5, 0.8, 0.95, 0.999999]:
        start = float(stats.norm.ppf(p))
        target = mp.log(mp.mpf(p))
        root = mp.findroot(lambda x: mp.log(mp.ncdf(x)) - target, start)
        row("normal_quantile", [p], root if p != 0.5 else 0)
    for x in [1e-5, 0.1, 0.5, 1.0, 1.4616, 2.5, 9.9, 10.1, 300.0, 1e6, -0.5, -3.7]:
        row("digamma", [x], mp.psi(0, mp.mpf(x)))
        row("trigamma", [x], mp.psi(1, mp.mpf(x)))
        row("ln_gamma", [x], mp.log(abs(mp.gamma(mp.mpf(x)))))
    for a, x in [(0.5, 0.1), (0.5, 30.0), (1.0, 1.0), (3.0, 7.0), (15.0, 3.0), (100.0, 80.0),
                 (100.0, 140.0), (1000.0, 1010.0)]:
        upper = mp.gammainc(a, mp.mpf(x), mp.inf, regularized=True)
        lower = mp.gammainc(a, 0, mp.mpf(x), regularized=True)
        row("gamma_upper_regularized", [a, x], upper)
        row("gamma_lower_regularized", [a, x], lower)
    for x, df in [(3.84, 1.0), (0.01, 1.0), (18.3, 10.0), (200.0, 100.0), (800.0, 10.0)]:
        half = mp.mpf(df) / 2
        row("chi2_sf", [x, df], mp.gammainc(half, mp.mpf(x) / 2, mp.inf, regularized=True))
    for a, b, x in [(0.5, 0.5, 0.3), (2.0, 3.0, 0.5), (0.1, 5.0, 1e-6), (20.0, 30.0, 0.25),
                    (30.0, 20.0, 0.9), (1.0, 8.0, 0.01), (80.0, 90.0, 0.5)]:
        value = mp.betainc(a, b, 0, mp.mpf(x), regularized=True)
        row("beta_regularized", [a, b, x], value)
    for t, df in [(0.0, 3.0), (1e-3, 7.0), (2.0, 1.0), (-2.0, 5.0), (12.7, 1.0), (40.0, 3.5),
                  (3.0, 200.0), (1e8, 2.0)]:
        t_, df_ = mp.mpf(t), mp.mpf(df)
        tail = mp.betainc(df_ / 2, mp.mpf(1) / 2, 0, df_ / (df_ + t_ * t_), regularized=True) / 2
        row("student_t_sf", [t, df], tail if t >= 0 else 1 - tail)
    for p, df in [(0.975, 1.0), (0.975, 10.0), (0.6, 4.0), (0.001, 3.0), (0.01, 2.5), (0.9, 150.0),
                  (1e-12, 5.0), (0.5, 9.0)]:
        p_, df_ = mp.mpf(p), mp.mpf(df)
        tail = min(p_, 1 - p_)

        def excess(t):
            x = df_ / (df_ + t * t)
            half = mp.mpf(1) / 2
            return mp.log(mp.betainc(df_ / 2, half, 0, x, regularized=True) / 2) - mp.log(tail)

        if p == 0.5:
            value = 0
        else:
            value = mp.findroot(excess, abs(float(stats.t.ppf(p, df))))
            value = value if p > 0.5 else -value
        row("student_t_quantile", [p, df], value)
    for f, a, b in [(4.96, 1.0, 10.0), (1.0, 5.0, 5.0), (0.1, 3.0, 40.0), (30.0, 2.0, 8.0)]:
        f_ = mp.mpf(f)
        value = mp.betainc(mp.mpf(b) / 2, mp.mpf(a) / 2, 0, b / (b + a * f_), regularized=True)
        row("f_sf", [f, a, b], value)
    return out


def binomial():
    out = []
    for n, p in [(1, 0.5), (7, 0.5), (20, 0.1), (1000, 0.5), (1000, 0.975), (100000, 0.3)]:
        for share in [0.01, 0.3, 0.5, 0.9]:
            k = int(stats.binom.ppf(share, n, p))
            out.append({"n": n, "p": p, "k": k, "pmf": stats.binom.pmf(k, n, p),
                        "cdf": stats.binom.cdf(k, n, p), "order": share,
                        "quantile": int(stats.binom.ppf(share, n, p))})
    return out


def lag1(v):
    """By definition, in 50 digits."""
    with mpmath.workdps(50):
        v = [mpmath.mpf(float(x)) for x in v]
        mean = sum(v) / len(v)
        d = [x - mean for x in v]
        return float(sum(a * b for a, b in zip(d, d[1:])) / sum(a * a for a in d))


def moments(v):
    """statistics.fmean and its kin lose digits on the offset sample: by definition, 50 digits.
    scipy.stats.skew and kurtosis (bias=False) stand beside them where they can."""
    with mpmath.workdps(50):
        m = [mpmath.mpf(float(x)) for x in v]
        n = len(m)
        mean = sum(m) / n
        c = {k: sum((x - mean) ** k for x in m) / n for k in (2, 3, 4)}
        row = {"mean": float(mean), "variance": float(c[2] * n / (n - 1)),
               "sd": float(mpmath.sqrt(c[2] * n / (n - 1))), "skewness": None, "kurtosis": None,
               "scipy_skewness": None, "scipy_kurtosis": None}
        if n >= 3:
            g1 = mpmath.sqrt(n * (n - 1)) / (n - 2) * c[3] / c[2] ** 1.5
            row["skewness"] = float(g1)
            row["scipy_skewness"] = float(stats.skew(v, bias=False))
        if n >= 4:
            excess = c[4] / c[2] ** 2 - 3
            g2 = mpmath.mpf(n - 1) / ((n - 2) * (n - 3)) * ((n + 1) * excess + 6)
            row["kurtosis"] = float(g2)
            row["scipy_kurtosis"] = float(stats.kurtosis(v, bias=False))
        return row


def one_sample(made):
    out = []
    for name, v in made.items():
        row = {"name": name, "values": v.tolist()}
        row["quantiles"] = [
            [p, float(np.quantile(v, p, method="median_unbiased"))]
            for p in [0.0, 0.01, 0.1, 0.25, 0.5, 0.77, 0.9, 0.999, 1.0]
        ]
        row["moments"] = moments(v)
        row["lag1"] = lag1(v)
        row["mad_sd"] = float(sm.robust.mad(v))
        row["qn"] = float(qn_scale(v))
        row["trimmed"] = [[s, float(stats.trim_mean(v, s))] for s in [0.0, 0.1, 0.2, 0.25, 0.45]]
        intervals = []
        for p in [0.5, 0.9]:
            found = stats.quantile_test(v, p=p).confidence_interval(confidence_level=0.95)
            intervals.append([p, None if np.isnan(found.low) else float(found.low),
                              None if np.isnan(found.high) else float(found.high)])
        row["quantile_intervals"] = intervals
        out.append(row)
    return out


def mann_kendall(v):
    """tau by scipy.stats.kendalltau; S, z and p by definition."""
    v = np.asarray(v)
    n = len(v)
    s = int(sum(np.sign(v[i + 1:] - v[i]).sum() for i in range(n - 1)))
    _, t = np.unique(v, return_counts=True)
    variance = (n * (n - 1) * (2 * n + 5) - (t * (t - 1) * (2 * t + 5)).sum()) / 18
    z = (s - np.sign(s)) / np.sqrt(variance)
    return {"s": s, "tau": float(stats.kendalltau(np.arange(n), v).statistic), "z": float(z),
            "p": float(min(1.0, 2 * stats.norm.sf(abs(z))))}


def trends(made):
    out = []
    for name in ["normal", "skewed", "coarse", "outliers", "offset", "three", "four",
                 "mostly_equal", "large"]:
        v = made[name]
        fit = stats.theilslopes(v, method="separate", alpha=0.95)
        out.append({"name": name, "mann_kendall": mann_kendall(v),
                    "theil_sen": [float(x) for x in (fit.slope, fit.low_slope, fit.high_slope,
                                                      fit.intercept)]})
    return out


def pair_data():
    rng = np.random.default_rng(77)
    data = {}
    x = np.round(rng.uniform(0, 1000, 50), 3)
    data["scattered"] = (x, np.round(12 + 1.02 * x + rng.normal(0, 3, 50), 3))
    x = np.repeat([20.0, 50.0, 100.0, 250.0, 500.0], 12)
    data["requested"] = (x, np.round(11 + 1.001 * x + rng.gamma(2.0, 3.0, 60), 2))
    x = np.repeat(np.arange(40.0), 30)
    data["many_groups"] = (x, np.round(0.3 * x + rng.standard_t(2, 1200), 1))
    x = 1e9 + np.arange(1300.0)
    data["late_clock"] = (x, np.round(5 + rng.normal(0, 1, 1300), 3))
    x = np.arange(30.0)
    y = np.round(2 + 0.5 * x + rng.normal(0, 0.1, 30), 4)
    y[[3, 17, 28]] += [40.0, -25.0, 300.0]
    data["outliers"] = (x, y)
    data["three_points"] = (np.array([0.0, 1.0, 3.0]), np.array([1.0, 2.0, 7.0]))
    data["few_groups"] = (np.repeat([10.0, 20.0, 40.0], 500),
                          np.round(rng.normal(12, 2, 1500), 1))
    return data


def pairs():
    out = []
    for name, (x, y) in pair_data().items():
        fit = stats.theilslopes(y, x, method="separate", alpha=0.9)
        row = {"name": name, "x": x.tolist(), "y": y.tolist(), "confidence": 0.9,
               "theil_sen": [float(v) for v in (fit.slope, fit.low_slope, fit.high_slope,
                                                fit.intercept)]}
        # Least squares about the mean of x, to keep the reference's own digits.
        centre = x.mean()
        ols = sm.OLS(y, sm.add_constant(x - centre)).fit()
        row["simple"] = {"slope": ols.params[1], "at_centre": ols.params[0], "centre": centre,
                         "slope_se": ols.bse[1], "residual_sd": float(np.sqrt(ols.scale)),
                         "r_squared": ols.rsquared}
        columns = np.column_stack([np.ones_like(x), x - centre, np.sin(x)])
        if len(x) > 3:
            full = sm.OLS(y, columns).fit()
            row["three_columns"] = {"columns": columns.T.tolist(), "params": full.params.tolist(),
                                    "bse": full.bse.tolist(), "r_squared": full.rsquared,
                                    "residual_sd": float(np.sqrt(full.scale))}
        if name != "three_points":
            model = sm.RLM(y, sm.add_constant(x - centre), M=sm.robust.norms.HuberT(t=1.345))
            rlm = model.fit(maxiter=1000, tol=1e-13, conv="coefs", scale_est="mad")
            row["huber"] = {"slope": rlm.params[1], "at_centre": rlm.params[0],
                            "slope_se": rlm.bse[1], "at_centre_se": rlm.bse[0],
                            "scale": float(rlm.scale)}
        out.append(row)
    return out


def hodges_lehmann(x, y, confidence):
    """By definition: all differences listed."""
    d = np.sort((y[None, :] - x[:, None]).ravel())
    m, n = len(x), len(y)
    _, t = np.unique(np.concatenate([x, y]), return_counts=True)
    total = m + n
    ties = (t ** 3 - t).sum() / (total * (total - 1))
    sigma = np.sqrt(m * n / 12 * (total + 1 - ties))
    z = stats.norm.ppf(0.5 + confidence / 2)
    c = min(max(int(np.floor(m * n / 2 - z * sigma)), 1), (m * n + 1) // 2)
    return [float(np.median(d)), float(d[c - 1]), float(d[m * n - c])]


def cliff(x, y, confidence):
    """By definition, from the matrix of dominances."""
    d = np.sign(y[:, None] - x[None, :])
    n, m = d.shape
    delta = d.mean()
    if abs(delta) == 1:
        return [float(delta)]
    rows = ((d.mean(axis=1) - delta) ** 2).sum()
    columns = ((d.mean(axis=0) - delta) ** 2).sum()
    both = ((d - delta) ** 2).sum()
    variance = (m * m * rows + n * n * columns - both) / (m * n * (m - 1) * (n - 1))
    variance = max(variance, (1 - delta ** 2) / (m * n - 1))
    z = stats.norm.ppf(0.5 + confidence / 2)
    reach = z * np.sqrt(variance) * np.sqrt((1 - delta ** 2) ** 2 + z * z * variance)
    below = 1 - delta ** 2 + z * z * variance
    middle = delta - delta ** 3
    return [float(delta), float(max(-1, (middle - reach) / below)),
            float(min(1, (middle + reach) / below))]


def two_samples(made):
    out = []
    for a, b in [("normal", "skewed"), ("skewed", "coarse"), ("coarse", "mostly_equal"),
                 ("two", "three"), ("four", "three"), ("three", "normal"), ("outliers", "normal"),
                 ("normal_odd", "normal"), ("two", "offset")]:
        x, y = made[a], made[b]
        test = stats.mannwhitneyu(x, y, alternative="two-sided", method="auto")
        row = {"x": a, "y": b, "u": float(test.statistic), "p": float(test.pvalue),
               "hodges_lehmann": hodges_lehmann(x, y, 0.95), "cliff": cliff(x, y, 0.95)}
        out.append(row)
    return out


def groups(made):
    out = []
    for names in [["normal", "skewed"], ["normal", "skewed", "coarse"], ["two", "three", "four"],
                  ["outliers", "coarse", "mostly_equal", "normal"]]:
        lists = [made[n] for n in names]
        levene = stats.levene(*lists, center="median")
        kruskal = stats.kruskal(*lists)
        out.append({"names": names, "levene": [float(levene.statistic), float(levene.pvalue)],
                    "kruskal": [float(kruskal.statistic), float(kruskal.pvalue)]})
    return out


def holm():
    rng = np.random.default_rng(5)
    out = []
    for p in [[0.01], [0.04, 0.01, 0.03], [0.5, 0.5, 0.001, 0.9], [1.0, 0.0, 0.3],
              np.round(rng.uniform(0, 0.2, 12), 4).tolist()]:
        out.append({"p": p, "adjusted": multipletests(p, method="holm")[1].tolist()})
    return out


def bca(made):
    out = []
    for name in ["normal", "skewed", "coarse"]:
        v = made[name]
        row = {"name": name, "resamples": 200000}
        statistics = {
            "mean": np.mean,
            "sd": lambda a, axis: np.std(a, axis=axis, ddof=1),
            "skewness": lambda a, axis: stats.skew(a, axis=axis, bias=False),
        }
        for label, statistic in statistics.items():
            found = stats.bootstrap((v,), statistic, method="BCa", n_resamples=200000,
                                    confidence_level=0.95, batch=2000,
                                    rng=np.random.default_rng(1))
            ci = found.confidence_interval
            row[label] = [float(ci.low), float(ci.high), float(found.standard_error)]
        out.append(row)
    return out


def without_nan(value):
    """NaN is no JSON: null stands for it."""
    if isinstance(value, dict):
        return {k: without_nan(v) for k, v in value.items()}
    if isinstance(value, list):
        return [without_nan(v) for v in value]
    if isinstance(value, float) and np.isnan(value):
        return None
    return value


def main():
    made = samples()
    result = {
        "versions": {"numpy": np.__version__, "scipy": scipy.__version__,
                     "statsmodels": statsmodels.__version__, "mpmath": mpmath.__version__},
        "special": special(),
        "binomial": binomial(),
        "samples": one_sample(made),
        "trends": trends(made),
        "pairs": pairs(),
        "two_samples": two_samples(made),
        "groups": groups(made),
        "holm": holm(),
        "bca": bca(made),
    }
    with open(sys.argv[1], "w", encoding="utf-8") as out:
        json.dump(without_nan(result), out, allow_nan=False, separators=(",", ":"))
        out.write("\n")


if __name__ == "__main__":
    main()
