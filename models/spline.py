"""Natural cubic splines for covariates whose effect is not a straight line."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

# Where knots go, as quantiles of the values: Harrell, Regression Modeling Strategies (2015), table 2.3.
KNOT_QUANTILES = {3: (0.10, 0.50, 0.90), 4: (0.05, 0.35, 0.65, 0.95), 5: (0.05, 0.275, 0.5, 0.725, 0.95)}


def natural_spline(values: Floats, knots: int = 4) -> Floats:
    """Restricted cubic spline basis, linear beyond the outer knots.

    `values` (n,), all finite; gives (k - 1, n): the values themselves, then k - 2 curved terms, each divided by the
    square of the knots' span (Harrell 2015, equation 2.25). Fewer distinct quantiles than knots (a lumpy covariate) give fewer terms.
    """
    at = np.unique(np.quantile(values, KNOT_QUANTILES[knots]))
    basis = [values]
    if len(at) >= 3:
        span2 = (at[-1] - at[0]) ** 2
        last, before = at[-1], at[-2]
        for knot in at[:-2]:
            curved = (
                _cube(values - knot)
                - _cube(values - before) * (last - knot) / (last - before)
                + _cube(values - last) * (before - knot) / (last - before)
            )
            basis.append(curved / span2)
    return np.stack(basis)


def _cube(z: Floats) -> Floats:
    return np.asarray(np.maximum(z, 0.0) ** 3, dtype=np.float64)
