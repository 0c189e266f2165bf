"""The occlusions: segment, length, calcium, caps, and what surrounds them. Codes are positions in the dictionary's `codes`."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from pipeline.case_tables import LESIONS
from synthetic_data.chance import Flags, Ints, Reals, expit, flags, pick, pick_each, stream
from synthetic_data.patients import Frame, Patients
from synthetic_data.sessions import Sessions

SEGMENTS = LESIONS.column("segment").codes
SFA, POPLITEAL, TRUNK, ANTERIOR_TIBIAL, POSTERIOR_TIBIAL, PERONEAL, DORSALIS_PEDIS, PLANTAR = range(8)

# Per segment, in the order of SEGMENTS; common practice, no source.
SEGMENT_WEIGHT = (0.40, 0.11, 0.04, 0.18, 0.13, 0.08, 0.04, 0.02)
SEGMENT_WEIGHT_DIABETES = (0.25, 0.09, 0.04, 0.26, 0.18, 0.09, 0.05, 0.04)
MEDIAN_MM = (165.0, 75.0, 40.0, 140.0, 135.0, 120.0, 45.0, 40.0)
SHORTEST_MM = (20.0, 15.0, 10.0, 30.0, 30.0, 30.0, 10.0, 10.0)
LONGEST_MM = (420.0, 220.0, 90.0, 320.0, 320.0, 300.0, 110.0, 100.0)
IN_STENT = (0.11, 0.05, 0.01, 0.01, 0.01, 0.005, 0.0, 0.0)

HIDDEN_SHARE = 0.4  # lesions with the look of the angiogram that no table holds; ours, no source

# Target angiosome given the treated segment, in the dictionary's order; arteries above the split can feed any of them.
ANYWHERE = (0.36, 0.12, 0.24, 0.10, 0.12, 0.06)
FRONT = (0.72, 0.05, 0.10, 0.04, 0.06, 0.03)
BACK = (0.18, 0.20, 0.40, 0.14, 0.06, 0.02)
SIDE = (0.22, 0.08, 0.16, 0.10, 0.28, 0.16)
ANGIOSOME = (ANYWHERE, ANYWHERE, ANYWHERE, FRONT, BACK, SIDE, FRONT, BACK)


@dataclass(frozen=True, slots=True)
class Lesions:
    """One entry a lesion. `calcium` is 0 none, 1 mild, 2 moderate, 3 severe: what the recorded grade harmonizes to."""

    session: Ints
    segment: Ints
    length_mm: Reals
    calcium: Ints
    convex_proximal: Flags
    concave_distal: Flags
    in_stent: Flags
    prior_bypass: Ints  # 0 none, 1 patent, 2 occluded
    angiosome: Ints  # -1 without a wound
    runoff: Ints
    fp_grade: Ints
    ip_grade: Ints
    pedal_grade: Ints
    hidden_look: Flags  # in no table; without any pull unless the scenario says so

    @property
    def below_knee(self) -> Flags:
        """Beyond the popliteal artery."""
        return np.asarray(self.segment >= TRUNK)


def invent_lesions(frame: Frame, patients: Patients, sessions: Sessions, seed: int) -> Lesions:
    """Lesions with the correlations a vascular specialist expects."""
    rng = stream(seed, "lesions")
    session = frame.session_of_lesion
    n = len(session)
    patient = sessions.patient[session]
    diabetes, renal = patients.diabetes[patient] > 0, patients.renal[patient]
    segment = _segments(rng, session, diabetes | (renal == 2))
    median = np.asarray(MEDIAN_MM)[segment] * np.exp(0.05 * (sessions.rutherford[session] - 5))
    length = np.round(
        np.clip(
            median * np.exp(0.58 * rng.standard_normal(n)),
            np.asarray(SHORTEST_MM)[segment],
            np.asarray(LONGEST_MM)[segment],
        )
    )
    below_knee = segment >= TRUNK
    lime = (
        0.9 * (renal == 2)
        + 0.3 * (renal == 1)
        + 0.4 * diabetes
        + 0.03 * (sessions.age[session] - 73)
        + 0.55 * np.log(length / 110.0)
        + 0.15 * below_knee
        + 1.0 * rng.logistic(size=n)
    )
    calcium = (lime > -0.85).astype(np.int64) + (lime > 0.75) + (lime > 1.9)
    # Severe means 5 cm or more (PACSS 4, Rocha-Singh 2014): a shorter lesion cannot hold it.
    calcium = np.where((calcium == 3) & (length < 50), 2, calcium)
    convex_proximal = flags(rng, expit(-1.25 + 0.25 * calcium + 0.25 * np.log(length / 110.0)), n)
    concave_distal = flags(rng, np.where(convex_proximal, 0.74, 0.87), n)
    bypass = np.where(
        sessions.bypass_in_limb[session] & (segment != DORSALIS_PEDIS) & (segment != PLANTAR) & flags(rng, 0.9, n),
        1 + flags(rng, 0.72, n),
        0,
    )
    wound = sessions.wound[session] > 0
    angiosome = np.where(wound, pick_each(rng, np.asarray(ANGIOSOME)[segment]), -1)
    runoff_latent = 0.35 - 0.45 * below_knee - 0.3 * diabetes - 0.3 * (renal == 2) + rng.logistic(size=n)
    runoff = (runoff_latent > -2.2).astype(np.int64) + (runoff_latent > -0.1) + (runoff_latent > 1.6)
    in_stent = flags(rng, np.asarray(IN_STENT)[segment], n)
    fp, ip, pedal = _glass(rng, segment, length, calcium == 3, runoff)
    return Lesions(
        session=session,
        segment=segment,
        length_mm=length,
        calcium=calcium,
        convex_proximal=convex_proximal,
        concave_distal=concave_distal,
        in_stent=in_stent,
        prior_bypass=bypass.astype(np.int64),
        angiosome=angiosome,
        runoff=runoff,
        fp_grade=fp,
        ip_grade=ip,
        pedal_grade=pedal,
        hidden_look=flags(stream(seed, "hidden look"), HIDDEN_SHARE, n),
    )


def _segments(rng: np.random.Generator, session: Ints, distal_disease: Flags) -> Ints:
    """A different segment for each lesion of a session: the session's segments in a random order, by weight."""
    weights = np.where(distal_disease[:, None], np.log(SEGMENT_WEIGHT_DIABETES), np.log(SEGMENT_WEIGHT))
    keys = weights + rng.gumbel(size=weights.shape)
    starts = np.concatenate([[True], session[1:] != session[:-1]])
    first = np.flatnonzero(starts)[np.cumsum(starts) - 1]
    place = np.arange(len(session)) - first
    # The order of a session is its first lesion's; its later lesions take the later places.
    order = np.argsort(-keys[first], axis=1, kind="stable")
    return np.asarray(order[np.arange(len(session)), place], dtype=np.int64)


