"""The chains of multiple imputation: one a data set, each sweep drawing every trait with gaps from all others.

Which traits, and what is known of every lesion: models/imputation_layout.py. How one trait is drawn from its predictors:
models/imputation_models.py. What for: models/multiple_imputation.py.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtri

from models.content_draws import key, uniforms
from models.imputation_layout import Drawn, Layout, Units, first_lesions
from models.imputation_models import (
    MOST_OFF,
    Curvature,
    Donors,
    Step,
    curvature,
    level_chances,
    make_donors,
    matched,
    settled_fit,
    step,
)
from models.imputation_siblings import predictors

Floats = NDArray[np.float64]
Integers = NDArray[np.int64]

PILOT_SWEEPS = 3  # of the chain that finds each fit's information matrix
MOST_PILOT_LESIONS = 8192  # that chain's: the matrix of a random part of the patients, scaled up
BRANCH_SWEEPS = 3  # a departure's own, the last ones: other traits get to see it, yet the chain need not start again
FEWEST_DONORS = 20  # recorded without, and with, an earlier sibling, for donors to be kept apart: four times as many as a gap looks at
FIRST_SWEEPS = 2  # in which a fit may be far from where it was

# The statistics of one trait's drawn values: (statistic, its value after each sweep).
Traced = dict[tuple[str, str], list[float]]


@dataclass(frozen=True, slots=True)
class Departure:
    """How unrecorded values differ from recorded ones with the same everything else: a pattern-mixture model's shift.

    `trait` names a covariate, or is "all". A number is moved by so many SD of its recorded values, within their range; of a category the log odds of each level
    against the one below are moved, so that above zero is toward higher levels. `retrograde` in lesions started from below, `antegrade` in the others; a
    patient's trait by the share of the patient's lesions.
    """

    trait: str
    retrograde: float
    antegrade: float


AT_RANDOM = Departure("all", 0.0, 0.0)


@dataclass(slots=True)
class Fit:
    """A trait's coefficients (q, p) so far, the information that steps are taken with, and how far off the last one began."""

    coefficients: Floats
    curve: Curvature
    decrement: float


@dataclass(slots=True)
class Chain:
    """`tables`: the predictors (p, u) of each kind of units; `values`: each drawn trait's at its gaps; fits and traces so far."""

    tables: list[Floats]
    values: dict[str, Floats]
    fits: dict[str, Fit]
    traces: Traced

    def copy(self) -> Chain:
        """A chain that goes on from here by itself."""
        return Chain(
            [table.copy() for table in self.tables],
            dict(self.values),
            {name: Fit(f.coefficients, f.curve, f.decrement) for name, f in self.fits.items()},
            {name: list(line) for name, line in self.traces.items()},
        )


def started_chain(layout: Layout, place: tuple[int, ...], fits: dict[str, Fit]) -> Chain:
    """A chain whose gaps hold recorded values drawn at random."""
    table = layout.table.copy()
    chain = Chain([table, *(u.means(table) for u in layout.units[1:])], {}, fits, {})
    for d in layout.drawn:
        recorded = _recorded(d)
        chance = uniforms(layout.units[d.units].words[d.gaps], key(*place, "start", d.covariate.name))
        _put(layout, chain, d, recorded[np.floor(chance * len(recorded)).astype(np.int64)])
    return chain


def _recorded(d: Drawn) -> Floats:
    if d.target.known.any():
        return d.target.values[d.target.known]
    # Of the pilot's patients none may have it recorded.
    return d.coding.centers[:1] if d.target.levels is None else d.target.levels[[d.target.base]]


def _put(layout: Layout, chain: Chain, d: Drawn, values: Floats) -> None:
    """Values (gaps,) into the chain and its tables."""
    chain.values[d.covariate.name] = values
    chain.tables[0][d.lines, d.lesions] = d.coding.lines(in_lesions(d, values))
    for units, table in zip(layout.units[1:], chain.tables[1:], strict=True):
        table[d.lines] = units.means(chain.tables[0][d.lines])


def in_lesions(d: Drawn, values: Floats) -> Floats:
    """Values (gaps,) of the units drawn as values of their lesions, (rows,)."""
    return values[d.at] + (0.0 if d.offset is None else d.offset[d.lesions])


