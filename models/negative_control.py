"""Negative controls: a comparison whose true difference is known to be none, so that what it shows is bias.

A control outcome is one that the approach cannot change (it was settled before the first puncture) but that hidden traits would sway as
they sway the endpoint; a control exposure is one that cannot change the endpoint (Lipsitch, Tchetgen Tchetgen & Cohen 2010,
Epidemiology 21:383-388). A control that shows nothing clears only the hidden traits that it shares.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

ControlKind = Literal["outcome", "exposure"]
ControlVerdict = Literal["no sign of bias", "bias found", "too imprecise to tell", "not available"]


@dataclass(frozen=True, slots=True)
class NegativeControl:
    """What one control says. Risk differences as fractions; None when there is no estimate.

    "bias found": the interval leaves out zero. "no sign of bias": it holds zero and no bias as large as `margin`. Else it is too imprecise.
    """

    name: str
    kind: ControlKind
    estimate: float | None
    lower: float | None
    upper: float | None
    margin: float
    verdict: ControlVerdict
    sentence: str


def judge_negative_control(
    name: str, kind: ControlKind, estimate: float | None, lower: float | None, upper: float | None, margin: float
) -> NegativeControl:
    """The verdict on a control whose adjusted risk difference and interval are given, and the sentence that the report prints.

    `name` reads in a sentence ("an earlier amputation"); `margin` (> 0) is the smallest bias that would matter to the answer, a
    fraction: as in a test of equivalence, absence of bias is claimed only where the interval lies inside it (Hartman & Hidalgo 2018, Am J Polit Sci
    62:1000-1013).
    """
    if estimate is None or lower is None or upper is None:
        sentence = f"{_capital(name)} could not be compared, so it says nothing of hidden traits."
        return NegativeControl(name, kind, None, None, None, margin, "not available", sentence)
    what = "the approach cannot change it" if kind == "outcome" else "it cannot change the outcome"
    shown = f"{_points(estimate)} (from {_points(lower)} to {_points(upper)}) points"
    start = f"{_capital(name)} should show no difference, as {what}; it shows {shown}"
    if lower > 0 or upper < 0:
        verdict: ControlVerdict = "bias found"
        end = "so hidden traits, or a fault in recording, still set the groups apart: read the main answer with that in mind."
    elif lower > -margin and upper < margin:
        verdict = "no sign of bias"
        end = f"so bias of {100 * margin:.1f} points or more from traits that it shares with the outcome is unlikely."
    else:
        verdict = "too imprecise to tell"
        end = f"which neither shows bias nor rules out {100 * margin:.1f} points of it."
    return NegativeControl(name, kind, estimate, lower, upper, margin, verdict, f"{start}, {end}")


def _capital(name: str) -> str:
    return name[:1].upper() + name[1:]


def _points(value: float) -> str:
    return f"{100 * value:+.1f}"
