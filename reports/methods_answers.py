"""Tables of the methods page on the answers: checks, outcomes, every method, and the simulations behind the choice of the primary one."""

from __future__ import annotations

from reports.methods_charts import in_families
from reports.methods_shown import ShownMethods
from reports.methods_tables import APPROACH
from reports.notation import (
    ABSENT,
    HIDDEN,
    capital,
    count,
    percent,
    points,
    points_with_interval,
    ratio_with_interval,
    unbroken,
)
from reports.palette import VERDICT_MARK, VERDICT_WORD
from reports.table_text import Table
from reports.tables import reading


def gates(m: ShownMethods) -> Table:
    """The checks on the primary comparison."""
    return Table(
        "Checks on the primary comparison, each with its limit and where the limit is from. Where a check says \u201cWithheld\u201d no adjusted figure is given.",
        ("Result", "Check", "Found", "Limit", "Limit from"),
        tuple(
            (
                f"{VERDICT_MARK[g.gate.verdict]} {VERDICT_WORD[g.gate.verdict]}",
                capital(g.gate.sentence),
                reading(g.value, g.gate.name),
                reading(g.gate.threshold, g.gate.name),
                g.gate.source,
            )
            for g in m.gates
        ),
        frozenset({0, 1, 4}),
        tuple(f"gate-{g.gate.verdict}" for g in m.gates),
    )


def methods(m: ShownMethods, endpoint: str) -> Table:
    """Every method's answer on one endpoint."""
    rows: list[tuple[str, ...]] = []
    for found in in_families(x for x in m.estimates if x.comparison.endpoint == endpoint).values():
        for x in found:
            c = x.comparison
            name = f"{x.label} (primary)" if x.primary and "primary" not in x.label.lower() else x.label
            why = (
                f". Withheld: {c.withheld_because}" if c.withheld_because else f". {capital(c.note)}" if c.note else ""
            )
            rows.append(
                (
                    name,
                    points_with_interval(c.effect("risk_difference")),
                    ratio_with_interval(c.effect("risk_ratio")),
                    ratio_with_interval(c.effect("odds_ratio")),
                    unbroken(f"{count(c.retrograde.n)} / {count(c.antegrade.n)}"),
                    f"{x.assumes.rstrip('.')}{why}.".replace("..", "."),
                )
            )
    return Table(
        f"{m.endpoint_label(endpoint)}: every method with what it takes for granted. Lesions are from below / from above. "
        "An odds ratio at given traits is not comparable with one of a population: it lies further from 1. All but the plain figures take "
        "for granted, besides, that no reason for the choice is unrecorded.",
        ("Method", "Risk difference, points", "Risk ratio", "Odds ratio", "Lesions", "Takes for granted"),
        tuple(rows),
        frozenset({0, 5}),
    )


def risks(m: ShownMethods) -> Table:
    """Outcomes by approach: plain counts, and risks in the primary analysis."""
    rows = []
    for endpoint, _ in m.run.endpoint_labels:
        crude, primary = m.crude(endpoint), m.primary(endpoint)
        for arm in ("retrograde", "antegrade"):
            plain = getattr(crude.comparison, arm) if crude else None
            fair = getattr(primary.comparison, arm) if primary else None
            rows.append(
                (
                    f"{m.endpoint_label(endpoint)}, started {APPROACH[arm]}",
                    unbroken(f"{count(plain.events)} of {count(plain.n)}") if plain else ABSENT,
                    _risk(plain),
                    _risk(fair),
                )
            )
    return Table(
        "Outcomes by first approach: as they came, and in the primary analysis.",
        ("Endpoint", "Crossed, plain counts", "Share, plain (interval)", "Share, adjusted (interval)"),
        tuple(rows),
    )


def _risk(arm: object) -> str:
    risk, lower, upper = (getattr(arm, name, None) for name in ("risk", "lower", "upper"))
    if risk is None:
        return ABSENT if arm is None else HIDDEN
    return unbroken(f"{percent(risk)} ({percent(lower)} to {percent(upper)})")


def simulation(m: ShownMethods, endpoint: str) -> Table:
    """Bias, coverage and width by scenario and method."""
    lines = [x for x in (m.simulation.lines if m.simulation else ()) if x.endpoint == endpoint]
    rows: list[tuple[str, ...]] = []
    classes: list[str] = []
    before = ""
    for x in lines:
        scenario = f"{capital(x.scenario)}, {count(x.lesions)} lesions"
        if scenario != before:
            rows.append((scenario, "", "", "", "", ""))
            classes.append("")
        classes.append("level lead" if x.role == "primary" else "level")
        rows.append(
            (
                x.method,
                unbroken(f"{points(x.bias)} ({points(x.bias_error, signed=False)})"),
                unbroken(f"{points(x.empirical_se, signed=False)} / {points(x.mean_se, signed=False)}"),
                f"{percent(x.coverage)} ({unbroken(f'{percent(x.coverage_lower)} to {percent(x.coverage_upper)}')})",
                points(x.width, signed=False),
                unbroken(f"{x.withheld} of {x.services}"),
            )
        )
        before = scenario
    return Table(
        "Invented services with a known truth, every method on the same ones. Bias and width in points; "
        "the simulation error of the bias in parentheses. Look for the primary method's coverage near the level of the interval in every "
        "scenario but one with a hidden trait, which no method that adjusts for recorded traits can mend.",
        ("Scenario and method", "Bias (error)", "SD / mean SE", "Coverage (interval)", "Width", "Withheld"),
        tuple(rows),
        row_classes=tuple(classes),
    )  # fmt: skip
