"""The guard against direct identifiers: by the words of a header, and by what a column holds."""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import polars as pl

NUMBER = "a hospital or insurance number"

# Words that alone make a header a direct identifier, without accents, in the languages of the trade's exports.
WORDS: Mapping[str, tuple[str, ...]] = {
    "a name": (
        *(
            "surname",
            "forename",
            "firstname",
            "lastname",
            "fullname",
            "familyname",
            "givenname",
            "patientname",
            "initials",
        ),
        *("nachname", "vorname", "familienname", "zuname", "rufname", "geburtsname", "patientenname", "initialen"),
        *("prenom", "patronyme", "apellido", "apellidos", "cognome", "achternaam", "voornaam"),
        *("apelido", "sobrenome", "tussenvoegsel", "nombres"),
    ),
    NUMBER: (
        *("mrn", "nhs", "nhsnumber", "ssn", "chi", "nhsno", "hospno", "hospitalnumber", "passport"),
        *("fallnummer", "fallnr", "patientennummer", "patientennr", "krankenhausnummer", "versichertennummer", "kvnr"),
        *("nss", "ipp", "nir", "nhc", "dni", "nie", "cip", "bsn", "patientnummer", "burgerservicenummer", "cpf", "cns"),
        *("ahv", "ahvnr", "ahvnummer", "personnummer", "fodselsnummer", "cprnummer", "cpr", "henkilotunnus"),
    ),
    "a date of birth": (
        *("dob", "birthdate", "birthday", "dateofbirth", "geburtsdatum", "gebdatum", "gebdat", "geburtstag"),
        *("ddn", "geboortedatum", "fechanacimiento", "datanascita", "datanascimento", "fodselsdato"),
        *("naissance", "datenaissance"),
    ),
    "a postcode": (
        *("postcode", "postalcode", "zip", "zipcode", "plz", "postleitzahl", "cap", "cep", "codepostal"),
        *("codigopostal", "postnummer", "postkod"),
    ),
    "an address": (
        *("address", "street", "adresse", "anschrift", "strasse", "wohnort", "rue", "domicile", "direccion", "calle"),
        *("domicilio", "indirizzo", "adres", "straat", "woonplaats", "endereco", "morada", "rua", "hausnummer"),
    ),
    "a telephone number": (
        *("phone", "telephone", "tel", "mobilephone", "cellphone", "fax", "telefon", "telefonnummer", "handy"),
        *("handynummer", "telefono", "telefoon", "telefoonnummer", "telefone", "telemovel", "celular", "portable"),
    ),
    "an e-mail address": ("email", "mail", "emailaddress", "courriel", "correo"),
    "free text": (
        *("note", "notes", "comment", "comments", "remark", "remarks", "freetext", "narrative", "memo"),
        *("bemerkung", "bemerkungen", "kommentar", "kommentare", "freitext", "notiz", "notizen", "anmerkung"),
        *("commentaire", "commentaires", "remarque", "remarques", "comentario", "comentarios", "observaciones"),
        *("nota", "notas", "osservazioni", "osservazione", "commento", "commenti", "opmerking", "opmerkingen"),
        *("toelichting", "observacao", "observacoes", "obs"),
        *("befund", "befundtext", "befundbericht", "reporttext"),
    ),
}

