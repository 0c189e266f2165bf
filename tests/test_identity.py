import hashlib
import hmac
import os
import stat
from pathlib import Path

import polars as pl
import pytest

from pipeline.case_tables import PSEUDONYM_COLUMNS, TABLES
from pipeline.check import check
from pipeline.faults import NeedsMending
from pipeline.guard.identifier_words import kind_by_header
from pipeline.guard.identifiers import identifier_columns
from pipeline.identity import KEY_VARIABLE, PREFIXES, load_key, pseudonymize
from synthetic_data.rows import valid_tables

KEY = b"a key for tests, of no use elsewhere"


@pytest.fixture(autouse=True)
def own_configuration(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("XDG_CONFIG_HOME", str(tmp_path / "config"))
    monkeypatch.delenv(KEY_VARIABLE, raising=False)


# Headers


@pytest.mark.parametrize(
    ("header", "kind"),
    [
        ("Name", "a name"),
        ("Patient Name", "a name"),
        ("PatName", "a name"),
        ("Surname", "a name"),
        ("first_name", "a name"),
        ("Operator name", "a name"),
        ("Nachname", "a name"),
        ("Nom de famille", "a name"),
        ("Nom de naissance", "a name"),
        ("Nom usuel", "a name"),
        ("Next of kin", "a name"),
        ("Pat.-Nr.", "a hospital or insurance number"),
        ("N° patient", "a hospital or insurance number"),
        ("Nº patient", "a hospital or insurance number"),
        ("AHV-Nr", "a hospital or insurance number"),
        ("Case No", "a hospital or insurance number"),
        ("Medicare number", "a hospital or insurance number"),
        ("Né(e) le", "a date of birth"),
        ("Naissance", "a date of birth"),
        ("Befund", "free text"),
        ("Report text", "free text"),
        ("Vorname", "a name"),
        ("Prénom", "a name"),
        ("Nom du patient", "a name"),
        ("Apellidos", "a name"),
        ("Cognome", "a name"),
        ("Achternaam", "a name"),
        ("Apelido", "a name"),
        ("MRN", "a hospital or insurance number"),
        ("Hospital No.", "a hospital or insurance number"),
        ("NHS number", "a hospital or insurance number"),
        ("Fallnummer", "a hospital or insurance number"),
        ("Fall-Nr.", "a hospital or insurance number"),
        ("Número de historia clínica", "a hospital or insurance number"),
        ("Codice Fiscale", "a hospital or insurance number"),
        ("BSN", "a hospital or insurance number"),
        ("NINO", "a hospital or insurance number"),
        ("MBI", "a hospital or insurance number"),
        ("Rijksregisternummer", "a hospital or insurance number"),
        ("Samordningsnummer", "a hospital or insurance number"),
        ("Fødselsnummer", "a hospital or insurance number"),
        ("Número de utente", "a hospital or insurance number"),
        ("IBAN", "a bank account number"),
        ("Efternamn", "a name"),
        ("Fødselsdato", "a date of birth"),
        ("DOB", "a date of birth"),
        ("Date of Birth", "a date of birth"),
        ("Geburtsdatum", "a date of birth"),
        ("date de naissance", "a date of birth"),
        ("Fecha de nacimiento", "a date of birth"),
        ("Data di nascita", "a date of birth"),
        ("Geboortedatum", "a date of birth"),
        ("Data de nascimento", "a date of birth"),
        ("Post Code", "a postcode"),
        ("ZIP", "a postcode"),
        ("PLZ", "a postcode"),
        ("Código postal", "a postcode"),
        ("CAP", "a postcode"),
        ("Home address", "an address"),
        ("Straße", "an address"),
        ("Endereço", "an address"),
        ("Tel.", "a telephone number"),
        ("Téléphone", "a telephone number"),
        ("E-Mail", "an e-mail address"),
        ("Free text", "free text"),
        ("procedure_notes", "free text"),
        ("Bemerkungen", "free text"),
        ("Observações", "free text"),
        ("Opmerking", "free text"),
    ],
)
def test_a_header_that_announces_an_identifier_is_known_in_seven_languages(header: str, kind: str) -> None:
    assert kind_by_header(header) == kind


@pytest.mark.parametrize(
    "header",
    [
        *("segment_name", "Device name", "Site name", "cap_shape", "Proximal cap", "Birth year", "Geburtsjahr"),
        *("Filename", "treatment", "Stent length", "notable", "Kappe proximal", "Dauer (min)", "Bypass", "", "Col 7"),
        *(
            "WIfI Wunde",
            "Zielgefäß",
            "Phase",
            "telescope",
            "mailed",
            "NHS trust code",
            "Caprice",
            "data",
            "date",
            "Fall",
        ),
        *("Année de naissance", "Befund Kappe", "Case mix", "n patients", "Report date", "Next visit", "Pat. Alter"),
        *("Steuerung", "Insulin", "Unidad", "Medicare", "NIF lesion", "Ankle", "National registry", "Gateway", "Fase"),
    ],
)
def test_a_header_of_the_trade_is_not_taken_for_an_identifier(header: str) -> None:
    assert kind_by_header(header) is None


def test_no_column_of_the_dictionary_looks_like_an_identifier() -> None:
    assert [c.name for t in TABLES for c in t.columns if kind_by_header(c.name)] == []


def test_each_column_that_looks_like_an_identifier_is_found_once() -> None:
    sample = pl.DataFrame({"0": ["Invented"], "2": ["x@example.org"], "3": ["7"]})
    found = identifier_columns(["Surname", "lesion_id", "", "device"], sample)
    assert [(f.position, f.header, f.kind) for f in found] == [(0, "Surname", "a name"), (2, "", "e-mail addresses")]


# Key


def test_a_key_is_made_on_first_use_and_is_its_owners_alone(tmp_path: Path) -> None:
    key = load_key()
    path = tmp_path / "config" / "crosswise" / "pseudonym.key"
    assert len(key) >= 32 and load_key() == key
    assert stat.S_IMODE(path.stat().st_mode) == 0o600
    assert stat.S_IMODE(path.parent.stat().st_mode) == 0o700
    assert [p.name for p in path.parent.iterdir()] == ["pseudonym.key"]


def test_two_sites_have_different_keys(tmp_path: Path) -> None:
    assert load_key(tmp_path / "a.key") != load_key(tmp_path / "b.key")


def test_a_key_in_the_environment_goes_before_the_file(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    monkeypatch.setenv(KEY_VARIABLE, "0123456789abcdef0123")
    assert load_key(tmp_path / "none.key") == b"0123456789abcdef0123"
    assert not (tmp_path / "none.key").exists()


@pytest.mark.parametrize("short", ["", "   ", "secret"])
def test_a_short_key_is_refused_and_not_shown(monkeypatch: pytest.MonkeyPatch, short: str) -> None:
    monkeypatch.setenv(KEY_VARIABLE, short)
    with pytest.raises(NeedsMending, match="shorter than 16") as caught:
        load_key()
    assert "secret" not in str(caught.value)


@pytest.mark.skipif(os.name != "posix", reason="file modes are POSIX")
def test_a_key_file_that_others_can_read_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "pseudonym.key"
    load_key(path)
    path.chmod(0o644)
    with pytest.raises(NeedsMending, match="chmod 600"):
        load_key(path)


def test_a_key_that_cannot_be_made_is_one_clear_line(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("", encoding="utf-8")
    with pytest.raises(NeedsMending, match="cannot be read or made"):
        load_key(tmp_path / "file" / "pseudonym.key")


# Pseudonyms


def test_a_pseudonym_is_the_keyed_hash_of_its_column_and_value() -> None:
    # Recomputed with the two-pass definition of RFC 2104, not with the library's shortcut.
    block = KEY.ljust(64, b"\0") if len(KEY) <= 64 else hashlib.sha256(KEY).digest().ljust(64, b"\0")
    inner = hashlib.sha256(bytes(b ^ 0x36 for b in block) + b"patient_id:P7").digest()
    outer = hashlib.sha256(bytes(b ^ 0x5C for b in block) + inner).hexdigest()
    frames = pseudonymize({"patients": pl.DataFrame({"patient_id": ["P7"]})}, KEY)
    assert frames["patients"]["patient_id"].to_list() == ["p_" + outer[:16]]
    assert outer == hmac.new(KEY, b"patient_id:P7", "sha256").hexdigest()


def test_every_key_is_replaced_and_every_reference_still_holds() -> None:
    tables = valid_tables(lesions=[{}, {}], attempts=[{}, {"lesion_id": "lesions-2"}])
    frames = pseudonymize(tables, KEY)
    told = check(frames)
    assert told.set_aside.is_empty() and told.blanked.is_empty()
    for name, frame in frames.items():
        assert frame.columns == tables[name].columns
        for column in PSEUDONYM_COLUMNS:
            if column in frame.columns:
                assert set(frame[column]).isdisjoint(set(tables[name][column]))
                assert all(value.startswith(PREFIXES[column]) for value in frame[column])


def test_the_same_value_in_two_kinds_of_key_gives_unlike_pseudonyms() -> None:
    frames = pseudonymize({"lesions": pl.DataFrame({"lesion_id": ["7"], "procedure_id": ["7"]})}, KEY)
    lesion, procedure = frames["lesions"].row(0)
    assert lesion.split("_")[1] != procedure.split("_")[1]


def test_another_key_gives_other_pseudonyms_and_the_same_key_the_same() -> None:
    tables = {"patients": pl.DataFrame({"patient_id": ["P7"]})}
    first, again, other = (pseudonymize(tables, key)["patients"].item() for key in (KEY, KEY, KEY + b"x"))
    assert first == again != other


def test_a_missing_or_blank_key_stays_missing_and_spaces_make_no_other_patient() -> None:
    frames = pseudonymize({"patients": pl.DataFrame({"patient_id": [None, " ", "", " P7 ", "P7"]})}, KEY)
    values = frames["patients"]["patient_id"].to_list()
    assert values[:3] == [None, None, None] and values[3] == values[4] is not None


def test_a_number_as_key_is_the_same_patient_in_whatever_type() -> None:
    frames = pseudonymize(
        {"patients": pl.DataFrame({"patient_id": [7]}), "procedures": pl.DataFrame({"patient_id": [7.0]})}, KEY
    )
    assert frames["patients"].item() == frames["procedures"].item()
