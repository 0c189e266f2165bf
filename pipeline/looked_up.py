"""What the rules across tables look at beside a row: values of other rows, found by a key that the row has.

Each function gives a frame with one row for each value of its key columns, the first ones. Keys of which a rule has nothing to say are
left out where that is cheap, so that a sound export has little to look up.
"""

from __future__ import annotations

from typing import Protocol

import polars as pl


class Tables(Protocol):
    """The tables while they are checked. Each call gives the named columns only, or all of them when none is named."""

    def read(self, name: str, *columns: str) -> pl.DataFrame:
        """Every row that could be read, whatever has become of it."""

    def used(self, name: str, *columns: str) -> pl.DataFrame:
        """The rows that are not set aside so far."""


def numbers_given_twice(tables: Tables) -> pl.DataFrame:
    """Lesion and attempt number, where several attempts (`so_numbered`) share them."""
    numbers = tables.used("attempts", "lesion_id", "attempt_no")
    numbers = numbers.filter(numbers["lesion_id"].is_duplicated())  # most lesions have one attempt
    return numbers.group_by("lesion_id", "attempt_no").agg(so_numbered=pl.len()).filter(pl.col("so_numbered") > 1)


def first_after_a_gap(tables: Tables) -> pl.DataFrame:
    """Lesion, and its first attempt number above 1 that has none right before it (`first_after_a_gap`).

    Of every attempt read: one that was set aside for another reason was made all the same, and leaves no gap.
    """
    number = pl.col("attempt_no")
    numbers = tables.read("attempts", "lesion_id", "attempt_no").drop_nulls()
    later = numbers.filter(number > 1).select("lesion_id").unique()
    numbers = numbers.join(later, on="lesion_id", how="semi")
    with_gap = numbers.group_by("lesion_id").agg(last=number.max(), kinds=number.n_unique())
    # Only the few with a gap are looked at number by number.
    with_gap = with_gap.filter(pl.col("last") != pl.col("kinds"))
    numbers = numbers.join(with_gap, on="lesion_id", how="semi")
    before = numbers.select("lesion_id", number + 1)
    after_gap = numbers.filter(number > 1).join(before, on=["lesion_id", "attempt_no"], how="anti")
    return after_gap.group_by("lesion_id").agg(first_after_a_gap=number.min())


def crossed_for_good(tables: Tables) -> pl.DataFrame:
    """Lesion with several attempts, and the first that crossed alone and gives no other reason why it ended (`crossed_at`)."""
    attempts = tables.used("attempts", "lesion_id", "attempt_no", "crossed", "stopped_because", "rendezvous")
    later = attempts.filter(pl.col("attempt_no") > 1).select("lesion_id").unique()
    no_other_reason = pl.col("stopped_because").is_null() | (pl.col("stopped_because") == "crossed")
    alone = pl.col("rendezvous").is_null() | (pl.col("rendezvous") == "none")
    crossed = attempts.filter(pl.col("crossed") & no_other_reason & alone).join(later, on="lesion_id", how="semi")
    return crossed.group_by("lesion_id").agg(crossed_at=pl.col("attempt_no").min())


def first_procedures_read(tables: Tables) -> pl.DataFrame:
    """Patient, and the date of the first procedure (`first_procedure`), be it set aside: what followed it, followed it."""
    return _first(tables.read("procedures", "patient_id", "procedure_date").drop_nulls())


def first_procedures_used(tables: Tables) -> pl.DataFrame:
    """Patient, and the date of the first procedure that is used (`first_procedure`)."""
    return _first(tables.used("procedures", "patient_id", "procedure_date"))


def _first(procedures: pl.DataFrame) -> pl.DataFrame:
    return procedures.group_by("patient_id").agg(first_procedure=pl.col("procedure_date").min())


def treatment_of_lesions(tables: Tables) -> pl.DataFrame:
    """Lesion with follow-up of its own; whose it is (`patient_of_lesion`), its side (`side_of_lesion`), when treated (`lesion_treated`)."""
    followed = tables.used("follow_up", "lesion_id").drop_nulls().unique()
    lesions = tables.used("lesions", "lesion_id", "procedure_id").join(followed, on="lesion_id", how="semi")
    procedures = tables.used("procedures", "procedure_id", "patient_id", "side", "procedure_date")
    return lesions.join(procedures, on="procedure_id").select(
        "lesion_id", patient_of_lesion="patient_id", side_of_lesion="side", lesion_treated="procedure_date"
    )


