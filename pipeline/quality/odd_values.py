"""Measurements that look written down rather than measured: rounded, zero for nothing, ages that cannot be."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
import polars as pl
from numpy.typing import NDArray

from models.digit_preference import DigitPreference, digit_preference
from pipeline.quality.measured_columns import MEASURED, Measured, Values
from pipeline.quality.odd_findings import Finding, Found, percent
from pipeline.quality.when_and_where import Places

Ints = NDArray[np.int64]

ROUGH = 125.0  # Whipple's index from which the United Nations' classes say "rough", from memory
CLOSE_TO_ROUGH = 110.0  # sites whose plain index, limits included, is lower are not looked at further; ours, no source
FEWEST_FOR_DIGITS = 100  # values, of all sites or of one; ours, no source
# The rest are ours, no source.
WHOLE_TENS = 0.98  # share of lengths that end in 0 from which all count as whole centimeters
FEWEST_FOR_AGES = 10
ZEROS, FEWEST_ZEROS = 0.01, 5  # share and number of exact zeros from which they are told
CHILD, OLDEST = 18, 105  # years
ODD_AGES = 0.02  # share of procedures at another age
USUAL_AGES = (50.0, 88.0)  # where the median age of such a service lies; common practice, no source


def digit_preferences(measurements: Sequence[Values], where: Places) -> Found:
    """Columns whose values end in 0 or 5 far too often: over all sites, else at single ones."""
    found: list[Finding] = []
    looks = 0
    for column in measurements:
        measured = column.measured
        if not measured.digits_told:
            continue
        steps = _steps(column)
        whole = _look(steps)
        looks += whole is not None
        if whole is not None and whole.index >= ROUGH:
            found.append(_preference(measured, whole, ""))
            continue
        if len(where.sites) > 1:
            candidates, sites = _sites_to_look_at(steps, column.site, len(where.sites))
            looks += sites
            for number in candidates:
                at_site = _look(steps[column.site == number])
                if at_site is not None and at_site.index >= ROUGH:
                    found.append(_preference(measured, at_site, where.sites[number]))
    return Found(tuple(found), looks).beyond_chance()


def zeros(frames: Mapping[str, pl.DataFrame]) -> Found:
    """Columns in which 0 seems to stand for "not recorded"."""
    found = []
    for measured in MEASURED:
        values = frames[measured.table][measured.name]
        recorded = len(values) - values.null_count()
        none = int((values == 0).sum())
        if measured.zero_is_odd and none >= FEWEST_ZEROS and none >= ZEROS * recorded:
            found.append(
                Finding(
                    "zero for nothing",
                    measured.table,
                    measured.name,
                    f"{none:,} of {recorded:,} {measured.plural} are exactly 0.",
                    f"Ask {measured.who} whether 0 means that it was not recorded; if so, leave the field empty.",
                    "share zero",
                    none / recorded,
                    recorded,
                    certainty="worth a look",
                )
            )
    return Found(tuple(found), len(MEASURED))


def odd_ages(frames: Mapping[str, pl.DataFrame]) -> Found:
    """Birth years that make the patients too young or too old."""
    procedures = frames["procedures"].select("patient_id", "procedure_date")
    born = frames["patients"].select("patient_id", "birth_year").drop_nulls()
    ages = procedures.join(born, on="patient_id").select(
        pl.col("procedure_date").dt.year().cast(pl.Int64) - pl.col("birth_year")
    )
    age = ages.to_series().to_numpy()
    if len(age) < FEWEST_FOR_AGES:
        return Found()
    odd = int(((age < CHILD) | (age > OLDEST)).sum())
    median = float(np.median(age))
    ask = "Ask the data manager how the year of birth is made: two digits, a default year, the year of admission?"
    told = ""
    if not USUAL_AGES[0] <= median <= USUAL_AGES[1]:
        told = f"The median age at the procedure is {median:.0f} years; {USUAL_AGES[0]:.0f} to {USUAL_AGES[1]:.0f} would be usual."
    elif odd >= FEWEST_ZEROS and odd >= ODD_AGES * len(age):
        told = f"At {odd:,} of {len(age):,} procedures the patient is under {CHILD} or over {OLDEST} years old."
    if not told:
        return Found((), 1)
    value = Finding(
        "odd ages",
        "patients",
        "birth_year",
        told,
        ask,
        "median age",
        median,
        len(age),
        certainty="worth a look",
        urgent=True,
    )
    return Found((value,), 1)


def _steps(column: Values) -> Ints:
    """The recorded values in whole steps of their last digit."""
    whole = column.values if column.measured.step == 1.0 else column.values / column.measured.step
    steps = np.rint(whole).astype(np.int64)
    # A dose that a machine tells in hundredths of a gray comes in tens of milligrays: its last digit is the one before.
    if column.measured.name == "air_kerma_mgy" and len(steps) and (steps % 10 == 0).all():
        steps //= 10
    return steps


def _look(steps: Ints) -> DigitPreference | None:
    return digit_preference(steps) if len(steps) >= FEWEST_FOR_DIGITS else None


def _sites_to_look_at(steps: Ints, site: NDArray[np.int32], sites: int) -> tuple[list[int], int]:
    """Sites with so many multiples of five that the index may be high, and how many sites have values enough."""
    placed = site + 1  # 0 for none
    n = np.bincount(placed, minlength=sites + 1)[1:]
    fives = np.bincount(placed[steps % 5 == 0], minlength=sites + 1)[1:]
    enough = n >= FEWEST_FOR_DIGITS
    return np.flatnonzero(enough & (500 * fives >= CLOSE_TO_ROUGH * n)).tolist(), int(enough.sum())


def _preference(measured: Measured, seen: DigitPreference, site: str) -> Finding:
    told = (
        f"{percent(seen.share_0)} of the {measured.plural} end in 0 and {percent(seen.share_5)} in 5, where about 10% each are "
        f"expected (index {seen.index:.0f}; 100 is none, 500 all)."
    )
    if seen.share_0 >= WHOLE_TENS and measured.name == "length_mm":
        told = f"{percent(seen.share_0)} of the lengths are whole centimeters."
    ask = f"Ask {measured.who} for the value as it was read, not rounded."
    if measured.name == "length_mm":
        ask += " A length that is rounded to 100 or 200 mm may land in the wrong length band."
    return Finding(
        "digit preference",
        measured.table,
        measured.name,
        told,
        ask,
        "preference index",
        seen.index,
        seen.n,
        site=site,
        chance=seen.p_value,
    )
