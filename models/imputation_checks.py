"""Did the chains settle, and are the values drawn values that lesions could have? Shares, means and counts, ready to draw; no rows.

Convergence: the split R-hat of Gelman, Carlin, Stern, Dunson, Vehtari & Rubin 2013, Bayesian Data Analysis, section 11.4 (Vehtari, Gelman, Simpson, Carpenter &
Bürkner 2021, Bayesian Anal 16:667-718, equations 1 to 4). Chains of imputation are short on purpose: answers are right after five to ten sweeps, well before such
measures say so (Oberman, van Buuren & Vink 2021, arXiv:2110.11951, number from memory), so what is looked for is a chain that drifts or keeps apart, not the third digit.

Plausibility: recorded beside drawn values (van Buuren 2018, section 6.6; Abayomi, Gelman & Levy 2008, J R Stat Soc C 57:273-291). They need not agree when gaps
depend on other traits. So a number's or level's difference is also given with the approach and the outcomes held: least squares on an indicator of
"drawn", approach, outcomes and their products, as far as these explain the gap the difference then is near zero.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import fdtri

from models.multiple_imputation import Imputations
from models.propensity import Covariate
from models.sensitivity_results import ChainTrace, MissingPattern, MissingTrait, Plausibility

Floats = NDArray[np.float64]

# Below 1.2 chains are taken to have settled (Brooks & Gelman 1998, J Comput Graph Stat 7:434-455; from memory). The 1.1 and 1.01 of later work are for chains of hundreds
# of draws: of ten sweeps, the largest R-hat of 42 settled statistics came to 1.04-1.19 in our runs, and to 1.03 after thirty.
LARGEST_R_HAT = 1.2
CHANCE = 0.05  # of one statistic or more being called unsettled though all chains have settled
SETTLING_SWEEPS = 2  # left out of R-hat: a chain leaves its random start in them
QUANTILES = (0.05, 0.25, 0.5, 0.75, 0.95)


@dataclass(frozen=True, slots=True)
class Spread:
    """Values of a number at QUANTILES, of `count` lesions; None where there are none. Drawn values count once a lesion, over all data sets."""

    count: int
    quantiles: tuple[float, ...] | None


@dataclass(frozen=True, slots=True)
class NumberCheck:
    """A number's recorded and drawn values, all and by approach."""

    trait: str
    recorded: Spread
    drawn: Spread
    recorded_retrograde: Spread
    drawn_retrograde: Spread
    recorded_antegrade: Spread
    drawn_antegrade: Spread


@dataclass(frozen=True, slots=True)
class AdjustedDifference:
    """Drawn minus recorded with approach and outcomes held: of a number in SD of its recorded values, of a level as a share."""

    trait: str
    level: str
    plain: float
    adjusted: float


def split_r_hat(chains: Floats) -> float | None:
    """R-hat of `chains` (m, sweeps), each cut in halves, the middle one left out if odd. None for fewer than 4 sweeps or where nothing varies."""
    half = chains.shape[1] // 2
    if half < 2:
        return None
    parts = np.concatenate([chains[:, :half], chains[:, chains.shape[1] - half :]])
    within = float(parts.var(axis=1, ddof=1).mean())
    between = half * float(parts.mean(axis=1).var(ddof=1))
    if within <= 1e-24 * (1.0 + float(np.abs(parts).max()) ** 2):
        return None
    return float(np.sqrt(((half - 1) / half * within + between / half) / within))


def chain_traces(found: Imputations, settling: int = SETTLING_SWEEPS) -> tuple[ChainTrace, ...]:
    """Every statistic of the values drawn along the sweeps; R-hat without the first `settling` of them, in which a chain leaves its start."""
    labels = {c.name: c.label for c in found.recorded}
    return tuple(
        ChainTrace(labels[name], statistic, tuple(map(tuple, chains.tolist())), split_r_hat(chains[:, settling:]))
        for (name, statistic), chains in found.traces.items()
    )


def chance_r_hat(chains: int, sweeps: int, statistics: int) -> float:
    """What the largest R-hat of so many `statistics` passes once in twenty though all chains have settled.

    Of independent normal draws between / within is F distributed with 2 chains - 1 and 2 chains (half - 1) degrees of freedom, half being sweeps // 2; over the
    statistics by Bonferroni. `sweeps` are those that R-hat looked at, four or more.
    """
    half = sweeps // 2
    f = float(fdtri(2 * chains - 1, 2 * chains * (half - 1), 1 - CHANCE / statistics))
    return float(np.sqrt((half - 1 + f) / half))


def unsettled(
    traces: tuple[ChainTrace, ...], settling: int = SETTLING_SWEEPS, limit: float = LARGEST_R_HAT
) -> tuple[ChainTrace, ...]:
    """Traces whose R-hat is above `limit` and above what chance gives, as few short chains are apart by chance."""
    told = [t for t in traces if t.r_hat is not None]
    return tuple(
        t
        for t in told
        if (t.r_hat or 0.0) > max(limit, chance_r_hat(len(t.chains), len(t.chains[0]) - settling, len(told)))
    )