def pilot_fits(layout: Layout, seed: int) -> dict[str, Fit]:
    """Fits to start from, with their information, from a chain of its own over part of the patients, every fit carried to its end."""
    part = first_lesions(layout, MOST_PILOT_LESIONS)
    terms = len(part.table)
    nothing = Curvature(np.zeros((0, 0)), 0.0)
    chain = started_chain(
        part,
        (seed, -1),
        {d.covariate.name: Fit(np.zeros((len(d.target.outcome), terms)), nothing, np.inf) for d in part.drawn},
    )
    for sweep in range(PILOT_SWEEPS):
        for d in part.drawn:
            _redraw(part, chain, d, (seed, -1, sweep), AT_RANDOM, renew=True)
    for d, whole in zip(part.drawn, layout.drawn, strict=True):
        fit = chain.fits[d.covariate.name]
        stands_for = float(whole.target.known.sum()) / max(float(d.target.known.sum()), 1.0)
        if len(part.order) < len(layout.order):
            own = chain.tables[d.units][d.lines].copy()
            fit.curve = curvature(d.target, _predictors(chain, d), fit.coefficients, stands_for)
            _restore(chain, d, own)
    return chain.fits


def run_chain(
    layout: Layout, pilot: dict[str, Fit], departures: Sequence[Departure], sweeps: int, place: tuple[int, ...]
) -> list[Chain]:
    """One data set under each departure: one chain until the last sweeps, a branch for each from there."""
    chain = started_chain(layout, place, {name: replace(fit) for name, fit in pilot.items()})
    apart = max(sweeps - BRANCH_SWEEPS, 0)
    for sweep in range(apart):
        sweep_once(layout, chain, (*place, sweep), AT_RANDOM)
    branches = []
    for number, departure in enumerate(departures):
        branch = chain if number == len(departures) - 1 else chain.copy()
        for sweep in range(apart, sweeps):
            sweep_once(layout, branch, (*place, sweep), departure)
        branch.tables.clear()  # values and traces are all that is asked for; the rest is large
        branch.fits.clear()
        branches.append(branch)
    return branches


def sweep_once(layout: Layout, chain: Chain, place: tuple[int, ...], departure: Departure) -> None:
    """Draw every trait once, those with fewest gaps first. `place` names seed, data set and sweep."""
    for d in layout.drawn:
        _redraw(layout, chain, d, place, departure, renew=False)
        _trace(chain, d)


def _predictors(chain: Chain, d: Drawn) -> Floats:
    """The table of the trait's units, as it is while the trait is drawn: in its own lines what earlier siblings tell."""
    table = chain.tables[d.units]
    table[d.lines], table[-1] = d.siblings.recorded[:-1], d.siblings.recorded[-1]
    return table


def _restore(chain: Chain, d: Drawn, own: Floats) -> None:
    table = chain.tables[d.units]
    table[d.lines], table[-1] = own, 0.0


def _redraw(
    layout: Layout, chain: Chain, d: Drawn, place: tuple[int, ...], departure: Departure, *, renew: bool
) -> None:
    """Draw one trait anew: coefficients, then values."""
    if not d.target.known.any():
        return
    units, name, fit = layout.units[d.units], d.covariate.name, chain.fits[d.covariate.name]
    own = chain.tables[d.units][d.lines].copy()
    table = _predictors(chain, d)
    multiplier = ndtri(uniforms(units.patient_words, key(*place, "coefficients", name)))[units.patient]
    if renew:
        fit.coefficients, fit.curve = settled_fit(d.target, table, fit.coefficients)
    made = step(d.target, table, fit.coefficients, fit.curve, multiplier)
    # The first sweeps leave values drawn at random behind them: there a long way to go is as it should be.
    if not renew and place[-1] >= FIRST_SWEEPS and made.decrement > MOST_OFF * made.fitted.size:
        fit.coefficients, fit.curve = settled_fit(d.target, table, fit.coefficients)
        made = step(d.target, table, fit.coefficients, fit.curve, multiplier)
    fit.coefficients, fit.decrement = made.fitted, made.decrement
    values = _values(units, table, d, made, place, _shift(departure, name, units.retrograde[d.gaps]))
    _restore(chain, d, own)
    _put(layout, chain, d, values)


