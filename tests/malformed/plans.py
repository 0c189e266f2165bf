"""Mistakes in the plan."""

from __future__ import annotations

from tests.malformed.case import Case, Family
from tests.malformed.changes import plan


def _plan(name: str, toml: str | bytes, *stops: str) -> Case:
    return Case(name, (plan(toml),), stops=stops)


PLANS = Family(
    "Plans",
    (
        _plan("an empty plan", ""),
        _plan("a plan that is no TOML", "level: 0.9\n", "plan.toml: not a TOML file"),
        _plan("a plan in Windows-1252", 'service = "Süd"\n'.encode("cp1252"), "plan.toml: not a TOML file"),
        _plan("a plan with a byte order mark", '\ufeffservice = "Süd"\n'),
        _plan("a choice that there is not", "levle = 0.9\n", "plan.toml: levle"),
        _plan("a number as text", 'level = "0.9"\n', "plan.toml: level"),
        _plan("a level out of its limits", "level = 95\n", "plan.toml: level"),
        _plan("a level that is no number", "level = nan\n", "plan.toml: level"),
        _plan("a threshold without end", "[gates]\nlargest_imbalance = inf\n", "plan.toml: gates.largest_imbalance"),
        _plan(
            "a caution that comes after the limit",
            "[gates]\ncaution_imbalance = 0.5\n",
            "plan.toml: gates: caution_imbalance must not be above largest_imbalance",
        ),
        _plan("bands that fall", "length_bands_mm = [200.0, 100.0]\n", "plan.toml: plan: length_bands_mm must rise"),
        _plan(
            "bands of age beyond 90", "age_bands_years = [65, 95]\n", "plan.toml: plan: age_bands_years must end at 90"
        ),
        _plan(
            "a date that is not in the calendar",
            "[eligibility]\nfirst_date = 2024-02-30\n",
            "plan.toml: not a TOML file",
        ),
        _plan("a date as text", '[eligibility]\nfirst_date = "2024-02-03"\n', "plan.toml: eligibility.first_date"),
        _plan(
            "the last date before the first",
            "[eligibility]\nfirst_date = 2024-02-03\nlast_date = 2023-02-03\n",
            "first_date is after last_date",
        ),
        _plan("a segment that there is not", '[eligibility]\nsegments = ["femoral"]\n', "'femoral' is not a segment"),
        _plan(
            "an endpoint that there is not",
            'endpoints = ["first_approach_crossed", "healed"]\n',
            "'healed' is not an endpoint",
        ),
        _plan(
            "a first endpoint that is not among the endpoints",
            'endpoints = ["crossed_in_session"]\n',
            "plan.toml: plan: primary_endpoint must be one of endpoints",
        ),
        _plan("a feature that there is not", 'adjust_for = ["height"]\n', "'height' is not a feature"),
        _plan("a profile that there is not", 'profiles = ["height"]\n', "'height' is not a lesion profile"),
        _plan(
            "one endpoint twice",
            'endpoints = ["first_approach_crossed", "first_approach_crossed"]\n',
            "plan.toml: plan: endpoints names something twice",
        ),
        _plan("a smallest count that hides nothing", "smallest_count_shown = 1\n", "plan.toml: smallest_count_shown"),
        _plan(
            "a word for withdrawn rows that there is not", 'withdrawn_rows = "forget"\n', "plan.toml: withdrawn_rows"
        ),
        _plan("two mistakes in one plan", "level = 95\nseed = 1.5\n", "plan.toml: level", "plan.toml: seed"),
    ),
)
