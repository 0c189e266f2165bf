"""What three published checklists ask for, in our own short words, and what a run can say to it.

STROBE: von Elm E, et al. PLoS Med 2007;4:e296. RECORD: Benchimol EI, et al. PLoS Med 2015;12:e1001885. TARGET: Cashin AG, et al. JAMA
2025;334:1084-1093. Numbers of STROBE and RECORD items are from memory; those of TARGET follow a second-hand summary of the published table.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

Status = Literal["run", "part", "author"]


@dataclass(frozen=True, slots=True)
class Item:
    """One item: its number, what it asks, who can answer ("part": the run knows some of it), the answer, and the sections it points to.

    `answer` may hold names in braces, which the run's own facts replace; for "author" it says what to state, after "The author must state".
    """

    number: str
    asks: str
    status: Status
    answer: str
    sections: tuple[str, ...] = ()


STROBE: tuple[Item, ...] = (
    Item("1a", "Design named in title or abstract", "part", "A cohort of {compared}, emulating a target trial; put it into the title.", ("question",)),
    Item("1b", "Balanced abstract", "author", "what was done and found in balance; the primary answer is {answer}."),
    Item("2", "Background and reasons", "author", "why the question is open."),
    Item("3", "Objectives and hypotheses", "run", "{question}", ("question",)),
    Item("4", "Key elements of the design, early", "run", "Lesions by the approach of their first attempt, compared like for like.", ("question",)),
    Item("5", "Setting, places and dates", "part", "{service}; {period}. State place, kind of hospital and referral.", ("compared",)),
    Item("6a", "Eligibility, sources, selection, follow-up", "run", "{eligibility}. Outcomes are known by the end of the session.", ("question", "compared")),
    Item("6b", "Matching criteria, for matched studies", "run", "Matching is one of the methods beside the primary one; its rule is in the plan.", ("methods",)),
    Item("7", "Outcomes, exposure, confounders, modifiers defined", "run", "Outcomes: {outcomes}. Confounders with reasons in the table.", ("question", "adjusted")),
    Item("8", "Sources and ways of measurement", "part", "Case tables of the service, read through its mapping. State who records them and when.", ("compared",)),
    Item("9", "Efforts against bias", "run", "Causal diagram, adjustment, checks, analyses of hidden traits, self-check.", ("adjusted", "balance", "hidden", "self-check")),
    Item("10", "Study size", "part", "All lesions of the period. Smallest difference that they could show: {detectable}.", ("self-check",)),
    Item("11", "Handling of numbers", "run", "Splines for numbers; how each trait enters is in the table.", ("adjusted",)),
    Item("12a", "Statistical methods, confounding included", "run", "{primary}.", ("methods", "paper")),
    Item("12b", "Subgroups and interactions", "part", "By lesion profile in the strategy report."),
    Item("12c", "Missing data", "run", "{imputation}", ("missing-data",)),
    Item("12d", "Loss to follow-up, for cohorts", "run", "None: outcomes are known by the end of the session.", ("question",)),
    Item("12e", "Sensitivity analyses", "run", "{methods} methods side by side; hidden traits, influence, gaps.", ("methods", "hidden", "influence", "missing-data")),
    Item("13a", "Numbers at each stage", "run", "{read} lesions read, {compared} compared.", ("compared",)),
    Item("13b", "Reasons for leaving out", "run", "Given at every step.", ("compared",)),
    Item("13c", "Flow diagram", "run", "Drawn.", ("compared",)),
    Item("14a", "Characteristics of those studied", "run", "Table 1.", ("balance",)),
    Item("14b", "Missing values by variable", "run", "By trait and approach.", ("missing-data",)),
    Item("14c", "Length of follow-up, for cohorts", "run", "To the end of the session.", ("question",)),
    Item("15", "Outcome events", "run", "Counts and shares by approach.", ("methods",)),
    Item("16a", "Unadjusted and adjusted estimates, intervals, why these confounders", "run", "Plain {crude}; adjusted {answer}.", ("methods", "adjusted")),
    Item("16b", "Limits of categories", "part", "Bands are in the plan; Table 1 and the strategy report print them.", ("balance",)),
    Item("16c", "Absolute risks where relative ones are given", "run", "Risk differences and risks stand beside every ratio.", ("methods",)),
    Item("17", "Other analyses", "run", "Done and shown.", ("missing-data", "hidden", "influence", "looks")),
    Item("18", "Key results by objective", "part", "{answer}. Put it into words.", ("methods",)),
    Item("19", "Limitations, direction and size of bias", "part", "How far a hidden trait could move the answer is shown; discuss it.", ("hidden",)),
    Item("20", "Cautious interpretation", "author", "what the result means in the light of other evidence."),
    Item("21", "Generalizability", "author", "how like other services this one is."),
    Item("22", "Funding and its role", "author", "funding and what the funders did."),
)  # fmt: skip

RECORD: tuple[Item, ...] = (
    Item("1.1", "Type of data in title or abstract, with the database named", "part", "Routine case tables of {service}."),
    Item("1.2", "Place and time in title or abstract", "part", "{period}. State the place."),
    Item("1.3", "Linkage, if any, in title or abstract", "author", "any linkage before the export; the program links nothing beyond the keys of the tables."),
    Item("6.1", "How the population was selected: codes or algorithms", "run", "{eligibility}; rules by table and reason are counted.", ("compared",)),
    Item("6.2", "Validation of those codes or algorithms", "author", "whether the recorded approach and result were checked against images or notes."),
    Item("6.3", "Diagram of linkage, if any", "author", "the linkage, if there was any before the export."),
    Item("7.1", "Full list of codes for exposure, outcome, confounders", "part", "The data dictionary and the mapping file hold them: attach both.", ("adjusted",)),
    Item("12.1", "Access of the investigators to the database", "author", "who could see what."),
    Item("12.2", "Cleaning of the data", "run", "Rows set aside and values left blank are counted by rule in the strategy report and quality.html.", ("compared",)),
    Item("12.3", "Linkage: level, methods, quality", "author", "any linkage before the export, its level, methods and quality."),
    Item("13.1", "Selection in detail, by quality, availability, linkage", "run", "Counted at every step.", ("compared",)),
    Item("19.1", "Implications of data not made for research: misclassification, hidden traits, gaps, changing eligibility", "part", "Hidden traits and gaps are examined here; discuss misclassification and changes of coding.", ("hidden", "missing-data")),
    Item("22.1", "Where protocol, data and code can be had", "part", "Plan (SHA-256) {plan}; program version {version}. Say where they can be had.", ("run",)),
)  # fmt: skip

TARGET: tuple[Item, ...] = (
    Item("1a", "Abstract: an emulation, its aims, the trial in brief", "part", "{question}", ("question",)),
    Item("1b", "Abstract: data sources", "part", "Routine case tables of {service}, {period}."),
    Item("1c", "Abstract: assumptions, methods, findings, conclusions", "author", "all four in brief; the primary answer is {answer}."),
    Item("2", "Background and gap in knowledge", "author", "what is known and what is not."),
    Item("3", "The causal question", "run", "{question}", ("question",)),
    Item("4", "Why emulate a trial with these data; trials that informed it", "author", "why no trial can answer, and which trials informed the design."),
    Item("5", "Data: purpose, type, place, setting, period, linkage", "part", "Case tables kept for the service's own work, {period}. State place and setting.", ("compared",)),
    Item("6a", "Trial: eligibility", "run", "In the target-trial table.", ("question",)),
    Item("6b", "Trial: strategies", "run", "In the target-trial table.", ("question",)),
    Item("6c", "Trial: random, open assignment", "run", "In the target-trial table.", ("question",)),
    Item("6d", "Trial: start and end of follow-up", "run", "From the first puncture to the end of the session.", ("question",)),
    Item("6e", "Trial: outcomes", "run", "{outcomes}.", ("question",)),
    Item("6f", "Trial: causal contrasts and measures", "run", "In the table of estimands.", ("question",)),
    Item("6g", "Trial: identifying assumptions", "run", "Exchangeability by the lot; consistency and positivity by design.", ("question",)),
    Item("6h", "Trial: analysis, gaps included", "run", "In the target-trial table.", ("question",)),
    Item("7a", "Emulation: eligibility", "run", "{eligibility}.", ("question", "compared")),
    Item("7b", "Emulation: strategies", "run", "The approach of attempt 1 as recorded.", ("question",)),
    Item("7c", "Emulation: assignment", "run", "As if random given the traits of the adjustment set.", ("question", "adjusted")),
    Item("7d", "Emulation: time zero and end of follow-up", "run", "Eligibility, assignment and start of follow-up are one moment, the first puncture.", ("question",)),
    Item("7e", "Emulation: outcomes", "run", "As recorded for each attempt.", ("question",)),
    Item("7f", "Emulation: contrasts and measures", "run", "Risk difference, ratio and odds ratio in the {population}.", ("question", "methods")),
    Item("7g(i)", "Emulation: assumptions, baseline confounding", "run", "No hidden reason for the choice beyond the adjustment set; each method's further ones stand beside it.", ("adjusted", "methods")),
    Item("7g(ii)", "Emulation: variables of those assumptions", "run", "Adjustment set with reasons and forms.", ("adjusted",)),
    Item("7h(i)", "Emulation: analysis, models, gaps", "run", "{primary}. {imputation}", ("methods", "missing-data")),
    Item("7h(ii)", "Emulation: sensitivity analyses", "run", "Listed in the methods paragraph.", ("paper", "hidden", "influence")),
    Item("8", "Numbers assessed, eligible, assigned", "run", "{read} read, {compared} compared; flow diagram.", ("compared",)),
    Item("9", "Baseline characteristics by strategy", "run", "Table 1.", ("balance",)),
    Item("10", "Length and end of follow-up by strategy", "run", "All to the end of the session; none lost.", ("question",)),
    Item("11", "Missing values in all variables by strategy", "run", "By trait and approach.", ("missing-data",)),
    Item("12", "Outcomes by strategy", "run", "Counts and shares.", ("methods",)),
    Item("13", "Estimates with precision, absolute and relative", "run", "{answer}; all measures in the tables.", ("methods",)),
    Item("14", "Results of sensitivity analyses", "run", "All shown, whatever they say.", ("methods", "missing-data", "hidden", "influence", "looks")),
    Item("15", "Interpretation by the causal question", "author", "what the result says to the question."),
    Item("16", "Limitations: trial against emulation, plausibility of assumptions", "part", "What a hidden trait would have to be is shown; discuss whether it is likely.", ("hidden",)),
    Item("17", "Ethics", "author", "approval or waiver."),
    Item("18", "Registration of the protocol", "part", "Plan (SHA-256) {plan}, changes since listed. State where it was registered.", ("departures",)),
    Item("19", "Access to data, code, materials", "part", "Program version {version}, seeds and hashes are given. State access.", ("run",)),
    Item("20", "Funding and its role", "author", "funding and what the funders did."),
    Item("21", "Conflicts of interest", "author", "all authors' interests."),
)  # fmt: skip
