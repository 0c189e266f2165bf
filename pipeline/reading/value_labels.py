"""What a labelled value of a statistics program stands for: its code or its label, whichever the dictionary or the mapping knows.

A label is believed over the number that it stands on: "1" may mean no, and 999 may mean that nothing was measured.
"""

from __future__ import annotations

import re
from collections.abc import Mapping

from pipeline.case_tables import FALSE_WORDS, TRUE_WORDS, Column
from pipeline.mapping import accepted_codes
from pipeline.reading.source import fold

# Labels for "we do not know", in the languages of the trade's exports; common practice, no source.
NOT_KNOWN = frozenset(
    [
        *(
            "unknown",
            "not known",
            "missing",
            "not recorded",
            "not available",
            "no data",
            "not done",
            "not measured",
            "not assessed",
            "not assessable",
            "not evaluated",
            "not determined",
            "not graded",
            "not tested",
            "n/a",
            "na",
        ),
        *("unbekannt", "fehlend", "keine angabe", "k. a.", "k.a.", "nicht bekannt", "nicht erfasst", "nicht gemessen"),
        *("nicht beurteilt", "nicht beurteilbar", "nicht untersucht", "nicht durchgeführt", "nicht bestimmt"),
        *("inconnu", "inconnue", "manquant", "manquante", "non renseigné", "non renseignée", "non mesuré"),
        *("non évalué", "non évaluée", "non évaluable", "non réalisé", "non réalisée", "non fait", "non déterminé"),
        *("desconocido", "desconocida", "no consta", "sin datos", "no registrado", "no medido"),
        *("no evaluado", "no evaluada", "no valorado", "no valorada", "no valorable", "no realizado", "no realizada"),
        *("sconosciuto", "sconosciuta", "mancante", "non noto", "non nota", "non rilevato", "non misurato"),
        *("non valutato", "non valutata", "non valutabile", "non eseguito", "non eseguita", "non determinato"),
        *("onbekend", "ontbrekend", "niet bekend", "niet gemeten", "niet geregistreerd"),
        *("niet beoordeeld", "niet te beoordelen", "niet bepaald", "niet gedaan", "niet verricht", "niet onderzocht"),
        *("desconhecido", "desconhecida", "em falta", "não registado", "não registrado", "não medido"),
        *("não avaliado", "não avaliada", "não avaliável", "não realizado", "não realizada", "não determinado"),
    ]
)
_NONE = frozenset(
    {"none", "no", "zero", "keine", "aucun", "aucune", "ninguno", "ninguna", "nessuno", "nessuna", "geen", "nenhum"}
)
_NUMBER = re.compile(r"\d+(?:[.,]\d+)?")


def meaning(raw: str, label: str, column: Column | None, theirs: Mapping[str, str]) -> str | None:
    """The text to read for a value written `raw` under `label`; None where the label says that nothing is known.

    `theirs` are the site's codes for the column, as the mapping gives them: a code or a label that stands there is kept, the
    code first. Otherwise: a label that is one of the dictionary's codes gives that code; a number keeps its value unless the
    label says another number, or names a special value among measurements, which is then given as the label that no reading
    accepts. Keys and free columns keep the code.
    """
    known = {fold(code) for code in theirs}
    if fold(raw) in known:
        return raw
    if fold(label) in known:
        return label
    if column is None:
        return raw
    ours = _our_code(label, column)
    if ours is not None:
        return ours
    if fold(label) in NOT_KNOWN:
        return None
    if column.type in ("real", "date"):
        return label
    if column.type == "int" or column.name == "calcium_grade":
        return raw if _agrees(raw, label) else label
    return raw if column.type == "text" else label


def _our_code(label: str, column: Column) -> str | None:
    """The dictionary's code that a label is, whatever its capitals, spaces or hyphens."""
    written = re.sub(r"[\s-]+", "_", fold(label))
    accepted = (*TRUE_WORDS, *FALSE_WORDS) if column.type == "bool" else accepted_codes(column)
    return written if written in accepted else None


def _agrees(raw: str, label: str) -> bool:
    """Whether a label does not contradict the number that it stands on."""
    numbers = [float(found.replace(",", ".")) for found in _NUMBER.findall(label)]
    if fold(label) in _NONE:
        numbers = [0.0]
    try:
        return not numbers or float(raw) == numbers[0]
    except ValueError:
        return True