def _values(units: Units, table: Floats, d: Drawn, made: Step, place: tuple[int, ...], shift: Floats) -> Floats:
    """New values (gaps,), one wave after the other, so that a patient's later gaps know the values of the earlier ones."""
    chance = uniforms(units.words[d.gaps], key(*place, "values", d.covariate.name))
    levels = d.target.levels
    donors = _donors(units, table, d, made, place) if levels is None else None
    values = np.empty(len(d.gaps))
    # Ages that move with time: as a sibling's value the one at the middle of the offsets.
    lead = 0.0 if d.offset is None else float(d.offset.mean())
    sums, counts = d.siblings.sums.copy(), d.siblings.counts.copy()
    patient = units.patient[d.gaps]
    for number, wave in enumerate(d.siblings.waves):
        here = d.gaps[wave]
        told = predictors(sums[:, wave], counts[wave])
        table[d.lines, here], table[-1, here] = told[:-1], told[-1]
        linear = made.drawn @ table[:, here]
        if donors is not None:
            values[wave] = donors.taken(linear[0], chance[wave], counts[wave] == 0, shift[wave] * d.target.spread)
        elif levels is not None:
            values[wave] = _level(levels, linear, d.target.base, chance[wave], shift[wave])
        if number + 1 < len(d.siblings.waves):
            lines = np.vstack([d.coding.lines(values[wave] + lead), np.ones(len(wave))])
            new = np.stack([np.bincount(patient[wave], line, len(units.patient_words)) for line in lines])
            sums += new[:-1, patient]
            counts += new[-1, patient]
    return values


@dataclass(frozen=True, slots=True)
class _TwoDonors:
    """Donors for units of which a sibling is known, and for those of which none is: what is left to chance is more in the latter."""

    with_siblings: Donors
    alone: Donors
    least: float
    most: float

    def taken(self, wanted: Floats, chance: Floats, alone: NDArray[np.bool_], shift: Floats) -> Floats:
        """Values for predictions `wanted` (g,), shifted within the range of the recorded ones."""
        found = np.empty(len(wanted))
        for donors, mine in ((self.alone, alone), (self.with_siblings, ~alone)):
            found[mine] = matched(donors, wanted[mine], chance[mine])
        return np.clip(found + shift, self.least, self.most)


def _donors(units: Units, table: Floats, d: Drawn, made: Step, place: tuple[int, ...]) -> _TwoDonors:
    known = d.target.known
    predicted = (made.fitted @ table)[0, known]
    weight = -np.log(uniforms(units.patient_words, key(*place, "donors", d.covariate.name)))[units.patient[known]]
    values = d.target.values[known]
    first = d.siblings.recorded[-1, known] == 0
    parts = [np.ones(len(values), dtype=bool)] * 2
    if FEWEST_DONORS <= first.sum() <= len(first) - FEWEST_DONORS:
        parts = [~first, first]
    made_of = [make_donors(values[part], predicted[part], weight[part]) for part in parts]
    return _TwoDonors(made_of[0], made_of[1], float(values.min()), float(values.max()))


def _level(levels: Floats, logits: Floats, base: int, chance: Floats, shift: Floats) -> Floats:
    """One of `levels`, rising, for each column of `logits`, its log odds moved by `shift` a level."""
    likely = level_chances(logits, base)
    if shift.any():
        likely *= np.exp(shift * np.arange(len(levels))[:, None])
        likely /= likely.sum(axis=0)
    reached = np.cumsum(likely, axis=0)
    return np.asarray(levels[np.minimum((reached <= chance).sum(axis=0), len(levels) - 1)], dtype=np.float64)


def _shift(departure: Departure, name: str, retrograde: Floats) -> Floats:
    if departure.trait not in ("all", name):
        return np.zeros(len(retrograde))
    return retrograde * departure.retrograde + (1.0 - retrograde) * departure.antegrade


def _trace(chain: Chain, d: Drawn) -> None:
    name = d.covariate.name
    values = in_lesions(d, chain.values[name])
    if d.target.levels is None:
        found = {"mean": float(values.mean()), "SD": float(values.std())}
    else:
        labels = d.covariate.level_labels or d.covariate.levels
        shown = np.delete(d.target.levels, d.target.base)
        found = {labels[int(level)]: float((values == level).mean()) for level in shown}
    for statistic, value in found.items():
        chain.traces.setdefault((name, statistic), []).append(value)
