"""No identity comes in: columns that look like direct identifiers stop the run, and keys become keyed pseudonyms."""

from __future__ import annotations

import hmac
import os
import secrets
import stat
from collections.abc import Mapping
from pathlib import Path

import numpy as np
import polars as pl
import polars_hash  # noqa: F401 - puts its hash functions within reach of every expression
import pyarrow as pa

from pipeline.case_tables import PSEUDONYM_COLUMNS
from pipeline.distinct import over_distinct
from pipeline.faults import NeedsMending
from pipeline.reading.source import as_seen

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
    return {
        name: frame.with_columns(
            key_text(column, pseudonyms(frame[column], column, key))
            for column in PSEUDONYM_COLUMNS
            if column in frame.columns
        )
        for name, frame in frames.items()
    }


def pseudonyms(values: pl.Series, column: str, key: bytes) -> pl.Series:
    """The pseudonyms of one column's keys as numbers of 64 bits (UInt64): an eighth of the memory of their text."""
    written = _as_key_text(values)
    secret = _as_text_key(key)
    if secret is None:
        return _one_by_one(written, column, key)
    keyed = pl.concat_str(pl.lit(f"{column}:"), pl.col(written.name))
    # polars-hash gives its functions to every expression under this name.
    digest = keyed.chash.hmac_sha256(key=secret)  # type: ignore[attr-defined]
    number = digest.str.slice(0, _HEX_DIGITS).str.decode("hex").bin.reinterpret(dtype=pl.UInt64, endianness="big")
    return over_distinct(written, number.alias(values.name)).to_series()


def key_text(column: str, numbers: pl.Series) -> pl.Series:
    """Pseudonyms as they are written: the column's prefix and sixteen hexadecimal digits. Null stays null."""
    prefix = PREFIXES[column].encode("ascii")
    width, count = len(prefix) + _HEX_DIGITS, len(numbers)
    digits = numbers.fill_null(0).to_numpy().astype(">u8").tobytes().hex().encode("ascii")
    written = np.empty((count, width), dtype=np.uint8)
    written[:, : len(prefix)] = np.frombuffer(prefix, dtype=np.uint8)
    written[:, len(prefix) :] = np.frombuffer(digits, dtype=np.uint8).reshape(count, _HEX_DIGITS)
    ends = np.arange(0, width * (count + 1), width, dtype=np.int64)
    text = pl.Series(
        numbers.name,
        pa.LargeStringArray.from_buffers(count, pa.py_buffer(ends), pa.py_buffer(written)),
        dtype=pl.String,
    )
    return text.set(numbers.is_null(), None) if numbers.null_count() else text


def key_number(texts: pl.Series) -> pl.Series:
    """Written pseudonyms back as numbers (UInt64)."""
    return texts.str.tail(_HEX_DIGITS).str.decode("hex").bin.reinterpret(dtype=pl.UInt64, endianness="big")


def written_out(frame: pl.DataFrame) -> pl.DataFrame:
    """A frame with its pseudonyms as text and its codes as plain text; other columns as they are."""
    return frame.with_columns(
        key_text(name, frame[name]) if frame[name].dtype == pl.UInt64 else frame[name].cast(pl.String)
        for name in frame.columns
        if (name in PREFIXES and frame[name].dtype == pl.UInt64) or isinstance(frame[name].dtype, pl.Enum)
    )


def _as_text_key(key: bytes) -> str | None:
    try:
        return key.decode("utf-8")
    except UnicodeDecodeError:
        return None


def _one_by_one(values: pl.Series, column: str, key: bytes) -> pl.Series:
    """For a key that is no text, which the fast function does not take."""
    numbers = [
        None if value is None else int(hmac.digest(key, f"{column}:{value}".encode(), "sha256").hex()[:_HEX_DIGITS], 16)
        for value in values
    ]
    return pl.Series(values.name, numbers, dtype=pl.UInt64)


def _as_key_text(values: pl.Series) -> pl.Series:
    text = values if values.dtype == pl.String else values.cast(pl.String)
    if values.dtype.is_float():
        text = text.str.strip_suffix(".0")
    stripped = as_seen(text).str.strip_chars()
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
