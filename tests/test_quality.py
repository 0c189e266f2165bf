"""The data-quality summary: what is planted is found and told, what is clean is left alone, nothing is lost or given away."""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import asdict, replace
from datetime import date, timedelta

import polars as pl
import pytest

from models.quality_results import SMALLEST_GROUP, Oddity, QualitySummary
from pipeline.case_tables import PSEUDONYM_COLUMNS, TABLES
from pipeline.check import check
from pipeline.identity import key_number, pseudonymize
from pipeline.quality.advice import UNKNOWN, advice
from pipeline.quality.summary import Quality, summarize
from pipeline.rules import (
    NO_PARENT,
    OFF_SCALE,
    PARENT_SET_ASIDE,
    SAME_ROW_TWICE,
    across_columns,
    conflicting_key,
    conflicting_value,
    not_after,
    unusable_values,
)
from pipeline.rules_across import ACROSS
from synthetic_data.rows import valid_tables
from tests.planted_oddities import AT_SITE2, BY_DESIGN, LATE, Tables, changed, clean, on_procedure, where

KEY = b"a key for tests, of no use elsewhere"
PSEUDONYM = re.compile(r"\b(?:p|s|l|a|c|f|op)_[0-9a-f]{16}\b")


def quality(tables: Tables) -> Quality:
    return summarize(check(tables))


def found(tables: Tables) -> list[Oddity]:
    """What looks odd, less what the invented service has by design."""
    return [o for o in quality(tables).summary.oddities if (o.kind, o.column) not in BY_DESIGN]


# Clean exports


@pytest.mark.parametrize("seed", range(1, 9))
@pytest.mark.parametrize("cases", [150, 1000])
def test_a_clean_service_shows_nothing_odd_but_what_was_designed_into_it(cases: int, seed: int) -> None:
    assert found(clean(cases, seed)) == []


@pytest.mark.long
def test_of_120_further_clean_services_at_most_one_shows_anything_odd() -> None:
    alarms = {(seed, cases): found(clean(cases, seed)) for seed in range(9000, 9040) for cases in (120, 400, 1500)}
    told = {key: [(o.kind, o.column) for o in odd] for key, odd in alarms.items() if odd}
    print(f"{len(alarms)} clean services, false alarms: {told}")
    assert len(told) <= 1


def test_both_things_that_were_designed_into_the_service_are_found() -> None:
    odd = {(o.kind, o.column): o for o in quality(clean()).summary.oddities}
    assert set(odd) == BY_DESIGN
    scale = odd["coding change", "calcium_scale"]
    assert (scale.site, scale.quarter) == ("SITE2", "2024 Q1")
    assert not scale.urgent  # each grade is read on its own scale
    assert odd["never filled in", "planned_approach"].site == "SITE1"


@pytest.mark.parametrize("order", ["by site", "by length", "shuffled"])
def test_the_order_of_a_file_is_not_odd_in_itself(order: str) -> None:
    tables = clean()
    if order == "by site":
        tables["procedures"] = tables["procedures"].sort("site_id", "procedure_date")
    elif order == "by length":
        tables["lesions"] = tables["lesions"].sort("length_mm", maintain_order=True)
    else:
        tables = {name: frame.sample(fraction=1, shuffle=True, seed=3) for name, frame in tables.items()}
    assert found(tables) == []


# Planted oddities, each with how it must be told: (kind, table, column, site, quarter)


def rounded(share: float, step: float) -> pl.Expr:
    """Every so many lengths rounded to whole steps."""
    some = pl.int_range(pl.len()) % 100 < share * 100
    return pl.when(some).then((pl.col("length_mm") / step).round() * step).otherwise("length_mm")


def copied_rows() -> Tables:
    tables = clean()
    frame = tables["lesions"].with_row_index()
    source = (
        pl.when(pl.col("index").is_in([101, 301, 501, 701, 901, 1101, 1301]))
        .then(pl.col("index") - 1)
        .otherwise("index")
    )
    copy = frame.select(source.alias("from")).to_series()
    kept = [c for c in frame.columns if c not in ("index", "lesion_id", "procedure_id")]
    return tables | {"lesions": frame.with_columns(frame[copy].select(kept)).drop("index")}


