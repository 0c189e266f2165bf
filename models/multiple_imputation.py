"""Multiple imputation by chained equations: traits not recorded drawn several times from all that is known, patients respected.

Van Buuren 2007, Stat Methods Med 16:219-242; White, Royston & Wood 2011, Stat Med 30:377-399. The outcomes, the approach and their products are
in every model: the answer will be about how they go together, and draws that knew nothing of it would pull it to zero (Moons, Donders, Stijnen & Harrell
2006, J Clin Epidemiol 59:1092-1101; Leyrat et al. 2019, Stat Methods Med 28:3-19). How one trait is drawn: models/imputation_models.py.

Patients are respected in three ways. A trait of the patient or the procedure is drawn once for each, from the means over its lesions, and is the same in
all of them (imputation of level-2 variables: van Buuren 2018, Flexible Imputation of Missing Data, section 7.8; Grund, Lüdtke & Robitzsch 2018, Organ Res
Methods 21:111-149). A trait of the lesion has among its predictors the same trait in the patient's other lesions (models/imputation_siblings.py), so that
lesions of a patient that lack it come out nearly as alike as recorded ones. And coefficients are drawn by patients.

Random numbers belong to the lesion's content and the seed (models/content_draws.py), and rows are first put in the content's order: neither the
order of the rows nor the numbering of patients changes a byte.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from models.chained_equations import AT_RANDOM, Chain, Departure, in_lesions, pilot_fits, run_chain
from models.imputation_layout import AlwaysKnown, Layout, make_layout
from models.propensity import Covariate
from models.single_thread import one_thread

Floats = NDArray[np.float64]
Integers = NDArray[np.int64]


@dataclass(frozen=True, slots=True)
class Imputations:
    """m completed data sets. `recorded`: the covariates as they came; `lesions[name]` the rows drawn; `drawn[name]` (m, rows) their values.

    `traces[name, statistic]` (m, sweeps) follow "mean" and "SD" of a number, or the share of each level but the commonest, over the
    values drawn. `carried[name]`: lesions whose value came from another lesion of the same patient or procedure, among the rows drawn.
    `never`: names that are recorded nowhere and so stay missing.
    """

    recorded: tuple[Covariate, ...]
    lesions: Mapping[str, Integers]
    drawn: Mapping[str, Floats]
    traces: Mapping[tuple[str, str], Floats]
    carried: Mapping[str, int]
    never: tuple[str, ...]
    data_sets: int

    def completed(self, number: int) -> tuple[Covariate, ...]:
        """Data set `number`, from 0: the covariates in their order with every value drawn in its place."""
        made = []
        for c in self.recorded:
            if c.name in self.drawn:
                values = c.values.copy()
                values[self.lesions[c.name]] = self.drawn[c.name][number]
                made.append(replace(c, values=values))
            else:
                made.append(c)
        return tuple(made)

    def __iter__(self) -> Iterator[tuple[Covariate, ...]]:
        return (self.completed(j) for j in range(self.data_sets))


def impute(
    covariates: tuple[Covariate, ...],
    known: AlwaysKnown,
    names: Iterable[str],
    *,
    data_sets: int,
    sweeps: int,
    seed: int,
) -> Imputations:
    """Draw the missing values of the covariates `names`, `data_sets` times, each after `sweeps` sweeps of a chain of its own.

    The other covariates are predictors, with a line that marks where they are missing. Time grows with data sets x sweeps x traits with gaps x lesions x
    predictors; memory holds one chain at a time. ValueError for less than one data set or sweep, or an owner across patients.
    """
    return impute_departing(covariates, known, names, (AT_RANDOM,), data_sets=data_sets, sweeps=sweeps, seed=seed)[0]


def impute_departing(
    covariates: tuple[Covariate, ...],
    known: AlwaysKnown,
    names: Iterable[str],
    departures: Sequence[Departure],
    *,
    data_sets: int,
    sweeps: int,
    seed: int,
) -> tuple[Imputations, ...]:
    """The same under each of `departures` from missing at random, in their order (Carpenter & Kenward 2013, chapter 10; van Buuren 2018, section 9.2).

    The shift is made as values are drawn, in the last BRANCH_SWEEPS sweeps, so that the other traits drawn agree with it. All departures use the same random
    numbers: what differs between them is the shift alone, and a shift of zero gives what `impute` gives to the last bit.
    """
    if data_sets < 1 or sweeps < 1:
        raise ValueError("imputation needs at least one data set and one sweep")
    names = tuple(names)
    if not any(np.isnan(c.values).any() for c in covariates if c.name in names):
        nothing = Imputations(covariates, {}, {}, {}, {}, (), data_sets)
        return tuple(nothing for _ in departures)
    layout = make_layout(covariates, known, names)
    with one_thread():
        pilot = pilot_fits(layout, seed)
        chains = [run_chain(layout, pilot, departures, sweeps, (seed, j)) for j in range(data_sets)]
    return tuple(_gathered(covariates, layout, [chain[k] for chain in chains]) for k in range(len(departures)))


def _gathered(covariates: tuple[Covariate, ...], layout: Layout, chains: list[Chain]) -> Imputations:
    """Back in the caller's order of rows, with what an owner's other lesion told beside what was drawn."""
    lesions: dict[str, Integers] = {}
    drawn: dict[str, Floats] = {}
    told_by_others: dict[str, int] = {}
    by_name = {d.covariate.name: d for d in layout.drawn}
    for c in covariates:
        carried = layout.values[c.name]
        gaps = np.flatnonzero(np.isnan(c.values[layout.order]))
        d = by_name.get(c.name)
        told = int((~np.isnan(carried[gaps])).sum())
        if d is None and not told:
            continue
        lines = np.tile(carried, (len(chains), 1))
        if d is not None:
            lines[:, d.lesions] = [in_lesions(d, chain.values[c.name]) for chain in chains]
        rows = layout.order[gaps]
        sorting = np.argsort(rows)
        lesions[c.name], drawn[c.name], told_by_others[c.name] = rows[sorting], lines[:, gaps[sorting]], told
    traces = {name: np.array([chain.traces[name] for chain in chains]) for name in chains[0].traces}
    return Imputations(covariates, lesions, drawn, traces, told_by_others, layout.never, len(chains))