def _glass(
    rng: np.random.Generator, segment: Ints, length: Reals, severe: Flags, runoff: Ints
) -> tuple[Ints, Ints, Ints]:
    """GLASS grades that agree with the occlusion; severe calcium lifts its segment's grade by one (Conte 2019)."""
    n = len(segment)
    by_sfa = np.where(length < 50, 1, np.where(length < 100, 2, np.where(length <= 200, 3, 4)))
    flush = (segment == SFA) & (length >= 50) & flags(rng, 0.2, n)
    by_sfa = np.where(flush, np.maximum(by_sfa, 3), by_sfa)
    elsewhere_fp = pick(rng, (0.5, 0.22, 0.15, 0.08, 0.05), n)
    fp = np.where(segment == SFA, by_sfa, np.where(segment == POPLITEAL, 4, elsewhere_fp))
    fp = np.where((segment <= POPLITEAL) & severe, np.minimum(fp + 1, 4), fp)
    # A tibial artery is about 300 mm long: a third of it is 100 mm.
    by_tibial = np.where(length < 30, 2, np.where(length <= 100, 3, 4))
    elsewhere_ip = np.clip(3 - runoff + pick(rng, (0.35, 0.45, 0.20), n) - 1, 0, 4)
    tibial = (segment >= ANTERIOR_TIBIAL) & (segment <= PERONEAL)
    ip = np.where(tibial, by_tibial, np.where(segment == TRUNK, 4, elsewhere_ip))
    ip = np.where(tibial & severe, np.minimum(ip + 1, 4), ip)
    pedal = np.where(segment >= DORSALIS_PEDIS, 1 + flags(rng, 0.35, n), pick(rng, (0.55, 0.35, 0.10), n))
    return fp.astype(np.int64), ip.astype(np.int64), pedal.astype(np.int64)