def entered_twice() -> Tables:
    tables = clean()
    again = tables["procedures"][[10, 500, 900]].with_columns(
        procedure_id=pl.concat_str(pl.lit("again-"), "procedure_id"),
        patient_id=pl.Series(tables["patients"]["patient_id"][[3, 4, 5]]),
    )
    return tables | {"procedures": pl.concat([tables["procedures"], again])}


def same_day() -> Tables:
    tables = clean()
    again = tables["procedures"][:20].with_columns(
        procedure_id=pl.concat_str(pl.lit("again-"), "procedure_id"), duration_min=pl.lit(61.0)
    )
    return tables | {"procedures": pl.concat([tables["procedures"], again])}


def without_weeks() -> Tables:
    gone = pl.col("procedure_date").is_between(date(2024, 5, 10), date(2024, 7, 20)) & AT_SITE2
    tables = clean()
    return tables | {"procedures": tables["procedures"].filter(~gone)}


def ends_early() -> Tables:
    tables = clean()
    return tables | {
        "procedures": tables["procedures"].filter(~(AT_SITE2 & (pl.col("procedure_date") > date(2025, 6, 30))))
    }


def failures_gone(condition: pl.Expr) -> Tables:
    return where("attempts", condition, crossed=pl.lit(value=True), stopped_because=pl.lit("crossed"))


def at_many_sites(tables: Tables) -> Tables:
    site = pl.concat_str(pl.lit("S"), (pl.int_range(pl.len()) % 15).cast(pl.String))
    return tables | {"procedures": tables["procedures"].with_columns(site_id=site)}


nothing = pl.lit(None)
DAY = pl.col("procedure_date")
EVERY_SIXTH = pl.int_range(pl.len()) % 6 == 0

