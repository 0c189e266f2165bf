"""The rules between rows and between tables, as data: a sentence, and the expression that is true where it is broken.

Whether a rule sets a row aside, blanks a value or only warns follows from what the row would do if it were used. A row is set
aside when the comparison or the follow-up would be wrong with it; a value is blanked when it alone is impossible; and a warning
is given where something is odd but may be true, or where one cannot tell which of two tables is wrong. To add a rule, add it
here with the values that it needs beside the row.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass

import polars as pl

from pipeline import looked_up
from pipeline.looked_up import Tables
from pipeline.rules import Rule

ADULT_FROM_YEARS = 18  # a threatened limb from artery disease is one of adults; common practice, no source

# Where a needle can enter so that the wire comes down on the occlusion from above: at its own level or nearer the heart, on the way to it.
# Arteries and their order are those of any atlas; which level counts as "at" is common practice, no source.
_FROM_GROIN_OR_ARM = ("common_femoral_ipsilateral", "common_femoral_contralateral", "radial", "brachial")
_FROM_THIGH = (*_FROM_GROIN_OR_ARM, "superficial_femoral")
_FROM_KNEE = (*_FROM_THIGH, "popliteal")
ABOVE: Mapping[str, tuple[str, ...]] = {
    "superficial_femoral": _FROM_THIGH,
    "popliteal": _FROM_KNEE,
    "tibioperoneal_trunk": _FROM_KNEE,
    "anterior_tibial": (*_FROM_KNEE, "anterior_tibial"),
    "posterior_tibial": (*_FROM_KNEE, "posterior_tibial"),
    "peroneal": (*_FROM_KNEE, "peroneal"),
    "dorsalis_pedis": (*_FROM_KNEE, "anterior_tibial", "dorsalis_pedis"),
    "plantar": (*_FROM_KNEE, "posterior_tibial", "plantar"),
}
# Where it can enter so that the wire comes up on the occlusion along the artery itself. Another artery of the calf leads there
# only through collaterals or the arch: the anterior tibial artery leaves above the trunk, and the peroneal ends at the ankle.
_FOOT_OF_ANTERIOR = ("dorsalis_pedis", "metatarsal")
_FOOT_OF_POSTERIOR = ("plantar", "metatarsal")
_CALF_AND_FOOT = ("anterior_tibial", "posterior_tibial", "peroneal", "dorsalis_pedis", "plantar", "metatarsal")
BEYOND: Mapping[str, tuple[str, ...]] = {
    "superficial_femoral": ("superficial_femoral", "popliteal", *_CALF_AND_FOOT),
    "popliteal": ("popliteal", *_CALF_AND_FOOT),
    "tibioperoneal_trunk": ("posterior_tibial", "peroneal", *_FOOT_OF_POSTERIOR),
    "anterior_tibial": ("anterior_tibial", *_FOOT_OF_ANTERIOR),
    "posterior_tibial": ("posterior_tibial", *_FOOT_OF_POSTERIOR),
    "peroneal": ("peroneal",),
    "dorsalis_pedis": _FOOT_OF_ANTERIOR,
    "plantar": _FOOT_OF_POSTERIOR,
}
ROUND = ("transcollateral", "pedal_arch", "through_bypass")  # routes that reach the far end from anywhere


@dataclass(frozen=True, slots=True)
class Across:
    """Rules of one table that need values from other rows.

    `beside` gives these values, one row for each value of `by`, columns that the table has too; a row of the table for which there is
    none breaks no rule. `among` says which rows can break one at all, as far as their own columns tell: the others are not looked up.
    """

    table: str
    by: tuple[str, ...]
    beside: Callable[[Tables], pl.DataFrame]
    rules: tuple[Rule, ...]
    among: pl.Expr | None = None


def _not_at(sites: Mapping[str, tuple[str, ...]]) -> pl.Expr:
    segment, site = pl.col("segment"), pl.col("access_site")
    return pl.any_horizontal(*((segment == name) & ~site.is_in(allowed) for name, allowed in sites.items()))


_RETROGRADE = pl.col("approach") == "retrograde"
_GOES_ROUND = pl.col("route").is_in(ROUND).fill_null(value=False)
_NO_RENDEZVOUS = pl.col("rendezvous").is_null() | (pl.col("rendezvous") == "none")

# In the order in which they are looked at: each sees the rows that those before it left in use.
ACROSS: tuple[Across, ...] = (
    # Hard: which of the two came first cannot be known, and the comparison is between first attempts.
    Across(
        "attempts",
        ("lesion_id", "attempt_no"),
        looked_up.numbers_given_twice,
        (Rule("another attempt on its lesion has the same attempt_no", pl.col("so_numbered") > 1),),
    ),
    # Hard: what was tried before it, and by which approach, is not known, so it would be compared as what it is not.
    Across(
        "attempts",
        ("lesion_id",),
        looked_up.first_after_a_gap,
        (Rule("an attempt before it on its lesion is missing", pl.col("attempt_no") >= pl.col("first_after_a_gap")),),
        among=pl.col("attempt_no") > 1,
    ),
    # Hard: nobody crosses what is crossed; the order or one of the two outcomes is wrong. A lumen that was reached and lost again
    # is told by stopped_because of the attempt that crossed; a second wire that met the first, by rendezvous of either attempt: a wire
    # snared from below is followed by work from above over the same wire.
    Across(
        "attempts",
        ("lesion_id",),
        looked_up.crossed_for_good,
        (
            Rule(
                "an earlier attempt on its lesion crossed, and neither stopped_because nor rendezvous says why it went on",
                pl.col("attempt_no") > pl.col("crossed_at"),
            ),
        ),
        among=(pl.col("attempt_no") > 1) & _NO_RENDEZVOUS,
    ),
    # Hard, all three: the event would be counted for a limb or a lesion that it is not of.
    Across(
        "follow_up",
        ("lesion_id",),
        looked_up.treatment_of_lesions,
        (
            Rule("its lesion is another patient's", pl.col("patient_id") != pl.col("patient_of_lesion")),
            Rule("its side is not that of its lesion's procedure", pl.col("side") != pl.col("side_of_lesion")),
            Rule("event_date is before its lesion's procedure", pl.col("event_date") < pl.col("lesion_treated")),
        ),
        among=pl.col("lesion_id").is_not_null(),
    ),
    # Hard: it is no follow-up of anything in these tables.
    Across(
        "follow_up",
        ("patient_id",),
        looked_up.first_procedures_read,
        (Rule("event_date is before the patient's first procedure", pl.col("event_date") < pl.col("first_procedure")),),
    ),
    # Hard: a death is last. Its row is one that broke no rule above, or a slip in its date would take all the rest with it.
    Across(
        "follow_up",
        ("patient_id",),
        looked_up.deaths,
        (Rule("event_date is after the patient's death", pl.col("event_date") > pl.col("death")),),
    ),
    # The year alone is impossible: age becomes unknown, and the patient's procedures stay.
    Across(
        "patients",
        ("patient_id",),
        looked_up.first_procedures_used,
        (
            Rule(
                "birth_year is after the year of the patient's first procedure",
                pl.col("birth_year") > pl.col("first_procedure").dt.year(),
                "value",
                "birth_year",
            ),
        ),
        among=pl.col("birth_year").is_not_null(),
    ),
    # The harm itself must not vanish from the count of complications: its date goes, or what ties it to an attempt.
    Across(
        "complications",
        ("procedure_id",),
        looked_up.procedure_dates,
        (
            Rule(
                "complication_date is before the procedure",
                pl.col("complication_date") < pl.col("procedure_date"),
                "value",
                "complication_date",
            ),
        ),
        among=pl.col("complication_date").is_not_null(),
    ),
    Across(
        "complications",
        ("attempt_id",),
        looked_up.procedures_of_attempts,
        (
            Rule(
                "its attempt belongs to another procedure",
                pl.col("procedure_id") != pl.col("procedure_of_attempt"),
                "value",
                "attempt_id",
            ),
        ),
        among=pl.col("attempt_id").is_not_null(),
    ),
    # Soft: the procedure took place; the year of birth or the date of death is as likely to be the wrong one.
    Across(
        "procedures",
        ("patient_id",),
        looked_up.birth_years,
        (
            Rule(
                f"the patient was not yet {ADULT_FROM_YEARS} years old",
                pl.col("procedure_date").dt.year() - pl.col("birth_year") < ADULT_FROM_YEARS,
                "warning",
            ),
        ),
    ),
    Across(
        "procedures",
        ("patient_id",),
        looked_up.deaths,
        (Rule("procedure_date is after the patient's death", pl.col("procedure_date") > pl.col("death"), "warning"),),
    ),
    # Soft: minutes are estimated on the table, and neither time decides who is compared with whom. The second is told only where the
    # first is not, which it would follow from.
    Across(
        "attempts",
        ("lesion_id",),
        looked_up.durations_by_lesion,
        (Rule("minutes exceed the procedure's duration_min", pl.col("minutes") > pl.col("duration_min"), "warning"),),
        among=pl.col("minutes").is_not_null(),
    ),
    Across(
        "procedures",
        ("procedure_id",),
        looked_up.minutes_of_procedures,
        (
            Rule(
                "the minutes of its attempts together exceed duration_min",
                (pl.col("minutes_together") > pl.col("duration_min"))
                & (pl.col("longest_attempt") <= pl.col("duration_min")),
                "warning",
            ),
        ),
        among=pl.col("duration_min").is_not_null(),
    ),
    # Soft: two short occlusions of one artery can be alike, though hardly to the millimeter and in every grade.
    Across(
        "lesions",
        ("lesion_id",),
        looked_up.lesions_alike,
        (
            Rule(
                "another lesion of its procedure is recorded with the very same values", pl.col("alike") > 1, "warning"
            ),
        ),
        among=pl.col("length_mm").is_not_null(),
    ),
    # Soft: a graft says itself that there was a bypass; which of the two tables is wrong is not known.
    Across(
        "lesions",
        ("procedure_id",),
        looked_up.earlier_revascularization,
        (
            Rule(
                "prior_bypass tells of a graft, but prior_revascularization of no bypass",
                pl.col("prior_revascularization").is_in(["none", "endovascular"]),
                "warning",
            ),
        ),
        among=pl.col("prior_bypass").is_in(["patent", "occluded"]),
    ),
    # Soft: arteries vary, and the approach is what the operator calls it. Most often a groin punctured against the stream is taken for an
    # approach from below.
    Across(
        "attempts",
        ("lesion_id",),
        looked_up.places_of_lesions,
        (
            Rule(
                "an antegrade attempt's access_site is not above its lesion", ~_RETROGRADE & _not_at(ABOVE), "warning"
            ),
            Rule(
                "a retrograde attempt's access_site is not beyond its lesion on the same artery, and its route goes round by no other",
                _RETROGRADE & _not_at(BEYOND) & ~_GOES_ROUND,
                "warning",
            ),
            Rule(
                "route is through_bypass, but its lesion has no bypass",
                (pl.col("route") == "through_bypass") & (pl.col("prior_bypass") == "none"),
                "warning",
            ),
        ),
        among=(~_RETROGRADE & ~pl.col("access_site").is_in(_FROM_GROIN_OR_ARM))
        | (_RETROGRADE & ~_GOES_ROUND)
        | (pl.col("route") == "through_bypass"),
    ),
    # Soft: the complication took place; its severity or the later dates may be wrong.
    Across(
        "complications",
        ("procedure_id",),
        looked_up.procedures_after_a_fatal_one,
        (
            Rule(
                "severity is death, but the patient had a later procedure",
                pl.col("last_procedure") > pl.col("procedure_date"),
                "warning",
            ),
        ),
        among=pl.col("severity") == "death",
    ),
    Across(
        "complications",
        ("procedure_id",),
        looked_up.deaths_after_harm,
        (
            Rule(
                "complication_date is after the patient's death",
                pl.col("complication_date") > pl.col("death"),
                "warning",
            ),
        ),
        among=pl.col("complication_date").is_not_null(),
    ),
)
