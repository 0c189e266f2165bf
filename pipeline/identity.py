"""No identity comes in: columns that look like direct identifiers stop the run, and keys become keyed pseudonyms."""

from __future__ import annotations

import hmac
import os
import secrets
import stat
from collections.abc import Mapping
from pathlib import Path

import polars as pl

from pipeline.case_tables import PSEUDONYM_COLUMNS
from pipeline.faults import NeedsMending

KEY_VARIABLE = "CROSSWISE_KEY"
_KEY_BYTES = 32
_FEWEST_KEY_CHARACTERS = 16
_HEX_DIGITS = 16  # 64 bits: among 10 million keys the chance of any two meeting is below 1 in 100,000

# What a pseudonym starts with, so that a reader of a list sees what kind of key it is.
PREFIXES: Mapping[str, str] = {
    "patient_id": "p_",
    "procedure_id": "s_",
    "lesion_id": "l_",
    "attempt_id": "a_",
    "complication_id": "c_",
    "follow_up_id": "f_",
    "operator_id": "op_",
}


def load_key(path: Path | None = None) -> bytes:
    """The secret key of the pseudonyms: from the environment variable CROSSWISE_KEY, else from a private file.

    The file is `path`, or `crosswise/pseudonym.key` under the user's configuration folder; it is made on first use,
    readable by its owner only. Keep it: with another key the same patient gets another pseudonym. Raises NeedsMending
    when the key is too short, or when others can read the file.
    """
    from_environment = os.environ.get(KEY_VARIABLE)
    if from_environment is not None:
        return _long_enough(from_environment.strip(), f"the environment variable {KEY_VARIABLE}")
    path = path or _default_path()
    try:
        if not path.exists():
            _make_key_file(path)
        if os.name == "posix" and stat.S_IMODE(path.stat().st_mode) & 0o077:
            raise NeedsMending(f"{path.name}: others can read the pseudonym key; run: chmod 600 '{path}'")
        return _long_enough(path.read_text(encoding="ascii").strip(), path.name)
    except (OSError, UnicodeDecodeError):
        raise NeedsMending(
            f"{path.name}: the pseudonym key cannot be read or made at {path.parent}; "
            f"mend that folder, or give the key in the environment variable {KEY_VARIABLE}"
        ) from None


def pseudonymize(frames: Mapping[str, pl.DataFrame], key: bytes) -> dict[str, pl.DataFrame]:
    """The frames with every key column replaced by pseudonyms; a value's pseudonym is the same in every table.

    HMAC-SHA-256 (RFC 2104, FIPS 180-4) over "column:value", cut to 64 bits, in hexadecimal. Null and blank stay null.
    """
    done = dict(frames)
    for column in PSEUDONYM_COLUMNS:
        holders = [name for name, frame in done.items() if column in frame.columns]
        if not holders:
            continue
        for name in holders:
            done[name] = done[name].with_columns(_as_key_text(done[name][column]))
        values = pl.concat([done[name][column] for name in holders]).drop_nulls().unique(maintain_order=True)
        table = pl.DataFrame(
            {column: values, "pseudonym": [_pseudonym(key, column, value) for value in values]},
            schema={column: pl.String, "pseudonym": pl.String},
        )
        for name in holders:
            order = done[name].columns
            joined = done[name].join(table, on=column, how="left", maintain_order="left").drop(column)
            done[name] = joined.rename({"pseudonym": column}).select(order)
    return done


def _pseudonym(key: bytes, column: str, value: str) -> str:
    digest = hmac.digest(key, f"{column}:{value}".encode(), "sha256")
    return PREFIXES[column] + digest.hex()[:_HEX_DIGITS]


def _as_key_text(values: pl.Series) -> pl.Series:
    text = values if values.dtype == pl.String else values.cast(pl.String)
    if values.dtype.is_float():
        text = text.str.strip_suffix(".0")
    # One letter can be written as one character or as two: both are the same key.
    stripped = text.str.normalize("NFC").str.strip_chars()
    return stripped.set(stripped == "", None)


def _default_path() -> Path:
    home = os.environ.get("XDG_CONFIG_HOME")
    folder = Path(home) if home else Path.home() / ".config"
    return folder / "crosswise" / "pseudonym.key"


def _make_key_file(path: Path) -> None:
    path.parent.mkdir(mode=0o700, parents=True, exist_ok=True)
    # Written whole beside its place and then linked in: of two first runs at once, both use the one that came first.
    beside = path.with_name(f".{path.name}.{secrets.token_hex(8)}")
    with os.fdopen(os.open(beside, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600), "w", encoding="ascii") as file:
        file.write(secrets.token_hex(_KEY_BYTES) + "\n")
        file.flush()
        os.fsync(file.fileno())
    try:
        os.link(beside, path)
    except FileExistsError:
        pass
    finally:
        beside.unlink()


def _long_enough(text: str, where: str) -> bytes:
    if len(text) < _FEWEST_KEY_CHARACTERS:
        raise NeedsMending(
            f"{where}: the pseudonym key is shorter than {_FEWEST_KEY_CHARACTERS} characters; use a longer one"
        )
    return text.encode()