PLANTED: dict[str, tuple[Callable[[], Tables], tuple[str, str, str, str, str]]] = {
    "lengths rounded to whole centimeters": (
        lambda: changed("lesions", length_mm=rounded(1.0, 10)),
        ("digit preference", "lesions", "length_mm", "", ""),
    ),
    "every third length rounded to five millimeters": (
        lambda: changed("lesions", length_mm=rounded(0.34, 5)),
        ("digit preference", "lesions", "length_mm", "", ""),
    ),
    "one site's indices in tenths": (
        lambda: where("procedures", AT_SITE2, abi=pl.col("abi").round(1)),
        ("digit preference", "procedures", "abi", "", ""),
    ),
    "procedure times in steps of five minutes": (
        lambda: changed("procedures", duration_min=(pl.col("duration_min") / 5).round() * 5),
        ("digit preference", "procedures", "duration_min", "", ""),
    ),
    "attempt minutes in steps of five": (
        lambda: changed("attempts", minutes=(pl.col("minutes") / 5).round() * 5),
        ("digit preference", "attempts", "minutes", "", ""),
    ),
    "lengths in centimeters": (
        lambda: changed("lesions", length_mm=pl.col("length_mm") / 10),
        ("doubtful unit", "lesions", "length_mm", "", ""),
    ),
    "one site's kerma in gray from one quarter on": (
        lambda: where("procedures", AT_SITE2 & LATE, air_kerma_mgy=pl.col("air_kerma_mgy") / 1000),
        ("doubtful unit", "procedures", "air_kerma_mgy", "SITE2", "2024 Q4"),
    ),
    "one site's fluoroscopy in seconds": (
        lambda: where("procedures", AT_SITE2, fluoroscopy_min=(pl.col("fluoroscopy_min") * 20).round()),
        ("doubtful unit", "procedures", "fluoroscopy_min", "SITE2", ""),
    ),
    "a length filled down": (
        lambda: changed("lesions", length_mm=pl.when(pl.int_range(pl.len()).is_between(600, 611)).then(137.0).otherwise("length_mm")),
        ("copied down", "lesions", "length_mm", "", ""),
    ),
    "rows copied under a new key": (copied_rows, ("rows copied", "lesions", "", "", "")),
    "procedures entered twice": (entered_twice, ("entered twice", "procedures", "", "", "")),
    "two procedures of one limb on a day": (same_day, ("same day", "procedures", "procedure_date", "", "")),
    "dates shifted over the week": (
        lambda: changed("procedures", procedure_date=DAY + pl.duration(days=pl.int_range(pl.len()) % 7)),
        ("weekends", "procedures", "procedure_date", "", ""),
    ),
    "days unknown and written as the first": (
        lambda: changed("procedures", procedure_date=pl.when(EVERY_SIXTH).then(DAY.dt.month_start()).otherwise(DAY)),
        ("day of the month", "procedures", "procedure_date", "", ""),
    ),
    "years alone known and written as January 1": (
        lambda: changed(
            "procedures",
            procedure_date=pl.when(pl.int_range(pl.len()) % 60 == 0).then(pl.date(DAY.dt.year(), 1, 1)).otherwise(DAY),
        ),
        ("New Year's Day", "procedures", "procedure_date", "", ""),
    ),
    "ten weeks missing from one site": (
        without_weeks,
        ("weeks without a procedure", "procedures", "procedure_date", "SITE2", "2024 Q2"),
    ),
    "one site not exported to the end": (ends_early, ("ends early", "procedures", "procedure_date", "SITE2", "2025 Q2")),
    "a column that empties": (
        lambda: where("lesions", AT_SITE2 & LATE, proximal_cap=nothing),
        ("sudden gap", "lesions", "proximal_cap", "SITE2", "2024 Q4"),
    ),
    "a column that empties everywhere": (
        lambda: where("lesions", LATE, runoff_vessels=nothing),
        ("sudden gap", "lesions", "runoff_vessels", "", "2024 Q4"),
    ),
    "gaps filled with an answer": (
        lambda: where("procedures", AT_SITE2 & LATE, toe_pressure_mmhg=pl.col("toe_pressure_mmhg").fill_null(35.0)),
        ("gap closed", "procedures", "toe_pressure_mmhg", "SITE2", "2024 Q4"),
    ),
    "a column that one site never fills in": (
        lambda: where("attempts", AT_SITE2, sheath=nothing),
        ("never filled in", "attempts", "sheath", "SITE2", ""),
    ),
    "a column that nobody fills in": (
        lambda: changed("patients", smoking=nothing),
        ("never filled in", "patients", "smoking", "", ""),
    ),
    "one code taken for another from one quarter on": (
        lambda: where("attempts", AT_SITE2 & LATE, guidance=pl.lit("fluoroscopy_contrast")),
        ("coding change", "attempts", "guidance", "SITE2", "2024 Q4"),
    ),
    "a code that is no longer used": (
        lambda: where("procedures", LATE, urgency=pl.lit("elective")),
        ("coding change", "procedures", "urgency", "", "2024 Q4"),
    ),
    "one site records no failure from one quarter on": (
        lambda: failures_gone(AT_SITE2 & LATE),
        ("coding change", "attempts", "crossed", "SITE2", "2024 Q4"),
    ),
    "no failure in one quarter": (
        lambda: failures_gone(pl.col("procedure_date").is_between(date(2024, 7, 1), date(2024, 9, 30))),
        ("odd quarter", "attempts", "crossed", "SITE1", "2024 Q3"),
    ),
    "one site records no failure at all": (
        lambda: failures_gone(AT_SITE2),
        ("never varies", "attempts", "crossed", "SITE2", ""),
    ),
    "no failure in one quarter at many small sites": (
        lambda: at_many_sites(failures_gone(pl.col("procedure_date").is_between(date(2024, 7, 1), date(2024, 9, 30)))),
        ("odd quarter", "attempts", "crossed", "", "2024 Q3"),
    ),
    "everybody has the same side": (
        lambda: changed("procedures", side=pl.lit("left")),
        ("never varies", "procedures", "side", "", ""),
    ),
    "minutes of zero for none": (
        lambda: changed("attempts", minutes=pl.when(EVERY_SIXTH).then(0.0).otherwise("minutes")),
        ("zero for nothing", "attempts", "minutes", "", ""),
    ),
    "the year of admission for the year of birth": (
        lambda: changed("patients", birth_year=pl.when(EVERY_SIXTH).then(2010).otherwise("birth_year")),
        ("odd ages", "patients", "birth_year", "", ""),
    ),
}  # fmt: skip


