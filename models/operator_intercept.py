"""The odds ratio of the approach within operators: logistic regression with a random intercept for each operator.

Operators differ in what they achieve and in how often they start from below; comparing lesions within operators takes the first out of the comparison as far as it is the
same for all of an operator's lesions (Breslow & Clayton 1993, JASA 88:9-25). A random intercept alone does that only in part where operators who succeed
more often also choose the approach more often; each operator's own share of first approaches from below, entered as a term, does the rest (Mundlak 1978, Econometrica
46:69-85; Neuhaus & Kalbfleisch 1998, Biometrics 54:638-645). Maximum likelihood by adaptive quadrature (`models.random_intercept`); standard
errors from the curvature of the log likelihood, coefficients and spread together; the spread of the operators with its profile-likelihood interval. Intercepts are taken as
normal and as independent of the other covariates, and the approach's effect as the same for every operator; where it is not, the clustered errors of `models.conditional` are the wider and
safer ones. The intervals of the approach use t with n - p - operators degrees of freedom, those of a comparison within
operators (Schluchter & Elashoff 1990, J Stat Comput Simul 37:69-87).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import brentq, minimize
from scipy.special import chdtri

from models.analysis_scale import ScaledEstimate
from models.outcome_model import fit_outcome, unusable
from models.random_intercept import InterceptLikelihood

Floats = NDArray[np.float64]
Integers = NDArray[np.int64]

NODES = 10
FIRST_SPREAD = 0.5
COARSE = (
    1e-4  # gradient, in standard errors, at which the search hands over to Newton's steps and the curvature is taken
)
SETTLED = 1e-8  # squared distance to the maximum, in standard errors
MOST_STEPS = 30
DIFFERENCE = 1e-4  # in standard errors: small against the curvature's change, large against rounding
FEW_OPERATORS = 5  # fewer tell next to nothing of how operators spread: common practice, no source
NO_SPREAD = 1e-3


@dataclass(frozen=True, slots=True)
class OperatorIntercept:
    """The approach's log odds ratio within operators, and how operators differ on the logit.

    `estimate` None when `withheld_because` says why. `coefficients` and `errors` in the order of the design, then the operator's share where it is a term, the approach last. `operator_sd` is the standard deviation of the intercepts with
    its profile interval (`sd_lower` may be 0; `sd_upper` None where the data set no limit). `intercepts` (operators,) are conditional modes, in the order of the operators' numbers; they are shrunken,
    for showing spread and not for ranking. `nodes` of the quadrature. `remark` is "" or a caution.
    """

    estimate: ScaledEstimate | None
    withheld_because: str | None
    coefficients: Floats
    errors: Floats
    operator_sd: float | None
    sd_lower: float | None
    sd_upper: float | None
    intercepts: Floats
    log_likelihood: float | None
    operators: int
    nodes: int
    remark: str


def operator_intercept(
    design: Floats,
    treated: Floats,
    outcome: Floats,
    operator: Integers,
    level: float,
    nodes: int = NODES,
    within_operators: bool = True,
) -> OperatorIntercept:
    """Logistic regression on the approach and the design with a random intercept per operator.

    `design` (p, n) with its constant row, terms of like scale; `treated`, `outcome` (n,) of 0 and 1; `operator` (n,) of non-negative integers. `level` of the
    interval of the operators' spread. `nodes` 1 is Laplace's approximation, good where every operator has many lesions. `within_operators` enters each operator's share of
    first approaches from below.
    """
    numbers, group = np.unique(operator, return_inverse=True)
    cannot = unusable(treated, outcome)
    if cannot is None and len(numbers) < 2:
        cannot = "there is one operator only: nothing to tell operators apart by"
    if cannot is not None:
        return _withheld(cannot, len(numbers), nodes)
    group = group.astype(np.int64)
    lines = [design]
    if within_operators:
        share = _share(treated, group)
        if bool(np.all(share == treated)):
            return _withheld(
                "no operator used both approaches: nothing compares them within operators", len(numbers), nodes
            )
        if _is_new(share, design):
            lines.append(share[None, :])
    matrix = np.vstack([*lines, treated])
    plain = fit_outcome(matrix, outcome)
    if plain.failed_because is not None:
        return _withheld(plain.failed_because, len(numbers), nodes)
    likelihood = InterceptLikelihood(matrix, outcome, group, nodes)
    scale = np.asarray(np.linalg.inv(np.linalg.cholesky(plain.information)).T, dtype=np.float64)
    surface = _Surface(likelihood, plain.coefficients, scale, 1.0 / np.sqrt(2.0 * len(numbers)))
    top = _maximize(surface)
    if top is None:
        return _withheld("the model with a random intercept did not settle", len(numbers), nodes)
    errors = np.sqrt(np.diag(surface.natural(np.asarray(np.linalg.inv(top.curvature), dtype=np.float64))))
    coefficients, spread = surface.where(top.at)
    lower, upper = _profile_interval(surface, top, level)
    modes = likelihood.modes(coefficients @ matrix, spread)
    rest = len(outcome) - len(matrix) - len(numbers)
    estimate = ScaledEstimate(
        "odds_ratio", float(coefficients[-1]), float(errors[-2] ** 2), float(rest) if rest > 0 else None
    )
    return OperatorIntercept(
        estimate,
        None,
        coefficients,
        errors[:-1],
        abs(spread),
        lower,
        upper,
        spread * modes.mode,
        top.height,
        len(numbers),
        nodes,
        _remark(len(numbers), abs(spread)),
    )


def _share(treated: Floats, group: Integers) -> Floats:
    return np.asarray((np.bincount(group, treated) / np.bincount(group))[group], dtype=np.float64)


def _is_new(line: Floats, design: Floats) -> bool:
    """Whether a term says anything that the design's do not."""
    told = np.linalg.lstsq(design @ design.T, design @ line, rcond=None)[0] @ design
    return float(((line - told) ** 2).sum()) > 1e-8 * float((line**2).sum())


