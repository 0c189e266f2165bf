"""Names of the months, whole and cut, in the languages of the trade's exports."""

from __future__ import annotations

from collections.abc import Mapping

# English, German, French, Spanish, Italian, Dutch, Portuguese; where two languages share a word it is the same month.
_NAMES = (
    "jan january januar jänner jän janvier janv ene enero gen gennaio januari janeiro",
    "feb february februar feber février fevrier févr fevr fév fev febrero febbraio februari fevereiro",
    "mar march märz maerz mär mrz mars marzo maart mrt março marco",
    "apr april avril avr abr abril aprile",
    "may mai mayo mag maggio mei maio",
    "jun june juni juin junio giu giugno junho",
    "jul july juli juillet juil julio lug luglio julho",
    "aug august août aout ago agosto augustus",
    "sep sept september septembre septiembre setiembre set sett settembre setembro",
    "oct october okt oktober octobre octubre ott ottobre out outubro",
    "nov november novembre noviembre novembro",
    "dec december dez dezember déc décembre decembre dic diciembre dicembre dezembro",
)
ENGLISH = ("Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec")
# A name in lower case, without a point behind it, to its number: "mär" to "03".
MONTH_NUMBERS: Mapping[str, str] = {
    name: f"{number:02}" for number, names in enumerate(_NAMES, start=1) for name in names.split()
}
