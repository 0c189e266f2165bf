"""Every reference record is either held against our functions in a test, or named here with the reason why not."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from oracle import DATA

TESTS = Path(__file__).parent
LIMB = "survival and competing risks are not part of this version: there is no function to hold against it"
POOLING = "partial pooling and multiplicity over profiles are not part of this version: there is no function to hold against it"
MONITORING = "control charts of complications are not part of this version: there is no function to hold against it"

# By the start of the record's name: why it is not reproduced.
NOT_REPRODUCED = {
    "H06-nhefs-aipw": "augmented weighting is for yes/no outcomes here; the yes/no records of the same estimator are reproduced",
    "H24-petersen-ols-cluster": "no package with a permissive license ships the data; two-way errors are held against statsmodels",
    **dict.fromkeys(("H60", "H61", "H62", "H63", "H64"), LIMB),
    **dict.fromkeys(("H70", "H71", "H72", "H73"), POOLING),
    **dict.fromkeys(("H80", "H81", "H82", "H83", "H84", "H85", "H86", "H87", "H88"), MONITORING),
    **dict.fromkeys(("H90", "H91", "H92", "H93", "H94"), MONITORING),
    "H97": "prediction intervals for single lesions are not part of this product",
}

# Records of one family are made up in a test from the study's name and the part of the name after it.
FAMILIES = {
    "-crude": "test_estimators_against_r.py",
    "-ipw-": "test_estimators_against_r.py",
    "-gcomp-": "test_standardization.py",
    "-aipw-": "test_augmented.py",
    "-aow": "test_augmented.py",
    "-match": "test_matching.py",  # the part of the name after the study stands there without its first sign
}
STUDIES = ("H10-nhefs-death", "H11-nhefs-gain10", "H12-lalonde")
IDS = tuple(record["id"] for record in json.loads((DATA / "oracles.json").read_text(encoding="utf-8")))


def _why_not(name: str) -> str | None:
    return next((why for start, why in NOT_REPRODUCED.items() if name.startswith(start)), None)


def _mentions(file: Path, name: str) -> bool:
    text = file.read_text(encoding="utf-8")
    study = next((study for study in STUDIES if name.startswith(study)), None)
    family = next((family for family in FAMILIES if study and name.removeprefix(study).startswith(family)), None)
    if family is not None and file.name == FAMILIES[family]:
        return family.strip("-") in text and ("STUDIES" in text or study in text)
    return name in text


@pytest.mark.parametrize("name", IDS)
def test_a_record_is_held_against_our_functions_or_its_reason_is_told(name: str) -> None:
    files = [file for file in sorted(TESTS.glob("test_*.py")) if file != Path(__file__)]
    tested = any(_mentions(file, name) for file in files)
    assert tested != (_why_not(name) is not None), "tested, or with a reason: not both and not neither"


def test_every_reason_belongs_to_a_record() -> None:
    for start in NOT_REPRODUCED:
        assert any(name.startswith(start) for name in IDS), start
