"""One thread for libraries that bring their own: the same bytes on every machine, and no waiting for a core that another process holds."""

from __future__ import annotations

from typing import Any

from threadpoolctl import threadpool_limits


def one_thread() -> Any:
    """A context in which every thread pool that is loaded by now has one thread.

    Enter it after the library is imported: a limit that was set before does not reach what is loaded later. Measured on two busy cores, small trees
    with their own threads took ten times as long.
    """
    return threadpool_limits(limits=1)
