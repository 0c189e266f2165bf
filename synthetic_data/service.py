"""An invented vascular service with a known truth: `invent` makes it, `write_service` writes it as an export would be."""

from __future__ import annotations

import json
from dataclasses import asdict, dataclass
from pathlib import Path

import numpy as np
import polars as pl

from synthetic_data.approach import choose
from synthetic_data.attempts import Readiness, chosen, play
from synthetic_data.crossing import chances, logits
from synthetic_data.follow_up import invent_follow_up
from synthetic_data.harm import invent_harm
from synthetic_data.lesions import invent_lesions
from synthetic_data.patients import invent_frame, invent_patients
from synthetic_data.price import price
from synthetic_data.punctures import invent_punctures
from synthetic_data.scenario import DEMO, EFFECT, NULL, SCENARIOS, Scenario
from synthetic_data.sessions import invent_operators, invent_sessions
from synthetic_data.tables import Invented, as_tables
from synthetic_data.truth import TrueRisk, TruthSummary, summarize, truth_frame

__all__ = [
    "DEMO", "EFFECT", "NULL", "SCENARIOS", "Scenario", "Service", "TrueRisk", "TruthSummary", "invent", "write_service",
]  # fmt: skip

TRUTH_FOLDER = "truth"


@dataclass(frozen=True, slots=True)
class Service:
    """The six tables in the dictionary's columns and types, and the truth behind them.

    `truth` has one row a lesion, in the order of `tables["lesions"]`; the pipeline never reads it.
    """

    tables: dict[str, pl.DataFrame]
    truth: pl.DataFrame
    truth_summary: TruthSummary


def invent(lesions: int, seed: int, scenario: Scenario = DEMO) -> Service:
    """An invented service of exactly `lesions` lesions; the same arguments give the same service, to the last digit.

    Raises ValueError for fewer than one lesion.
    """
    if lesions < 1:
        raise ValueError("lesions must be 1 or more")
    frame = invent_frame(lesions, seed, scenario)
    patients = invent_patients(frame, seed, scenario)
    operators = invent_operators(lesions, scenario)
    sessions = invent_sessions(frame, patients, operators, seed)
    occlusions = invent_lesions(frame, patients, sessions, seed)
    pulls = logits(occlusions, sessions, patients, operators, scenario)
    choices = choose(pulls.choice, occlusions, sessions, operators, seed)
    odds = chances(pulls, choices.experience, scenario)
    operator = sessions.operator[occlusions.session]
    renal = patients.renal[sessions.patient[occlusions.session]]
    readiness = Readiness(
        # Contrast is spared in kidney disease; those who like to start from below also go on from below sooner.
        boldness=0.5 * operators.habit_below[operator] - 0.3 * (renal == 1),
        patience_min=operators.patience_min[operator],
    )
    above = play(odds, readiness, seed, start_below=False)
    below = play(odds, readiness, seed, start_below=True)
    course = chosen(above, below, choices.from_below)
    punctures = invent_punctures(course, occlusions, seed)
    cost = price(course, occlusions, sessions, patients, seed)
    harm = invent_harm(course, punctures, occlusions, sessions, patients, cost, scenario, seed)
    follow_up = invent_follow_up(course, occlusions, sessions, patients, harm, scenario, seed)
    made = Invented(patients, operators, sessions, occlusions, course, punctures, cost, harm, follow_up)
    truth = truth_frame(choices, odds, above, below, occlusions, renal)
    return Service(as_tables(made, seed, scenario), truth, summarize(truth, scenario.name, seed))


def write_service(service: Service, folder: Path) -> None:
    """Write the tables as CSV (UTF-8, ISO dates, true/false) and the truth beside them, private to the user.

    Files: patients.csv to follow_up.csv; truth/truth.csv, one row a lesion; truth/truth.json, the true and crude risks.
    """
    truth_folder = folder / TRUTH_FOLDER
    for place in (folder, truth_folder):
        place.mkdir(parents=True, exist_ok=True, mode=0o700)
        place.chmod(0o700)
    for name, frame in service.tables.items():
        _write(folder / f"{name}.csv", frame.write_csv())
    _write(truth_folder / "truth.csv", service.truth.write_csv(float_precision=9))
    summary = service.truth_summary
    content = {
        "scenario": summary.scenario,
        "seed": summary.seed,
        "note": "the known truth of an invented service; never read by the pipeline; risks and differences are fractions",
        "risks": [
            {key: _tidy(value) for key, value in (asdict(risk) | {"difference": risk.difference}).items()}
            for risk in summary.risks
        ],
    }
    _write(truth_folder / "truth.json", json.dumps(content, indent=1) + "\n")


def _tidy(value: object) -> object:
    return round(float(value), 9) if isinstance(value, float | np.floating) else value


def _write(path: Path, text: str) -> None:
    # Created private rather than made private afterwards.
    path.touch(mode=0o600)
    path.chmod(0o600)
    path.write_text(text, encoding="utf-8", newline="")