@pytest.mark.parametrize("planted", PLANTED)
def test_a_planted_oddity_is_found_where_it_is(planted: str) -> None:
    make, told = PLANTED[planted]
    assert told in [(o.kind, o.table, o.column, o.site, o.quarter) for o in found(make())]


@pytest.mark.parametrize("planted", PLANTED)
def test_every_finding_says_what_to_ask_and_how_sure_it_is(planted: str) -> None:
    for o in found(PLANTED[planted][0]()):
        assert o.finding.endswith(".") and o.ask.endswith((".", "?", ". "))
        assert (o.p_value is None) == (o.certainty != "beyond chance")
        assert o.p_value is None or o.p_value < 0.001


def test_an_oddity_brings_no_crowd_of_others_with_it() -> None:
    kinds = {planted: len(found(make())) for planted, (make, _) in PLANTED.items()}
    # A failure that is not recorded changes the reason why it was stopped as well, and whole sessions go with their lesions.
    assert max(kinds.values()) <= 6, kinds


def test_gaps_that_open_together_are_one_finding() -> None:
    made = where("procedures", AT_SITE2 & LATE, wound=nothing, ischemia=nothing, foot_infection=nothing)
    odd = [o for o in found(made) if o.kind == "sudden gap"]
    assert [o.column for o in odd] == ["wound, ischemia, foot_infection"]
    assert "3 columns together" in odd[0].finding


def test_a_doubtful_unit_is_told_with_the_unit_that_would_fit() -> None:
    odd = found(changed("lesions", length_mm=pl.col("length_mm") / 10))
    length = next(o for o in odd if o.kind == "doubtful unit")
    assert "Taken as cm it would be" in length.finding
    assert '[lesions.units] length_mm = "cm"' in length.ask


def test_values_copied_down_are_told_by_their_rows() -> None:
    copied = next(o for o in found(PLANTED["a length filled down"][0]()) if o.kind == "copied down")
    assert "rows 601 to 612" in copied.finding


def test_copies_are_found_in_the_order_of_the_file_whatever_the_order_of_the_rows() -> None:
    tables = PLANTED["a length filled down"][0]()
    read = {
        name: frame.with_row_index("row", offset=2).with_columns(pl.col("row").cast(pl.Int64))
        for name, frame in tables.items()
    }
    read["lesions"] = read["lesions"].sample(fraction=1, shuffle=True, seed=2)
    accepted = check({name: frame.with_columns(fault=pl.lit(None, dtype=pl.String)) for name, frame in read.items()})
    copied = [o for o in summarize(accepted, read=read).summary.oddities if o.kind == "copied down"]
    assert len(copied) == 1
    assert "rows 602 to 613" in copied[0].finding  # the header is row 1


def test_no_finding_names_a_day() -> None:
    for planted, (make, _) in PLANTED.items():
        text = str([asdict(o) for o in found(make())])
        assert not re.search(r"\d{4}-\d{2}-\d{2}|\b\d{1,2}[./]\d{1,2}[./]\d{2,4}\b", text), planted


# What was used and what was not


def broken() -> Tables:
    """A service with rows to set aside, values to blank and warnings to give."""
    tables = clean(300, 5)
    number = pl.int_range(pl.len())
    return tables | {
        "lesions": tables["lesions"].with_columns(length_mm=pl.when(number % 20 == 3).then(5000.0).otherwise("length_mm")),
        "attempts": tables["attempts"].with_columns(lesion_id=pl.when(number % 30 == 4).then(pl.lit("nowhere")).otherwise("lesion_id")),
        "procedures": tables["procedures"].with_columns(fluoroscopy_min=pl.when(number % 25 == 6).then(599.0).otherwise("fluoroscopy_min")),
    }  # fmt: skip


def test_rows_read_are_rows_used_and_rows_set_aside_in_every_table() -> None:
    tables = broken()
    summary = quality(tables).summary
    for intake in summary.tables:
        assert intake.read == tables[intake.table].height == intake.used + intake.set_aside
    assert sum(t.set_aside for t in summary.tables) > 0


