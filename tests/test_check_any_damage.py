"""However the tables are damaged, every row is used or set aside with a reason, and the order of rows changes nothing."""

import random
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass
from datetime import date

import polars as pl
from hypothesis import given, settings
from hypothesis import strategies as st
from polars.testing import assert_frame_equal

from pipeline.case_tables import TABLES
from pipeline.check import check
from synthetic_data.rows import valid_tables
from synthetic_data.service import invent
from tests.rule_cases import TWO_LESIONS

SERVICE = invent(60, 5).tables


def damaged(seed: int, share: float) -> dict[str, pl.DataFrame]:
    """A small invented service in which values are swapped between rows, rows repeated, and rows left out."""
    chance = random.Random(seed)  # noqa: S311  damage, not secrets
    tables = {}
    for one in TABLES:
        frame = SERVICE[one.name]
        columns = []
        for name in frame.columns:
            values = frame[name].to_list()
            for at in range(len(values)):
                if chance.random() < share:
                    values[at] = None if chance.random() < 0.3 else chance.choice(values)
            columns.append(pl.Series(name, values, dtype=frame[name].dtype))
        kept = [at for at in range(frame.height) if chance.random() > share]
        again = chance.choices(kept, k=chance.randrange(3)) if kept else []
        tables[one.name] = pl.DataFrame(columns)[kept + again]
    return tables


@settings(max_examples=40, deadline=None, derandomize=True)
@given(seed=st.integers(0, 2**32 - 1), share=st.sampled_from([0.0, 0.01, 0.05, 0.3]))
def test_however_values_are_swapped_rows_read_are_used_and_set_aside_in_any_order_of_rows(
    seed: int, share: float
) -> None:
    tables = damaged(seed, share)
    shuffled = {name: frame.sample(fraction=1, shuffle=True, seed=seed) for name, frame in tables.items()}
    accepted, again = check(tables, received=date(2025, 6, 1)), check(shuffled, received=date(2025, 6, 1))
    for count in accepted.counts:
        assert count.read == tables[count.table].height == count.used + count.set_aside
        assert accepted.set_aside.filter(table=count.table).height == count.set_aside
        assert accepted.frames[count.table].height == count.used
        order = list(accepted.frames[count.table].columns)
        assert_frame_equal(
            again.frames[count.table].sort(order, nulls_last=True),
            accepted.frames[count.table].sort(order, nulls_last=True),
        )
    assert again.reasons == accepted.reasons and again.counts == accepted.counts
    for told in ("set_aside", "blanked", "warned"):
        one, other = getattr(accepted, told).drop("row"), getattr(again, told).drop("row")
        assert_frame_equal(one.sort(one.columns), other.sort(one.columns))
    assert set(accepted.lesions_in_doubt) == set(again.lesions_in_doubt)
    _hold_together(accepted.frames)


def _hold_together(used: Mapping[str, pl.DataFrame]) -> None:
    """What must be true of every table that is used, said once more in plain Python."""
    dated = {s["procedure_id"]: s for s in used["procedures"].iter_rows(named=True)}
    lesions = {one["lesion_id"]: one["procedure_id"] for one in used["lesions"].iter_rows(named=True)}
    attempts = {one["attempt_id"]: one for one in used["attempts"].iter_rows(named=True)}
    numbers = [(one["lesion_id"], one["attempt_no"]) for one in attempts.values()]
    assert len(set(numbers)) == len(numbers)
    for one in attempts.values():
        assert one["stopped_because"] not in ({"would_not_cross", "puncture_failed"} if one["crossed"] else {"crossed"})
    for harm in used["complications"].iter_rows(named=True):
        procedure = dated[harm["procedure_id"]]
        assert harm["complication_date"] is None or harm["complication_date"] >= procedure["procedure_date"]
        if harm["attempt_id"] is not None:
            assert lesions[attempts[harm["attempt_id"]]["lesion_id"]] == harm["procedure_id"]
    dead: dict[str, date] = {}
    for event in used["follow_up"].sort("event_date").iter_rows(named=True):
        assert event["event_date"] <= dead.get(event["patient_id"], event["event_date"])
        if event["event"] == "death":
            dead.setdefault(event["patient_id"], event["event_date"])
        if event["lesion_id"] is not None:
            procedure = dated[lesions[event["lesion_id"]]]
            assert procedure["patient_id"] == event["patient_id"]
            assert event["side"] in (None, procedure["side"])
            assert event["event_date"] >= procedure["procedure_date"]


@dataclass(frozen=True)
class Try:
    """One attempt as a test gives it."""

    lesion_id: str
    attempt_no: int
    crossed: bool
    stopped_because: str | None
    rendezvous: str


def used_one_by_one(attempts: Sequence[Try]) -> list[str]:
    """Keys of the attempts that are used, reckoned from the sentences of the rules, one attempt at a time."""

    def so_numbered(one: Try, number: int) -> int:
        return sum(other.lesion_id == one.lesion_id and other.attempt_no == number for other in attempts)

    def in_order(one: Try) -> bool:
        return so_numbered(one, one.attempt_no) == 1 and all(so_numbered(one, n) for n in range(1, one.attempt_no))

    def after_a_crossing(one: Try) -> bool:
        return any(
            other.lesion_id == one.lesion_id
            and other.attempt_no < one.attempt_no
            and other.crossed
            and other.stopped_because in ("crossed", None)
            and other.rendezvous == "none"
            and in_order(other)
            for other in attempts
        )

    return [
        f"attempts-{row}"
        for row, one in enumerate(attempts, start=1)
        if in_order(one) and (one.rendezvous != "none" or not after_a_crossing(one))
    ]


outcomes = st.sampled_from(
    [(True, "crossed"), (True, None), (True, "dissection_plane"), (False, "dissection_plane"), (False, None)]
)


@settings(max_examples=100, deadline=None, derandomize=True)
@given(
    made=st.lists(
        st.builds(
            lambda lesion, number, outcome, met: Try(lesion, number, *outcome, met),
            st.sampled_from(["lesions-1", "lesions-2"]),
            st.integers(1, 4),
            outcomes,
            st.sampled_from(["none", "none", "snare"]),
        ),
        max_size=9,
    )
)
def test_attempts_of_any_numbers_and_outcomes_are_used_as_reckoned_one_by_one(made: list[Try]) -> None:
    accepted = check(valid_tables(lesions=TWO_LESIONS, attempts=[asdict(one) for one in made], complications=[]))
    assert accepted.frames["attempts"]["attempt_id"].to_list() == used_one_by_one(made)
