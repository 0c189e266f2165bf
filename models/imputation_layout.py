"""What the chained equations work on: lesions in the order of their content, and the patients and procedures that own a trait."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from models.content_draws import Words, summed_words, told_apart
from models.imputation_coding import Coding, make_coding
from models.imputation_models import Target, make_target, penalties
from models.imputation_siblings import Siblings, make_siblings
from models.propensity import Covariate

Floats = NDArray[np.float64]
Integers = NDArray[np.int64]


@dataclass(frozen=True, slots=True)
class Owner:
    """The patient or procedure that a trait belongs to: `unit` (n,) numbers it, within one cluster. The trait is drawn once for each.

    `offset` (n,), for a number that moves with time in a known way, is taken off first: for age the years since the first procedure.
    """

    unit: Integers
    offset: Floats | None = None


@dataclass(frozen=True, slots=True)
class AlwaysKnown:
    """What is known of each of n lesions.

    `treated` (n,) of 0 and 1; `outcomes` (k, n); `others` (j, n), further columns that help to tell what is missing; `cluster` (n,) the patient from 0;
    `content` (n,) a word that tells the lesion apart (models.content_draws.content_words, or a hash of the caller's own). `owners`: the
    traits that are not the lesion's own, by name.
    """

    treated: Floats
    outcomes: Floats
    cluster: Integers
    content: Words
    others: Floats | None = None
    owners: Mapping[str, Owner] = field(default_factory=dict)

    def at(self, rows: Integers) -> AlwaysKnown:
        """The same of some lesions."""
        others = None if self.others is None else self.others[:, rows]
        owners = {
            name: Owner(o.unit[rows], None if o.offset is None else o.offset[rows]) for name, o in self.owners.items()
        }
        return AlwaysKnown(
            self.treated[rows], self.outcomes[:, rows], self.cluster[rows], self.content[rows], others, owners
        )


@dataclass(frozen=True, slots=True)
class Units:
    """Lesions, procedures or patients, u of them.

    `of` (n,) a lesion's unit, None for lesions themselves; `size` (u,) lesions in it; `patient` (u,); `alike` (u,) units of the same patient,
    itself among them; `words` (u,) and `patient_words` (patients,); `retrograde` (u,) share of its lesions started from below.
    """

    of: Integers | None
    size: Floats
    patient: Integers
    alike: Floats
    words: Words
    patient_words: Words
    retrograde: Floats

    def means(self, lines: Floats) -> Floats:
        """(w, u), means over the unit's lesions of lines (w, n)."""
        if self.of is None:
            return lines
        return _totals(lines, self.of, len(self.size)) / self.size

    def siblings(self, lines: Floats) -> Floats:
        """(w, u), sums of lines (w, u) over the patient's other units, over the number of all: zero where there is no other."""
        totals = _totals(lines, self.patient, len(self.patient_words))
        return (totals[:, self.patient] - lines) / self.alike


@dataclass(frozen=True, slots=True)
class Drawn:
    """A trait to draw. `units`: place in the layout's; `gaps` (g,) its units without it; `lesions`: rows of those units, `at` (rows,) the place of
    their unit in `gaps`; `offset` (n,) or None; `lines` the table's rows that it has; `siblings` what stands there while it is drawn."""

    covariate: Covariate
    units: int
    target: Target
    gaps: Integers
    lesions: Integers
    at: Integers
    offset: Floats | None
    lines: slice
    coding: Coding
    siblings: Siblings


@dataclass(frozen=True, slots=True)
class Layout:
    """All of it, rows in the order of content (`order` gives the caller's row of each).

    `table` (p, n): the lines of what is known, constant first, zero where a value is to be drawn, and last an empty one for `Siblings`. `values`: the covariates with what another
    lesion of the same owner tells filled in. `drawn`: those with gaps left, fewest first. `never`: names that are recorded nowhere.
    """

    order: Integers
    units: tuple[Units, ...]
    table: Floats
    values: Mapping[str, Floats]
    drawn: tuple[Drawn, ...]
    never: tuple[str, ...]


def make_layout(covariates: tuple[Covariate, ...], known: AlwaysKnown, names: Iterable[str]) -> Layout:
    """The layout in which the covariates `names` are drawn. ValueError where a unit holds lesions of two patients."""
    order, content, patient = _in_order(known)
    known = replace(known.at(order), cluster=patient, content=content)
    covariates = tuple(replace(c, values=c.values[order]) for c in covariates)
    units, at = _all_units(known)
    always = _always_lines(known, units)
    values: dict[str, Floats] = {}
    codings: dict[str, Coding] = {}
    missing = {c.name for c in covariates if c.name in set(names) and np.isnan(c.values).any()}
    never = tuple(c.name for c in covariates if c.name in missing and np.isnan(c.values).all())
    for c in covariates:
        owner = known.owners.get(c.name)
        drawn = c.name in missing and c.name not in never
        values[c.name] = _carried(c.values, owner) if drawn and owner is not None else c.values
        codings[c.name] = make_coding(replace(c, values=values[c.name]), marked=not drawn)
    empty = np.zeros((1, len(order)))
    table = np.concatenate([always, *(codings[name].lines(line) for name, line in values.items()), empty])
    made: list[Drawn] = []
    place = len(always)
    for c in covariates:
        own = slice(place, place + codings[c.name].width)
        place = own.stop
        if c.name in missing and c.name not in never and np.isnan(values[c.name]).any():
            penalty = penalties(len(always), len(table), own, c.kind == "category")
            filled = replace(c, values=values[c.name])
            owner = known.owners.get(c.name)
            made.append(_drawn(filled, owner, units, at.get(c.name, 0), own, codings[c.name], penalty, table[own]))
    made.sort(key=lambda d: len(d.lesions))
    return Layout(order, units, table, values, tuple(made), never)


def first_lesions(layout: Layout, most: int) -> Layout:
    """The layout of its first patients, as many as have `most` lesions or fewer (the first alone if that one has more)."""
    patient = layout.units[0].patient
    if len(patient) <= most:
        return layout
    rows = int(np.searchsorted(patient, max(int(patient[most]), 1)))
    patients = int(patient[rows - 1]) + 1
    units = []
    for u in layout.units:
        of = None if u.of is None else u.of[:rows]
        to = rows if of is None else int(of.max()) + 1
        words = u.patient_words[:patients]
        units.append(Units(of, u.size[:to], u.patient[:to], u.alike[:to], u.words[:to], words, u.retrograde[:to]))
    drawn = tuple(_first_of(d, rows, len(units[d.units].size)) for d in layout.drawn)
    values = {name: line[:rows] for name, line in layout.values.items()}
    return Layout(layout.order[:rows], tuple(units), layout.table[:, :rows], values, drawn, layout.never)


def _first_of(d: Drawn, rows: int, units: int) -> Drawn:
    t = d.target
    target = replace(t, known=t.known[:units], values=t.values[:units], outcome=t.outcome[:, :units])
    gaps = int(np.searchsorted(d.gaps, units))
    lesions = int(np.searchsorted(d.lesions, rows))
    offset = None if d.offset is None else d.offset[:rows]
    return replace(
        d,
        target=target,
        gaps=d.gaps[:gaps],
        siblings=d.siblings.first(units, gaps),
        lesions=d.lesions[:lesions],
        at=d.at[:lesions],
        offset=offset,
    )


def _in_order(known: AlwaysKnown) -> tuple[Integers, Words, Integers]:
    """Rows by content, patients together; their words, told apart; their patients, numbered as they come."""
    _, cluster = np.unique(known.cluster, return_inverse=True)
    patient_words = told_apart(summed_words(known.content, cluster, int(cluster.max(initial=-1)) + 1))
    order = np.lexsort((known.content, patient_words[cluster]))
    return order, told_apart(known.content[order]), _as_they_come(cluster[order])


def _as_they_come(codes: Integers) -> Integers:
    """Codes numbered from 0 in the order of their first row."""
    _, first, inverse = np.unique(codes, return_index=True, return_inverse=True)
    rank = np.empty(len(first), dtype=np.int64)
    rank[np.argsort(first)] = np.arange(len(first))
    return rank[inverse]


def _totals(lines: Floats, unit: Integers, units: int) -> Floats:
    return np.stack([np.bincount(unit, line, units) for line in lines]) if len(lines) else np.zeros((0, units))


def _all_units(known: AlwaysKnown) -> tuple[tuple[Units, ...], dict[str, int]]:
    """Lesions first, then each set of owners once; and which one a covariate's are."""
    patients = int(known.cluster.max(initial=-1)) + 1
    patient_words = summed_words(known.content, known.cluster, patients)
    sets: list[Integers] = []
    at: dict[str, int] = {}
    for name, owner in known.owners.items():
        unit = _as_they_come(owner.unit)
        same = [j for j, other in enumerate(sets) if np.array_equal(other, unit)]
        at[name] = 1 + (same[0] if same else len(sets))
        if not same:
            sets.append(unit)
    n = len(known.treated)
    ones = np.ones(n)
    lesions_of = np.bincount(known.cluster, minlength=patients).astype(np.float64)
    made = [Units(None, ones, known.cluster, lesions_of[known.cluster], known.content, patient_words, known.treated)]
    for unit in sets:
        count = int(unit.max(initial=-1)) + 1
        size = np.bincount(unit, minlength=count).astype(np.float64)
        patient = np.zeros(count, dtype=np.int64)
        patient[unit] = known.cluster
        if (patient[unit] != known.cluster).any():
            raise ValueError("a procedure or patient that owns a trait has lesions of two patients")
        alike = np.bincount(patient, minlength=patients)[patient].astype(np.float64)
        share = np.bincount(unit, known.treated, count) / size
        made.append(Units(unit, size, patient, alike, summed_words(known.content, unit, count), patient_words, share))
    return tuple(made), at


def _always_lines(known: AlwaysKnown, units: tuple[Units, ...]) -> Floats:
    """Constant, approach, outcomes, their products, others; of these all but the products in the patient's other lesions; how many those are."""
    core = np.concatenate([known.treated[None, :], known.outcomes])
    centered = core - core.mean(axis=1, keepdims=True)
    others = np.zeros((0, core.shape[1])) if known.others is None else known.others
    told = np.concatenate([centered, others - others.mean(axis=1, keepdims=True)])
    made = [core, centered[:1] * centered[1:], others, units[0].siblings(told), np.log(units[0].alike)[None, :]]
    lines = np.concatenate(made)
    spread = lines.std(axis=1, keepdims=True)
    tells = spread[:, 0] > 1e-9
    scaled = (lines[tells] - lines[tells].mean(axis=1, keepdims=True)) / spread[tells]
    return np.concatenate([np.ones((1, lines.shape[1])), scaled])


def _carried(values: Floats, owner: Owner) -> Floats:
    """Values with gaps filled from the owner's other lesions: the lower median where those differ."""
    own, _ = _of_units(values, owner)
    told = own[_as_they_come(owner.unit)] + (0.0 if owner.offset is None else owner.offset)
    return np.where(np.isnan(values), told, values)


def _of_units(values: Floats, owner: Owner) -> tuple[Floats, Integers]:
    """A value for each unit, its offset taken off, NaN where no lesion has one; and the units (n,)."""
    unit = _as_they_come(owner.unit)
    plain = values if owner.offset is None else values - owner.offset
    found = np.full(int(unit.max(initial=-1)) + 1, np.nan)
    rows = np.flatnonzero(~np.isnan(plain))
    rows = rows[np.lexsort((plain[rows], unit[rows]))]
    codes, first, counts = np.unique(unit[rows], return_index=True, return_counts=True)
    found[codes] = plain[rows][first + (counts - 1) // 2]
    return found, unit


def _drawn(
    covariate: Covariate,
    owner: Owner | None,
    units: tuple[Units, ...],
    at: int,
    lines: slice,
    coding: Coding,
    penalty: Floats,
    coded: Floats,
) -> Drawn:
    values = covariate.values
    own, unit = (values, np.arange(len(values))) if owner is None else _of_units(values, owner)
    target = make_target(own, penalty, covariate.kind == "category")
    gaps = np.flatnonzero(np.isnan(own))
    lesions = np.flatnonzero(np.isnan(values))
    offset = None if owner is None else owner.offset
    siblings = make_siblings(units[at].means(coded), target.known, units[at].patient)
    place = np.searchsorted(gaps, unit[lesions])
    return Drawn(covariate, at, target, gaps, lesions, place, offset, lines, coding, siblings)