def test_each_reason_has_its_count_its_first_rows_and_what_to_do() -> None:
    made = quality(broken())
    lost = next(f for f in made.summary.faults if f.reason == NO_PARENT.format(parent="lesion", table="lesions"))
    assert (lost.kind, lost.table, lost.first_rows) == ("row", "attempts", (5, 35, 65, 95, 125))
    assert lost.count == sum(1 for i in range(made.summary.tables[3].read) if i % 30 == 4)
    assert "same period" in lost.advice
    blanked = next(f for f in made.summary.faults if f.kind == "value")
    assert (blanked.table, blanked.reason) == ("lesions", "length_mm is outside 1 to 900 mm")
    assert blanked.first_rows[0] == 4
    assert next(f for f in made.summary.faults if f.kind == "warning").reason == "fluoroscopy_min exceeds duration_min"


def test_the_list_of_rows_holds_every_row_and_value_that_was_not_used() -> None:
    accepted = check(pseudonymize(broken(), KEY))
    listed = summarize(accepted).not_used
    counts = dict(listed["what"].value_counts().iter_rows())
    assert counts == {
        "row set aside": accepted.set_aside.height,
        "value blanked": accepted.blanked.height,
        "warning": accepted.warned.height,
    }
    assert all(PSEUDONYM.fullmatch(key) for key in listed["key"].drop_nulls())


def test_every_rule_has_advice_of_its_own() -> None:
    sentences = {(t.name, s) for t in TABLES for s in _sentences_of(t)}
    sentences |= {(across.table, rule.sentence) for across in ACROSS for rule in across.rules}
    sentences |= {("lesions", s) for s in (SAME_ROW_TWICE, OFF_SCALE, PARENT_SET_ASIDE.format(parent="procedure"))}
    sentences |= {("lesions", NO_PARENT.format(parent="procedure", table="procedures"))}
    assert len(sentences) > 100
    without = {sentence for table, sentence in sentences if advice(table, sentence) == UNKNOWN}
    assert not without


def _sentences_of(table: object) -> list[str]:
    one = next(t for t in TABLES if t is table)
    found = [
        u.sentence for u in (*(u for c in one.columns for u in unusable_values(c)), *not_after(one, date(2026, 1, 1)))
    ]
    found += [rule.sentence for rule in across_columns(one)]
    found += [f"{c.name} is missing" for c in one.columns if c.needed]
    differing = conflicting_value(one)
    return [*found, conflicting_key(one), *((differing[1],) if differing else ())]


@pytest.mark.parametrize(
    ("sentence", "said"),
    [
        ("procedure_date is not a date (YYYY-MM-DD)", '[procedures] dates = "'),
        ("urgency is not one of its codes", "[procedures.codes.urgency]"),
        ("air_kerma_mgy is outside 0 to 50000 mGy", "[procedures.units]"),
        ("rutherford is outside 0 to 6", "accepted is 0 to 6"),
        ("abi is outside 0 to 3", "accepted is 0 to 3"),
        ("attempt_no is outside 1 to 20", "1, 2, 3"),
        ("birth_year is outside 1900 to 2030", "placeholder"),
        ("rutherford is not a whole number", "Roman numerals"),
        ("length_mm is not a number", "decimal sign"),
        (OFF_SCALE, "[procedures.codes.calcium_grade]"),
        ("calcium_grade has no calcium_scale to be read on", "Export the scale"),
        ("an attempt before it on its lesion is missing", "number them from 1"),
        ("side is missing", "Fill it in"),
        ("a sentence that nobody has written yet", UNKNOWN),
    ],
)
def test_advice_goes_with_the_sentence(sentence: str, said: str) -> None:
    assert said in advice("procedures", sentence)


def test_no_unit_is_asked_for_where_a_column_has_none() -> None:
    limits = [
        (t.name, u.sentence, c.unit)
        for t in TABLES
        for c in t.columns
        for u in unusable_values(c)
        if " is outside " in u.sentence
    ]
    asked = {sentence for table, sentence, _ in limits if "unit" in advice(table, sentence)}
    assert asked == {sentence for _, sentence, unit in limits if unit not in ("", "year")}


def test_a_date_is_not_asked_for_in_another_form_than_the_mapping_may_state() -> None:
    tables = {name: frame.cast(pl.String) for name, frame in valid_tables(procedures=[{}] * 3).items()}
    tables["procedures"] = tables["procedures"].with_columns(procedure_date=pl.lit("3rd of May"))
    made = quality(tables)
    assert "procedure_date is not a date" in [f.reason for f in made.summary.faults]
    assert "YYYY" not in str(asdict(made.summary)) + made.table.write_csv() + made.not_used.write_csv()


