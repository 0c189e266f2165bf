"""The known truth of an invented service: scores, chances and potential outcomes of every lesion, and the differences they make."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import polars as pl

from pipeline.case_tables import LESIONS, PATIENTS
from synthetic_data.approach import Choices
from synthetic_data.attempts import Course
from synthetic_data.chance import Flags, Ints, Reals
from synthetic_data.crossing import Chances
from synthetic_data.lesions import Lesions
from synthetic_data.tables import coded, keys

ENDPOINTS = ("first_approach_crossed", "crossed_in_session")
POPULATIONS = ("overlap", "all", "treated")
LENGTH_BANDS_MM = (100.0, 200.0)  # a limit belongs to the longer band
LENGTH_BANDS = ("under_100", "100_to_199", "200_or_more")
FLAG = ("false", "true")
CALCIUM = ("none", "mild", "moderate", "severe")


@dataclass(frozen=True, slots=True)
class TrueRisk:
    """Risks (fractions) were every lesion of a population started from below, and from above.

    `population` is "overlap" (weighted by e(1-e), e the true score), "all", "treated" (weighted by e) or "observed": the crude
    rates, which are no causal truth. `profile` is "all" or "feature=level".
    """

    endpoint: str
    population: str
    profile: str
    lesions: int
    risk_retrograde: float
    risk_antegrade: float

    @property
    def difference(self) -> float:
        """Risk difference, retrograde minus antegrade."""
        return self.risk_retrograde - self.risk_antegrade


@dataclass(frozen=True, slots=True)
class TruthSummary:
    """True risks by endpoint, population and profile, with the crude rates beside them."""

    scenario: str
    seed: int
    risks: tuple[TrueRisk, ...]

    def risk(self, endpoint: str, population: str, profile: str = "all") -> TrueRisk:
        """The named entry; KeyError when there is none."""
        for risk in self.risks:
            if (risk.endpoint, risk.population, risk.profile) == (endpoint, population, profile):
                return risk
        raise KeyError((endpoint, population, profile))

    def difference(self, endpoint: str, population: str, profile: str = "all") -> float:
        """Risk difference, retrograde minus antegrade, of the named entry."""
        return self.risk(endpoint, population, profile).difference


def truth_frame(
    choices: Choices, chances: Chances, above: Course, below: Course, lesions: Lesions, renal: Ints
) -> pl.DataFrame:
    """One row a lesion: the score, the chances and outcomes under each start, and its profile before values went missing.

    `no_access_probability` is the chance that a puncture below gives no usable wire position; `hidden_look` is in no table. `renal` has one
    entry a lesion. Profile columns are text, named and coded as the features that the pipeline derives.
    """
    n = len(lesions.session)
    band = np.searchsorted(np.asarray(LENGTH_BANDS_MM), lesions.length_mm, side="right")
    return pl.DataFrame(
        {
            "lesion_id": keys("L", np.arange(n), n),
            "started_from_below": choices.from_below,
            "probability_below": choices.probability_below,
            "operator_earlier_below": choices.experience,
            "no_access_probability": chances.no_access,
            "hidden_look": lesions.hidden_look,
            "first_if_above_probability": chances.crossing(from_below=False),
            "first_if_below_probability": chances.crossing(from_below=True),
            "first_if_above": above.crossed[0],
            "first_if_below": below.crossed[0],
            "session_if_above_probability": above.session_probability,
            "session_if_below_probability": below.session_probability,
            "session_if_above": above.crossed_in_session,
            "session_if_below": below.crossed_in_session,
            "length_band": _level(LENGTH_BANDS, band),
            "calcium": _level(CALCIUM, lesions.calcium),
            "proximal_cap": coded(LESIONS.column("proximal_cap"), lesions.convex_proximal.astype(np.int64)),
            "distal_cap": coded(LESIONS.column("distal_cap"), 1 - lesions.concave_distal.astype(np.int64)),
            "prior_bypass": coded(LESIONS.column("prior_bypass"), lesions.prior_bypass),
            "segment": coded(LESIONS.column("segment"), lesions.segment),
            "below_knee": _level(FLAG, lesions.below_knee.astype(np.int64)),
            "in_stent": _level(FLAG, lesions.in_stent.astype(np.int64)),
            "target_angiosome": coded(LESIONS.column("target_angiosome"), lesions.angiosome),
            "runoff_vessels": _level(("0", "1", "2", "3"), lesions.runoff),
            "renal": coded(PATIENTS.column("renal"), renal),
        }
    )


def _level(levels: tuple[str, ...], positions: Ints) -> pl.Series:
    return pl.Series(levels).gather(pl.Series(positions))


PROFILE_COLUMNS = (
    "length_band",
    "calcium",
    "proximal_cap",
    "distal_cap",
    "prior_bypass",
    "segment",
    "below_knee",
    "in_stent",
    "target_angiosome",
    "runoff_vessels",
    "renal",
)


def summarize(truth: pl.DataFrame, scenario: str, seed: int) -> TruthSummary:
    """True risks of every population, for all lesions and each one-way profile, and the crude rates."""
    n = truth.height
    score = truth["probability_below"].to_numpy()
    taken = truth["started_from_below"].to_numpy()
    weights = {"overlap": score * (1.0 - score), "all": np.ones(n), "treated": score}
    members: dict[str, Flags] = {"all": np.ones(n, dtype=np.bool_)}
    for column in PROFILE_COLUMNS:
        values = truth[column]
        for level in values.drop_nulls().unique().sort():
            members[f"{column}={level}"] = (values == level).fill_null(value=False).to_numpy()
    risks: list[TrueRisk] = []
    for endpoint, part in zip(ENDPOINTS, ("first", "session"), strict=True):
        if_above, if_below = (truth[f"{part}_if_{start}_probability"].to_numpy() for start in ("above", "below"))
        was_above, was_below = (truth[f"{part}_if_{start}"].to_numpy() for start in ("above", "below"))
        for profile, here in members.items():
            size = int(here.sum())
            for population in POPULATIONS:
                weight = weights[population][here]
                risks.append(
                    TrueRisk(
                        endpoint,
                        population,
                        profile,
                        size,
                        _mean(if_below[here], weight),
                        _mean(if_above[here], weight),
                    )
                )
            from_below, from_above = here & taken, here & ~taken
            if from_below.any() and from_above.any():
                crude = (float(was_below[from_below].mean()), float(was_above[from_above].mean()))
                risks.append(TrueRisk(endpoint, "observed", profile, size, *crude))
    return TruthSummary(scenario, seed, tuple(risks))


def _mean(values: Reals, weights: Reals) -> float:
    return float((values * weights).sum() / weights.sum())