def missing_traits(covariates: tuple[Covariate, ...], treated: Floats) -> tuple[MissingTrait, ...]:
    """Lesions without each covariate by approach, for those that any lacks, most first. `treated` (n,) of 0 and 1."""
    found = []
    for c in covariates:
        gone = np.isnan(c.values)
        if gone.any():
            below, above = int(gone[treated == 1].sum()), int(gone[treated == 0].sum())
            found.append(MissingTrait(c.label, below, above, int((treated == 1).sum()), int((treated == 0).sum())))
    return tuple(sorted(found, key=lambda t: -(t.missing_retrograde + t.missing_antegrade)))


def missing_patterns(covariates: tuple[Covariate, ...]) -> tuple[MissingPattern, ...]:
    """The sets of traits that lesions lack together, with how many lesions, most first; () is that of lesions that lack none."""
    gone = np.stack([np.isnan(c.values) for c in covariates]) if covariates else np.zeros((0, 0), dtype=bool)
    if not gone.size:
        return ()
    sets, counts = np.unique(gone, axis=1, return_counts=True)
    made = [
        MissingPattern(tuple(c.label for c, lacks in zip(covariates, column, strict=True) if lacks), int(count))
        for column, count in zip(sets.T, counts, strict=True)
    ]
    return tuple(sorted(made, key=lambda p: (-p.count, len(p.traits), p.traits)))


def plausibility(found: Imputations, units: dict[str, str]) -> tuple[Plausibility, ...]:
    """Recorded beside drawn: mean and SD of a number (in `units[name]`, "" if not there), share of each level of a category."""
    made: list[Plausibility] = []
    for c, recorded, drawn in _both(found):
        n, gaps = len(recorded), drawn.shape[1]
        if c.kind == "number":
            sds = float(recorded.std()), float(drawn.std())
            unit = units.get(c.name, "")
            made.append(
                Plausibility(c.label, "", unit, n, n, gaps, float(recorded.mean()), sds[0], float(drawn.mean()), sds[1])
            )
            continue
        for level, label in enumerate(c.level_labels or c.levels):
            count = int((recorded == level).sum())
            share = float((drawn == level).mean())
            if count or share:
                made.append(Plausibility(c.label, label, "share", n, count, gaps, count / n, None, share, None))
    return tuple(made)


def number_checks(found: Imputations, treated: Floats) -> tuple[NumberCheck, ...]:
    """Quantiles of recorded and drawn values of each number, all and by approach. `treated` (n,) of 0 and 1, in the caller's order."""
    made = []
    for c, _, drawn in _both(found):
        if c.kind == "number":
            of_drawn = treated[found.lesions[c.name]]
            known = ~np.isnan(c.values)
            pairs = [
                (_spread(c.values[known & side], int((known & side).sum())), _spread(drawn[:, mine], int(mine.sum())))
                for side, mine in (
                    (np.ones(len(treated), dtype=bool), np.ones(len(of_drawn), dtype=bool)),
                    (treated == 1, of_drawn == 1),
                    (treated == 0, of_drawn == 0),
                )
            ]
            made.append(NumberCheck(c.label, *pairs[0], *pairs[1], *pairs[2]))
    return tuple(made)


def adjusted_differences(found: Imputations, treated: Floats, outcomes: Floats) -> tuple[AdjustedDifference, ...]:
    """Drawn minus recorded, plain and with approach and outcomes held. `treated` (n,), `outcomes` (k, n), in the caller's order."""
    held = np.concatenate([np.ones((1, len(treated))), treated[None, :], outcomes, treated * outcomes])
    made = []
    for c, recorded, drawn in _both(found):
        values = c.values.copy()
        values[found.lesions[c.name]] = drawn.mean(axis=0)
        if c.kind == "number":
            spread = float(recorded.std())
            if spread > 0:
                made.append(_difference(c, "", values / spread, held, found))
            continue
        for level, label in enumerate(c.level_labels or c.levels):
            is_it = (c.values == level).astype(np.float64)
            is_it[found.lesions[c.name]] = (drawn == level).mean(axis=0)
            if is_it.any():
                made.append(_difference(c, label, is_it, held, found))
    return tuple(made)


def _difference(c: Covariate, level: str, values: Floats, held: Floats, found: Imputations) -> AdjustedDifference:
    drawn = np.zeros(len(values))
    drawn[found.lesions[c.name]] = 1.0
    plain = float(values[drawn == 1].mean() - values[drawn == 0].mean())
    # Endpoints may imply each other (crossed first, crossed at all): least squares with the shortest solution, the indicator last.
    coefficients = np.linalg.lstsq(np.vstack([held, drawn]).T, values, rcond=None)[0]
    return AdjustedDifference(c.label, level, plain, float(coefficients[-1]))


def _both(found: Imputations) -> list[tuple[Covariate, Floats, Floats]]:
    """Each drawn covariate, its recorded values (r,) and its drawn ones (m, gaps)."""
    return [(c, c.values[~np.isnan(c.values)], found.drawn[c.name]) for c in found.recorded if c.name in found.drawn]


def _spread(values: Floats, count: int) -> Spread:
    return Spread(count, tuple(np.quantile(values, QUANTILES).tolist()) if values.size else None)
