"""docs/validation.md, from the figures: the goals and whether they hold, every table, and what the figures are not."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from pathlib import Path
from textwrap import fill

from models.adjustment_results import SimulationLine
from pipeline.endpoints import endpoint
from pipeline.plan import Plan
from tests.validation.cases import (
    CASES,
    HIGHEST_COVERAGE,
    LARGEST_BIAS,
    LARGEST_BIAS_BENT,
    LOWEST_COVERAGE,
    LOWEST_WIDENED,
    MOST_CLAIMS,
    Case,
)
from tests.validation.figures import Figures
from tests.validation.goals import Goal, goals
from tests.validation.one_service import PLAN, PRIMARY
from tests.validation.quarters import GROWING_LESIONS

FILE = Path(__file__).parents[2] / "docs" / "validation.md"

NAMES = {
    PRIMARY: "**augmented overlap weighting (primary)**",
    "crude": "plain figures",
    "weighting": "overlap weighting, logistic score",
    "complete_case": "complete cases only",
    "standardization": "standardization",
    "matching": "matching one to one",
    "learners": "cross-fitted learners",
}
MANY = 0.1  # of the services
# Of the endpoint that does not lead, only these are told.
IN_SHORT = (PRIMARY, "crude")


WIDEST = 150  # signs of a line of text; tables are as wide as they are


def page(figures: Figures) -> str:
    """The page, its text in lines of at most WIDEST signs."""
    lines = "\n".join(_page(figures)).split("\n")
    return "\n".join(line if line.startswith(("|", "#")) else _short(line) for line in lines)


def _short(line: str) -> str:
    later = "  " if line.startswith("- ") else ""
    return fill(line, WIDEST, subsequent_indent=later, break_long_words=False, break_on_hyphens=False)


def _page(figures: Figures) -> list[str]:
    first, *others = PLAN.endpoints
    parts = [
        *_head(figures),
        *_goals(goals(figures)),
        *_silent(figures),
        *_scenarios(),
        f"## {_heading(first)}: every method",
        "",
        "Differences in percentage points, retrograde minus antegrade. *Bias* is the mean of estimate less truth, with its simulation error; *SD* the spread "
        "of that over services; *SE* the mean of the standard errors that were given; *coverage* the share of 95 % intervals that hold the truth, with its "
        "95 % Wilson interval; *width* that of the intervals. Withheld services are counted and not scored.",
        "",
        *_table([one for one in figures.lines if one.endpoint == first]),
        "",
    ]
    for other in others:
        short = [one for one in figures.lines if one.endpoint == other and one.method in IN_SHORT]
        parts += [f"## {_heading(other)}: in short", "", *_table(short), ""]
    parts += [*_ungated(figures), *_widened(figures), *_looks(figures), *_limits()]
    return parts


def _heading(name: str) -> str:
    label = endpoint(name).label
    return label[0].upper() + label[1:]


def _head(figures: Figures) -> Iterator[str]:
    made = {one.services for one in figures.ungated}
    services = f"{max(made)}" if len(made) == 1 else f"{min(made)} to {max(made)}"
    yield "# Validation"
    yield ""
    yield (
        "Does the comparison find the truth where the truth is known, and does its interval hold it as often as it says? "
        f"{services} [invented services](invented_service.md) for each scenario, each put through the pipeline's own derive and estimate steps, answer that. "
        "This page is written by the command below from `pipeline/validation_figures.json`; nothing on it is typed in."
    )
    yield ""
    yield "```sh"
    yield figures.command
    yield "```"
    yield ""
    yield (
        f"Made on {figures.date} at commit `{figures.commit}`, in {figures.minutes:g} minutes on {figures.machine}, two processes of one thread each. Seeds are "
        "1, 2, 3 and so on for every scenario: the same command gives the same figures."
    )
    yield ""
    if len(made) > 1:
        yield (
            f"**Not finished:** of some scenarios fewer than {max(made)} services have been simulated so far, as the tables say; their simulation errors are wide, and goals "
            "that they miss may still hold."
        )
        yield ""


def _goals(found: Sequence[Goal]) -> Iterator[str]:
    yield "## Goals, and whether they hold"
    yield ""
    yield (
        f"Set before the simulation: coverage of the primary method's 95 % interval from {_share(LOWEST_COVERAGE)} to {_share(HIGHEST_COVERAGE)} in every scenario "
        f"but the hidden one; bias of at most {100 * LARGEST_BIAS:.1f} points, {100 * LARGEST_BIAS_BENT:.1f} in the nonlinear one; the interval widened for the hidden "
        f"trait covers in at least {_share(LOWEST_WIDENED)}; at most {_share(MOST_CLAIMS)} of services without a difference ever claim one over twelve quarterly looks. "
        # Binomial: 185 or fewer, or 195 or more, of 200 at 95 %.
        "Of 200 services, a method that covers in exactly 95 % is found outside 93 to 97 % about once in seven; where a goal is missed by no more than chance can do "
        "(at 95 %), that is said."
    )
    yield ""
    missed = [one for one in found if not one.holds]
    if missed:
        yield f"{len(found) - len(missed)} of {len(found)} goals hold. **Missed:**"
        yield ""
        for one in missed:
            chance = "chance alone can do that" if one.by_chance else "more than chance explains"
            yield f"- {one.scenario}, {one.what}: {one.found}; asked: {one.asked}; {chance}."
    else:
        yield f"All {len(found)} goals hold."
    yield ""
    yield "| scenario | what | asked | found | holds |"
    yield "|---|---|---|---|---|"
    for one in found:
        yield f"| {one.scenario} | {one.what} | {one.asked} | {one.found} | {'yes' if one.holds else '**no**'} |"
    yield ""


def _silent(figures: Figures) -> Iterator[str]:
    """Where so many are withheld that the figures are those of a selection."""
    for one in figures.lines:
        if (one.method, one.endpoint) == (PRIMARY, PLAN.primary_endpoint) and one.withheld > MANY * one.services:
            yield (
                f"In *{one.scenario}, {one.lesions:,} lesions* the gates withheld {one.withheld} of {one.services} services: its figures are those of the rest, "
                "and [what the gates withhold](#what-the-gates-withhold) tells of all."
            )
            yield ""


def _scenarios() -> Iterator[str]:
    yield "## The scenarios"
    yield ""
    yield "| scenario | lesions | what is so |"
    yield "|---|---:|---|"
    for case in CASES:
        yield f"| {case.name} | {case.lesions:,} | {case.what} |"
    yield ""
    yield (
        "The truth is each service's own: the risks of its lesions under either start, weighted to the overlap population by the true score. Plain figures and complete "
        "cases are held against that too, as it is what is asked; matching against the truth of lesions like those started from below, as that is what it answers."
    )
    yield ""


HEADING = (
    "| scenario | lesions | method | bias (error) | SD | SE | coverage | width | withheld |",
    "|---|---:|---|---:|---:|---:|---:|---:|---:|",
)


def _table(lines: Sequence[SimulationLine]) -> Iterator[str]:
    yield from HEADING
    for case in CASES:
        mine = [one for one in lines if (one.scenario, one.lesions) == (case.name, case.lesions)]
        for one in sorted(mine, key=lambda line: list(NAMES).index(line.method)):
            yield _row(case, one)


def _row(case: Case, one: SimulationLine, name: str | None = None) -> str:
    return (
        f"| {case.name} | {case.lesions:,} | {name or NAMES[one.method]} | {100 * one.bias:+.2f} ({100 * one.bias_error:.2f}) | {100 * one.empirical_se:.2f} "
        f"| {100 * one.mean_se:.2f} | {coverage(one)} | {100 * one.width:.1f} | {one.withheld} of {one.services} |"
    )


def _share(share: float) -> str:
    return f"{100 * share:.0f} %"


def coverage(one: SimulationLine) -> str:
    """Coverage with its Wilson interval, as printed."""
    return f"{100 * one.coverage:.1f} % ({100 * one.coverage_lower:.1f} to {100 * one.coverage_upper:.1f})"


def _ungated(figures: Figures) -> Iterator[str]:
    yield "## What the gates withhold"
    yield ""
    gated = {_key(one): one.withheld for one in figures.lines if one.method == PRIMARY}
    first = PLAN.primary_endpoint
    other = [
        one for one in figures.ungated if one.endpoint == first and one.withheld < gated.get(_key(one), one.services)
    ]
    if not other:
        yield "Gates withheld no service for which there were models to answer with."
        yield ""
        return
    yield (
        "A gate withholds an answer where the groups stay unlike. The rows below are the primary method's answers to all services that have models, those that a gate "
        "withholds among them: what readers are spared, or miss."
    )
    yield ""
    yield from HEADING
    for one in other:
        case = next(c for c in CASES if (c.name, c.lesions) == (one.scenario, one.lesions))
        yield _row(case, one, f"primary, gates aside ({gated.get(_key(one), one.services)} withheld by them)")
    yield ""


def _key(one: SimulationLine) -> tuple[str, int, str]:
    return one.scenario, one.lesions, one.endpoint


def _widened(figures: Figures) -> Iterator[str]:
    if not figures.widened:
        return
    yield "## The hidden trait"
    yield ""
    for one in figures.lines:
        if (one.scenario, one.method, one.endpoint) == (figures.widened[0].scenario, PRIMARY, PLAN.primary_endpoint):
            yield (
                f"No method can be right about a trait that is in no table: the primary one is off by {100 * one.bias:+.1f} points there, and its 95 % interval holds the "
                f"truth in {coverage(one)}."
            )
            yield ""
    yield (
        "The report therefore widens the primary interval for a trait of a strength that the plan states. Here it is given the true strength of the trait that is hidden, "
        "worked out from each service's own chances (partial R squared: Chernozhukov et al. 2022):"
    )
    yield ""
    for one in figures.widened:
        yield f"- {_heading(one.endpoint)}: the widened interval covers in {coverage(one)}; its mean width is {100 * one.width:.1f} points."
    yield ""


def _looks(figures: Figures) -> Iterator[str]:
    if not figures.looks:
        return
    yield "## Looking each quarter"
    yield ""
    yield (
        f"Services without a true difference, {GROWING_LESIONS:,} lesions over three years, nothing missing; the primary difference at the end of each of twelve quarters on the lesions up to then. "
        "Share of services that claimed a difference at some look:"
    )
    yield ""
    yield "| intervals | services | a claim at some look |"
    yield "|---|---:|---:|"
    for one in figures.looks:
        yield (
            f"| {'valid over looks (`open_ended`)' if one.method == 'open_ended' else one.method} | {one.services} "
            f"| {100 * one.ever:.1f} % ({100 * one.lower:.1f} to {100 * one.upper:.1f}) |"
        )
    yield ""


def _limits() -> Iterator[str]:
    yield "## What these figures are not"
    yield ""
    yield (
        f"- **Short cuts.** {PLAN.imputation.datasets} completed data sets of what is not recorded; users have up to {Plan().imputation.datasets}, and slightly narrower intervals. "
        "Learners in fewer services and one scenario, as they take seconds each. One lesion profile instead of all, and the overlap population only; the tests marked `long`, which `make validate` runs next, look at the others."
    )
    yield (
        "- **Invented services.** Size, shares and pulls are ours ([the invented service](invented_service.md)). A real service can be confounded in ways that none of these is."
    )
    yield (
        "- **One family.** The methods were chosen while looking at services of this family: they may do a little better here than elsewhere."
    )
    yield "- **Simulation error** stands beside each figure. Differences of a point in coverage between two methods mean nothing."
    yield ""
