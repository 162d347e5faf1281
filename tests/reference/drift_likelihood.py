"""Log likelihoods of drifting coma by general-purpose libraries.

Writes drift_likelihood.json: logbooks made up here with a fixed seed, the
parameters, and for each logbook the log likelihood

* by statsmodels' state space filter, where every look tells its direction
  (two independent axes, a random walk with a known variance for each stretch);
* by scipy, where none does: the density of the length is carried along a fine
  grid, the random walk by the Rice kernel (scipy.stats.rice), with and without
  wild looks. No closure is made, so this is exact but for the grid.

Run: pip install -r requirements-drift.txt && python drift_likelihood.py
"""

import json
from pathlib import Path

import numpy as np
from scipy.special import ive
from statsmodels.tsa.statespace.mlemodel import MLEModel

rng = np.random.default_rng(20260614)

RATE_CAR = 2.5e-4  # waves^2 along one axis per 50 km
RATE_MONTH = 5.0e-5
RATE_SETTLING = 1.2e-4
START = 0.05  # spreads along one axis, waves
LINED_UP = 0.015
EYE = 1.2  # factor on the error of looks by eye
MONTH_DAYS = 30.44
WILD = {True: 0.04, False: 0.003}
WILD_SPREAD = 0.2


def logbook(directed, spoiled=False):
    """Entries of one instrument: drives, looks, and now and then the bench."""
    day, coma, entries = 0.0, rng.normal(0, START, 2), []
    entries.append({"day": 0.0, "pushed": "car", "units": 0.5})
    coma += rng.normal(0, np.sqrt(0.5 * RATE_CAR), 2)
    for n in range(9):
        gap = rng.uniform(20, 150)
        units = rng.uniform(0.3, 6)
        variance = RATE_MONTH * gap / MONTH_DAYS + RATE_CAR * units
        coma = coma + rng.normal(0, np.sqrt(variance), 2)
        entries.append({"day": day + 0.5 * gap, "pushed": "car", "units": units})
        day += gap
        by_eye = bool(rng.uniform() < 0.4)
        sigma = rng.uniform(0.015, 0.04) if by_eye else rng.uniform(0.004, 0.012)
        seen = coma + rng.normal(0, sigma * (EYE if by_eye else 1), 2)
        if spoiled and n == 5:
            seen = np.array([0.25, 0.1])  # a wild one
        look = {"day": day, "coma": float(np.hypot(*seen)), "sigma": sigma, "by_eye": by_eye}
        if directed:
            look["direction_deg"] = float(np.degrees(np.arctan2(seen[1], seen[0])))
        entries.append(look)
        if n in (2, 6):
            day += 10.0
            entries.append({"day": day, "bench": "lined-up"})
            coma = rng.normal(0, LINED_UP, 2)
    return entries


def steps(entries):
    """(variance gained before it, entry) of each look and turn at the bench."""
    out, units, last, turned, waits = [], 0.0, entries[0]["day"], -np.inf, False
    for e in entries:
        if "pushed" in e:
            units += e["units"]
            continue
        gained = RATE_CAR * units + RATE_MONTH * (e["day"] - last) / MONTH_DAYS
        if waits and e["day"] - turned > 1.0:
            gained += RATE_SETTLING
            waits = False
        out.append((gained, e))
        units, last = 0.0, e["day"]
        if "bench" in e:
            waits, turned = True, e["day"]
    return out


def look_variance(e):
    return (e["sigma"] * (EYE if e["by_eye"] else 1.0)) ** 2


class Walk(MLEModel):
    """One axis: a level that takes known steps, seen with known errors."""

    def __init__(self, seen, steps_variance, errors_variance, first_variance):
        super().__init__(seen, k_states=1, k_posdef=1)
        self["design", 0, 0] = 1.0
        self["transition", 0, 0] = 1.0
        self["selection", 0, 0] = 1.0
        # The step after look t leads to look t + 1.
        self["state_cov"] = np.append(steps_variance[1:], 0.0).reshape(1, 1, -1)
        self["obs_cov"] = np.asarray(errors_variance).reshape(1, 1, -1)
        self.ssm.initialize_known(np.zeros(1), np.array([[first_variance]]))


def by_statsmodels(entries):
    total, stretch, variance, gained = 0.0, [], START**2, 0.0
    stretches = []
    for g, e in steps(entries):
        if "bench" in e:
            stretches.append((variance, stretch))
            stretch, variance = [], LINED_UP**2
        else:
            stretch.append((g, e))
    stretches.append((variance, stretch))
    for variance, looks in stretches:
        if not looks:
            continue
        gains = np.array([g for g, _ in looks])
        errors = np.array([look_variance(e) for _, e in looks])
        for axis in (np.cos, np.sin):
            seen = np.array([e["coma"] * axis(np.radians(e["direction_deg"])) for _, e in looks])
            total += Walk(seen, gains, errors, variance + gains[0]).ssm.loglike()
    return total


GRID = np.linspace(0.0, 0.6, 801)
WIDTH = GRID[1] - GRID[0]


def rice(x, mean, variance):
    """Density of the length x of a vector of mean length `mean`."""
    z = x * mean / variance
    return x / variance * np.exp(-((x - mean) ** 2) / (2 * variance)) * ive(0, z)


def by_scipy(entries, wild):
    density = GRID / START**2 * np.exp(-(GRID**2) / (2 * START**2))
    total = 0.0
    for gained, e in steps(entries):
        if "bench" in e:
            density = GRID / LINED_UP**2 * np.exp(-(GRID**2) / (2 * LINED_UP**2))
            continue
        kernel = rice(GRID[:, None], GRID[None, :], gained)
        density = kernel @ density * WIDTH
        seen = rice(e["coma"], GRID, look_variance(e))
        if wild:
            share = WILD[e["by_eye"]]
            spread = WILD_SPREAD**2 + e["sigma"] ** 2
            spoiled = e["coma"] / spread * np.exp(-(e["coma"] ** 2) / (2 * spread))
            seen = (1 - share) * seen + share * spoiled
        density = density * seen
        gain = density.sum() * WIDTH
        total += np.log(gain)
        density /= gain
    return total


directed = [logbook(True) for _ in range(4)]
lengths = [(logbook(False, spoiled), spoiled) for spoiled in [False] * 4 + [True] * 4]
out = {
    "rates": {"car": RATE_CAR, "month": RATE_MONTH, "settling": RATE_SETTLING},
    "spreads": {"start": START, "lined_up": LINED_UP},
    "eye_factor": EYE,
    "directed": [{"entries": e, "log_likelihood": by_statsmodels(e)} for e in directed],
    "lengths": [
        {
            "entries": e,
            "log_likelihood": None if spoiled else by_scipy(e, False),
            "log_likelihood_with_wild": by_scipy(e, True),
        }
        for e, spoiled in lengths
    ],
}
Path(__file__).with_name("drift_likelihood.json").write_text(json.dumps(out, indent=1) + "\n")