def deaths(tables: Tables) -> pl.DataFrame:
    """Patient who died, and the first date on which that is recorded (`death`)."""
    events = tables.used("follow_up", "patient_id", "event", "event_date").filter(pl.col("event") == "death")
    return events.group_by("patient_id").agg(death=pl.col("event_date").min())


def deaths_after_harm(tables: Tables) -> pl.DataFrame:
    """Procedure with a complication, and when its patient died (`death`)."""
    harmed = tables.used("complications", "procedure_id").unique()
    procedures = tables.used("procedures", "procedure_id", "patient_id").join(harmed, on="procedure_id", how="semi")
    return procedures.join(deaths(tables), on="patient_id").select("procedure_id", "death")


def procedure_dates(tables: Tables) -> pl.DataFrame:
    """Procedure and its date (`procedure_date`)."""
    return tables.used("procedures", "procedure_id", "procedure_date")


def procedures_of_attempts(tables: Tables) -> pl.DataFrame:
    """Attempt with a complication tied to it, and the procedure it was made in (`procedure_of_attempt`)."""
    blamed = tables.used("complications", "attempt_id").drop_nulls().unique()
    attempts = tables.used("attempts", "attempt_id", "lesion_id").join(blamed, on="attempt_id", how="semi")
    lesions = tables.used("lesions", "lesion_id", "procedure_id")
    return attempts.join(lesions, on="lesion_id").select("attempt_id", procedure_of_attempt="procedure_id")


def birth_years(tables: Tables) -> pl.DataFrame:
    """Patient and `birth_year`, where it is recorded."""
    return tables.used("patients", "patient_id", "birth_year").drop_nulls()


def minutes_of_procedures(tables: Tables) -> pl.DataFrame:
    """Procedure, the minutes of its attempts added up (`minutes_together`), and those of the longest (`longest_attempt`)."""
    attempts = tables.used("attempts", "lesion_id", "minutes").drop_nulls()
    lesions = tables.used("lesions", "lesion_id", "procedure_id")
    minutes = attempts.join(lesions, on="lesion_id").group_by("procedure_id")
    return minutes.agg(minutes_together=pl.col("minutes").sum(), longest_attempt=pl.col("minutes").max())


def durations_by_lesion(tables: Tables) -> pl.DataFrame:
    """Lesion, and the `duration_min` of its procedure, where it is recorded."""
    durations = tables.used("procedures", "procedure_id", "duration_min").drop_nulls()
    lesions = tables.used("lesions", "lesion_id", "procedure_id")
    return lesions.join(durations, on="procedure_id").select("lesion_id", "duration_min")


def places_of_lesions(tables: Tables) -> pl.DataFrame:
    """Lesion, its `segment` and `prior_bypass`."""
    return tables.used("lesions", "lesion_id", "segment", "prior_bypass")


def earlier_revascularization(tables: Tables) -> pl.DataFrame:
    """Procedure and `prior_revascularization` of its limb, where it is recorded."""
    return tables.used("procedures", "procedure_id", "prior_revascularization").drop_nulls()


def lesions_alike(tables: Tables) -> pl.DataFrame:
    """Lesion with a length, and how many of its procedure equal it in every column but the key (`alike`, 2 at least)."""
    place = ["procedure_id", "segment", "length_mm"]
    places = tables.used("lesions", *place).drop_nulls().group_by(place).len().filter(pl.col("len") > 1)
    # Only the few of one place and length are looked at in every column.
    same = tables.used("lesions").join(places, on=place, how="semi").group_by(pl.exclude("lesion_id"))
    alike = same.agg("lesion_id", alike=pl.len()).filter(pl.col("alike") > 1)
    return alike.select("lesion_id", "alike").explode("lesion_id")


def procedures_after_a_fatal_one(tables: Tables) -> pl.DataFrame:
    """Procedure with a fatal complication, its date (`procedure_date`), and that of the patient's last one (`last_procedure`)."""
    fatal = tables.used("complications", "procedure_id", "severity").filter(pl.col("severity") == "death")
    procedures = tables.used("procedures", "procedure_id", "patient_id", "procedure_date")
    of_fatal = procedures.join(fatal.select("procedure_id").unique(), on="procedure_id", how="semi")
    of_patients = procedures.join(of_fatal, on="patient_id", how="semi").group_by("patient_id")
    last = of_patients.agg(last_procedure=pl.col("procedure_date").max())
    return of_fatal.join(last, on="patient_id").select("procedure_id", "procedure_date", "last_procedure")