# Words that make one only together.
TOGETHER: Mapping[str, tuple[tuple[str, ...], ...]] = {
    "a name": (("next", "kin"),),
    NUMBER: (
        *(("hospital", "number"), ("hospital", "no"), ("hospital", "id"), ("unit", "number"), ("case", "number")),
        *(
            ("medical", "record"),
            ("social", "security"),
            ("insurance", "number"),
            ("national", "id"),
            ("record", "number"),
        ),
        *(("numero", "dossier"), ("numero", "historia"), ("historia", "clinica"), ("cartella", "clinica")),
        *(("codice", "fiscale"), ("tessera", "sanitaria"), ("seguridad", "social"), ("securite", "sociale")),
        *(
            ("processo", "clinico"),
            ("fall", "nummer"),
            ("fall", "nr"),
            ("fall", "id"),
            ("versicherten", "nr"),
            ("patienten", "nr"),
        ),
        *(("patient", "number"), ("patient", "no"), ("patient", "nr"), ("nhs", "number"), ("nhs", "no")),
        *(("pat", "nr"), ("pat", "no"), ("pat", "nummer"), ("n", "patient"), ("nº", "patient"), ("numero", "patient")),
        *(("case", "no"), ("case", "nr"), ("medicare", "number"), ("medicare", "no")),
    ),
    "a date of birth": (
        *(("birth", "date"), ("birth", "day"), ("date", "naissance"), ("fecha", "nacimiento"), ("data", "nascita")),
        *(("data", "nascimento"), ("geb", "datum"), ("geburts", "datum"), ("born", "on")),
        *(("ne", "le"), ("nee", "le")),
    ),
    "a postcode": (
        ("post", "code"),
        ("postal", "code"),
        ("code", "postal"),
        ("codigo", "postal"),
        ("codice", "postale"),
    ),
    "an e-mail address": (("e", "mail"),),
    "free text": (
        ("free", "text"),
        ("report", "text"),
        ("texte", "libre"),
        ("texto", "libre"),
        ("testo", "libero"),
        ("vrije", "tekst"),
        ("texto", "livre"),
    ),
}

# Short words that make an identifier only when they are the whole header: an occlusion's cap is no Italian postcode.
WHOLE_HEADER = frozenset(
    [
        *("befund", "cap", "chi", "cip", "cns", "cpr", "fax", "ipp", "naissance", "nhs", "nie", "nir", "nss", "obs"),
        *("portable", "rua", "rue"),
    ]
)

# "Name" alone, or beside one of these, is a person's; a segment's or a device's name is not.
NAME_WORDS = frozenset({"name", "names", "naam", "nom", "nombre", "nome"})
PERSON_WORDS = frozenset(
    [
        "patient",
        "patients",
        "patienten",
        "pat",
        "paciente",
        "paziente",
        "person",
        "first",
        "last",
        "middle",
        "full",
        "family",
        "given",
        "maiden",
        "birth",
        "sur",
        "fore",
        "operator",
        "surgeon",
        "physician",
        "doctor",
        "dr",
        "consultant",
        "nurse",
        "arzt",
        "operateur",
        "chirurg",
        "medecin",
        "medico",
        "cirujano",
        "chirurgo",
        "next",
        "kin",
        "relative",
        "gp",
        "de",
        "del",
        "of",
        "the",
        "du",
        "famille",
        "naissance",
        "usuel",
    ]
)

_EMAIL = r"[\w.+-]+@[\w-]+\.[\w.-]+"
_FULL_DATE = r"^(\d{4}-\d{2}-\d{2}|\d{1,2}[./-]\d{1,2}[./-]\d{4})([T ].*)?$"
_ANY_DAY = r"^(\d{4}[./-]\d{1,2}[./-]\d{1,2}|\d{1,2}[./ -]+(\d{1,2}|\pL{3,9})[./ -]+\d{2,4}|\d{8})([T ].*)?$"
_PHONE = r"^(\+\d{1,3}[ \d()/.-]{7,}|0\d{2,4}[ /-][ \d/-]{5,})$"
_LATEST_BIRTH_IN_DOUBT = 1990  # no procedure in an export is older; most patients are born before
_MOST, _NEARLY_ALL, _SOME = 0.5, 0.9, 0.05
_FEWEST_NUMBERS = 20  # below it, ten-digit numbers with valid check digits may be chance (1 in 11 each)


@dataclass(frozen=True, slots=True)
class Finding:
    """A column that looks like a direct identifier: its position from 0, its header, and of what kind."""

    position: int
    header: str
    kind: str


def identifier_columns(headers: Sequence[str], sample: pl.DataFrame) -> list[Finding]:
    """The columns that look like direct identifiers, by their header or by their values.

    `headers` are all of the file's; `sample` holds values (text) of the columns to be looked at, each named by its
    position: those that are neither in the data dictionary nor dropped nor mapped.
    """
    found: list[Finding] = []
    for name in sample.columns:
        position = int(name)
        kind = kind_by_header(headers[position]) or kind_by_content(sample[name])
        if kind is not None:
            found.append(Finding(position, headers[position], kind))
    return found