# What was blanked or set aside is no gap


def untranslated(column: str, table: str, condition: pl.Expr) -> Tables:
    """The clean service as text, with words of the site's own in one column where the condition is true."""
    tables = where(table, condition, **{column: pl.lit(None)})
    told = clean()[table][column].is_not_null() & tables[table][column].is_null()
    text = (
        tables[table]
        .cast(pl.String)
        .with_columns(pl.when(told).then(pl.lit("own word")).otherwise(column).alias(column))
    )
    return {name: frame.cast(pl.String) for name, frame in tables.items()} | {table: text}


@pytest.mark.parametrize("condition", [pl.lit(value=True), AT_SITE2, LATE, AT_SITE2 & LATE])
def test_a_column_that_is_recorded_and_not_translated_is_no_gap(condition: pl.Expr) -> None:
    tables = untranslated("proximal_cap", "lesions", condition)
    accepted = check(tables)
    assert accepted.blanked.filter(column="proximal_cap").height > 50
    for keyed in (tables, pseudonymize(tables, KEY)):
        summary = quality(keyed).summary
        assert [o for o in summary.oddities if o.column == "proximal_cap"] == []
        gap = next(m for m in summary.missing if m.column == "proximal_cap")
        assert gap.blanked == accepted.blanked.filter(column="proximal_cap").height
        assert gap.overall.part == accepted.frames["lesions"]["proximal_cap"].null_count()


def test_values_that_were_blanked_are_found_by_keys_as_numbers_too() -> None:
    accepted = check(pseudonymize(untranslated("proximal_cap", "lesions", AT_SITE2), KEY))
    numbers = {
        name: frame.with_columns(key_number(frame[c]).alias(c) for c in PSEUDONYM_COLUMNS if c in frame.columns)
        for name, frame in accepted.frames.items()
    }
    doubted = key_number(accepted.lesions_in_doubt)
    other = summarize(replace(accepted, frames=numbers, lesions_in_doubt=doubted)).summary
    assert other == summarize(accepted).summary
    assert any(m.blanked for m in other.missing)


def test_a_gap_beside_untranslated_values_is_found_all_the_same() -> None:
    tables = untranslated("proximal_cap", "lesions", ~AT_SITE2)
    gone = where("lesions", AT_SITE2 & LATE, proximal_cap=nothing)["lesions"]["proximal_cap"].is_null()
    emptied = pl.when(~gone).then("proximal_cap").alias("proximal_cap")
    tables["lesions"] = tables["lesions"].with_columns(emptied)
    odd = [(o.kind, o.site, o.quarter) for o in found(tables) if o.column == "proximal_cap"]
    assert odd == [("sudden gap", "SITE2", "2024 Q4")]


def test_lesions_with_an_attempt_set_aside_are_not_told_as_lesions_without_attempt() -> None:
    tables = {name: frame.cast(pl.String) for name, frame in clean().items()}
    late = on_procedure(clean(), "lesions").select("lesion_id", late=LATE & AT_SITE2)
    spoilt = tables["attempts"].join(late, on="lesion_id", how="left", maintain_order="left")["late"]
    tables["attempts"] = tables["attempts"].with_columns(
        crossed=pl.when(spoilt).then(pl.lit("own word")).otherwise("crossed")
    )
    summary = quality(tables).summary
    assert next(t for t in summary.tables if t.table == "attempts").set_aside > 50
    assert [o for o in summary.oddities if o.column == "number of attempts"] == []
    assert summary.volumes[0].without_attempt == 0


def test_procedures_without_a_site_are_no_site() -> None:
    number = pl.int_range(pl.len())
    summary = quality(changed("procedures", site_id=pl.when(number >= 3).then("site_id"))).summary
    assert (summary.named_sites, summary.more_sites, summary.without_site) == (2, 0, 3)


