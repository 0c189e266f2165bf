"""An invented service with gaps and a known truth: starting from below adds EFFECT to the risk of crossing, whatever the lesion."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from scipy.special import ndtri

from models.comparison import weighted_risks
from models.content_draws import content_words
from models.imputation_layout import AlwaysKnown, Owner
from models.logistic import expit
from models.propensity import Covariate, build_design, fit_score

EFFECT = 0.12

Covariates = tuple[Covariate, ...]


def gappy_service(
    rng: np.random.Generator, lesions: int, share: float = 1.0
) -> tuple[Covariates, Covariates, AlwaysKnown]:
    """Covariates whole and with gaps, and what is known of every lesion.

    Patients have one lesion and a half. Length and grade are the lesion's, diabetes the patient's; each is missing in about a quarter (times `share`),
    more often from below, after failure, and as a sign that is always recorded says: at random given what is known. The risk is additive in the approach, so
    that the difference is the same in every population.
    """
    _, cluster = np.unique(rng.integers(0, int(lesions / 1.5), lesions), return_inverse=True)
    patients = cluster.max() + 1
    frail = rng.normal(size=patients)
    diabetes = (rng.random(patients) < expit(0.8 * frail)).astype(float)[cluster]
    hard = 0.6 * frail[cluster] + 0.8 * rng.normal(size=lesions)
    length = np.exp(4.7 + 0.35 * hard + 0.25 * rng.normal(size=lesions))
    grade = np.clip(np.round(1.3 + 0.8 * hard + 0.7 * rng.normal(size=lesions)), 0, 3)
    sign = hard + rng.normal(size=lesions)
    burden = 0.7 * (grade - 1.3) + 0.5 * (np.log(length) - 4.7) / 0.43 + 0.5 * (diabetes - 0.5)
    treated = (rng.random(lesions) < expit(-0.9 + burden)).astype(float)
    risk = 0.13 + 0.6 * expit(0.4 - 1.1 * burden) + EFFECT * treated
    luck = np.sqrt(0.3) * rng.normal(size=patients)[cluster] + np.sqrt(0.7) * rng.normal(size=lesions)
    crossed = (luck < ndtri(risk)).astype(float)
    chance = share * np.stack([0.12 + 0.2 * (sign > 0) + 0.12 * treated, 0.12 + 0.15 * (1 - crossed) + 0.1 * treated])
    lost = rng.random((2, lesions)) < chance
    failures = np.bincount(cluster, 1 - crossed) / np.bincount(cluster)
    patient_lost = (rng.random(patients) < share * (0.15 + 0.25 * failures))[cluster]
    whole = (
        Covariate("length", "length", "number", length),
        Covariate("grade", "grade", "category", grade, tuple("0123")),
        Covariate("diabetes", "diabetes", "category", diabetes, ("no", "yes")),
    )
    gappy = tuple(
        replace(c, values=np.where(gone, np.nan, c.values))
        for c, gone in zip(whole, (*lost, patient_lost), strict=True)
    )
    content = content_words(np.vstack([treated, crossed, sign, *(c.values for c in gappy)]))
    owners = {"diabetes": Owner(cluster)}
    return whole, gappy, AlwaysKnown(treated, crossed[None], cluster, content, sign[None], owners)


def overlap_difference(covariates: Covariates, known: AlwaysKnown) -> tuple[float, float]:
    """The overlap-weighted risk difference and its variance, the score's estimation and patients accounted for."""
    score = fit_score(build_design(covariates, known.treated), known.treated)
    found = weighted_risks(known.treated, known.outcomes[0], known.cluster, "overlap", score)
    apart = found.influence_1 - found.influence_0
    patients = len(apart)
    return found.risk_1 - found.risk_0, patients / (patients - 1) * float(apart @ apart)
