"""What a run finds in the folder of its outputs: the earlier deliveries, copied to where they are added to."""

from __future__ import annotations

import hmac
import json
import shutil
from pathlib import Path

from pipeline.deliveries.history import Delivery, load_deliveries, load_last_run
from pipeline.deliveries.keep import make_ready
from pipeline.faults import NeedsMending

DATABASE = "service.duckdb"


def bring_along(out: Path, folder: Path, *, key: bytes, invented: bool) -> tuple[Delivery, ...]:
    """The deliveries that stand in `out`, with their history in `folder`, made ready to be added to.

    Raises NeedsMending when the history is damaged, missing, of a later release, or under another pseudonym key than `key`.
    """
    standing = out / DATABASE
    deliveries = load_deliveries(standing)
    if not deliveries and not standing.exists() and _stood_there(out):
        raise NeedsMending(
            f"{out}: {DATABASE}, which holds the earlier deliveries, is not there; put it back, or choose another --out"
        )
    if deliveries:
        _refuse_another_service(out, deliveries[-1], key, invented=invented)
        copy_history(standing, folder)
    make_ready(folder / DATABASE)
    return deliveries


def begin_anew(folder: Path) -> None:
    """Forget the history brought along."""
    (folder / DATABASE).unlink()
    make_ready(folder / DATABASE)


def copy_history(standing: Path, folder: Path) -> None:
    """A copy of the DuckDB file in `folder`. Raises NeedsMending when there is no room or the file cannot be read."""
    try:
        shutil.copyfile(standing, folder / DATABASE)
    except OSError as error:
        raise NeedsMending(
            f"{standing}: cannot be copied to be added to ({error.strerror or 'unknown reason'}); the last outputs are untouched"
        ) from None


def key_fingerprint(key: bytes) -> str:
    """Sixteen hexadecimal digits by which a pseudonym key is known again; nothing can be learned from them about it."""
    return hmac.digest(key, b"crosswise: which key", "sha256").hex()[:16]


def _stood_there(out: Path) -> bool:
    try:
        return "delivery" in json.loads((out / "manifest.json").read_text(encoding="utf-8"))
    except (OSError, ValueError):
        return False


def _refuse_another_service(out: Path, last: Delivery, key: bytes, *, invented: bool) -> None:
    was_invented = load_last_run(out / DATABASE, last.number).invented
    if invented and not was_invented:
        raise NeedsMending(f"{out}: holds a service's own deliveries; choose another --out for invented ones")
    if was_invented and not invented:
        raise NeedsMending(f"{out}: holds deliveries of an invented service; choose another --out for a real one")
    if last.key_fingerprint != key_fingerprint(key):
        raise NeedsMending(
            f"{out}: the pseudonym key is not the one of the earlier deliveries, so that no row would be known again; "
            "give back that key (docs/getting_started.md tells where it is kept), or choose another --out"
        )
