"""PROFILES: the lesion profiles that the approaches are compared within, one entry each."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import polars as pl
from numpy.typing import NDArray

from pipeline.bands import Level
from pipeline.features import Feature, feature, levels_of
from pipeline.plan import Plan


@dataclass(frozen=True, slots=True)
class Profile:
    """One way to part the lesions: by the levels of the category or flag `feature`, printed under `label`."""

    feature: str
    label: str


PROFILES: tuple[Profile, ...] = (
    Profile("length_band", "Length of the occlusion"),
    Profile("calcium", "Calcium"),
    Profile("proximal_cap", "Proximal cap"),
    Profile("distal_cap", "Distal cap"),
    Profile("prior_bypass", "Bypass graft on the target path"),
    Profile("segment", "Segment"),
    Profile("below_knee", "Below the knee"),
    Profile("in_stent", "Within a stent"),
    Profile("target_angiosome", "Target angiosome"),
    Profile("runoff_vessels", "Patent tibial vessels"),
    Profile("glass_stage", "GLASS stage"),
    Profile("renal", "Kidney function"),
)


@dataclass(frozen=True, slots=True)
class Cell:
    """The lesions of one profile. `key` is `feature=level` pairs joined with ";", `levels` the level of each pair as printed.

    `member` has one entry a lesion; a lesion whose level is not recorded is a member of no cell of that feature.
    """

    key: str
    feature_label: str
    level_label: str
    levels: tuple[str, ...]
    member: NDArray[np.bool_]


def profile(name: str) -> Profile:
    """The profile by the named feature; KeyError when there is none."""
    for candidate in PROFILES:
        if candidate.feature == name:
            return candidate
    raise KeyError(name)


def one_way_profiles(lesions: pl.DataFrame, plan: Plan) -> tuple[Cell, ...]:
    """A cell for every level of every profile of the plan, in order, levels that no lesion has included.

    `lesions` has the columns of derive. KeyError when the plan names a profile that is not in PROFILES.
    """
    chosen = tuple(profile(name) for name in plan.profiles) or PROFILES
    return tuple(
        Cell(
            f"{one.feature}={level.code}",
            one.label,
            level.label,
            (level.label,),
            _has(lesions, feature(one.feature), level),
        )
        for one in chosen
        for level in levels_of(feature(one.feature), plan, lesions)
    )


def length_calcium_cells(lesions: pl.DataFrame, plan: Plan) -> tuple[Cell, ...]:
    """A cell for every pair of length band and calcium level, shortest band first and least calcium first within it."""
    length, calcium = feature("length_band"), feature("calcium")
    return tuple(
        Cell(
            f"{length.name}={band.code};{calcium.name}={level.code}",
            f"{profile(length.name).label}; {profile(calcium.name).label.lower()}",
            f"{band.label}; {level.label}",
            (band.label, level.label),
            _has(lesions, length, band) & _has(lesions, calcium, level),
        )
        for band in levels_of(length, plan, lesions)
        for level in levels_of(calcium, plan, lesions)
    )


def _has(lesions: pl.DataFrame, trait: Feature, level: Level) -> NDArray[np.bool_]:
    recorded = lesions.get_column(trait.name).cast(pl.String)
    return (recorded == level.code).fill_null(False).to_numpy()