def kind_of_used(header: str, values: pl.Series, *, key: bool) -> str | None:
    """The kind of identifier that a column used for one of the dictionary's looks like; None for none.

    A `key` may be a number of any kind, as a pseudonym takes its place. A few sentences among codes are left to the check.
    """
    announced = kind_by_header(header)
    if announced is not None and not (key and announced == NUMBER):
        return announced
    held = kind_by_content(values, sentences=_MOST)
    return None if key and held in ("telephone numbers", "NHS numbers", "e-mail addresses") else held


def holds_full_dates(values: pl.Series) -> bool:
    """Whether more than a few of a column's values are a day, and not a year alone, however written."""
    there = values.drop_nulls().str.strip_chars()
    there = there.filter(there != "")
    return not there.is_empty() and _share(there.str.contains(_ANY_DAY)) >= _SOME


def kind_by_header(header: str) -> str | None:
    """The kind of identifier that a header announces; None for none. Whole words count, in any of the languages."""
    words = header_words(header)
    together = "".join(words)
    for kind, alone in WORDS.items():
        if together in alone or any(word in alone for word in words if word not in WHOLE_HEADER):
            return kind
    for kind, sets in TOGETHER.items():
        if any(set(needed) <= set(words) for needed in sets):
            return kind
    if NAME_WORDS & set(words) and set(words) <= NAME_WORDS | PERSON_WORDS:
        return "a name"
    return None


def header_words(header: str) -> list[str]:
    """A header's words in lower case without accents: 'PatName', 'pat_name' and 'Pat. Name' all give pat, name."""
    spread = re.sub(r"(?<=[a-zß-ÿ])(?=[A-ZÀ-Þ])", " ", header).replace("ß", "ss").casefold()
    plain = "".join(c for c in unicodedata.normalize("NFD", spread) if not unicodedata.combining(c))
    return re.findall(r"[^\W\d_]+", plain)


def kind_by_content(values: pl.Series, *, sentences: float = _SOME) -> str | None:
    """The kind of identifier that a column's values look like; None for none. Free text: from a share of `sentences`."""
    there = values.drop_nulls().str.strip_chars()
    there = there.filter(there != "")
    if there.is_empty():
        return None
    if there.str.contains(_EMAIL).any():
        return "e-mail addresses"
    if _share(there.str.contains(_PHONE)) >= _MOST:
        return "telephone numbers"
    dates = there.str.contains(_FULL_DATE)
    if _share(dates) >= _MOST:
        years = there.filter(dates).str.extract(r"(\d{4})").cast(pl.Int32)
        if _share(years < _LATEST_BIRTH_IN_DOUBT) >= _MOST:
            return "dates of birth"
    if (
        len(there) >= _FEWEST_NUMBERS
        and _share(there.map_elements(_is_nhs_number, return_dtype=pl.Boolean)) >= _NEARLY_ALL
    ):
        return "NHS numbers"
    if _share((there.str.len_chars() >= 30) & (there.str.count_matches(r"\s+") >= 5)) >= sentences:
        return "free text"
    return None


def holds_emails(values: pl.Series) -> bool:
    """Whether any value holds an e-mail address: looked for in the dictionary's own text columns too."""
    return bool(values.drop_nulls().str.contains(_EMAIL).any())


def _share(test: pl.Series) -> float:
    return float(test.cast(pl.Float64).mean() or 0.0)  # type: ignore[arg-type]


def _is_nhs_number(text: str) -> bool:
    """Ten digits with a valid modulus 11 check digit (NHS Data Dictionary: NHS NUMBER)."""
    digits = text.replace(" ", "").replace("-", "")
    if len(digits) != 10 or not digits.isascii() or not digits.isdigit():
        return False
    check = 11 - sum(int(digit) * (10 - place) for place, digit in enumerate(digits[:9])) % 11
    return check % 11 == int(digits[9]) and check != 10