def test_a_change_at_both_sites_is_told_of_both_beside_procedures_without_a_site() -> None:
    tables = where("attempts", LATE, guidance=pl.lit("fluoroscopy_contrast"))
    number = pl.int_range(pl.len())
    tables["procedures"] = tables["procedures"].with_columns(site_id=pl.when(number >= 3).then("site_id"))
    told = [o.finding for o in found(tables) if (o.kind, o.column) == ("coding change", "guidance")]
    assert len(told) == 1 and told[0].startswith("At both sites")


# What is missing


def test_the_share_missing_is_given_over_all_by_site_and_by_quarter() -> None:
    tables = where("lesions", AT_SITE2, runoff_vessels=nothing)
    made = quality(tables)
    gap = next(m for m in made.summary.missing if m.column == "runoff_vessels")
    assert made.summary.sites == ("SITE1", "SITE2")
    lesions = tables["lesions"].join(tables["procedures"].select("procedure_id", "site_id"), on="procedure_id")
    assert gap.overall.part == lesions["runoff_vessels"].null_count()
    assert [p.share for p in gap.by_site][1] == 1.0
    assert gap.by_site[0].whole == lesions.filter(site_id="SITE1").height
    assert sum(p.whole for p in gap.by_period) == sum(p.whole for p in gap.by_site) == lesions.height
    by_cell = made.table.filter(section="missing", column="runoff_vessels").filter(
        pl.col("site") != "", pl.col("quarter") != ""
    )
    assert by_cell["n"].sum() == lesions.height
    assert by_cell.filter(site="SITE2")["value"].unique().to_list() == [1.0]


def test_earlier_quarters_are_joined_into_years_and_none_is_lost() -> None:
    made = quality(clean())
    assert made.summary.periods[0] == "2023"
    assert made.summary.periods[1:] == tuple(f"{y} Q{q}" for y in (2024, 2025) for q in (1, 2, 3, 4))
    assert sum(v.procedures or 0 for v in made.summary.volumes if v.kind == "period") == clean()["procedures"].height


def test_a_share_over_a_few_procedures_is_hidden_on_the_page_and_in_the_table() -> None:
    days = [date(2024, 1, 15) + timedelta(days=91 * quarter) for quarter in range(4)]
    few = [{"procedure_date": day, "abi": None, "site_id": "A"} for day in days] + [
        {"procedure_date": days[0], "site_id": "B"}
    ] * 9
    made = quality(valid_tables(procedures=few))
    gap = next(m for m in made.summary.missing if m.column == "abi")
    assert [p.share for p in gap.by_period] == [1 / 10, None, None, None]
    assert [p.share for p in gap.by_site] == [None, 0.0]
    assert [p.hidden for p in gap.by_site_and_period[0]] == [True] * 4
    told = made.table.filter(pl.col("section").is_in(["missing", "codes", "service"]), pl.col("site") == "A")
    assert told.height > 0
    assert told["value"].null_count() == told["n"].null_count() == told.height
    assert made.summary.volumes[1].procedures is None


def test_a_column_that_is_always_recorded_has_no_gap() -> None:
    assert "segment" not in {m.column for m in quality(clean()).summary.missing}


# Numbers and codes


def test_numbers_and_codes_are_told_as_they_were_read() -> None:
    tables = clean()
    summary = quality(tables).summary
    length = next(n for n in summary.numbers if n.column == "length_mm")
    values = tables["lesions"]["length_mm"]
    assert (length.n, length.missing, length.unit) == (values.len() - values.null_count(), values.null_count(), "mm")
    # Each end is that of five lesions at the least.
    ordered = values.drop_nulls().sort()
    assert (length.low_end, length.median, length.high_end) == (ordered[4], values.median(), ordered[-5])
    born = next(n for n in summary.numbers if n.column == "birth_year")
    assert born.median is not None and (born.low_end, born.high_end) == (None, None)
    segment = next(c for c in summary.codes if c.column == "segment")
    assert dict(segment.codes) == {code: int((tables["lesions"]["segment"] == code).sum()) for code, _ in segment.codes}
    grades = [c for c in summary.codes if c.column.startswith("calcium_grade")]
    assert {c.column for c in grades} == {
        "calcium_grade (pacss)",
        "calcium_grade (parc)",
        "calcium_grade (descriptive)",
    }
    assert sum(number for c in grades for _, number in c.codes) == tables["lesions"]["calcium_grade"].drop_nulls().len()


