"""The worked foreign export, read through its mapping: its faults were counted when they were planted."""

import json
from pathlib import Path

import pytest

from pipeline.check import Accepted, check
from pipeline.faults import NeedsMending
from pipeline.identity import pseudonymize
from pipeline.mapping import load_mapping
from pipeline.read import read_export, read_tables

SITE = Path(__file__).parent.parent / "synthetic_data" / "foreign_site"
EXPECTED = json.loads((SITE / "expected_faults.json").read_text(encoding="utf-8"))


@pytest.fixture(scope="module")
def accepted() -> Accepted:
    return check(pseudonymize(read_tables(SITE, SITE / "mapping.toml"), b"a key for tests, of no use elsewhere"))


@pytest.mark.parametrize("table", EXPECTED)
def test_each_planted_fault_of_a_foreign_export_is_found_and_no_other(accepted: Accepted, table: str) -> None:
    expected = EXPECTED[table]
    (count,) = [c for c in accepted.counts if c.table == table]
    assert (count.read, count.used, count.set_aside) == (
        expected["rows_read"],
        expected["rows_used"],
        expected["rows_set_aside"],
    )
    assert count.read == count.used + count.set_aside
    values = accepted.blanked.filter(table=table)["column"].value_counts()
    assert dict(values.rows()) == expected["values_blanked"]
    with_parent = accepted.set_aside.filter(table=table)["reason"].str.ends_with("was set aside").sum()
    assert with_parent == expected["of_these_with_their_parent"]


def test_units_codes_and_dates_of_a_foreign_export_are_translated(accepted: Accepted) -> None:
    lesions, procedures = accepted.frames["lesions"], accepted.frames["procedures"]
    assert lesions["length_mm"][0] == 104.0  # written 10,4 cm
    assert lesions["segment"][0] == "popliteal" and lesions["calcium_scale"].unique().to_list() == ["pacss"]
    assert procedures["procedure_date"][0].isoformat() == "2023-01-06"  # written 06.01.2023
    assert procedures["air_kerma_mgy"][0] == 813.0  # written 0,813 Gy
    assert procedures["site_id"].unique().to_list() == ["Standort-1"]


def test_the_foreign_names_stop_the_run_when_the_mapping_does_not_drop_them(tmp_path: Path) -> None:
    kept = (SITE / "mapping.toml").read_text(encoding="utf-8").replace('drop = ["Nachname"]', "")
    (tmp_path / "mapping.toml").write_text(kept, encoding="utf-8")
    with pytest.raises(NeedsMending, match="'Nachname' looks like a direct identifier"):
        read_export(SITE, load_mapping(tmp_path / "mapping.toml"))


def test_no_dropped_column_and_no_key_of_the_site_is_kept(accepted: Accepted) -> None:
    kept = " ".join(frame.write_csv() for frame in (*accepted.frames.values(), accepted.set_aside, accepted.blanked))
    assert "Platzhalter" not in kept and "Freitext" not in kept and "P00001" not in kept