def _remark(operators: int, spread: float) -> str:
    if operators < FEW_OPERATORS:
        return f"{operators} operators tell next to nothing of how operators spread"
    if spread < NO_SPREAD:
        return "no difference between operators could be told from chance"
    return ""


@dataclass(frozen=True, slots=True)
class _Top:
    """A maximum: where, in the surface's own steps (p + 1,), how high, and minus the second derivatives (p + 1, p + 1)."""

    at: Floats
    height: float
    curvature: Floats


class _Surface:
    """Minus the log likelihood over steps of about one standard error each, the spread last."""

    def __init__(self, likelihood: InterceptLikelihood, start: Floats, scale: Floats, spread_scale: float) -> None:
        self.likelihood = likelihood
        self.start = start
        self.scale = scale
        self.spread_scale = spread_scale

    def where(self, at: Floats) -> tuple[Floats, float]:
        """Coefficients and spread; a spread of the other sign is the same model."""
        return self.start + self.scale @ at[:-1], float(at[-1] * self.spread_scale)

    def natural(self, covariance: Floats) -> Floats:
        whole = np.block(
            [
                [self.scale, np.zeros((len(self.start), 1))],
                [np.zeros((1, len(self.start))), np.array([[self.spread_scale]])],
            ]
        )
        return np.asarray(whole @ covariance @ whole.T, dtype=np.float64)

    def __call__(self, at: Floats) -> tuple[float, Floats]:
        coefficients, spread = self.where(at)
        value, slope, by_spread = self.likelihood.value_and_gradient(coefficients, spread)
        return -value, -np.append(self.scale.T @ slope, by_spread * self.spread_scale)


def _maximize(surface: _Surface) -> _Top | None:
    first = np.append(np.zeros(len(surface.start)), FIRST_SPREAD / surface.spread_scale)
    at = np.asarray(minimize(surface, first, jac=True, method="BFGS", options={"gtol": COARSE}).x, dtype=np.float64)
    curvature = _curvature(surface, at)
    for _ in range(MOST_STEPS):
        height, slope = surface(at)
        try:
            step = np.linalg.solve(curvature, slope)
            np.linalg.cholesky(curvature)
        except np.linalg.LinAlgError:
            return None
        decrement = float(step @ slope)
        if decrement < SETTLED:
            return _Top(at, -height, curvature)
        at = at - step
        if decrement > 1e-2:  # far enough that the curvature is another one
            curvature = _curvature(surface, at)
    return None


def _curvature(surface: _Surface, at: Floats) -> Floats:
    """Second derivatives, from differences of the gradient in each direction."""
    _, here = surface(at)
    rows = [(surface(at + DIFFERENCE * e)[1] - here) / DIFFERENCE for e in np.eye(len(at))]
    found = np.stack(rows)
    return np.asarray((found + found.T) / 2, dtype=np.float64)


def _profile_interval(surface: _Surface, top: _Top, level: float) -> tuple[float, float | None]:
    """Limits of the spread at which the log likelihood, highest over the coefficients, falls by half a chi-squared quantile."""
    quantile = float(chdtri(1, 1 - level))
    best = abs(float(top.at[-1]))
    block = top.curvature[:-1, :-1]
    slide = np.linalg.solve(block, top.curvature[:-1, -1]) * np.sign(top.at[-1])
    path = {best: (top.at[:-1], top.height)}

    def short_of(spread: float) -> float:
        near = min(path, key=lambda known: abs(known - spread))
        held = path[near][0] - slide * (spread - near)
        height = np.nan
        for _ in range(MOST_STEPS):
            value, slope = surface(np.append(held, spread))
            height = -value
            step = np.linalg.solve(block, slope[:-1])
            if float(step @ slope[:-1]) < SETTLED * 1e2:
                break
            held = held - step
        path[spread] = (held, height)
        return float(np.sqrt(max(0.0, 2 * (top.height - height))) - np.sqrt(quantile))

    unit = surface.spread_scale
    lower = 0.0
    if best > NO_SPREAD and short_of(0.0) > 0:
        lower = float(brentq(short_of, 0.0, best, xtol=1e-4)) * unit
    far = best + 2.0
    while short_of(far) < 0:
        far = best + 2 * (far - best)
        if far * unit > 50.0:  # an odds ratio between operators beyond anything: the data set no limit
            return lower, None
    return lower, float(brentq(short_of, best, far, xtol=1e-4)) * unit


def _withheld(reason: str, operators: int, nodes: int) -> OperatorIntercept:
    none = np.zeros(0)
    return OperatorIntercept(None, reason, none, none, None, None, None, none, None, operators, nodes, "")
