"""The methods paragraph ready for a paper, composed from the run's own facts."""

from __future__ import annotations

from reports.methods_shown import ShownMethods
from reports.methods_words import sentence_case
from reports.notation import capital, count, joined, level_text


def paper(m: ShownMethods) -> tuple[str, ...]:
    """The methods paragraph, composed from this run's own facts."""
    r = m.run
    outcome = dict(r.endpoint_labels).get(r.primary_endpoint, r.primary_endpoint)
    others = [label for name, label in r.endpoint_labels if name != r.primary_endpoint]
    secondary = f" Secondary: {joined([chr(0x201C) + label + chr(0x201D) for label in others])}." if others else ""
    traits = [t.label for t in m.diagram.adjustment] if m.diagram else []
    adjusted = f" Confounders were chosen beforehand from a causal diagram: {joined(traits)}." if traits else ""
    seen = f"this is report {r.reports_seen + 1}"
    return (
        f"We emulated a trial of starting from below (retrograde) against starting from above (antegrade) in {r.eligibility} "
        f"({_size(m)}). The unit was the lesion within its procedure; time zero was the first puncture. "
        f"The primary outcome was \u201c{outcome}\u201d.{secondary}",
        f"The primary analysis was: {r.primary_label}.{adjusted} Nothing recorded after the first puncture was adjusted for. "
        f"Effects are risk differences, retrograde minus antegrade, with {level_text(r.level)} intervals that take the patient as the cluster."
        + _imputed(m),
        _sensitivity(m),
        f"Reports are made each quarter; {seen}{_over_looks(m)} The analysis plan (SHA-256 {r.plan_hash[:16]}\u2026) was written before results were seen"
        f"{_changed(m)}. Analyses were made with Crosswise {r.version}"
        + (f" ({joined([f'{v.name} {v.version}' for v in r.versions])})." if r.versions else "."),
    )  # fmt: skip


def _size(m: ShownMethods) -> str:
    crude = m.crude(m.run.primary_endpoint)
    n = crude.comparison.n if crude else None
    lesions = "" if n is None else f"{n:,} lesions in "
    return f"{lesions}{'few' if m.patients is None else count(m.patients)} patients, {m.run.operators:,} operators"


def _imputed(m: ShownMethods) -> str:
    if m.missing is None or m.missing.datasets < 2:
        return ""
    return (
        f" Traits that were not recorded were imputed {m.missing.datasets} times ({sentence_case(m.missing.method.rstrip('.'))}), and answers pooled by "
        "Rubin's rules with Barnard and Rubin's degrees of freedom."
    )


def _sensitivity(m: ShownMethods) -> str:
    others = list(
        dict.fromkeys(sentence_case(x.label) for x in m.estimates if not x.primary and x.comparison.method != "crude")
    )
    parts = [f"Beside it we report these: {'; '.join(others)}"] if others else []
    found = [h.found for h in m.hidden]
    tools = [
        name
        for name, there in (
            ("E-values", any(h.e_values for h in found)),
            ("a bias surface against the measured traits' own strength", any(h.surface for h in found)),
            ("Rosenbaum bounds", any(h.rosenbaum for h in found)),
            ("negative controls", any(h.controls for h in found)),
            ("operators' preference as an instrument", any(h.instrument for h in found)),
            ("an interval widened for a trait of stated strength", any(h.bounded for h in found)),
        )
        if there
    ]
    if tools:
        parts.append(f"unmeasured confounding was examined by {joined(tools)}")
    replicates = max((b.replicates for b in m.bootstrap), default=0)
    if replicates:
        parts.append(f"a bootstrap of patients ({replicates:,} replicates) gave a second interval")
    checks = [s.check for s in m.self_checks if s.check.answered]
    if checks:
        parts.append(
            f"the whole procedure was tried on {sum(c.replicates for c in checks):,} histories simulated from this service's own lesions with a known effect"
        )
    return f"{'. '.join(map(capital, parts))}." if parts else "No sensitivity analysis was made."


def _over_looks(m: ShownMethods) -> str:
    series = next((s for s in m.looks if s.endpoint == m.run.primary_endpoint), None)
    return "." if series is None else f", and intervals valid over all looks are given, by: {series.method}."


def _changed(m: ShownMethods) -> str:
    changed = [d.field for d in m.departures if d.kind == "choice"]
    return f", but for {joined(changed)}, changed afterwards" if changed else ""