def test_the_volumes_are_those_of_the_tables() -> None:
    tables = clean()
    whole = quality(tables).summary.volumes[0]
    attempts = tables["attempts"]
    assert (whole.procedures, whole.lesions) == (tables["procedures"].height, tables["lesions"].height)
    assert whole.attempts_per_lesion == pytest.approx(attempts.height / tables["lesions"].height)
    assert whole.crossed == pytest.approx(attempts["crossed"].mean())
    assert whole.from_below == pytest.approx((attempts["approach"] == "retrograde").mean())
    assert whole.without_attempt == 0


# The same whatever the form of the tables, and nothing that gives a patient away


def content(made: Quality) -> tuple[QualitySummary, pl.DataFrame]:
    return made.summary, made.table


def test_text_typed_and_pseudonymized_tables_give_the_same_summary() -> None:
    tables = clean(300, 5)
    as_text = {name: frame.cast(pl.String) for name, frame in tables.items()}
    summary, table = content(quality(tables))
    for other in (as_text, pseudonymize(tables, KEY)):
        assert content(quality(other))[0] == summary
        assert content(quality(other))[1].equals(table)
    accepted = check(tables)
    hashed = {name: _keys_as_numbers(frame) for name, frame in accepted.frames.items()}
    in_codes = {
        t.name: hashed[t.name].with_columns(
            pl.col(c.name).cast(pl.Enum(c.codes)) for c in t.columns if c.type == "code"
        )
        for t in TABLES
    }
    assert content(summarize(replace(accepted, frames=in_codes)))[0] == summary


def _keys_as_numbers(frame: pl.DataFrame) -> pl.DataFrame:
    keys = [pl.col(c) for c in PSEUDONYM_COLUMNS if c in frame.columns]
    return frame.with_columns(pl.when(key.is_not_null()).then(key.cast(pl.String).hash(1)) for key in keys)


def test_neither_summary_nor_table_holds_a_key_or_a_day() -> None:
    tables = pseudonymize(broken(), KEY)
    made = quality(tables)
    text = str(asdict(made.summary)) + made.table.write_csv()
    assert not PSEUDONYM.search(text)
    assert not re.search(r"\d{4}-\d{2}-\d{2}", text)


def test_the_table_is_tidy() -> None:
    table = quality(broken()).table
    assert table.columns == ["section", "table", "column", "site", "quarter", "measure", "value", "n", "note"]
    assert table["section"].unique(maintain_order=True).to_list() == [
        "rows", "not used", "odd", "missing", "service", "numbers", "codes",
    ]  # fmt: skip
    place = ["section", "table", "column", "site", "quarter", "measure"]
    shares = table.filter(pl.col("section").is_in(["missing", "codes", "numbers", "rows"]))
    assert shares.select(place).is_unique().all()
    assert shares.filter(pl.col("measure").str.starts_with("share"))["value"].drop_nulls().is_between(0, 1).all()


# Little or nothing


@pytest.mark.parametrize("gone", [(), ("complications", "follow_up"), ("procedures",), tuple(t.name for t in TABLES)])
def test_empty_tables_give_a_summary_all_the_same(gone: tuple[str, ...]) -> None:
    tables = valid_tables()
    made = quality(tables | {name: tables[name].clear() for name in gone})
    assert made.summary.used("lesions") == (0 if "procedures" in gone else 1)
    assert len(made.summary.tables) == 6
    if "procedures" in gone:
        assert (made.summary.first_quarter, made.summary.periods) == ("", ())


def test_one_row_a_table_is_no_cause_for_alarm() -> None:
    assert quality(valid_tables()).summary.oddities == tuple(
        o for o in quality(valid_tables()).summary.oddities if o.kind == "never filled in"
    )


def test_sites_that_are_not_recorded_are_one_place() -> None:
    summary = quality(changed("procedures", site_id=nothing)).summary
    assert summary.sites == ("site not recorded",)
    assert summary.named_sites == 0
    assert all(o.site == "" for o in summary.oddities)


def test_small_groups_are_those_of_the_other_pages() -> None:
    from pipeline.plan import Plan

    assert Plan().smallest_count_shown == SMALLEST_GROUP
