"""Headers that announce a direct identifier, in the languages of the trade's exports: whole words, without accents.

English, German, French, Spanish, Italian, Dutch and Portuguese, and the commonest of Swedish, Norwegian, Danish and Finnish.
"""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Mapping

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
        *("apelido", "sobrenome", "tussenvoegsel", "nombres", "naamgegevens", "meisjesnaam", "patientnaam"),
        *("efternamn", "fornamn", "etternavn", "fornavn", "efternavn", "sukunimi", "etunimi"),
    ),
    NUMBER: (
        *("mrn", "nhs", "nhsnumber", "ssn", "chi", "nhsno", "hospno", "hospitalnumber", "passport"),
        *("fallnummer", "fallnr", "patientennummer", "patientennr", "krankenhausnummer", "versichertennummer", "kvnr"),
        *("nss", "ipp", "nir", "nhc", "dni", "nie", "cip", "bsn", "patientnummer", "burgerservicenummer", "cpf", "cns"),
        *("ahv", "ahvnr", "ahvnummer", "personnummer", "fodselsnummer", "cprnummer", "cpr", "henkilotunnus"),
        *("mbi", "npi", "nino", "ppsn", "idnr", "steuerid", "svnr", "rvnr", "niss", "insz", "rijksregisternummer"),
        *("samordningsnummer", "hetu", "kennitala", "pesel", "nuss", "nif", "utente", "codicefiscale"),
        *("sozialversicherungsnummer", "rentenversicherungsnummer", "medicarenumber", "aufnahmenummer"),
    ),
    "a bank account number": ("iban",),
    "a date of birth": (
        *("dob", "birthdate", "birthday", "dateofbirth", "geburtsdatum", "gebdatum", "gebdat", "geburtstag"),
        *("ddn", "geboortedatum", "fechanacimiento", "datanascita", "datanascimento", "fodselsdato", "fodelsedatum"),
        *("naissance", "datenaissance"),
    ),
    "a postcode": (
        *("postcode", "postalcode", "zip", "zipcode", "plz", "postleitzahl", "cap", "cep", "codepostal"),
        *("codigopostal", "postnummer", "postkod"),
    ),
    "an address": (
        *("address", "street", "adresse", "anschrift", "strasse", "wohnort", "rue", "domicile", "direccion", "calle"),
        *("gade", "gatuadress", "adress", "osoite"),
        *("domicilio", "indirizzo", "adres", "straat", "woonplaats", "endereco", "morada", "rua", "hausnummer"),
    ),
    "a telephone number": (
        *("phone", "telephone", "tel", "mobilephone", "cellphone", "fax", "telefon", "telefonnummer", "handy"),
        *("handynummer", "telefono", "telefoon", "telefoonnummer", "telefone", "telemovel", "celular", "portable"),
        *("telefonnr", "mobiltelefon", "puhelin", "gsm"),
    ),
    "an e-mail address": ("email", "mail", "emailaddress", "courriel", "correo"),
    "free text": (
        *("note", "notes", "comment", "comments", "remark", "remarks", "freetext", "narrative", "memo"),
        *("bemerkung", "bemerkungen", "kommentar", "kommentare", "freitext", "notiz", "notizen", "anmerkung"),
        *("commentaire", "commentaires", "remarque", "remarques", "comentario", "comentarios", "observaciones"),
        *("nota", "notas", "osservazioni", "osservazione", "commento", "commenti", "opmerking", "opmerkingen"),
        *("toelichting", "observacao", "observacoes", "obs"),
        *("befund", "befundtext", "befundbericht", "reporttext", "anteckning", "anteckningar", "merknad"),
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
        *(("case", "no"), ("case", "nr"), ("medicare", "number"), ("medicare", "no"), ("medicare", "id")),
        *(("national", "insurance"), ("national", "number"), ("codigo", "identificacion"), ("numero", "utente")),
        *(("registre", "national"), ("steuer", "id"), ("sozialversicherung", "nr"), ("cartao", "cidadao")),
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
        *("befund", "cap", "chi", "cip", "cns", "cpr", "fax", "gade", "gsm", "idnr", "ipp", "mbi", "naissance", "nhs"),
        *("nie", "nif", "nino", "nir", "niss", "npi", "nss", "nuss", "obs", "portable", "rua", "rue", "utente"),
    ]
)

# "Name" alone, or beside one of these, is a person's; a segment's or a device's name is not.
NAME_WORDS = frozenset({"name", "names", "naam", "nom", "nombre", "nome", "namn", "navn", "nimi"})
PERSON_WORDS = frozenset(
    [
        *("patient", "patients", "patienten", "pat", "paciente", "paziente", "person", "birth", "naissance", "usuel"),
        *("first", "last", "middle", "full", "family", "famille", "given", "maiden", "sur", "fore"),
        *("operator", "surgeon", "physician", "doctor", "dr", "consultant", "nurse", "assistant", "referrer", "gp"),
        *("arzt", "operateur", "chirurg", "medecin", "medico", "cirujano", "chirurgo"),
        *("next", "kin", "relative", "de", "del", "of", "the", "du"),
    ]
)


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
    return re.findall(r"[^\W\d_]+", plain.replace("ø", "o").replace("æ", "ae"))
