"""What the methods page rests on. Volumes and pages of those marked so are from memory."""

from __future__ import annotations

SOURCES: tuple[tuple[str, str], ...] = (
    ("Austin PC. Stat Med 2009;28:3083-3107", "standardized differences and the limit of 0.10"),
    ("Barnard J, Rubin DB. Biometrika 1999;86:948-955 (from memory)", "degrees of freedom after imputation"),
    ("Benchimol EI, et al. PLoS Med 2015;12:e1001885", "RECORD"),
    ("Brookhart MA, Schneeweiss S. Int J Biostat 2007;3:14 (from memory)", "preference as an instrument"),
    ("Cashin AG, et al. JAMA 2025;334:1084-1093", "TARGET"),
    ("Cinelli C, Hazlett C. J R Stat Soc B 2020;82:39-67 (from memory)", "robustness value, measured traits as benchmarks"),
    ("Cox DR. Biometrika 1958;45:562-565 (from memory)", "slope and intercept of calibration"),
    ("Gelman A, Rubin DB. Stat Sci 1992;7:457-472 (from memory)", "R-hat of the chains"),
    (
        "Greenland S, Robins JM, Pearl J. Stat Sci 1999;14:29-46 (from memory)",
        "why odds ratios at given traits lie further from 1",
    ),
    ("Hern\u00e1n MA, Robins JM. Am J Epidemiol 2016;183:758-764", "the target trial"),
    ("Kish L. Survey Sampling. Wiley 1965", "effective sizes"),
    ("Li F, Morgan KL, Zaslavsky AM. J Am Stat Assoc 2018;113:390-400", "overlap weights"),
    ("Lin DY, Psaty BM, Kronmal RA. Biometrics 1998;54:948-963", "surface of a hidden trait"),
    ("Lipsitch M, Tchetgen Tchetgen E, Cohen T. Epidemiology 2010;21:383-388 (from memory)", "negative controls"),
    ("Pearl J. Causality, 2nd ed. Cambridge University Press 2009", "causal diagrams, mediators and colliders"),
    ("Rosenbaum PR. Observational Studies, 2nd ed. Springer 2002", "bounds for matched pairs"),
    ("Rubin DB. Multiple Imputation for Nonresponse in Surveys. Wiley 1987", "pooling, shifted values"),
    (
        "Rubin DB. Health Serv Outcomes Res Methodol 2001;2:169-188 (from memory)",
        "limits of imbalance and of variance ratios",
    ),
    ("Stuart EA. Stat Sci 2010;25:1-21", "limits of imbalance"),
    ("van Buuren S. Flexible Imputation of Missing Data, 2nd ed. CRC Press 2018", "chained equations, plausibility"),
    ("VanderWeele TJ, Ding P. Ann Intern Med 2017;167:268-274 (from memory)", "E-values"),
    ("von Elm E, et al. PLoS Med 2007;4:e296", "STROBE"),
    ("Waudby-Smith I, et al. Ann Stat 2024;52:2613-2640 (from memory)", "intervals valid over all looks"),
)  # fmt: skip
