"""How each attempt was done: where the artery was punctured, by which route, with what guidance and sheath, and in which plane.

All shares are common practice, no source. Positions are those of the dictionary's `codes`; -1 is not recorded.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from pipeline.case_tables import ATTEMPTS
from synthetic_data.attempts import CROSSED, DISSECTION_PLANE, MOST_ATTEMPTS, PUNCTURE_FAILED, Course
from synthetic_data.chance import Flags, Ints, flags, pick, pick_each, stream
from synthetic_data.lesions import SEGMENTS, SFA, Lesions

SITES = ATTEMPTS.column("access_site").codes
ROUTES = ATTEMPTS.column("route").codes
SAME_GROIN, OTHER_GROIN = SITES.index("common_femoral_ipsilateral"), SITES.index("common_femoral_contralateral")
NO_SUCH_ARTERY = -1

# From above: weight of each access for femoropopliteal and for below-knee lesions.
FROM_ABOVE = (
    ("common_femoral_ipsilateral", 0.30, 0.72),
    ("common_femoral_contralateral", 0.64, 0.20),
    ("superficial_femoral", 0.00, 0.05),
    ("radial", 0.04, 0.02),
    ("brachial", 0.02, 0.01),
)
# From below: (access, route, weight) by segment. A puncture beyond the lesion on its own artery is direct; another way round goes
# through collaterals or the pedal arch, from a foot artery or from the groin.
FROM_BELOW: dict[str, tuple[tuple[str, str, float], ...]] = {
    "superficial_femoral": (
        ("superficial_femoral", "direct", 0.18),
        ("popliteal", "direct", 0.30),
        ("anterior_tibial", "direct", 0.20),
        ("posterior_tibial", "direct", 0.18),
        ("peroneal", "direct", 0.04),
        ("dorsalis_pedis", "direct", 0.10),
    ),
    "popliteal": (
        ("anterior_tibial", "direct", 0.34),
        ("posterior_tibial", "direct", 0.34),
        ("peroneal", "direct", 0.10),
        ("dorsalis_pedis", "direct", 0.17),
        ("plantar", "direct", 0.05),
    ),
    "tibioperoneal_trunk": (
        ("posterior_tibial", "direct", 0.52),
        ("peroneal", "direct", 0.28),
        ("plantar", "direct", 0.08),
        ("dorsalis_pedis", "pedal_arch", 0.12),
    ),
    "anterior_tibial": (
        ("anterior_tibial", "direct", 0.36),
        ("dorsalis_pedis", "direct", 0.42),
        ("metatarsal", "direct", 0.05),
        ("posterior_tibial", "pedal_arch", 0.04),
        ("common_femoral_ipsilateral", "pedal_arch", 0.08),
        ("common_femoral_ipsilateral", "transcollateral", 0.05),
    ),
    "posterior_tibial": (
        ("posterior_tibial", "direct", 0.58),
        ("plantar", "direct", 0.20),
        ("dorsalis_pedis", "pedal_arch", 0.06),
        ("common_femoral_ipsilateral", "pedal_arch", 0.09),
        ("common_femoral_ipsilateral", "transcollateral", 0.07),
    ),
    "peroneal": (
        ("peroneal", "direct", 0.66),
        ("posterior_tibial", "transcollateral", 0.12),
        ("anterior_tibial", "transcollateral", 0.08),
        ("common_femoral_ipsilateral", "transcollateral", 0.14),
    ),
    "dorsalis_pedis": (
        ("dorsalis_pedis", "direct", 0.50),
        ("metatarsal", "direct", 0.22),
        ("plantar", "pedal_arch", 0.10),
        ("common_femoral_ipsilateral", "pedal_arch", 0.18),
    ),
    "plantar": (
        ("plantar", "direct", 0.58),
        ("dorsalis_pedis", "pedal_arch", 0.22),
        ("common_femoral_ipsilateral", "pedal_arch", 0.20),
    ),
}
THROUGH_PATENT_BYPASS = 0.45  # share of attempts from below that pass through an open graft on the target path


@dataclass(frozen=True, slots=True)
class Punctures:
    """One entry an attempt that was made, in the order of its lesion and number; `lesion` and `attempt` are positions from 0."""

    lesion: Ints
    attempt: Ints
    access_site: Ints
    route: Ints
    access_gained: Flags
    guidance: Ints
    sheath: Ints
    plane: Ints
    rendezvous: Ints


def invent_punctures(course: Course, lesions: Lesions, seed: int) -> Punctures:
    """Access, route, guidance, sheath, plane and meeting technique of every attempt made."""
    rng = stream(seed, "punctures")
    lesion, attempt = np.nonzero(course.made.T)
    below, crossed = course.from_below[attempt, lesion], course.crossed[attempt, lesion]
    reason = course.reason[attempt, lesion]
    n = len(lesion)
    site, route = _access(rng, lesions, lesion, below)
    remote = below & (site <= SITES.index("superficial_femoral")) & (route != 0)  # from the groin and round
    gained = reason != PUNCTURE_FAILED
    # A puncture that fails was a puncture below: those from the groin do not.
    site = np.where(~gained & remote, _beyond(lesions.segment[lesion]), site)
    route = np.where(~gained & remote, 0, route)
    remote &= gained
    groin_guidance, foot_guidance = pick(rng, (0.86, 0.12, 0.0, 0.02), n), pick(rng, (0.54, 0.30, 0.13, 0.03), n)
    distal = below & ~remote
    foot = distal & (site >= SITES.index("dorsalis_pedis"))
    sheathless = distal & flags(rng, np.where(foot, 0.72, 0.48), n)
    hard = lesions.length_mm[lesion] / 400.0 + 0.15 * lesions.calcium[lesion]
    plane = pick_each(rng, np.column_stack([np.full(n, 0.75), 0.05 + 0.55 * hard, 0.10 + 0.25 * hard]))
    plane = np.where(reason == DISSECTION_PLANE, 1, np.where(gained, plane, -1))
    return Punctures(
        lesion=lesion,
        attempt=attempt,
        access_site=site,
        route=route,
        access_gained=gained,
        guidance=np.where(distal, foot_guidance, groin_guidance),
        sheath=sheathless.astype(np.int64),
        plane=plane,
        rendezvous=_meeting(rng, course, lesion, attempt, below, crossed & (reason == CROSSED)),
    )


def _access(rng: np.random.Generator, lesions: Lesions, lesion: Ints, below: Flags) -> tuple[Ints, Ints]:
    n = len(lesion)
    segment = lesions.segment[lesion]
    sites = np.asarray([SITES.index(name) for name, _, _ in FROM_ABOVE])
    proximal = pick(rng, tuple(above_knee for _, above_knee, _ in FROM_ABOVE), n)
    distal = pick(rng, tuple(below_knee for _, _, below_knee in FROM_ABOVE), n)
    site = sites[np.where(lesions.below_knee[lesion], distal, proximal)]
    route = np.zeros(n, dtype=np.int64)
    drawn = rng.random(n)
    for code, ways in FROM_BELOW.items():
        here = below & (segment == SEGMENTS.index(code))
        edges = np.cumsum([weight for _, _, weight in ways])
        way = np.searchsorted(edges / edges[-1], drawn[here], side="right")
        site[here] = np.asarray([SITES.index(name) for name, _, _ in ways])[way]
        route[here] = np.asarray([ROUTES.index(name) for _, name, _ in ways])[way]
    # A wire that comes back up through an open graft enters at the groin; above the knee there is no such way.
    graft = below & (lesions.prior_bypass[lesion] == 1) & (segment != SFA) & flags(rng, THROUGH_PATENT_BYPASS, n)
    return np.where(graft, SAME_GROIN, site), np.where(graft, ROUTES.index("through_bypass"), route)


def _beyond(segment: Ints) -> Ints:
    """The commonest direct puncture beyond each segment."""
    commonest = [
        max((way for way in FROM_BELOW[code] if way[1] == "direct"), key=lambda way: way[2])[0] for code in SEGMENTS
    ]
    return np.asarray([SITES.index(name) for name in commonest])[segment]


def _meeting(
    rng: np.random.Generator, course: Course, lesion: Ints, attempt: Ints, below: Flags, crossed: Flags
) -> Ints:
    """Meeting techniques: mostly when both approaches were tried and this attempt crossed."""
    both = np.zeros(len(lesion), dtype=np.bool_)
    for earlier in range(MOST_ATTEMPTS - 1):
        both |= (attempt > earlier) & (course.from_below[earlier, lesion] != below)
    met = pick(rng, (0.34, 0.44, 0.15, 0.07), len(lesion))
    lone = pick(rng, (0.78, 0.22), len(lesion))  # a wire from below caught in a snare from above
    return np.where(crossed & both, met, np.where(crossed & below, lone, 0))
