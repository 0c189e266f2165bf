"""The reporting checklists, filled in with what this run knows and marked where the author must."""

from __future__ import annotations

from collections.abc import Mapping

from markupsafe import Markup, escape

from reports.checklist_items import RECORD, STROBE, TARGET, Item
from reports.methods_charts import POPULATIONS
from reports.methods_shown import ShownMethods
from reports.methods_words import primary_interval, sentence_case
from reports.notation import capital, count, joined, points, points_interval
from reports.table_text import Table
from reports.wording import month

_STATUS = {"run": "This run", "part": "In part", "author": "Author", "missing": "Missing"}


def checklists(m: ShownMethods, titles: Mapping[str, str]) -> tuple[Table, ...]:
    """The three lists as tables; `titles` are the sections' headings, by their names, for the pointers."""
    facts, there = _facts(m), _there(m)
    return tuple(
        _table(caption, items, facts, titles, there)
        for caption, items in (
            ("STROBE (von Elm 2007): observational studies. What is asked is in our words; fill in the official form.", STROBE),
            ("RECORD (Benchimol 2015): what routinely collected data add to STROBE. In our words; fill in the official form.", RECORD),
            ("TARGET (Cashin 2025): emulations of a target trial. In our words, numbered after a second-hand summary; fill in the official form.", TARGET),
        )
    )  # fmt: skip


def _there(m: ShownMethods) -> frozenset[str]:
    """Sections that hold a result, not only the reason why there is none."""
    found = {
        "question": m.trial,
        "compared": m.flow,
        "adjusted": m.diagram,
        "balance": m.table_one,
        "methods": m.estimates,
        "missing-data": m.missing,
        "hidden": m.hidden,
        "influence": m.influence,
        "looks": m.looks,
        "self-check": m.self_checks,
    }
    return frozenset(name for name, result in found.items() if result) | {"departures", "paper", "run"}


def _table(
    caption: str,
    items: tuple[Item, ...],
    facts: Mapping[str, str],
    titles: Mapping[str, str],
    there: frozenset[str],
) -> Table:
    states = [
        "missing" if i.status != "author" and i.sections and i.sections[0] not in there else i.status for i in items
    ]
    return Table(
        caption,
        ("Item", "Asked", "Answered by", "Answer"),
        tuple(
            (i.number, i.asks, _STATUS[state], _answer(i, facts, titles, missing=state == "missing"))
            for i, state in zip(items, states, strict=True)
        ),
        frozenset({0, 1, 2, 3}),
        tuple(f"item-{state}" for state in states),
    )


def _answer(item: Item, facts: Mapping[str, str], titles: Mapping[str, str], *, missing: bool) -> Markup:
    """The answer with links to the sections."""
    if missing:
        return Markup('Not worked out in this run: see <a href="#{}">{}</a>.').format(
            item.sections[0], titles[item.sections[0]]
        )
    text = item.answer.format_map(facts).replace("..", ".")
    text = f"The author must state {text}" if item.status == "author" else capital(text)
    links = Markup(", ").join(Markup('<a href="#{}">{}</a>').format(name, titles[name]) for name in item.sections)
    return escape(text) + (Markup(" See {}.").format(links) if item.sections else Markup(""))


def _facts(m: ShownMethods) -> dict[str, str]:
    r = m.run
    primary, crude = m.primary(r.primary_endpoint), m.crude(r.primary_endpoint)
    plain = crude.comparison.effect("risk_difference") if crude else None
    checked = next((s.check for s in m.self_checks if s.endpoint == r.primary_endpoint), None)
    n = crude.comparison.n if crude else None
    return {
        "service": r.service,
        "period": f"{month(r.period_start)} to {month(r.period_end)}",
        "eligibility": capital(r.eligibility.rstrip(".")),
        "question": m.question,
        "outcomes": joined([label for _, label in r.endpoint_labels]),
        "primary": capital(r.primary_label),
        "population": POPULATIONS[primary.comparison.population].lower() if primary else "population of the plan",
        "answer": primary_interval(m, r.primary_endpoint),
        "crude": "withheld"
        if plain is None or plain.estimate is None
        else f"{points(plain.estimate)} ({points_interval(plain)}) points",
        "compared": f"{count(n)} lesions" if crude else "no lesion",
        "read": count(m.flow[0].count) if m.flow else "none",
        "methods": str(len({x.label for x in m.estimates})),
        "imputation": f"{sentence_case(m.missing.method.rstrip('.'))}; {m.missing.datasets} data sets."
        if m.missing and m.missing.datasets
        else "No trait is missing, or none was imputed.",
        "detectable": f"{points(checked.detectable_difference, signed=False)} points"
        if checked and checked.detectable_difference is not None
        else "not worked out",
        "plan": f"{r.plan_hash[:16]}\u2026",
        "version": r.version,
    }
